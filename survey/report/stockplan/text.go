package stockplan

import (
	"fmt"
	"io"
	"unicode/utf8"

	"pinchrod/survey/report"
)

// Text writes the plan for a terminal.
func (p *Plan) Text(w io.Writer, style report.Style) error {
	l := newLines(w, style)
	l.heading(fmt.Sprintf("%s: stock plan %s", p.Job, p.Code))
	l.para("", p.holds())
	if !p.Complete() {
		l.blank()
		l.heading("NOT ON THIS PLAN:")
		for _, x := range p.Left {
			l.para("  - ", x.String())
		}
	}
	if len(p.Bars) == 0 {
		l.blank()
		l.para("", "NOTHING TO CUT.")
	} else {
		l.blank()
		for _, h := range p.How() {
			l.para("", h)
		}
		l.shopping(p)
		for _, g := range p.Groups {
			l.group(p, g)
		}
	}
	l.blank()
	for _, f := range p.facts() {
		l.labelled(f[0], f[1])
	}
	l.para("", p.Caution)
	return l.err
}

// shopping lists what is bought and what is taken from the rack.
func (l *lines) shopping(p *Plan) {
	for _, s := range p.Sections {
		l.blank()
		l.heading(fmt.Sprintf("%s, %s", s.Name, report.Count(s.Pieces, "piece")))
		for _, b := range s.Buy {
			label := "buy"
			if b.Offcut {
				label = "from rack"
			}
			l.labelled(label, b.String())
		}
		l.labelled("result", s.Result())
	}
	if len(p.Sections) > 1 {
		l.blank()
		l.para("", "All: "+p.Result()+".")
	}
}

// group writes bars that are cut alike.
func (l *lines) group(p *Plan, g Group) {
	b := &p.Bars[g.Bars[0]]
	l.blank()
	l.heading(fmt.Sprintf("%s: %s", p.Numbers(g), p.Stuff(g)))
	if !l.narrow() {
		l.line(l.bold(fmt.Sprintf("  %-6s %8s %-10s %6s %6s %8s %8s  %s", "cut", "stop", "along", "low", "high", "from", "to", "pieces")))
	}
	for _, r := range g.Runs {
		first, last := &b.Cuts[r.From], &b.Cuts[r.To-1]
		which := p.Makes(g, r)
		remark := p.Remark(g, r)
		if l.narrow() {
			l.para("  "+span(r.From+1, r.To)+"  ", which)
			l.para("     ", fmt.Sprintf("stop %s along the %s, low %s, high %s", first.Stop, first.Side, dial(first.Low), dial(first.High)))
			l.para("     ", fmt.Sprintf("from %s to %s", tenth(first.From), tenth(last.To)))
			if remark != "" {
				l.para("     ", remark)
			}
			continue
		}
		row := fmt.Sprintf("  %-6s %8s %-10s %6s %6s %8s %8s  ", span(r.From+1, r.To), first.Stop, first.Side, dial(first.Low), dial(first.High), tenth(first.From), tenth(last.To))
		if utf8.RuneCountInString(row+which) <= l.style.Width {
			l.line(row + which)
		} else {
			l.line(row)
			l.para("         ", which)
		}
		if remark != "" {
			l.para("         ", remark)
		}
	}
	l.para("  ", "left: "+b.Left())
}
