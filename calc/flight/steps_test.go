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

const (
	rise  = flight.Rise
	going = flight.Going
	whole = flight.WholeFlight
)

func TestStepsByHand(t *testing.T) {
	s := flight.Steps{Rises: 4, Goings: 3}
	x := []float64{180, 186, 177, 177, 240, 234, 246} // means 180 and 240: a 3-4-5 pitch
	tests := []struct {
		name string
		eq   flight.Equation
		want float64
	}{
		{"rise 2", s.One(rise, 2), 186},
		{"going 3", s.One(going, 3), 246},
		{"total rise", s.Total(rise), 720},
		{"total going", s.Total(going), 720},
		{"mean rise", s.Mean(rise), 180},
		{"mean going", s.Mean(going), 240},
		{"rise 3 against 2", s.AgainstNeighbour(rise, 3), -9},
		{"going 2 against 1", s.AgainstNeighbour(going, 2), -6},
		{"rise 2 against the flight", s.AgainstMean(rise, 2), 6},
		{"going 2 against the flight", s.AgainstMean(going, 2), -6},
		{"rises' spread", s.Spread(rise), 9},
		{"goings' spread", s.Spread(going), 12},
		{"stride 2", s.Stride(2), 606},
		{"pitch 1", s.Pitch(1), math.Atan(0.75)},
		{"mean pitch", s.MeanPitch(), math.Acos(0.8)},
		{"rise 5", s.One(rise, 5), math.NaN()},
		{"rise 0", s.One(rise, 0), math.NaN()},
		{"rise 1 against 0", s.AgainstNeighbour(rise, 1), math.NaN()},
		{"rise 5 against the flight", s.AgainstMean(rise, 5), math.NaN()},
		{"stride without a going", s.Stride(4), math.NaN()},
		{"pitch without a going", s.Pitch(4), math.NaN()},
	}
	grad := make([]float64, s.Unknowns())
	for _, test := range tests {
		got := test.eq(x, grad)
		if !calctest.Near(got, test.want, 1e-12*math.Abs(test.want)) && !(math.IsNaN(got) && math.IsNaN(test.want)) {
			t.Errorf("%s: got %.15g, want %.15g", test.name, got, test.want)
		}
	}
	if l, sm := s.Extremes(rise, x); l != 2 || sm != 3 {
		t.Errorf("extremes are %d and %d, want 2 and the first of the equals, 3", l, sm)
	}
	if l, sm := (flight.Steps{Rises: 3}).Extremes(rise, []float64{180, 180, 180}); l != 3 || sm != 1 {
		t.Errorf("extremes of equals are %d and %d, want 3 and 1", l, sm)
	}
	one := flight.Steps{Rises: 1}
	for name, eq := range map[string]flight.Equation{
		"spread of one": one.Spread(rise), "mean of none": one.Mean(going), "pitch": one.MeanPitch(),
		"negative": flight.Steps{Rises: -2, Goings: 1}.Mean(rise),
	} {
		if v := eq([]float64{180}, nil); !math.IsNaN(v) {
			t.Errorf("%s: got %g, want NaN", name, v)
		}
	}
}

func TestStepsGradients(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		s := flight.Steps{Rises: rapid.IntRange(2, 16).Draw(t, "rises"), Goings: rapid.IntRange(2, 16).Draw(t, "goings")}
		// Apart by 2 mm at least, so that the largest and the smallest stay so while they are moved.
		shuffle := func(n int, from float64) []float64 {
			x := make([]float64, n)
			for i := range x {
				x[i] = from + 2*float64(i)
			}
			return rapid.Permutation(x).Draw(t, "steps")
		}
		x := append(shuffle(s.Rises, 150), shuffle(s.Goings, 220)...)
		r := rapid.IntRange(2, s.Rises).Draw(t, "rise")
		both := rapid.IntRange(1, min(s.Rises, s.Goings)).Draw(t, "step")
		for name, eq := range map[string]flight.Equation{
			"one": s.One(rise, r), "total": s.Total(going), "mean": s.Mean(rise),
			"neighbour": s.AgainstNeighbour(rise, r), "against mean": s.AgainstMean(rise, r),
			"rises' spread": s.Spread(rise), "goings' spread": s.Spread(going),
			"stride": s.Stride(both), "pitch": s.Pitch(both), "mean pitch": s.MeanPitch(),
		} {
			differ(t, name, eq, x)
		}
	})
}

// surveyed is a flight of steps all read once, and the totals.
func surveyed(s flight.Steps, x []float64, u, uTotal float64, noise func() float64) []flight.Reading {
	var out []flight.Reading
	for _, p := range []flight.Part{rise, going} {
		n := s.Rises
		if p == going {
			n = s.Goings
		}
		for step := 1; step <= n; step++ {
			out = append(out, flight.Reading{Part: p, Step: step, Value: s.One(p, step)(x, nil) + u*noise(), U: u})
		}
		if n > 0 {
			out = append(out, flight.Reading{Part: p, Step: whole, Value: s.Total(p)(x, nil) + uTotal*noise(), U: uTotal})
		}
	}
	return out
}

func none() float64 { return 0 }

func solve(s flight.Steps, readings []flight.Reading, uWeak float64) (*adjust.Solution, error) {
	start, err := s.Start(readings)
	if err != nil {
		return nil, err
	}
	obs, err := s.Observations(readings)
	if err != nil {
		return nil, err
	}
	p := adjust.Problem{Start: start}
	for _, o := range obs {
		p.Observations = append(p.Observations, adjust.Observation{Value: o.Value, U: o.U, Model: o.Model})
	}
	if uWeak > 0 {
		weak, err := s.Unread(readings, uWeak, uWeak)
		if err != nil {
			return nil, err
		}
		for _, o := range weak {
			p.Weak = append(p.Weak, adjust.Observation{Value: o.Value, U: o.U, Model: o.Model})
		}
	}
	return adjust.Solve(p, adjust.Options{})
}

func uOf(s *adjust.Solution, eq flight.Equation) float64 {
	grad := make([]float64, len(s.X))
	eq(s.X, grad)
	return s.U(grad)
}

// n steps of u and a total of u_t: the total is out by c, of which each step takes the share u²/(n·u² + u_t²), and the
// redundancy of the total is u_t²/(n·u² + u_t²).
func TestStepsAgainstTotal(t *testing.T) {
	s := flight.Steps{Rises: 4}
	readings := []flight.Reading{
		{rise, 1, 180, 1}, {rise, 2, 181, 1}, {rise, 3, 179, 1}, {rise, 4, 180, 1}, {rise, whole, 728, 2},
	}
	c, u, err := s.Closure(rise, readings)
	if err != nil || c != -8 || !calctest.Near(u, math.Sqrt(8), 1e-12) {
		t.Errorf("closure %g ± %g, error %v; want −8 ± √8", c, u, err)
	}
	got, err := solve(s, readings, 0)
	if err != nil {
		t.Fatal(err)
	}
	for i, want := range []float64{181, 182, 180, 181} { // an eighth of 8 mm each
		if !calctest.Near(got.X[i], want, 1e-9) {
			t.Errorf("rise %d is %g, want %g", i+1, got.X[i], want)
		}
	}
	if !calctest.Near(got.Redundancy[4], 0.5, 1e-12) || !calctest.Near(got.Redundancy[0], 0.125, 1e-12) {
		t.Errorf("redundancies %v, want 1/8 and 1/2", got.Redundancy)
	}
	// Neighbours do not feel the total: √2·u. Nor does a step against the mean: u·√(1 − 1/n).
	if u := uOf(got, s.AgainstNeighbour(rise, 3)); !calctest.Near(u, math.Sqrt2, 1e-9) {
		t.Errorf("neighbour has u %g, want √2", u)
	}
	if u := uOf(got, s.AgainstMean(rise, 3)); !calctest.Near(u, math.Sqrt(0.75), 1e-9) {
		t.Errorf("against the mean u is %g, want √0.75", u)
	}
}

// Two readings of a step are two observations; the mean of theirs is what closes.
func TestRepeated(t *testing.T) {
	s := flight.Steps{Rises: 2}
	readings := []flight.Reading{
		{rise, 1, 180, 1}, {rise, 1, 184, 1}, {rise, 1, 180, 0.5}, {rise, 2, 180, 1}, {rise, whole, 360, 3}, {rise, whole, 363, 3},
	}
	obs, err := s.Observations(readings)
	if err != nil {
		t.Fatal(err)
	}
	if len(obs) != len(readings) {
		t.Fatalf("%d observations of %d readings", len(obs), len(readings))
	}
	for i, o := range obs {
		if o.Value != readings[i].Value || o.U != readings[i].U {
			t.Errorf("observation %d is %g ± %g, its reading %+v", i, o.Value, o.U, readings[i])
		}
	}
	// Step 1: (180 + 184 + 4·180)/6 ± 1/√6; the total 361.5 ± 3/√2.
	c, u, err := s.Closure(rise, readings)
	if wantC, wantU := 1084./6+180-361.5, math.Sqrt(1./6+1+4.5); err != nil || !calctest.Near(c, wantC, 1e-9) || !calctest.Near(u, wantU, 1e-12) {
		t.Errorf("closure %g ± %g, error %v; want %g ± %g", c, u, err, wantC, wantU)
	}
	got, err := solve(s, readings, 0)
	if err != nil {
		t.Fatal(err)
	}
	if got.DOF != 4 {
		t.Errorf("%d degrees of freedom, want 6 readings − 2 steps", got.DOF)
	}
}

func without(readings []flight.Reading, p flight.Part, steps ...int) []flight.Reading {
	return slices.DeleteFunc(slices.Clone(readings), func(r flight.Reading) bool {
		return r.Part == p && slices.Contains(steps, r.Step)
	})
}

func TestUnreadSteps(t *testing.T) {
	s := flight.Steps{Rises: 4, Goings: 3}
	x := []float64{180, 186, 177, 177, 240, 234, 246}
	all := surveyed(s, x, 1, 2, none)
	tests := []struct {
		name     string
		readings []flight.Reading
		open     bool      // undetermined without the priors
		weak     int       // used
		rises    []float64 // with them
		u2       float64   // of rise 2
	}{
		// u² = u_t² + 3u².
		{"one, with the total", without(all, rise, 2), false, 0, []float64{180, 186, 177, 177}, math.Sqrt(7)},
		// Without the total it is like the mean of the three, 178, within 10 ⊕ 1/√3.
		{"one, without", without(all, rise, 2, whole), true, 1, []float64{180, 178, 177, 177}, math.Sqrt(100 + 1./3)},
		// Both of those read move by d, both of the others to 181.5 + e, which halve the 363 that are left. The least of
		// 2d² + (e + d)² + (e + 3 − d)²/50 is at d = 3/53, e = −6/53; there e has u² = 3.02/2.12. Half the difference of
		// the two rests on their priors alone, u² = 50.
		{"two, with the total", without(all, rise, 2, 4), true, 2,
			[]float64{180 + 3./53, 181.5 - 6./53, 177 + 3./53, 181.5 - 6./53}, math.Sqrt(50 + 3.02/2.12)},
		// u² = 10²·(1 − 1/4) + (2/4)².
		{"all, with the total", without(all, rise, 1, 2, 3, 4), true, 4, []float64{180, 180, 180, 180}, math.Sqrt(75.25)},
	}
	for _, test := range tests {
		if _, err := solve(s, test.readings, 0); errors.Is(err, adjust.ErrUndetermined) != test.open {
			t.Errorf("%s: without a prior %v", test.name, err)
		}
		got, err := solve(s, test.readings, 10)
		if err != nil {
			t.Errorf("%s: %v", test.name, err)
			continue
		}
		if len(got.UsedWeak) != test.weak {
			t.Errorf("%s: weak priors %v used, want %d", test.name, got.UsedWeak, test.weak)
		}
		for i, want := range test.rises {
			if !calctest.Near(got.X[i], want, 1e-6) {
				t.Errorf("%s: rise %d is %g, want %g", test.name, i+1, got.X[i], want)
			}
		}
		if u := uOf(got, s.One(rise, 2)); !calctest.Near(u, test.u2, 1e-6) {
			t.Errorf("%s: rise 2 has u %g, want %g", test.name, u, test.u2)
		}
	}

	bare := without(all, rise, 1, 2, 3, 4, whole)
	if _, err := s.Start(bare); !errors.Is(err, flight.ErrUnread) {
		t.Errorf("starting without any rise: %v", err)
	}
	if _, _, err := s.Closure(rise, without(all, rise, 3)); !errors.Is(err, flight.ErrUnread) || !strings.Contains(err.Error(), "rise 3") {
		t.Errorf("closing without rise 3: %v", err)
	}
	if _, _, err := s.Closure(going, without(all, going, whole)); !errors.Is(err, flight.ErrUnread) || !strings.Contains(err.Error(), "total going") {
		t.Errorf("closing without the total: %v", err)
	}
	// A total that leaves nothing for the step not read is a slip; the start does not follow it.
	short := append(without(all, rise, 2, whole), flight.Reading{Part: rise, Step: whole, Value: 400, U: 2})
	if start, err := s.Start(short); err != nil || start[1] != 178 {
		t.Errorf("started at %v, error %v; want 178 for rise 2", start, err)
	}
}

func TestStepsErrors(t *testing.T) {
	s := flight.Steps{Rises: 3, Goings: 2}
	for name, test := range map[string]struct {
		steps   flight.Steps
		reading flight.Reading
	}{
		"no such step":    {s, flight.Reading{Part: going, Step: 3, Value: 240, U: 1}},
		"negative step":   {s, flight.Reading{Part: rise, Step: -1, Value: 240, U: 1}},
		"no such part":    {s, flight.Reading{Part: 7, Step: 1, Value: 240, U: 1}},
		"negative value":  {s, flight.Reading{Part: rise, Step: 1, Value: -180, U: 1}},
		"infinite":        {s, flight.Reading{Part: rise, Step: 1, Value: math.Inf(1), U: 1}},
		"not a number":    {s, flight.Reading{Part: rise, Step: 1, Value: math.NaN(), U: 1}},
		"no u":            {s, flight.Reading{Part: rise, Step: 1, Value: 180}},
		"u not a number":  {s, flight.Reading{Part: rise, Step: 1, Value: 180, U: math.NaN()}},
		"total of none":   {flight.Steps{Rises: 3}, flight.Reading{Part: going, Step: whole, Value: 480, U: 1}},
		"no steps":        {flight.Steps{}, flight.Reading{Part: rise, Step: whole, Value: 480, U: 1}},
		"negative number": {flight.Steps{Rises: -1, Goings: 2}, flight.Reading{Part: going, Step: 1, Value: 240, U: 1}},
	} {
		readings := []flight.Reading{test.reading}
		_, errObs := test.steps.Observations(readings)
		_, errStart := test.steps.Start(readings)
		_, errUnread := test.steps.Unread(readings, 10, 10)
		_, _, errClose := test.steps.Closure(test.reading.Part, readings)
		for _, err := range []error{errObs, errStart, errUnread, errClose} {
			if !errors.Is(err, flight.ErrInput) {
				t.Errorf("%s: error %v", name, err)
			}
		}
	}
	if _, err := s.Unread(nil, 10, 0); !errors.Is(err, flight.ErrInput) {
		t.Errorf("prior without u: %v", err)
	}
}

func TestStringAgainstPitch(t *testing.T) {
	// 36.87° by 3-4-5 against a gauge's 37.2° ± 0.1°.
	const deg = math.Pi / 180
	d, u, err := flight.StringAgainstPitch(37.2*deg, 0.3*deg, math.Atan(0.75), 0.4*deg)
	if err != nil || !calctest.Near(d/deg, 0.3301, 1e-4) || !calctest.Near(u/deg, 0.5, 1e-12) {
		t.Errorf("got %g° ± %g°, error %v", d/deg, u/deg, err)
	}
	for _, bad := range [][4]float64{
		{math.NaN(), 0.1, 0.6, 0.1}, {0.6, 0.1, math.Inf(1), 0.1}, {0.6, -0.1, 0.6, 0.1}, {0.6, 0.1, 0.6, math.NaN()}, {0.6, math.Inf(1), 0.6, 0},
	} {
		if _, _, err := flight.StringAgainstPitch(bad[0], bad[1], bad[2], bad[3]); !errors.Is(err, flight.ErrInput) {
			t.Errorf("%v: error %v", bad, err)
		}
	}
}

// What is derived is found within 2u in 95.45 % of flights, ± 4 standard errors. The spread is not: of 13 steps alike it
// averages 3.336 u with a standard deviation of 0.77 u (range of 13 normal values, from memory), and its u is told to be
// that of the pair.
func TestStepsCoverage(t *testing.T) {
	const flights, u, uTotal = 1500, 0.6, 1.2
	rng := rand.New(rand.NewPCG(3, 1))
	s := flight.Steps{Rises: 13, Goings: 12}
	truth := make([]float64, s.Unknowns())
	for i := range truth {
		if truth[i] = 192; i >= s.Rises {
			truth[i] = 225 + 4*float64(i%3)
		}
	}
	derived := map[string]flight.Equation{
		"rise 4": s.One(rise, 4), "total rise": s.Total(rise), "neighbour": s.AgainstNeighbour(going, 5),
		"against mean": s.AgainstMean(rise, 9), "stride": s.Stride(2), "pitch": s.Pitch(7), "mean pitch": s.MeanPitch(),
	}
	within, spread := map[string]int{}, 0.0
	for range flights {
		readings := surveyed(s, truth, u, uTotal, rng.NormFloat64)
		got, err := solve(s, readings, 0)
		if err != nil {
			t.Fatal(err)
		}
		sum := 0.0
		for _, r := range got.Redundancy {
			sum += r
		}
		if !calctest.Near(sum, 2, 1e-9) {
			t.Fatalf("redundancies sum to %g, want 27 readings − 25 steps", sum)
		}
		for name, eq := range derived {
			if math.Abs(eq(got.X, nil)-eq(truth, nil)) <= 2*uOf(got, eq) {
				within[name]++
			}
		}
		if c, uc, err := s.Closure(going, readings); err != nil {
			t.Fatal(err)
		} else if math.Abs(c) <= 2*uc {
			within["closure"]++
		}
		// A string at the true pitch, read with half a degree.
		mean := s.MeanPitch()
		if d, ud, err := flight.StringAgainstPitch(mean(truth, nil)+0.001*rng.NormFloat64(), 0.001, mean(got.X, nil), uOf(got, mean)); err != nil {
			t.Fatal(err)
		} else if math.Abs(d) <= 2*ud {
			within["string"]++
		}
		spread += s.Spread(rise)(got.X, nil) / u
		if us := uOf(got, s.Spread(rise)); !calctest.Near(us, u*math.Sqrt2, 1e-9) {
			t.Fatalf("spread has u %g, want that of two steps", us)
		}
	}
	derived["closure"], derived["string"] = nil, nil
	se := math.Sqrt(0.9545 * 0.0455 / flights)
	for name := range derived {
		if share := float64(within[name]) / flights; !calctest.Near(share, 0.9545, 4*se) {
			t.Errorf("%s: %.4f of flights within 2u", name, share)
		}
	}
	if m := spread / flights; !calctest.Near(m, 3.336, 4*0.77/math.Sqrt(flights)) {
		t.Errorf("spread of equal steps averages %.3f u, want 3.336", m)
	}
}
