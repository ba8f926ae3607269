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
	p.Para("", s.AsOf())
	for _, n := range s.How() {
		p.Para("", n)
	}
	for _, b := range s.Banners() {
		p.Blank()
		p.Para("", b)
	}
	for i := range s.Sets {
		textSet(p, &s.Sets[i])
	}
	p.Blank()
	for _, f := range s.Facts() {
		p.Labelled(f[0], f[1])
	}
	card := s.Card()
	if len(card) > 0 {
		p.Blank()
		p.Heading(fmt.Sprintf("%s, %s: fitting card %s", s.Job, s.Bay, s.Code))
		p.Para("", CardSource)
		if w := s.printedWith(); w != "" {
			p.Blank()
			p.Para("", w)
		}
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

func textSet(p *lines.Sheet, t *Set) {
	p.Blank()
	p.Heading(fmt.Sprintf("%s, %s: %s", t.title(), t.Count(), t.Cut))
	if !t.Final() {
		p.Para("  ", "NOT TO BE CUT YET. "+lines.Sentence(t.Why)+" Read first:")
		for i, m := range t.First() {
			p.Para(fmt.Sprintf("  %2d. ", i+1), m)
		}
		return
	}
	p.Para("  ", lines.Sentence(t.Why)+" "+t.Chance())
	if c := t.Common(); c != "" {
		p.Para("  ", c)
	}
	edges := edgeNames(t.Kind)
	if !p.Narrow() {
		p.Line(p.Bold(fmt.Sprintf("  %-2s%7s%6s %10s %10s  %-11s %-11s %-5s %s", "", "stop", "blank", edges[0], edges[1], "low", "high", "cut", "pieces")))
	}
	for i := range t.Settings {
		g := &t.Settings[i]
		which := t.Names(g.Pieces)
		if p.Narrow() {
			p.Para("  "+g.Name+"  ", fmt.Sprintf("stop %s, cut %s: %s", t.StopText(g), g.Count(), which))
			p.Para("     ", fmt.Sprintf("blank %.0f, %s %.1f, %s %.1f", g.Blank, edges[0], g.Edges[0].Length, edges[1], g.Edges[1].Length))
			p.Para("     ", fmt.Sprintf("low %s, high %s", g.Low, g.High))
		} else {
			row := fmt.Sprintf("  %-2s%7s%6.0f %10.1f %10.1f  %-11s %-11s %-5s ", g.Name, t.StopText(g), g.Blank, g.Edges[0].Length, g.Edges[1].Length, g.Low, g.High, g.Count())
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
	if t.Cut == fit.FitEach {
		if p.Narrow() {
			p.Para("     ", "piece: expect, low, high, final")
		} else {
			p.Line(p.Bold("     piece  expect        low   high   final"))
		}
		for _, f := range t.Pieces {
			if p.Narrow() {
				p.Para("     ", fmt.Sprintf("%s: %s, %s, %s, ______", f.ID, f.Expect(), f.Own(0), f.Own(1)))
				continue
			}
			p.Line(fmt.Sprintf("     %-5s %7.1f ±%-4.1f %6s %6s ______", f.ID, f.Needed, 2*f.U, f.Own(0), f.Own(1)))
		}
	}
	for _, n := range t.Notes {
		p.Para("  note: ", n)
	}
}
