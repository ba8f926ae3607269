package lines

import (
	"testing"

	"github.com/google/go-cmp/cmp"
)

func TestWrap(t *testing.T) {
	for _, tt := range []struct {
		in   string
		n    int
		want []string
	}{
		{"", 10, []string{""}},
		{"a gap of 89.4 mm", 13, []string{"a gap of", "89.4 mm"}},
		{"run 1254.0 ±1.2 mm here", 16, []string{"run", "1254.0 ±1.2 mm", "here"}},
		{"abcdefghijklmnopqrst uv", 8, []string{"abcdefgh", "ijklmnop", "qrst uv"}},
		{"over 35 7/16 in, at", 12, []string{"over", "35 7/16 in,", "at"}},
		{"Ørsted ±° é", 8, []string{"Ørsted", "±° é"}},
		{"too narrow", 1, []string{"too", "narrow"}},
	} {
		if diff := cmp.Diff(tt.want, Wrap(tt.in, tt.n)); diff != "" {
			t.Errorf("Wrap(%q, %d) (-want +got):\n%s", tt.in, tt.n, diff)
		}
	}
}

func TestSentence(t *testing.T) {
	for in, want := range map[string]string{"": "", "a gap": "A gap.", "a gap.": "A gap.", "é": "É.", "12 mm": "12 mm."} {
		if got := Sentence(in); got != want {
			t.Errorf("Sentence(%q) = %q, want %q", in, got, want)
		}
	}
}

// What comes from elsewhere cannot move the cursor or turn the line round.
func TestClean(t *testing.T) {
	for in, want := range map[string]string{"a\x1b[2Jb": "a [2Jb", "a\tb\r\n": "a b  ", "a\u202eb": "a b", "Ø ±°": "Ø ±°"} {
		if got := Clean(in); got != want {
			t.Errorf("Clean(%q) = %q, want %q", in, got, want)
		}
	}
}
