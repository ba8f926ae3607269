package drawing

import (
	"fmt"
	"math"
	"regexp"
	"slices"
	"strconv"
	"strings"

	"pinchrod/survey"
	"pinchrod/survey/asfound"
	"pinchrod/survey/report/figure"
	"pinchrod/survey/report/scene"
)

// quad is a flight in the plane of its pitch as it is drawn: x across from the
// bottom left corner, y up the slope, mm.
type quad struct {
	corners [4]scene.Point // bottom left, bottom right, top left, top right
	noSkew  bool           // the corners were taken as square
	noWidth bool           // no width was read, so it is guessed
	steps   []float64      // nosings between bottom and top, parts of the length
}

// mostSkew is how far a corner may be from square, in rad: 20°. What is farther
// off is a slip or no straight flight.
const mostSkew = 20 * math.Pi / 180

// planOf puts the adjusted figures of a flight together. The adjusted value of
// a reading is the reading less its residual.
func planOf(f *asfound.Flight) (quad, bool) {
	if f.Plan == nil {
		return quad{}, false
	}
	adjusted := func(what survey.What, at survey.Mark) (float64, bool) {
		for i := range f.Results {
			if r := &f.Results[i]; r.Reading.What == what && r.Reading.At.Mark == at {
				return r.Value - r.Residual, true
			}
		}
		return 0, false
	}
	var q quad
	taper := 0.0
	if f.Plan.Taper.Known {
		taper = f.Plan.Taper.Value
	}
	width, ok := adjusted(survey.Width, survey.Bottom)
	if !ok {
		if width, ok = adjusted(survey.Width, survey.Top); ok {
			width -= taper
		} else if width, ok = adjusted(survey.Width, survey.Middle); ok {
			width -= taper / 2
		}
	}
	left, haveLeft := adjusted(survey.Side, survey.Left)
	right, haveRight := adjusted(survey.Side, survey.Right)
	if !haveLeft && !haveRight {
		d, have := adjusted(survey.Diagonal, survey.Rising)
		if !have {
			d, have = adjusted(survey.Diagonal, survey.Falling)
		}
		if !have || d <= width {
			return quad{}, false
		}
		left = math.Sqrt(d*d - width*width)
		right = left
	} else if !haveLeft {
		left = right
	} else if !haveRight {
		right = left
	}
	if !ok {
		q.noWidth, width = true, left/4
	}
	angle := func(c int) float64 {
		if a := f.Plan.Corners[c]; a.Known {
			return a.Value * math.Pi / 180
		}
		q.noSkew = true
		return math.Pi / 2
	}
	bl, br := angle(0), angle(1)
	q.corners = [4]scene.Point{
		{}, {X: width}, {X: left * math.Cos(bl), Y: left * math.Sin(bl)}, {X: width - right*math.Cos(br), Y: right * math.Sin(br)},
	}
	for _, c := range q.corners {
		if !finite(c.X, c.Y) || math.Abs(c.X) > 30e3 || math.Abs(c.Y) > 30e3 {
			return quad{}, false
		}
	}
	top := q.corners[3].Sub(q.corners[2])
	if width < 50 || top.X < 50 || q.corners[2].Y < 50 || q.corners[3].Y < 50 || math.Abs(bl-math.Pi/2) > mostSkew || math.Abs(br-math.Pi/2) > mostSkew || math.Abs(top.Y) > top.X*math.Tan(mostSkew) {
		return quad{}, false
	}
	q.steps = nosings(f)
	return q, true
}

// nosings are where the nosings lie between the bottom and the top one, as parts
// of the length: by the goings, or evenly where one is not known.
func nosings(f *asfound.Flight) []float64 {
	n := 0
	for _, s := range f.Steps {
		if s.Going.Known {
			n++
		}
	}
	if n == 0 {
		return nil
	}
	var at []float64
	sum := 0.0
	for _, s := range f.Steps[:min(n, len(f.Steps))] {
		if !s.Going.Known || s.Going.Value <= 0 {
			return evenly(n)
		}
		sum += s.Going.Value
		at = append(at, sum)
	}
	for i := range at {
		at[i] /= sum
	}
	return at[:n-1]
}

func evenly(n int) []float64 {
	var at []float64
	for i := 1; i < n; i++ {
		at = append(at, float64(i)/float64(n))
	}
	return at
}

// length is the middle of the top edge above the bottom edge.
func (q *quad) length() float64 { return (q.corners[2].Y + q.corners[3].Y) / 2 }

// truth is the rectangle on the same bottom edge.
func (q *quad) truth() [4]scene.Point {
	w, l := q.corners[1].X, q.length()
	return [4]scene.Point{{}, {X: w}, {Y: l}, {X: w, Y: l}}
}

// magnified moves the top corners factor times as far off the truth.
func (q *quad) magnified(factor float64) quad {
	m := *q
	t := q.truth()
	for i, c := range q.corners {
		m.corners[i] = t[i].Add(c.Sub(t[i]).Mul(factor))
	}
	return m
}

// largest is how far a corner is off the truth, mm.
func (q *quad) largest() float64 {
	e := 0.0
	t := q.truth()
	for i, c := range q.corners {
		e = max(e, math.Abs(c.X-t[i].X), math.Abs(c.Y-t[i].Y))
	}
	return e
}

// at is a place between the edges: u across from the left, v up.
func (q *quad) at(u, v float64) scene.Point {
	c := q.corners
	low := c[0].Add(c[1].Sub(c[0]).Mul(u))
	high := c[2].Add(c[3].Sub(c[2]).Mul(u))
	return low.Add(high.Sub(low).Mul(v))
}

var ofStep = regexp.MustCompile(`\bstep (\d+)`)

// spotsOf is where a flag of a flight belongs in plan.
func (q *quad) spotsOf(f *asfound.Flight) func(*asfound.Flag) []spot {
	up, down := scene.Point{Y: -1}, scene.Point{Y: 1}
	left, right := scene.Point{X: -1}, scene.Point{X: 1}
	at := func(u, v float64, toward scene.Point) []spot {
		p := q.at(u, v)
		return []spot{{p.X, p.Y, toward}}
	}
	tread := func(n int) []spot {
		if n < 1 || len(q.steps) == 0 {
			return nil
		}
		edge := append(append([]float64{0}, q.steps...), 1)
		i := min(n, len(edge)-1)
		return at(0.93, (edge[i-1]+edge[i])/2, right)
	}
	sides := map[survey.Mark]float64{survey.Bottom: 0.04, survey.Middle: 0.5, survey.Top: 0.96}
	used := map[int]bool{}
	return func(fl *asfound.Flag) []spot {
		switch fl.Name {
		case "corner":
			switch {
			case strings.HasPrefix(fl.Of, "bottom left"):
				return at(0, 0, left)
			case strings.HasPrefix(fl.Of, "bottom right"):
				return at(1, 0, right)
			case strings.HasPrefix(fl.Of, "top left"):
				return at(0, 1, left)
			}
			return at(1, 1, right)
		case "swing":
			return at(0.5, 1, up)
		case "taper":
			return at(0.25, 1, up)
		case "width":
			return at(0.5, 0.5, right)
		case "string-bottom":
			return at(0, sides[survey.Bottom], left)
		case "string-middle", "string-change":
			return at(0, sides[survey.Middle], left)
		case "string-top":
			return at(0, sides[survey.Top], left)
		case "first-rise":
			return tread(1)
		case "closure-rise", "closure-going", "rise-spread", "going-spread", "risers":
			return at(0.5, 0, down)
		case "slip", "two-answers":
			for i := range f.Results {
				r := &f.Results[i]
				if used[i] || fl.Name == "slip" && !r.Suspect || !strings.HasPrefix(fl.Of, r.Reading.Title()+",") {
					continue
				}
				used[i] = true
				switch m := r.Reading.At.Mark; r.Reading.What {
				case survey.Width:
					return at(0.5, sides[m], right)
				case survey.Side:
					if m == survey.Left {
						return at(0, 0.6, left)
					}
					return at(1, 0.6, right)
				case survey.Diagonal:
					if m == survey.Rising {
						return at(0.7, 0.7, right)
					}
					return at(0.3, 0.7, left)
				case survey.Rise, survey.Going:
					return tread(int(r.Reading.At.N))
				}
				return at(0.5, 0, down)
			}
			return nil
		}
		if m := ofStep.FindStringSubmatch(fl.Of); m != nil {
			if n, err := strconv.Atoi(m[1]); err == nil {
				return tread(n)
			}
		}
		return nil
	}
}

// Plan draws a flight square on to its pitch, true to scale and beside it with
// what is out of square made larger.
func Plan(f *asfound.Flight, s Sheet) []scene.Page {
	what := "flight " + string(f.Place) + " in plan, out of square"
	q, ok := planOf(f)
	if !ok {
		why := "No plan can be drawn yet: it needs a width, both sides and both diagonals of the flight."
		if f.Plan != nil {
			why = "The figures make no plan that could be drawn: look for a slip among the readings."
		}
		entries := append([]entry{{nil, why}}, numbered(s.Rule, f.Flags, func(*asfound.Flag) []spot { return nil })...)
		return finish(s, picture{what: what, desc: why, entries: entries}, nil, false)
	}
	entries := numbered(s.Rule, f.Flags, q.spotsOf(f))
	p := picture{what: what, desc: describePlan(s.Rule, f, entries), entries: slices.Clone(entries)}
	if q.noSkew {
		p.entries = append(p.entries, entry{nil, "Dashed was not read: corners drawn square; both diagonals would tell."})
	}
	if q.noWidth {
		p.entries = append(p.entries, entry{nil, "No width was read; the flight is drawn a quarter as wide as long."})
	}
	p.entries = append(p.entries, entry{nil, "Seen square on to the pitch, lengths up the slope. Dimensions in " + s.Rule.Named() + "; ± holds 19 times in 20. Chain lines: where it would be square."})

	width := q.corners[1].X
	factor := func(n float64) float64 { return magnify(q.largest(), n, min(mostShown, width/n/3)) }
	p.heading = func(n float64) [2]string {
		if q.largest() == 0 {
			return [2]string{"nothing out of square", "by what was read"}
		}
		return [2]string{fmt.Sprintf("errors × %g at the right", factor(n)), outShows(s.Rule, factor(n)/n) + " there, true to scale at the left"}
	}
	const side = dimOff + small*(above+below) + figGap + 1
	reach := func(m quad, n float64) rect {
		c := m.corners
		r := around(c[:]...)
		return rect{r.x0 / n, -r.y1 / n, r.x1 / n, -r.y0 / n}
	}
	apart := func(n float64) float64 { // of the two pictures
		return reach(q, n).x1 + side + 10 - reach(q.magnified(factor(n)), n).x0
	}
	p.extent = func(n float64) rect {
		l, r := reach(q, n), reach(q.magnified(factor(n)), n)
		return rect{l.x0 - side, min(l.y0, r.y0) - side, apart(n) + r.x1 + 4, max(l.y1, r.y1) + side}
	}
	p.draw = func(b *board, n float64, origin scene.Point) {
		v := &flightView{&q, b, n, origin}
		v.body(f)
		v.dimensions(f)
		m := q.magnified(factor(n))
		w := &flightView{&m, b, n, origin.Add(scene.Point{X: apart(n)})}
		w.outline()
		t := q.truth()
		for _, e := range [][2]int{{0, 1}, {1, 3}, {3, 2}, {2, 0}} {
			b.line(w.on(t[e[0]]), w.on(t[e[1]]), trueTo)
		}
	}
	p.label = func(b *board, n float64, origin scene.Point) {
		v := &flightView{&q, b, n, origin}
		m := q.magnified(factor(n))
		w := &flightView{&m, b, n, origin.Add(scene.Point{X: apart(n)})}
		b.settle()
		for _, e := range entries {
			e.balloon.place(b, func(x, y float64) scene.Point { return v.on(scene.Point{X: x, Y: y}) })
		}
		// What is said of the right picture does not stand in the left one.
		l := reach(q, n)
		b.lines.mark(rect{origin.X + l.x0, origin.Y + l.y0, origin.X + l.x1, origin.Y + l.y1}.grown(side))
		w.say(f)
	}
	return compose(s, p)
}

// flightView is a flight on a board: at 1:n from the bottom left corner.
type flightView struct {
	*quad
	b      *board
	n      float64
	origin scene.Point
}

func (v *flightView) on(p scene.Point) scene.Point {
	return scene.Point{X: v.origin.X + p.X/v.n, Y: v.origin.Y - p.Y/v.n}
}

func (v *flightView) outline() {
	pen := outline
	if v.noSkew || v.noWidth {
		pen.Type = scene.Dashed
	}
	c := v.corners
	v.b.poly([]scene.Point{v.on(c[0]), v.on(c[1]), v.on(c[3]), v.on(c[2])}, true, pen, scene.Clear)
}

// body draws the flight with its diagonals and nosings, every step with its
// number where there is room.
func (v *flightView) body(f *asfound.Flight) {
	edge := append(append([]float64{0}, v.steps...), 1)
	for _, t := range v.steps {
		v.b.line(v.on(v.at(0, t)), v.on(v.at(1, t)), faint)
	}
	v.outline()
	v.diagonals(f)
	if len(v.steps) == 0 || v.corners[1].X/v.n < 8 {
		return
	}
	last := math.Inf(1)
	for i := 1; i < len(edge); i++ {
		at := v.on(v.at(0.5, (edge[i-1]+edge[i])/2))
		if last-at.Y < small*leading {
			continue
		}
		last = at.Y
		v.b.backed(scene.Text{At: at.Add(scene.Point{Y: small / 2}), S: strconv.Itoa(i), H: small, Anchor: scene.Middle, Shade: scene.Dark})
	}
}

// adjustedOf is the adjusted figure of a reading with the uncertainty the
// adjustment leaves: u²(1 − r), r its redundancy.
func adjustedOf(f *asfound.Flight, what survey.What, at survey.Mark) asfound.Quantity {
	for i := range f.Results {
		if r := &f.Results[i]; r.Reading.What == what && r.Reading.At.Mark == at && !r.Suspect {
			return asfound.Quantity{Value: r.Value - r.Residual, U: r.U * math.Sqrt(max(0, 1-r.Redundancy)), Known: true}
		}
	}
	return asfound.Quantity{}
}

func (v *flightView) dimensions(f *asfound.Flight) {
	c := v.corners
	for _, d := range []struct {
		what   survey.What
		at     survey.Mark
		p, q   scene.Point
		toward scene.Point // where the dimension line stands
		name   string
	}{
		{survey.Width, survey.Bottom, c[0], c[1], scene.Point{Y: dimOff}, "width"},
		{survey.Width, survey.Top, c[2], c[3], scene.Point{Y: -dimOff}, "width"},
		{survey.Side, survey.Left, c[0], c[2], scene.Point{X: -dimOff}, "left side"},
		{survey.Side, survey.Right, c[1], c[3], scene.Point{X: dimOff}, "right side"},
	} {
		if q := adjustedOf(f, d.what, d.at); q.Known {
			p, r := v.on(d.p), v.on(d.q)
			v.b.dimension(p, r, p.Add(d.toward), r.Sub(p), d.name+" "+v.b.rule.Of(q, ""))
		}
	}
}

// diagonals draws the diagonals thin, each with its length along its lower half,
// or beside it where that is too short.
func (v *flightView) diagonals(f *asfound.Flight) {
	c := v.corners
	type diagonal struct {
		at   survey.Mark
		p, q scene.Point
		name string
	}
	both := []diagonal{{survey.Rising, v.on(c[0]), v.on(c[3]), "rising "}, {survey.Falling, v.on(c[1]), v.on(c[2]), "falling "}}
	for _, d := range both {
		if adjustedOf(f, survey.Diagonal, d.at).Known {
			v.b.line(d.p, d.q, trueTo)
		}
	}
	for _, d := range both {
		q := adjustedOf(f, survey.Diagonal, d.at)
		if !q.Known {
			continue
		}
		way := d.q.Sub(d.p)
		t := scene.Text{At: d.p.Add(way.Mul(0.24)), S: d.name + v.b.rule.Of(q, ""), H: small, Anchor: scene.Middle, Angle: math.Atan2(-way.Y, way.X) * 180 / math.Pi}
		if t.Angle > 90 {
			t.Angle -= 180
		}
		// Its upper end has to keep off the numbers in the middle.
		if (0.26-t.Width()/2/way.Len())*c[1].X/v.n < 5 {
			v.b.later = append(v.b.later, remark{t.S, d.p.Add(way.Mul(0.8)), scene.Point{X: 1}})
			continue
		}
		// Over the line, so that the line goes on under it.
		up := scene.Point{X: -math.Sin(t.Angle * math.Pi / 180), Y: -math.Cos(t.Angle * math.Pi / 180)}
		t.At = t.At.Add(up.Mul(figGap + below*small))
		v.b.backed(t)
	}
}

// say writes each error beside where it is.
func (v *flightView) say(f *asfound.Flight) {
	up, left := scene.Point{Y: -1}, scene.Point{X: -1}
	pl := f.Plan
	if pl.Swing.Known {
		v.b.note([]string{"swing " + v.b.rule.Signed(pl.Swing, ""), "+ to the right"}, v.on(v.at(0.5, 1)), up)
	}
	if pl.Skew.Known {
		v.b.note([]string{"top edge " + v.b.rule.Signed(pl.Skew, ""), "+ right end up"}, v.on(v.at(0.85, 1)), up)
	}
	if pl.Taper.Known {
		v.b.note([]string{"taper " + v.b.rule.Signed(pl.Taper, ""), "+ wider at top"}, v.on(v.at(1, 0.7)), left)
	}
	for i, c := range []struct {
		u, v   float64
		toward scene.Point
	}{{0, 0, scene.Point{X: 0.8, Y: -0.6}}, {1, 0, scene.Point{X: -0.8, Y: -0.6}}, {0, 1, scene.Point{X: 0.8, Y: 0.6}}, {1, 1, scene.Point{X: -0.8, Y: 0.6}}} {
		if a := pl.Corners[i]; a.Known {
			v.b.note([]string{figure.Of(a, "°")}, v.on(v.at(c.u, c.v)), c.toward)
		}
	}
}

func describePlan(r figure.Rule, f *asfound.Flight, entries []entry) string {
	var parts []string
	for _, q := range []struct {
		name string
		q    asfound.Quantity
	}{{"swing", f.Plan.Swing}, {"taper", f.Plan.Taper}, {"top edge out of square", f.Plan.Skew}} {
		if q.q.Known {
			parts = append(parts, q.name+" "+r.Signed(q.q, "mm"))
		}
	}
	s := "A flight seen square on to its pitch: " + strings.Join(parts, ", ") + "."
	for _, e := range entries {
		s += fmt.Sprintf(" %d: %s", e.balloon.n, e.text)
	}
	return s
}
