package pieces

import (
	"errors"
	"fmt"
	"math"
)

// Bay is the plane of a bay: x level from the lower post's face at the base rail, y up, both in mm, slopes and leans
// tan.
type Bay interface {
	RunAt(h float64) float64       // level clear run h above the base rail
	Base(x float64) float64        // height of the top of the base rail
	Rail(x float64) float64        // height of the underside of the handrail
	BaseSlopeAt(x float64) float64 // local pitch of the base rail
	RailSlopeAt(x float64) float64 // local pitch of the handrail
	LeanAt(x float64) float64      // lean of what stands at x, + up the stair; the posts' at their faces
}

// Causes of a refusal.
var (
	ErrInput  = errors.New("not a bay that can be filled")
	ErrNoRoom = errors.New("no room")
)

// line is straight and leans: from (x, y), s mm along it lies (x + s·sin, y + s·cos).
type line struct{ x, y, sin, cos float64 }

// upright is the line from the base rail at x with the lean of what stands there.
func upright(b Bay, x float64) line {
	lean := b.LeanAt(x)
	cos := 1 / math.Hypot(1, lean)
	return line{x: x, y: b.Base(x), sin: lean * cos, cos: cos}
}

// beside is the parallel line d to the upper side.
func (l line) beside(d float64) line {
	l.x += d * l.cos
	l.y -= d * l.sin
	return l
}

func (l line) angle() float64 { return math.Atan2(l.sin, l.cos) }

// railOf is one of a bay's two rails.
type railOf struct {
	bay  Bay
	hand bool
}

func (r railOf) at(x float64) (y, slope float64) {
	if r.hand {
		return r.bay.Rail(x), r.bay.RailSlopeAt(x)
	}
	return r.bay.Base(x), r.bay.BaseSlopeAt(x)
}

// near and steps end the search for a crossing. A step of Newton's leaves an error of e²·s²·4|bow|/(R²·(1 − s·pitch)),
// s being the sine of the lean; from e = 20 mm, with a lean of 20 mm/m and 20 mm of bow in 1 m, that is 1e-5 mm, then
// 1e-18 mm. So a third step only confirms. Heights of 1e4 mm round at 2e-12 mm, well below near. What has not settled
// in steps is no bay.
const (
	near  = 1e-9
	steps = 12
)

// meet is how far along the line it crosses the rail, searched from s; NaN when it does not.
func (l line) meet(r railOf, s float64) float64 {
	for range steps {
		y, slope := r.at(l.x + s*l.sin)
		step := (y - l.y - s*l.cos) / (l.cos - l.sin*slope)
		s += step
		if math.Abs(step) <= near {
			return s
		}
	}
	return math.NaN()
}

// cross is meet from a sensible start: the line's foot, or as far above it as the handrail is.
func (l line) cross(r railOf) float64 {
	if r.hand {
		return l.meet(r, r.bay.Rail(l.x)-l.y)
	}
	return l.meet(r, 0)
}

// check refuses what cannot be spaced: figures that are no lengths, and stations out of order.
func check(b Bay, stations []float64, width, thickness float64) error {
	run := b.RunAt(0)
	switch {
	case !(run > 0) || math.IsInf(run, 0):
		return fmt.Errorf("%w: run %g mm, want more than 0 mm", ErrInput, run)
	case !(width > 0) || math.IsInf(width, 0):
		return fmt.Errorf("%w: spindle width %g mm, want more than 0 mm", ErrInput, width)
	case !(thickness >= 0) || math.IsInf(thickness, 0):
		return fmt.Errorf("%w: fillet thickness %g mm, want 0 mm or more", ErrInput, thickness)
	}
	last := 0.0
	for i, x := range stations {
		if !(x > last && x < run) {
			return fmt.Errorf("%w: spindle %d at %g mm, want between %g and %g mm", ErrInput, i+1, x, last, run)
		}
		last = x
	}
	return nil
}
