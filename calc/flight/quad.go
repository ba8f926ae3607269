package flight

import "math"

// Corner is one of the plan's four.
type Corner int

// The corners, left and right as one goes up.
const (
	BottomLeft Corner = iota
	BottomRight
	TopLeft
	TopRight
)

// Place is where on the flight a width is read.
type Place int

// The places of a width.
const (
	Bottom Place = iota
	Middle
	Top
)

// combination is a vector of the plane that is linear in the unknowns: coefficients of x and of y.
type combination struct{ x, y [Unknowns]float64 }

func corner(c Corner) (v combination) {
	switch c {
	case BottomRight:
		v.x[IndexWidth] = 1
	case TopLeft:
		v.x[IndexTopLeftX], v.y[IndexTopLeftY] = 1, 1
	case TopRight:
		v.x[IndexTopRightX], v.y[IndexTopRightY] = 1, 1
	}
	return v
}

// plus is v + f·o.
func (v combination) plus(f float64, o combination) combination {
	for i := range Unknowns {
		v.x[i] += f * o.x[i]
		v.y[i] += f * o.y[i]
	}
	return v
}

func edge(from, to Corner) combination { return corner(to).plus(-1, corner(from)) }

// bottomEdge and topEdge run from left to right, axis from the mid point of the bottom edge to that of the top.
var (
	bottomEdge = edge(BottomLeft, BottomRight)
	topEdge    = edge(TopLeft, TopRight)
	axis       = combination{}.plus(0.5, edge(BottomLeft, TopLeft)).plus(0.5, edge(BottomRight, TopRight))
)

func (v combination) at(x []float64) (vx, vy float64) {
	for i := range Unknowns {
		vx += v.x[i] * x[i]
		vy += v.y[i] * x[i]
	}
	return vx, vy
}

// add puts the derivatives ∂f = fx·∂vx + fy·∂vy on top of grad.
func (v combination) add(fx, fy float64, grad []float64) {
	for i := range min(Unknowns, len(grad)) {
		grad[i] += fx*v.x[i] + fy*v.y[i]
	}
}

// length is |v|.
func (v combination) length() Equation {
	return func(x, grad []float64) float64 {
		clear(grad)
		if !proper(x) {
			return math.NaN()
		}
		vx, vy := v.at(x)
		l := math.Hypot(vx, vy)
		v.add(vx/l, vy/l, grad)
		return l
	}
}

// Width is, in mm, |BR − BL| = W at the bottom, |TR − TL| at the top, and in the middle (|BR − BL| + |TR − TL|)/2. Like
// all that is read of a plan it is NaN where the plan is turned over.
//
// The mid points of the two sides are closer than that mean by W·δ²/8 where the ends are δ out of parallel: 0.06 mm for
// 20 mm in 900 mm. That is left out on purpose. It is less than a tape sees, and so says nothing of the square; but an
// adjustment with no diagonal would lean on it, looking for a square root of noise.
func Width(p Place) Equation {
	switch p {
	case Bottom:
		return bottomEdge.length()
	case Top:
		return topEdge.length()
	}
	top := topEdge.length()
	return func(x, grad []float64) float64 {
		mean := (x[IndexWidth] + top(x, grad)) / 2
		for i := range grad {
			grad[i] /= 2
		}
		if grad != nil {
			grad[IndexWidth] += 0.5
		}
		return mean
	}
}

// Side is |TL − BL| or |TR − BR|: the length in mm up the slope of the left or the right side.
func Side(right bool) Equation {
	if right {
		return edge(BottomRight, TopRight).length()
	}
	return edge(BottomLeft, TopLeft).length()
}

// Diagonal is |TR − BL| when rising, from the bottom left to the top right, and |TL − BR| when falling, in mm.
//
// With the widths at both ends, the two sides and the two diagonals check each other once and no more: a slip in one of
// these four shows, but nothing short of reading them again tells in which.
func Diagonal(rising bool) Equation {
	if rising {
		return edge(BottomLeft, TopRight).length()
	}
	return edge(BottomRight, TopLeft).length()
}

// Angle is the angle in rad inside the plan at a corner, atan2(a × b, a · b) with a and b the edges from there; π/2 when
// that corner is square. The four of them make 2π.
func Angle(c Corner) Equation {
	// a is the edge met first when turning anticlockwise through the inside.
	var a, b combination
	switch c {
	case BottomLeft:
		a, b = edge(BottomLeft, BottomRight), edge(BottomLeft, TopLeft)
	case BottomRight:
		a, b = edge(BottomRight, TopRight), edge(BottomRight, BottomLeft)
	case TopLeft:
		a, b = edge(TopLeft, BottomLeft), edge(TopLeft, TopRight)
	default:
		a, b = edge(TopRight, TopLeft), edge(TopRight, BottomRight)
	}
	return func(x, grad []float64) float64 {
		clear(grad)
		if !proper(x) {
			return math.NaN()
		}
		ax, ay := a.at(x)
		bx, by := b.at(x)
		// A direction turns by (v × dv)/|v|².
		aa, bb := ax*ax+ay*ay, bx*bx+by*by
		a.add(ay/aa, -ax/aa, grad)
		b.add(-by/bb, bx/bb, grad)
		return math.Atan2(ax*by-ay*bx, ax*bx+ay*by)
	}
}

// Swing is (xl + xr)/2 − W/2: how far in mm the middle of the top end lies to the right (+) or to the left (−) of where
// a centre line set out square from the middle of the bottom edge arrives. "The top end swings 6 mm to the right." A
// flight that only tapers has none.
//
// The bottom edge is taken as found. When that edge is what is out of square, and the flight runs true, the swing is its
// error thrown over the length of the flight; [BottomSkew] tells the same in mm over the width.
//
// It rests on the diagonals. Without any of them it is undetermined, and makes a sound weak prior: 0 with a u that
// covers a bad stair.
func Swing() Equation {
	return func(x, grad []float64) float64 {
		clear(grad)
		axis.add(1, 0, grad)
		vx, _ := axis.at(x)
		return vx
	}
}

// BottomSkew is w·c/|c|, w the bottom edge and c the centre line from the middle of the bottom edge to that of the top:
// how much further up the flight, in mm, the right end of the bottom edge lies than its left, + right end up.
func BottomSkew() Equation { return skew(bottomEdge) }

// TopSkew is t·c/|c| with t the top edge: how much further up the flight, in mm, the right end of the top edge lies than
// its left, + right end up.
func TopSkew() Equation { return skew(topEdge) }

func skew(e combination) Equation {
	return func(x, grad []float64) float64 {
		clear(grad)
		ex, ey := e.at(x)
		cx, cy := axis.at(x)
		l := math.Hypot(cx, cy)
		value := (ex*cx + ey*cy) / l
		e.add(cx/l, cy/l, grad)
		// What e has across c, which is all that a turn of c brings in.
		axis.add((ex-value*cx/l)/l, (ey-value*cy/l)/l, grad)
		return value
	}
}

// EndsSkew is yr − yl: how much further from the bottom edge, in mm, the right end of the top edge lies than its left:
// the skew of the two ends to each other, over the top width. None when the ends are parallel, though both be out of
// square with the flight.
func EndsSkew() Equation {
	return func(x, grad []float64) float64 {
		clear(grad)
		topEdge.add(0, 1, grad)
		_, vy := topEdge.at(x)
		return vy
	}
}

// Taper is the top width less the bottom width, in mm, + when the flight opens up the stair.
func Taper() Equation { return minus(Width(Top), Width(Bottom)) }

// DiagonalDifference is the rising less the falling diagonal, in mm, + when the top end swings to the right.
func DiagonalDifference() Equation { return minus(Diagonal(true), Diagonal(false)) }

// minus is one equation less another.
func minus(one, other Equation) Equation {
	return func(x, grad []float64) float64 {
		if grad == nil {
			return one(x, nil) - other(x, nil)
		}
		g := make([]float64, len(grad))
		value := one(x, grad) - other(x, g)
		for i := range grad {
			grad[i] -= g[i]
		}
		return value
	}
}
