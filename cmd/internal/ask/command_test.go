package ask

import (
	"strings"
	"testing"

	"pinchrod/survey/guide"
)

var keep = guide.Question{ID: "keep", Form: guide.Choice, Title: "Keep it?", Choices: []guide.Option{{Key: 'y', Label: "keep"}, {Key: 'r', Label: "read again"}}}

func rise(n int) guide.Question {
	return guide.Question{ID: "rise", Form: guide.Value, Title: "Rise of the step", Hint: "mm", N: n, Of: 40, Place: "F1"}
}

func TestParse(t *testing.T) {
	value, text, dflt := rise(1), guide.Question{Form: guide.Text}, guide.Question{Form: guide.Count, Default: "13"}
	odd := guide.Question{Form: guide.Choice, Choices: []guide.Option{{Key: 'Q', Label: "quarter landing"}}}
	tests := []struct {
		typed string
		q     guide.Question
		want  guide.Input
	}{
		{"?", value, guide.Input{Act: guide.Help}},
		{" ? ", text, guide.Input{Act: guide.Help}},
		{"<", value, guide.Input{Act: guide.Back}},
		{"=", value, guide.Input{Act: guide.Again}},
		{".", value, guide.Input{Act: guide.List}},
		{"q", text, guide.Input{Act: guide.Leave}},
		{"Q", value, guide.Input{Act: guide.Leave}},
		{"q", keep, guide.Input{Act: guide.Leave}},
		{"/", value, guide.Input{Act: guide.Skip}},
		{"/carpet", value, guide.Input{Act: guide.Skip, Text: "carpet"}},
		{"/ no access ", keep, guide.Input{Act: guide.Skip, Text: "no access"}},
		{"! chalk line is faint", value, guide.Input{Act: guide.Note, Text: "chalk line is faint"}},
		{"@F1/left gap top", value, guide.Input{Act: guide.Jump, Text: "F1/left gap top"}},
		{`\q`, text, guide.Input{Act: guide.Answer, Text: "q"}},
		{`\/left`, text, guide.Input{Act: guide.Answer, Text: "/left"}},
		{"", dflt, guide.Input{Act: guide.Answer, Text: "13"}},
		{"  ", dflt, guide.Input{Act: guide.Answer, Text: "13"}},
		{"", value, guide.Input{Act: guide.Answer}},
		{"Y", keep, guide.Input{Act: guide.Answer, Text: "y"}},
		{"r", keep, guide.Input{Act: guide.Answer, Text: "r"}},
		{"yes", keep, guide.Input{Act: guide.Answer, Text: "yes"}},
		{"q", odd, guide.Input{Act: guide.Answer, Text: "Q"}},
		{"y", value, guide.Input{Act: guide.Answer, Text: "y"}},
		{"Quinn", text, guide.Input{Act: guide.Answer, Text: "Quinn"}},
		{"?x", text, guide.Input{Act: guide.Answer, Text: "?x"}},
	}
	for _, tt := range tests {
		if got := Parse(tt.typed, tt.q); got != tt.want {
			t.Errorf("Parse(%q) at form %d = %+v, want %+v", tt.typed, tt.q.Form, got, tt.want)
		}
	}
}

// Every way the trade writes a value is an answer as it stands.
func TestParseLeavesNotationAlone(t *testing.T) {
	for _, s := range []string{
		"1254", "-3", "+3", ".5", "-.5", "0.5", "1254 mm", "1.254 m", "125.4 cm", "3/8", "3/8 in", "49 3/8 in", `49 3/8"`, `4' 1 3/8"`, "4 ft 1 3/8 in",
		"41.8", "41.8 deg", "41°48'", `41°48'30"`, "41 deg 48 min", "7:11", "3 mm in 900 mm", "3 in 900", "1/8 in in 48 in", "2 mm/m",
		"10 x 118.2 mm", "10 x 118.2 mm short 5 mm", "10 x 118.2 mm over 5 mm", "90 x 90", "90 x 90 turned 45", "18.5 C", "11 %", "1254,5", "±2", "−3", "n",
	} {
		if got, want := Parse(s, rise(1)), (guide.Input{Act: guide.Answer, Text: s}); got != want {
			t.Errorf("Parse(%q) = %+v, want %+v", s, got, want)
		}
	}
	for _, r := range Reserved {
		if in := Parse(string(r), rise(1)); in.Act == guide.Answer && in.Text != "" {
			t.Errorf("reserved %q is an answer", r)
		}
	}
}

func FuzzParse(f *testing.F) {
	f.Add("/carpet", "")
	f.Add("41°48'", "13")
	f.Add(`\`, "")
	f.Fuzz(func(t *testing.T, typed, dflt string) {
		q := rise(1)
		q.Default = dflt
		in := Parse(typed, q)
		if in.Act < guide.Answer || in.Act > guide.Leave {
			t.Errorf("Parse(%q) = %+v, no act", typed, in)
		}
		if in.Text != dflt && !strings.Contains(typed, in.Text) {
			t.Errorf("Parse(%q) = %+v, text not typed", typed, in)
		}
	})
}
