package drawing

import (
	"fmt"
	"math"
	"strconv"
	"strings"

	"pinchrod/calc/rules"
	"pinchrod/survey/asfound"
	"pinchrod/survey/report/figure"
	"pinchrod/survey/report/lines"
	"pinchrod/survey/report/scene"
)

// balloonR is a balloon's radius, mm: two figures and a question mark fit.
const balloonR = 3.4

// balloon is the number of a flag. One that cannot be told yet is open and has
// a question mark, so that a copy without colour tells them apart.
type balloon struct {
	n      int
	unsure bool
	spots  []spot
}

// spot is a place of the stair that a flag concerns, in its own mm, and where
// its balloon had best stand.
type spot struct {
	x, y   float64
	toward scene.Point
}

func (m *balloon) draw(b *board, at scene.Point) {
	fill, ink, pen, s := scene.Black, scene.White, narrow, strconv.Itoa(m.n)
	if m.unsure {
		fill, ink, pen, s = scene.White, scene.Black, hidden, s+"?"
	}
	b.page.Add(scene.Circle(at, balloonR, pen, fill))
	// A chord half a height off the middle; three figures have to be smaller.
	h := min(small, small*2*math.Sqrt(balloonR*balloonR-small*small/4)/scene.TextWidth(s, small, true))
	b.page.Add(scene.Text{At: scene.Point{X: at.X, Y: at.Y + h/2}, S: s, H: h, Anchor: scene.Middle, Bold: true, Shade: ink})
}

// place sets a balloon beside each of its spots.
func (m *balloon) place(b *board, on func(x, y float64) scene.Point) {
	for _, s := range m.spots {
		anchor := on(s.x, s.y)
		const side = 2*balloonR + 0.6
		at, leader, ok := b.beside(side, side, anchor, s.toward)
		if !ok {
			b.failed = append(b.failed, fmt.Sprintf("%d has no room on the drawing", m.n))
			continue
		}
		b.line(leader.A, leader.B, light)
		b.dot(anchor)
		b.take(at)
		m.draw(b, at.middle())
	}
}

// mostAlike is how many flags of one name and state are told one by one; more
// share a number, and the worst is told in words.
const mostAlike = 3

// numbered gives flags that are not clear their numbers and their words, those
// that are up first. spotsOf says where one belongs; none is for what has no
// place.
func numbered(r figure.Rule, flags []asfound.Flag, spotsOf func(*asfound.Flag) []spot) []entry {
	type kind struct {
		name  string
		state rules.State
	}
	alike := map[kind][]*asfound.Flag{}
	for i := range flags {
		k := kind{flags[i].Name, flags[i].State}
		alike[k] = append(alike[k], &flags[i])
	}
	var out []entry
	for _, state := range []rules.State{rules.Flag, rules.Unsure} {
		for i := range flags {
			f := &flags[i]
			if f.State != state {
				continue
			}
			same := alike[kind{f.Name, f.State}]
			if len(same) <= mostAlike || f.Name == "slip" || f.Name == "tool" {
				same = []*asfound.Flag{f}
			} else if same[0] != f {
				continue
			}
			m := &balloon{n: len(out) + 1, unsure: state == rules.Unsure}
			worst := f
			for _, g := range same {
				m.spots = append(m.spots, spotsOf(g)...)
				if math.Abs(g.Value-g.Limit) > math.Abs(worst.Value-worst.Limit) {
					worst = g
				}
			}
			text := words(r, worst)
			if n := len(same) - 1; n > 0 {
				text += fmt.Sprintf(" So it is with %d more.", n)
			}
			out = append(out, entry{m, text})
		}
	}
	return out
}

// words tells a flag in words.
func words(r figure.Rule, f *asfound.Flag) string {
	s := "FLAG "
	if f.State == rules.Unsure {
		s = "unsure "
	}
	s += f.Name
	fig := r.Signed(figure.Known(f.Value, f.U), f.Unit)
	if f.Absolute || f.Name == "two-answers" {
		fig = r.Of(figure.Known(f.Value, f.U), f.Unit)
	}
	if f.Unit != "" && !(f.Name == "opening" && f.Value == 0) {
		s += " " + fig
		if f.Limit != 0 {
			s += ", limit " + r.Of(figure.Known(f.Limit, 0), f.Unit)
		}
	}
	return strings.TrimSpace(s + ". " + lines.Sentence(f.Of) + " " + lines.Sentence(f.Text))
}
