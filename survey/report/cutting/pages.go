package cutting

import (
	"fmt"
	"math"
	"strings"

	"pinchrod/calc/fit"
	"pinchrod/calc/pieces"
	"pinchrod/survey/report/lines"
	"pinchrod/survey/report/scene"
)

// Pages are the sheet and its fitting card on A4.
func (s *Sheet) Pages() []scene.Page {
	p := &paper{}
	s.begins(p, "cutting sheet")
	for _, n := range s.How() {
		p.para(margin, n, bodyHigh, false)
	}
	for _, b := range s.Banners() {
		p.banner(b)
	}
	for i := range s.Sets {
		p.together(s.Sets[i].print)
	}
	p.y += 2
	for _, f := range s.Facts() {
		p.need(2 * bodyHigh * lineStep)
		p.y += 0.8
		p.add(say(margin, p.y+bodyHigh*lineStep, f[0], bodyHigh, true))
		p.para(margin+22, f[1], bodyHigh, false)
	}
	s.cautions(p)
	if card := s.Card(); len(card) > 0 {
		s.begins(p, "fitting card")
		p.para(margin, CardSource, bodyHigh, false)
		for _, part := range card {
			p.need(4 * cardHigh * lineStep)
			p.y += 4
			p.para(margin, part.Title, 3.4, true)
			for i, step := range part.Steps {
				p.need(2 * cardHigh * lineStep)
				p.y++
				p.add(say(margin, p.y+cardHigh*lineStep, fmt.Sprint(i+1), cardHigh, true))
				p.para(margin+8, step, cardHigh, false)
			}
		}
		s.cautions(p)
	}
	for i := range p.pages {
		p.pages[i].Add(ends(edge, scene.A4Long-margin, fmt.Sprintf("page %d of %d", i+1, len(p.pages)), bodyHigh, true))
	}
	return p.pages
}

// begins turns to a page of the sheet or of the card; job, bay and code stand on
// every page.
func (s *Sheet) begins(p *paper, what string) {
	title := lines.Clean(fmt.Sprintf("%s, %s", s.Job, s.Bay))
	about := lines.Clean(fmt.Sprintf("%s, %s", what, s.AsOf()))
	foot := fmt.Sprintf("%s, %s, %s; the caution is at its end", s.Code, s.Bay, what)
	p.title = fmt.Sprintf("%s: %s %s", title, what, s.Code)
	p.head = func(page *scene.Page) {
		const codeHigh = 8
		code := ends(edge, margin+codeHigh, s.Code, codeHigh, true)
		page.Add(
			within(say(margin, margin+6, title, headLine, true), textWide-code.Width()-6), code,
			within(say(margin, margin+12, about, bodyHigh, false), textWide), across(margin+headHigh-0.5, scene.W50),
			across(scene.A4Long-margin-5, scene.W18), within(say(margin, scene.A4Long-margin, foot, bodyHigh, false), textWide-30),
		)
	}
	p.turn()
}

func (s *Sheet) cautions(p *paper) {
	p.need(4 * bodyHigh * lineStep)
	p.y += 3.5
	p.para(margin, s.Caution, bodyHigh, true)
}

// banner is text that nobody overlooks.
func (p *paper) banner(text string) {
	const high = 4.0
	lines := scene.Wrap(lines.Clean(text), high, true, textWide-8)
	tall := float64(len(lines))*high*lineStep + 4
	p.need(tall + 4)
	p.y += 4
	p.add(scene.Box(scene.Point{X: margin, Y: p.y}, textWide, tall, scene.Pen{Weight: scene.W70}, scene.Pale))
	for i, l := range lines {
		p.add(say(margin+4, p.y+float64(i+1)*high*lineStep, l, high, true))
	}
	p.y += tall
}

// print writes one kind of piece.
func (t *Set) print(p *paper) {
	p.need(70) // its head, the sketch and the first setting
	p.y += 11
	p.add(say(margin, p.y, t.title(), headLine, true), ends(edge, p.y, strings.ToUpper(string(t.Cut)), headLine, true),
		within(say(margin+62, p.y, lines.Clean(t.Count()), 3.4, false), 66))
	p.y += 1.8
	p.rule(scene.W35)
	if !t.Final() {
		p.banner("NOT TO BE CUT YET. Read first:")
		p.y++
		for i, m := range t.First() {
			p.para(margin+4, fmt.Sprintf("%d. %s", i+1, m), cardHigh, false)
		}
		p.para(margin, lines.Sentence(t.Why), bodyHigh, false)
		return
	}
	p.para(margin, lines.Sentence(t.Why)+" "+t.Chance(), bodyHigh, false)
	if lie, hand := t.alike(); lie != "" {
		t.sketch(p, hand)
	}
	t.columns(p)
	for i := range t.Settings {
		t.row(p, &t.Settings[i])
	}
	if t.Cut == fit.FitEach {
		t.finals(p)
	}
	for _, n := range t.Notes {
		p.para(margin, "Note: "+n, bodyHigh, true)
	}
}

// Columns of the table of settings, mm: where their figures end, and where the
// pieces begin.
const (
	colPieces = margin + 11
	colCount  = margin + 64
	colStop   = margin + 91
	colBlank  = margin + 107
	colFirst  = margin + 128
	colSecond = margin + 149
	colLow    = margin + 167.5
	colHigh   = edge
)

// columns writes the head of the table.
func (t *Set) columns(p *paper) {
	p.need(25)
	p.y += 5.5
	edges := edgeNames(t.Kind)
	p.add(say(margin, p.y, "set", bodyHigh, true), say(colPieces, p.y, "pieces", bodyHigh, true))
	for _, c := range []struct {
		x float64
		s string
	}{{colCount, "cut"}, {colStop, "STOP"}, {colBlank, "blank"}, {colFirst, edges[0]}, {colSecond, edges[1]}, {colLow, "low"}, {colHigh, "high"}} {
		p.add(within(ends(c.x, p.y, c.s, bodyHigh, true), 20))
	}
	p.y += 1.4
	p.rule(scene.W18)
}

// row writes one setting: its figures, and below them what else is to be known.
func (t *Set) row(p *paper, g *Setting) {
	const (
		first = 7.2 // from the rule above to the baseline
		step  = figHigh * 1.6
	)
	which := scene.Wrap(t.Names(g.Pieces), figHigh, false, colCount-16-colPieces)
	remarks := scene.Wrap(lines.Clean(t.Remark(g)), bodyHigh, false, textWide-11-40)
	high := first + float64(len(which)-1)*step + float64(len(remarks))*bodyHigh*lineStep + 2
	if p.need(max(high, first+6)) {
		t.columns(p)
	}
	y := p.y + first
	p.add(say(margin, y, g.Name, stopHigh, true), ends(colCount, y, g.Count(), figHigh, false), ends(colStop, y, t.StopText(g), stopHigh, true),
		ends(colBlank, y, fmt.Sprintf("%.0f", g.Blank), figHigh, false))
	for i, x := range []float64{colFirst, colSecond} {
		p.add(ends(x, y, fmt.Sprintf("%.1f", g.Edges[i].Length), figHigh, false))
	}
	for _, c := range []struct {
		x float64
		Cut
	}{{colLow, g.Low}, {colHigh, g.High}} {
		if c.Long == pieces.Neither {
			p.add(ends(c.x, y, "square", cardHigh, false))
			continue
		}
		p.add(ends(c.x, y, fmt.Sprintf("%.1f°", c.Dial), figHigh, true), ends(c.x, y+4, fmt.Sprintf("(%.1f°)", c.FromEdge()), smallHigh, false))
	}
	for i, w := range which {
		p.add(say(colPieces, y+float64(i)*step, w, figHigh, false))
	}
	last := y + float64(len(which)-1)*step
	for _, r := range remarks {
		last += bodyHigh * lineStep
		p.add(say(colPieces, last, r, bodyHigh, false))
	}
	p.y = max(last, y+4) + 2
	p.rule(scene.W18)
}

// Columns of the pieces that are fitted, where they begin, mm.
const (
	colPiece  = margin
	colExpect = margin + 20
	colOwnLow = margin + 72
	colOwnUp  = margin + 98
	colFinal  = margin + 124
)

// finals are a row a piece with room to write what it was trimmed to.
func (t *Set) finals(p *paper) {
	head := func() {
		p.y += 5.5
		p.add(say(colPiece, p.y, "piece", bodyHigh, true), say(colExpect, p.y, "expect, mm", bodyHigh, true), say(colOwnLow, p.y, "low", bodyHigh, true),
			say(colOwnUp, p.y, "high", bodyHigh, true), say(colFinal, p.y, "final, mm", bodyHigh, true))
		p.y += 1.4
	}
	p.need(26)
	head()
	for _, f := range t.Pieces {
		if p.need(10) {
			head()
		}
		y := p.y + 7
		p.add(say(colPiece, y, f.ID, figHigh, true), say(colExpect, y, f.Expect(), figHigh, false),
			say(colOwnLow, y, f.Own(0), figHigh, false), say(colOwnUp, y, f.Own(1), figHigh, false),
			scene.Line{A: scene.Point{X: colFinal, Y: y + 0.5}, B: scene.Point{X: colFinal + 32, Y: y + 0.5}, Pen: scene.Pen{Weight: scene.W25}})
		if f.Access {
			p.add(within(ends(edge, y, "glue one end", smallHigh, true), 28))
		}
		p.y = y + 2
		p.rule(scene.W18)
	}
}

// sketch draws a piece as it lies on the saw, its low end to the left, not to
// scale: its two edges, how its ends are cut, and where the stop holds it. A
// fillet lies as it will lie, a spindle with its head to the right.
func (t *Set) sketch(p *paper, hand string) {
	const (
		from, to = margin + 46.0, margin + 140.0
		high     = 9.0
		most     = 12.0 // that a bevel may reach
	)
	p.need(28)
	g := &t.Settings[0]
	top, low := g.Edges[0].Side, g.Edges[1].Side
	if t.Kind == pieces.BaseFillet { // its open face is above
		top, low = low, top
	}
	// at is where an edge ends: half of what the bevel takes to either side of the
	// middle of the cut.
	at := func(side pieces.Side, end int) float64 {
		x, c, out := from, g.Low, -1.0
		if end == 1 {
			x, c, out = to, g.High, 1
		}
		reach := math.Min(high*math.Tan(c.Dial*math.Pi/180), most) / 2
		switch c.Long {
		case pieces.Neither:
			return x
		case side:
			return x + out*reach
		}
		return x - out*reach
	}
	// The stop's length is told beyond the edge that it counts along.
	y, along, way, other := p.y+10.5, 0.0, -1.0, low
	if g.Side == low {
		y, along, way, other = p.y+6.5, high, 1, top
	}
	along += y
	pt := func(x, y float64) scene.Point { return scene.Point{X: x, Y: y} }
	thin, thick := scene.Pen{Weight: scene.W18}, scene.Pen{Weight: scene.W50}
	p.add(
		scene.Poly{Points: []scene.Point{pt(at(top, 0), y), pt(at(top, 1), y), pt(at(low, 1), y+high), pt(at(low, 0), y+high)}, Closed: true, Pen: thick, Fill: scene.Pale},
		say(margin, y+high/2, "LOW END", cardHigh, true), say(margin, y+high/2+4.5, "to the lower post", bodyHigh, false),
		ends(edge, y+high/2, "HIGH END", cardHigh, true), ends(edge, y+high/2+4.5, "to the upper post", bodyHigh, false),
		amid((from+to)/2, y+high/2+cardHigh/2, hand, cardHigh, false),
	)
	free := y - 1.5
	if other == low {
		free = y + high + 1.5 + bodyHigh
	}
	p.add(amid((from+to)/2, free, other.String(), bodyHigh, false))
	x0, x1, dim := at(g.Side, 0), at(g.Side, 1), along+way*2.5
	p.add(scene.Box(pt(x0-3, along-2.5), 3, 5, thin, scene.Black),
		scene.Line{A: pt(x0, along), B: pt(x0, dim+way*1.2), Pen: thin}, scene.Line{A: pt(x1, along+way*0.6), B: pt(x1, dim+way*1.2), Pen: thin},
		scene.Line{A: pt(x0, dim), B: pt(x1, dim), Pen: thin})
	arrow := func(x, in float64) scene.Poly {
		return scene.Poly{Points: []scene.Point{pt(x+in, dim-0.7), pt(x, dim), pt(x+in, dim+0.7)}, Pen: thin}
	}
	p.add(arrow(x0, 2), arrow(x1, -2))
	told := dim - 1.2
	if way > 0 {
		told = dim + 1.2 + bodyHigh
	}
	p.add(amid((x0+x1)/2, told, "STOP, along the "+g.Side.String(), bodyHigh, true))
	p.y = y + high + 7
}
