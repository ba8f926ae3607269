package rules

import "math"

// PitchOf returns the pitch of a step in degrees, as rules write it,
//
//	atan(rise/going)·180/π,
//
// rise and going in mm, going above zero.
func PitchOf(rise, going float64) float64 { return math.Atan2(rise, going) * 180 / math.Pi }

// BallUnder returns the diameter, in mm, of the largest ball that passes under a
// bottom rail parallel to the pitch line,
//
//	(R + G − √(R² + G²))·(1 + off·√(R² + G²)/(R·G)),
//
// R the rise and G the going of the step (mm, above zero), off the distance from
// the line of the nosings square to the rail's underside (mm, below zero where
// the rail is under that line). The first factor is the circle inscribed in the
// triangle of riser, tread and nosing line; the second is by how much the rail
// makes a like triangle larger: its height on the rail was R·G/√(R² + G²). A rail
// at or below the corner of tread and riser leaves nothing.
//
// It holds while the ball touches tread and riser themselves, that is up to
// twice the smaller of R and G; a larger one gives NaN.
func BallUnder(rise, going, off float64) float64 {
	slope := math.Hypot(rise, going)
	ball := max(0, (rise+going-slope)*(1+off*slope/(rise*going)))
	if !(ball <= 2*min(rise, going)) {
		return math.NaN()
	}
	return ball
}
