package frame

import "math"

// FrameDiagonal is the distance in mm between opposite corners of the frame, rising from the lower post's base corner
// to the upper post's top corner, or falling from the lower post's top corner to the upper post's base corner:
//
//	rising  = |(R + b·v, p·R + v)|,  v = G + (q−p)R
//	falling = |(R − a·u, p·R − u)|,  u = G
//
// A post's base corner is its face at base-rail height; its top corner is on that face, the post's own clear gap
// higher. The handrail's underside at the face of a leaning post is lean·q·gap higher still, since the handrail has
// climbed by then: 1.2 mm for 2 mm/m, a gap of 800 mm and 37°. That is not followed, so the top end of a frame diagonal
// has to be held at the height the gap was read to.
func FrameDiagonal(rising bool) Equation {
	lean, gap, sign := IndexLeanLower, Gap(Bottom), -1.0
	if rising {
		lean, gap, sign = IndexLeanUpper, Gap(Top), 1
	}
	return func(x, grad []float64) float64 {
		run, p := x[IndexRun], x[IndexBaseSlope]
		height := sign * gap(x, grad)
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
