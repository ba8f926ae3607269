package frame

import "math"

// FrameDiagonal is the distance in mm between opposite corners of the frame, rising from the lower post's base corner
// to the upper post's top corner, or falling from the lower post's top corner to the upper post's base corner:
//
//	rising  = |(R + b·v, p·R + v)|,  v = (G + (q−p)R)/(1 − q·b)
//	falling = |(R − a·u, p·R − u)|,  u = G/(1 − q·a)
//
// A post's base corner is its face at base-rail height. Its top corner is where that face meets the handrail's
// underside, which is where a tape is held. The face of a post that leans by l meets it 1/(1 − q·l) higher than the
// clear gap, since the handrail has climbed by then: 1.2 mm for 2 mm/m, a gap of 800 mm and 37°.
func FrameDiagonal(rising bool) Equation {
	lean, top, sign := IndexLeanLower, faceHeight(false), -1.0
	if rising {
		lean, top, sign = IndexLeanUpper, faceHeight(true), 1
	}
	return func(x, grad []float64) float64 {
		run, p := x[IndexRun], x[IndexBaseSlope]
		height := sign * top(x, grad)
		dx, dy := run+x[lean]*height, p*run+height
		length := math.Hypot(dx, dy)
		if grad != nil {
			cos, sin := dx/length, dy/length
			byHeight := sign * (cos*x[lean] + sin)
			for i := range grad {
				grad[i] *= byHeight
			}
			grad[IndexRun] += cos + sin*p
			grad[IndexBaseSlope] += sin * run
			grad[lean] += cos * height
		}
		return length
	}
}

// faceHeight is g/(1 − q·l): how far above its base corner, plumb, the face of a post meets the handrail, with g the
// clear gap at the post and l its lean.
func faceHeight(upper bool) Equation {
	gap, lean := Gap(Bottom), IndexLeanLower
	if upper {
		gap, lean = Gap(Top), IndexLeanUpper
	}
	return func(x, grad []float64) float64 {
		q, l := x[IndexRailSlope], x[lean]
		g := gap(x, grad)
		k := 1 / (1 - q*l)
		if grad != nil {
			for i := range grad {
				grad[i] *= k
			}
			grad[IndexRailSlope] += g * l * k * k
			grad[lean] += g * q * k * k
		}
		return g * k
	}
}
