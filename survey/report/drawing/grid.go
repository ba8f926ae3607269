package drawing

import (
	"math"

	"pinchrod/survey/report/scene"
)

// rect is an upright rectangle on the page, mm.
type rect struct{ x0, y0, x1, y1 float64 }

func (r rect) w() float64 { return r.x1 - r.x0 }
func (r rect) h() float64 { return r.y1 - r.y0 }

func (r rect) grown(d float64) rect { return rect{r.x0 - d, r.y0 - d, r.x1 + d, r.y1 + d} }

// nearest is the point of r that is closest to p.
func (r rect) nearest(p scene.Point) scene.Point {
	return scene.Point{X: min(max(p.X, r.x0), r.x1), Y: min(max(p.Y, r.y0), r.y1)}
}

func (r rect) middle() scene.Point { return scene.Point{X: (r.x0 + r.x1) / 2, Y: (r.y0 + r.y1) / 2} }

// around is the rectangle that points fill.
func around(pts ...scene.Point) rect {
	r := rect{math.Inf(1), math.Inf(1), math.Inf(-1), math.Inf(-1)}
	for _, p := range pts {
		r = rect{min(r.x0, p.X), min(r.y0, p.Y), max(r.x1, p.X), max(r.y1, p.Y)}
	}
	return r
}

// cell is the side of a cell of a grid, mm.
const cell = 1.0

// grid is which cells of a page are taken.
type grid struct {
	cols, rows int
	taken      []bool
	sums       []int32 // of the cells above and to the left; nil when stale
}

func newGrid(w, h float64) *grid {
	g := &grid{cols: int(math.Ceil(w / cell)), rows: int(math.Ceil(h / cell))}
	g.taken = make([]bool, g.cols*g.rows)
	return g
}

// span are the cells that r touches, clipped to the page.
func (g *grid) span(r rect) (c0, r0, c1, r1 int) {
	clip := func(v float64, most int) int { return int(min(max(v, 0), float64(most))) }
	return clip(math.Floor(r.x0/cell), g.cols), clip(math.Floor(r.y0/cell), g.rows),
		clip(math.Ceil(r.x1/cell), g.cols), clip(math.Ceil(r.y1/cell), g.rows)
}

func (g *grid) mark(r rect) {
	c0, r0, c1, r1 := g.span(r)
	for y := r0; y < r1; y++ {
		for x := c0; x < c1; x++ {
			g.taken[y*g.cols+x] = true
		}
	}
	g.sums = nil
}

// line marks the cells on the way from a to b.
func (g *grid) line(a, b scene.Point) {
	d := b.Sub(a)
	n := max(1, int(math.Ceil(d.Len()/(cell/2))))
	for i := range n + 1 {
		p := a.Add(d.Mul(float64(i) / float64(n)))
		g.mark(rect{p.X, p.Y, p.X, p.Y}.grown(0.2))
	}
}

// crosses tells whether the way from a to b touches a taken cell, those in
// except left out.
func (g *grid) crosses(a, b scene.Point, except rect) bool {
	d := b.Sub(a)
	n := max(1, int(math.Ceil(d.Len()/(cell/2))))
	for i := range n + 1 {
		p := a.Add(d.Mul(float64(i) / float64(n)))
		if p.X >= except.x0 && p.X <= except.x1 && p.Y >= except.y0 && p.Y <= except.y1 {
			continue
		}
		x, y := int(p.X/cell), int(p.Y/cell)
		if x >= 0 && x < g.cols && y >= 0 && y < g.rows && g.taken[y*g.cols+x] {
			return true
		}
	}
	return false
}

// touched is how much of the way from a to b, in mm, lies on taken cells.
func (g *grid) touched(a, b scene.Point) float64 {
	d := b.Sub(a)
	n := max(1, int(math.Ceil(d.Len()/cell)))
	on := 0
	for i := range n + 1 {
		p := a.Add(d.Mul(float64(i) / float64(n)))
		x, y := int(p.X/cell), int(p.Y/cell)
		if x >= 0 && x < g.cols && y >= 0 && y < g.rows && g.taken[y*g.cols+x] {
			on++
		}
	}
	return float64(on) * cell
}

// free tells whether no cell of r is taken.
func (g *grid) free(r rect) bool {
	c0, r0, c1, r1 := g.span(r)
	return g.clear(c0, r0, c1, r1)
}

// clear tells whether no cell from column c0 to c1 and row r0 to r1 is taken.
func (g *grid) clear(c0, r0, c1, r1 int) bool {
	if g.sums == nil {
		g.sum()
	}
	w := g.cols + 1
	return g.sums[r1*w+c1]-g.sums[r1*w+c0]-g.sums[r0*w+c1]+g.sums[r0*w+c0] == 0
}

// corner is the free place of w by h mm in a zone, by whole cells, that is
// nearest to the zone's top left corner.
func (g *grid) corner(zone rect, w, h float64) (at rect, ok bool) {
	cw, ch := int(math.Ceil(w/cell)), int(math.Ceil(h/cell))
	c0, r0 := int(math.Ceil(zone.x0/cell)), int(math.Ceil(zone.y0/cell))
	c1, r1 := min(int(zone.x1/cell), g.cols), min(int(zone.y1/cell), g.rows)
	best := math.MaxInt
	for r := r0; r+ch <= r1; r++ {
		for c := c0; c+cw <= c1 && c+r < best; c++ {
			if g.clear(c, r, c+cw, r+ch) {
				at, best = rect{float64(c) * cell, float64(r) * cell, float64(c+cw) * cell, float64(r+ch) * cell}, c+r
			}
		}
	}
	return at, best < math.MaxInt
}

func (g *grid) sum() {
	g.sums = make([]int32, (g.cols+1)*(g.rows+1))
	for y := range g.rows {
		row := int32(0)
		for x := range g.cols {
			if g.taken[y*g.cols+x] {
				row++
			}
			g.sums[(y+1)*(g.cols+1)+x+1] = g.sums[y*(g.cols+1)+x+1] + row
		}
	}
}
