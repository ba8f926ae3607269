// Package scene describes a printed page once, for SVG, PDF and PNG.
//
// A [Page] is measured in mm from its top left corner, y down. It holds lines,
// polygons, arcs, text and squares in named weights and greys; nothing is in
// colour, so that a copy in black and white says the same. The three writers put
// out the same bytes for the same page every time: no clock, no map order.
//
// Line weights follow the series of ISO 128-20, line types ISO 128-2, heights
// of lettering ISO 3098; all three are from memory.
package scene

import (
	"errors"
	"fmt"
	"math"
)

// ErrPage is the cause when a page cannot be written: a size or a coordinate
// out of reason.
var ErrPage = errors.New("not a page")

// Point is a place on the page, mm from its top left corner.
type Point struct{ X, Y float64 }

// Add is p moved by d.
func (p Point) Add(d Point) Point { return Point{p.X + d.X, p.Y + d.Y} }

// Sub is the way from q to p.
func (p Point) Sub(q Point) Point { return Point{p.X - q.X, p.Y - q.Y} }

// Mul is p times k.
func (p Point) Mul(k float64) Point { return Point{p.X * k, p.Y * k} }

// Len is the distance from the origin.
func (p Point) Len() float64 { return math.Hypot(p.X, p.Y) }

// Unit is the direction of p, and to the right where p has none.
func (p Point) Unit() Point {
	if l := p.Len(); l > 0 {
		return p.Mul(1 / l)
	}
	return Point{1, 0}
}

// Turned is p turned by a right angle, anticlockwise as one looks at the page.
func (p Point) Turned() Point { return Point{p.Y, -p.X} }

// Page is one sheet of paper.
type Page struct {
	W, H        float64 // mm
	Title, Desc string  // for whoever cannot see the page
	Items       []Item  // in the order they are laid on each other
}

// Add lays items on the page.
func (p *Page) Add(items ...Item) { p.Items = append(p.Items, items...) }

// Sizes of ISO 216 A4, mm.
const (
	A4Short = 210
	A4Long  = 297
)

// Paper is a sheet by its sides, mm.
type Paper struct{ Short, Long float64 }

// The sheets that printers hold: ISO 216, and the American letter of 8 1/2 by 11
// in (ANSI X3.151 A, from memory).
var (
	A4     = Paper{A4Short, A4Long}
	Letter = Paper{215.9, 279.4}
)

// PaperFor is the sheet of a job: letter where its units are inches.
func PaperFor(inches bool) Paper {
	if inches {
		return Letter
	}
	return A4
}

// Weight is a line's width by name.
type Weight uint8

// The weights. NoLine draws none.
const (
	NoLine Weight = iota
	W18           // 0.18 mm
	W25           // 0.25 mm
	W35           // 0.35 mm
	W50           // 0.50 mm
	W70           // 0.70 mm
)

// MM is the width in mm.
func (w Weight) MM() float64 {
	if int(w) >= len(weights) {
		return 0
	}
	return weights[w]
}

var weights = [...]float64{0, 0.18, 0.25, 0.35, 0.5, 0.7}

// LineType is how a line is broken.
type LineType uint8

// The line types, with the lengths of ISO 128-2 in line widths (from memory).
const (
	Continuous LineType = iota
	Dashed              // dash 12, gap 3
	Chain               // long dash 24, gap 3, dot 0.5, gap 3
)

// dashes are a type's lengths in mm, line and gap in turn; none for a
// continuous line.
func (p Pen) dashes() []float64 {
	var in []float64
	switch p.Type {
	case Dashed:
		in = []float64{12, 3}
	case Chain:
		in = []float64{24, 3, 0.5, 3}
	}
	out := make([]float64, len(in))
	for i, n := range in {
		out[i] = n * p.Weight.MM()
	}
	return out
}

// Shade is a grey by name; the zero Shade is Clear.
type Shade uint8

// The shades, from none to white.
const (
	Clear Shade = iota
	Black
	Dark
	Mid
	Light
	Pale
	White
)

var greys = [...]uint8{0, 0, 70, 128, 200, 232, 255}

// grey is 0 for black to 255 for white.
func (s Shade) grey() uint8 {
	if int(s) >= len(greys) {
		return 0
	}
	return greys[s]
}

// Pen draws lines. A pen of NoLine draws none; one with a Clear shade is black.
type Pen struct {
	Weight Weight
	Type   LineType
	Shade  Shade
	Round  bool // round ends; square ones otherwise
}

// Item is something on a page: a [Line], [Poly], [Arc], [Text] or [Modules].
type Item interface {
	// points are the places an item reaches to, for the checks.
	points() []Point
}

// Line is a straight line.
type Line struct {
	A, B Point
	Pen  Pen
}

// Poly is a line through points, closed or not, and what it encloses.
type Poly struct {
	Points []Point
	Closed bool
	Pen    Pen
	Fill   Shade
}

// Arc is a part of a circle, or all of it.
type Arc struct {
	Centre   Point
	R        float64 // mm
	From, To float64 // degrees anticlockwise from the right; To above From, 360 more is a circle
	Pen      Pen
	Fill     Shade // of the circle, or of the sector
}

// Text is one line of lettering.
type Text struct {
	At     Point // its baseline, at the place of the Anchor
	S      string
	H      float64 // nominal height, which is that of the capitals (ISO 3098), mm
	Anchor Anchor
	Angle  float64 // degrees anticlockwise
	Bold   bool
	Shade  Shade // Clear is black
}

// Anchor is which part of a text is at its place.
type Anchor uint8

// The anchors.
const (
	Start Anchor = iota
	Middle
	End
)

// Modules is a matrix of squares, such as a QR code.
type Modules struct {
	At   Point // top left
	Size float64
	Dark [][]bool // by row, from the top
}

// Box is an upright rectangle.
func Box(at Point, w, h float64, pen Pen, fill Shade) Poly {
	return Poly{[]Point{at, {at.X + w, at.Y}, {at.X + w, at.Y + h}, {at.X, at.Y + h}}, true, pen, fill}
}

// Circle is a whole circle.
func Circle(c Point, r float64, pen Pen, fill Shade) Arc {
	return Arc{Centre: c, R: r, To: 360, Pen: pen, Fill: fill}
}

func (l Line) points() []Point { return []Point{l.A, l.B} }
func (p Poly) points() []Point { return p.Points }
func (a Arc) points() []Point {
	return []Point{{a.Centre.X - a.R, a.Centre.Y - a.R}, {a.Centre.X + a.R, a.Centre.Y + a.R}, a.at(a.From), a.at(a.To)}
}
func (t Text) points() []Point { c := t.Corners(); return c[:] }
func (m Modules) points() []Point {
	cols := 0
	for _, row := range m.Dark {
		cols = max(cols, len(row))
	}
	return []Point{m.At, {m.At.X + m.Size*float64(cols), m.At.Y + m.Size*float64(len(m.Dark))}}
}

// whole tells whether an arc is a circle.
func (a Arc) whole() bool { return a.To-a.From >= 360 }

// at is the point of an arc at some degrees.
func (a Arc) at(deg float64) Point {
	sin, cos := math.Sincos(deg * math.Pi / 180)
	return Point{a.Centre.X + a.R*cos, a.Centre.Y - a.R*sin}
}

// flat is the arc as a polygon that is off it by flatness at most; a sector
// that is filled has the centre for its last corner.
func (a Arc) flat(sector bool) []Point {
	sweep := min(max(a.To-a.From, 0), 360)
	// A chord over the angle s is r(1 − cos s/2) ≈ r·s²/8 off its arc.
	step := math.Sqrt(8*flatness/max(a.R, flatness)) * 180 / math.Pi
	n := max(2, int(math.Ceil(sweep/step)))
	pts := make([]Point, 0, n+2)
	for i := range n + 1 {
		pts = append(pts, a.at(a.From+sweep*float64(i)/float64(n)))
	}
	if sector && !a.whole() {
		pts = append(pts, a.Centre)
	}
	return pts
}

// flatness is a tenth of the thinnest line, mm.
const flatness = 0.018

// MaxSide is the longest side of a page, mm: A0, with room.
const MaxSide = 2000

// check refuses what cannot be written. A coordinate may be off the page by
// the page's own size: what is farther off is an error of the caller.
func (p *Page) check() error {
	if !(p.W >= 1 && p.W <= MaxSide && p.H >= 1 && p.H <= MaxSide) {
		return fmt.Errorf("%w: %g x %g mm, expected 1 to %d", ErrPage, p.W, p.H, MaxSide)
	}
	for i, it := range p.Items {
		for _, q := range it.points() {
			if !(q.X >= -p.W && q.X <= 2*p.W && q.Y >= -p.H && q.Y <= 2*p.H) {
				return fmt.Errorf("%w: item %d (%T) reaches to %g, %g", ErrPage, i, it, q.X, q.Y)
			}
		}
	}
	return nil
}
