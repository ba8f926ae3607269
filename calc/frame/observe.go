package frame

import "math"

// Equation predicts a reading, or derives a quantity, from the unknowns x (Unknowns of them, or one more with the
// datum). Unless grad is nil it has the length of x and is overwritten with the derivatives by each unknown. What divides
// by the run or the gap is NaN where that is not positive.
type Equation = func(x, grad []float64) float64

// RunAt is R + h(b−a): the level run in mm read h mm above the base rail.
func RunAt(h float64) Equation {
	return func(x, grad []float64) float64 {
		clear(grad)
		if grad != nil {
			runGrad(h, 1, grad)
		}
		return x[IndexRun] + h*(x[IndexLeanUpper]-x[IndexLeanLower])
	}
}

func runGrad(h, scale float64, grad []float64) {
	grad[IndexRun] = scale
	grad[IndexLeanLower] = -h * scale
	grad[IndexLeanUpper] = h * scale
}

// SlopeRun is (R + h(b−a))·√(1+s²) with s = p + (q−p)·h/G: the clear run in mm read along the pitch, h mm above the
// base rail. G is the gap at the lower post, where the tape's height is taken.
func SlopeRun(h float64) Equation {
	return func(x, grad []float64) float64 {
		run := x[IndexRun] + h*(x[IndexLeanUpper]-x[IndexLeanLower])
		share := h / positive(x[IndexGap])
		s := x[IndexBaseSlope] + (x[IndexRailSlope]-x[IndexBaseSlope])*share
		secant := math.Hypot(1, s)
		clear(grad)
		if grad != nil {
			runGrad(h, secant, grad)
			ds := run * s / secant
			grad[IndexBaseSlope] = ds * (1 - share)
			grad[IndexRailSlope] = ds * share
			grad[IndexGap] = -ds * (x[IndexRailSlope] - x[IndexBaseSlope]) * share / x[IndexGap]
		}
		return run * secant
	}
}

// positive is v, or NaN where v is no length.
func positive(v float64) float64 {
	if v > 0 {
		return v
	}
	return math.NaN()
}

// PostPosition is s0 at the lower post and s0 + R at the upper: the level distance in mm from the flight's datum to
// that post's face. It needs the ninth unknown.
func PostPosition(upper bool) Equation {
	return func(x, grad []float64) float64 {
		clear(grad)
		if grad != nil {
			grad[IndexDatum] = 1
		}
		if !upper {
			return x[IndexDatum]
		}
		if grad != nil {
			grad[IndexRun] = 1
		}
		return x[IndexDatum] + x[IndexRun]
	}
}

// Lean is a or b: d/l of a post d mm out of plumb in l mm.
func Lean(upper bool) Equation {
	if upper {
		return Unknown(IndexLeanUpper)
	}
	return Unknown(IndexLeanLower)
}

// BaseAngle is atan(p + 4B(1−2t)/R): the base rail's angle from level in rad at a station.
func BaseAngle(st Station) Equation { return railAngle(st, IndexBaseSlope, IndexBowBase) }

// RailAngle is atan(q + 4H(1−2t)/R): the handrail's angle from level in rad at a station.
func RailAngle(st Station) Equation { return railAngle(st, IndexRailSlope, IndexBowRail) }

func railAngle(st Station, slope, bow int) Equation {
	return func(x, grad []float64) float64 {
		run := positive(x[IndexRun])
		t, dt := st.fraction(run)
		turn := 4 * (1 - 2*t) / run
		s := x[slope] + x[bow]*turn
		clear(grad)
		if grad != nil {
			d := 1 / (1 + s*s)
			grad[slope] = d
			grad[bow] = d * turn
			grad[IndexRun] = -d * x[bow] * (turn + 8*dt) / run
		}
		return math.Atan(s)
	}
}

// Gap is G + (q−p)x + 4(H−B)t(1−t): the vertical clear gap in mm at a station.
func Gap(st Station) Equation {
	return func(x, grad []float64) float64 {
		run := x[IndexRun]
		at := st.X(run)
		t, dt := st.fraction(run)
		taper, bow := x[IndexRailSlope]-x[IndexBaseSlope], x[IndexBowRail]-x[IndexBowBase]
		clear(grad)
		if grad != nil {
			grad[IndexGap] = 1
			grad[IndexBaseSlope] = -at
			grad[IndexRailSlope] = at
			grad[IndexBowBase] = -arch(t)
			grad[IndexBowRail] = arch(t)
			grad[IndexRun] = bow * 4 * (1 - 2*t) * dt
			if !st.fixed {
				grad[IndexRun] += taper * t
			}
		}
		return x[IndexGap] + taper*at + bow*arch(t)
	}
}

// Trial is the length in mm, along its own line, of a trial piece that fits at a station as a spindle stands there: from
// the base rail at x along the lean l = a + (b−a)·x/R to the handrail,
//
//	v·√(1 + l²) with v = rail(x + l·v) − base(x),
//
// to the first order gap·(1 + l·q). A piece that is held plumb is [Gap].
func Trial(st Station) Equation {
	return func(x, grad []float64) float64 {
		if grad != nil {
			clear(grad)
			differences(func(x []float64) float64 { return trial(x, st) }, x, grad)
		}
		return trial(x, st)
	}
}

// crossings is how often trial follows the rail. Each time the error shrinks by the factor l·q, below 0.1 for any
// stair: from a gap of 1 m eight times leave 1e-5 mm for a lean of 100 mm/m, and 1e-13 mm for 10 mm/m.
const crossings = 8

func trial(x []float64, st Station) float64 {
	p, err := FromVector(x)
	if err != nil || !(p.Run > 0) {
		return math.NaN()
	}
	at := st.X(p.Run)
	lean := p.LeanAt(at)
	v := p.GapAt(at)
	for range crossings {
		v = p.Rail(at+lean*v) - p.Base(at)
	}
	return v * math.Hypot(1, lean)
}

// differences fills grad with the derivatives of f by the eight unknowns of the plane, by central differences. A step
// of 1e-3 mm or 1e-6 of slope leaves a truncation far below the rounding, which is 1e-12 of a metre over the step:
// 1e-6 of a derivative, nothing beside the u that it is multiplied with.
func differences(f func(x []float64) float64, x, grad []float64) {
	var buf [Slots]float64
	y := append(buf[:0], x[:min(len(x), Slots)]...)
	for i := range Unknowns {
		h := 1e-3
		switch i {
		case IndexLeanLower, IndexLeanUpper, IndexBaseSlope, IndexRailSlope:
			h = 1e-6
		}
		y[i] = x[i] + h
		up := f(y)
		y[i] = x[i] - h
		grad[i] = (up - f(y)) / (2 * h)
		y[i] = x[i]
	}
}

// BowBase is 4B·t(1−t)·cos(atan p): the base rail's bow in mm at a station, taken square off a tight line.
func BowBase(st Station) Equation { return bowOffLine(st, IndexBaseSlope, IndexBowBase) }

// BowRail is 4H·t(1−t)·cos(atan q): the handrail's bow in mm at a station, taken square off a tight line.
func BowRail(st Station) Equation { return bowOffLine(st, IndexRailSlope, IndexBowRail) }

func bowOffLine(st Station, slope, bow int) Equation {
	return func(x, grad []float64) float64 {
		t, dt := st.fraction(x[IndexRun])
		s := x[slope]
		cos := 1 / math.Hypot(1, s)
		clear(grad)
		if grad != nil {
			grad[bow] = arch(t) * cos
			grad[slope] = -x[bow] * arch(t) * s * cos * cos * cos
			grad[IndexRun] = x[bow] * 4 * (1 - 2*t) * dt * cos
		}
		return x[bow] * arch(t) * cos
	}
}

// OpenRun is R·(1 − p·l) + h(b−a) with l = (a+b)/2: the level run in mm that n spindles, each as wide as it is, and n+1
// clear gaps share h mm above the base rail, counted from neighbour to neighbour up the pitch (package layout). Between
// plumb posts it is R.
func OpenRun(h float64) Equation {
	return func(x, grad []float64) float64 {
		p, l := x[IndexBaseSlope], (x[IndexLeanLower]+x[IndexLeanUpper])/2
		clear(grad)
		if grad != nil {
			grad[IndexRun] = 1 - p*l
			grad[IndexBaseSlope] = -x[IndexRun] * l
			grad[IndexLeanLower] = -x[IndexRun]*p/2 - h
			grad[IndexLeanUpper] = -x[IndexRun]*p/2 + h
		}
		return x[IndexRun]*(1-p*l) + h*(x[IndexLeanUpper]-x[IndexLeanLower])
	}
}

// Walk is e = (R − n·k·w)·√(1+p²) − m·s: what is left over in mm, + short of the upper post, when m spacers of slope
// length s mm and n spindles of width w (IndexWidth) are walked up the base rail from the lower post. A spindle takes
// k times its width of the rail on the level: once when it is plumb, √(1+l²)/(1 − p·l) times when it leans by l. A walk
// tells nothing of a lean that is worth having, so k is given, and its u is part of the walk's.
func Walk(m int, s float64, n int, k float64) Equation {
	spacers, feet := float64(m)*s, float64(n)*k
	return func(x, grad []float64) float64 {
		secant := math.Hypot(1, x[IndexBaseSlope])
		left := x[IndexRun] - feet*x[IndexWidth]
		clear(grad)
		if grad != nil {
			grad[IndexRun] = secant
			grad[IndexWidth] = -feet * secant
			grad[IndexBaseSlope] = left * x[IndexBaseSlope] / secant
		}
		return left*secant - spacers
	}
}

// LastSpace is R − n·(s·cos(atan p) + k·w): the level space in mm that n fillets of slope length s mm and n spindles of
// width w (IndexWidth), glued from the lower post up, leave at the upper post. k is as for [Walk].
func LastSpace(n int, s, k float64) Equation {
	return func(x, grad []float64) float64 {
		cos := 1 / math.Hypot(1, x[IndexBaseSlope])
		clear(grad)
		if grad != nil {
			grad[IndexRun] = 1
			grad[IndexWidth] = -float64(n) * k
			grad[IndexBaseSlope] = float64(n) * s * x[IndexBaseSlope] * cos * cos * cos
		}
		return x[IndexRun] - float64(n)*(s*cos+k*x[IndexWidth])
	}
}

// StopSpace is s·cos(atan p)·(1 − p·l) + h(b−a)/R·(s·cos(atan p) + w), l = (a+b)/2: the clear level space in mm, h mm
// above the base rail, between two spindles of width w (IndexWidth) that a fillet of slope length s mm holds apart.
func StopSpace(s, h float64) Equation {
	value := func(x []float64) float64 {
		level := s / math.Hypot(1, x[IndexBaseSlope])
		k := 1 - x[IndexBaseSlope]*(x[IndexLeanLower]+x[IndexLeanUpper])/2
		return level*k + h*(x[IndexLeanUpper]-x[IndexLeanLower])/x[IndexRun]*(level+x[IndexWidth])
	}
	return func(x, grad []float64) float64 {
		if grad != nil {
			clear(grad)
			differences(value, x, grad)
			grad[IndexWidth] = h * (x[IndexLeanUpper] - x[IndexLeanLower]) / x[IndexRun]
		}
		return value(x)
	}
}
