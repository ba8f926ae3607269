// Package paper lays text on A4 or letter paper from the top down, as all of the
// workshop's sheets have it: they lie beside each other at the saw.
package paper

import (
	"fmt"
	"math"

	"pinchrod/survey/report/lines"
	"pinchrod/survey/report/scene"
)

// The margin of a page, mm, and the width of what is printed. Printers leave 4 to
// 5 mm at the edge white; common practice, no source. Columns stand where they do
// on A4, so that letter paper, which is 5.9 mm wider, has a wider right margin.
const (
	Margin   = 12.0
	Edge     = scene.A4Short - Margin // where lines end
	TextWide = Edge - Margin
	HeadHigh = 15.0 // of what stands at the top of a page
)

// Heights of lettering, mm, which are those of its figures. Lengths at a saw are
// read at arm's length: 4 mm at least, the stops higher yet.
const (
	StopHigh  = 5.4
	FigHigh   = 4.2
	HeadLine  = 5.0
	CardHigh  = 3.0
	BodyHigh  = 2.6
	SmallHigh = 2.1

	LineStep = 1.8 // of a line, in heights
)

// Paper is pages that are being written.
type Paper struct {
	Title string            // of the pages being written
	Head  func(*scene.Page) // what stands at the top of each
	Pages []scene.Page
	Y     float64 // baseline of what was written last

	sheet   scene.Paper
	endless bool
}

// New begins to write on sheets of a size.
func New(sheet scene.Paper) *Paper { return &Paper{sheet: sheet} }

// Bottom is where text ends; the foot is below.
func (p *Paper) Bottom() float64 { return p.sheet.Long - Margin - 10 }

// Full is what one page holds.
func (p *Paper) Full() float64 { return p.Bottom() - Margin - HeadHigh }

// Endless tells whether this is only to measure what is written: no page ends.
func (p *Paper) Endless() bool { return p.endless }

// Page is the page being written.
func (p *Paper) Page() *scene.Page { return &p.Pages[len(p.Pages)-1] }

// Add puts items on it.
func (p *Paper) Add(items ...scene.Item) { p.Page().Add(items...) }

// Turn begins a page.
func (p *Paper) Turn() {
	p.Pages = append(p.Pages, scene.Page{W: p.sheet.Short, H: p.sheet.Long, Title: p.Title})
	p.Y = Margin + HeadHigh
	p.Head(p.Page())
}

// Need begins a page where less than so many mm are left, and tells whether it
// did.
func (p *Paper) Need(high float64) bool {
	if p.endless || p.Y+high <= p.Bottom() {
		return false
	}
	p.Turn()
	return true
}

// Together writes what should not be parted, on a page of its own if need be,
// unless it is more than so many mm high.
func (p *Paper) Together(most float64, write func(*Paper)) {
	try := &Paper{Pages: make([]scene.Page, 1), sheet: p.sheet, endless: true}
	write(try)
	if try.Y <= most {
		p.Need(try.Y)
	}
	write(p)
}

// Coded writes the head of a page: its title and, large, the code that it is known
// by; below them what it is.
func (p *Paper) Coded(page *scene.Page, title, about, code string) {
	const high = 8
	at := Ends(Edge, Margin+high, code, high, true)
	page.Add(Within(Say(Margin, Margin+6, title, HeadLine, true), TextWide-at.Width()-6), at,
		Within(Say(Margin, Margin+12, about, BodyHigh, false), TextWide), Across(Margin+HeadHigh-0.5, scene.W50))
}

// Foot writes what stands at the foot of a page, above it a line, and at its right
// the page's number.
func (p *Paper) Foot(page *scene.Page, text string) {
	y := p.sheet.Long - Margin
	page.Add(Across(y-5, scene.W18), Within(Say(Margin, y, lines.Clean(text), BodyHigh, false), TextWide-30))
}

// Number writes on each page which it is, of how many.
func (p *Paper) Number() {
	for i := range p.Pages {
		p.Pages[i].Add(Ends(Edge, p.sheet.Long-Margin, fmt.Sprintf("page %d of %d", i+1, len(p.Pages)), BodyHigh, true))
	}
}

// Para writes text from x to the right margin, wrapped.
func (p *Paper) Para(x float64, text string, high float64, bold bool) {
	for _, l := range scene.Wrap(lines.Clean(text), high, bold, Edge-x) {
		p.Need(high * LineStep)
		p.Y += high * LineStep
		p.Add(Say(x, p.Y, l, high, bold))
	}
}

// Rule draws a line across the page at the height of the last baseline.
func (p *Paper) Rule(w scene.Weight) { p.Add(Across(p.Y, w)) }

// Across is a line across the page.
func Across(y float64, w scene.Weight) scene.Line {
	return scene.Line{A: scene.Point{X: Margin, Y: y}, B: scene.Point{X: Edge, Y: y}, Pen: scene.Pen{Weight: w}}
}

// Say is text that begins at x.
func Say(x, y float64, s string, high float64, bold bool) scene.Text {
	return scene.Text{At: scene.Point{X: x, Y: y}, S: s, H: high, Bold: bold}
}

// Ends is text that ends at x.
func Ends(x, y float64, s string, high float64, bold bool) scene.Text {
	t := Say(x, y, s, high, bold)
	t.Anchor = scene.End
	return t
}

// Amid is text about x.
func Amid(x, y float64, s string, high float64, bold bool) scene.Text {
	t := Say(x, y, s, high, bold)
	t.Anchor = scene.Middle
	return t
}

// Within is text in the height, its own at most, in which it is wide mm or less,
// and cut where it would be too small to read.
func Within(t scene.Text, wide float64) scene.Text {
	t.H = math.Max(math.Min(t.H, t.H*wide/math.Max(t.Width(), wide)), SmallHigh)
	t.S = scene.Shorten(t.S, t.H, t.Bold, wide)
	return t
}
