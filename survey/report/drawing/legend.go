package drawing

import "pinchrod/survey/report/scene"

// entry is one thing said in words beside a drawing, with a balloon or without.
type entry struct {
	balloon *balloon
	text    string
}

// listing are entries as they are set in a width of w mm.
type listing struct {
	w, h  float64
	items []item
}

// item is one entry of a listing, h mm high.
type item struct {
	h       float64
	indent  float64
	lines   []string
	balloon *balloon
}

const (
	indent  = 2*balloonR + 1.6 // of words behind a balloon, mm
	between = 1.4              // from entry to entry, mm
)

// list sets entries in a width.
func list(entries []entry, w float64) listing {
	l := listing{w: w}
	for _, e := range entries {
		it := item{balloon: e.balloon}
		if e.balloon != nil {
			it.indent = indent
		}
		it.lines = scene.Wrap(e.text, small, false, w-it.indent)
		it.h = small * (above + below + leading*float64(max(0, len(it.lines)-1)))
		if e.balloon != nil { // its first line stands beside the balloon's middle
			it.h = max(it.h+balloonR+small/2-small*above, 2*balloonR)
		}
		l.items = append(l.items, it)
		l.h += it.h + between
	}
	return l
}

// write sets a listing on the page.
func (b *board) write(l listing, at scene.Point) {
	y := at.Y
	for _, it := range l.items {
		base := y + small*above
		if it.balloon != nil {
			it.balloon.draw(b, scene.Point{X: at.X + balloonR, Y: y + balloonR})
			base = y + balloonR + small/2
		}
		for i, s := range it.lines {
			b.page.Add(scene.Text{At: scene.Point{X: at.X + it.indent, Y: base + small*leading*float64(i)}, S: s, H: small})
		}
		y += it.h + between
	}
	b.take(rect{at.X, at.Y, at.X + l.w, at.Y + l.h})
}

// fitting is how many items of a listing go into a height.
func (l listing) fitting(h float64) int {
	for i, it := range l.items {
		if h -= it.h; h < 0 {
			return i
		}
		h -= between
	}
	return len(l.items)
}
