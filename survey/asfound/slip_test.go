package asfound

import (
	"strings"
	"testing"

	"pinchrod/survey"
)

// The slips are the trade's own: common practice, no source.
func TestUsualSlip(t *testing.T) {
	for name, tt := range map[string]struct {
		what      survey.What
		v, e, ue  float64
		elsewhere []place
		want      string // "" for none; else what the name starts with
	}{
		"ten":                  {survey.Gap, 822, 9.6, 1, nil, "a whole 10 mm"},
		"hundred, down":        {survey.Gap, 712, -100.4, 1, nil, "a whole 100 mm"},
		"digits":               {survey.Gap, 821, 9.1, 0.3, nil, "digits exchanged, 821 for 812"},
		"digits of a decimal":  {survey.Gap, 821.5, 9.1, 0.3, nil, "digits exchanged, 821.5 for 812.5"},
		"tape case":            {survey.Run, 1174, -80, 1, nil, "the tape's case not added"},
		"inches as cm":         {survey.Run, 320, 320 - 812.8, 1, nil, "inches taken for centimetres"},
		"cm as inches":         {survey.Run, 812.8, 812.8 - 320, 1, nil, "centimetres taken for inches"},
		"sign":                 {survey.BowBase, 4, 8.1, 0.5, nil, "sign turned round"},
		"sign of a lean":       {survey.LeanAlong, -3, -6.2, 0.5, nil, "sign turned round"},
		"a length has no sign": {survey.Gap, 400, 800, 1, nil, ""},
		"rise for going":       {survey.BaseAngle, 48.5, 7.1, 0.1, nil, "rise and going exchanged"},
		"whole degree":         {survey.BaseAngle, 42, 1.02, 0.1, nil, "a whole 1°"},
		"wrong end":            {survey.Gap, 826, 14, 1, []place{{"taken at the top end", 826.4}}, "taken at the top end"},
		"none":                 {survey.Gap, 812, 5, 0.5, nil, ""},
		"two as near": {survey.Gap, 822, 9.6, 1, []place{{"taken at the top end", 822.2}},
			"taken at the top end, or a whole 10 mm misread"},
	} {
		r := &survey.Reading{What: tt.what}
		got := usualSlip(r, tt.v, tt.e, tt.ue, tt.elsewhere)
		if tt.want == "" && got != "" || !strings.HasPrefix(got, tt.want) {
			t.Errorf("%s: %q, want %q", name, got, tt.want)
		}
	}
}
