package fit

import (
	"errors"
	"math"
	"reflect"
	"slices"
	"testing"

	"github.com/google/go-cmp/cmp"
	"gonum.org/v1/gonum/mat"
)

func TestDecideVerdicts(t *testing.T) {
	wavy := DefaultHouse()
	wavy.Waviness, wavy.Minutes.Trim, wavy.Minutes.Recut = 1.5, 20, 20 // four in ten are misfits at best
	for _, c := range []struct {
		name     string
		needed   Needed
		house    House
		want     Cut
		settings int // of the option chosen
	}{
		{"parallel rails, well measured", Needed{rising(9, 0.2), doubt(9, .1, .1, .1), nil}, DefaultHouse(), Batch, 1},
		{"eight readings", Needed{rising(15, 0.7), doubt(15, .3, .4, .4), nil}, DefaultHouse(), Batch, 1},
		{"drift of 3 mm", Needed{rising(15, 3), doubt(15, .2, .3, .3), nil}, DefaultHouse(), Graded, 2},
		{"drift of 15 mm", Needed{rising(15, 15), doubt(15, .2, .2, .2), nil}, DefaultHouse(), Graded, 8},
		{"hardly measured", Needed{rising(15, 1), doubt(15, 2, 2, 2), nil}, DefaultHouse(), Batch, 1},
		{"wavy rails", Needed{rising(12, 1), nil, nil}, wavy, FitEach, 1},
		{"one piece", Needed{rising(1, 0), doubt(1, .1, 0, 0), nil}, DefaultHouse(), Batch, 1},
	} {
		v := decide(t, c.needed, c.house)
		if got := option(t, v, c.want); v.Cut != c.want || got.Settings != c.settings {
			t.Errorf("%s: cut %s, %d settings, want %s, %d:\n%+v", c.name, v.Cut, got.Settings, c.want, c.settings, v.Options)
		}
	}
}

func TestDecideSaysWhatItRestsOn(t *testing.T) {
	n := Needed{Mean: []float64{702, 700, 701}, Cov: mat.NewSymDense(3, []float64{.04, 0, 0, 0, .25, 0, 0, 0, .01})}
	v := decide(t, n, DefaultHouse())
	near(t, "spread", v.Spread, 2, 0)
	near(t, "sigma", v.Sigma, 0.5, 1e-12)
	known := decide(t, Needed{Mean: n.Mean}, DefaultHouse())
	near(t, "known", v.Known, chosen(known.Options).Expected, tie)
	near(t, "known of known", known.Known, v.Known, 0)
	if chosen(v.Options).Expected < v.Known+0.1 {
		t.Errorf("knowing the lengths saves nothing: %+v", v)
	}
}

// Scripts read these words.
func TestCutsAreNamed(t *testing.T) {
	if got := []Cut{Batch, Graded, FitEach, MeasureMore}; !slices.Equal(got, []Cut{"batch", "graded", "fit-each", "measure-more"}) {
		t.Errorf("got %q", got)
	}
}

func TestDecideNoPieces(t *testing.T) {
	v, err := shopOf(t, DefaultHouse()).Decide(Needed{})
	if err != nil || !reflect.DeepEqual(v, Verdict{}) {
		t.Errorf("got %+v, %v", v, err)
	}
}

// A house that asks for P(all fit) gets more stops, or stops elsewhere, where that
// reaches it; it fits each where nothing does.
func TestDecideAllFit(t *testing.T) {
	n := Needed{rising(12, 3), doubt(12, .2, .2, .2), nil}
	for _, c := range []struct {
		allFit float64
		want   Cut
	}{{0, Graded}, {0.5, Graded}, {0.98, Graded}, {0.99999, FitEach}} {
		h := DefaultHouse()
		h.AllFit = c.allFit
		v := decide(t, n, h)
		if v.Cut != c.want {
			t.Errorf("all-fit %g: %s, want %s\n%+v", c.allFit, v.Cut, c.want, v.Options)
		}
		for _, o := range v.Options {
			if want := o.Cut == FitEach || c.allFit == 0 || o.P-o.PError >= c.allFit; o.Passes != want {
				t.Errorf("all-fit %g: %s with P %g ± %g passes: %v", c.allFit, o.Cut, o.P, o.PError, o.Passes)
			}
		}
	}
	h := DefaultHouse()
	free := option(t, decide(t, n, h), Graded)
	h.AllFit = free.P + free.PError + 0.01
	asked := option(t, decide(t, n, h), Graded)
	if !asked.Passes || asked.Expected < free.Expected || asked.P <= free.P {
		t.Errorf("P above %.3f asked for: %+v", h.AllFit, asked)
	}
}

// Where even known lengths do not all fit as often as the house asks, knowing them
// does not save from fitting each.
func TestKnownKeepsAllFit(t *testing.T) {
	h := DefaultHouse()
	h.Waviness, h.Saw = 0.4, 0.3 // σ = 0.5; the stop 699.5 leaves 3 and 2 sigma
	n := Needed{Mean: rising(12, 0)}
	p := math.Pow(1-upper(3)-upper(2), 12)
	batch := option(t, decide(t, n, h), Batch)
	for _, c := range []struct{ allFit, want float64 }{{p - 0.001, batch.Expected}, {p + 0.06, 2 + 12*6.5}} {
		h.AllFit = c.allFit
		near(t, "known", decide(t, n, h).Known, c.want, 0.6)
	}
}

func TestDecideRefuses(t *testing.T) {
	for _, c := range []struct {
		name string
		make func(*Needed, *House, *Options)
		want error
	}{
		{"NaN length", func(n *Needed, _ *House, _ *Options) { n.Mean[1] = math.NaN() }, ErrInput},
		{"endless length", func(n *Needed, _ *House, _ *Options) { n.Mean[1] = math.Inf(-1) }, ErrInput},
		{"absurd length", func(n *Needed, _ *House, _ *Options) { n.Mean[1] = 1.1e6 }, ErrInput},
		{"covariance of two", func(n *Needed, _ *House, _ *Options) { n.Cov = doubt(2, 1, 1, 1) }, ErrInput},
		{"covariance of none", func(n *Needed, _ *House, _ *Options) { n.Cov = &mat.SymDense{} }, ErrInput},
		{"two slides", func(n *Needed, _ *House, _ *Options) { n.Slide = repeat(1, 2) }, ErrInput},
		{"negative slide", func(n *Needed, _ *House, _ *Options) { n.Slide = []float64{0, -1, 0} }, ErrInput},
		{"NaN slide", func(n *Needed, _ *House, _ *Options) { n.Slide = repeat(math.NaN(), 3) }, ErrInput},
		{"correlation 2", func(n *Needed, _ *House, _ *Options) {
			n.Cov = mat.NewSymDense(3, []float64{1, 2, 0, 2, 1, 0, 0, 0, 1})
		}, ErrCovariance},
		{"negative variance", func(n *Needed, _ *House, _ *Options) { n.Cov.SetSym(0, 0, -1) }, ErrCovariance},
		{"NaN variance", func(n *Needed, _ *House, _ *Options) { n.Cov.SetSym(0, 0, math.NaN()) }, ErrCovariance},
		{"17 factors", func(n *Needed, _ *House, _ *Options) {
			*n = Needed{rising(17, 0), rebuild(make([][]float64, 17), repeat(1, 17)), nil}
		}, ErrFactors},
		{"negative error", func(_ *Needed, _ *House, o *Options) { o.MaxError = -1 }, ErrInput},
		{"all-fit one", func(_ *Needed, h *House, _ *Options) { h.AllFit = 1 }, ErrInput},
		{"negative all-fit", func(_ *Needed, h *House, _ *Options) { h.AllFit = -0.1 }, ErrInput},
		{"NaN all-fit", func(_ *Needed, h *House, _ *Options) { h.AllFit = math.NaN() }, ErrInput},
		{"endless visit", func(_ *Needed, h *House, _ *Options) { h.Minutes.Visit = math.Inf(1) }, ErrInput},
	} {
		n, h, o := Needed{rising(3, 0), doubt(3, .1, .1, 2), nil}, DefaultHouse(), Options{}
		c.make(&n, &h, &o)
		s, err := NewShop(h, o)
		if err == nil {
			_, err = s.Decide(n)
		}
		if !errors.Is(err, c.want) {
			t.Errorf("%s: error %v, want %v", c.name, err, c.want)
		}
	}
}

// Every figure of the house is checked: none may be negative or not a number.
func TestNewShopChecksEveryFigure(t *testing.T) {
	for _, in := range []func(*House) reflect.Value{
		func(h *House) reflect.Value { return reflect.ValueOf(h).Elem() },
		func(h *House) reflect.Value { return reflect.ValueOf(&h.Minutes).Elem() },
	} {
		h := DefaultHouse()
		for i := range in(&h).NumField() {
			for _, x := range []float64{-1, math.NaN(), math.Inf(1)} {
				h = DefaultHouse()
				f := in(&h).Field(i)
				if f.Kind() != reflect.Float64 {
					continue
				}
				f.SetFloat(x)
				if _, err := NewShop(h, Options{}); !errors.Is(err, ErrInput) {
					t.Errorf("%s = %g: error %v, want ErrInput", in(&h).Type().Field(i).Name, x, err)
				}
			}
		}
	}
	if _, err := NewShop(House{}, Options{}); err != nil {
		t.Errorf("a house of zeros: %v", err)
	}
}

// Absurd figures get an answer, and in no more time than others.
func TestDecideAbsurdFigures(t *testing.T) {
	fineSaw, coarse := DefaultHouse(), DefaultHouse()
	fineSaw.SawStep, coarse.SawStep = 1e-7, 1e6
	for _, h := range []House{DefaultHouse(), fineSaw, coarse, quiet(), workshop(1000), {}} {
		for _, n := range []Needed{
			{[]float64{0, 1e6}, doubt(2, .1, .1, .1), nil},
			{[]float64{0, 1e6}, doubt(2, 1e140, 1e140, 1e140), nil},
			{[]float64{-1e6, 1e6, 0}, doubt(3, 1e17, 1e18, 1e17), repeat(1e6, 3)},
			{[]float64{700, 700}, doubt(2, 1e-160, 1e-200, 0), nil},
		} {
			v, err := shopOf(t, h).Decide(n)
			if err != nil {
				t.Errorf("%v: %v", n.Mean, err)
			}
			for _, o := range v.Options {
				if !(o.P >= 0 && o.P <= 1 && o.PError >= 0 && o.Expected >= 0) || math.IsInf(o.Expected, 0) ||
					slices.ContainsFunc(o.Stops, math.IsNaN) {
					t.Errorf("%v: %+v", n.Mean, o)
				}
			}
		}
	}
}

// A house without waviness and a perfect saw makes every factor 0 or 1.
func TestDecideWithoutNoise(t *testing.T) {
	h := quiet()
	s, err := NewShop(h, Options{MaxError: 1e-3, MaxPoints: 1 << 17})
	if err != nil {
		t.Fatal(err)
	}
	v, err := s.Decide(Needed{rising(4, 0), doubt(4, 0.8, 0, 0), nil})
	if err != nil {
		t.Fatal(err)
	}
	got := option(t, v, Batch)
	want := between(-1.5/0.8, 1.0/0.8) // one factor: all or none
	near(t, "stop", got.Stops[0], 699.5, 0)
	near(t, "P", got.P, want, got.PError)
	near(t, "error", got.PError, 0, 1e-3)
}

// A shop's answers are the same whatever it was asked before.
func TestShopKeepsNothingOfABay(t *testing.T) {
	h, o := workshop(-1), Options{Seed: 3}
	used, err := NewShop(h, o)
	if err != nil {
		t.Fatal(err)
	}
	for range 2 {
		for _, doubts := range []float64{0.1, 0.4, 0.2} {
			n := Needed{Mean: []float64{801, 801.4, 802, 802.3}, Cov: doubt(4, doubts, doubts/2, doubts/3)}
			fresh, err := NewShop(h, o)
			if err != nil {
				t.Fatal(err)
			}
			want, err := fresh.Decide(n)
			if err != nil {
				t.Fatal(err)
			}
			got, err := used.Decide(n)
			if diff := cmp.Diff(want, got); diff != "" || err != nil {
				t.Errorf("doubts of %g mm, %v (-fresh +used):\n%s", doubts, err, diff)
			}
		}
	}
}

func BenchmarkDecide(b *testing.B) {
	for _, c := range []struct {
		name string
		n    Needed
	}{
		{"batch", Needed{rising(9, .2), doubt(9, .1, .1, .1), nil}},
		{"15 doubtful", Needed{rising(15, 1), doubt(15, .6, .5, .8), nil}},
		{"20 graded", Needed{rising(20, 15), doubt(20, .2, .2, .2), nil}},
	} {
		b.Run(c.name, func(b *testing.B) {
			s, err := NewShop(DefaultHouse(), Options{})
			if err != nil {
				b.Fatal(err)
			}
			b.ReportAllocs()
			for b.Loop() {
				if _, err := s.Decide(c.n); err != nil {
					b.Fatal(err)
				}
			}
		})
	}
}
