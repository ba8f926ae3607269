package bench

import (
	"strings"

	"pinchrod/calc/rules"
	"pinchrod/survey/asfound"
	"pinchrod/survey/report"
	"pinchrod/survey/report/lines"
)

// Judge says what to do where there is nothing to judge by.
func (p bayPage) Judge() string { return "take the readings named under “missing”" }

// Judge says what to do where there is nothing to judge by. A flight has no list of
// what is missing: few have all of it read, and need it.
func (p flightPart) Judge() string {
	return "read its width at the bottom and at the top, the rise and the going of each step, or both sides and both diagonals"
}

// flagLine is a flag in words.
type flagLine struct {
	State                          string // flag, unsure or clear
	Name, Of, Figure, Limit, Means string
	From                           string
}

// flagLines gives the flags that are up, those that cannot be told yet, and
// those that are clear.
func flagLines(flags []asfound.Flag) (up, unsure, clear []flagLine) {
	for i := range flags {
		l := lineOf(&flags[i])
		switch flags[i].State {
		case rules.Flag:
			l.State = "flag"
			up = append(up, l)
		case rules.Unsure:
			l.State = "unsure"
			unsure = append(unsure, l)
		default:
			l.State = "clear"
			clear = append(clear, l)
		}
	}
	return up, unsure, clear
}

// lineOf writes a flag as the page of the check does.
func lineOf(f *asfound.Flag) flagLine {
	l := flagLine{Name: lines.Clean(f.Name), Of: lines.Sentence(lines.Clean(f.Of)), Means: lines.Sentence(lines.Clean(f.Text)), From: lines.Clean(f.From)}
	l.Figure, l.Limit = report.FlagFigure(f)
	return l
}

// flagNames are the names of flags in one state, for a row of a table.
func flagNames(lines []flagLine) string {
	var out []string
	for _, l := range lines {
		out = append(out, l.Name)
	}
	return strings.Join(out, ", ")
}
