// Package layout spaces spindles between two posts.
//
// Spindles take the lean of the posts in proportion, lean(x) = a + (b−a)·x/R. On a stair a neighbour's foot is higher by
// the pitch p, so where all lean alike by l the clear space is not the level distance Δ of their feet: it is Δ·(1 − l·p),
// wider where posts lean down a stair that rises. With l the mean of two neighbours' leans, h mm above the rail halfway
// between their feet, they stand Δ·k apart, level,
//
//	k = 1 − l·p + h(b−a)/R
//
// and a gap is (x + w/2)k − w/2 beside a post and (x + w)k − w between two spindles, for feet x apart on the level. So n
// spindles of thinnest width w take w/k₀ of a clear run R each, k₀ = 1 − p(a+b)/2, and leave n+1 clear gaps of
//
//	g = (R − n·w/k₀)/(n+1)·k₀
//
// for the mean lean, which is (R − n·w)/(n+1) between plumb posts. Where the leans differ so do the gaps; each is linear
// in h, so the widest is at the bottom or at the top. Spindles may stand plumb between posts that lean: then k is 1, and
// the space beside a post grows by b·h, or shrinks by a·h, as its face moves.
//
// Lengths are in mm, leans and pitch are tan. Spindle widths and gaps are taken level: over a lean of 10 mm/m a section
// stands wider, and a ball finds the gap narrower, by one part in 20000.
package layout

import (
	"errors"
	"fmt"
	"math"
)

// DefaultTarget is the clear gap aimed at, in mm: common practice, no source.
const DefaultTarget = 90

// coverage makes a standard uncertainty an expanded one, U = 2u.
const coverage = 2

// rounding is what arithmetic on figures of some metres may lose, in mm, with room: 1e4 mm times 2⁻⁵² is 2e-12. A gap
// that is exactly the opening must be allowed.
const rounding = 1e-9

// maxCount bounds the search. A run of 10 m takes 250 spindles of 40 mm even when they touch.
const maxCount = 1000

// Causes of a refusal.
var (
	ErrInput     = errors.New("not a layout")
	ErrTooNarrow = errors.New("too narrow")
	ErrNoCount   = errors.New("no count fits")
)

// In is what a layout is made of.
type In struct {
	Run                  float64 // level clear run at the base rail, mm
	LeanLower, LeanUpper float64 // of the posts, tan, + up the stair
	Pitch                float64 // of the base rail, tan, + rising from the lower post
	Height               float64 // over which the spindles stand, from the base rail to the handrail, mm
	Plumb                bool    // the spindles stand plumb, whatever the posts do
	Width                float64 // of the spindles at the rails, mm
	Thin                 float64 // thinnest width of a turned spindle, at whatever height, mm; 0 means Width
	Target               float64 // clear gap aimed at, mm; 0 means DefaultTarget
	Opening              float64 // widest opening allowed, mm; +Inf where no rule limits it

	// GapU is the standard uncertainty in mm of the widest gap that n spindles leave, about u(R·k₀ + h(b−a))/(n+1) of the
	// run at its height; nil means none.
	GapU func(n int) float64
}

// Candidate is a number of spindles and what it leaves.
type Candidate struct {
	Count     int
	ClearGap  float64 // at the base rail, for the mean lean, mm
	WidestGap float64 // anywhere along the run and up the height, mm
	U         float64 // standard uncertainty of WidestGap, mm
	Allowed   bool    // WidestGap + 2U ≤ Opening
}

// Space is the opening between two neighbours.
type Space struct {
	Bottom, Top float64 // clear gap at the base rail and at Height, between thinnest widths, mm
	Fillet      float64 // clear gap at the base rail between full widths, mm
}

// Layout is a chosen count and where its spindles stand.
type Layout struct {
	Candidate
	WidestSpace  int         // the space of the widest gap, 1 beside the lower post
	WidestHeight float64     // where it is, above the base rail: 0 or Height, mm
	Stations     []float64   // centre lines at the base rail, from the lower post's face, mm
	Spaces       []Space     // Count + 1 of them, from the lower post
	RunnerUp     *Candidate  // the next best allowed; nil when there is none
	Candidates   []Candidate // those looked at, by rising count
}

// Choose takes the count whose clear gap is nearest the target among those whose widest gap plus its expanded
// uncertainty is within the opening; the smaller count on a tie. It fails with ErrInput, with ErrTooNarrow when not one
// spindle has room and the run may not stay open either, and with ErrNoCount when spindles have room but no number of
// them closes the openings.
func Choose(in In) (Layout, error) {
	in, err := in.checked()
	if err != nil {
		return Layout{}, fmt.Errorf("laying out spindles: %w", err)
	}
	var looked []Candidate
	best, next := -1, -1 // into looked
	for n := 0; n <= maxCount && in.fits(n); n++ {
		c, err := in.candidate(n)
		if err != nil {
			return Layout{}, fmt.Errorf("laying out spindles: %w", err)
		}
		looked = append(looked, c)
		if !c.Allowed {
			continue
		}
		if best < 0 || in.nearer(c, looked[best]) {
			best, next = n, best
		} else if next < 0 || in.nearer(c, looked[next]) {
			next = n
		} else if c.ClearGap < in.Target {
			break // every further count is farther from the target than these two
		}
	}
	if best < 0 {
		return Layout{}, fmt.Errorf("laying out spindles: %w", in.refusal())
	}
	l := in.layout(looked[best])
	l.Candidates = looked
	if next >= 0 {
		l.RunnerUp = &looked[next]
	}
	return l, nil
}

// Count is the layout of n spindles whether or not its gaps are allowed, for a count that is given. It fails with
// ErrInput, and with ErrTooNarrow when n spindles have no room.
func Count(in In, n int) (Layout, error) {
	in, err := in.checked()
	if err != nil {
		return Layout{}, fmt.Errorf("laying out %d spindles: %w", n, err)
	}
	if n < 0 || n > maxCount {
		return Layout{}, fmt.Errorf("laying out %d spindles: %w: a count is from 0 to %d", n, ErrInput, maxCount)
	}
	if !in.fits(n) {
		return Layout{}, fmt.Errorf("laying out %d spindles: %w: a run of %.1f mm has room for %d of %.1f mm",
			n, ErrTooNarrow, in.Run, in.most(), in.Width)
	}
	c, err := in.candidate(n)
	if err != nil {
		return Layout{}, fmt.Errorf("laying out %d spindles: %w", n, err)
	}
	l := in.layout(c)
	l.Candidates = []Candidate{l.Candidate}
	return l, nil
}

// checked fills the defaults in and refuses what is no bay.
func (in In) checked() (In, error) {
	if in.Thin == 0 {
		in.Thin = in.Width
	}
	if in.Target == 0 {
		in.Target = DefaultTarget
	}
	refuse := func(what string, value float64, want string) (In, error) {
		return In{}, fmt.Errorf("%w: %s %g, want %s", ErrInput, what, value, want)
	}
	for _, f := range []struct {
		what  string
		value float64
	}{{"run", in.Run}, {"spindle width", in.Width}, {"thinnest width", in.Thin}, {"target gap", in.Target}} {
		if !(f.value > 0) || math.IsInf(f.value, 0) {
			return refuse(f.what, f.value, "more than 0 mm")
		}
	}
	switch {
	case !(in.Height >= 0) || math.IsInf(in.Height, 0):
		return refuse("height", in.Height, "0 mm or more")
	case in.Thin > in.Width:
		return refuse("thinnest width", in.Thin, fmt.Sprintf("at most the width at the rails, %g mm", in.Width))
	case !(in.Opening > 0):
		return refuse("opening", in.Opening, "more than 0 mm")
	case !(math.Abs(in.LeanLower) < 1):
		return refuse("lean of the lower post", in.LeanLower, "within 45 degrees of plumb")
	case !(math.Abs(in.LeanUpper) < 1):
		return refuse("lean of the upper post", in.LeanUpper, "within 45 degrees of plumb")
	case math.IsNaN(in.Pitch) || math.IsInf(in.Pitch, 0):
		return refuse("pitch", in.Pitch, "a number")
	case !(in.k(in.LeanLower, 0) > 0 && in.k(in.LeanUpper, 0) > 0):
		return In{}, fmt.Errorf("%w: a post leans as far as the rail is pitched", ErrInput)
	case !(in.k(in.LeanLower, in.Height) > 0 && in.k(in.LeanUpper, in.Height) > 0): // it is linear between them
		return In{}, fmt.Errorf("%w: the posts meet below the height of %g mm", ErrInput, in.Height)
	case (in.Run-in.Target)/(in.Target+in.Thin) > maxCount:
		return refuse("target gap", in.Target, fmt.Sprintf("one that takes at most %d spindles", maxCount))
	}
	return in, nil
}

// k is 1 − l·p + h(b−a)/R: how far apart two neighbours of mean lean l are, h above the base rail, their feet a unit
// apart.
func (in In) k(lean, h float64) float64 {
	if in.Plumb {
		return 1
	}
	return 1 - lean*in.Pitch + h*(in.LeanUpper-in.LeanLower)/in.Run
}

// mean is k₀, of the mean lean at the base rail.
func (in In) mean() float64 { return in.k((in.LeanLower+in.LeanUpper)/2, 0) }

// gap is between the feet of n spindles on the level, each as wide as its thinnest part stands there: (R − n·w/k₀)/(n+1).
func (in In) gap(n int) float64 { return (in.Run - float64(n)*in.Thin/in.mean()) / float64(n+1) }

// feet are the level places of the two that gap i of n spindles lies between, the first 0: of a post its face, of a
// spindle its middle.
func (in In) feet(n, i int) (from, to float64) {
	g, t := in.gap(n), in.Thin/in.mean()
	from, to = g+t/2+float64(i-1)*(g+t), g+t/2+float64(i)*(g+t)
	if i == 0 {
		from = 0
	}
	if i == n {
		to = in.Run
	}
	return from, to
}

// grown is k of gap i of n spindles, h above the base rail.
func (in In) grown(n, i int, h float64) float64 {
	from, to := in.feet(n, i)
	return in.k(in.LeanLower+(in.LeanUpper-in.LeanLower)*(from+to)/2/in.Run, h)
}

// space is gap i of n spindles between sections of width w, h above the base rail.
func (in In) space(n, i int, w, h float64) float64 {
	from, to := in.feet(n, i)
	sections := 1.0 // half of either neighbour's; a post takes none
	if i == 0 {
		sections -= 0.5
	}
	if i == n {
		sections -= 0.5
	}
	space := (to-from)*in.grown(n, i, h) - sections*w
	// Beside plumb spindles it is the post's face that moves.
	if in.Plumb && i == 0 {
		space -= in.LeanLower * h
	}
	if in.Plumb && i == n {
		space += in.LeanUpper * h
	}
	return space
}

// fits reports whether n spindles leave a gap and their full sections clear one another and the posts, at the base rail
// and at the handrail.
func (in In) fits(n int) bool {
	if in.gap(n) <= 0 {
		return false
	}
	for i := range n + 1 {
		if n > 0 && min(in.space(n, i, in.Width, 0), in.space(n, i, in.Width, in.Height)) < -rounding {
			return false
		}
	}
	return true
}

// most is how many spindles have room: more leave narrower gaps, so the first that does not fit ends it.
func (in In) most() int {
	n := 0
	for n < maxCount && in.fits(n+1) {
		n++
	}
	return n
}

// nearer reports whether c is nearer the target than d; a tie, as far as rounding tells, goes to the smaller count.
func (in In) nearer(c, d Candidate) bool {
	dc, dd := math.Abs(c.ClearGap-in.Target), math.Abs(d.ClearGap-in.Target)
	if math.Abs(dc-dd) <= rounding {
		return c.Count < d.Count
	}
	return dc < dd
}

func (in In) candidate(n int) (Candidate, error) {
	c := Candidate{Count: n, ClearGap: in.gap(n) * in.mean()}
	c.WidestGap, _, _ = in.widest(n)
	if in.GapU != nil {
		c.U = in.GapU(n)
		if !(c.U >= 0) {
			return Candidate{}, fmt.Errorf("%w: uncertainty of the gap %g mm with %d spindles, want 0 mm or more",
				ErrInput, c.U, n)
		}
	}
	c.Allowed = c.WidestGap+coverage*c.U <= in.Opening+rounding
	return c, nil
}

// widest is the widest gap of n spindles, the space it is first met in and how high. A tie goes to the lower place.
func (in In) widest(n int) (gap float64, space int, height float64) {
	gap = math.Inf(-1)
	for _, h := range []float64{0, in.Height} {
		for i := range n + 1 {
			if g := in.space(n, i, in.Thin, h); g > gap+rounding {
				gap, space, height = g, i+1, h
			}
		}
	}
	return gap, space, height
}

func (in In) layout(c Candidate) Layout {
	l := Layout{Candidate: c}
	_, l.WidestSpace, l.WidestHeight = in.widest(c.Count)
	n := c.Count
	g, t := in.gap(n), in.Thin/in.mean()
	for i := range n {
		// Half the spindles are placed from the upper post, so that a mirrored bay has the mirrored layout to the last bit.
		from := g + t/2 + float64(min(i, n-1-i))*(g+t)
		switch mirror := n - 1 - i; {
		case i > mirror:
			from = in.Run - from
		case i == mirror:
			from = in.Run / 2
		}
		l.Stations = append(l.Stations, from)
	}
	for i := range n + 1 {
		l.Spaces = append(l.Spaces, Space{
			Bottom: in.space(n, i, in.Thin, 0), Top: in.space(n, i, in.Thin, in.Height), Fillet: in.space(n, i, in.Width, 0),
		})
	}
	return l
}

// refusal says why no count is allowed and what would be.
func (in In) refusal() error {
	n := in.most()
	if n == 0 {
		return fmt.Errorf("%w: a run of %.1f mm has no room for a spindle of %.1f mm, and open it is more than %.1f mm; "+
			"a narrower spindle would fit", ErrTooNarrow, in.Run, in.Width, in.Opening)
	}
	c, err := in.candidate(n)
	if err != nil {
		return err
	}
	cause := fmt.Errorf("%w: %d of %.1f mm is the most that a run of %.1f mm takes, and leaves gaps up to %.1f ± %.1f mm "+
		"against an opening of %.1f mm", ErrNoCount, n, in.Width, in.Run, c.WidestGap, coverage*c.U, in.Opening)
	left := in.Opening - coverage*c.U
	switch {
	case !(left > 0):
		return fmt.Errorf("%w; measure the run again, its uncertainty alone is too much", cause)
	case n == maxCount:
		return fmt.Errorf("%w; a wider spindle would do", cause)
	}
	// The width that makes the widest gap left: R·k/2 − w/2 for one spindle, (R + w/k₀)·k/(n+1) − w for more, with the
	// k where the gap is widest.
	_, space, height := in.widest(n)
	k, share := in.grown(n, space-1, height), 1.0
	if n > 1 {
		share = k / in.mean()
	}
	need := (in.Run*k - float64(n+1)*left) / (float64(n+1) - share)
	return fmt.Errorf("%w; %d that are nowhere thinner than %.1f mm would do, or more and narrower ones",
		cause, n, need)
}
