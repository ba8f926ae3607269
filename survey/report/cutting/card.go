package cutting

import (
	"fmt"
	"math"
	"strings"

	"pinchrod/calc/fit"
	"pinchrod/calc/pieces"
)

// Part is a part of the fitting card: what to do, step by step.
type Part struct {
	Title string
	Steps []string
}

// CardSource says what the order of the card's steps rests on; its figures are
// the sheet's.
const CardSource = "Order and checks are common practice, no source; the house's own way goes first. Figures are of this sheet."

// Card is the fitting card: the order of dry fit and glue-up, where to check, what
// the spacer walk should show, and what to do when it does not.
func (s *Sheet) Card() []Part {
	if len(s.Sets) == 0 {
		return nil
	}
	var out []Part
	for _, p := range []Part{
		{"Before you begin", s.begin()},
		{"Dry fit: nothing is glued", s.dryFit()},
		{"Spacer walk", s.walkSteps()},
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
	out := []string{fmt.Sprintf("The code on every label is %s. A piece with another code was cut from another sheet: lay it aside%s. A label sticks at the low end of its piece.", s.Code, but)}
	out = append(out, before...)
	for i := range s.Sets {
		if t := &s.Sets[i]; !t.Final() {
			out = append(out, fmt.Sprintf("The %ss are not cut yet. Read first: %s.", t.Kind, t.first()))
		}
	}
	for _, h := range s.Hold {
		out = append(out, "Settle first: "+h+".")
	}
	if len(s.Settle) > 0 {
		out = append(out, "Out of true, and on the sheet: "+strings.Join(names(s.Settle), ", ")+". Settle with the office what is lived with.")
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
	lower, upper := s.found.Adjusted.LeanLower, s.found.Adjusted.LeanUpper
	for _, n := range threeOf(len(t.Pieces)) {
		stand = append(stand, t.Pieces[n-1].ID)
		if x := s.found.Layout.Stations[n-1]; lower.Known && upper.Known {
			v := lower.Value + (upper.Value-lower.Value)*x/s.found.Adjusted.Run.Value
			lean = append(lean, fmt.Sprintf("%s %s mm", t.Pieces[n-1].ID, signed(0.9*v)))
		}
	}
	var out []string
	if t.Cut == fit.FitEach {
		out = append(out, fmt.Sprintf("Bottom, middle and top: offer up %s, mark both ends, trim, and write the final length on the sheet.", list(stand)))
	} else {
		out = append(out, fmt.Sprintf("Bottom, middle and top: stand %s dry. Hand pressure should do; up to %s mm short and %s mm long is allowed for.",
			list(stand), plain2(s.house.Short), plain2(s.house.Long)))
	}
	if len(lean) > 0 {
		out = append(out, fmt.Sprintf("Hold the level to each. They lean with the posts, + up the stair, over 900 mm: %s. Across the stair they stand in line with the posts.", strings.Join(lean, ", ")))
	}
	if t.Cut != fit.FitEach {
		out = append(out, fmt.Sprintf("One binds or rattles: trim none of the others. Cut that one again until it fits, and write it down as cut again, measured as its stop is: made --bay %s --part spindle --recut NUMBER --length MM, or on the bay's page. Not as a fit, which is a trial piece held plumb. Then print the sheet again.", s.Bay))
	}
	return out
}

func (s *Sheet) walkSteps() []string {
	w := s.Walk
	if w == nil {
		return nil
	}
	short, U, m := w.Short.Value, 2*w.Short.U, float64(w.Count)
	// What the first and the last space are longer than a spacer is not shared out.
	rest, left := "short", 0.0
	extra := s.endSpace()
	if extra > 0 {
		left = math.Round(20*extra) / 10
		rest = fmt.Sprintf("(short - %.1f)", left)
	}
	out := []string{
		fmt.Sprintf("Walk a spacer of %.1f mm up the base rail from the lower post: %d spacers, with a spindle between each two, held to its lean. It should end %s, ±%.1f mm: from %s to %s.",
			w.Spacer, w.Count, ending(short), U, ending(short-U), ending(short+U)),
		fmt.Sprintf("Within that: share out what is left, new spacer = old + %s/%d. So %.1f mm short makes it %.1f mm, %s %.1f mm.",
			rest, w.Count, left+5, w.Spacer+5/m, ending(left-5), w.Spacer-5/m),
		fmt.Sprintf("Outside that: glue nothing. Count the spacers, lay ten spindles side by side and tape them, read the run again at the base rail and below the handrail. Put them in the book, with the walk as \"%d x %.1f mm short 5 mm\", and print the sheet again: a new code means this sheet is stale.",
			w.Count, w.Spacer),
	}
	if extra > 0 {
		out = append(out, fmt.Sprintf("The first and the last space are %.1f mm longer than a spacer: the openings are equal between the thinnest widths.", extra))
	}
	return out
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

// ending says how a walk ends.
func ending(short float64) string {
	v := math.Round(short*10) / 10
	switch {
	case v > 0:
		return fmt.Sprintf("%.1f mm short", v)
	case v < 0:
		return fmt.Sprintf("%.1f mm over", -v)
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
	what := "Clear gap"
	if s.turned {
		what = "Clear gap between the thinnest widths"
	}
	out := []string{fmt.Sprintf("Before gluing, measure the first, the middle and the last space at the bottom, halfway and at the top. %s at the base rail %.1f mm; the widest, space %d %s, should be %.1f ±%.1f mm.",
		what, l.Clear.Value, l.WidestSpace, where, l.Widest.Value, 2*l.Widest.U)}
	for _, f := range s.found.Flags {
		if f.Name == "opening" {
			out = append(out, fmt.Sprintf("A ball of %s mm must pass nowhere. Where it does: glue nothing, and share the spaces out again.", plain(f.Limit)))
		}
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
		out = append(out, fmt.Sprintf("Halfway, measure along the base rail from the lower post to the foot of %s, to its lower face: %.0f mm. Off by more than 2 mm: share the rest of the spaces out before going on.",
			spindles.Pieces[half-1].ID, s.alongRail(half)))
	}
	out = append(out,
		fmt.Sprintf("Under the handrail: %s to %s, from the lower post as well, each spindle held to its lean before its fillet goes in.", rail.Pieces[0].ID, rail.Pieces[n-1].ID),
		fmt.Sprintf("Last, %s and %s: measure what is left, cut to fit.", base.Pieces[n].ID, rail.Pieces[n].ID))
	for _, h := range s.Holes {
		out = append(out, "Access, "+h.String()+".")
	}
	return out
}

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

// signed writes v to a tenth with its sign.
func signed(v float64) string {
	if v = math.Round(v*10) / 10; v == 0 {
		return "0"
	}
	return fmt.Sprintf("%+.1f", v)
}
