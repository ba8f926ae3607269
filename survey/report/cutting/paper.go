package cutting

import (
	"math"

	"pinchrod/survey/report/lines"
	"pinchrod/survey/report/scene"
)

// The margin of a page, mm, and the width of what is printed. Printers leave 4 to
// 5 mm at the edge white; common practice, no source.
const (
	margin   = 12.0
	edge     = scene.A4Short - margin // where lines end
	textWide = edge - margin
	headHigh = 15.0                       // of what stands at the top of a page
	bottom   = scene.A4Long - margin - 10 // where text ends; the foot is below
	full     = bottom - margin - headHigh // what one page holds
)

// Heights of lettering, mm, which are those of its figures. Lengths at a saw are
// read at arm's length: 4 mm at least, the stops higher yet.
const (
	stopHigh  = 5.4
	figHigh   = 4.2
	headLine  = 5.0
	cardHigh  = 3.0
	bodyHigh  = 2.6
	smallHigh = 2.1

	lineStep = 1.8 // of a line, in heights
)

// paper lays text on pages from the top down.
type paper struct {
	title string // of the pages being written
	head  func(*scene.Page)
	pages []scene.Page
	y     float64 // baseline of what was written last

	endless bool // only to measure what is written: no page ends
}

func (p *paper) page() *scene.Page { return &p.pages[len(p.pages)-1] }

func (p *paper) add(items ...scene.Item) { p.page().Add(items...) }

// turn begins a page.
func (p *paper) turn() {
	p.pages = append(p.pages, scene.Page{W: scene.A4Short, H: scene.A4Long, Title: p.title})
	p.y = margin + headHigh
	p.head(p.page())
}

// need begins a page where less than so many mm are left, and tells whether it
// did.
func (p *paper) need(high float64) bool {
	if p.endless || p.y+high <= bottom {
		return false
	}
	p.turn()
	return true
}

// together writes what should not be parted, on a page of its own if need be, as
// far as a page holds it.
func (p *paper) together(write func(*paper)) {
	try := &paper{pages: make([]scene.Page, 1), endless: true}
	write(try)
	if try.y <= full {
		p.need(try.y)
	}
	write(p)
}

// para writes text from x to the right margin, wrapped.
func (p *paper) para(x float64, text string, high float64, bold bool) {
	for _, l := range scene.Wrap(lines.Clean(text), high, bold, edge-x) {
		p.need(high * lineStep)
		p.y += high * lineStep
		p.add(say(x, p.y, l, high, bold))
	}
}

// rule draws a line across the page at the height of the last baseline.
func (p *paper) rule(w scene.Weight) { p.add(across(p.y, w)) }

func across(y float64, w scene.Weight) scene.Line {
	return scene.Line{A: scene.Point{X: margin, Y: y}, B: scene.Point{X: edge, Y: y}, Pen: scene.Pen{Weight: w}}
}

// say is text that begins at x, ends is text that ends there, amid is text about
// it.
func say(x, y float64, s string, high float64, bold bool) scene.Text {
	return scene.Text{At: scene.Point{X: x, Y: y}, S: s, H: high, Bold: bold}
}

func ends(x, y float64, s string, high float64, bold bool) scene.Text {
	t := say(x, y, s, high, bold)
	t.Anchor = scene.End
	return t
}

func amid(x, y float64, s string, high float64, bold bool) scene.Text {
	t := say(x, y, s, high, bold)
	t.Anchor = scene.Middle
	return t
}

// within is text in the height, high at most, in which it is wide mm or less,
// and cut where it would be too small to read.
func within(t scene.Text, wide float64) scene.Text {
	t.H = math.Max(math.Min(t.H, t.H*wide/math.Max(t.Width(), wide)), smallHigh)
	t.S = scene.Shorten(t.S, t.H, t.Bold, wide)
	return t
}
