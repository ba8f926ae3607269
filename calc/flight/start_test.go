package flight_test

import (
	"errors"
	"math"
	"strings"
	"testing"

	"pinchrod/calc/calctest"
	"pinchrod/calc/flight"
)

func same(t *testing.T, name string, got, want []float64) {
	t.Helper()
	if len(got) != len(want) {
		t.Errorf("%s: %v, want %v", name, got, want)
		return
	}
	for i := range want {
		if !calctest.Near(got[i], want[i], 1e-9*(1+math.Abs(want[i]))) {
			t.Errorf("%s: %v, want %v", name, got, want)
			return
		}
	}
}

// What was not read is as its doc says. Worked by hand: a side of s that leans by a sine of σ ends σ·s across and
// s·√(1 − σ²) up.
func TestStartThinByHand(t *testing.T) {
	slant, long, short := math.Sqrt(9000036), math.Sqrt(906*906+9e6), math.Sqrt(894*894+9e6) // of sheared
	up := func(s, sine float64) float64 { return s * math.Sqrt(1-sine*sine) }
	for name, test := range map[string]struct {
		r    flight.PlanReadings
		want []float64 // {W, xl, yl, xr, yr}
	}{
		"a width and a side":      {flight.PlanReadings{WidthBottom: 900, SideLeft: 3000}, []float64{900, 0, 3000, 900, 3000}},
		"the other two":           {flight.PlanReadings{WidthTop: 900, SideRight: 3000}, []float64{900, 0, 3000, 900, 3000}},
		"the middle width":        {flight.PlanReadings{WidthMiddle: 900, SideRight: 3000}, []float64{900, 0, 3000, 900, 3000}},
		"sides of two lengths":    {flight.PlanReadings{WidthBottom: 900, SideLeft: 3000, SideRight: 3010}, []float64{900, 0, 3000, 900, 3010}},
		"a side and a diagonal":   {flight.PlanReadings{SideLeft: 400, DiagonalRising: 500}, []float64{300, 0, 400, 300, 400}},
		"a width and a diagonal":  {flight.PlanReadings{WidthTop: 300, DiagonalFalling: 500}, []float64{300, 0, 400, 300, 400}},
		"two diagonals, one mean": {flight.PlanReadings{SideLeft: 400, DiagonalFalling: 500, DiagonalRising: 500}, []float64{300, 0, 400, 300, 400}},
		// Sheared by 6 mm: one diagonal leans one side, and the other side goes with it.
		"rising":  {flight.PlanReadings{WidthBottom: 900, SideLeft: slant, SideRight: slant, DiagonalRising: long}, sheared},
		"falling": {flight.PlanReadings{WidthBottom: 900, SideLeft: slant, SideRight: slant, DiagonalFalling: short}, sheared},
		// Ends of two widths, 180 mm closer at the top: half of that a side.
		"taper": {flight.PlanReadings{WidthBottom: 1000, WidthTop: 820, SideLeft: 300, SideRight: 500},
			[]float64{1000, 90, up(300, 0.3), 910, up(500, 0.18)}},
		"bottom as the mean": {flight.PlanReadings{WidthMiddle: 700, WidthTop: 400, SideLeft: 500},
			[]float64{550, 75, up(500, 0.15), 475, up(500, 0.15)}},
		"top as the mean": {flight.PlanReadings{WidthMiddle: 700, WidthBottom: 400, SideLeft: 500},
			[]float64{400, -75, up(500, 0.15), 475, up(500, 0.15)}},
		// No side starts at more than 30° from square.
		"much narrower": {flight.PlanReadings{WidthBottom: 1000, WidthTop: 400, SideLeft: 500}, []float64{1000, 250, up(500, 0.5), 750, up(500, 0.5)}},
		"much wider":    {flight.PlanReadings{WidthBottom: 400, WidthTop: 1000, SideLeft: 500}, []float64{400, -250, up(500, 0.5), 650, up(500, 0.5)}},
		// Sides that would cross, and a diagonal that no triangle has with a width that was not read there.
		"crossing":               {flight.PlanReadings{WidthBottom: 100, SideLeft: 1000, SideRight: 1001, DiagonalRising: 950, DiagonalFalling: 950}, []float64{100, 0, 1000, 100, 1001}},
		"too long":               {flight.PlanReadings{WidthTop: 900, SideLeft: 3000, DiagonalFalling: 3950}, []float64{900, 0, 3000, 900, 3000}},
		"too long, with another": {flight.PlanReadings{WidthTop: 900, SideLeft: slant, DiagonalFalling: 3950, DiagonalRising: long}, sheared},
		"too flat":               {flight.PlanReadings{WidthTop: 900, SideLeft: 3000, DiagonalFalling: 2100}, []float64{900, 0, 3000, 900, 3000}},
	} {
		got, err := flight.Start(test.r)
		if err != nil {
			t.Errorf("%s: %v", name, err)
			continue
		}
		same(t, name, got, test.want)
	}
}

// One length as long as the other two together is no triangle; a micrometre less is one.
func TestFlatTriangle(t *testing.T) {
	for _, off := range []float64{0, 0.001} {
		_, err := flight.Start(flight.PlanReadings{WidthBottom: 900, SideRight: 3000, DiagonalRising: 3900 - off})
		if got := errors.Is(err, flight.ErrTriangle); got != (off == 0) {
			t.Errorf("a diagonal %g mm short of flat: %v", off, err)
		}
	}
}

// A plan in which two corners meet, or a top lies on the bottom edge, is turned over as well.
func TestPlanFolded(t *testing.T) {
	for _, x := range [][]float64{{0, 6, 3000, 906, 3000}, {900, 6, 0, 906, 3000}, {900, 6, 3000, 906, 0}, {900, 6, 3000, 6, 3010}} {
		if v := flight.Side(false)(x, nil); !math.IsNaN(v) {
			t.Errorf("the left side of %v is %g, want NaN", x, v)
		}
	}
}

// A step that was not read shares what is left of the total, or is as the mean of those read.
func TestStepsStart(t *testing.T) {
	s := flight.Steps{Rises: 4, Goings: 3}
	goings := []flight.Reading{{going, 1, 240, 1}, {going, 3, 246, 1}}
	for name, test := range map[string]struct {
		rises, goings []flight.Reading
		want          []float64
	}{
		"one left of the total":   {[]flight.Reading{{rise, 1, 180, 1}, {rise, 2, 182, 1}, {rise, 4, 178, 1}, {rise, whole, 730, 1}}, goings, []float64{180, 182, 190, 178, 240, 243, 246}},
		"two left of the total":   {[]flight.Reading{{rise, 1, 180, 1}, {rise, 4, 178, 1}, {rise, whole, 730, 1}}, goings, []float64{180, 186, 186, 178, 240, 243, 246}},
		"all left of the total":   {[]flight.Reading{{rise, whole, 720, 1}}, goings, []float64{180, 180, 180, 180, 240, 243, 246}},
		"nothing left":            {[]flight.Reading{{rise, 1, 180, 1}, {rise, 2, 190, 1}, {rise, whole, 370, 1}}, goings, []float64{180, 190, 185, 185, 240, 243, 246}},
		"all read, and the total": {[]flight.Reading{{rise, 1, 180, 1}, {rise, 2, 190, 1}, {rise, 3, 170, 1}, {rise, 4, 175, 1}, {rise, whole, 999, 1}}, goings, []float64{180, 190, 170, 175, 240, 243, 246}},
		"goings by their total":   {[]flight.Reading{{rise, 1, 180, 1}}, []flight.Reading{{going, 2, 250, 1}, {going, whole, 730, 1}}, []float64{180, 180, 180, 180, 240, 250, 240}},
	} {
		got, err := s.Start(append(test.rises, test.goings...))
		if err != nil {
			t.Errorf("%s: %v", name, err)
			continue
		}
		same(t, name, got, test.want)
	}
	if _, err := s.Start(goings); !errors.Is(err, flight.ErrUnread) || !strings.Contains(err.Error(), "rise") {
		t.Errorf("without a rise: %v", err)
	}
	for name, s := range map[string]flight.Steps{"rises alone": {Rises: 1}, "goings alone": {Goings: 1}} {
		p := map[bool]flight.Part{true: rise, false: going}[s.Rises > 0]
		if got, err := s.Start([]flight.Reading{{p, 1, 180, 1}}); err != nil || len(got) != 1 || got[0] != 180 {
			t.Errorf("%s: %v, %v", name, got, err)
		}
	}
}

// The weak prior of a step is that it is as the mean of those read, of all where none was; in its value and in its
// gradient.
func TestUnreadPriors(t *testing.T) {
	s := flight.Steps{Rises: 3, Goings: 3}
	x := []float64{180, 186, 177, 240, 234, 246}
	priors, err := s.Unread([]flight.Reading{{rise, 2, 186, 1}, {rise, whole, 540, 1}}, 5, 20)
	if err != nil {
		t.Fatal(err)
	}
	want := []struct{ u, value float64 }{
		{5, 180 - 186}, {5, 177 - 186}, // rises 1 and 3 against the one read
		{20, 0}, {20, -6}, {20, 6}, // goings against the mean of 240
	}
	if len(priors) != len(want) {
		t.Fatalf("%d priors, want %d", len(priors), len(want))
	}
	for i, p := range priors {
		if got := p.Model(x, nil); p.Value != 0 || p.U != want[i].u || !calctest.Near(got, want[i].value, 1e-9) {
			t.Errorf("prior %d is 0 = %g ± %g with a value of %g, want %+v", i, got, p.U, p.Value, want[i])
		}
		differ(t, "prior", p.Model, x)
	}
	priors, err = s.Unread([]flight.Reading{{going, 1, 240, 1}, {going, 3, 246, 1}}, 5, 20)
	if err != nil || len(priors) != 4 {
		t.Fatalf("%d priors, %v, want 3 rises and a going", len(priors), err)
	}
	if got := priors[3].Model(x, nil); !calctest.Near(got, 234-243, 1e-9) {
		t.Errorf("going 2 against the mean of 1 and 3 is %g, want -9", got)
	}
	differ(t, "going 2", priors[3].Model, x)
	if _, err := s.Unread(nil, 0.5, 0.5); err != nil {
		t.Errorf("priors of half a millimetre: %v", err)
	}
	for _, u := range []float64{0, -1, math.NaN(), math.Inf(1)} {
		if _, err := s.Unread(nil, u, 1); !errors.Is(err, flight.ErrInput) {
			t.Errorf("rises with a prior of u %g: %v", u, err)
		}
		if _, err := s.Unread(nil, 1, u); !errors.Is(err, flight.ErrInput) {
			t.Errorf("goings with a prior of u %g: %v", u, err)
		}
	}
}

func TestStepEdges(t *testing.T) {
	s := flight.Steps{Rises: 1, Goings: 1}
	for name, r := range map[string]flight.Reading{
		"no height": {Part: rise, Step: 1, U: 1}, "endless u": {Part: rise, Step: 1, Value: 180, U: math.Inf(1)},
		"endless u of a total": {Part: going, Step: whole, Value: 180, U: math.Inf(1)},
	} {
		if _, err := s.Observations([]flight.Reading{r}); !errors.Is(err, flight.ErrInput) {
			t.Errorf("%s: %v", name, err)
		}
	}
	if o, err := s.Observations([]flight.Reading{{rise, 1, 0.5, 0.25}}); err != nil || len(o) != 1 {
		t.Errorf("a rise of half a millimetre: %v, %v", o, err)
	}
	if v := s.Pitch(1)([]float64{0.5, 0.5}, nil); !calctest.Near(v, math.Pi/4, 1e-12) {
		t.Errorf("the pitch of a going of half a millimetre is %g, want 45°", v)
	}
	if v := s.Mean(rise)([]float64{180, 240}, nil); v != 180 {
		t.Errorf("the mean of one rise of 180 is %g", v)
	}
	for _, level := range []float64{0, -240} {
		if v := s.Pitch(1)([]float64{180, level}, make([]float64, 2)); !math.IsNaN(v) {
			t.Errorf("the pitch of a going of %g is %g, want NaN", level, v)
		}
	}
	// Figures taken as exact are compared as they are.
	if d, u, err := flight.StringAgainstPitch(0.7, 0, 0.6, 0); err != nil || !calctest.Near(d, 0.1, 1e-12) || u != 0 {
		t.Errorf("exact angles: %g ± %g, %v", d, u, err)
	}
	if _, _, err := flight.StringAgainstPitch(math.Inf(-1), 0.1, 0.6, 0.1); !errors.Is(err, flight.ErrInput) {
		t.Errorf("an endless angle: %v", err)
	}
}
