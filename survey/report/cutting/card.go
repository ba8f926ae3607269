package cutting

import (
	"fmt"
	"math"
	"strings"

	"pinchrod/calc/fit"
	"pinchrod/calc/pieces"
	"pinchrod/survey/report/figure"
)

// Part is a part of the fitting card: what to do, step by step.
type Part struct {
	Title string
	Steps []string
}

// CardSource says what the order of the card's steps rests on; its figures are
// the sheet's.
const CardSource = "The order and the checks are common practice, without a source: the house's own way goes first. The figures are of this sheet."

// Card is the fitting card: the order of dry fit and glue-up, where to check, what
// the spacer walk should show, and what to do when it does not.
func (s *Sheet) Card() []Part {
	if len(s.Sets) == 0 {
		return nil
	}
	var out []Part
	for _, p := range []Part{
		{"Before you begin", s.begin()},
		{"Spacer walk", s.walkSteps()},
		{"Dry fit: glue nothing yet", s.dryFit()},
		{"Openings", s.openings()},
		{"Glue-up", s.glueUp()},
	} {
		if len(p.Steps) > 0 {
			out = append(out, p)
		}
	}
	return out
}

func (s *Sheet) begin() []string {
	before, kept := s.cutBefore()
	but := ""
	if kept {
		but = ", unless it is named below"
	}
	out := []string{fmt.Sprintf("The code on every label is %s. A piece with another code was cut from another sheet: lay it aside%s. A label sticks at the foot of a spindle and at the downhill end of a fillet.", s.Code, but)}
	out = append(out, before...)
	for i := range s.Sets {
		if t := &s.Sets[i]; !t.Final() {
			out = append(out, fmt.Sprintf("The %ss are not cut yet. %s", t.Kind, t.NotYet()))
		}
	}
	for _, h := range s.Hold {
		out = append(out, "Settle first: "+h+".")
	}
	if len(s.Settle) > 0 {
		out = append(out, "Out of true, and on the sheet: "+strings.Join(names(s.Settle), ", ")+". Agree with the office what is lived with.")
	}
	return out
}

// names are what flags are called, the first word of what is said of them.
func names(flags []string) []string {
	out := make([]string, len(flags))
	for i, f := range flags {
		out[i], _, _ = strings.Cut(f, " ")
	}
	return out
}

// threeOf are the first, the middle and the last of n.
func threeOf(n int) []int {
	out := []int{1}
	if m := (n + 1) / 2; m > 1 {
		out = append(out, m)
	}
	if n > 1 && out[len(out)-1] != n {
		out = append(out, n)
	}
	return out
}

func (s *Sheet) dryFit() []string {
	t := s.Set(pieces.Spindle)
	if t == nil || !t.Final() {
		return nil
	}
	var stand, lean []string
	long := float64(levelLong)
	if s.Rule.Inches {
		long = levelInches * figure.Inch
	}
	lower, upper := s.found.Adjusted.LeanLower, s.found.Adjusted.LeanUpper
	for _, n := range threeOf(len(t.Pieces)) {
		stand = append(stand, t.Pieces[n-1].ID)
		if x := s.found.Layout.Stations[n-1]; lower.Known && upper.Known {
			v := lower.Value + (upper.Value-lower.Value)*x/s.found.Adjusted.Run.Value
			lean = append(lean, t.Pieces[n-1].ID+" "+s.Rule.With(s.signed(long*v/1000)))
		}
	}
	var out []string
	if t.Cut == fit.FitEach {
		out = append(out, fmt.Sprintf("Bottom, middle and top: offer up %s, mark both ends, trim, and write the final length on the sheet.", list(stand)))
	} else {
		out = append(out, fmt.Sprintf("Stand %s dry: bottom, middle and top. Hand pressure should do. Up to %s too short or %s too long still fits.",
			list(stand), s.Rule.With(s.Rule.Tolerance(s.house.Short)), s.Rule.With(s.Rule.Tolerance(s.house.Long))))
	}
	if len(lean) > 0 {
		out = append(out, fmt.Sprintf("Hold the level to each. They lean with the posts, + up the stair, over %s: %s. Across the stair they stand in line with the posts.",
			s.Rule.With(s.Rule.Tolerance(long)), strings.Join(lean, ", ")))
	}
	if t.Cut != fit.FitEach {
		out = append(out,
			fmt.Sprintf("If one binds or rattles, trim none of the others. Cut that one again until it fits. Then write its length down, measured as its stop is: made --bay %s --part spindle --recut NUMBER --length %s, or on the bay's page. Print the sheet again.", s.Bay, strings.ToUpper(s.Rule.Unit())))
	}
	return out
}

// The level that a spindle's lean is told by, in mm and in inches: common practice,
// no source.
const (
	levelLong   = 900
	levelInches = 36
)

func (s *Sheet) walkSteps() []string {
	w := s.Walk
	if w == nil {
		return nil
	}
	m, spacer := float64(w.Count), s.spacer
	// What the first and the last space are longer than a spacer is not shared out.
	rest, left := "short", 0.0
	extra := s.endSpace()
	if extra > 0 {
		left = round(2*extra, s.spacerStep())
		rest = fmt.Sprintf("(short - %s)", spacer(left))
	}
	example := 5.0 // mm
	if s.Rule.Inches {
		example = 0.2 * figure.Inch
	}
	out := []string{
		fmt.Sprintf("Walk a spacer of %s up the base rail from the lower post: %d spacers, a spindle held to its lean between each two. It should finish %s.",
			spacer(w.Spacer), w.Count, s.ending()),
		fmt.Sprintf("Within that, share out what is left: new spacer = old + %s/%d. So %s short makes it %s, %s makes it %s.",
			rest, w.Count, spacer(left+example), spacer(w.Spacer+example/m), s.over(left-example), spacer(w.Spacer-example/m)),
		fmt.Sprintf("Outside that, glue nothing. Count the spacers. Lay ten spindles side by side and measure them. Read the run again at the base rail and below the handrail. Put all in the book, with the walk as \"%d x %s short %s\", and print the sheet again.",
			w.Count, spacer(w.Spacer), spacer(example)),
	}
	if extra > 0 {
		out = append(out, fmt.Sprintf("The first and the last space are %s longer than a spacer: the openings are equal between the thinnest widths.", spacer(extra)))
	}
	return out
}

// spacerStep is what a spacer is cut to, mm: as finely as a fillet.
func (s *Sheet) spacerStep() float64 { return stepsFor(s.Rule, s.house).fillet }

// spacer writes what a spacer is cut to.
func (s *Sheet) spacer(mm float64) string {
	return s.Rule.With(s.Rule.Stop(round(mm, s.spacerStep()), s.spacerStep()))
}

// endSpace is how much longer than a spacer the space at a post is, along the
// rail: with a turned profile, whose equal gaps are between its thinnest widths.
func (s *Sheet) endSpace() float64 {
	if !s.turned {
		return 0
	}
	b := s.found.Layout.BaseFillets
	return (b[0].Length+b[len(b)-1].Length)/2 - s.Walk.Spacer
}

// ending says between what the walk should finish.
func (s *Sheet) ending() string {
	short, U := s.Walk.Short.Value, 2*s.Walk.Short.U
	most, least := s.whole(short+U), s.whole(short-U)
	if s.over(most) == s.over(least) {
		return s.over(most)
	}
	return fmt.Sprintf("between %s and %s", s.over(most), s.over(least))
}

// whole is a length rounded to what a person at the rail reads: 1 mm or 1/32 in.
func (s *Sheet) whole(mm float64) float64 {
	if s.Rule.Inches {
		return round(mm, figure.Inch/32)
	}
	return round(mm, 1)
}

// over says how a walk ends.
func (s *Sheet) over(short float64) string {
	switch {
	case short > 1e-9:
		return s.Rule.With(s.Rule.Tolerance(short)) + " short"
	case short < -1e-9:
		return s.Rule.With(s.Rule.Tolerance(-short)) + " over"
	}
	return "at the upper post"
}

func (s *Sheet) openings() []string {
	l := s.found.Layout
	if l.Count == 0 {
		return nil
	}
	where := "at the base rail"
	if l.WidestHeight > 0 {
		where = "below the handrail"
	}
	what := "The clear gap"
	if s.turned {
		what = "The clear gap between the thinnest widths"
	}
	out := []string{fmt.Sprintf("Before gluing, measure the first, the middle and the last space at the bottom, halfway and at the top. %s at the base rail is %s; the widest, space %d %s, should be %s.",
		what, s.Rule.With(s.Rule.Length(l.Clear.Value)), l.WidestSpace, where, s.Rule.Of(l.Widest, "mm"))}
	for _, f := range s.found.Flags {
		if f.Name == "opening" {
			out = append(out, fmt.Sprintf("A ball of %s must pass nowhere. Where it does: glue nothing, and share the spaces out again.", s.ball(f.Limit)))
		}
	}
	return out
}

// ball writes what the rules say may not pass: in mm as they have it, and in inches
// before that where the job's units are inches.
func (s *Sheet) ball(mm float64) string {
	out := figure.Rule{}.With(figure.Plain(mm))
	if s.Rule.Inches {
		return fmt.Sprintf("%s (%s)", s.Rule.With(s.Rule.Tolerance(mm)), out)
	}
	return out
}

// glueUp waits until every piece of the bay can be cut.
func (s *Sheet) glueUp() []string {
	base, rail, spindles := s.Set(pieces.BaseFillet), s.Set(pieces.RailFillet), s.Set(pieces.Spindle)
	if !s.Final() || base == nil || rail == nil || spindles == nil {
		return nil
	}
	n := len(spindles.Pieces)
	var out []string
	out = append(out, fmt.Sprintf("From the lower post: %s, %s, then %s, and so on up to %s.", base.Pieces[0].ID, spindles.Pieces[0].ID, base.Pieces[1].ID, spindles.Pieces[n-1].ID))
	if half := (n + 1) / 2; n > 2 {
		out = append(out, fmt.Sprintf("Halfway, measure along the base rail from the lower post to the foot of %s, to its downhill side: %s. If it is off by more than %s, share out the rest of the spaces before going on.",
			spindles.Pieces[half-1].ID, s.Rule.With(s.Rule.Tolerance(s.whole(s.alongRail(half)))), s.Rule.With(s.Rule.Tolerance(halfway))))
	}
	out = append(out,
		fmt.Sprintf("Under the handrail: %s to %s, from the lower post as well, each spindle held to its lean before its fillet goes in.", rail.Pieces[0].ID, rail.Pieces[n-1].ID),
		fmt.Sprintf("Last, %s and %s: measure what is left, and cut each to that.", base.Pieces[n].ID, rail.Pieces[n].ID))
	for _, h := range s.Holes {
		out = append(out, "Access, "+h.say(s.Rule)+".")
	}
	return out
}

// halfway is how far off the spaces may be before they are shared out again, mm:
// common practice, no source.
const halfway = 2

// alongRail is how far up the base rail from the lower post the lower face of
// spindle n meets it, mm. The fillets are what the feet leave of the rail, and a
// foot of width w, cut to the bevel β, takes w/cos β of it:
//
//	Σ fillet_i (i ≤ n) + Σ w/cos β_i (i < n)
//
// A level distance would not do: it ends at a post's face that leans, at the
// height that the rail has climbed to by there.
func (s *Sheet) alongRail(n int) float64 {
	l := s.found.Layout
	sum := 0.0
	for i := range n {
		sum += l.BaseFillets[i].Length
		if i < n-1 {
			sum += l.Width / math.Cos(l.Spindles[i].Ends[0].Bevel)
		}
	}
	return sum
}

// list joins words as a person does.
func list(words []string) string {
	if n := len(words); n > 1 {
		return strings.Join(words[:n-1], ", ") + " and " + words[n-1]
	}
	return strings.Join(words, "")
}

// signed writes a length with its sign, to a tenth of a mm or 1/64 in.
func (s *Sheet) signed(mm float64) string {
	if !s.Rule.Inches {
		mm = round(mm, 0.1)
	}
	out := s.Rule.Tolerance(mm)
	if mm <= 0 || out == "0" {
		return out
	}
	return "+" + out
}
