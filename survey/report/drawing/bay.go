package drawing

import (
	"fmt"
	"math"
	"slices"
	"strings"

	"pinchrod/survey"
	"pinchrod/survey/asfound"
	"pinchrod/survey/fieldbook"
	"pinchrod/survey/report/figure"
	"pinchrod/survey/report/scene"
)

// Posts are the sections of a bay's lower and upper post along the stair, mm; 0
// was not read.
type Posts [2]float64

// PostsOf takes the sections out of a book; the last that was written down and
// stands counts, as in the findings.
func PostsOf(book *fieldbook.Book, p survey.Place) Posts {
	var out Posts
	for _, e := range fieldbook.InTime(book.Standing()) {
		r := &e.Reading
		if r.Where != p || r.What != survey.PostSection || r.Check() != nil {
			continue
		}
		switch r.At.Mark {
		case survey.Lower:
			out[0] = r.Value.Value()
		case survey.Upper:
			out[1] = r.Value.Value()
		}
	}
	return out
}

// view is a bay on a board: at 1:n from an origin.
type view struct {
	*shape
	b      *board
	n      float64
	origin scene.Point
}

func (v *view) on(x, y float64) scene.Point {
	return scene.Point{X: v.origin.X + x/v.n, Y: v.origin.Y - y/v.n}
}

// sampled is a curve from x0 to x1 as short straight lines.
func (v *view) sampled(y func(x float64) float64, x0, x1 float64, pieces int) []scene.Point {
	pts := make([]scene.Point, pieces+1)
	for i := range pts {
		x := x0 + (x1-x0)*float64(i)/float64(pieces)
		pts[i] = v.on(x, y(x))
	}
	return pts
}

// body draws posts and rails. Of a rail its edge towards the spindles was
// found; the other edge, which nobody reads, is thin and dashed.
func (v *view) body() {
	f := v.shape
	const pieces = 24
	rail := func(y func(float64) float64, x0, x1, depth float64, guessed, unbowed bool) {
		edge := v.sampled(y, x0, x1, pieces)
		far := v.sampled(func(x float64) float64 { return y(x) + depth }, x0, x1, pieces)
		band := slices.Clone(far)
		slices.Reverse(band)
		v.b.page.Add(scene.Poly{Points: append(slices.Clone(edge), band...), Closed: true, Fill: scene.Pale})
		v.b.poly(far, false, scene.Pen{Weight: scene.W18, Type: scene.Dashed, Shade: scene.Dark}, scene.Clear)
		switch {
		case guessed:
			v.b.poly(edge, false, scene.Pen{Weight: scene.W50, Type: scene.Dashed}, scene.Clear)
		case unbowed: // its ends are known, what lies between is not
			v.b.poly(edge[:pieces/4+1], false, outline, scene.Clear)
			v.b.poly(edge[pieces/4:3*pieces/4+1], false, scene.Pen{Weight: scene.W50, Type: scene.Dashed}, scene.Clear)
			v.b.poly(edge[3*pieces/4:], false, outline, scene.Clear)
		default:
			v.b.poly(edge, false, outline, scene.Clear)
		}
	}
	rail(f.base, 0, f.run, -baseDepth, f.noBase || f.noRun, f.noBowBase)
	x0, _ := f.meets(0)
	x1, _ := f.meets(f.run)
	rail(f.rail, x0, x1, railDepth, f.noRail || f.noRun, f.noBowRail)
	for i, upper := range []bool{false, true} {
		section, guessed := -f.posts[0], f.noLower
		if upper {
			section, guessed = f.posts[1], f.noUpper
		}
		foot, head := -baseDepth-(postOver-4)*v.n, f.standing(upper)+railDepth+(postOver-4)*v.n
		corner := func(h, by float64) scene.Point {
			x, y := f.face(upper, h)
			return v.on(x+by, y)
		}
		quad := []scene.Point{corner(foot, 0), corner(head, 0), corner(head, section), corner(foot, section)}
		v.b.page.Add(scene.Poly{Points: quad, Closed: true, Fill: scene.Pale})
		pen, far := outline, outline
		if guessed || f.noRun {
			pen.Type = scene.Dashed
		}
		if f.noPost[i] {
			far = scene.Pen{Weight: scene.W18, Type: scene.Dashed, Shade: scene.Dark}
		}
		v.b.line(quad[0], quad[1], pen)
		v.b.line(quad[3], quad[2], far)
		v.b.line(quad[1], quad[2], far)
		v.broken(quad[0], quad[3])
	}
}

// broken draws the zigzag of ISO 128 for a thing that goes on.
func (v *view) broken(p, q scene.Point) {
	d := q.Sub(p)
	u, over := d.Unit(), d.Unit().Turned()
	at := func(along, off float64) scene.Point { return p.Add(d.Mul(along)).Add(over.Mul(off)) }
	v.b.poly([]scene.Point{p.Sub(u), at(0.35, 0), at(0.45, 1.6), at(0.55, -1.6), at(0.65, 0), q.Add(u)}, false, scene.Pen{Weight: scene.W18}, scene.Clear)
}

// pickets draws the spindles, with their thinnest width inside.
func (v *view) pickets(edge, inside scene.Pen) {
	f := v.shape
	if f.noRail || f.noRun || f.noBase {
		edge.Type = scene.Dashed
	}
	for _, x := range f.spindles {
		side := func(by float64) [2]scene.Point {
			tx, ty := f.meets(x + by)
			return [2]scene.Point{v.on(x+by, f.base(x+by)), v.on(tx, ty)}
		}
		l, r := side(-f.width/2), side(f.width/2)
		v.b.poly([]scene.Point{l[0], l[1], r[1], r[0]}, true, edge, scene.White)
		if f.thin < f.width-1 {
			for _, by := range []float64{-f.thin / 2, f.thin / 2} {
				e := side(by)
				v.b.line(e[0], e[1], inside)
			}
		}
	}
}

// sayDashed tells what a dashed line was taken for.
func (f *shape) sayDashed() []entry {
	var parts []string
	for _, d := range []struct {
		is   bool
		what string
	}{
		{f.noRun, fmt.Sprintf("the run, drawn as %g mm", assumedRun)},
		{f.noBase, "the base rail's pitch"},
		{f.noGap, fmt.Sprintf("the gap, drawn as %g mm", assumedGap)},
		{f.noRail && !f.noGap, "the handrail, drawn parallel"},
		{f.noLower, "the lower post, drawn plumb"},
		{f.noUpper, "the upper post, drawn plumb"},
		{f.noBowBase && !f.noBase, "the base rail between its ends, drawn straight"},
		{f.noBowRail && !f.noRail, "the handrail between its ends, drawn straight"},
	} {
		if d.is {
			parts = append(parts, d.what)
		}
	}
	out := "outer edges of the rails"
	if f.noPost[0] || f.noPost[1] {
		out = "outer edges of posts and rails"
	}
	if len(parts) == 0 {
		return []entry{{nil, "Dashed and thin: " + out + ", not read."}}
	}
	return []entry{{nil, "Dashed was not read: " + strings.Join(parts, "; ") + "; and the thin " + out + "."}}
}

// missing tells what has yet to be read.
func missing(b *asfound.Bay) []entry {
	var titles []string
	for _, m := range b.Missing {
		titles = append(titles, m.Title())
	}
	if len(titles) == 0 {
		return nil
	}
	return []entry{{nil, "Missing: " + strings.Join(titles, "; ") + "."}}
}

// nothingToDraw is the sheet of a bay without figures.
func nothingToDraw(s Sheet, b *asfound.Bay, what string, f *shape) []scene.Page {
	why := "No reading says anything of this bay's shape yet, so nothing is drawn."
	if !f.nothing {
		why = "The figures make no bay that could be drawn: look for a slip among the readings."
	}
	entries := append([]entry{{nil, why}}, numbered(s.Rule, b.Flags, func(*asfound.Flag) []spot { return nil })...)
	return finish(s, picture{what: what, desc: why, entries: append(entries, missing(b)...)}, nil, false)
}

// Bay draws a bay as found, to scale, with its dimensions.
func Bay(b *asfound.Bay, posts Posts, s Sheet) []scene.Page {
	f := shapeOf(b, posts)
	what := "bay " + string(b.Place) + ", as found"
	if f.nothing || f.crazy {
		return nothingToDraw(s, b, what, &f)
	}
	a := &b.Adjusted
	entries := numbered(s.Rule, b.Flags, f.spotsOf(b))
	p := picture{what: what, desc: describe(s.Rule, b, entries)}
	p.entries = slices.Clone(entries)
	for _, text := range layoutWords(s.Rule, b) {
		p.entries = append(p.entries, entry{nil, text})
	}
	p.entries = append(p.entries, missing(b)...)
	p.entries = append(p.entries, f.sayDashed()...)
	p.entries = append(p.entries, entry{nil, "Dimensions in " + s.Rule.Named() + "; ± holds 19 times in 20."})

	p.extent = func(n float64) rect {
		r := f.extent(n)
		r.x0 -= dimOff + small*(above+below) + figGap
		r.x1 += dimOff + extOver + 1
		if f.slope < 0 {
			r.x1 += secondTier
		}
		r.y1 = max(r.y1, f.levelLine(n)+extOver+1)
		return r
	}
	p.draw = func(bd *board, n float64, origin scene.Point) {
		v := &view{&f, bd, n, origin}
		v.widest(b.Layout)
		v.body()
		v.pickets(narrow, light)
		v.dimensions(a)
		v.stations()
		v.inside(b)
	}
	p.label = func(bd *board, n float64, origin scene.Point) {
		v := &view{&f, bd, n, origin}
		for _, e := range entries {
			e.balloon.place(bd, v.on)
		}
	}
	return compose(s, p)
}

// levelLine is how far under the origin the level run's dimension stands.
func (f *shape) levelLine(n float64) float64 {
	lowest := -min(0, f.base(f.run), f.base(0)) / n
	if len(f.spindles) == 0 {
		return lowest + baseDepth/n + postOver + 2
	}
	line := lowest + baseDepth/n + 3 + hanging + small*(above+below) + 2
	if math.Abs(f.slope*f.run)/n < 30 { // no corner under the stair for the clear gap's note
		line += 2 * small * leading
	}
	return line
}

// dimensions are the run, the rise and the gaps at the posts.
func (v *view) dimensions(a *asfound.Adjusted) {
	f := v.shape
	bottom := v.on(0, f.base(0))
	level := scene.Point{X: 0, Y: v.origin.Y + f.levelLine(v.n)}
	if a.Run.Known {
		v.b.dimension(bottom, v.on(f.run, f.base(f.run)), level, scene.Point{X: 1}, "run "+v.b.rule.Of(a.Run, ""))
	}
	outer := func(upper bool) float64 {
		x, section := 0.0, -f.posts[0]
		if upper {
			x, section = f.run, f.posts[1]
		}
		return x + section
	}
	plumb := scene.Point{Y: -1}
	if a.GapBottom.Known {
		at := v.on(outer(false), 0).Add(scene.Point{X: -dimOff})
		v.b.dimension(bottom, v.on(0, f.rail(0)), at, plumb, "gap "+v.b.rule.Of(a.GapBottom, ""))
	}
	at := v.on(outer(true), 0).Add(scene.Point{X: dimOff})
	rise, ok := riseOf(a)
	if ok && math.Abs(rise.Value) >= 5*v.n {
		tier := at
		if f.slope < 0 { // else it stands under the gap's, in one line
			tier = tier.Add(scene.Point{X: secondTier})
		}
		// The level of the lower post's corner is shown by a datum line.
		v.b.line(bottom, v.on(f.run, f.base(0)), trueTo)
		v.b.dimension(v.on(f.run, f.base(0)), v.on(f.run, f.base(f.run)), tier, plumb, "rise "+v.b.rule.Of(rise, ""))
	}
	if a.GapTop.Known {
		v.b.dimension(v.on(f.run, f.base(f.run)), v.on(f.run, f.rail(f.run)), at, plumb, "gap "+v.b.rule.Of(a.GapTop, ""))
	}
}

// riseOf is R·tan of the base rail's pitch, with u as if the two were not
// correlated: the readings of each seldom touch the other.
func riseOf(a *asfound.Adjusted) (asfound.Quantity, bool) {
	if !a.Run.Known || !a.BaseAngle.Known {
		return asfound.Quantity{}, false
	}
	rad := a.BaseAngle.Value * math.Pi / 180
	t := math.Tan(rad)
	u := math.Hypot(t*a.Run.U, a.Run.Value*(1+t*t)*a.BaseAngle.U*math.Pi/180)
	return figure.Known(a.Run.Value*t, u), true
}

// stations are running dimensions along the base rail to the spindles' centres.
func (v *view) stations() {
	f := v.shape
	if len(f.spindles) == 0 {
		return
	}
	slant := math.Hypot(1, f.slope)
	under := func(x float64) scene.Point {
		return v.on(x, f.slope*x-baseDepth).Add(scene.Point{Y: 3})
	}
	last := f.spindles[len(f.spindles)-1]
	apart := last / float64(len(f.spindles)) / v.n
	every := max(1, int(math.Ceil(small*(above+below+0.2)/apart)))
	along := under(last).Sub(under(0)).Unit()
	v.b.line(under(0), under(last), narrow)
	v.b.page.Add(scene.Circle(under(0), 0.8, narrow, scene.White))
	for _, x := range f.spindles {
		at := under(x)
		v.b.line(v.on(x, f.base(x)-baseDepth).Add(scene.Point{Y: 0.5}), at.Add(scene.Point{Y: 0.6}), narrow)
		if apart >= 5 {
			v.b.arrow(at, along)
		} else {
			d := along.Add(along.Turned()).Mul(0.8)
			v.b.line(at.Sub(d), at.Add(d), narrow)
		}
	}
	// On top of every mark: where the rail is steep the next one's reaches here.
	for i, x := range f.spindles {
		if at := under(x); i%every == 0 {
			v.b.backed(scene.Text{At: scene.Point{X: at.X + small/2, Y: at.Y + 2.4}, S: v.b.rule.Length(x * slant), H: small, Anchor: scene.End, Angle: 90})
		}
	}
}

// widest hatches the space of the widest gap.
func (v *view) widest(l *asfound.Layout) {
	if !hasWidest(l) {
		return
	}
	x0, x1, _ := v.space(l.WidestSpace, 0)
	ax, ay := v.meets(x0)
	bx, by := v.meets(x1)
	quad := []scene.Point{v.on(x0, v.base(x0)), v.on(ax, ay), v.on(bx, by), v.on(x1, v.base(x1))}
	v.b.page.Add(scene.Hatch(quad, 2.5, 45, faint)...)
}

// hasWidest tells whether one space of a layout is wider than the clear gap, by
// what a page can show.
func hasWidest(l *asfound.Layout) bool {
	return l != nil && l.Count > 0 && l.WidestSpace >= 1 && l.WidestSpace <= l.Count+1 && l.Widest.Value-l.Clear.Value > 0.05
}

// inside draws the dimensions that stand inside the bay, whose figures have no
// room there.
func (v *view) inside(b *asfound.Bay) {
	f := v.shape
	a := &b.Adjusted
	say := func(text string, anchor, toward scene.Point) {
		v.b.later = append(v.b.later, remark{text, anchor, toward})
	}
	up, down := scene.Point{X: -0.6, Y: -0.8}, scene.Point{X: 0.6, Y: 0.8}
	if a.GapMiddle.Known {
		x := f.run / 2
		for k := 1; k <= len(f.spindles)+1; k++ { // in an open space
			if l, r, _ := f.space(k, 0); r > x {
				x = min(max(x, l+10), r-10)
				break
			}
		}
		foot, head := v.on(x, f.base(x)), v.on(x, f.rail(x))
		v.b.line(foot, head, narrow)
		v.b.arrow(foot, scene.Point{Y: 1})
		v.b.arrow(head, scene.Point{Y: -1})
		say("gap at middle "+v.b.rule.Of(a.GapMiddle, ""), head, up)
	}
	for _, pitch := range []struct {
		name   string
		q      asfound.Quantity
		t      float64
		y      func(float64) float64
		toward scene.Point
	}{{"base rail ", a.BaseAngle, 0.9, f.base, down}, {"handrail ", a.RailAngle, 0.3, f.rail, up}} {
		if pitch.q.Known {
			x := f.between(pitch.t * f.run)
			say(pitch.name+v.b.rule.Of(pitch.q, "°"), v.on(x, pitch.y(x)), pitch.toward)
		}
	}
	l := b.Layout
	if l == nil || l.Count == 0 {
		return
	}
	// Arrows from outside, clear of the rails where they rise or fall past them.
	const tail = 4.0
	across := func(k int, h float64, text string, toward scene.Point) {
		x0, x1, _ := f.space(k, h)
		off := math.Abs(f.slope) * ((x1-x0)/2 + (tail+1)*v.n)
		h = max(min(h, 0.9*f.gap-off), min(h, 0.5*f.gap), min(0.06*f.gap+off, 0.5*f.gap))
		x0, x1, y := f.space(k, h)
		p, q := v.on(x0, y), v.on(x1, y)
		if v.n > fine {
			say(text, p.Add(q).Mul(0.5), toward)
			return
		}
		v.b.line(p.Sub(scene.Point{X: tail}), q.Add(scene.Point{X: tail}), narrow)
		v.b.arrow(p, scene.Point{X: 1})
		v.b.arrow(q, scene.Point{X: -1})
		say(text, p.Add(q).Mul(0.5), toward)
	}
	const low, high = 0.06, 0.9
	k := (7*(len(f.spindles)+1) + 9) / 10 // where the corner under a stair has room
	across(k, low*f.gap, "clear gap "+v.b.rule.Of(l.Clear, ""), down)
	if hasWidest(l) {
		h, where := low, "at the base rail"
		if l.WidestHeight > 0 {
			h, where = high, "at the handrail"
		}
		across(l.WidestSpace, h*f.gap, "widest "+v.b.rule.Of(l.Widest, "")+" "+where, up)
	}
}

// layoutWords tells the layout in a sentence.
func layoutWords(r figure.Rule, b *asfound.Bay) []string {
	l := b.Layout
	if l == nil {
		if b.NoLayout != "" {
			return []string{"No spindles are laid out: " + b.NoLayout + "."}
		}
		return nil
	}
	if l.Count == 0 {
		return []string{"No spindle is needed."}
	}
	text := fmt.Sprintf("Spindles: %d, %s wide. Under the base rail: their centres along it from the lower post, as many as have room. Spaces: %d, alike at the base rail", l.Count, r.With(r.Tolerance(l.Width)), l.Count+1)
	if hasWidest(l) {
		text += "; the widest is hatched"
	}
	return []string{text + "."}
}

// describe tells a bay's drawing to whoever cannot see it.
func describe(r figure.Rule, b *asfound.Bay, entries []entry) string {
	a := &b.Adjusted
	var parts []string
	for _, f := range []struct {
		name, unit string
		q          asfound.Quantity
	}{
		{"run", "mm", a.Run}, {"base rail", "°", a.BaseAngle}, {"handrail", "°", a.RailAngle}, {"gap at the bottom", "mm", a.GapBottom},
		{"at the middle", "mm", a.GapMiddle}, {"at the top", "mm", a.GapTop}, {"lower post leans", "mm/m", a.LeanLower}, {"upper post leans", "mm/m", a.LeanUpper},
	} {
		if f.q.Known {
			parts = append(parts, f.name+" "+r.Of(f.q, f.unit))
		}
	}
	if b.Layout != nil {
		parts = append(parts, fmt.Sprintf("%d spindles", b.Layout.Count))
	}
	s := "A bay from the side: " + strings.Join(parts, ", ") + "."
	for _, e := range entries {
		s += fmt.Sprintf(" %d: %s", e.balloon.n, e.text)
	}
	return s
}
