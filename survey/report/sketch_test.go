package report

import (
	"strings"
	"testing"
	"unicode/utf8"

	"pinchrod/survey/asfound"
)

func known(v float64) asfound.Quantity { return asfound.Quantity{Value: v, U: 0.5, Known: true} }

func TestSketch(t *testing.T) {
	b := &asfound.Bay{}
	if got := Sketch(b, 40, 9); got != nil {
		t.Errorf("a bay without a run is drawn: %q", got)
	}
	b.Adjusted.Run = known(1400)
	dotted := strings.Join(Sketch(b, 40, 9), "\n")
	if strings.ContainsAny(dotted, "=|") {
		t.Errorf("what was not read is drawn as if it were:\n%s", dotted)
	}
	b.Adjusted = asfound.Adjusted{
		Run: known(1400), LeanLower: known(0), LeanUpper: known(6), BaseAngle: known(41), RailAngle: known(41.3),
		GapBottom: known(800), GapMiddle: known(803), GapTop: known(810), BowBase: known(0), BowRail: known(2),
	}
	lines := Sketch(b, 40, 12)
	if len(lines) != 12 {
		t.Errorf("%d lines, want 12", len(lines))
	}
	for _, l := range lines {
		if utf8.RuneCountInString(l) > 40 {
			t.Errorf("a line of %d columns: %q", utf8.RuneCountInString(l), l)
		}
	}
	all := strings.Join(lines, "\n")
	if !strings.Contains(all, "errors x ") || strings.Contains(all, ".") || strings.Count(all, "|") < 8 {
		t.Errorf("the bay is not drawn whole:\n%s", all)
	}
	t.Logf("\n%s\n%s", dotted, all)
}
