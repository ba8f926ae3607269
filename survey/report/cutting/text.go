package cutting

import (
	"fmt"
	"io"
	"math"
	"slices"
	"strings"
	"unicode/utf8"

	"pinchrod/calc/fit"
	"pinchrod/calc/pieces"
	"pinchrod/survey/asfound"
	"pinchrod/survey/report"
	"pinchrod/survey/report/lines"
)

// Text writes the sheet and its fitting card for a terminal.
func (s *Sheet) Text(w io.Writer, style report.Style) error {
	p := lines.NewSheet(w, style)
	p.Heading(fmt.Sprintf("%s, %s: cutting sheet %s", s.Job, s.Bay, s.Code))
	p.Para("", s.holds())
	for _, n := range s.how() {
		p.Para("", n)
	}
	for _, b := range s.banners() {
		p.Blank()
		p.Para("", b)
	}
	for i := range s.Sets {
		textSet(p, &s.Sets[i])
	}
	p.Blank()
	for _, f := range s.facts() {
		p.Labelled(f[0], f[1])
	}
	card := s.Card()
	if len(card) > 0 {
		p.Blank()
		p.Heading(fmt.Sprintf("%s, %s: fitting card %s", s.Job, s.Bay, s.Code))
		p.Para("", CardSource)
	}
	for _, part := range card {
		p.Blank()
		p.Heading(part.Title)
		for i, step := range part.Steps {
			p.Para(fmt.Sprintf("%2d. ", i+1), step)
		}
	}
	p.Blank()
	p.Para("", s.Caution)
	return p.Err()
}

// holds says what the sheet rests on.
func (s *Sheet) holds() string {
	return fmt.Sprintf("%s, from the book up to %s.", s.Date.Format("2006-01-02"), s.Entry)
}

// banners are what nobody may overlook: what has to be settled first, and which
// pieces are not on the sheet, and why.
func (s *Sheet) banners() []string {
	var out, kinds []string
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

// how says how to read the figures.
func (s *Sheet) how() []string {
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
			plain2(off), way, plain(s.house.Short), plain(s.house.Long))
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

// title of a set.
func (t *Set) title() string { return strings.ToUpper(t.Kind.String()) + "S" }

// count with its spare.
func (t *Set) count() string {
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

// stop writes a stop's setting.
func (t *Set) stop(g Setting) string {
	d := 1
	if t.Step < 0.1 && !g.ToFit {
		d = 2
	}
	return fmt.Sprintf("%.*f", d, g.Stop)
}

// dial writes a bevel as the saw's scale reads, either way it counts.
func dial(c Cut) string {
	if c.Long == pieces.Neither {
		return "square"
	}
	return fmt.Sprintf("%.1f (%.1f)", c.Dial, c.FromEdge())
}

// own writes a piece's own bevel.
func own(b float64) string {
	if b = round(math.Abs(b), dialStep); b == 0 {
		return "square"
	}
	return fmt.Sprintf("%.1f°", b)
}

// of writes how many a setting makes.
func (g *Setting) of() string {
	if g.Spares == 0 {
		return fmt.Sprint(len(g.Pieces))
	}
	return fmt.Sprintf("%d+%d", len(g.Pieces), g.Spares)
}

// numbers writes 1, 2, 3, 5 as "S01-S03 S05".
func numbers(k pieces.Kind, n []int) string {
	var out []string
	for i := 0; i < len(n); {
		j := i
		for j+1 < len(n) && n[j+1] == n[j]+1 {
			j++
		}
		s := id(k, n[i])
		if j > i {
			s += "-" + id(k, n[j])
		}
		out = append(out, s)
		i = j + 1
	}
	return strings.Join(out, " ")
}

// lie says how the pieces of a setting lie on the saw.
func (g *Setting) lie() string {
	return fmt.Sprintf("%s; stop along the %s", points(g.Low, g.High), g.Side)
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

// remark is what has to be known of a setting.
func (t *Set) remark(g Setting) string {
	var parts []string
	p := t.Pieces[g.Pieces[0]-1]
	switch {
	case t.Cut == fit.FitEach:
	case g.ToFit:
		parts = append(parts, fmt.Sprintf("the last: cut to fit, about %.1f ±%.1f mm", p.Needed, 2*p.U))
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
	return strings.Join(parts, "; ")
}

// chance says how sure the fit is, with the stops as printed.
func (t *Set) chance() string {
	switch {
	case t.Cut == fit.FitEach:
		return fmt.Sprintf("Every blank is long enough with probability %s.", asfound.Chance(t.P))
	case t.Kind == pieces.Spindle:
		return fmt.Sprintf("With the stops to %g mm all fit with probability %s.", t.Step, asfound.Chance(t.P))
	}
	return fmt.Sprintf("With the stops to %g mm, and the last cut to fit, all fit with probability %s.", t.Step, asfound.Chance(t.P))
}

// common is what holds for every setting, in sentences.
func (t *Set) common() string {
	var out []string
	lie, hand := t.alike()
	for _, s := range []string{lie, hand} {
		if s != "" {
			out = append(out, lines.Sentence(s))
		}
	}
	return strings.Join(out, " ")
}

func textSet(p *lines.Sheet, t *Set) {
	p.Blank()
	p.Heading(fmt.Sprintf("%s, %s: %s", t.title(), t.count(), t.Cut))
	if !t.Final() {
		p.Para("  ", "NOT TO BE CUT YET. "+lines.Sentence(t.Why)+" Read first:")
		for i, m := range t.Measure {
			p.Para(fmt.Sprintf("  %2d. ", i+1), fmt.Sprintf("%s: all fit with probability %s then", m.Title, asfound.Chance(m.PAfter)))
		}
		if len(t.Measure) == 0 {
			p.Para("    ", lines.Sentence(t.first()))
		}
		return
	}
	p.Para("  ", lines.Sentence(t.Why)+" "+t.chance())
	if c := t.common(); c != "" {
		p.Para("  ", c)
	}
	edges := edgeNames(t.Kind)
	if !p.Narrow() {
		p.Line(p.Bold(fmt.Sprintf("  %-2s%7s%6s %10s %10s  %-11s %-11s %-5s %s", "", "stop", "blank", edges[0], edges[1], "low", "high", "cut", "pieces")))
	}
	for _, g := range t.Settings {
		which := numbers(t.Kind, g.Pieces)
		if p.Narrow() {
			p.Para("  "+g.Name+"  ", fmt.Sprintf("stop %s, cut %s: %s", t.stop(g), g.of(), which))
			p.Para("     ", fmt.Sprintf("blank %.0f, %s %.1f, %s %.1f", g.Blank, edges[0], g.Edges[0].Length, edges[1], g.Edges[1].Length))
			p.Para("     ", fmt.Sprintf("low %s, high %s", dial(g.Low), dial(g.High)))
		} else {
			row := fmt.Sprintf("  %-2s%7s%6.0f %10.1f %10.1f  %-11s %-11s %-5s ", g.Name, t.stop(g), g.Blank, g.Edges[0].Length, g.Edges[1].Length, dial(g.Low), dial(g.High), g.of())
			if utf8.RuneCountInString(row+which) <= p.Style.Width {
				p.Line(row + which)
			} else {
				p.Line(row)
				p.Para("     ", which)
			}
		}
		if r := t.remark(g); r != "" {
			p.Para("     ", r)
		}
	}
	if t.Cut == fit.FitEach {
		if p.Narrow() {
			p.Para("     ", "piece: expect, low, high, final")
		} else {
			p.Line(p.Bold("     piece  expect        low   high   final"))
		}
		for _, f := range t.Pieces {
			if p.Narrow() {
				p.Para("     ", fmt.Sprintf("%s: %.1f ±%.1f, %s, %s, ______", f.ID, f.Needed, 2*f.U, own(f.Bevels[0]), own(f.Bevels[1])))
				continue
			}
			p.Line(fmt.Sprintf("     %-5s %7.1f ±%-4.1f %6s %6s ______", f.ID, f.Needed, 2*f.U, own(f.Bevels[0]), own(f.Bevels[1])))
		}
	}
	for _, n := range t.Notes {
		p.Para("  note: ", n)
	}
}

// facts are what stands below the cuts, each with a word before it.
func (s *Sheet) facts() [][2]string {
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
	add("used", fmt.Sprintf("%d readings: %s", len(s.Used), strings.Join(runs(s.Used), ", ")))
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
