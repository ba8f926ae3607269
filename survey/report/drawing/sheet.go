package drawing

import (
	"strings"

	"pinchrod/survey/report/figure"
	"pinchrod/survey/report/scene"
)

// Sheet is what a drawing says of itself. Nothing here knows the time or the
// book, so the caller says it.
type Sheet struct {
	Job     string      // name of the job
	Entry   string      // the entry of the book up to which it holds, such as K7-142.1
	Date    string      // when it was drawn
	Code    string      // by which a later one tells whether this is stale
	Profile string      // the rule profile's name
	Caution string      // the usual caution, with the rules that hold
	Rule    figure.Rule // that lengths are written by; in inches the drawing is for letter paper
}

// Frame of ISO 5457 (from memory): 20 mm at the left for filing, 10 mm round
// the rest.
const (
	filing = 20.0
	border = 10.0
)

// mostCaution is how many lines of caution a title block holds.
const mostCaution = 9

// frame draws border and title block, and leaves the zone above the block.
// what is what the sheet shows; scale is what its block says of scale.
func (b *board) frame(s Sheet, what, scale string) {
	w, h := b.page.W, b.page.H
	in := rect{filing, border, w - border, h - border}
	b.page.Add(scene.Box(scene.Point{X: in.x0, Y: in.y0}, in.w(), in.h(), scene.Pen{Weight: scene.W70}, scene.Clear))

	const pad, row = 2.0, 6.5
	caution := scene.Wrap(s.Caution, small, false, in.w()-2*pad)
	if len(caution) > mostCaution {
		caution = caution[:mostCaution]
		caution[mostCaution-1] = scene.Shorten(caution[mostCaution-1]+" …", small, false, in.w()-2*pad)
	}
	height := 3*row + 1.5
	if len(caution) > 0 {
		height += small*(above+below+leading*float64(len(caution)-1)) + 2
	}
	top := in.y1 - height
	rule := func(y float64) {
		b.page.Add(scene.Line{A: scene.Point{X: in.x0, Y: y}, B: scene.Point{X: in.x1, Y: y}, Pen: scene.Pen{Weight: scene.W35}})
	}
	rule(top)
	cellText := func(x, y, w float64, s string, h float64, bold bool, a scene.Anchor) {
		b.page.Add(scene.Text{At: scene.Point{X: x, Y: y}, S: scene.Shorten(s, h, bold, w), H: h, Bold: bold, Anchor: a})
	}
	const right = 52.0 // width of the right column
	left := in.w() - right - 3*pad
	cellText(in.x0+pad, top+row-1.5, left, s.Job, medium, true, scene.Start)
	cellText(in.x1-pad, top+row-0.4, right, scale, large, true, scene.End)
	cellText(in.x0+pad, top+2*row-1.8, left, what, medium, false, scene.Start)
	b.number = scene.Text{At: scene.Point{X: in.x1 - pad, Y: top + 2*row - 1.8}, H: small, Anchor: scene.End}
	var about []string
	for _, f := range [][2]string{{"book up to ", s.Entry}, {"date ", s.Date}, {"rules ", s.Profile}} {
		if f[1] != "" {
			about = append(about, f[0]+f[1])
		}
	}
	cellText(in.x0+pad, top+3*row-1.8, left, strings.Join(about, " · "), small, false, scene.Start)
	if s.Code != "" {
		cellText(in.x1-pad, top+3*row-1.8, right, "code "+s.Code, small, true, scene.End)
	}
	if len(caution) > 0 {
		y := top + 3*row + 0.5
		rule(y)
		for i, l := range caution {
			b.page.Add(scene.Text{At: scene.Point{X: in.x0 + pad, Y: y + 0.6 + small*(above+leading*float64(i))}, S: l, H: small})
		}
	}
	b.zone = rect{in.x0, in.y0, in.x1, top}.grown(-2)
}
