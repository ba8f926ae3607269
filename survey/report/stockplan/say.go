package stockplan

import (
	"fmt"
	"strings"

	"pinchrod/survey/report"
	"pinchrod/survey/report/cutting"
)

// What text, paper and a browser's page say alike. It may hold text from the book
// and from a rack's file, which is made safe where it is shown.

// AsOf says of what day the plan is, and of which state of the book.
func (p *Plan) AsOf() string {
	return fmt.Sprintf("%s, from the book up to %s.", p.Date.Format("2006-01-02"), p.Entry)
}

// String says what is left out, why, and what to do about it.
func (l Left) String() string {
	what := l.What
	if l.Bay != "" {
		what = string(l.Bay) + " " + what
	}
	return fmt.Sprintf("%s: %s; %s", what, l.Why, l.Next)
}

// Name is the plan by its code and mark, as its pages bear it: "A94TQV, bars 7KQ2".
func (p *Plan) Name() string {
	if p.Mark == "" {
		return p.Code
	}
	return fmt.Sprintf("%s, bars %s", p.Code, p.Mark)
}

// Complete tells whether all that the job needs is on the plan.
func (p *Plan) Complete() bool { return len(p.Left) == 0 }

// AsDrawn says how to read the pictures.
const AsDrawn = "Pictures are to scale along the bar, not across it. A spindle lies with its downhill side up, a base fillet with its rail face up, a rail fillet with its open face up: keep the bar as it lies until it is cut up. Grey or crossed is waste."

// How says how to read the figures.
func (p *Plan) How() []string {
	if len(p.Bars) == 0 {
		return nil
	}
	length := func(mm float64) string { return p.Rule.With(short(mm, p.Rule)) }
	saw := fmt.Sprintf("Lengths are in %s. Saw cut %s; first %s trimmed off", p.Rule.Named(), length(p.Kerf), length(p.Trim))
	if p.MinOffcut > 0 {
		saw += fmt.Sprintf("; keep an offcut of %s or more", length(p.MinOffcut))
	}
	return []string{
		saw + ".",
		"Cut the pieces in order, each with its foot or downhill end towards the first end of the bar. Cut the first end to the bevel of that end, and again where the next piece has another. From and to are on the bar's centre line. Stops and bevels are the sheet's.",
		fmt.Sprintf("Saw only by pages that say %s. By pages of two plans some pieces are sawn twice.", p.Name()),
	}
}

// From says where bars come from.
func (b Buy) From() string {
	if b.Offcut {
		return "from the rack"
	}
	return "buy"
}

// String writes a line of what is bought or taken.
func (b Buy) String() string {
	s := fmt.Sprintf("%d x %s", b.Count, b.rule.With(short(b.Length, b.rule)))
	if b.Label != "" {
		s += ", " + b.Label
	}
	if b.Price > 0 {
		s += fmt.Sprintf(", %.2f each, %.2f", b.Price, b.Price*float64(b.Count))
	}
	return s
}

// String writes an offcut that goes onto the rack, such as "7 x 734".
func (k Keep) String() string {
	if k.Count == 1 {
		return short(k.Length, k.rule)
	}
	return fmt.Sprintf("%d x %s", k.Count, short(k.Length, k.rule))
}

// Result says what the plan of a section comes to, and how good it is.
func (s Section) Result() string {
	out := s.Claim + fmt.Sprintf("; waste %s, %.1f %%", s.rule.Length(s.Waste), s.WastePercent())
	switch cost := s.atThat(); {
	case len(s.Short) > 0: // a plan of nothing whole, which is compared with none
	case s.Waste-s.WasteBound >= 0.05: // what the tenth shows
		out += fmt.Sprintf("; a plan with less, down to %s, is not ruled out %s", s.rule.Length(s.WasteBound), cost)
	default:
		out += ", the least " + cost
	}
	return out
}

// atThat says between which plans the waste is compared.
func (s Section) atThat() string {
	if s.Priced {
		return "at that cost"
	}
	return "with that many bars"
}

// Result says what the whole comes to.
func (p *Plan) Result() string {
	t := p.Total
	var out []string
	out = append(out, fmt.Sprintf("%s, %d of them spare", report.Count(t.Pieces, "piece"), t.Spares))
	out = append(out, report.Count(t.Buy, "bar")+" to buy")
	if t.Rack > 0 {
		out = append(out, report.Count(t.Rack, "offcut")+" from the rack")
	}
	if t.Priced {
		cost := fmt.Sprintf("cost %.2f", t.Cost)
		for _, s := range p.Sections {
			if !s.Priced {
				cost += " without " + s.Name
			}
		}
		out = append(out, cost)
	}
	return strings.Join(out, ", ") + fmt.Sprintf("; waste %s of %s, %.1f %%", p.Rule.Length(t.Waste), p.Rule.With(short(t.Length, p.Rule)), t.WastePercent())
}

// String names a sheet by its bay and code.
func (s SheetRef) String() string { return fmt.Sprintf("%s %s", s.Bay, s.Code) }

// sheets names those that the plan cuts from.
func (p *Plan) sheets() string {
	out := make([]string, len(p.Sheets))
	for i, s := range p.Sheets {
		out[i] = s.String()
	}
	return strings.Join(out, ", ")
}

// String says what was cut before.
func (d Done) String() string { return fmt.Sprintf("%s %s, and not on this plan", d.Bay, d.Pieces) }

// Keeps says what goes onto the rack, a line a section: "of 41 x 41 mm: 734, 2 x
// 600".
func (p *Plan) Keeps() []string {
	var out []string
	for _, s := range p.Sections {
		var keep []string
		for _, k := range p.Total.Keep {
			if k.Section == s.Name {
				keep = append(keep, k.String())
			}
		}
		if keep != nil {
			out = append(out, fmt.Sprintf("of %s: %s", s.Name, strings.Join(keep, ", ")))
		}
	}
	return out
}

// facts are what stands below the bars, each with a word before it.
func (p *Plan) facts() [][2]string {
	var out [][2]string
	if len(p.Sheets) > 0 {
		out = append(out, [2]string{"sheets", p.sheets()})
	}
	for _, d := range p.Done {
		out = append(out, [2]string{"cut before", d.String()})
	}
	for _, k := range p.Keeps() {
		out = append(out, [2]string{"keep", k})
	}
	return out
}

// Numbers names the bars of a group, such as "bars 1-4 of 12".
func (p *Plan) Numbers(g Group) string {
	first, last := p.Bars[g.Bars[0]].Number, p.Bars[g.Bars[len(g.Bars)-1]].Number
	what := "bar "
	if last > first {
		what = "bars "
	}
	return what + span(first, last) + fmt.Sprintf(" of %d", len(p.Bars))
}

// Stuff is what the bars of a group are, such as "4 x 2400 mm of 41 x 41 mm".
func (p *Plan) Stuff(g Group) string {
	b := p.Bars[g.Bars[0]]
	s := fmt.Sprintf("%d x %s of %s", len(g.Bars), b.rule.With(short(b.Length, b.rule)), b.Section)
	if b.Offcut {
		s += ", FROM THE RACK"
	}
	if b.Label != "" {
		s += ", " + b.Label
	}
	return s
}

// Left says what is left of a bar.
func (b Bar) Left() string {
	if b.Keep > 0 {
		return "keep " + short(keepLength(b.Keep, b.rule), b.rule)
	}
	if b.Rest < 1 {
		return "nothing left"
	}
	return fmt.Sprintf("offcut %s: bin", short(keepLength(b.Rest, b.rule), b.rule))
}

// ends are what the ends of a group's pieces are called, the one that lies first in
// the bar before the other.
func (p *Plan) ends(g Group) (first, second string) {
	names := cutting.EndNames(p.Bars[g.Bars[0]].Cuts[0].Kind)
	return strings.TrimSuffix(names[0], " end"), strings.TrimSuffix(names[1], " end")
}

// ids are the pieces of a run on all bars of a group.
func (p *Plan) ids(g Group, r Run) []string {
	var out []string
	for _, i := range g.Bars {
		for _, c := range p.Bars[i].Cuts[r.From:r.To] {
			out = append(out, c.Piece)
		}
	}
	return out
}

// Numbers are those of a run's cuts in its bar, from 1: "3" or "3-7".
func (r Run) Numbers() string { return span(r.From+1, r.To) }

// Makes says which pieces a run makes.
func (p *Plan) Makes(g Group, r Run) string {
	c := p.Bars[g.Bars[0]].Cuts[r.From]
	return fmt.Sprintf("%s %s", c.Bay, ranges(p.ids(g, r)))
}

// Remark is what else has to be known of a run, mostly nothing.
func (p *Plan) Remark(g Group, r Run) string {
	var out []string
	if n := r.To - r.From; len(g.Bars) > 1 {
		out = append(out, fmt.Sprintf("%d of each bar", n))
	}
	if p.Bars[g.Bars[0]].Cuts[r.From].ToFit {
		out = append(out, "over length, trimmed on site")
	}
	return strings.Join(out, "; ")
}

// Nothing says that no bar is on the plan, and whether there will be; empty when
// there are some.
func (p *Plan) Nothing() string {
	switch {
	case len(p.Bars) > 0:
		return ""
	case p.Complete():
		return "nothing to cut"
	}
	return "nothing can be cut yet"
}
