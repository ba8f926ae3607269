package stockplan

import (
	"fmt"

	"pinchrod/survey/report"
	"pinchrod/survey/report/lines"
	"pinchrod/survey/report/scene"
)

// Pages draws the plan on A4: what to buy, then each bar with its cuts.
func (p *Plan) Pages() []scene.Page {
	l := &paper{}
	p.begins(l)
	if !p.Complete() {
		var left []string
		for _, x := range p.Left {
			left = append(left, x.String()+".")
		}
		l.banner("NOT ON THIS PLAN", left)
	}
	if len(p.Bars) == 0 {
		l.banner("NOTHING TO CUT", nil)
	} else {
		l.y += 1.5
		for _, h := range append(p.How(), AsDrawn) {
			l.para(margin, h, bodyHigh, false)
		}
	}
	for i := range p.Sections {
		l.together(p.Sections[i].print)
	}
	if len(p.Sections) > 1 {
		l.y += 2
		l.para(margin, "All: "+p.Result()+".", 3, true)
	}
	l.y += 2
	for _, f := range p.facts() {
		l.need(2 * bodyHigh * lineStep)
		l.y += 0.8
		l.add(say(margin, l.y+bodyHigh*lineStep, f[0], bodyHigh, true))
		l.para(margin+22, f[1], bodyHigh, false)
	}
	l.need(4 * bodyHigh * lineStep)
	l.y++
	l.para(margin, p.Caution, bodyHigh, true)
	for i := range p.Groups {
		l.together(func(l *paper) { p.print(l, p.Groups[i]) })
	}
	for i := range l.pages {
		l.pages[i].Add(ends(edge, scene.A4Long-margin, fmt.Sprintf("page %d of %d", i+1, len(l.pages)), bodyHigh, true))
	}
	return l.pages
}

// begins turns to the first page; job and code stand on every page.
func (p *Plan) begins(l *paper) {
	title := lines.Clean(p.Job)
	about := lines.Clean("stock plan, " + p.AsOf())
	foot := p.Code + ", stock plan"
	if len(p.Sheets) > 0 {
		foot += " of sheets " + p.sheets()
	}
	l.title = fmt.Sprintf("%s: stock plan %s", title, p.Code)
	l.head = func(page *scene.Page) {
		const codeHigh = 8
		code := ends(edge, margin+codeHigh, p.Code, codeHigh, true)
		page.Add(
			within(say(margin, margin+6, title, headLine, true), textWide-code.Width()-6), code,
			within(say(margin, margin+12, about, bodyHigh, false), textWide), across(margin+headHigh-0.5, scene.W50),
			across(scene.A4Long-margin-5, scene.W18), within(say(margin, scene.A4Long-margin, lines.Clean(foot), bodyHigh, false), textWide-30),
		)
	}
	l.turn()
}

// print writes what is bought of a section.
func (s *Section) print(l *paper) {
	l.y += 9
	l.add(say(margin, l.y, lines.Clean(s.Name), headLine, true), ends(edge, l.y, report.Count(s.Pieces, "piece"), figHigh, false))
	l.y += 1.8
	l.rule(scene.W35)
	for _, b := range s.Buy {
		l.y += 7.5
		l.add(say(margin, l.y, b.From(), 3.4, false), within(say(margin+30, l.y, lines.Clean(b.String()), figHigh, true), textWide-30))
	}
	l.y++
	l.para(margin, s.Result()+".", bodyHigh, false)
}

// Columns of a bar's cuts, mm: where their figures end, and where words begin.
const (
	colPieces = margin + 20
	colStop   = margin + 99
	colSide   = margin + 101
	colLow    = margin + 135
	colHigh   = margin + 152
	colFrom   = margin + 169
	colTo     = edge
)

// wholeHigh is the most that is not parted over two pages, mm: half a page.
const wholeHigh = full / 2

// print writes bars that are cut alike: the picture of one, and its cuts.
func (p *Plan) print(l *paper, g Group) {
	b := &p.Bars[g.Bars[0]]
	l.need(45) // its head, its picture and two rows
	l.y += 11
	rest := ends(edge, l.y, b.Left(), headLine, b.Keep > 0)
	numbers := say(margin, l.y, p.Numbers(g), headLine, true)
	x := margin + numbers.Width() + 5
	l.add(numbers, within(say(x, l.y, lines.Clean(p.Stuff(g)), figHigh, false), edge-rest.Width()-4-x), rest)
	l.y += 2
	l.add(p.picture(b, scene.Point{X: margin, Y: l.y}, len(g.Bars) == 1)...)
	l.y += barHigh
	l.columns()
	for _, r := range g.Runs {
		l.row(p, g, r)
	}
}

// columns writes the head of a table of cuts.
func (l *paper) columns() {
	l.y += 4.6
	l.add(say(margin, l.y, "cut", bodyHigh, true), say(colPieces, l.y, "pieces", bodyHigh, true))
	for _, c := range []struct {
		x float64
		s string
	}{{colStop, "STOP"}, {colLow, "low"}, {colHigh, "high"}, {colFrom, "from"}, {colTo, "to"}} {
		l.add(ends(c.x, l.y, c.s, bodyHigh, true))
	}
	l.y++
	l.rule(scene.W18)
}

// row writes a run of cuts.
func (l *paper) row(p *Plan, g Group, r Run) {
	const (
		first = 7.0 // from the rule above to the baseline
		step  = figHigh * 1.5
	)
	b := &p.Bars[g.Bars[0]]
	from, to := &b.Cuts[r.From], &b.Cuts[r.To-1]
	which := scene.Wrap(lines.Clean(p.Makes(g, r)), nameHigh, false, colStop-21-colPieces)
	remark := p.Remark(g, r)
	high := first + float64(len(which)-1)*step + 2
	if remark != "" {
		high += bodyHigh * lineStep
	}
	if l.need(high) {
		l.y += 7.5
		l.add(say(margin, l.y, p.Numbers(g)+", continued", figHigh, true))
		l.columns()
	}
	y := l.y + first
	l.add(within(say(margin, y, r.Numbers(), figHigh, true), colPieces-margin-2), ends(colStop, y, from.Stop, stopHigh, true),
		say(colSide, y-3.4, from.Side.String(), bodyHigh, false), say(colSide, y+0.2, "set "+from.Setting, bodyHigh, false),
		within(ends(colLow, y, from.Low.Degrees(), figHigh, false), colLow-colSide-19), within(ends(colHigh, y, from.High.Degrees(), figHigh, false), colHigh-colLow-2),
		ends(colFrom, y, tenth(from.From), 3, false), ends(colTo, y, tenth(to.To), 3, false))
	for i, w := range which {
		l.add(say(colPieces, y+float64(i)*step, w, nameHigh, false))
	}
	l.y = y + float64(len(which)-1)*step
	if remark != "" {
		l.y += bodyHigh * lineStep
		l.add(say(colPieces, l.y, remark, bodyHigh, false))
	}
	l.y += 2
	l.rule(scene.W18)
}
