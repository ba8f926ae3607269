// Package flight describes a whole flight of a stair: the four corners it has in the plane of its pitch, and its steps.
//
// The plan is the quadrilateral between the bottom and the top nosing, looked at square on to the pitch: x runs across
// the flight from the bottom left corner along the bottom edge, y up the slope. Five unknowns say what was found,
//
//	bottom left (0, 0)   bottom right (W, 0)   top left (xl, yl)   top right (xr, yr),
//
// so left and right are those of a person going up, and no reading says where on earth the flight is. The steps have
// unknowns of their own, see [Steps].
//
// Lengths are in mm, angles in radians, u is one standard uncertainty.
package flight

import (
	"errors"
	"fmt"
	"math"
)

// Equation predicts a reading, or derives a quantity, from the unknowns x. Unless grad is nil it has the length of x
// and is overwritten with the derivatives by each unknown.
type Equation = func(x, grad []float64) float64

// What is wrong with the readings of a flight; test with errors.Is.
var (
	ErrInput    = errors.New("bad input")         // a reading that makes no sense, or too few
	ErrTriangle = errors.New("close no triangle") // three lengths of a plan, one of which must be wrong
	ErrUnread   = errors.New("not read")          // a step, or the total, that a figure needs
)

// Places of the plan's unknowns in the vector an adjustment works on, all in mm.
const (
	IndexWidth     = iota // W, the width at the bottom
	IndexTopLeftX         // xl
	IndexTopLeftY         // yl
	IndexTopRightX        // xr
	IndexTopRightY        // yr

	Unknowns // how many describe a plan
)

// PlanReadings are what is known of a plan before it is adjusted, in mm; 0 is not read. Where something was read
// twice, either reading will do.
type PlanReadings struct {
	WidthBottom, WidthMiddle, WidthTop float64
	SideLeft, SideRight                float64
	DiagonalRising, DiagonalFalling    float64
}

// Start returns starting values for the adjustment of a plan, of length [Unknowns]. A width or a side that was not read
// is taken to be as the others; without any, as Pythagoras has it from a diagonal. A diagonal gives its top corner,
//
//	x = (W² + l² − f²)/2W,  y = √(l² − x²)
//
// by the left side l and the falling f, and likewise at the right. Without one the side starts parallel to the other, or
// both as far from square as the widths make them.
//
// Readings that leave the plan open want weak priors of [Swing], [EndsSkew] and [Taper]. One case they do not show
// themselves: with no end's width, both sides, both diagonals and the middle width, only the square of the taper is
// known, and the adjustment may not converge; let a prior of the taper then count among the observations.
//
// The errors wrap [ErrInput]: a negative or infinite reading, or too few to give the plan a width and a length; or
// [ErrTriangle]: a width, a side and a diagonal that meet in no triangle, from which no adjustment finds back. A slip
// that leaves all triangles closed is the adjustment's to find, as far as it leaves the plan one: with a metre too much
// in a side the best plan is all but flat, and the adjustment may not converge.
func Start(r PlanReadings) ([]float64, error) {
	for _, v := range []struct {
		name string
		mm   float64
	}{
		{"bottom width", r.WidthBottom}, {"middle width", r.WidthMiddle}, {"top width", r.WidthTop},
		{"left side", r.SideLeft}, {"right side", r.SideRight},
		{"rising diagonal", r.DiagonalRising}, {"falling diagonal", r.DiagonalFalling},
	} {
		if !(v.mm >= 0) || math.IsInf(v.mm, 1) {
			return nil, fmt.Errorf("starting a plan: %w: %s of %g mm", ErrInput, v.name, v.mm)
		}
	}
	if err := closes(r); err != nil {
		return nil, fmt.Errorf("starting a plan: %w", err)
	}
	widths := mean(r.WidthBottom, r.WidthMiddle, r.WidthTop)
	lengths := mean(r.SideLeft, r.SideRight)
	across := mean(r.DiagonalRising, r.DiagonalFalling)
	if widths == 0 {
		widths = leg(across, lengths)
	}
	if lengths == 0 {
		lengths = leg(across, widths)
	}
	if widths == 0 || lengths == 0 {
		return nil, fmt.Errorf("starting a plan: %w: read a width and a side, or one of them and a longer diagonal", ErrInput)
	}
	bottom, top := orElse(r.WidthBottom, widths), orElse(r.WidthTop, widths)
	left, right := orElse(r.SideLeft, lengths), orElse(r.SideRight, lengths)

	// How far each side leans to the right of square.
	leanLeft, okLeft := lean(bottom, left, r.DiagonalFalling)
	leanRight, okRight := lean(bottom, right, r.DiagonalRising)
	leanRight = -leanRight
	switch {
	case okLeft && !okRight:
		leanRight = leanLeft
	case okRight && !okLeft:
		leanLeft = leanRight
	case !okLeft:
		leanLeft = math.Asin(clamp((bottom - top) / (2 * left)))
		leanRight = -math.Asin(clamp((bottom - top) / (2 * right)))
	}
	x := make([]float64, Unknowns)
	x[IndexWidth] = bottom
	x[IndexTopLeftX], x[IndexTopLeftY] = left*math.Sin(leanLeft), left*math.Cos(leanLeft)
	x[IndexTopRightX], x[IndexTopRightY] = bottom+right*math.Sin(leanRight), right*math.Cos(leanRight)
	if !proper(x) { // sides that cross: a slip again
		x[IndexTopLeftX], x[IndexTopLeftY] = 0, left
		x[IndexTopRightX], x[IndexTopRightY] = bottom, right
	}
	return x, nil
}

// closes looks for a triangle of three lengths read of which one is as long as the other two together.
func closes(r PlanReadings) error {
	for _, t := range []struct {
		width, side, diagonal float64
		names                 string
	}{
		{r.WidthBottom, r.SideRight, r.DiagonalRising, "bottom width %g mm, right side %g mm and rising diagonal %g mm"},
		{r.WidthTop, r.SideLeft, r.DiagonalRising, "top width %g mm, left side %g mm and rising diagonal %g mm"},
		{r.WidthBottom, r.SideLeft, r.DiagonalFalling, "bottom width %g mm, left side %g mm and falling diagonal %g mm"},
		{r.WidthTop, r.SideRight, r.DiagonalFalling, "top width %g mm, right side %g mm and falling diagonal %g mm"},
	} {
		read := t.width > 0 && t.side > 0 && t.diagonal > 0
		if longest := max(t.width, t.side, t.diagonal); read && longest >= t.width+t.side+t.diagonal-longest {
			return fmt.Errorf(t.names+" %w", t.width, t.side, t.diagonal, ErrTriangle)
		}
	}
	return nil
}

// lean is how far in rad a side leans from square towards the far end of a diagonal, asin((w² + s² − d²)/2ws); not ok
// where there is no diagonal or no such triangle.
func lean(width, side, diagonal float64) (rad float64, ok bool) {
	sin := (width*width + side*side - diagonal*diagonal) / (2 * width * side)
	if diagonal == 0 || !(math.Abs(sin) < 1) {
		return 0, false
	}
	return math.Asin(sin), true
}

// clamp keeps a sine within the half that a leaning side may have.
func clamp(sin float64) float64 { return math.Max(-0.5, math.Min(0.5, sin)) }

// mean is the mean of those that are not 0, or 0.
func mean(values ...float64) float64 {
	sum, n := 0.0, 0
	for _, v := range values {
		if v > 0 {
			sum += v
			n++
		}
	}
	if n == 0 {
		return 0
	}
	return sum / float64(n)
}

// leg is the other leg of a right triangle, or 0 where there is none.
func leg(hypotenuse, other float64) float64 {
	return math.Sqrt(max(0, (hypotenuse-other)*(hypotenuse+other)))
}

func orElse(v, other float64) float64 {
	if v > 0 {
		return v
	}
	return other
}

// proper says whether x is a plan that is not turned over: the bottom right corner to the right of the bottom left, the
// top right of the top left, and both tops above the bottom edge. A mirrored plan has the same distances and so would
// satisfy every reading.
func proper(x []float64) bool {
	return x[IndexWidth] > 0 && x[IndexTopLeftY] > 0 && x[IndexTopRightY] > 0 && x[IndexTopRightX] > x[IndexTopLeftX]
}
