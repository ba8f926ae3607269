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

// density is how closely a sheet is printed.
type density struct {
	sketches  int     // how many kinds of piece are drawn as they lie on the saw
	cardApart bool    // the card has a page of its own
	parted    bool    // a kind of piece may go on over the page
	step      float64 // height of the card's lettering, mm
}

// densities are tried in turn until a bay has no more than mostPages: one sheet of
// paper, printed on both sides, goes from the saw to the stair.
var densities = []density{
	{3, true, false, paper.CardHigh}, {3, false, false, paper.BodyHigh}, {3, false, true, paper.BodyHigh}, {1, false, true, paper.BodyHigh}, {0, false, true, paper.BodyHigh}, {0, false, true, paper.SmallHigh},
}

const mostPages = 2

// Pages are the sheet and its fitting card, on A4 or letter paper.
func (s *Sheet) Pages() []scene.Page {
	var pages []scene.Page
	for _, d := range densities {
		if pages = s.pages(d); len(pages) <= mostPages {
			break
		}
	}
	return pages
}

func (s *Sheet) pages(d density) []scene.Page {
	p := paper.New(scene.PaperFor(s.Rule.Inches))
	s.begins(p, "cutting sheet")
	p.Turn()
	s.heading(p)
	for _, b := range s.Banners() {
		banner(p, b)
	}
	for _, n := range s.How() {
		p.Para(paper.Margin, n, paper.BodyHigh, false)
	}
	for i := range s.Sets {
		most := p.Full()
		if d.parted {
			most = 0
		}
		p.Together(most, func(p *paper.Paper) { s.Sets[i].print(p, i < d.sketches) })
	}
	p.Y += 2
	for _, f := range s.Facts() {
		p.Need(2 * paper.BodyHigh * paper.LineStep)
		p.Y += 0.8
		p.Add(paper.Say(paper.Margin, p.Y+paper.BodyHigh*paper.LineStep, f[0], paper.BodyHigh, true))
		p.Para(paper.Margin+labelWide, f[1], paper.BodyHigh, false)
	}
	s.printCard(p, d)
	p.Need(4 * paper.BodyHigh * paper.LineStep)
	p.Y += 3
	p.Para(paper.Margin, s.Caution, paper.BodyHigh, true)
	p.Number()
	return p.Pages
}

// printCard writes the fitting card, on a page of its own or below the cuts.
func (s *Sheet) printCard(p *paper.Paper, d density) {
	card := s.Card()
	if len(card) == 0 {
		return
	}
	s.begins(p, "fitting card")
	if d.cardApart {
		p.Turn()
	} else {
		p.Need(40)
		p.Y += 9
		p.Add(paper.Say(paper.Margin, p.Y, "FITTING CARD", paper.HeadLine, true))
		p.Y += 1.8
		p.Rule(scene.W35)
	}
	if w := s.trial(); w != "" {
		banner(p, w)
	}
	p.Para(paper.Margin, CardSource, paper.BodyHigh, false)
	for _, part := range card {
		p.Need(4 * d.step * paper.LineStep)
		p.Y += d.step
		p.Para(paper.Margin, part.Title, d.step+0.4, true)
		for i, step := range part.Steps {
			p.Need(2 * d.step * paper.LineStep)
			p.Y += d.step / 4
			p.Add(paper.Say(paper.Margin, p.Y+d.step*paper.LineStep, fmt.Sprint(i+1), d.step, true))
			p.Para(paper.Margin+8, step, d.step, false)
		}
	}
}

// begins says what stands at the head and at the foot of the pages that are turned
// to from here on: job, bay and code stand on every page.
func (s *Sheet) begins(p *paper.Paper, what string) {
	title := lines.Clean(fmt.Sprintf("%s, %s", s.Job, s.Bay))
	about := lines.Clean(fmt.Sprintf("%s, printed %s", what, s.AsOf()))
	p.Title = fmt.Sprintf("%s: %s %s", title, what, s.Code)
	p.Head = func(page *scene.Page) {
		p.Coded(page, title, about, s.Code)
		p.Foot(page, fmt.Sprintf("%s, %s, %s; the caution is at its end", s.Code, s.Bay, what))
	}
}

// labelWide is the column of the words before a fact, mm.
const labelWide = 22

// heading writes what a workshop asks for, and beside it a box for who cuts.
func (s *Sheet) heading(p *paper.Paper) {
	const (
		boxWide, boxHigh = 58.0, 17.0
		step             = paper.BodyHigh * paper.LineStep
	)
	top := p.Y + 1
	for _, f := range s.Heading() {
		if f[0] == "printed" || f[0] == "cut by" { // in the head of the page, and in the box
			continue
		}
		text := scene.Wrap(lines.Clean(f[1]), paper.BodyHigh, false, paper.TextWide-labelWide-boxWide-4)
		p.Y += 0.4
		p.Add(paper.Say(paper.Margin, p.Y+step, f[0], paper.BodyHigh, true))
		for _, l := range text[:min(len(text), 3)] {
			p.Y += step
			p.Add(paper.Say(paper.Margin+labelWide, p.Y, l, paper.BodyHigh, false))
		}
	}
	x := paper.Edge - boxWide
	pen := scene.Pen{Weight: scene.W35}
	p.Add(scene.Box(scene.Point{X: x, Y: top}, boxWide, boxHigh, pen, scene.Clear),
		scene.Line{A: scene.Point{X: x, Y: top + boxHigh/2}, B: scene.Point{X: paper.Edge, Y: top + boxHigh/2}, Pen: pen},
		paper.Say(x+2, top+boxHigh/4+1, "cut by", paper.BodyHigh, true), paper.Say(x+2, top+3*boxHigh/4+1, "date", paper.BodyHigh, true))
	p.Y = max(p.Y, top+boxHigh) + 1.5
}

// banner is text that nobody overlooks.
func banner(p *paper.Paper, text string) {
	const high = 3.6
	lines := scene.Wrap(lines.Clean(text), high, true, paper.TextWide-8)
	tall := float64(len(lines))*high*paper.LineStep + 3
	p.Need(tall + 3)
	p.Y += 2
	p.Add(scene.Box(scene.Point{X: paper.Margin, Y: p.Y}, paper.TextWide, tall, scene.Pen{Weight: scene.W70}, scene.Pale))
	for i, l := range lines {
		p.Add(paper.Say(paper.Margin+4, p.Y+float64(i+1)*high*paper.LineStep, l, high, true))
	}
	p.Y += tall + 1
}

// print writes one kind of piece.
func (t *Set) print(p *paper.Paper, sketched bool) {
	p.Need(45) // its head and the first setting
	p.Y += 9
	title := paper.Say(paper.Margin, p.Y, t.title(), paper.HeadLine, true)
	way := paper.Within(paper.Ends(paper.Edge, p.Y, t.Way(), paper.FigHigh, true), 80)
	x := paper.Margin + title.Width() + 5
	p.Add(title, way, paper.Within(paper.Say(x, p.Y, lines.Clean(t.Count()), 3.4, false), paper.Edge-way.Width()-4-x))
	p.Y += 1.8
	p.Rule(scene.W35)
	if !t.Final() {
		banner(p, t.NotYet())
		return
	}
	if t.WalkFirst {
		banner(p, t.Chance())
	} else {
		p.Para(paper.Margin, t.Chance(), paper.BodyHigh, false)
	}
	if t.Worth != "" {
		p.Para(paper.Margin, "Worth reading first: "+t.Worth+".", paper.BodyHigh, true)
	}
	if lie, hand := t.alike(); lie != "" && sketched {
		t.sketch(p, hand)
	} else if c := t.Common(); c != "" {
		p.Para(paper.Margin, c, paper.BodyHigh, true)
	}
	if t.oneEach() {
		t.grid(p)
	} else {
		t.columns(p)
		for i := range t.Settings {
			t.row(p, &t.Settings[i])
		}
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
	colCount  = paper.Margin + 66
	colStop   = paper.Margin + 99
	colTip    = paper.Margin + 127
	colLow    = paper.Margin + 155
	colHigh   = paper.Edge
)

// columns writes the head of the table.
func (t *Set) columns(p *paper.Paper) {
	p.Need(22)
	p.Y += 5
	end := EndNames(t.Kind)
	p.Add(paper.Say(paper.Margin, p.Y, "set", paper.BodyHigh, true), paper.Say(colPieces, p.Y, "pieces", paper.BodyHigh, true))
	for _, c := range []struct {
		x float64
		s string
	}{{colCount, "cut"}, {colStop, "STOP, " + t.rule.Unit()}, {colTip, "tip to tip"}, {colLow, end[0]}, {colHigh, end[1]}} {
		p.Add(paper.Within(paper.Ends(c.x, p.Y, c.s, paper.BodyHigh, true), 27))
	}
	p.Y += 1.4
	p.Rule(scene.W18)
}

// row writes one setting: its figures, and below them what else is to be known.
func (t *Set) row(p *paper.Paper, g *Setting) {
	const (
		first = 7.0 // from the rule above to the baseline
		step  = paper.FigHigh * 1.6
	)
	which := scene.Wrap(t.Names(g.Pieces), paper.FigHigh, false, colCount-16-colPieces)
	remarks := scene.Wrap(lines.Clean(t.Remark(g)), paper.BodyHigh, false, colTip-colPieces)
	if t.Remark(g) == "" {
		remarks = nil
	}
	high := first + float64(len(which)-1)*step + float64(len(remarks))*paper.BodyHigh*paper.LineStep + 2
	if p.Need(max(high, first+6)) {
		t.columns(p)
	}
	y := p.Y + first
	p.Add(paper.Say(paper.Margin, y, g.Name, paper.StopHigh, true), paper.Ends(colCount, y, g.Count(), paper.FigHigh, false),
		paper.Within(paper.Ends(colStop, y, t.StopText(g), paper.StopHigh, true), colStop-colCount-3), paper.Within(paper.Ends(colTip, y, t.TipText(g), paper.FigHigh, false), colTip-colStop-2))
	for _, c := range []struct {
		x float64
		Cut
	}{{colLow, g.Low}, {colHigh, g.High}} {
		if c.Long == pieces.Neither {
			p.Add(paper.Ends(c.x, y, "square", paper.CardHigh, false))
			continue
		}
		dial := paper.Ends(c.x, y, fmt.Sprintf("%.1f°", c.Dial), paper.FigHigh, true)
		p.Add(dial, paper.Ends(c.x, y+3.6, fmt.Sprintf("(%.1f°)", c.FromEdge()), paper.SmallHigh, false))
	}
	for i, w := range which {
		p.Add(paper.Say(colPieces, y+float64(i)*step, w, paper.FigHigh, false))
	}
	last := y + float64(len(which)-1)*step
	for _, r := range remarks {
		last += paper.BodyHigh * paper.LineStep
		p.Add(paper.Say(colPieces, last, r, paper.BodyHigh, false))
	}
	p.Y = max(last, y+3.6) + 1.6
	p.Rule(scene.W18)
}

// oneEach tells whether each setting makes one piece, and nothing but the stop
// differs between them: then they stand in a grid.
func (t *Set) oneEach() bool {
	const many = 5
	for i := range t.Settings {
		g, a := &t.Settings[i], &t.Settings[0]
		if len(g.Pieces) != 1 || t.Remark(g) != "" || g.Low != a.Low || g.High != a.High || g.Side != a.Side {
			return false
		}
	}
	return len(t.Settings) >= many
}

// grid writes the stops of settings that differ in nothing else.
func (t *Set) grid(p *paper.Paper) {
	const (
		across = 4
		wide   = paper.TextWide / across
		high   = 8.4
	)
	a, end := &t.Settings[0], EndNames(t.Kind)
	say := fmt.Sprintf("STOP in %s. %s %s, %s %s.", t.rule.Unit(), lines.Sentence(end[0]), a.Low, end[1], a.High)
	if t.TipText(a) != "" {
		say = fmt.Sprintf("STOP in %s; tip to tip is %s more. %s %s, %s %s.", t.rule.Unit(), t.rule.Length(a.Tip-a.Stop), capital(end[0]), a.Low, end[1], a.High)
	}
	p.Para(paper.Margin, say, paper.CardHigh, true)
	for i := range t.Settings {
		if i%across == 0 {
			p.Need(high)
			p.Y += high
		}
		g, x := &t.Settings[i], paper.Margin+float64(i%across)*wide
		which := t.Names(g.Pieces)
		if g.Spares > 0 {
			which += fmt.Sprintf("+%d", g.Spares)
		}
		p.Add(paper.Say(x, p.Y, g.Name, paper.FigHigh, false), paper.Within(paper.Say(x+7.5, p.Y, which, paper.CardHigh, false), 13),
			paper.Within(paper.Ends(x+wide-4, p.Y, t.StopText(g), paper.FigHigh, true), wide-25))
	}
	p.Y += 2
	p.Rule(scene.W18)
}

// capital begins with one.
func capital(s string) string {
	out := lines.Sentence(s)
	return out[:len(out)-1]
}

// finals are a place for each piece to write what it was trimmed to, two beside each
// other.
func (t *Set) finals(p *paper.Paper) {
	const (
		across = 2
		wide   = paper.TextWide / across
		high   = 8.0
	)
	p.Para(paper.Margin, "Each piece: what to expect, its own bevels, and the length it was trimmed to.", paper.BodyHigh, true)
	for i := range t.Pieces {
		if i%across == 0 {
			p.Need(high)
			p.Y += high
		}
		f, x := &t.Pieces[i], paper.Margin+float64(i%across)*wide
		p.Add(paper.Say(x, p.Y, f.ID, paper.FigHigh, true), paper.Within(paper.Say(x+13, p.Y, t.Expect(f), paper.CardHigh, false), 28),
			paper.Within(paper.Say(x+42, p.Y, f.Own(0)+" "+f.Own(1), paper.BodyHigh, false), 20),
			scene.Line{A: scene.Point{X: x + 63, Y: p.Y + 0.5}, B: scene.Point{X: x + wide - 4, Y: p.Y + 0.5}, Pen: scene.Pen{Weight: scene.W25}})
	}
	p.Y += 2
	p.Rule(scene.W18)
}

// sketch draws a piece as it lies on the saw, not to scale: its two edges, how its
// ends are cut, and where the stop holds it. A fillet lies as it will lie, its
// downhill end to the left; a spindle with its head to the right.
func (t *Set) sketch(p *paper.Paper, hand string) {
	const (
		from, to = paper.Margin + 46.0, paper.Margin + 140.0
		high     = 8.0
		most     = 12.0 // that a bevel may reach
	)
	p.Need(24)
	g, end, toward := &t.Settings[0], EndNames(t.Kind), [2]string{"to the lower post", "to the upper post"}
	if t.Kind == pieces.Spindle {
		toward = [2]string{"on the base rail", "under the handrail"}
	}
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
		paper.Say(paper.Margin, y+high/2, strings.ToUpper(end[0]), paper.CardHigh, true), paper.Say(paper.Margin, y+high/2+4.5, toward[0], paper.BodyHigh, false),
		paper.Ends(paper.Edge, y+high/2, strings.ToUpper(end[1]), paper.CardHigh, true), paper.Ends(paper.Edge, y+high/2+4.5, toward[1], paper.BodyHigh, false),
		paper.Within(paper.Amid((from+to)/2, y+high/2+paper.CardHigh/2, hand, paper.CardHigh, false), to-from-2*most),
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
	p.Y = y + high + 5.5
	if way > 0 { // the words of the stop stand below the piece
		p.Y += 2.5
	}
}
