package cutting

import (
	"fmt"
	"math"
	"slices"
	"strings"

	"pinchrod/calc/fit"
	"pinchrod/calc/pieces"
	"pinchrod/survey"
	"pinchrod/survey/asfound"
	"pinchrod/survey/report"
	"pinchrod/survey/report/lines"
)

// What text, paper and a browser's page say alike. It may hold text from the
// book, which is made safe where it is shown.

// AsOf says of what day the sheet is, and of which state of the book.
func (s *Sheet) AsOf() string {
	return fmt.Sprintf("%s, from the book up to %s.", s.Date.Format("2006-01-02"), s.Entry)
}

// printedWith says that the sheet is not of the book's own settings, empty when it
// is.
func (s *Sheet) printedWith() string {
	if len(s.Asked) == 0 {
		return ""
	}
	return fmt.Sprintf("PRINTED WITH %s: NOT AS THE BOOK HAS IT.", list(s.Asked))
}

// Banners are what nobody may overlook: settings that are not the book's, what has
// to be settled first, and which pieces are not on the sheet, and why.
func (s *Sheet) Banners() []string {
	var out, kinds []string
	if w := s.printedWith(); w != "" {
		out = append(out, w)
	}
	for _, h := range s.Hold {
		out = append(out, "SETTLE BEFORE ANYTHING IS CUT: "+h+".")
	}
	for _, k := range []pieces.Kind{pieces.Spindle, pieces.BaseFillet, pieces.RailFillet} {
		if s.Set(k) == nil {
			kinds = append(kinds, k.String()+"s")
		}
	}
	switch {
	case s.Missing == "":
	case len(s.Sets) == 0:
		out = append(out, "NOTHING TO CUT: "+s.Missing+".")
	default:
		out = append(out, fmt.Sprintf("NOT ON THIS SHEET: %s: %s.", list(kinds), s.Missing))
	}
	return out
}

// How says how to read the figures.
func (s *Sheet) How() []string {
	if len(s.Sets) == 0 {
		return nil
	}
	out := "Lengths are in mm, ± is U = 2u."
	if slices.ContainsFunc(s.Sets, func(t Set) bool { return t.Cut == fit.Batch || t.Cut == fit.Graded }) {
		off, way := (s.house.Short-s.house.Long)/2, "under"
		if off < 0 {
			off, way = -off, "over"
		}
		out += fmt.Sprintf(" A stop is %s %s what a place needs: from %s short to %s long fits.",
			plain2(off), way, plain2(s.house.Short), plain2(s.house.Long))
	}
	say := []string{
		out,
		"Dials: degrees from square, in brackets from the edge. Low: the end at the lower post; the stop holds its long point.",
	}
	if len(s.Settle) > 0 {
		say = append(say, "Out of true, see below the cuts: "+strings.Join(names(s.Settle), ", ")+".")
	}
	if len(s.SetAside) > 0 {
		say = append(say, report.Count(len(s.SetAside), "reading")+" set aside as probably wrong, see below the cuts.")
	}
	return say
}

// plain2 is a number as short as it can be, to a hundredth.
func plain2(v float64) string { return fmt.Sprintf("%g", math.Round(v*100)/100) }

// Facts are what stands below the cuts, each with a word before it.
func (s *Sheet) Facts() [][2]string {
	var out [][2]string
	add := func(label, text string) { out = append(out, [2]string{label, text}) }
	if w := s.Walk; w != nil && len(s.Sets) > 0 {
		add("spacer", fmt.Sprintf("%.1f mm, walked %d times; if all is well it ends %s, ±%.1f mm", w.Spacer, w.Count, ending(w.Short.Value), 2*w.Short.U))
	}
	for _, h := range s.Holes {
		add("access", h.String())
	}
	for _, f := range s.Settle {
		add("OUT", f)
	}
	if len(s.Unsure) > 0 {
		add("unsure", "cannot be told yet: "+strings.Join(s.Unsure, ", "))
	}
	add("used", fmt.Sprintf("%s: %s", report.Count(len(s.Used), "reading"), strings.Join(runs(s.Used), ", ")))
	for _, r := range s.SetAside {
		add("set aside", fmt.Sprintf("%s %s, %s: %s", r.Short, r.Title, r.Value, r.Why))
	}
	for _, n := range s.Notes {
		add("note", n)
	}
	return out
}

// runs writes readings that follow each other in one page as one run.
func runs(r []Reading) []string {
	var out []string
	item := func(short string) (page string, n int) {
		i := strings.LastIndexByte(short, '.')
		if i < 0 {
			return short, 0
		}
		if _, err := fmt.Sscan(short[i+1:], &n); err != nil {
			return short, 0
		}
		return short[:i], n
	}
	refs := make([]string, 0, len(r))
	for _, x := range r {
		refs = append(refs, x.Short)
	}
	slices.SortFunc(refs, func(a, b string) int {
		pa, na := item(a)
		pb, nb := item(b)
		if pa != pb {
			return strings.Compare(pa, pb)
		}
		return na - nb
	})
	for i := 0; i < len(refs); {
		page, n := item(refs[i])
		j := i
		for j+1 < len(refs) {
			if p, m := item(refs[j+1]); p != page || m != n+j+1-i {
				break
			}
			j++
		}
		s := refs[i]
		if j > i {
			s += fmt.Sprintf(" to %d", n+j-i)
		}
		out = append(out, s)
		i = j + 1
	}
	return out
}

// title of a set.
func (t *Set) title() string { return strings.ToUpper(t.Kind.String()) + "S" }

// Count says how many pieces and spares a set has, and of what section.
func (t *Set) Count() string {
	s := fmt.Sprintf("%d + %d spare", len(t.Pieces), t.Spares)
	if t.Section != "" {
		s += ", " + t.Section
	}
	return s
}

// edgeNames are what the two edges of a kind are called.
func edgeNames(k pieces.Kind) [2]string {
	sides, _ := stock{kind: k}.sides()
	return [2]string{sides[0].String(), sides[1].String()}
}

// Chance says how sure the fit is, with the stops as printed.
func (t *Set) Chance() string {
	switch {
	case t.Cut == fit.FitEach:
		return fmt.Sprintf("Every blank is long enough with probability %s.", asfound.Chance(t.P))
	case t.Kind == pieces.Spindle:
		return fmt.Sprintf("With the stops to %g mm all fit %s.", t.Step, asfound.Chance(t.P))
	}
	return fmt.Sprintf("With the stops to %g mm, and the last cut to fit, all fit %s.", t.Step, asfound.Chance(t.P))
}

// String says what reading to take, and what it would do.
func (m Measure) String() string {
	return fmt.Sprintf("%s: all fit %s then", m.take(), asfound.Chance(m.PAfter))
}

// take is the title, and of a trial piece how it is held: a fit is the plumb gap,
// which a spindle that leans with its posts is not as long as.
func (m Measure) take() string {
	if m.What == survey.Trial {
		return m.Title + ", held plumb"
	}
	return m.Title
}

// First says what to read first, one reading after the other, where a set cannot
// be cut yet.
func (t *Set) First() []string {
	if len(t.Measure) == 0 {
		return []string{"no single reading helps; take all of the bay's again"}
	}
	out := make([]string, len(t.Measure))
	for i, m := range t.Measure {
		out[i] = m.String()
	}
	return out
}

// first is the same in few words.
func (t *Set) first() string {
	if len(t.Measure) == 0 {
		return t.First()[0]
	}
	titles := make([]string, len(t.Measure))
	for i, m := range t.Measure {
		titles[i] = m.take()
	}
	return strings.Join(titles, "; ")
}

// Common is what holds for every setting of a set, in sentences: how its pieces
// lie on the saw, and how they go into their places. What differs is left to
// [Set.Remark].
func (t *Set) Common() string {
	var out []string
	lie, hand := t.alike()
	for _, s := range []string{lie, hand} {
		if s != "" {
			out = append(out, lines.Sentence(s))
		}
	}
	return strings.Join(out, " ")
}

// alike is what is true of every setting of a set, and so said once: how the
// pieces lie, and how they go into their places; empty what differs.
func (t *Set) alike() (lie, hand string) {
	lie, hand = t.Settings[0].lie(), t.Settings[0].Hand
	for i := range t.Settings {
		if t.Settings[i].lie() != lie {
			lie = ""
		}
		if t.Settings[i].Hand != hand {
			hand = ""
		}
	}
	return lie, hand
}

// Remark is what else has to be known of a setting, mostly nothing.
func (t *Set) Remark(g *Setting) string {
	var parts []string
	p := t.Pieces[g.Pieces[0]-1]
	switch {
	case t.Cut == fit.FitEach:
	case g.ToFit:
		parts = append(parts, fmt.Sprintf("the last: cut to fit, about %s mm", p.Expect()))
	case len(g.Pieces) == 1 && p.First:
		parts = append(parts, "the first, against the lower post")
	}
	lie, hand := t.alike()
	if lie == "" {
		parts = append(parts, g.lie())
	}
	if hand == "" {
		parts = append(parts, g.Hand)
	}
	for _, n := range g.Pieces {
		if p := t.Pieces[n-1]; p.Access {
			parts = append(parts, p.ID+" access: glue one end only")
		}
	}
	return strings.Join(parts, "; ")
}

// lie says how the pieces of a setting lie on the saw.
func (g *Setting) lie() string {
	return fmt.Sprintf("%s; stop along the %s", points(g.Low, g.High), g.Side)
}

// StopText is the stop of a setting as the sheet prints it, mm.
func (t *Set) StopText(g *Setting) string {
	d := 1
	if t.Step < 0.1 && !g.ToFit {
		d = 2
	}
	return fmt.Sprintf("%.*f", d, g.Stop)
}

// Count says how many a setting makes, and how many spares: 12 or 12+1.
func (g *Setting) Count() string {
	if g.Spares == 0 {
		return fmt.Sprint(len(g.Pieces))
	}
	return fmt.Sprintf("%d+%d", len(g.Pieces), g.Spares)
}

// Names writes pieces of a set by their numbers, 1, 2, 3, 5 as "S01-S03 S05".
func (t *Set) Names(numbers []int) string {
	var out []string
	for i := 0; i < len(numbers); {
		j := i
		for j+1 < len(numbers) && numbers[j+1] == numbers[j]+1 {
			j++
		}
		s := id(t.Kind, numbers[i])
		if j > i {
			s += "-" + id(t.Kind, numbers[j])
		}
		out = append(out, s)
		i = j + 1
	}
	return strings.Join(out, " ")
}

// SpareID names spare n of the set, from 1, as the labels do.
func (t *Set) SpareID(n int) string { return spareID(t.Kind, n) }

// PieceID is the name of a piece by its number from the lower post, such as S07.
func (t *Set) PieceID(n int) string { return id(t.Kind, n) }

// String writes a bevel as the saw's scale reads, either way it counts, without
// the degree sign: "41.8 (48.2)".
func (c Cut) String() string {
	if c.Long == pieces.Neither {
		return "square"
	}
	return fmt.Sprintf("%.1f (%.1f)", c.Dial, c.FromEdge())
}

// Degrees writes a bevel as degrees from square: "41.8°".
func (c Cut) Degrees() string {
	if c.Long == pieces.Neither {
		return "square"
	}
	return fmt.Sprintf("%.1f°", c.Dial)
}

// Expect is what a piece is expected to be cut to, measured as the stop is, mm:
// "805.8 ±0.4".
func (p *Piece) Expect() string { return fmt.Sprintf("%.1f ±%.1f", p.Needed, 2*p.U) }

// Own writes a piece's own bevel, at its low end 0 or its high end 1.
func (p *Piece) Own(end int) string {
	b := round(math.Abs(p.Bevels[end]), dialStep)
	if b == 0 {
		return "square"
	}
	return fmt.Sprintf("%.1f°", b)
}
