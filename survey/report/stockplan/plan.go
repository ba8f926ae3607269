package stockplan

import (
	"cmp"
	"errors"
	"fmt"
	"math"
	"slices"
	"strings"

	"pinchrod/calc/stock"
	"pinchrod/calc/unit"
	"pinchrod/survey/report"
	"pinchrod/survey/report/cutting"
	"pinchrod/survey/report/figure"
)

// ErrNoBars: there are pieces to cut, and no bar to cut them from.
var ErrNoBars = errors.New("no bar to saw from")

// ErrInput is calc/stock's: figures that cannot be planned with, such as bars of
// one section of which some have a price and some have none.
var ErrInput = stock.ErrInput

// New makes the plan. What cannot be planned is on its list of what is left out;
// a plan may be of nothing else.
//
// Errors: ErrNoBars, ErrSection for a bar's section, ErrInput for the rest.
func New(sheets []*cutting.Sheet, o Options) (*Plan, error) {
	p, err := makePlan(sheets, o)
	if err != nil {
		return nil, fmt.Errorf("planning the stock: %w", err)
	}
	return p, nil
}

func makePlan(sheets []*cutting.Sheet, o Options) (*Plan, error) {
	if err := o.check(); err != nil {
		return nil, err
	}
	p := &Plan{
		Job: o.Job, Entry: o.Entry, Date: o.Date, Rules: o.Rules, Caution: report.Caution(o.Rules),
		Kerf: o.Kerf, Trim: o.Trim, MinOffcut: o.MinOffcut,
	}
	if len(sheets) > 0 {
		p.Rule = sheets[0].Rule
	}
	all, left, done := gather(sheets)
	p.Left, p.Done, p.Code = left, done, code(all)
	for _, s := range sheets {
		if slices.ContainsFunc(all, func(k *kin) bool { return k.uses(s) }) {
			p.Sheets = append(p.Sheets, SheetRef{s.Bay, s.Code})
		}
	}
	bars, err := o.share(all)
	if err != nil {
		return nil, err
	}
	if len(all) > 0 && !slices.ContainsFunc(bars, func(b []stock.Bar) bool { return len(b) > 0 }) {
		return nil, fmt.Errorf("%w, for %s", ErrNoBars, names(all))
	}
	for i, k := range all {
		if err := p.section(k, bars[i]); err != nil {
			return nil, err
		}
	}
	p.total()
	p.Mark = p.mark()
	return p, nil
}

// Bounds of a sensible saw and shop, mm; common practice, no source. They refuse
// a slip of the unit, not an odd shop.
const (
	mostKerf = 20
	mostTrim = 1000
	mostKeep = 20000
)

func (o Options) check() error {
	for _, c := range []struct {
		what    string
		v, most float64
	}{{"kerf", o.Kerf, mostKerf}, {"trim", o.Trim, mostTrim}, {"shortest offcut", o.MinOffcut, mostKeep}} {
		if !(c.v >= 0 && c.v <= c.most) {
			return fmt.Errorf("%w: a %s of %g mm: expected 0 to %g mm", ErrInput, c.what, c.v, c.most)
		}
	}
	return nil
}

func (k *kin) uses(s *cutting.Sheet) bool {
	return slices.ContainsFunc(k.parts, func(p *part) bool { return p.sheet == s })
}

func names(all []*kin) string {
	var out []string
	for _, k := range all {
		out = append(out, k.name)
	}
	return strings.Join(out, " and ")
}

// share gives each section the bars that serve it, with the section's width.
// Stock that lies on either face in one job is of two sections to the planner:
// of bars that are counted each goes to the one that needs more, so that none is
// sawn twice. Bars to buy that are counted have to say of which section they are,
// where there are several: none is of two. Offcuts without one are shared as stock
// that lies either way is.
func (o Options) share(all []*kin) ([][]stock.Bar, error) {
	out := make([][]stock.Bar, len(all))
	for _, b := range o.Bars {
		any := strings.TrimSpace(b.Section) == ""
		var of section
		if any && b.Count > 0 && !b.Offcut {
			if two := sections(all); len(two) > 1 {
				return nil, fmt.Errorf("%w: %d x %s mm without a section, and there are %s: say of which: \"%s: %d x %s mm\"",
					ErrInput, b.Count, plain(b.Length), strings.Join(two, " and "), two[0], b.Count, plain(b.Length))
			}
		}
		if !any {
			var err error
			if of, err = parseSection(b.Section); err != nil {
				return nil, fmt.Errorf("bar of %g mm: %w", b.Length, err)
			}
		}
		most := -1
		for i, k := range all {
			if !any && k.lies.section() != of {
				continue
			}
			if b.Count == 0 {
				out[i] = append(out[i], k.bar(b))
			} else if most < 0 || all[most].needs() < k.needs() {
				most = i
			}
		}
		if most >= 0 {
			out[most] = append(out[most], all[most].bar(b))
		}
	}
	for i, k := range all {
		if slices.ContainsFunc(out[i], func(b stock.Bar) bool { return !b.Offcut }) {
			continue
		}
		var lengths []unit.Length
		for _, p := range k.parts {
			lengths = append(lengths, o.Lengths[p.sheet.Bay]...)
		}
		slices.Sort(lengths)
		for _, l := range slices.Compact(lengths) {
			out[i] = append(out[i], k.bar(stock.Bar{Length: l.MM()}))
		}
	}
	return out, nil
}

// sections names the sections of stock that are wanted, each once, whichever way it
// lies.
func sections(all []*kin) (names []string) {
	for i, k := range all {
		if !slices.ContainsFunc(all[:i], func(o *kin) bool { return o.lies.section() == k.lies.section() }) {
			names = append(names, k.parts[0].set.Section)
		}
	}
	return names
}

// needs is the length of all pieces, mm.
func (k *kin) needs() float64 {
	sum := 0.0
	for _, p := range k.parts {
		sum += p.length * float64(len(p.ids))
	}
	return sum
}

// bar is a bar as one of this section.
func (k *kin) bar(b stock.Bar) stock.Bar {
	b.Section, b.Width = "", k.across
	return b
}

// section plans one section.
func (p *Plan) section(k *kin, bars []stock.Bar) error {
	if err := k.priced(bars); err != nil {
		return err
	}
	o := stock.Options{Kerf: p.Kerf, Trim: p.Trim, MinOffcut: p.MinOffcut}
	r, err := stock.Plan(k.wanted(), bars, o)
	if errors.Is(err, stock.ErrTooLong) {
		k.parts = p.tooLong(k, bars, o)
		if len(k.parts) == 0 {
			return nil
		}
		r, err = stock.Plan(k.wanted(), bars, o)
	}
	switch {
	case errors.Is(err, stock.ErrStock) && len(bars) == 0:
		p.leave(k, "there is no such bar", fmt.Sprintf("add one, such as \"%s: 2400 mm\"", k.parts[0].set.Section))
		return nil
	case errors.Is(err, stock.ErrStock):
		return p.short(k, bars, o)
	case errors.Is(err, stock.ErrSteps):
		p.leave(k, "no way was found to cut them from the bars there are", "add a bar, or let some have no count")
		return nil
	case err != nil:
		return fmt.Errorf("%s: %w", k.name, err)
	}
	p.take(k, bars, r)
	return nil
}

// tooLong leaves out the parts of a section that fit on none of its bars, set by
// set, and gives the others. One by one tells which: such a part is too long
// whatever lies beside it.
func (p *Plan) tooLong(k *kin, bars []stock.Bar, o stock.Options) (others []*part) {
	for i := 0; i < len(k.parts); {
		var ids []string
		longest, first := 0.0, k.parts[i]
		for ; i < len(k.parts) && k.parts[i].set == first.set; i++ {
			q := k.parts[i]
			one := q.piece()
			one.Count = 1
			if _, err := stock.Plan([]stock.Piece{one}, bars, o); !errors.Is(err, stock.ErrTooLong) {
				others = append(others, q)
				continue
			}
			ids, longest = append(ids, q.ids...), max(longest, q.length)
		}
		if ids != nil {
			slices.SortFunc(ids, byNumber)
			p.Left = append(p.Left, Left{first.sheet.Bay, ranges(ids), fmt.Sprintf("up to %s long, and no bar of %s gives that", p.Rule.With(p.Rule.Length(longest)), k.name), "add a longer bar"})
		}
	}
	return others
}

func (k *kin) wanted() []stock.Piece {
	var out []stock.Piece
	for _, q := range k.parts {
		out = append(out, q.piece())
	}
	return out
}

// priced refuses bars that cannot be weighed against each other.
func (k *kin) priced(bars []stock.Bar) error {
	bought := slices.DeleteFunc(slices.Clone(bars), func(b stock.Bar) bool { return b.Offcut })
	without := slices.IndexFunc(bought, func(b stock.Bar) bool { return b.Price == 0 })
	if without >= 0 && slices.ContainsFunc(bars, func(b stock.Bar) bool { return b.Price > 0 }) {
		return fmt.Errorf("%w: the bar of %s mm of %s has no price and others have: give each of them one, or none", ErrInput, plain(bought[without].Length), k.name)
	}
	return nil
}

// leave lists a whole section as left out.
func (p *Plan) leave(k *kin, why, next string) {
	n := 0
	for _, q := range k.parts {
		n += len(q.ids)
	}
	p.Left = append(p.Left, Left{"", fmt.Sprintf("all %s of %s", report.Count(n, "piece"), k.name), why, next})
}

// take turns what calc/stock planned of a section into bars with named pieces.
// Bars that are cut alike stand together.
func (p *Plan) take(k *kin, bars []stock.Bar, r stock.Result) {
	s := Section{
		Name: k.name, rule: p.Rule, Priced: r.Priced, Claim: r.Claim(), Proven: r.Proven, Gap: r.Gap(), Waste: r.Waste, WasteBound: r.WasteBound,
	}
	if r.Priced {
		s.Cost = r.Cost
	}
	alike := map[string]int{} // by what is cut, and from which bar, into groups
	var groups [][]stock.Sawn
	for _, b := range r.Bars {
		key := fmt.Sprint(b.Bar)
		for _, c := range b.Cuts {
			key += fmt.Sprint(" ", c.Piece)
		}
		i, ok := alike[key]
		if !ok {
			i = len(groups)
			alike[key] = i
			groups = append(groups, nil)
		}
		groups[i] = append(groups[i], b)
	}
	next := make([]int, len(k.parts))
	for _, g := range groups {
		group := Group{Runs: runs(g[0].Cuts)}
		for _, sawn := range g {
			b := Bar{
				rule: p.Rule, Number: len(p.Bars) + 1, Section: k.name, Across: k.across, Rest: sawn.Rest, Keep: sawn.Offcut, Waste: sawn.Waste,
				Length: bars[sawn.Bar].Length, Price: bars[sawn.Bar].Price, Offcut: bars[sawn.Bar].Offcut, Label: bars[sawn.Bar].Label,
			}
			for _, c := range sawn.Cuts {
				q := k.parts[c.Piece]
				b.Cuts = append(b.Cuts, q.cut(q.ids[next[c.Piece]], next[c.Piece] >= q.pieces, c, k.across))
				next[c.Piece]++
			}
			group.Bars = append(group.Bars, len(p.Bars))
			p.Bars = append(p.Bars, b)
			s.Pieces += len(b.Cuts)
			s.Length += b.Length
			s.buy(b)
		}
		p.Groups = append(p.Groups, group)
	}
	p.Sections = append(p.Sections, s)
}

// runs are cuts that follow each other and are of one part.
func runs(cuts []stock.Cut) []Run {
	var out []Run
	for i, c := range cuts {
		if i == 0 || cuts[i-1].Piece != c.Piece {
			out = append(out, Run{From: i})
		}
		out[len(out)-1].To = i + 1
	}
	return out
}

// cut is a piece of the part where it lies.
func (q *part) cut(id string, spare bool, c stock.Cut, across float64) Cut {
	g := q.setting
	out := Cut{
		Bay: q.sheet.Bay, Kind: q.set.Kind, Piece: id, Setting: g.Name, Stop: q.set.StopText(g), StopMM: g.Stop, Side: g.Side,
		Low: g.Low, High: g.High, From: c.From, To: c.To, Spare: spare, ToFit: g.ToFit,
	}
	for edge, y := range [2]float64{-across / 2, across / 2} {
		out.Start[edge] = c.From + y*math.Tan(q.bevel[0])
		out.End[edge] = c.To + y*math.Tan(q.bevel[1])
	}
	return out
}

// buy counts a bar.
func (s *Section) buy(b Bar) {
	s.Buy = counted(s.Buy, Buy{Section: s.Name, Length: b.Length, Price: b.Price, Offcut: b.Offcut, Label: b.Label, rule: s.rule})
}

// counted adds one of a kind: what is bought before what is on the rack, longest
// first.
func counted(all []Buy, of Buy) []Buy {
	i := slices.IndexFunc(all, func(x Buy) bool { x.Count = 0; return x == of })
	if i < 0 {
		i = len(all)
		all = append(all, of)
	}
	all[i].Count++
	slices.SortStableFunc(all, func(x, y Buy) int { return cmp.Or(later(x.Offcut)-later(y.Offcut), cmp.Compare(y.Length, x.Length)) })
	return all
}

func later(b bool) int {
	if b {
		return 1
	}
	return 0
}

// total adds up the sections.
func (p *Plan) total() {
	t := &p.Total
	for _, s := range p.Sections {
		t.Pieces += s.Pieces
		t.Length += s.Length
		t.Waste += s.Waste
		t.Cost += s.Cost
		t.Priced = t.Priced || s.Priced
		for _, b := range s.Buy {
			if b.Offcut {
				t.Rack += b.Count
			} else {
				t.Buy += b.Count
			}
		}
	}
	kept := map[Keep]int{}
	for _, b := range p.Bars {
		for _, c := range b.Cuts {
			t.Spares += later(c.Spare)
		}
		if b.Keep > 0 {
			kept[Keep{Section: b.Section, Length: keepLength(b.Keep, p.Rule), rule: p.Rule}]++
		}
	}
	for k, n := range kept {
		k.Count = n
		t.Keep = append(t.Keep, k)
	}
	at := func(name string) int {
		return slices.IndexFunc(p.Sections, func(s Section) bool { return s.Name == name })
	}
	slices.SortFunc(t.Keep, func(a, b Keep) int { return cmp.Or(at(a.Section)-at(b.Section), cmp.Compare(b.Length, a.Length)) })
}

// keepLength is what is written on an offcut: whole mm or sixteenths of an inch, no
// longer than it is.
func keepLength(v float64, r figure.Rule) float64 {
	step := 1.0
	if r.Inches {
		step = figure.Inch / 16
	}
	return math.Floor((v+1e-6)/step) * step
}
