package drawing

import (
	"fmt"

	"pinchrod/survey/report/scene"
)

// The scales of ISO 5455 (from memory) that a stair has use for, as 1:n, largest
// first. Those down to fine show a spindle as more than a line.
var scales = []float64{2, 5, 10, 20, 50, 100, 200}

const fine = 20

// picture is something that is drawn to a scale with words beside it.
type picture struct {
	what, desc string
	// heading stands in large letters over the words; none where it is empty.
	heading func(n float64) [2]string
	// extent is how far it reaches from its origin at scale 1:n, on paper.
	extent func(n float64) rect
	// draw draws it; label adds the words that find their place by themselves,
	// once the entries have theirs.
	draw, label func(b *board, n float64, origin scene.Point)
	entries     []entry
}

// align is where in its zone a picture stands, 0 at the left or the top and 1
// at the right or the bottom.
type align struct{ x, y float64 }

// Places that are tried: in the middle if it leaves room for the words, else
// what leaves most in the corner over a stair that rises to the right.
var aligns = []align{{0.5, 0.5}, {0.5, 1}, {1, 1}, {0, 1}}

// compose lays a picture out on A4 or letter paper, upright or not, at the largest scale that
// has room for it and its words; where the words have none they go to a sheet of
// their own.
func compose(s Sheet, p picture) []scene.Page {
	set := settings(p.entries)
	zones := map[bool]rect{true: newSheet(s, p.what, "", true).zone, false: newSheet(s, p.what, "", false).zone}
	for _, pass := range []struct {
		least, most float64
		together    bool
	}{{0, fine, true}, {0, fine, false}, {fine, scales[len(scales)-1], true}, {fine, scales[len(scales)-1], false}} {
		for _, n := range scales {
			if n < pass.least || n > pass.most {
				continue
			}
			ext := p.extent(n)
			for _, upright := range []bool{true, false} {
				z := zones[upright]
				spareX, spareY := z.w()-ext.w(), z.h()-ext.h()
				if !(spareX >= 0 && spareY >= 0) {
					continue
				}
				for _, a := range aligns {
					origin := scene.Point{X: z.x0 + a.x*spareX - ext.x0, Y: z.y0 + a.y*spareY - ext.y0}
					b := newSheet(s, p.what, fmt.Sprintf("1:%g", n), upright)
					if pass.together && b.attempt(p, n, origin, set) {
						return finish(s, p, b, true)
					}
					if !pass.together && b.attempt(p, n, origin, nil) {
						return finish(s, p, b, false)
					}
				}
			}
		}
	}
	// Nothing but words: the thing is larger than any stair.
	p.entries = append([]entry{{nil, "The figures are too large, or too odd, to be drawn."}}, p.entries...)
	return finish(s, p, nil, false)
}

func newSheet(s Sheet, what, scale string, upright bool) *board {
	on := scene.PaperFor(s.Rule.Inches)
	b := newBoard(on.Long, on.Short)
	if upright {
		b = newBoard(on.Short, on.Long)
	}
	b.rule = s.Rule
	b.frame(s, what, scale)
	return b
}

// settings are the entries as they are set in each of some widths.
func settings(entries []entry) []listing {
	if len(entries) == 0 {
		return nil
	}
	var out []listing
	for _, w := range []float64{86, 72, 100, 62, 120, 140, 170} {
		out = append(out, list(entries, w))
	}
	return out
}

// attempt draws a picture with its words, where they are given; it fails when
// something has no room. Without the words that is told on their sheet.
func (b *board) attempt(p picture, n float64, origin scene.Point, words []listing) bool {
	p.draw(b, n, origin)
	var heading [2]string
	if p.heading != nil {
		heading = p.heading(n)
	}
	if !b.tell(heading, words) {
		return false
	}
	p.label(b, n, origin)
	b.settle()
	return words == nil || len(b.failed) == 0
}

// tell sets a heading and words where there is room, best in the top left
// corner.
func (b *board) tell(heading [2]string, words []listing) bool {
	top := 0.0
	if heading[0] != "" {
		top = large*(above+below) + small*(above+below) + 2
	}
	// Clear of the picture if that can be, so that its notes have room.
	for _, clear := range []float64{12, 2} {
		for _, l := range words {
			if b.put(heading, top, l, clear) {
				return true
			}
		}
	}
	switch {
	case top > 0 && words != nil: // each by itself
		return b.tell(heading, nil) && b.tell([2]string{}, words)
	case top > 0:
		return b.put(heading, top, listing{}, 2)
	}
	return words == nil
}

// put sets a heading of some height and a listing under it where there is room,
// so far clear of all else.
func (b *board) put(heading [2]string, top float64, l listing, clear float64) bool {
	w := max(l.w, scene.TextWidth(heading[0], large, true), scene.TextWidth(heading[1], small, false))
	at, ok := b.lines.corner(b.zone, w+clear, l.h+top+clear)
	if !ok {
		return false
	}
	if top > 0 {
		b.text(scene.Text{At: scene.Point{X: at.x0, Y: at.y0 + large*above}, S: heading[0], H: large, Bold: true})
		b.text(scene.Text{At: scene.Point{X: at.x0, Y: at.y0 + large*(above+below) + small*above}, S: heading[1], H: small})
	}
	b.write(l, scene.Point{X: at.x0, Y: at.y0 + top})
	return true
}

// finish numbers the sheets, after those that hold the words that had no room.
func finish(s Sheet, p picture, first *board, together bool) []scene.Page {
	var boards []*board
	left := p.entries
	if first != nil {
		boards = append(boards, first)
		for _, f := range first.failed {
			left = append(left[:len(left):len(left)], entry{nil, f})
		}
	}
	if together {
		left = nil
	}
	for len(left) > 0 {
		b := newSheet(s, p.what+", in words", "", true)
		l := list(left, b.zone.w())
		n := l.fitting(b.zone.h())
		if n == 0 { // longer than a sheet by itself
			n = 1
			l.items[0].lines = l.items[0].lines[:int(b.zone.h()/(small*leading))-1]
		}
		l.items = l.items[:n]
		b.write(l, scene.Point{X: b.zone.x0, Y: b.zone.y0})
		boards, left = append(boards, b), left[n:]
	}
	pages := make([]scene.Page, len(boards))
	for i, b := range boards {
		b.number.S = fmt.Sprintf("sheet %d of %d", i+1, len(boards))
		b.page.Add(b.number)
		b.page.Title = s.Job + ": " + p.what
		b.page.Desc = p.desc
		pages[i] = *b.page
	}
	return pages
}
