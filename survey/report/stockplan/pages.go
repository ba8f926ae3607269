package stockplan

import (
	"fmt"
	"strings"

	"pinchrod/survey/report"
	"pinchrod/survey/report/lines"
	"pinchrod/survey/report/paper"
	"pinchrod/survey/report/scene"
)

// Pages draws the plan on A4 or letter paper: what to buy, then each bar with its cuts.
func (p *Plan) Pages() []scene.Page {
	l := paper.New(scene.PaperFor(p.Rule.Inches))
	p.begins(l)
	if !p.Complete() {
		var left []string
		for _, x := range p.Left {
			left = append(left, x.String()+".")
		}
		banner(l, "NOT ON THIS PLAN", left)
	}
	if why := p.Nothing(); why != "" {
		banner(l, strings.ToUpper(why), nil)
	} else {
		l.Y += 1.5
		for _, h := range append(p.How(), AsDrawn) {
			l.Para(paper.Margin, h, paper.BodyHigh, false)
		}
	}
	for i := range p.Sections {
		l.Together(l.Full()/2, p.Sections[i].print)
	}
	if len(p.Sections) > 1 {
		l.Y += 2
		l.Para(paper.Margin, "All: "+p.Result()+".", 3, true)
	}
	l.Y += 2
	for _, f := range p.facts() {
		l.Need(2 * paper.BodyHigh * paper.LineStep)
		l.Y += 0.8
		l.Add(paper.Say(paper.Margin, l.Y+paper.BodyHigh*paper.LineStep, f[0], paper.BodyHigh, true))
		l.Para(paper.Margin+22, f[1], paper.BodyHigh, false)
	}
	l.Need(4 * paper.BodyHigh * paper.LineStep)
	l.Y++
	l.Para(paper.Margin, p.Caution, paper.BodyHigh, true)
	for i := range p.Groups {
		l.Together(l.Full()/2, func(l *paper.Paper) { p.print(l, p.Groups[i]) })
	}
	l.Number()
	return l.Pages
}

// begins turns to the first page; job and code stand on every page.
func (p *Plan) begins(l *paper.Paper) {
	title := lines.Clean(p.Job)
	about := lines.Clean("stock plan, " + p.AsOf())
	foot := "stock plan " + p.Name()
	if len(p.Sheets) > 0 {
		foot += ", of sheets " + p.sheets()
	}
	l.Title = fmt.Sprintf("%s: stock plan %s", title, p.Name())
	l.Head = func(page *scene.Page) {
		l.Coded(page, title, about, p.Code)
		l.Foot(page, foot)
	}
	l.Turn()
}

// print writes what is bought of a section.
func (s *Section) print(l *paper.Paper) {
	l.Y += 9
	l.Add(paper.Say(paper.Margin, l.Y, lines.Clean(s.Name), paper.HeadLine, true), paper.Ends(paper.Edge, l.Y, report.Count(s.Pieces, "piece"), paper.FigHigh, false))
	l.Y += 1.8
	l.Rule(scene.W35)
	for _, b := range s.Buy {
		l.Y += 7.5
		l.Add(paper.Say(paper.Margin, l.Y, b.From(), 3.4, false), paper.Within(paper.Say(paper.Margin+30, l.Y, lines.Clean(b.String()), paper.FigHigh, true), paper.TextWide-30))
	}
	l.Y++
	l.Para(paper.Margin, s.Result()+".", paper.BodyHigh, false)
}

// Columns of a bar's cuts, mm: where their figures end, and where words begin.
const (
	colPieces = paper.Margin + 20
	colStop   = paper.Margin + 99
	colSide   = paper.Margin + 101
	colLow    = paper.Margin + 139
	colHigh   = paper.Margin + 155
	colFrom   = paper.Margin + 171
	colTo     = paper.Edge
)

// print writes bars that are cut alike: the picture of one, and its cuts.
func (p *Plan) print(l *paper.Paper, g Group) {
	b := &p.Bars[g.Bars[0]]
	l.Need(45) // its head, its picture and two rows
	l.Y += 11
	rest := paper.Ends(paper.Edge, l.Y, b.Left(), paper.HeadLine, b.Keep > 0)
	numbers := paper.Say(paper.Margin, l.Y, p.Numbers(g), paper.HeadLine, true)
	x := paper.Margin + numbers.Width() + 5
	l.Add(numbers, paper.Within(paper.Say(x, l.Y, lines.Clean(p.Stuff(g)), paper.FigHigh, false), paper.Edge-rest.Width()-4-x), rest)
	l.Y += 2
	l.Add(p.picture(b, scene.Point{X: paper.Margin, Y: l.Y}, len(g.Bars) == 1)...)
	l.Y += barHigh
	p.columns(l, g)
	for _, r := range g.Runs {
		p.row(l, g, r)
	}
}

// columns writes the head of a table of cuts.
func (p *Plan) columns(l *paper.Paper, g Group) {
	l.Y += 4.6
	first, second := p.ends(g)
	l.Add(paper.Say(paper.Margin, l.Y, "cut", paper.BodyHigh, true), paper.Say(colPieces, l.Y, "pieces", paper.BodyHigh, true))
	for _, c := range []struct {
		x float64
		s string
	}{{colStop, "STOP"}, {colLow, first}, {colHigh, second}, {colFrom, "from"}, {colTo, "to"}} {
		l.Add(paper.Ends(c.x, l.Y, c.s, paper.BodyHigh, true))
	}
	l.Y++
	l.Rule(scene.W18)
}

// row writes a run of cuts.
func (p *Plan) row(l *paper.Paper, g Group, r Run) {
	const (
		first = 7.0 // from the rule above to the baseline
		step  = paper.FigHigh * 1.5
	)
	b := &p.Bars[g.Bars[0]]
	from, to := &b.Cuts[r.From], &b.Cuts[r.To-1]
	which := scene.Wrap(lines.Clean(p.Makes(g, r)), nameHigh, false, colStop-21-colPieces)
	remark := p.Remark(g, r)
	high := first + float64(len(which)-1)*step + 2
	if remark != "" {
		high += paper.BodyHigh * paper.LineStep
	}
	if l.Need(high) {
		l.Y += 7.5
		l.Add(paper.Say(paper.Margin, l.Y, p.Numbers(g)+", continued", paper.FigHigh, true))
		p.columns(l, g)
	}
	y := l.Y + first
	l.Add(paper.Within(paper.Say(paper.Margin, y, r.Numbers(), paper.FigHigh, true), colPieces-paper.Margin-2), paper.Ends(colStop, y, from.Stop, paper.StopHigh, true),
		paper.Say(colSide, y-3.4, from.Side.String(), paper.BodyHigh, false), paper.Say(colSide, y+0.2, "set "+from.Setting, paper.BodyHigh, false),
		paper.Within(paper.Ends(colLow, y, from.Low.Degrees(), paper.FigHigh, false), colLow-colSide-23), paper.Within(paper.Ends(colHigh, y, from.High.Degrees(), paper.FigHigh, false), colHigh-colLow-2),
		paper.Ends(colFrom, y, p.Rule.Length(from.From), 3, false), paper.Ends(colTo, y, p.Rule.Length(to.To), 3, false))
	for i, w := range which {
		l.Add(paper.Say(colPieces, y+float64(i)*step, w, nameHigh, false))
	}
	l.Y = y + float64(len(which)-1)*step
	if remark != "" {
		l.Y += paper.BodyHigh * paper.LineStep
		l.Add(paper.Say(colPieces, l.Y, remark, paper.BodyHigh, false))
	}
	l.Y += 2
	l.Rule(scene.W18)
}

// banner is text that nobody overlooks, its first line the loudest.
func banner(p *paper.Paper, title string, text []string) {
	const high = 3.4
	var rows []string
	for _, t := range text {
		rows = append(rows, scene.Wrap(lines.Clean(t), high, false, paper.TextWide-8)...)
	}
	step := high * paper.LineStep
	for first := true; first || len(rows) > 0; first = false {
		if p.Need(12 + 2*step); !first {
			title += " (continued)"
		}
		p.Y += 4
		n := max(1, min(len(rows), int((p.Bottom()-p.Y-11)/step)))
		if p.Endless() || len(rows) == 0 {
			n = len(rows)
		}
		tall := 9 + float64(n)*step
		p.Add(scene.Box(scene.Point{X: paper.Margin, Y: p.Y}, paper.TextWide, tall, scene.Pen{Weight: scene.W70}, scene.Pale), paper.Say(paper.Margin+4, p.Y+7, title, paper.FigHigh, true))
		for i, l := range rows[:n] {
			p.Add(paper.Say(paper.Margin+4, p.Y+7+float64(i+1)*step, l, high, false))
		}
		p.Y += tall
		rows = rows[n:]
	}
}
