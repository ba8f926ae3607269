// Package quiet keeps the libraries of the terminal face from asking the
// terminal for its background colour when the program starts.
//
// They do so on import, in every command: the question shows as escape
// sequences to whoever asked for plain lines, its answer is waited for up to
// five seconds, and keys typed ahead are thrown away meanwhile. They leave a
// dumb terminal alone, so the terminal is a dumb one until they are
// initialised and [Restore] is called.
//
// The language fixes the order: of the packages whose imports are ready, the
// one first by import path. This one needs nothing but os and so comes before
// regexp, which those libraries wait for. A test of package ask starts a
// program on a terminal and holds this.
package quiet

import "os"

var term, set = os.LookupEnv("TERM")

func init() { _ = os.Setenv("TERM", "dumb") }

// Restore gives the environment back as it was.
func Restore() {
	if set {
		_ = os.Setenv("TERM", term)
	} else {
		_ = os.Unsetenv("TERM")
	}
}
