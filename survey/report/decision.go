package report

import (
	"fmt"
	"math"
	"slices"
	"strings"

	"pinchrod/calc/fit"
	"pinchrod/calc/rules"
	"pinchrod/survey/asfound"
	"pinchrod/survey/report/figure"
	"pinchrod/survey/report/lines"
)

// Decision says in words how one kind of piece is cut. Every page uses these words, so that no two pages disagree.
type Decision struct {
	Kind  string   // "spindles"
	Cut   string   // the way, as scripts know it; empty when nothing is known
	Do    string   // what to do: "cut all 12 to one stop, 805.5 mm"
	Why   string   // what that comes to: minutes, and how many would fit
	Later bool     // nothing is cut yet
	Ways  []string // the other ways, and what they cost
	Next  []string // readings that save more minutes than they take
}

// Decisions say how the pieces of a bay are cut, a kind each.
func Decisions(b *asfound.Bay) (out []Decision) {
	for _, k := range []struct {
		kind string
		v    *asfound.Verdict
	}{{"spindles", b.Spindles}, {"base fillets", b.BaseFillets}, {"rail fillets", b.RailFillets}} {
		if k.v != nil {
			out = append(out, decision(k.kind, k.v, walkFirst(b)))
		}
	}
	return out
}

func decision(kind string, v *asfound.Verdict, walk bool) Decision {
	d := Decision{Kind: kind, Cut: string(v.Cut), Later: v.Cut == fit.MeasureMore}
	o := v.Chosen()
	if o == nil {
		d.Do = v.Why
		return d
	}
	d.Do = do(v, o)
	if v.Series {
		d.Do += "; the last is cut to fit"
		if walk {
			d.Do = "walk the spacer first (4 minutes), then " + d.Do
		}
		d.Why = fmt.Sprintf("glue from the lower post up; the last blank is %s mm; about %s", figure.Plain(v.Blank), minutes(o.Expected))
		return d
	}
	d.Why = comesTo(o)
	for i := range v.Options {
		if other := &v.Options[i]; other.Cut != v.Cut {
			d.Ways = append(d.Ways, fmt.Sprintf("%s: %s", way(other), costs(other.Expected, o.Expected)))
		}
	}
	for _, a := range v.Measure {
		d.Next = append(d.Next, next(a))
	}
	return d
}

// walkFirst tells whether the fillets wait for a spacer walk: it settles whether the last opening is safe.
func walkFirst(b *asfound.Bay) bool {
	return slices.ContainsFunc(b.Flags, func(f asfound.Flag) bool { return f.Name == "last-space" && f.State == rules.Unsure })
}

// mostStops is how many stops are written out with their pieces; the sheet has them all.
const mostStops = 4

// do says how the pieces are cut, by the stops as the saw can be set to.
func do(v *asfound.Verdict, o *fit.Option) string {
	along := ""
	if v.Series {
		along = " along the rail"
	}
	n := len(v.Needed.Mean)
	switch {
	case o.Cut == fit.FitEach:
		return fmt.Sprintf("cut %d blanks of %s mm and fit each at its place", n, stop(o.Stops[0]))
	case o.Cut == fit.Batch && v.Series:
		return fmt.Sprintf("cut to one stop, %s mm%s", stop(o.Stops[0]), along)
	case o.Cut == fit.Batch && n == 1:
		return fmt.Sprintf("cut it to %s mm%s", stop(o.Stops[0]), along)
	case o.Cut == fit.Batch:
		return fmt.Sprintf("cut all %d to one stop, %s mm%s", n, stop(o.Stops[0]), along)
	case o.Settings > mostStops:
		what := fmt.Sprintf("%d stops", o.Settings)
		if o.Settings == n {
			what = fmt.Sprintf("%d lengths, one for each", n)
		}
		return fmt.Sprintf("cut to %s, from %s mm to %s mm%s", what, stop(slices.Min(o.Stops)), stop(slices.Max(o.Stops)), along)
	}
	var parts []string // the pieces of a group stand together or not, so their numbers are said
	for g := range o.Settings {
		var pieces []int
		length := 0.0
		for k, of := range o.Group {
			if of == g {
				pieces, length = append(pieces, k+1), o.Stops[k]
			}
		}
		parts = append(parts, fmt.Sprintf("%s mm for %s", stop(length), ranges(pieces)))
	}
	return fmt.Sprintf("cut to %d stops%s: %s", o.Settings, along, strings.Join(parts, ", "))
}

// stop writes a stop: to a tenth of a mm, which tells those apart that the saw can be set to, and hundredths only for a
// saw that is set finer.
func stop(mm float64) string {
	if math.Abs(mm*10-math.Round(mm*10)) < 1e-6 {
		return figure.Fixed(mm, 1)
	}
	return figure.Fixed(mm, 2)
}

// comesTo says what a way of cutting leads to.
func comesTo(o *fit.Option) string {
	s := "about " + minutes(o.Expected)
	if o.Cut == fit.FitEach {
		return s + "; " + each("every blank is long enough", o.P)
	}
	s += "; " + each("all fit", o.P)
	var of []string
	if o.Trims >= 0.05 {
		of = append(of, figure.Fixed(o.Trims, 1)+" to trim")
	}
	if o.Recuts >= 0.05 {
		of = append(of, figure.Fixed(o.Recuts, 1)+" to cut again")
	}
	if len(of) > 0 {
		s += "; expect " + strings.Join(of, " and ")
	}
	return s
}

func each(what string, p float64) string { return what + " " + asfound.Chance(p) }

func minutes(m float64) string {
	if n := math.Round(m); n != 1 {
		return figure.Fixed(n, 0) + " minutes"
	}
	return "1 minute"
}

// way names a way of cutting.
func way(o *fit.Option) string {
	switch o.Cut {
	case fit.Batch:
		return fmt.Sprintf("one stop, %s mm", stop(o.Stops[0]))
	case fit.Graded:
		return fmt.Sprintf("%d stops", o.Settings)
	}
	return "fit each at its place"
}

// costs says what another way takes. Two figures that round alike are not shown as different.
func costs(other, chosen float64) string {
	if more := math.Round(other) - math.Round(chosen); more >= 1 {
		return minutes(more) + " more"
	}
	return "less than a minute more"
}

// next says what a reading takes and saves.
func next(a asfound.Advice) string {
	s := a.Reading.Title()
	if len(a.With) > 1 {
		var with []string
		for _, r := range a.With[1:] {
			with = append(with, r.Title())
		}
		s += " with " + strings.Join(with, " and ")
	}
	return fmt.Sprintf("%s: takes %s, saves %s; then %s", lines.Clean(s), minutes(a.Takes), minutes(a.Saves), each("all fit", a.PAfter))
}

// ReadAgain names the readings of a bay that have to be settled before anything that hangs on them is cut; empty where
// there are none. Check, leave, the walk and the pages name the same ones.
func ReadAgain(b *asfound.Bay) string {
	var out []string
	for _, ref := range b.Again {
		name := ref.Short() // of a reading that was left out
		if i := slices.IndexFunc(b.Readings, func(r asfound.Result) bool { return r.Ref == ref }); i >= 0 {
			name = readingName(&b.Readings[i])
		}
		out = append(out, name)
	}
	switch n := len(out); n {
	case 0, 1:
		return strings.Join(out, "")
	default:
		return strings.Join(out[:n-1], ", ") + " or " + out[n-1]
	}
}

// readingName is a reading as a person knows it.
func readingName(r *asfound.Result) string {
	return lines.Clean(fmt.Sprintf("%s, %s (%s)", r.Reading.Title(), r.Reading.Value, r.Ref.Short()))
}

// NotYet says why pieces of a bay cannot be cut yet, and what to read; empty where each kind has its decision.
func NotYet(b *asfound.Bay) string {
	if b.NoPieces == "" {
		return ""
	}
	s := "do not cut yet what is not named here: " + b.NoPieces
	var need []string
	for _, m := range b.Missing {
		if m.Needed {
			need = append(need, m.Title())
		}
	}
	if len(need) > 0 {
		s += ". Read " + strings.Join(need, ", ")
	}
	return lines.Sentence(lines.Clean(s))
}

// Doubtful names the readings to take again where the pieces can be cut whichever of them is wrong, or where none can be
// judged; empty where a decision names them already.
func Doubtful(b *asfound.Bay) string {
	again := ReadAgain(b)
	if again == "" || slices.ContainsFunc(Decisions(b), func(d Decision) bool { return d.Later }) {
		return ""
	}
	return lines.Sentence(again + ": not all of these can be right")
}

// Stands says in a line how a bay's spindles are cut with the readings that are there, or why not.
func Stands(b *asfound.Bay) string {
	var parts []string
	switch all := Decisions(b); {
	case b.Layout == nil:
		parts = append(parts, "no spindles are laid out yet")
	case b.Spindles == nil:
		parts = append(parts, count(b.Layout.Count, "spindle"), NotYet(b))
	default:
		parts = append(parts, count(b.Layout.Count, "spindle"), all[0].Do, all[0].Why)
	}
	return strings.Join(nonEmpty(parts...), "; ")
}

// InShort says in a few words how many spindles there are and how they are cut.
func InShort(b *asfound.Bay) string {
	if b.Layout == nil {
		return "none yet"
	}
	n := fmt.Sprint(b.Layout.Count)
	if b.Spindles == nil {
		return n
	}
	return n + ", " + verdictInShort(b.Spindles, " mm")
}

// FilletsInShort says in a few words how the fillets are cut, mm along the rail.
func FilletsInShort(b *asfound.Bay) string {
	if b.BaseFillets == nil || b.RailFillets == nil {
		return "not known"
	}
	base, rail := verdictInShort(b.BaseFillets, ""), verdictInShort(b.RailFillets, "")
	if base == rail {
		return base
	}
	return base + ", " + rail
}

func verdictInShort(v *asfound.Verdict, unit string) string {
	o := v.Chosen()
	switch {
	case o == nil:
		return "do not cut yet"
	case o.Cut == fit.Batch:
		return stop(o.Stops[0]) + unit
	case o.Cut == fit.Graded:
		return fmt.Sprintf("%d stops", o.Settings)
	}
	return "fit each"
}

// Spacing says how many spindles go in and what they leave.
func Spacing(b *asfound.Bay) string {
	l := b.Layout
	if l == nil {
		return ""
	}
	if l.Count == 0 {
		return fmt.Sprintf("no spindle is needed: %s clear", figure.Of(l.Clear, "mm"))
	}
	s := fmt.Sprintf("%s of %s mm, %s clear at the base rail", count(l.Count, "spindle"), figure.Plain(l.Width), figure.Of(l.Clear, "mm"))
	if r := l.RunnerUp; r != nil {
		s += fmt.Sprintf(" (%d would leave %s)", r.Count, figure.Of(figure.Known(r.ClearGap, r.U), "mm"))
	}
	return s
}

// Closing is the state of a bay, or of a flight, in one line: what to do next, then what is out of true.
func Closing(flags []asfound.Flag, b *asfound.Bay) string {
	var parts, up, unsure []string
	if b != nil {
		parts = closingBay(b)
	}
	for _, f := range flags {
		switch {
		case f.State == rules.Unsure:
			unsure = append(unsure, f.Name)
		case f.State == rules.Flag && (f.Name != "slip" || b == nil): // a bay names the readings
			up = append(up, f.Name)
		}
	}
	if len(up) > 0 {
		parts = append(parts, "out: "+strings.Join(up, ", "))
	}
	if len(unsure) > 0 {
		parts = append(parts, "not sure: "+strings.Join(unsure, ", "))
	}
	if len(parts) == 0 {
		return "no fault found yet"
	}
	return strings.Join(parts, "; ")
}

func closingBay(b *asfound.Bay) (parts []string) {
	if b.Layout != nil {
		parts = append(parts, count(b.Layout.Count, "spindle"))
	}
	if again := ReadAgain(b); again != "" {
		return append(parts, "read again "+again)
	}
	for i := range b.Readings {
		if r := &b.Readings[i]; r.Suspect {
			parts = append(parts, "read again "+readingName(r))
		}
	}
	if b.Spindles == nil {
		return parts
	}
	parts = append(parts, decision("spindles", b.Spindles, false).Do)
	if next := b.Spindles.Measure; len(next) > 0 {
		parts = append(parts, "next: "+lines.Clean(next[0].Reading.Title()))
	}
	return parts
}
