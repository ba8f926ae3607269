package drawing

import (
	"math"
	"slices"

	"pinchrod/survey"
	"pinchrod/survey/asfound"
)

// What stands in for a figure that nothing gives, so that the rest can be drawn
// to it, dashed; common practice, no source. Lengths in mm.
const (
	assumedRun   = 1000.0
	assumedGap   = 800.0
	assumedPitch = 38.0 // degrees, of a stair
	assumedPost  = 90.0
	baseDepth    = 40.0 // of the rails, which nobody reads
	railDepth    = 45.0
)

// shape is a bay as it is drawn: x level from the lower post's face at the base
// rail, y up, mm. What is out of true is factor times as large as it is.
type shape struct {
	run, slope, gap      float64 // slope is the tan of the base rail's pitch
	drift                float64 // gap at the upper post less gap at the lower
	leanLower, leanUpper float64 // tan
	bowBase, bowRail     float64
	factor               float64
	posts                Posts
	noRun, noGap         bool // was not read
	noBase, noRail       bool
	noLower, noUpper     bool
	noBowBase, noBowRail bool
	noPost               [2]bool
	spindles             []float64 // stations
	width, thin          float64
	nothing, crazy       bool // nothing was read, or what makes no bay
}

// mostSlope is tan 75°: no reading of a steeper rail is believed (survey.Kinds), so
// what is steeper is no stair.
const mostSlope = 3.7321

// shapeOf is the bay true to scale. What was only taken for granted comes as
// true and is marked: a figure was measured where asfound judges it, as it does
// not judge priors.
func shapeOf(b *asfound.Bay, posts Posts) shape {
	a := &b.Adjusted
	judged := func(name string) bool {
		return slices.ContainsFunc(b.Flags, func(f asfound.Flag) bool { return f.Name == name })
	}
	read := func(whats ...survey.What) bool {
		return slices.ContainsFunc(b.Readings, func(r asfound.Result) bool { return slices.Contains(whats, r.Reading.What) })
	}
	or := func(q asfound.Quantity, otherwise float64) float64 {
		if q.Known {
			return q.Value
		}
		return otherwise
	}
	f := shape{
		factor: 1, posts: posts, nothing: b.Chi2 == nil,
		noRun: !a.Run.Known, noGap: !a.GapBottom.Known, noLower: !judged("plumb-lower"), noUpper: !judged("plumb-upper"),
		noBowBase: !judged("bow-base"), noBowRail: !judged("bow-rail"),
	}
	parallel := !judged("drift") // the rails are only taken to be
	base, rail := read(survey.BaseAngle, survey.StringAngle), read(survey.RailAngle)
	pitched := base || rail || read(survey.SlopeRun, survey.FrameDiagonal)
	f.noBase = !a.BaseAngle.Known || !pitched || parallel && rail && !base
	f.noRail = !a.GapBottom.Known || parallel && !rail

	pitch := assumedPitch
	if a.RailAngle.Known {
		pitch = a.RailAngle.Value
	}
	f.run = or(a.Run, assumedRun)
	f.slope = math.Tan(or(a.BaseAngle, pitch) * math.Pi / 180)
	f.gap = or(a.GapBottom, assumedGap)
	f.drift = or(a.GapTop, f.gap) - f.gap
	f.leanLower, f.leanUpper = or(a.LeanLower, 0)/1000, or(a.LeanUpper, 0)/1000
	f.bowBase, f.bowRail = or(a.BowBase, 0), or(a.BowRail, 0)
	for _, g := range []struct {
		granted bool
		figure  *float64
	}{{f.noLower, &f.leanLower}, {f.noUpper, &f.leanUpper}, {f.noRail, &f.drift}, {f.noBowBase, &f.bowBase}, {f.noBowRail, &f.bowRail}} {
		if g.granted {
			*g.figure = 0
		}
	}
	for i := range f.posts {
		if !(f.posts[i] > 0) {
			f.posts[i], f.noPost[i] = assumedPost, true
		}
	}
	if l := b.Layout; l != nil {
		f.spindles, f.width, f.thin = l.Stations, l.Width, l.Width
		if len(l.Spaces) > 0 { // beside a post half of the difference shows
			f.thin -= 2 * (l.Spaces[0].Bottom - l.Spaces[0].Fillet)
		}
	}
	f.crazy = !finite(f.run, f.slope, f.gap, f.drift, f.leanLower, f.leanUpper, f.bowBase, f.bowRail) ||
		f.run < 20 || f.gap < 20 || f.gap+f.drift < 20 || f.run > 40e3 || f.gap > 5e3 || math.Abs(f.slope) > mostSlope ||
		math.Abs(f.leanLower) > 0.3 || math.Abs(f.leanUpper) > 0.3 || math.Abs(f.bowBase)+math.Abs(f.bowRail) > f.gap/2
	return f
}

// gapAtUpper is the gap at the upper post, true to scale.
func (f *shape) gapAtUpper() float64 { return f.gap + f.drift }

// arch is 4t(1−t), the part of a bow there is at x: none beyond the posts'
// feet, to where a leaning post takes the rail's end.
func (f *shape) arch(x float64) float64 {
	t := x / f.run
	return max(0, 4*t*(1-t))
}

func (f *shape) base(x float64) float64 {
	return f.slope*x + f.factor*f.bowBase*f.arch(x)
}

func (f *shape) rail(x float64) float64 {
	return f.gap + f.slope*x + f.factor*(f.drift*x/f.run+f.bowRail*f.arch(x))
}

func (f *shape) lean(x float64) float64 {
	return f.factor * (f.leanLower + (f.leanUpper-f.leanLower)*x/f.run)
}

// meets is where a line that leaves (x, base) upwards with its place's lean
// meets the handrail. The steps shrink by lean·slope, far below 1.
func (f *shape) meets(x float64) (float64, float64) {
	foot, lean := f.base(x), f.lean(x)
	at := x
	for range 20 {
		at = x + lean*(f.rail(at)-foot)
	}
	return at, f.rail(at)
}

// face is a post's face towards the bay, h mm over its base corner.
func (f *shape) face(upper bool, h float64) (x, y float64) {
	if upper {
		return f.run + f.factor*f.leanUpper*h, f.base(f.run) + h
	}
	return f.factor * f.leanLower * h, f.base(0) + h
}

// standing is how far over its base corner a post's face meets the handrail.
func (f *shape) standing(upper bool) float64 {
	x := 0.0
	if upper {
		x = f.run
	}
	_, y := f.meets(x)
	return y - f.base(x)
}

// space is the open space k, 1 beside the lower post, from its left to its
// right at h mm over the base rail.
func (f *shape) space(k int, h float64) (left, right, y float64) {
	side := func(i int) (face, y float64) {
		switch {
		case i < 0:
			return f.face(false, h)
		case i >= len(f.spindles):
			return f.face(true, h)
		}
		x := f.spindles[i]
		return x + f.lean(x)*h, f.base(x) + h
	}
	left, yl := side(k - 2)
	right, yr := side(k - 1)
	if k > 1 {
		left += f.thin / 2
	}
	if k <= len(f.spindles) {
		right -= f.thin / 2
	}
	return left, right, (yl + yr) / 2
}

// Lengths on paper beyond a bay, mm.
const (
	postOver   = 9.0  // head of a post over the handrail, foot under the base rail
	dimOff     = 8.0  // of a dimension line from what it measures
	secondTier = 7.0  // of a second one from the first
	hanging    = 14.0 // figures under the base rail
)

// extent is how far the bay reaches on paper at 1:n, its dimensions and notes left out.
func (f *shape) extent(n float64) rect {
	r := rect{-f.posts[0] / n, 0, (f.run + f.posts[1]) / n, 0}
	for i := range 21 {
		x := f.run * float64(i) / 20
		r.y0 = min(r.y0, -(f.rail(x)+railDepth)/n)
		r.y1 = max(r.y1, -(f.base(x)-baseDepth)/n)
	}
	for _, upper := range []bool{false, true} {
		section := -f.posts[0]
		if upper {
			section = f.posts[1]
		}
		h := f.standing(upper) + railDepth
		x, y := f.face(upper, h+postOver*n)
		r.x0, r.x1, r.y0 = min(r.x0, x/n, (x+section)/n), max(r.x1, x/n, (x+section)/n), min(r.y0, -y/n+postOver)
	}
	r.y0 -= postOver
	r.y1 += postOver
	return r
}
