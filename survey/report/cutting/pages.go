package cutting

import (
	"fmt"
	"math"
	"strings"

	"pinchrod/calc/fit"
	"pinchrod/calc/pieces"
	"pinchrod/survey/report/lines"
	"pinchrod/survey/report/paper"
	"pinchrod/survey/report/scene"
)

// Pages are the sheet and its fitting card on A4.
func (s *Sheet) Pages() []scene.Page {
	p := &paper.Paper{}
	s.begins(p, "cutting sheet")
	for _, n := range s.How() {
		p.Para(paper.Margin, n, paper.BodyHigh, false)
	}
	for _, b := range s.Banners() {
		banner(p, b)
	}
	for i := range s.Sets {
		p.Together(paper.Full, s.Sets[i].print)
	}
	p.Y += 2
	for _, f := range s.Facts() {
		p.Need(2 * paper.BodyHigh * paper.LineStep)
		p.Y += 0.8
		p.Add(paper.Say(paper.Margin, p.Y+paper.BodyHigh*paper.LineStep, f[0], paper.BodyHigh, true))
		p.Para(paper.Margin+22, f[1], paper.BodyHigh, false)
	}
	s.cautions(p)
	if card := s.Card(); len(card) > 0 {
		s.begins(p, "fitting card")
		p.Para(paper.Margin, CardSource, paper.BodyHigh, false)
		if w := s.printedWith(); w != "" {
			banner(p, w)
		}
		for _, part := range card {
			p.Need(4 * paper.CardHigh * paper.LineStep)
			p.Y += 4
			p.Para(paper.Margin, part.Title, 3.4, true)
			for i, step := range part.Steps {
				p.Need(2 * paper.CardHigh * paper.LineStep)
				p.Y++
				p.Add(paper.Say(paper.Margin, p.Y+paper.CardHigh*paper.LineStep, fmt.Sprint(i+1), paper.CardHigh, true))
				p.Para(paper.Margin+8, step, paper.CardHigh, false)
			}
		}
		s.cautions(p)
	}
	for i := range p.Pages {
		p.Pages[i].Add(paper.Ends(paper.Edge, scene.A4Long-paper.Margin, fmt.Sprintf("page %d of %d", i+1, len(p.Pages)), paper.BodyHigh, true))
	}
	return p.Pages
}

// begins turns to a page of the sheet or of the card; job, bay and code stand on
// every page.
func (s *Sheet) begins(p *paper.Paper, what string) {
	title := lines.Clean(fmt.Sprintf("%s, %s", s.Job, s.Bay))
	about := lines.Clean(fmt.Sprintf("%s, %s", what, s.AsOf()))
	foot := fmt.Sprintf("%s, %s, %s; the caution is at its end", s.Code, s.Bay, what)
	p.Title = fmt.Sprintf("%s: %s %s", title, what, s.Code)
	p.Head = func(page *scene.Page) {
		const codeHigh = 8
		code := paper.Ends(paper.Edge, paper.Margin+codeHigh, s.Code, codeHigh, true)
		page.Add(
			paper.Within(paper.Say(paper.Margin, paper.Margin+6, title, paper.HeadLine, true), paper.TextWide-code.Width()-6), code,
			paper.Within(paper.Say(paper.Margin, paper.Margin+12, about, paper.BodyHigh, false), paper.TextWide), paper.Across(paper.Margin+paper.HeadHigh-0.5, scene.W50),
			paper.Across(scene.A4Long-paper.Margin-5, scene.W18), paper.Within(paper.Say(paper.Margin, scene.A4Long-paper.Margin, foot, paper.BodyHigh, false), paper.TextWide-30),
		)
	}
	p.Turn()
}

func (s *Sheet) cautions(p *paper.Paper) {
	p.Need(4 * paper.BodyHigh * paper.LineStep)
	p.Y += 3.5
	p.Para(paper.Margin, s.Caution, paper.BodyHigh, true)
}

// banner is text that nobody overlooks.
func banner(p *paper.Paper, text string) {
	const high = 4.0
	lines := scene.Wrap(lines.Clean(text), high, true, paper.TextWide-8)
	tall := float64(len(lines))*high*paper.LineStep + 4
	p.Need(tall + 4)
	p.Y += 4
	p.Add(scene.Box(scene.Point{X: paper.Margin, Y: p.Y}, paper.TextWide, tall, scene.Pen{Weight: scene.W70}, scene.Pale))
	for i, l := range lines {
		p.Add(paper.Say(paper.Margin+4, p.Y+float64(i+1)*high*paper.LineStep, l, high, true))
	}
	p.Y += tall
}

// print writes one kind of piece.
func (t *Set) print(p *paper.Paper) {
	p.Need(70) // its head, the sketch and the first setting
	p.Y += 11
	p.Add(paper.Say(paper.Margin, p.Y, t.title(), paper.HeadLine, true), paper.Ends(paper.Edge, p.Y, strings.ToUpper(string(t.Cut)), paper.HeadLine, true),
		paper.Within(paper.Say(paper.Margin+62, p.Y, lines.Clean(t.Count()), 3.4, false), 66))
	p.Y += 1.8
	p.Rule(scene.W35)
	if !t.Final() {
		banner(p, "NOT TO BE CUT YET. Read first:")
		p.Y++
		for i, m := range t.First() {
			p.Para(paper.Margin+4, fmt.Sprintf("%d. %s", i+1, m), paper.CardHigh, false)
		}
		p.Para(paper.Margin, lines.Sentence(t.Why), paper.BodyHigh, false)
		return
	}
	p.Para(paper.Margin, lines.Sentence(t.Why)+" "+t.Chance(), paper.BodyHigh, false)
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
		p.Para(paper.Margin, "Note: "+n, paper.BodyHigh, true)
	}
}

// Columns of the table of settings, mm: where their figures end, and where the
// pieces begin.
const (
	colPieces = paper.Margin + 11
	colCount  = paper.Margin + 64
	colStop   = paper.Margin + 91
	colBlank  = paper.Margin + 107
	colFirst  = paper.Margin + 128
	colSecond = paper.Margin + 149
	colLow    = paper.Margin + 167.5
	colHigh   = paper.Edge
)

// columns writes the head of the table.
func (t *Set) columns(p *paper.Paper) {
	p.Need(25)
	p.Y += 5.5
	edges := edgeNames(t.Kind)
	p.Add(paper.Say(paper.Margin, p.Y, "set", paper.BodyHigh, true), paper.Say(colPieces, p.Y, "pieces", paper.BodyHigh, true))
	for _, c := range []struct {
		x float64
		s string
	}{{colCount, "cut"}, {colStop, "STOP"}, {colBlank, "blank"}, {colFirst, edges[0]}, {colSecond, edges[1]}, {colLow, "low"}, {colHigh, "high"}} {
		p.Add(paper.Within(paper.Ends(c.x, p.Y, c.s, paper.BodyHigh, true), 20))
	}
	p.Y += 1.4
	p.Rule(scene.W18)
}

// row writes one setting: its figures, and below them what else is to be known.
func (t *Set) row(p *paper.Paper, g *Setting) {
	const (
		first = 7.2 // from the rule above to the baseline
		step  = paper.FigHigh * 1.6
	)
	which := scene.Wrap(t.Names(g.Pieces), paper.FigHigh, false, colCount-16-colPieces)
	remarks := scene.Wrap(lines.Clean(t.Remark(g)), paper.BodyHigh, false, paper.TextWide-11-40)
	high := first + float64(len(which)-1)*step + float64(len(remarks))*paper.BodyHigh*paper.LineStep + 2
	if p.Need(max(high, first+6)) {
		t.columns(p)
	}
	y := p.Y + first
	p.Add(paper.Say(paper.Margin, y, g.Name, paper.StopHigh, true), paper.Ends(colCount, y, g.Count(), paper.FigHigh, false), paper.Ends(colStop, y, t.StopText(g), paper.StopHigh, true),
		paper.Ends(colBlank, y, fmt.Sprintf("%.0f", g.Blank), paper.FigHigh, false))
	for i, x := range []float64{colFirst, colSecond} {
		p.Add(paper.Ends(x, y, fmt.Sprintf("%.1f", g.Edges[i].Length), paper.FigHigh, false))
	}
	for _, c := range []struct {
		x float64
		Cut
	}{{colLow, g.Low}, {colHigh, g.High}} {
		if c.Long == pieces.Neither {
			p.Add(paper.Ends(c.x, y, "square", paper.CardHigh, false))
			continue
		}
		p.Add(paper.Ends(c.x, y, fmt.Sprintf("%.1f°", c.Dial), paper.FigHigh, true), paper.Ends(c.x, y+4, fmt.Sprintf("(%.1f°)", c.FromEdge()), paper.SmallHigh, false))
	}
	for i, w := range which {
		p.Add(paper.Say(colPieces, y+float64(i)*step, w, paper.FigHigh, false))
	}
	last := y + float64(len(which)-1)*step
	for _, r := range remarks {
		last += paper.BodyHigh * paper.LineStep
		p.Add(paper.Say(colPieces, last, r, paper.BodyHigh, false))
	}
	p.Y = max(last, y+4) + 2
	p.Rule(scene.W18)
}

// Columns of the pieces that are fitted, where they begin, mm.
const (
	colPiece  = paper.Margin
	colExpect = paper.Margin + 20
	colOwnLow = paper.Margin + 72
	colOwnUp  = paper.Margin + 98
	colFinal  = paper.Margin + 124
)

// finals are a row a piece with room to write what it was trimmed to.
func (t *Set) finals(p *paper.Paper) {
	head := func() {
		p.Y += 5.5
		p.Add(paper.Say(colPiece, p.Y, "piece", paper.BodyHigh, true), paper.Say(colExpect, p.Y, "expect, mm", paper.BodyHigh, true), paper.Say(colOwnLow, p.Y, "low", paper.BodyHigh, true),
			paper.Say(colOwnUp, p.Y, "high", paper.BodyHigh, true), paper.Say(colFinal, p.Y, "final, mm", paper.BodyHigh, true))
		p.Y += 1.4
	}
	p.Need(26)
	head()
	for _, f := range t.Pieces {
		if p.Need(10) {
			head()
		}
		y := p.Y + 7
		p.Add(paper.Say(colPiece, y, f.ID, paper.FigHigh, true), paper.Say(colExpect, y, f.Expect(), paper.FigHigh, false),
			paper.Say(colOwnLow, y, f.Own(0), paper.FigHigh, false), paper.Say(colOwnUp, y, f.Own(1), paper.FigHigh, false),
			scene.Line{A: scene.Point{X: colFinal, Y: y + 0.5}, B: scene.Point{X: colFinal + 32, Y: y + 0.5}, Pen: scene.Pen{Weight: scene.W25}})
		if f.Access {
			p.Add(paper.Within(paper.Ends(paper.Edge, y, "glue one end", paper.SmallHigh, true), 28))
		}
		p.Y = y + 2
		p.Rule(scene.W18)
	}
}

// sketch draws a piece as it lies on the saw, its low end to the left, not to
// scale: its two edges, how its ends are cut, and where the stop holds it. A
// fillet lies as it will lie, a spindle with its head to the right.
func (t *Set) sketch(p *paper.Paper, hand string) {
	const (
		from, to = paper.Margin + 46.0, paper.Margin + 140.0
		high     = 9.0
		most     = 12.0 // that a bevel may reach
	)
	p.Need(28)
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
	y, along, way, other := p.Y+10.5, 0.0, -1.0, low
	if g.Side == low {
		y, along, way, other = p.Y+6.5, high, 1, top
	}
	along += y
	pt := func(x, y float64) scene.Point { return scene.Point{X: x, Y: y} }
	thin, thick := scene.Pen{Weight: scene.W18}, scene.Pen{Weight: scene.W50}
	p.Add(
		scene.Poly{Points: []scene.Point{pt(at(top, 0), y), pt(at(top, 1), y), pt(at(low, 1), y+high), pt(at(low, 0), y+high)}, Closed: true, Pen: thick, Fill: scene.Pale},
		paper.Say(paper.Margin, y+high/2, "LOW END", paper.CardHigh, true), paper.Say(paper.Margin, y+high/2+4.5, "to the lower post", paper.BodyHigh, false),
		paper.Ends(paper.Edge, y+high/2, "HIGH END", paper.CardHigh, true), paper.Ends(paper.Edge, y+high/2+4.5, "to the upper post", paper.BodyHigh, false),
		paper.Amid((from+to)/2, y+high/2+paper.CardHigh/2, hand, paper.CardHigh, false),
	)
	free := y - 1.5
	if other == low {
		free = y + high + 1.5 + paper.BodyHigh
	}
	p.Add(paper.Amid((from+to)/2, free, other.String(), paper.BodyHigh, false))
	x0, x1, dim := at(g.Side, 0), at(g.Side, 1), along+way*2.5
	p.Add(scene.Box(pt(x0-3, along-2.5), 3, 5, thin, scene.Black),
		scene.Line{A: pt(x0, along), B: pt(x0, dim+way*1.2), Pen: thin}, scene.Line{A: pt(x1, along+way*0.6), B: pt(x1, dim+way*1.2), Pen: thin},
		scene.Line{A: pt(x0, dim), B: pt(x1, dim), Pen: thin})
	arrow := func(x, in float64) scene.Poly {
		return scene.Poly{Points: []scene.Point{pt(x+in, dim-0.7), pt(x, dim), pt(x+in, dim+0.7)}, Pen: thin}
	}
	p.Add(arrow(x0, 2), arrow(x1, -2))
	told := dim - 1.2
	if way > 0 {
		told = dim + 1.2 + paper.BodyHigh
	}
	p.Add(paper.Amid((x0+x1)/2, told, "STOP, along the "+g.Side.String(), paper.BodyHigh, true))
	p.Y = y + high + 7
}
