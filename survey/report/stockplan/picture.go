package stockplan

import (
	"fmt"
	"math"
	"slices"
	"strconv"
	"strings"

	"pinchrod/survey/report/lines"
	"pinchrod/survey/report/paper"
	"pinchrod/survey/report/scene"
)

// Sizes of a bar's picture, mm. Along the bar it is to scale; across it is as
// high as a name needs that is read at arm's length, 4 mm (the sheet's least).
const (
	barHigh  = 10.0
	nameHigh = 4.0
)

// keyHighs are the heights that a piece's number is tried in.
var keyHighs = []float64{4, 3.2, 2.6}

// longest is the length of the longest bar of a section: its pictures are to one
// scale.
func (p *Plan) longest(section string) float64 {
	l := 1.0
	for _, b := range p.Bars {
		if b.Section == section {
			l = max(l, b.Length)
		}
	}
	return l
}

// GroupPage is the picture of any bar of a group, its pieces numbered in the order
// of the cuts where the group has more bars than one.
func (p *Plan) GroupPage(g Group) scene.Page { return p.alone(g.Bars[0], len(g.Bars) == 1) }

// alone is the picture of one bar, Plan.Bars[i], with the names of its pieces where
// they have room, or their numbers.
func (p *Plan) alone(i int, named bool) scene.Page {
	const inset = 2.0
	b := &p.Bars[i]
	page := scene.Page{
		W: paper.TextWide + 2*inset, H: barHigh + 2*inset,
		Title: lines.Clean(fmt.Sprintf("bar %d of %d: %s of %s", b.Number, len(p.Bars), b.rule.With(short(b.Length, b.rule)), b.Section)),
		Desc:  lines.Clean(b.describe(named)),
	}
	page.Add(p.picture(b, scene.Point{X: inset, Y: inset}, named)...)
	return page
}

// describe says in words what a picture shows.
func (b *Bar) describe(named bool) string {
	var out []string
	for i, c := range b.Cuts {
		name := ""
		if named {
			name = c.Name() + " "
		}
		out = append(out, fmt.Sprintf("%d: %sfrom %s to %s", i+1, name, b.rule.Length(c.From), b.rule.Length(c.To)))
	}
	return fmt.Sprintf("Cuts from the first end: %s. Left: %s.", strings.Join(out, "; "), b.Left())
}

// picture draws a bar with its top left corner at some place, its first end to the
// left and the first edge of its pieces above. Pieces are named where there is
// room, else they bear their number in the order of the cuts.
func (p *Plan) picture(b *Bar, at scene.Point, named bool) []scene.Item {
	scale := paper.TextWide / p.longest(b.Section)
	pt := func(x float64, edge int) scene.Point {
		x = min(max(x, 0), b.Length)
		return scene.Point{X: at.X + x*scale, Y: at.Y + float64(edge)*barHigh}
	}
	// area is what lies between two cuts, each given where it meets either edge.
	area := func(from, to [2]float64, pen scene.Weight, fill scene.Shade) scene.Poly {
		return scene.Poly{Points: []scene.Point{pt(from[0], 0), pt(to[0], 0), pt(to[1], 1), pt(from[1], 1)}, Closed: true, Pen: scene.Pen{Weight: pen}, Fill: fill}
	}
	ends := [2]float64{b.Length, b.Length}
	items := []scene.Item{area([2]float64{}, ends, scene.NoLine, scene.Light)}
	crossed := func(from, to [2]float64) {
		const least = 1.5 // mm of paper: in less a cross is a blot
		if (min(to[0], to[1])-max(from[0], from[1]))*scale < least {
			return
		}
		thin := scene.Pen{Weight: scene.W25}
		items = append(items, scene.Line{A: pt(from[0], 0), B: pt(to[1], 1), Pen: thin}, scene.Line{A: pt(from[1], 1), B: pt(to[0], 0), Pen: thin})
	}
	last := [2]float64{}
	for i := range b.Cuts {
		c := &b.Cuts[i]
		if i == 0 {
			crossed(last, c.Start)
		}
		kerf := p.Kerf / math.Cos(c.High.Dial*math.Pi/180)
		last = [2]float64{c.End[0] + kerf, c.End[1] + kerf}
		items = append(items, area(c.End, last, scene.NoLine, scene.Black), area(c.Start, c.End, scene.W18, scene.White))
	}
	if b.Keep > 0 {
		from := [2]float64{b.Length - b.Keep, b.Length - b.Keep}
		items = append(items, area(from, ends, scene.W50, scene.White))
		keep := paper.Amid((pt(from[0], 0).X+pt(ends[0], 0).X)/2, at.Y+(barHigh+nameHigh)/2, b.Left(), nameHigh, true)
		for _, s := range []string{short(keepLength(b.Keep, b.rule), b.rule), ""} { // what there is room for; the head of the bar says it too
			if keep.Width()+2 > b.Keep*scale {
				keep.S = s
			}
		}
		items = append(items, scene.Hatch(frame(pt(from[0], 0), pt(ends[0], 1), keep), 3, 45, scene.Pen{Weight: scene.W18, Shade: scene.Mid})...)
		items = append(items, keep)
	} else {
		crossed(last, ends)
	}
	items = append(items, area([2]float64{}, ends, scene.W35, scene.Clear))
	return append(items, p.lettering(b, at, scale, named)...)
}

// frame is a polygon around the place of a text between two corners, so that what
// is hatched leaves the text free: a ring, cut open at its left.
func frame(a, c scene.Point, t scene.Text) []scene.Point {
	if t.S == "" {
		return []scene.Point{a, {X: c.X, Y: a.Y}, c, {X: a.X, Y: c.Y}}
	}
	const clear = 1.2
	half := t.Width()/2 + clear
	x0, x1 := max(t.At.X-half, a.X), min(t.At.X+half, c.X)
	y0, y1 := t.At.Y-t.H-clear, t.At.Y+clear
	middle := (y0 + y1) / 2
	return []scene.Point{
		{X: a.X, Y: middle}, {X: a.X, Y: a.Y}, {X: c.X, Y: a.Y}, {X: c.X, Y: c.Y}, {X: a.X, Y: c.Y}, {X: a.X, Y: middle},
		{X: x0, Y: middle}, {X: x0, Y: y1}, {X: x1, Y: y1}, {X: x1, Y: y0}, {X: x0, Y: y0}, {X: x0, Y: middle},
	}
}

// lettering names the pieces, or numbers them all where one has no room for its
// name; where a number has none, a run of cuts bears its numbers once.
func (p *Plan) lettering(b *Bar, at scene.Point, scale float64, named bool) []scene.Item {
	const clear = 0.6 // to either side
	room := func(c *Cut) float64 {
		return (min(c.End[0], c.End[1])-max(c.Start[0], c.Start[1]))*scale - 2*clear
	}
	fits := func(c *Cut, s string, high float64) bool { return scene.TextWidth(s, high, true) <= room(c) }
	write := func(from, to *Cut, s string, high float64) scene.Item {
		return paper.Amid(at.X+(from.From+to.To)/2*scale, at.Y+(barHigh+high)/2, s, high, true)
	}
	var out []scene.Item
	short := slices.ContainsFunc(b.Cuts, func(c Cut) bool { return !fits(&c, c.Name(), nameHigh) })
	if named && !short {
		for i := range b.Cuts {
			out = append(out, write(&b.Cuts[i], &b.Cuts[i], b.Cuts[i].Name(), nameHigh))
		}
		return out
	}
	for _, high := range keyHighs {
		all := true
		for i := range b.Cuts {
			all = all && fits(&b.Cuts[i], strconv.Itoa(i+1), high)
		}
		if !all {
			continue
		}
		for i := range b.Cuts {
			out = append(out, write(&b.Cuts[i], &b.Cuts[i], strconv.Itoa(i+1), high))
		}
		return out
	}
	for from := 0; from < len(b.Cuts); {
		to := from + 1
		for to < len(b.Cuts) && b.Cuts[to].alike(&b.Cuts[from]) {
			to++
		}
		first, last := &b.Cuts[from], &b.Cuts[to-1]
		label := span(from+1, to)
		const high = 3.2
		if wide := scene.TextWidth(label, high, true); wide <= (last.To-first.From)*scale-2*clear {
			t := write(first, last, label, high).(scene.Text)
			out = append(out, scene.Box(scene.Point{X: t.At.X - wide/2 - clear, Y: t.At.Y - high - clear}, wide+2*clear, high+2*clear, scene.Pen{}, scene.White), t)
		}
		from = to
	}
	return out
}

// alike tells whether two cuts are of one setting.
func (c *Cut) alike(d *Cut) bool {
	return c.Bay == d.Bay && c.Kind == d.Kind && c.Setting == d.Setting
}
