package rules

import "math"

// AngleLimit returns the angle error, in radians, that first shows as an open joint,
//
//	δ = atan(joint/width),
//
// joint the widest gap that is not seen (mm), width that of the piece (mm). A
// piece whose end is cut δ off its seat touches with one edge; the other edge,
// width away along the seat, stands off by width·tan δ. A width that is not
// positive or a negative joint gives NaN.
func AngleLimit(joint, width float64) float64 {
	if !(width > 0) || !(joint >= 0) {
		return math.NaN()
	}
	return math.Atan(joint / width)
}

// Opening is a rule on the openings of a guard, told by a ball.
type Opening struct {
	Ball float64 // diameter of the smallest ball that must not pass, mm
}

// DefaultOpening returns the ball that must not pass when no rule profile is
// chosen: 100 mm, as in England (Approved Document K 2013, 3.3), and the
// strictest of the common ones.
func DefaultOpening() Opening { return Opening{Ball: 100} }

// Judge says whether a clear gap of standard uncertainty u (mm) keeps the ball
// out. A gap just as wide as the ball touches it on both sides and keeps it out.
func (o Opening) Judge(gap, u float64) State { return Judge(gap, u, o.Ball) }

// Allows says whether a gap may be planned: with its expanded uncertainty,
//
//	gap + 2u ≤ ball,
//
// which is stricter than a clear of Judge, because a gap still to be made can
// be made smaller.
func (o Opening) Allows(gap, u float64) bool { return u >= 0 && gap+2*u <= o.Ball }
