package drawing

import (
	"cmp"
	"math"
	"slices"
	"strings"

	"pinchrod/survey/report/figure"
	"pinchrod/survey/report/scene"
)

// Lettering by ISO 3098: 2.5 mm is read at arm's length.
const (
	small   = 2.5
	medium  = 3.5
	large   = 5.0
	leading = 1.6 // from line to line, in heights
	above   = 1.1 // of a text's box over its baseline, in heights
	below   = 0.3 // and under it
)

// Pens of line group 0.5 of ISO 128-20: wide lines 0.5, narrow ones 0.25.
var (
	outline = scene.Pen{Weight: scene.W50}
	narrow  = scene.Pen{Weight: scene.W25}
	light   = scene.Pen{Weight: scene.W18, Shade: scene.Dark}
	faint   = scene.Pen{Weight: scene.W18, Shade: scene.Mid}
	hidden  = scene.Pen{Weight: scene.W25, Type: scene.Dashed}
	trueTo  = scene.Pen{Weight: scene.W18, Type: scene.Chain}
)

// board is a page with what is taken on it, so that words find a place.
type board struct {
	rule   figure.Rule // that lengths are written by
	page   *scene.Page
	zone   rect // where all but the frame goes
	lines  *grid
	words  *grid
	number scene.Text // where the sheet's number goes once it is known
	later  []remark   // figures that are led out once all lines are drawn
	failed []string   // what found no place
}

// remark is a figure with a leader to what it is of.
type remark struct {
	text           string
	anchor, toward scene.Point // toward is where it had best stand
}

// settle writes the remarks that waited.
func (b *board) settle() {
	for _, r := range b.later {
		b.note([]string{r.text}, r.anchor, r.toward)
	}
	b.later = nil
}

func newBoard(w, h float64) *board {
	return &board{page: &scene.Page{W: w, H: h}, lines: newGrid(w, h), words: newGrid(w, h)}
}

// line draws a straight line that words keep off.
func (b *board) line(p, q scene.Point, pen scene.Pen) {
	b.page.Add(scene.Line{A: p, B: q, Pen: pen})
	b.lines.line(p, q)
}

// poly draws lines that words keep off.
func (b *board) poly(pts []scene.Point, closed bool, pen scene.Pen, fill scene.Shade) {
	b.page.Add(scene.Poly{Points: pts, Closed: closed, Pen: pen, Fill: fill})
	for i := 1; i < len(pts); i++ {
		b.lines.line(pts[i-1], pts[i])
	}
	if closed && len(pts) > 2 {
		b.lines.line(pts[len(pts)-1], pts[0])
	}
}

// text writes a line of words; its box is taken.
func (b *board) text(t scene.Text) {
	b.page.Add(t)
	c := t.Corners()
	if math.Mod(t.Angle, 90) == 0 {
		b.take(around(c[:]...))
		return
	}
	// Of a slanting text the cells along it.
	along, rise := c[1].Sub(c[0]), c[3].Sub(c[0])
	n := int(math.Ceil(along.Len() / cell))
	for i := range n + 1 {
		p := c[0].Add(along.Mul(float64(i) / float64(max(n, 1))))
		b.take(around(p, p.Add(rise)))
	}
}

// backed writes words on white, over whatever is there.
func (b *board) backed(t scene.Text) {
	c := t.Corners()
	b.page.Add(scene.Poly{Points: c[:], Closed: true, Fill: scene.White})
	b.text(t)
}

func (b *board) take(r rect) {
	b.words.mark(r)
	b.lines.mark(r)
}

// find looks for a free place of w by h mm inside the zone, the one with the
// least cost. It looks every step mm, so that some places are straight beside an
// anchor. more is what else a place costs, or +Inf where it will not do; it is
// asked only where that can still matter.
func (b *board) find(w, h, step float64, anchor scene.Point, cost, more func(rect) float64) (rect, bool) {
	type spot struct {
		r    rect
		cost float64
	}
	var spots []spot
	first := func(low, middle float64) float64 { return middle - step*math.Floor((middle-low)/step) }
	for y := first(b.zone.y0, anchor.Y-h/2); y+h <= b.zone.y1; y += step {
		for x := first(b.zone.x0, anchor.X-w/2); x+w <= b.zone.x1; x += step {
			r := rect{x, y, x + w, y + h}
			if !b.lines.free(r) {
				continue
			}
			if c := cost(r); !math.IsInf(c, 1) {
				spots = append(spots, spot{r, c})
			}
		}
	}
	slices.SortFunc(spots, func(p, q spot) int {
		return cmp.Or(cmp.Compare(p.cost, q.cost), cmp.Compare(p.r.y0, q.r.y0), cmp.Compare(p.r.x0, q.r.x0))
	})
	best := spot{cost: math.Inf(1)}
	for _, s := range spots {
		if s.cost >= best.cost {
			break
		}
		if s.cost += more(s.r); s.cost < best.cost {
			best = s
		}
	}
	return best.r, !math.IsInf(best.cost, 1)
}

// beside looks for a free place near an anchor, best in some direction, and
// gives the leader to it as well.
func (b *board) beside(w, h float64, anchor, toward scene.Point) (at rect, leader scene.Line, ok bool) {
	const least, most = 3.0, 110.0 // length of a leader, mm
	// It ends at the middle of a side that faces the anchor, so that it does not
	// cross what it leads to.
	lead := func(r rect) scene.Line {
		m := r.middle()
		end, best := m, math.Inf(1)
		for _, side := range []struct {
			faces bool
			at    scene.Point
		}{
			{anchor.X < r.x0, scene.Point{X: r.x0, Y: m.Y}}, {anchor.X > r.x1, scene.Point{X: r.x1, Y: m.Y}},
			{anchor.Y > r.y1, scene.Point{X: m.X, Y: r.y1}}, {anchor.Y < r.y0, scene.Point{X: m.X, Y: r.y0}},
		} {
			if d := side.at.Sub(anchor).Len(); side.faces && d < best {
				end, best = side.at, d
			}
		}
		return scene.Line{A: anchor, B: end, Pen: light}
	}
	cost := func(r rect) float64 {
		way := r.nearest(anchor).Sub(anchor)
		d := way.Len()
		if d < least || d > most {
			return math.Inf(1)
		}
		out := way.Unit()
		return lead(r).B.Sub(anchor).Len() + d*(1-(out.X*toward.X+out.Y*toward.Y))
	}
	at, ok = b.find(w, h, 2, anchor, cost, func(r rect) float64 {
		to := lead(r).B
		if b.words.crosses(anchor, to, r) {
			return math.Inf(1)
		}
		return b.lines.touched(anchor, to)
	})
	return at, lead(at), ok
}

// dot ends a leader on a surface.
func (b *board) dot(p scene.Point) { b.page.Add(scene.Circle(p, 0.5, scene.Pen{}, scene.Black)) }

// note writes lines beside an anchor, with a leader to it.
func (b *board) note(lines []string, anchor, toward scene.Point) {
	w := 0.0
	for _, l := range lines {
		w = max(w, scene.TextWidth(l, small, false))
	}
	const margin = 0.8
	h := small * (above + below + leading*float64(len(lines)-1))
	at, leader, ok := b.beside(w+2*margin, h+2*margin, anchor, toward)
	if !ok {
		b.failed = append(b.failed, strings.Join(lines, ", "))
		return
	}
	b.line(leader.A, leader.B, leader.Pen)
	b.dot(anchor)
	for i, l := range lines {
		b.text(scene.Text{At: scene.Point{X: at.x0 + margin, Y: at.y0 + margin + small*(above+leading*float64(i))}, S: l, H: small})
	}
	b.take(at)
}

// arrow is the narrow filled arrowhead of ISO 129-1, 15° at its tip, 3 mm long.
func (b *board) arrow(tip, dir scene.Point) {
	const long = 3
	half := long * math.Tan(7.5*math.Pi/180)
	back := tip.Sub(dir.Mul(long))
	side := dir.Turned().Mul(half)
	b.page.Add(scene.Poly{Points: []scene.Point{tip, back.Add(side), back.Sub(side)}, Closed: true, Fill: scene.Black})
}

// Distances of a dimension, ISO 129-1 from memory: extension lines begin a
// little off the outline and end a little beyond the dimension line; the figure
// stands clear over it.
const (
	extGap  = 1.0
	extOver = 1.5
	figGap  = 0.9
)

// dimension draws the distance from p to q along the direction of along, on a
// line through a point, and writes s over it. Where s has no room it is led
// out later.
func (b *board) dimension(p, q, through, along scene.Point, s string) {
	along = along.Unit()
	across := along.Turned()
	dot := func(a, c scene.Point) float64 { return a.X*c.X + a.Y*c.Y }
	level := dot(through, across)
	on := func(p scene.Point) scene.Point { return along.Mul(dot(p, along)).Add(across.Mul(level)) }
	for _, from := range []scene.Point{p, q} {
		end := on(from)
		way := end.Sub(from)
		if way.Len() > extGap {
			u := way.Unit()
			b.line(from.Add(u.Mul(extGap)), end.Add(u.Mul(extOver)), narrow)
		}
	}
	a, c := on(p), on(q)
	if dot(c, along) < dot(a, along) {
		a, c = c, a
	}
	length := c.Sub(a).Len()
	inside := length >= 8
	if inside {
		b.line(a, c, narrow)
		b.arrow(a, along.Mul(-1))
		b.arrow(c, along)
	} else {
		b.line(a.Sub(along.Mul(6)), c.Add(along.Mul(6)), narrow)
		b.arrow(a, along)
		b.arrow(c, along.Mul(-1))
	}
	if s == "" {
		return
	}
	middle := a.Add(c).Mul(0.5)
	if scene.TextWidth(s, small, false) > length-1 {
		b.later = append(b.later, remark{s, middle, across})
		return
	}
	// Read from below, or from the right.
	angle := math.Atan2(-along.Y, along.X) * 180 / math.Pi
	up := across
	switch {
	case angle > 90+1e-9:
		angle, up = angle-180, across.Mul(-1)
	case angle <= -90+1e-9:
		angle, up = angle+180, across.Mul(-1)
	}
	b.backed(scene.Text{At: middle.Add(up.Mul(figGap + below*small)), S: s, H: small, Anchor: scene.Middle, Angle: angle})
}
