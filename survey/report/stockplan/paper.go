package stockplan

import (
	"math"

	"pinchrod/survey/report/lines"
	"pinchrod/survey/report/scene"
)

// Pages are laid as the cutting sheet's are, so that the two lie beside each
// other at the saw: its margins, and its heights of lettering, mm.
const (
	margin   = 12.0
	edge     = scene.A4Short - margin
	textWide = edge - margin
	headHigh = 15.0
	bottom   = scene.A4Long - margin - 10
	full     = bottom - margin - headHigh

	stopHigh  = 5.4
	figHigh   = 4.2
	headLine  = 5.0
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

func (p *paper) add(items ...scene.Item) { p.pages[len(p.pages)-1].Add(items...) }

// turn begins a page.
func (p *paper) turn() {
	p.pages = append(p.pages, scene.Page{W: scene.A4Short, H: scene.A4Long, Title: p.title})
	p.y = margin + headHigh
	p.head(&p.pages[len(p.pages)-1])
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

// together writes what should not be parted, unless it is so high that the page
// before would stay empty.
func (p *paper) together(write func(*paper)) {
	try := &paper{pages: make([]scene.Page, 1), endless: true}
	write(try)
	if try.y <= wholeHigh {
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

// banner is text that nobody overlooks, its first line the loudest.
func (p *paper) banner(title string, text []string) {
	const high = 3.4
	var rows []string
	for _, t := range text {
		rows = append(rows, scene.Wrap(lines.Clean(t), high, false, textWide-8)...)
	}
	step := high * lineStep
	for first := true; first || len(rows) > 0; first = false {
		if p.need(12 + 2*step); !first {
			title += " (continued)"
		}
		p.y += 4
		n := max(1, min(len(rows), int((bottom-p.y-11)/step)))
		if p.endless || len(rows) == 0 {
			n = len(rows)
		}
		tall := 9 + float64(n)*step
		p.add(scene.Box(scene.Point{X: margin, Y: p.y}, textWide, tall, scene.Pen{Weight: scene.W70}, scene.Pale), say(margin+4, p.y+7, title, figHigh, true))
		for i, l := range rows[:n] {
			p.add(say(margin+4, p.y+7+float64(i+1)*step, l, high, false))
		}
		p.y += tall
		rows = rows[n:]
	}
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
