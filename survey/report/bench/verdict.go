package bench

import (
	"fmt"
	"slices"
	"strings"

	"pinchrod/calc/fit"
	"pinchrod/calc/pieces"
	"pinchrod/survey"
	"pinchrod/survey/asfound"
	"pinchrod/survey/report/cutting"
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

// cutWords say what a verdict means.
var cutWords = map[fit.Cut]string{
	fit.Batch:       "all to one stop",
	fit.Graded:      "to a few stops, sorted to their places",
	fit.FitEach:     "over length, each trimmed on site",
	fit.MeasureMore: "not to be cut yet: read more first",
}

// verdictLine is how one kind of piece is cut, and why.
type verdictLine struct {
	Kind, Cut, Words, Lengths, Why string
	Later                          bool // cannot be cut yet
	Options                        []optionLine
	Next                           []string // what to read first
}

// optionLine is one way to cut.
type optionLine struct {
	Cut, P, Stops, Minutes, Expected string
	Chosen                           bool
	Passes                           string
}

// verdictLines tell of each kind that has a verdict.
func verdictLines(b *asfound.Bay, house fit.House) (out []verdictLine) {
	for _, k := range kinds {
		v := k.of(b)
		if v == nil {
			continue
		}
		l := verdictLine{
			Kind: k.name, Cut: string(v.Cut), Words: cutWords[v.Cut], Lengths: lengthsWords(v), Why: lines.Sentence(v.Why), Later: v.Cut == fit.MeasureMore,
		}
		for _, o := range v.Options {
			line := optionLine{
				Cut: string(o.Cut), P: asfound.Chance(o.P), Stops: fmt.Sprint(o.Settings),
				Minutes: figure.Fixed(o.Minutes, 0), Expected: figure.Fixed(o.Expected, 0), Chosen: o.Cut == v.Cut, Passes: "no",
			}
			if o.Passes {
				line.Passes = "yes"
			}
			l.Options = append(l.Options, line)
		}
		for _, a := range v.Measure {
			l.Next = append(l.Next, lines.Clean(cutting.Worth(a)))
		}
		out = append(out, l)
	}
	return out
}

// mostLengths is how many lengths are written out; the sheet has them all.
const mostLengths = 3

// lengthsWords say how long the pieces are cut, along the line that needed lengths
// count along. What the saw is set to is another figure, and stands on the
// cutting sheet alone.
func lengthsWords(v *asfound.Verdict) string {
	i := slices.IndexFunc(v.Options, func(o fit.Option) bool { return o.Cut == v.Cut })
	if i < 0 || len(v.Options[i].Lengths) == 0 {
		return ""
	}
	o := v.Options[i]
	lengths := slices.Compact(slices.Sorted(slices.Values(o.Lengths)))
	switch {
	case v.Cut == fit.FitEach:
		return fmt.Sprintf("blanks %s mm long", figure.Fixed(o.Lengths[0], 1))
	case len(lengths) > mostLengths:
		return fmt.Sprintf("%d lengths from %s to %s mm", o.Settings, figure.Fixed(lengths[0], 1), figure.Fixed(lengths[len(lengths)-1], 1))
	}
	var out []string
	for _, l := range lengths {
		out = append(out, figure.Fixed(l, 1))
	}
	return strings.Join(out, ", ") + " mm long"
}

// cutOf is a verdict in a word, for a row of a table.
func cutOf(v *asfound.Verdict) string {
	if v == nil {
		return "not known"
	}
	return string(v.Cut)
}
