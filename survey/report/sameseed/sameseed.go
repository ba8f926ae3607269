// Package sameseed has the property tests of a package draw the same random cases
// each time. It is for tests whose cases go through everything, from readings to
// paper: one in some thousands may want a look, and that is for whoever asks for
// other cases with -rapid.seed, or for more with -rapid.checks.
package sameseed

import (
	"flag"
	"fmt"
	"os"
	"testing"
)

// Main runs a package's tests, in its TestMain, and returns the exit code. The
// package uses pgregory.net/rapid, which has the flags.
func Main(m *testing.M) int {
	flag.Parse()
	told := false
	flag.Visit(func(f *flag.Flag) {
		told = told || f.Name == "rapid.seed" || f.Name == "rapid.checks" || f.Name == "rapid.failfile"
	})
	if !told {
		if err := flag.Set("rapid.seed", "20261128"); err != nil {
			fmt.Fprintln(os.Stderr, err)
			return 1
		}
	}
	return m.Run()
}
