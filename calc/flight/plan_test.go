package flight_test

import (
	"errors"
	"math"
	"math/rand/v2"
	"slices"
	"strings"
	"testing"

	"pgregory.net/rapid"

	"pinchrod/calc/adjust"
	"pinchrod/calc/calctest"
	"pinchrod/calc/flight"
)

// Hand-worked plans, {W, xl, yl, xr, yr}.
var (
	// Two 3-4-5 triangles back to back.
	rectangle = []float64{300, 0, 400, 300, 400}
	// The same, its top end pushed 6 mm to the right on a longer flight.
	sheared = []float64{900, 6, 3000, 906, 3000}
	// Sides that lean in 300 mm in 400 mm: 3-4-5 on each.
	trapezium = []float64{1000, 300, 400, 700, 400}
	// Sides of 3000 mm square from a bottom edge of 900 mm, the right one 9 mm longer.
	skewTop = []float64{900, 0, 3000, 900, 3009}
)

// turned is a true rectangle, 1000 by 2000 mm, in which the bottom edge alone was cut out of square, falling 3 mm in 4 to
// the right. In the plane of that edge, with the sides' direction (0.6, 0.8) and its normal (0.8, −0.6), the right bottom
// corner lies at W = 1250 and 1250·0.6 = 750 mm down the other side.
var turned = []float64{1250, 1200, 1600, 1200 + 800, 1600 - 600}

func TestPlanByHand(t *testing.T) {
	const deg = math.Pi / 180
	tests := []struct {
		name string
		plan []float64
		eq   flight.Equation
		want float64
	}{
		{"3-4-5 bottom", rectangle, flight.Width(flight.Bottom), 300},
		{"3-4-5 middle", rectangle, flight.Width(flight.Middle), 300},
		{"3-4-5 top", rectangle, flight.Width(flight.Top), 300},
		{"3-4-5 left", rectangle, flight.Side(false), 400},
		{"3-4-5 right", rectangle, flight.Side(true), 400},
		{"3-4-5 rising", rectangle, flight.Diagonal(true), 500},
		{"3-4-5 falling", rectangle, flight.Diagonal(false), 500},
		{"3-4-5 corner", rectangle, flight.Angle(flight.TopRight), 90 * deg},
		{"3-4-5 swing", rectangle, flight.Swing(), 0},
		{"3-4-5 bottom skew", rectangle, flight.BottomSkew(), 0},
		{"3-4-5 top skew", rectangle, flight.TopSkew(), 0},

		{"sheared swing", sheared, flight.Swing(), 6},
		{"sheared taper", sheared, flight.Taper(), 0},
		{"sheared ends", sheared, flight.EndsSkew(), 0},
		// 900 · 6/√(6² + 3000²), the centre line leaning 6 in 3000.
		{"sheared bottom skew", sheared, flight.BottomSkew(), 5400 / math.Sqrt(9000036)},
		{"sheared top skew", sheared, flight.TopSkew(), 5400 / math.Sqrt(9000036)},
		{"sheared left side", sheared, flight.Side(false), math.Sqrt(9000036)},
		// √(906² + 3000²) − √(894² + 3000²).
		{"sheared diagonals", sheared, flight.DiagonalDifference(), math.Sqrt(9820836) - math.Sqrt(9799236)},
		{"sheared bottom left", sheared, flight.Angle(flight.BottomLeft), 90*deg - math.Atan(0.002)},
		{"sheared bottom right", sheared, flight.Angle(flight.BottomRight), 90*deg + math.Atan(0.002)},
		{"sheared top left", sheared, flight.Angle(flight.TopLeft), 90*deg + math.Atan(0.002)},
		{"sheared top right", sheared, flight.Angle(flight.TopRight), 90*deg - math.Atan(0.002)},

		{"trapezium side", trapezium, flight.Side(true), 500},
		{"trapezium top", trapezium, flight.Width(flight.Top), 400},
		{"trapezium middle", trapezium, flight.Width(flight.Middle), 700},
		{"trapezium taper", trapezium, flight.Taper(), -600},
		{"trapezium swing", trapezium, flight.Swing(), 0},
		{"trapezium diagonals", trapezium, flight.DiagonalDifference(), 0},
		{"trapezium rising", trapezium, flight.Diagonal(true), math.Sqrt(650000)},
		{"trapezium bottom left", trapezium, flight.Angle(flight.BottomLeft), math.Atan(4. / 3)},
		{"trapezium top left", trapezium, flight.Angle(flight.TopLeft), math.Pi - math.Atan(4./3)},

		{"skew top ends", skewTop, flight.EndsSkew(), 9},
		{"skew top swing", skewTop, flight.Swing(), 0},
		{"skew top bottom skew", skewTop, flight.BottomSkew(), 0},
		{"skew top top skew", skewTop, flight.TopSkew(), 9},
		{"skew top right side", skewTop, flight.Side(true), 3009},
		{"skew top width", skewTop, flight.Width(flight.Top), math.Sqrt(810081)},
		{"skew top top left", skewTop, flight.Angle(flight.TopLeft), 90*deg + math.Atan(0.01)},

		// The top edge is square to the sides, the bottom edge 750 mm further up at its right end.
		{"turned left side", turned, flight.Side(false), 2000},
		{"turned right side", turned, flight.Side(true), 1250},
		{"turned top width", turned, flight.Width(flight.Top), 1000},
		{"turned top right corner", turned, flight.Angle(flight.TopRight), 90 * deg},
		{"turned bottom skew", turned, flight.BottomSkew(), 750},
		{"turned top skew", turned, flight.TopSkew(), 0},
		{"turned ends", turned, flight.EndsSkew(), -600},
		{"turned swing", turned, flight.Swing(), 975},
	}
	for _, test := range tests {
		if got := test.eq(test.plan, nil); !calctest.Near(got, test.want, 1e-9) {
			t.Errorf("%s: got %.12g, want %.12g", test.name, got, test.want)
		}
	}
}

func plans() *rapid.Generator[[]float64] {
	return rapid.Custom(func(t *rapid.T) []float64 {
		x := make([]float64, flight.Unknowns)
		x[flight.IndexWidth] = rapid.Float64Range(400, 3000).Draw(t, "W")
		x[flight.IndexTopLeftX] = rapid.Float64Range(-150, 150).Draw(t, "xl")
		x[flight.IndexTopLeftY] = rapid.Float64Range(400, 6000).Draw(t, "yl")
		x[flight.IndexTopRightX] = x[flight.IndexWidth] + rapid.Float64Range(-150, 150).Draw(t, "xr−W")
		x[flight.IndexTopRightY] = x[flight.IndexTopLeftY] + rapid.Float64Range(-100, 100).Draw(t, "yr−yl")
		return x
	})
}

func planEquations() map[string]flight.Equation {
	return map[string]flight.Equation{
		"bottom": flight.Width(flight.Bottom), "middle": flight.Width(flight.Middle), "top": flight.Width(flight.Top),
		"left": flight.Side(false), "right": flight.Side(true),
		"rising": flight.Diagonal(true), "falling": flight.Diagonal(false),
		"BL": flight.Angle(flight.BottomLeft), "BR": flight.Angle(flight.BottomRight),
		"TL": flight.Angle(flight.TopLeft), "TR": flight.Angle(flight.TopRight),
		"swing": flight.Swing(), "bottom skew": flight.BottomSkew(), "top skew": flight.TopSkew(),
		"ends skew": flight.EndsSkew(), "taper": flight.Taper(), "diagonals": flight.DiagonalDifference(),
	}
}

// differ compares gradients with central differences over 2h. With h = 0.03 mm they are wrong by h²f‴/6, and f‴
// is at most about 3/L², L ≥ 100 mm the shortest length drawn: 5e-8. Rounding adds 1e-12 mm over h.
func differ(t interface{ Errorf(string, ...any) }, name string, eq flight.Equation, x []float64) {
	const h = 0.03
	grad := make([]float64, len(x))
	for i := range grad {
		grad[i] = math.NaN() // every one must be overwritten
	}
	value := eq(x, grad)
	if again := eq(x, nil); again != value || math.IsNaN(value) {
		t.Errorf("%s: %g with a gradient, %g without", name, value, again)
	}
	for i := range x {
		up, down := append([]float64(nil), x...), append([]float64(nil), x...)
		up[i] += h
		down[i] -= h
		want := (eq(up, nil) - eq(down, nil)) / (2 * h)
		if !calctest.Near(grad[i], want, 1e-7) {
			t.Errorf("%s: derivative by unknown %d is %g, differences give %g", name, i, grad[i], want)
		}
	}
}

func TestPlanGradients(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		x := append(plans().Draw(t, "plan"), 17) // a longer vector keeps its tail out of it
		for name, eq := range planEquations() {
			differ(t, name, eq, x)
		}
	})
}

func TestPlanAngleSum(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		x := plans().Draw(t, "plan")
		sum := 0.0
		for c := flight.BottomLeft; c <= flight.TopRight; c++ {
			sum += flight.Angle(c)(x, nil)
		}
		if !calctest.Near(sum, 2*math.Pi, 1e-12) {
			t.Errorf("angles sum to %.15g", sum)
		}
	})
}

// The middle width is the distance between the mid points of the sides but for the W·δ²/8 its doc tells of.
func TestMiddleWidth(t *testing.T) {
	for _, skew := range []float64{0, 5, 20, -50} {
		x := []float64{900, 0, 3000, 900, 3000 + skew}
		got := flight.Width(flight.Middle)(x, nil)
		apart := math.Hypot((x[0]+x[3]-x[1])/2, skew/2)
		delta := math.Atan(skew / 900)
		// The top edge is longer than W by W·δ²/2, which changes the difference in the fourth power of δ.
		if want := 900 * delta * delta / 8; !calctest.Near(got-apart, want, 900*math.Pow(delta, 4)) {
			t.Errorf("ends %g mm out of parallel: %g closer than the mean, want %g", skew, got-apart, want)
		}
	}
}

// Seen in a mirror, left and right change and so do the signs.
func TestPlanMirrored(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		x := plans().Draw(t, "plan")
		w := x[flight.IndexWidth]
		m := []float64{w, w - x[flight.IndexTopRightX], x[flight.IndexTopRightY], w - x[flight.IndexTopLeftX], x[flight.IndexTopLeftY]}
		for name, eq := range map[string]flight.Equation{
			"swing": flight.Swing(), "bottom skew": flight.BottomSkew(), "top skew": flight.TopSkew(),
			"ends skew": flight.EndsSkew(), "diagonals": flight.DiagonalDifference(),
		} {
			if a, b := eq(x, nil), eq(m, nil); !calctest.Near(a, -b, 1e-9) {
				t.Errorf("%s: %g and mirrored %g", name, a, b)
			}
		}
		if a, b := flight.Angle(flight.TopLeft)(x, nil), flight.Angle(flight.TopRight)(m, nil); !calctest.Near(a, b, 1e-12) {
			t.Errorf("top left is %g and mirrored %g", a, b)
		}
	})
}

func TestPlanTurnedOver(t *testing.T) {
	grad := make([]float64, flight.Unknowns)
	for _, x := range [][]float64{
		{-900, 6, 3000, 906, 3000}, {900, 6, -3000, 906, 3000}, {900, 6, 3000, 906, -3000}, {900, 906, 3000, 6, 3000},
	} {
		for name, eq := range map[string]flight.Equation{
			"width": flight.Width(flight.Middle), "side": flight.Side(true), "diagonal": flight.Diagonal(false),
			"angle": flight.Angle(flight.TopLeft), "taper": flight.Taper(),
		} {
			if v := eq(x, grad); !math.IsNaN(v) {
				t.Errorf("%s of %v is %g, want NaN", name, x, v)
			}
		}
	}
}

var planReadings = []flight.Equation{
	flight.Width(flight.Bottom), flight.Width(flight.Middle), flight.Width(flight.Top),
	flight.Side(false), flight.Side(true), flight.Diagonal(true), flight.Diagonal(false),
}

func startOf(values []float64) flight.PlanReadings {
	return flight.PlanReadings{
		WidthBottom: values[0], WidthMiddle: values[1], WidthTop: values[2],
		SideLeft: values[3], SideRight: values[4], DiagonalRising: values[5], DiagonalFalling: values[6],
	}
}

func predicted(x []float64) []float64 {
	values := make([]float64, len(planReadings))
	for i, eq := range planReadings {
		values[i] = eq(x, nil)
	}
	return values
}

// With all of them read exactly the start is the plan itself.
func TestStartExact(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		want := plans().Draw(t, "plan")
		got, err := flight.Start(startOf(predicted(want)))
		if err != nil {
			t.Fatal(err)
		}
		for i := range want {
			if !calctest.Near(got[i], want[i], 1e-6) {
				t.Fatalf("started at %v, want %v", got, want)
			}
		}
	})
}

// meanRead is the mean of those read, or 0.
func meanRead(values []float64) float64 {
	sum, n := 0.0, 0.0
	for _, v := range values {
		if v > 0 {
			sum, n = sum+v, n+1
		}
	}
	return sum / math.Max(1, n)
}

// Whatever was left out, what was read gives a start or says that it cannot, and from the start the adjustment converges
// with weak priors for what stays open; the one set of readings that needs a prior in any case is the one Start tells of.
func TestStartThin(t *testing.T) {
	const flights = 40
	rng := rand.New(rand.NewPCG(5, 2))
	off := func(mm float64) float64 { return mm * (2*rng.Float64() - 1) }
	for set := 1; set < 1<<len(planReadings); set++ {
		for range flights {
			w, l := 400+2000*rng.Float64(), 400+5000*rng.Float64()
			values := predicted([]float64{w, off(50), l, w + off(50), l + off(50)})
			p := adjust.Problem{Weak: []adjust.Observation{
				{U: 50, Model: flight.Taper()}, {U: 50, Model: flight.Swing()}, {U: 50, Model: flight.EndsSkew()},
			}}
			for i, eq := range planReadings {
				if set>>i&1 == 0 {
					values[i] = 0
					continue
				}
				values[i] += rng.NormFloat64()
				p.Observations = append(p.Observations, adjust.Observation{Value: values[i], U: 1, Model: eq})
			}
			if set == 0b1111010 {
				p.Observations = append(p.Observations, adjust.Observation{U: 5, Model: flight.Taper(), Prior: true})
			}
			var err error
			p.Start, err = flight.Start(startOf(values))
			width, side, across := meanRead(values[:3]), meanRead(values[3:5]), meanRead(values[5:])
			// A diagonal stands in for a width or a side only if it is longer than the other.
			if want := width > 0 && side > 0 || width+side > 0 && across > width+side; want != (err == nil) {
				t.Errorf("start of %v: %v", values, err)
			}
			if err != nil {
				continue
			}
			s, err := adjust.Solve(p, adjust.Options{})
			if err != nil {
				t.Errorf("adjusting %v: %v", values, err)
			} else if flight.Width(flight.Top)(s.X, nil) < w/2 {
				t.Errorf("%v adjusted to %v", values, s.X)
			}
		}
	}
}

func TestStartErrors(t *testing.T) {
	for name, r := range map[string]flight.PlanReadings{
		"nothing":            {},
		"widths only":        {WidthBottom: 900, WidthTop: 902},
		"sides only":         {SideLeft: 3000},
		"diagonals only":     {DiagonalRising: 3100, DiagonalFalling: 3100},
		"diagonal too short": {WidthBottom: 900, DiagonalRising: 890},
		"negative":           {WidthBottom: -900, SideLeft: 3000},
		"not a number":       {WidthBottom: 900, SideLeft: math.NaN()},
		"infinite":           {WidthBottom: 900, SideLeft: 3000, DiagonalRising: math.Inf(1)},
	} {
		if x, err := flight.Start(r); !errors.Is(err, flight.ErrInput) {
			t.Errorf("%s: started at %v, error %v", name, x, err)
		}
	}
}

// A slip that leaves the triangles closed is found, once the diagonals and sides have been read again.
func TestPlanSlip(t *testing.T) {
	values := append(predicted(sheared), predicted(sheared)...)
	models := append(append([]flight.Equation(nil), planReadings...), planReadings...)
	for _, slip := range []float64{-100, -10, 10, 100, 300} {
		with := append([]float64(nil), values...)
		with[5] += slip
		x, err := flight.Start(startOf(with))
		if err != nil {
			t.Fatal(err)
		}
		p := adjust.Problem{Start: x}
		for i, v := range with {
			p.Observations = append(p.Observations, adjust.Observation{Value: v, U: 1, Model: models[i]})
		}
		s, err := adjust.Snoop(p, adjust.Options{})
		if err != nil {
			t.Fatalf("slip of %g: %v", slip, err)
		}
		if len(s.Passes) != 1 || s.Passes[0].Index != 5 || len(s.Passes[0].Rivals) > 0 || !calctest.Near(flight.Swing()(s.X, nil), 6, 1e-6) {
			t.Errorf("slip of %g: passes %+v, swing %g", slip, s.Passes, flight.Swing()(s.X, nil))
		}
	}
}

func TestPlanNoTriangle(t *testing.T) {
	for i, name := range []string{"bottom", "", "top", "left", "right", "rising", "falling"} {
		values := predicted(sheared)
		values[i] += 10000
		_, err := flight.Start(startOf(values))
		if closed := err == nil; closed != (name == "") {
			t.Errorf("reading %d: error %v", i, err)
		}
		if name != "" && (!errors.Is(err, flight.ErrTriangle) || !strings.Contains(err.Error(), name)) {
			t.Errorf("reading %d: error %v does not name %s", i, err, name)
		}
	}
}

// Without a second reading the slip is seen and its rivals are named.
func TestPlanRivals(t *testing.T) {
	values := predicted(sheared)
	values[5] += 20
	p := adjust.Problem{Start: sheared}
	for i, v := range values {
		p.Observations = append(p.Observations, adjust.Observation{Value: v, U: 1, Model: planReadings[i]})
	}
	s, err := adjust.Snoop(p, adjust.Options{})
	if err != nil {
		t.Fatal(err)
	}
	if len(s.Passes) != 1 {
		t.Fatalf("%d passes, want 1", len(s.Passes))
	}
	got := append([]int{s.Passes[0].Index}, s.Passes[0].Rivals...)
	slices.Sort(got)
	if want := []int{3, 4, 5, 6}; !slices.Equal(got, want) {
		t.Errorf("suspects %v, want %v", got, want)
	}
}

// Without a diagonal nothing says how square the plan is, and the adjustment says so.
func TestPlanWithoutDiagonals(t *testing.T) {
	values := predicted(rectangle)
	p := adjust.Problem{Start: rectangle}
	for i, eq := range planReadings[:5] {
		p.Observations = append(p.Observations, adjust.Observation{Value: values[i], U: 0.5, Model: eq})
	}
	if _, err := adjust.Solve(p, adjust.Options{}); !errors.Is(err, adjust.ErrUndetermined) {
		t.Fatalf("got %v, want undetermined", err)
	}
	p.Weak = []adjust.Observation{{Value: 0, U: 20, Model: flight.Swing()}}
	s, err := adjust.Solve(p, adjust.Options{})
	if err != nil {
		t.Fatal(err)
	}
	grad := make([]float64, flight.Unknowns)
	flight.Swing()(s.X, grad)
	if u := s.U(grad); !calctest.Near(u, 20, 0.1) {
		t.Errorf("swing has u %g, want the prior's 20", u)
	}
}

// What is derived is found within 2u in 95.45 % of flights. Of 4000 that share has a standard error of 0.33 %; 4 of
// them are allowed. Readings are linear enough at this u that the adjustment has no bias to speak of.
func TestPlanCoverage(t *testing.T) {
	const flights, u = 4000, 1.0
	rng := rand.New(rand.NewPCG(11, 7))
	truth := []float64{905, 8, 3002, 909, 2998}
	values := predicted(truth)
	within, redundancy, chi2 := map[string]int{}, 0.0, 0.0
	derived := planEquations()
	grad := make([]float64, flight.Unknowns)
	for range flights {
		p := adjust.Problem{}
		read := make([]float64, len(values))
		for i, eq := range planReadings {
			read[i] = values[i] + u*rng.NormFloat64()
			p.Observations = append(p.Observations, adjust.Observation{Value: read[i], U: u, Model: eq})
		}
		var err error
		if p.Start, err = flight.Start(startOf(read)); err != nil {
			t.Fatal(err)
		}
		s, err := adjust.Solve(p, adjust.Options{})
		if err != nil {
			t.Fatal(err)
		}
		sum := 0.0
		for _, r := range s.Redundancy {
			sum += r
		}
		redundancy = math.Max(redundancy, math.Abs(sum-2))
		chi2 += s.Chi2
		for name, eq := range derived {
			if math.Abs(eq(s.X, grad)-eq(truth, nil)) <= 2*s.U(grad) {
				within[name]++
			}
		}
	}
	if !calctest.Near(redundancy, 0, 1e-9) {
		t.Errorf("redundancies miss 7 readings − 5 unknowns by %g", redundancy)
	}
	// chi2 of 2 degrees has mean 2 and standard deviation 2.
	if m := chi2 / flights; !calctest.Near(m, 2, 4*2/math.Sqrt(flights)) {
		t.Errorf("chi2 is %g on average, want 2", m)
	}
	for name := range derived {
		if share := float64(within[name]) / flights; !calctest.Near(share, 0.9545, 4*0.0033) {
			t.Errorf("%s: %.4f of flights within 2u", name, share)
		}
	}
}
