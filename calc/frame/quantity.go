package frame

import "math"

// Unknown is the i-th unknown itself.
func Unknown(i int) Equation {
	return func(x, grad []float64) float64 {
		clear(grad)
		if grad != nil {
			grad[i] = 1
		}
		return x[i]
	}
}

// BasePitch is atan p: the chord angle of the base rail from level, in rad.
func BasePitch() Equation { return pitch(IndexBaseSlope) }

// RailPitch is atan q: the chord angle of the handrail from level, in rad.
func RailPitch() Equation { return pitch(IndexRailSlope) }

func pitch(slope int) Equation {
	return func(x, grad []float64) float64 {
		clear(grad)
		if grad != nil {
			grad[slope] = 1 / (1 + x[slope]*x[slope])
		}
		return math.Atan(x[slope])
	}
}

// PitchDifference is atan q − atan p in rad: how far the rails are from parallel, + when they open up the stair.
func PitchDifference() Equation { return minus(RailPitch(), BasePitch()) }

// BasePitchChange is the base rail's angle at the bottom less its angle at the top, in rad, + when it humps up.
func BasePitchChange() Equation { return minus(BaseAngle(Bottom), BaseAngle(Top)) }

// RailPitchChange is the handrail's angle at the bottom less its angle at the top, in rad, + when it humps up.
func RailPitchChange() Equation { return minus(RailAngle(Bottom), RailAngle(Top)) }

// Drift is (q−p)·R: the gap at the upper post less the gap at the lower, in mm.
func Drift() Equation {
	return func(x, grad []float64) float64 {
		run, taper := x[IndexRun], x[IndexRailSlope]-x[IndexBaseSlope]
		clear(grad)
		if grad != nil {
			grad[IndexRun] = taper
			grad[IndexBaseSlope] = -run
			grad[IndexRailSlope] = run
		}
		return taper * run
	}
}

// GapSpread is the widest less the narrowest gap anywhere along the run, in mm. It is never negative, so near nothing
// its linear uncertainty overstates how far below it may lie.
func GapSpread() Equation {
	return func(x, grad []float64) float64 {
		wide, narrow := gapExtremes(x)
		return minus(Gap(Fraction(wide)), Gap(Fraction(narrow)))(x, grad)
	}
}

// gapExtremes are the fractions of the run where the gap is widest and narrowest. Where such a place is inside the run
// the gap does not change with t, so the gradient with t held is that of the extreme itself.
func gapExtremes(x []float64) (wide, narrow float64) {
	drift := (x[IndexRailSlope] - x[IndexBaseSlope]) * x[IndexRun]
	bow := x[IndexBowRail] - x[IndexBowBase]
	gap := func(t float64) float64 { return drift*t + bow*arch(t) }
	if drift > 0 {
		wide = 1
	} else {
		narrow = 1
	}
	// The parabola turns at t = 1/2 + drift/(8·bow); no bow makes that infinite or NaN, and neither is inside.
	if t := 0.5 + drift/(8*bow); t > 0 && t < 1 {
		if gap(t) > gap(wide) {
			wide = t
		} else if gap(t) < gap(narrow) {
			narrow = t
		}
	}
	return wide, narrow
}

// RunChange is (b−a)·g with g the mean of the gaps at the two posts: the run at handrail height less the run at the
// base rail, in mm. Nothing when the posts are parallel.
func RunChange() Equation {
	return func(x, grad []float64) float64 {
		splay := x[IndexLeanUpper] - x[IndexLeanLower]
		mean := meanGap(x, grad)
		for i := range grad {
			grad[i] *= splay
		}
		if grad != nil {
			grad[IndexLeanLower] = -mean
			grad[IndexLeanUpper] = mean
		}
		return splay * mean
	}
}

// meanGap is G + (q−p)R/2, the mean of the gaps at the two posts.
func meanGap(x, grad []float64) float64 {
	mean := Drift()(x, grad) / 2
	for i := range grad {
		grad[i] /= 2
	}
	if grad != nil {
		grad[IndexGap] = 1
	}
	return x[IndexGap] + mean
}

// OutOfPlumb is the lean of a post over its own clear gap, in mm: a·G, or b·(G + (q−p)R) for the upper.
func OutOfPlumb(upper bool) Equation {
	lean, gap := Lean(upper), Gap(Bottom)
	if upper {
		gap = Gap(Top)
	}
	return func(x, grad []float64) float64 {
		tan, height := lean(x, nil), gap(x, grad)
		for i := range grad {
			grad[i] *= tan
		}
		if upper && grad != nil {
			grad[IndexLeanUpper] = height
		} else if grad != nil {
			grad[IndexLeanLower] = height
		}
		return tan * height
	}
}

// OutOfSquare is (rising − falling) − (rising₀ − falling₀) in mm, the second pair being the diagonals of a true frame:
// posts plumb, rails parallel, with this bay's run, mean pitch and mean gap. So it says how much more the diagonals
// differ than they should; + when the posts lean up the stair. Plumb posts give nothing however the rails taper,
// because the corners at plumb posts are the true frame's: taper is Drift's affair.
func OutOfSquare() Equation {
	found := minus(FrameDiagonal(true), FrameDiagonal(false))
	return func(x, grad []float64) float64 {
		value := found(x, grad)
		run, gap := x[IndexRun], x[IndexGap]
		up, down := x[IndexRailSlope]*run+gap, x[IndexBaseSlope]*run-gap
		rising, falling := math.Hypot(run, up), math.Hypot(run, down)
		if grad != nil {
			su, sd := up/rising, down/falling
			grad[IndexRun] -= (run+up*x[IndexRailSlope])/rising - (run+down*x[IndexBaseSlope])/falling
			grad[IndexRailSlope] -= su * run
			grad[IndexBaseSlope] += sd * run
			grad[IndexGap] -= su + sd
		}
		return value - (rising - falling)
	}
}

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
