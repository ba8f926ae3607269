package frame_test

import (
	"math"
	"testing"

	"github.com/google/go-cmp/cmp"
	"pgregory.net/rapid"

	"pinchrod/calc/frame"
)

func planes() *rapid.Generator[frame.Plane] {
	return rapid.Custom(func(t *rapid.T) frame.Plane {
		return frame.Plane{
			Run:       rapid.Float64Range(300, 4000).Draw(t, "run"),
			LeanLower: rapid.Float64Range(-0.02, 0.02).Draw(t, "lean lower"),
			LeanUpper: rapid.Float64Range(-0.02, 0.02).Draw(t, "lean upper"),
			BaseSlope: rapid.Float64Range(-1, 1.2).Draw(t, "base slope"),
			RailSlope: rapid.Float64Range(-1, 1.2).Draw(t, "rail slope"),
			Gap:       rapid.Float64Range(300, 1200).Draw(t, "gap"),
			BowBase:   rapid.Float64Range(-20, 20).Draw(t, "bow base"),
			BowRail:   rapid.Float64Range(-20, 20).Draw(t, "bow rail"),
		}
	})
}

func stations() *rapid.Generator[frame.Station] {
	return rapid.OneOf(
		rapid.Map(rapid.Float64Range(0, 1), frame.Fraction),
		rapid.Map(rapid.Float64Range(0, 4000), frame.At))
}

// equations is every equation of the package, with what it needs drawn.
func equations(t *rapid.T) map[string]frame.Equation {
	st := stations().Draw(t, "station")
	height := rapid.Float64Range(0, 1200).Draw(t, "height")
	return map[string]frame.Equation{
		"run":                frame.RunAt(height),
		"slope run":          frame.SlopeRun(height),
		"post lower":         frame.PostPosition(false),
		"post upper":         frame.PostPosition(true),
		"lean lower":         frame.Lean(false),
		"lean upper":         frame.Lean(true),
		"base angle":         frame.BaseAngle(st),
		"rail angle":         frame.RailAngle(st),
		"gap":                frame.Gap(st),
		"trial":              frame.Trial(st),
		"bow base":           frame.BowBase(st),
		"bow rail":           frame.BowRail(st),
		"rising":             frame.FrameDiagonal(true),
		"falling":            frame.FrameDiagonal(false),
		"walk":               frame.Walk(10, 118.2, 9, 1.01),
		"last space":         frame.LastSpace(10, 118.2, 1.01),
		"stop space":         frame.StopSpace(118.2, 0),
		"stop space, high":   frame.StopSpace(118.2, 800),
		"open run":           frame.OpenRun(0),
		"open run, high":     frame.OpenRun(800),
		"unknown":            frame.Unknown(frame.IndexBowRail),
		"base pitch":         frame.BasePitch(),
		"rail pitch":         frame.RailPitch(),
		"pitch difference":   frame.PitchDifference(),
		"base pitch change":  frame.BasePitchChange(),
		"rail pitch change":  frame.RailPitchChange(),
		"drift":              frame.Drift(),
		"gap spread":         frame.GapSpread(),
		"run change":         frame.RunChange(),
		"out of plumb lower": frame.OutOfPlumb(false),
		"out of plumb upper": frame.OutOfPlumb(true),
		"out of square":      frame.OutOfSquare(),
	}
}

// Central differences over 2h are wrong by h²f‴/6 and by the rounding of f, 1e-12 mm here, over h. With h = 1e-3 mm for
// lengths and 1e-5 for slopes both stay under 1e-6. By a slope f‴ is of the order of the run, by a length less than 24/C²
// (the gap's spread, D²/(16C) of a drift D up to 8C, by its bow C of 3 mm or more) or much less.
func TestGradients(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		plane := planes().Draw(t, "plane")
		drift, bow := (plane.RailSlope-plane.BaseSlope)*plane.Run, plane.BowRail-plane.BowBase
		// Where the ends tie the widest or narrowest gap jumps between them, and has no derivative; where the turning point
		// leaves the run, no second one.
		kink := math.Abs(drift) < 1 || math.Abs(bow) < 3 || math.Abs(math.Abs(drift)-8*math.Abs(bow)) < 1
		x := append(plane.Vector(), rapid.Float64Range(0, 5000).Draw(t, "datum"), rapid.Float64Range(10, 100).Draw(t, "width"))
		for name, eq := range equations(t) {
			if name == "gap spread" && kink {
				continue
			}
			grad := make([]float64, len(x))
			for i := range grad {
				grad[i] = math.NaN() // every one must be overwritten
			}
			value := eq(x, grad)
			if again := eq(x, nil); again != value {
				t.Errorf("%s: %g with a gradient, %g without", name, value, again)
			}
			for i := range x {
				h := 1e-3
				switch i {
				case frame.IndexLeanLower, frame.IndexLeanUpper, frame.IndexBaseSlope, frame.IndexRailSlope:
					h = 1e-5
				}
				want := (eq(with(x, i, x[i]+h), nil) - eq(with(x, i, x[i]-h), nil)) / (2 * h)
				if !(math.Abs(grad[i]-want) <= 1e-6*(1+math.Abs(want))) {
					t.Errorf("%s: derivative by unknown %d is %g, differences give %g", name, i, grad[i], want)
				}
			}
		}
	})
}

func with(x []float64, i int, value float64) []float64 {
	x = append([]float64(nil), x...)
	x[i] = value
	return x
}

func TestEightUnknownsSuffice(t *testing.T) {
	x := trueFrame.Vector()
	grad := make([]float64, len(x))
	for _, eq := range []frame.Equation{
		frame.FrameDiagonal(true), frame.OutOfSquare(), frame.GapSpread(), frame.RunAt(300),
	} {
		if v := eq(x, grad); math.IsNaN(v) {
			t.Errorf("got NaN from %v", x)
		}
	}
}

// A step of an adjustment that leaves the domain is told by NaN, not by a figure.
func TestOutsideTheDomain(t *testing.T) {
	noRun, noGap := trueFrame, trueFrame
	noRun.Run, noGap.Gap = -1200, -700
	grad := make([]float64, frame.Unknowns)
	for name, got := range map[string]float64{
		"angle": frame.BaseAngle(frame.Top)(noRun.Vector(), grad),
		"gap":   frame.Gap(frame.At(300))(noRun.Vector(), grad),
		"bow":   frame.BowRail(frame.At(300))(noRun.Vector(), grad),
		"slope": frame.SlopeRun(300)(noGap.Vector(), grad),
	} {
		if !math.IsNaN(got) {
			t.Errorf("%s: got %g, want NaN", name, got)
		}
	}
}

func TestVectorRoundTrip(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		want := planes().Draw(t, "plane")
		got, err := frame.FromVector(append(want.Vector(), 17))
		if err != nil {
			t.Fatal(err)
		}
		if diff := cmp.Diff(want, got); diff != "" {
			t.Error(diff)
		}
	})
	if _, err := frame.FromVector(make([]float64, 7)); err == nil {
		t.Error("seven unknowns were taken for a plane")
	}
}

// The plane's methods and the equations say the same.
func TestPlaneAgreesWithEquations(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		p := planes().Draw(t, "plane")
		st := stations().Draw(t, "station")
		h := rapid.Float64Range(0, 1200).Draw(t, "height")
		x, at := p.Vector(), st.X(p.Run)
		for _, c := range []struct {
			name      string
			got, want float64
		}{
			{"gap", p.GapAt(at), frame.Gap(st)(x, nil)},
			{"gap from the rails", p.Rail(at) - p.Base(at), frame.Gap(st)(x, nil)},
			{"base angle", math.Atan(p.BaseSlopeAt(at)), frame.BaseAngle(st)(x, nil)},
			{"rail angle", math.Atan(p.RailSlopeAt(at)), frame.RailAngle(st)(x, nil)},
			{"run", p.RunAt(h), frame.RunAt(h)(x, nil)},
			{"lean lower", p.LeanAt(0), frame.Lean(false)(x, nil)},
			{"lean upper", p.LeanAt(p.Run), frame.Lean(true)(x, nil)},
			{"base rail's slope by differences", (p.Base(at+0.01) - p.Base(at-0.01)) / 0.02, p.BaseSlopeAt(at)},
			{"handrail's slope by differences", (p.Rail(at+0.01) - p.Rail(at-0.01)) / 0.02, p.RailSlopeAt(at)},
		} {
			// A fixed station may lie 3.7 m beyond a run of 0.3 m, where a bow of 20 mm comes to 1e4 mm: two ways of adding
			// that up round 1e-11 mm apart, and the slopes divide it by 0.02 mm.
			if !(math.Abs(c.got-c.want) <= 1e-8) {
				t.Errorf("%s: %g and %g", c.name, c.got, c.want)
			}
		}
	})
}

// A bay at the pitch of a 3-4-5 triangle, posts plumb, rails straight and parallel: all by hand.
var trueFrame = frame.Plane{Run: 1200, BaseSlope: 0.75, RailSlope: 0.75, Gap: 700}

func TestByHand(t *testing.T) {
	leaning := trueFrame
	leaning.LeanLower, leaning.LeanUpper = -0.01, 0.02
	bowed := trueFrame
	bowed.BowBase, bowed.BowRail = 6, -4
	tapered := trueFrame
	tapered.RailSlope = 0.76
	both := tapered
	both.BowRail = 12 // with a drift of 12 the gap turns at t = 1/2 + 12/96 = 5/8

	atan := math.Atan
	// The face of a post that leans by l meets the handrail G/(1 − 0.75·l) up.
	upper, lower := 700/(1-0.75*0.02), 700/(1+0.75*0.01)
	for _, c := range []struct {
		name string
		got  frame.Equation
		in   frame.Plane
		want float64
	}{
		{"run leaning", frame.RunAt(500), leaning, 1215},
		{"slope run", frame.SlopeRun(350), trueFrame, 1500},
		{"slope run on the base rail", frame.SlopeRun(0), tapered, 1500},
		{"slope run under the handrail", frame.SlopeRun(700), tapered, 1200 * math.Hypot(1, 0.76)},
		{"base angle at the bottom", frame.BaseAngle(frame.Bottom), bowed, atan(0.75 + 24.0/1200)},
		{"base angle in the middle", frame.BaseAngle(frame.Middle), bowed, atan(0.75)},
		{"base angle at 900", frame.BaseAngle(frame.At(900)), bowed, atan(0.75 - 12.0/1200)},
		{"rail angle at the top", frame.RailAngle(frame.Top), bowed, atan(0.75 + 16.0/1200)},
		{"gap in the middle", frame.Gap(frame.Middle), bowed, 690},
		{"gap at 300", frame.Gap(frame.At(300)), bowed, 700 - 7.5},
		{"trial at the top", frame.Trial(frame.Top), tapered, 712},
		{"bow of the base rail", frame.BowBase(frame.Middle), bowed, 4.8},
		{"bow of the handrail at 300", frame.BowRail(frame.At(300)), bowed, -2.4},
		{"rising", frame.FrameDiagonal(true), trueFrame, 2000}, // 1200 across, 900 + 700 up
		{"falling", frame.FrameDiagonal(false), trueFrame, math.Hypot(1200, 200)},
		{"rising, upper post leaning", frame.FrameDiagonal(true), leaning, math.Hypot(1200+0.02*upper, 900+upper)},
		{"falling, lower post leaning", frame.FrameDiagonal(false), leaning, math.Hypot(1200+0.01*lower, 900-lower)},
		{"walk short", frame.Walk(10, 100, 9, 1), trueFrame, 1500 - 1000 - 450},
		{"open run", frame.OpenRun(0), frame.Plane{Run: 1000, LeanLower: -0.02, LeanUpper: -0.01, BaseSlope: 1, RailSlope: 1, Gap: 800}, 1015},
		{"open run, high", frame.OpenRun(800), frame.Plane{Run: 1000, LeanLower: -0.02, LeanUpper: -0.01, BaseSlope: 1, RailSlope: 1, Gap: 800}, 1023},
		{"walk over", frame.Walk(10, 120, 9, 1), trueFrame, 1500 - 1200 - 450},
		{"last space", frame.LastSpace(9, 100, 1), trueFrame, 1200 - 9*(80+40)},
		{"stop space", frame.StopSpace(100, 0), leaning, 80 * (1 - 0.75*0.005)},
		{"stop space, high", frame.StopSpace(100, 500), leaning, 80*(1-0.75*0.005) + 500*0.03/1200*(80+40)},
		{"trial, leaning", frame.Trial(frame.At(600)), leaning, 700 / (1 - 0.75*0.005) * math.Hypot(1, 0.005)},
		{"drift", frame.Drift(), tapered, 12},
		{"no spread", frame.GapSpread(), trueFrame, 0},
		{"spread of a taper", frame.GapSpread(), tapered, 12},
		{"spread of a bow", frame.GapSpread(), bowed, 10},
		{"spread of both", frame.GapSpread(), both, 12*0.625 + 12*4*0.625*0.375},
		{"run change", frame.RunChange(), leaning, 21},
		{"out of plumb, lower", frame.OutOfPlumb(false), leaning, -7},
		{"out of plumb, upper", frame.OutOfPlumb(true), leaning, 14},
		{"true frame", frame.OutOfSquare(), trueFrame, 0},
		{"true frame with a taper", frame.OutOfSquare(), tapered, 0},
		{"out of square", frame.OutOfSquare(), leaning,
			math.Hypot(1200+0.02*upper, 900+upper) - math.Hypot(1200+0.01*lower, 900-lower) - 2000 + math.Hypot(1200, 200)},
		{"pitch", frame.BasePitch(), bowed, atan(0.75)},
		{"pitch difference", frame.PitchDifference(), tapered, atan(0.76) - atan(0.75)},
		{"change of the base rail's pitch", frame.BasePitchChange(), bowed, atan(0.77) - atan(0.73)},
		{"change of the handrail's pitch", frame.RailPitchChange(), bowed, atan(0.75-16.0/1200) - atan(0.75+16.0/1200)},
	} {
		if got := c.got(append(c.in.Vector(), 0, 40), nil); !(math.Abs(got-c.want) <= 1e-9) {
			t.Errorf("%s: got %.12g, want %.12g", c.name, got, c.want)
		}
	}
	datum := append(trueFrame.Vector(), 350)
	if got := frame.PostPosition(false)(datum, nil); got != 350 {
		t.Errorf("lower post: got %g, want 350", got)
	}
	if got := frame.PostPosition(true)(datum, nil); got != 1550 {
		t.Errorf("upper post: got %g, want 1550", got)
	}
}

// The spread is the widest less the narrowest of many gaps along the run.
func TestGapSpreadAgainstSamples(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		p := planes().Draw(t, "plane")
		p.RailSlope = p.BaseSlope + rapid.Float64Range(-0.03, 0.03).Draw(t, "taper")
		wide, narrow := math.Inf(-1), math.Inf(1)
		const n = 400
		for i := range n + 1 {
			g := p.GapAt(p.Run * float64(i) / n)
			wide, narrow = max(wide, g), min(narrow, g)
		}
		got := frame.GapSpread()(p.Vector(), nil)
		// Sampling misses the turning point by at most half a step, where the parabola is |4(H−B)|/(2n)² lower.
		miss := 4*math.Abs(p.BowRail-p.BowBase)/(4*n*n) + 1e-9
		if got < wide-narrow-1e-9 || got > wide-narrow+miss {
			t.Errorf("got %g, samples give %g", got, wide-narrow)
		}
	})
}
