// Pinchrod is a field book for fitting new balustrade to a stair that stands.
package main

import (
	"os"

	"pinchrod/cmd/internal/cli"
)

func main() { os.Exit(cli.Main()) }
