package cutting

import (
	"fmt"
	"math"
	"slices"
	"strings"

	"pinchrod/calc/fit"
	"pinchrod/calc/pieces"
	"pinchrod/survey/asfound"
	"pinchrod/survey/report"
	"pinchrod/survey/report/figure"
	"pinchrod/survey/report/lines"
)

// What text, paper and a browser's page say alike. It may hold text from the
// book, which is made safe where it is shown.

// AsOf says of what day the sheet is, and of which state of the book.
func (s *Sheet) AsOf() string {
	return fmt.Sprintf("%s, from the book up to %s.", s.Date.Format("2006-01-02"), s.Entry)
}

// blank is where a person writes what nobody noted.
const blank = "____________________"

// Heading is what a workshop asks of a sheet before it cuts, each with a word
// before it; job, bay and code stand above. Where nothing was noted there is a line
// to write on.
func (s *Sheet) Heading() [][2]string {
	noted := func(text string) string {
		if text == "" {
			return blank
		}
		return text
	}
	var count []string
	for i := range s.Sets {
		t := &s.Sets[i]
		count = append(count, strings.TrimSuffix(fmt.Sprintf("%d %ss of %s", len(t.Pieces), t.Kind, t.Size), " of "))
	}
	out := [][2]string{{"timber", noted(s.Timber)}}
	if count != nil {
		out = append(out, [2]string{"pieces", strings.Join(count, "; ")})
	}
	return append(out, [2]string{"measured", noted(s.Measured)}, [2]string{"printed", s.AsOf()}, [2]string{"cut by", blank + "  date __________"})
}

// trial says that the sheet is not of the book's own settings, empty when it is.
func (s *Sheet) trial() string {
	if len(s.Asked) == 0 {
		return ""
	}
	return fmt.Sprintf("Trial settings: do not cut from this. It is printed with %s.", list(s.Asked))
}

// Banners are what nobody may overlook: settings that are not the book's, what has
// to be settled first, and which pieces are not on the sheet, and why.
func (s *Sheet) Banners() []string {
	var out, kinds []string
	if w := s.trial(); w != "" {
		out = append(out, w)
	}
	for _, h := range s.Hold {
		out = append(out, "Settle this before anything is cut: "+h+".")
	}
	for _, k := range []pieces.Kind{pieces.Spindle, pieces.BaseFillet, pieces.RailFillet} {
		if s.Set(k) == nil {
			kinds = append(kinds, k.String()+"s")
		}
	}
	switch {
	case s.Missing == "":
	case len(s.Sets) == 0:
		out = append(out, "Nothing to cut: "+s.Missing+".")
	default:
		out = append(out, fmt.Sprintf("Not on this sheet: %s: %s.", list(kinds), s.Missing))
	}
	return out
}

// How says how to read the figures.
func (s *Sheet) How() []string {
	if len(s.Sets) == 0 {
		return nil
	}
	out := fmt.Sprintf("Lengths are in %s; ± holds 19 times in 20. Saw dial in degrees from square (bevel gauge in brackets). Downhill is towards the lower post.", s.Rule.Named())
	if s.Rule.Inches && len(s.Sets) > 1 {
		out += " Set a fillet's stop with a caliper: its decimals add up along the rail."
	}
	if t := s.Set(pieces.Spindle); t != nil && (t.Cut == fit.Batch || t.Cut == fit.Graded) {
		out += fmt.Sprintf(" A spindle up to %s too short or %s too long still fits.", s.Rule.With(s.Rule.Tolerance(s.house.Short)), s.Rule.With(s.Rule.Tolerance(s.house.Long)))
	}
	say := []string{out}
	if len(s.Settle) > 0 {
		say = append(say, "Out of true, see below the cuts: "+strings.Join(names(s.Settle), ", ")+".")
	}
	if len(s.SetAside) > 0 {
		say = append(say, report.Count(len(s.SetAside), "reading")+" set aside as probably wrong, see below the cuts.")
	}
	return say
}

// Facts are what stands below the cuts, each with a word before it; an office copy
// has the readings and the reasons as well.
func (s *Sheet) Facts() [][2]string {
	var out [][2]string
	add := func(label, text string) { out = append(out, [2]string{label, text}) }
	if w := s.Walk; w != nil && len(s.Sets) > 0 {
		add("spacer", fmt.Sprintf("%s, walked %d times; should finish %s", s.spacer(w.Spacer), w.Count, s.ending()))
	}
	for _, h := range s.Holes {
		add("access", h.say(s.Rule))
	}
	for _, f := range s.Settle {
		add("OUT", f)
	}
	if len(s.Unsure) > 0 {
		add("unsure", "cannot be told yet: "+strings.Join(s.Unsure, ", "))
	}
	for _, r := range s.SetAside {
		add("set aside", fmt.Sprintf("%s %s, %s: %s", r.Short, r.Title, r.Value, r.Why))
	}
	for _, n := range s.Notes {
		add("note", n)
	}
	if s.Office {
		for i := range s.Sets {
			add("why", fmt.Sprintf("%ss: %s", s.Sets[i].Kind, s.Sets[i].Why))
		}
		add("used", fmt.Sprintf("%s: %s", report.Count(len(s.Used), "reading"), strings.Join(runs(s.Used), ", ")))
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
	if t.Size != "" {
		s += ", " + t.Size
	}
	return s
}

// stops are the settings that are cut to a stop, one for each length.
func (t *Set) stops() []*Setting {
	var out []*Setting
	for i := range t.Settings {
		g := &t.Settings[i]
		if !g.ToFit && !slices.ContainsFunc(out, func(o *Setting) bool { return o.Stop == g.Stop }) {
			out = append(out, g)
		}
	}
	return out
}

// Way says how a set is cut, in a few words.
func (t *Set) Way() string {
	n := len(t.stops())
	switch {
	case !t.Final():
		return "do not cut yet"
	case n == 0:
		return "over length, fit each"
	case n == 1:
		return "all to one stop"
	case n == len(t.Pieces):
		return fmt.Sprintf("%d lengths, one for each %s", n, t.Kind)
	}
	return fmt.Sprintf("to %d stops", n)
}

// chosen says that a person chose the way, as a sentence before others.
func (t *Set) chosen() string {
	if t.ByHand == "" {
		return ""
	}
	return lines.Sentence(t.ByHand) + " "
}

// Chance says how sure the fit is, with the stops as printed, and what work is
// expected; of fillets, how they are glued, as that makes them fit.
func (t *Set) Chance() string {
	switch {
	case !t.Final():
		return ""
	case t.Cut == fit.FitEach:
		return t.chosen() + fmt.Sprintf("About %.0f minutes. All blanks are long enough %s.", t.Minutes, asfound.Chance(t.P))
	case t.Kind == pieces.Spindle:
		say := t.chosen() + fmt.Sprintf("About %.0f minutes. All fit %s", t.Minutes, asfound.Chance(t.P))
		const few = 0.05 // what a tenth shows
		if t.Trims+t.Recuts >= few {
			say += fmt.Sprintf("; expect %.1f to trim and %.1f to cut again", t.Trims, t.Recuts)
		}
		return say + "."
	}
	say := "Glue from the lower post up. Cut the last to what is left."
	if t.WalkFirst {
		return "Walk the spacer first: 4 min. The last space cannot be told without it. " + say
	}
	return say
}

// Worth says of readings that save more minutes than they take which they are, and
// how much: "trial piece at top; trial piece at middle: takes 6 minutes, saves 40".
func Worth(a asfound.Advice) string {
	var titles []string
	for i := range a.With {
		titles = append(titles, a.With[i].Title())
	}
	return fmt.Sprintf("%s: takes %.0f min, saves about %.0f", strings.Join(titles, "; "), a.Takes, a.Saves)
}

// NotYet says that a set is not to be cut, and what to read, in one sentence.
func (t *Set) NotYet() string { return lines.Sentence(t.Why) }

// ToRead says what to read before a set can be cut, in few words.
func (t *Set) ToRead() string { return strings.TrimPrefix(t.Why, "do not cut yet: ") }

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
	lie, hand = t.lie(&t.Settings[0]), t.Settings[0].Hand
	for i := range t.Settings {
		if t.lie(&t.Settings[i]) != lie {
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
	p := &t.Pieces[g.Pieces[0]-1]
	switch {
	case t.Cut == fit.FitEach:
		parts = append(parts, fmt.Sprintf("cut %s over length, trim on site", t.rule.With(t.rule.Tolerance(round(g.Over, 0.1)))))
	case g.ToFit:
		parts = append(parts, fmt.Sprintf("the last: cut to what is left, about %s", t.rule.With(t.Expect(p))))
	case len(g.Pieces) == 1 && p.First:
		parts = append(parts, "the first, against the lower post")
	}
	lie, hand := t.alike()
	if lie == "" {
		parts = append(parts, t.lie(g))
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
func (t *Set) lie(g *Setting) string {
	at := points(t.Kind, g.Low, g.High)
	if g.Low.Long == pieces.Neither && g.High.Long == pieces.Neither {
		return at
	}
	return fmt.Sprintf("%s; stop along the %s", at, g.Side)
}

// StopText is the stop of a setting as the sheet prints it.
func (t *Set) StopText(g *Setting) string { return t.rule.Stop(g.Stop, g.Step) }

// TipText is how long a piece of a setting is from tip to tip, as the sheet prints
// it; nothing where both ends are square, as the stop says it.
func (t *Set) TipText(g *Setting) string {
	if g.Low.Long == pieces.Neither && g.High.Long == pieces.Neither {
		return ""
	}
	return t.rule.Length(g.Tip)
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

// Expect is what a piece is expected to be cut to, measured as the stop is: "805.8
// ±0.4".
func (t *Set) Expect(p *Piece) string { return t.rule.Of(figure.Known(p.Expected, p.U), "") }

// Own writes a piece's own bevel, at its low end 0 or its high end 1.
func (p *Piece) Own(end int) string {
	b := round(math.Abs(p.Bevels[end]), dialStep)
	if b == 0 {
		return "square"
	}
	return fmt.Sprintf("%.1f°", b)
}
