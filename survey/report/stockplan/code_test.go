package stockplan

import (
	"testing"

	"pinchrod/survey/report/cutting"
)

// What is read as a plan's name has a code, and reads the same written out.
func FuzzParseName(f *testing.F) {
	for _, s := range []string{"", "A94TQV", "a94-tqv", "A94TQV, bars 7KQ2", "plan A94TQV, bars 7KQ2", "bars 7KQ2", "A94TQV bars", "plan", "A94TQV, bars 0OI1"} {
		f.Add(s)
	}
	f.Fuzz(func(t *testing.T, s string) {
		code, err := parseName(s)
		if err != nil {
			return
		}
		if again, err := cutting.ParseCode(code); err != nil || again != code {
			t.Errorf("%q: %q, which reads as %q, %v", s, code, again, err)
		}
		if again, err := parseName(code + ", bars 7KQ2"); err != nil || again != code {
			t.Errorf("%q: with a mark %q, %v", s, again, err)
		}
	})
}
