package stockplan

import (
	"fmt"
	"io"
	"strings"
	"unicode/utf8"

	"pinchrod/survey/report"
	"pinchrod/survey/report/lines"
)

// Text writes the plan for a terminal.
func (p *Plan) Text(w io.Writer, style report.Style) error {
	l := lines.NewSheet(w, style)
	l.Heading(fmt.Sprintf("%s: stock plan %s", p.Job, p.Name()))
	l.Para("", p.AsOf())
	if !p.Complete() {
		l.Blank()
		l.Heading("NOT ON THIS PLAN:")
		for _, x := range p.Left {
			l.Para("  - ", x.String())
		}
	}
	if why := p.Nothing(); why != "" {
		l.Blank()
		l.Para("", strings.ToUpper(why)+".")
	} else {
		l.Blank()
		for _, h := range p.How() {
			l.Para("", h)
		}
		p.shopping(l)
		for _, g := range p.Groups {
			p.group(l, g)
		}
	}
	l.Blank()
	for _, f := range p.facts() {
		l.Labelled(f[0], f[1])
	}
	l.Para("", p.Caution)
	return l.Err()
}

// shopping lists what is bought and what is taken from the rack.
func (p *Plan) shopping(l *lines.Sheet) {
	for _, s := range p.Sections {
		l.Blank()
		l.Heading(fmt.Sprintf("%s, %s", s.Name, report.Count(s.Pieces, "piece")))
		for _, b := range s.Buy {
			label := "buy"
			if b.Offcut {
				label = "from rack"
			}
			l.Labelled(label, b.String())
		}
		l.Labelled("result", s.Result())
	}
	if len(p.Sections) > 1 {
		l.Blank()
		l.Para("", "All: "+p.Result()+".")
	}
}

// group writes bars that are cut alike.
func (p *Plan) group(l *lines.Sheet, g Group) {
	b := &p.Bars[g.Bars[0]]
	l.Blank()
	l.Heading(fmt.Sprintf("%s: %s", p.Numbers(g), p.Stuff(g)))
	low, high := p.ends(g)
	if !l.Narrow() {
		l.Line(l.Bold(fmt.Sprintf("  %-5s %8s %-13s %8s %6s %8s %8s  %s", "cut", "stop", "along", low, high, "from", "to", "pieces")))
	}
	for _, r := range g.Runs {
		first, last := &b.Cuts[r.From], &b.Cuts[r.To-1]
		which := p.Makes(g, r)
		remark := p.Remark(g, r)
		if l.Narrow() {
			l.Para("  "+r.Numbers()+"  ", which)
			l.Para("     ", fmt.Sprintf("stop %s along the %s, %s %s, %s %s", first.Stop, first.Side, low, first.Low.Degrees(), high, first.High.Degrees()))
			l.Para("     ", fmt.Sprintf("from %s to %s", p.Rule.Length(first.From), p.Rule.Length(last.To)))
			if remark != "" {
				l.Para("     ", remark)
			}
			continue
		}
		row := fmt.Sprintf("  %-5s %8s %-13s %8s %6s %8s %8s  ", r.Numbers(), first.Stop, first.Side, first.Low.Degrees(), first.High.Degrees(), p.Rule.Length(first.From), p.Rule.Length(last.To))
		if utf8.RuneCountInString(row+which) <= l.Style.Width {
			l.Line(row + which)
		} else {
			l.Line(row)
			l.Para("         ", which)
		}
		if remark != "" {
			l.Para("         ", remark)
		}
	}
	l.Para("  ", "left: "+b.Left())
}
