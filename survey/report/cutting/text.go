package cutting

import (
	"fmt"
	"io"
	"unicode/utf8"

	"pinchrod/calc/fit"
	"pinchrod/survey/report"
	"pinchrod/survey/report/lines"
)

// Text writes the sheet and its fitting card for a terminal.
func (s *Sheet) Text(w io.Writer, style report.Style) error {
	p := lines.NewSheet(w, style)
	p.Heading(fmt.Sprintf("%s, %s: cutting sheet %s", s.Job, s.Bay, s.Code))
	for _, f := range s.Heading() {
		p.Labelled(f[0], f[1])
	}
	for _, b := range s.Banners() {
		p.Blank()
		p.Heading(b)
	}
	p.Blank()
	for _, n := range s.How() {
		p.Para("", n)
	}
	for i := range s.Sets {
		s.Sets[i].text(p)
	}
	p.Blank()
	for _, f := range s.Facts() {
		p.Labelled(f[0], f[1])
	}
	s.textCard(p)
	p.Blank()
	p.Para("", s.Caution)
	return p.Err()
}

// textCard writes the fitting card.
func (s *Sheet) textCard(p *lines.Sheet) {
	card := s.Card()
	if len(card) == 0 {
		return
	}
	p.Blank()
	p.Heading(fmt.Sprintf("%s, %s: fitting card %s", s.Job, s.Bay, s.Code))
	if w := s.trial(); w != "" {
		p.Heading(w)
	}
	p.Para("", CardSource)
	for _, part := range card {
		p.Blank()
		p.Heading(part.Title)
		for i, step := range part.Steps {
			p.Para(fmt.Sprintf("%2d. ", i+1), step)
		}
	}
}

// text writes one kind of piece.
func (t *Set) text(p *lines.Sheet) {
	p.Blank()
	p.Heading(fmt.Sprintf("%s, %s: %s", t.title(), t.Count(), t.Way()))
	if !t.Final() {
		p.Para("  ", t.NotYet())
		return
	}
	p.Para("  ", t.Chance())
	if t.Worth != "" {
		p.Para("  ", "Worth reading first: "+t.Worth+".")
	}
	if c := t.Common(); c != "" {
		p.Para("  ", c)
	}
	end := EndNames(t.Kind)
	if !p.Narrow() {
		p.Line(p.Bold(fmt.Sprintf("  %-2s%9s %10s  %-12s  %-12s  %-5s %s", "", "stop", "tip to tip", end[0], end[1], "cut", "pieces")))
	}
	for i := range t.Settings {
		t.textRow(p, &t.Settings[i])
	}
	if t.Cut == fit.FitEach {
		t.textFinals(p)
	}
	for _, n := range t.Notes {
		p.Para("  note: ", n)
	}
}

// textRow writes a setting of the saw.
func (t *Set) textRow(p *lines.Sheet, g *Setting) {
	which, tip, end := t.Names(g.Pieces), t.TipText(g), EndNames(t.Kind)
	if p.Narrow() {
		p.Para("  "+g.Name+"  ", fmt.Sprintf("stop %s, cut %s: %s", t.StopText(g), g.Count(), which))
		if tip != "" {
			p.Para("     ", "tip to tip "+tip)
		}
		p.Para("     ", fmt.Sprintf("%s %s, %s %s", end[0], g.Low, end[1], g.High))
	} else {
		row := fmt.Sprintf("  %-2s%9s %10s  %-12s  %-12s  %-5s ", g.Name, t.StopText(g), tip, g.Low, g.High, g.Count())
		if utf8.RuneCountInString(row+which) <= p.Style.Width {
			p.Line(row + which)
		} else {
			p.Line(row)
			p.Para("     ", which)
		}
	}
	if r := t.Remark(g); r != "" {
		p.Para("     ", r)
	}
}

// textFinals writes a row a piece with room for what it was trimmed to.
func (t *Set) textFinals(p *lines.Sheet) {
	end := EndNames(t.Kind)
	if p.Narrow() {
		p.Para("     ", fmt.Sprintf("piece: expect, %s, %s, final", end[0], end[1]))
	} else {
		p.Line(p.Bold(fmt.Sprintf("     %-6s %-18s %7s %7s  final", "piece", "expect", "foot", "head")))
	}
	for i := range t.Pieces {
		f := &t.Pieces[i]
		if p.Narrow() {
			p.Para("     ", fmt.Sprintf("%s: %s, %s, %s, ______", f.ID, t.Expect(f), f.Own(0), f.Own(1)))
			continue
		}
		p.Line(fmt.Sprintf("     %-6s %-18s %7s %7s  ______", f.ID, t.Expect(f), f.Own(0), f.Own(1)))
	}
}
