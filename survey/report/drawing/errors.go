package drawing

import (
	"fmt"
	"math"
	"slices"

	"pinchrod/survey/asfound"
	"pinchrod/survey/report/figure"
	"pinchrod/survey/report/scene"
)

// How large the largest error is drawn, mm on paper, and by how much it may be
// made larger at most.
const (
	mostShown  = 12.0
	mostFactor = 100
)

// magnify is the largest factor of the series 1-2-5 that draws an error of e mm
// at 1:n no larger than shown mm on paper, 1 at least.
func magnify(e, n, shown float64) float64 {
	best := 1.0
	if e == 0 {
		return best
	}
	for decade := 1.0; decade <= mostFactor; decade *= 10 {
		for _, step := range []float64{1, 2, 5} {
			if f := decade * step; f <= mostFactor && e*f/n <= shown {
				best = max(best, f)
			}
		}
	}
	return best
}

// largest is the largest thing out of true of a bay, mm; what was not read is
// true.
func (f *shape) largest() float64 {
	e := 0.0
	for _, v := range []float64{f.leanLower * f.gap, f.leanUpper * f.gapAtUpper(), f.drift, f.bowBase, f.bowRail} {
		e = max(e, math.Abs(v))
	}
	return e
}

// wrong is the bay with what was found out of true magnified for a scale of
// 1:n.
func (f *shape) wrong(n float64) shape {
	w := *f
	w.factor = magnify(f.largest(), n, min(mostShown, f.gap/n/3))
	return w
}

// Errors draws a bay with what is out of true made larger, by a factor that is
// written on it; chain lines show where it would be true.
func Errors(b *asfound.Bay, posts Posts, s Sheet) []scene.Page {
	f := shapeOf(b, posts)
	what := "bay " + string(b.Place) + ", errors magnified"
	if f.nothing || f.crazy {
		return nothingToDraw(s, b, what, &f)
	}
	entries := numbered(s.Rule, b.Flags, f.spotsOf(b))
	p := picture{what: what, desc: describe(s.Rule, b, entries)}
	p.entries = slices.Clone(entries)
	for _, across := range []struct {
		post string
		q    asfound.Quantity
	}{{"Lower", b.Adjusted.AcrossLower}, {"Upper", b.Adjusted.AcrossUpper}} {
		if across.q.Known {
			p.entries = append(p.entries, entry{nil, fmt.Sprintf("%s post across the stair, not drawn: %s, + to the well.", across.post, figure.Signed(across.q, "mm/m"))})
		}
	}
	p.entries = append(p.entries, missing(b)...)
	p.entries = append(p.entries, f.sayDashed()...)
	p.entries = append(p.entries, entry{nil, "Chain lines: where it would be true. Do not scale; ± holds 19 times in 20."})

	p.heading = func(n float64) [2]string {
		if f.largest() == 0 {
			return [2]string{"nothing out of true", "by what was read"}
		}
		w := f.wrong(n)
		return [2]string{fmt.Sprintf("errors × %g", w.factor), outShows(s.Rule, w.factor/n)}
	}
	p.extent = func(n float64) rect {
		w := f.wrong(n)
		return w.extent(n).grown(2)
	}
	p.draw = func(bd *board, n float64, origin scene.Point) {
		w := f.wrong(n)
		v := &view{&w, bd, n, origin}
		v.pickets(faint, faint)
		v.body()
		v.truth()
	}
	p.label = func(bd *board, n float64, origin scene.Point) {
		w := f.wrong(n)
		v := &view{&w, bd, n, origin}
		v.say(b)
		for _, e := range numbered(s.Rule, b.Flags, w.spotsOf(b)) {
			e.balloon.place(bd, v.on)
		}
	}
	return compose(s, p)
}

// outShows says how large an error of 1 is drawn, in the units of the rule.
func outShows(r figure.Rule, by float64) string {
	return fmt.Sprintf("%s out shows as %s", r.With("1"), r.With(figure.Plain(by)))
}

// truth draws plumb posts and straight, parallel rails.
func (v *view) truth() {
	t := *v.shape
	t.factor = 0
	for _, upper := range []bool{false, true} {
		x0, y0 := t.face(upper, -baseDepth)
		x1, y1 := t.face(upper, t.gap+railDepth)
		v.b.line(v.on(x0, y0), v.on(x1, y1), trueTo)
	}
	v.b.line(v.on(0, t.base(0)), v.on(t.run, t.base(t.run)), trueTo)
	v.b.line(v.on(0, t.rail(0)), v.on(t.run, t.rail(t.run)), trueTo)
}

// say writes each error beside where it is.
func (v *view) say(b *asfound.Bay) {
	f := v.shape
	a := &b.Adjusted
	up, down := scene.Point{Y: -1}, scene.Point{Y: 1}
	rail := func(name string, q asfound.Quantity, not bool, y func(float64) float64, toward scene.Point) {
		s := name + " not read between its ends"
		if !not {
			s = name + " " + v.b.rule.Signed(q, "mm") + " at mid-run"
		}
		v.b.note([]string{s}, v.on(f.run/2, y(f.run/2)), toward)
	}
	rail("base rail", a.BowBase, f.noBowBase, f.base, down)
	rail("handrail", a.BowRail, f.noBowRail, f.rail, up)
	s := "rails taken as parallel"
	if i := slices.IndexFunc(b.Flags, func(fl asfound.Flag) bool { return fl.Name == "drift" }); i >= 0 && !f.noRail {
		s = "gap " + v.b.rule.Signed(figure.Known(b.Flags[i].Value, b.Flags[i].U), "mm") + " at the top"
	}
	v.b.note([]string{s}, v.on(f.run*0.97, f.rail(f.run*0.97)), up)
	post := func(upper bool, q asfound.Quantity, not bool, gap float64, toward scene.Point) {
		name := "lower post"
		if upper {
			name = "upper post"
		}
		lines := []string{name + " not read"}
		if !not {
			over := figure.Known(q.Value*gap/1000, q.U*gap/1000)
			lines = []string{name + " " + v.b.rule.Signed(q, "mm/m"), v.b.rule.Signed(over, "mm") + " over its gap"}
		}
		x, y := f.face(upper, 0.85*gap)
		v.b.note(lines, v.on(x, y), toward)
	}
	post(false, a.LeanLower, f.noLower, f.gap, scene.Point{X: -0.8, Y: -0.6})
	post(true, a.LeanUpper, f.noUpper, f.gapAtUpper(), scene.Point{X: 0.8, Y: -0.6})
}
