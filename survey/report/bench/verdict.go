package bench

import (
	"fmt"
	"slices"
	"strings"

	"pinchrod/calc/pieces"
	"pinchrod/survey"
	"pinchrod/survey/asfound"
	"pinchrod/survey/report"
	"pinchrod/survey/report/figure"
	"pinchrod/survey/report/lines"
)

// kindRow is a kind of piece: in the book, in a sentence, and among the findings.
type kindRow struct {
	kind pieces.Kind
	part survey.Part
	name string
	of   func(*asfound.Bay) *asfound.Verdict
}

// kinds of piece in the order a sheet has them.
var kinds = []kindRow{
	{pieces.Spindle, survey.PartSpindle, "spindles", func(b *asfound.Bay) *asfound.Verdict { return b.Spindles }},
	{pieces.BaseFillet, survey.PartBaseFillet, "base fillets", func(b *asfound.Bay) *asfound.Verdict { return b.BaseFillets }},
	{pieces.RailFillet, survey.PartRailFillet, "rail fillets", func(b *asfound.Bay) *asfound.Verdict { return b.RailFillets }},
}

// verdictLine is how one kind of piece is cut, in the words of every page.
type verdictLine struct {
	report.Decision
	Do, Why string // as sentences
	Options []optionLine
}

// optionLine is one way to cut.
type optionLine struct {
	Cut, P, Stops, Minutes, Trims, Recuts string
	Chosen                                bool
}

// verdictLines tell of each kind that has a verdict.
func verdictLines(b *asfound.Bay) (out []verdictLine) {
	for _, d := range report.Decisions(b) {
		l := verdictLine{Decision: d, Do: lines.Sentence(d.Do), Why: lines.Sentence(d.Why)}
		k := kinds[slices.IndexFunc(kinds, func(k kindRow) bool { return k.name == d.Kind })]
		if v := k.of(b); !v.Series { // fillets are cut in one way
			for _, o := range v.Options {
				l.Options = append(l.Options, optionLine{
					Cut: string(o.Cut), P: asfound.Chance(o.P), Stops: fmt.Sprint(o.Settings), Minutes: figure.Fixed(o.Expected, 0),
					Trims: figure.Fixed(o.Trims, 1), Recuts: figure.Fixed(o.Recuts, 1), Chosen: o.Cut == v.Cut,
				})
			}
		}
		out = append(out, l)
	}
	return out
}

// verdictWords are how one kind of piece is cut, in a line.
func verdictWords(b *asfound.Bay, kind string) string {
	for _, d := range report.Decisions(b) {
		if d.Kind == kind {
			return lines.Clean(strings.TrimSuffix(d.Do+"; "+d.Why, "; "))
		}
	}
	return "not known"
}
