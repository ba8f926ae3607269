package fit

import (
	"encoding/csv"
	"errors"
	"math"
	"os"
	"slices"
	"strconv"
	"testing"

	"gonum.org/v1/gonum/mat"
	"pgregory.net/rapid"

	"pinchrod/calc/calctest"
)

var inf = math.Inf(1)

func repeat(x float64, n int) []float64 { return slices.Repeat([]float64{x}, n) }

// exchangeable is the correlation matrix of n quantities that all correlate by rho.
func exchangeable(n int, rho float64) *mat.SymDense {
	c := mat.NewSymDense(n, nil)
	for i := range n {
		c.SetSym(i, i, 1)
		for j := range i {
			c.SetSym(i, j, rho)
		}
	}
	return c
}

type rectangleCase struct {
	name   string
	lo, hi []float64
	cov    *mat.SymDense
	want   float64
	tol    float64 // what the published value itself may be off
}

// published holds the cases of testdata/reference/mvn/mvn.txt. P: printed in the
// test results of the R package mvtnorm; E: exact by quadrature in one dimension;
// the others are closed forms, whose formula is given.
func published() []rectangleCase {
	genz := mat.NewSymDense(3, []float64{1, 3.0 / 5, 1.0 / 3, 3.0 / 5, 1, 11.0 / 15, 1.0 / 3, 11.0 / 15, 1})
	half := mat.NewSymDense(3, []float64{1, .3, .5, .3, 1, -.2, .5, -.2, 1})
	cases := []rectangleCase{
		// Genz 1992, J. Comp. Graph. Stat. 1: P 0.8279847.
		{"Genz 3-D", repeat(-inf, 3), []float64{1, 4, 2}, genz, 0.827984897456834, 1e-10},
		// P prints 0.5800051 ± 2.7e-4; E.
		{"5-D -1..3", repeat(-1, 5), repeat(3, 5), exchangeable(5, .5), 0.580047651696011, 0},
		// P 0.4215702; Φ(1)^5.
		{"5-D up to 1", repeat(-inf, 5), repeat(1, 5), exchangeable(5, 0), 0.421570230458, 1e-12},
		// P 0.04210555, bounds less the mean (-5, -10).
		{"2-D unequal variances", []float64{-4.048 + 5, 0}, []float64{4.048 + 5, 1},
			mat.NewSymDense(2, []float64{1, 1, 1, 2}), 0.042105545709, 1e-10},
		// E.
		{"4-D -1..1", repeat(-1, 4), repeat(1, 4), exchangeable(4, .5), 0.289317119239178, 0},
		// P 0.9550173, 0.1260393, 0.01025932; Φ(2)^n to 18 digits for the last two.
		{"2-D up to 2", repeat(-inf, 2), repeat(2, 2), exchangeable(2, 0), 0.9550173, 5e-8},
		{"90-D up to 2", repeat(-inf, 90), repeat(2, 90), exchangeable(90, 0), 0.126039259200356, 0},
		{"199-D up to 2", repeat(-inf, 199), repeat(2, 199), exchangeable(199, 0), 0.010259317555977, 0},
		// P 0.25.
		{"4-D two orthants", []float64{-inf, -inf, 0, 0}, repeat(inf, 4), exchangeable(4, 0), 0.25, 0},
		// 1/8 + Σ asin(r)/4π, Sheppard.
		{"3-D orthant", repeat(0, 3), repeat(inf, 3), half, 0.174889783460, 1e-12},
		// E.
		{"2-D 1,1,.5", repeat(-inf, 2), []float64{1, 1}, exchangeable(2, .5), 0.745203586846750, 0},
		{"2-D 1,2,-.3", repeat(-inf, 2), []float64{1, 2}, exchangeable(2, -.3), 0.819438930562837, 0},
		{"2-D .5,-.5,.95", repeat(-inf, 2), []float64{.5, -.5}, exchangeable(2, .95), 0.308510377069615, 0},
	}
	for n := 2; n <= 6; n++ { // 1/(n+1), classical
		cases = append(cases, rectangleCase{"orthant .5 n " + strconv.Itoa(n),
			repeat(0, n), repeat(inf, n), exchangeable(n, .5), 1 / float64(n+1), 0})
	}
	for r, want := range map[float64]float64{-.5: 1.0 / 6, .25: 0.290215311628, .8: 0.397583617650} { // 1/4 + asin(r)/2π
		cases = append(cases, rectangleCase{"orthant n 2", repeat(0, 2), repeat(inf, 2), exchangeable(2, r), want, 1e-12})
	}
	for _, c := range []struct {
		n              int
		rho, half, val float64
	}{ // E
		{4, .5, 2, 0.856939544737898354}, {10, .5, 2, 0.734093564516533133},
		{20, .5, 2, 0.608345052677506619}, {40, .5, 2, 0.461145555596204474},
		{4, .25, 2, 0.837382048528968482}, {10, .25, 2, 0.661793332719518992},
		{20, .25, 2, 0.467515338275529421}, {40, .25, 2, 0.253310907304417809},
		{4, .9, 2, 0.914152755583614243}, {10, .9, 2, 0.882397732671423643},
		{20, .9, 2, 0.856528458257741103}, {40, .9, 2, 0.829429263976490078},
		{10, 0, 2, 0.627708669058065074},
		{8, .5, 3, 0.981775112654627913}, {12, .5, 3, 0.974485434675457467}, {24, .5, 3, 0.956299978028008477},
	} {
		cases = append(cases, rectangleCase{
			name: "exchangeable n " + strconv.Itoa(c.n) + " rho " + strconv.FormatFloat(c.rho, 'g', -1, 64),
			lo:   repeat(-c.half, c.n), hi: repeat(c.half, c.n), cov: exchangeable(c.n, c.rho), want: c.val})
	}
	return cases
}

func sqrts(v []float64) []float64 {
	out := make([]float64, len(v))
	for i, x := range v {
		out[i] = math.Sqrt(x)
	}
	return out
}

func TestRectanglePublished(t *testing.T) {
	for _, c := range published() {
		b, rest, err := Split(c.cov, 0)
		if err != nil {
			t.Fatalf("%s: %v", c.name, err)
		}
		p, e, err := Rectangle(c.lo, c.hi, b, sqrts(rest), Options{MaxError: 1e-5, MaxPoints: 1 << 19})
		if err != nil {
			t.Fatalf("%s: %v", c.name, err)
		}
		if off := math.Abs(p - c.want); off > e+c.tol+1e-12 || e > 1e-5 {
			t.Errorf("%s: got %.9f ± %.1e, want %.9f (off %.1e)", c.name, p, e, c.want, off)
		}
	}
}

// factorCase is a case of factor3.csv: three factors, computed there by 90³
// tensor Gauss–Hermite quadrature, err being the difference from 72³.
type factorCase struct {
	lo, hi, d []float64
	b         [][]float64
	want, err float64
}

func factorCases(t *testing.T) []factorCase {
	t.Helper()
	f, err := os.Open("../../testdata/reference/mvn/factor3.csv")
	if err != nil {
		t.Fatal(err)
	}
	defer f.Close()
	r := csv.NewReader(f)
	r.Comment = '#'
	r.FieldsPerRecord = -1
	rows, err := r.ReadAll()
	if err != nil {
		t.Fatal(err)
	}
	var out []factorCase
	var c factorCase
	for _, row := range rows {
		v := make([]float64, len(row))
		for i, s := range row {
			if s == "p" {
				continue
			}
			if v[i], err = strconv.ParseFloat(s, 64); err != nil {
				t.Fatal(err)
			}
		}
		if row[0] == "p" {
			c.want, c.err = v[3], v[4]
			out, c = append(out, c), factorCase{}
			continue
		}
		c.lo, c.hi, c.d = append(c.lo, v[2]), append(c.hi, v[3]), append(c.d, v[7])
		c.b = append(c.b, v[4:7])
	}
	if len(out) != 40 {
		t.Fatalf("factor3.csv holds %d cases, want 40", len(out))
	}
	return out
}

func TestRectangleThreeFactors(t *testing.T) {
	for i, c := range factorCases(t) {
		p, e, err := Rectangle(c.lo, c.hi, c.b, c.d, Options{MaxError: 2e-4, MaxPoints: 1 << 19})
		if err != nil {
			t.Fatalf("case %d: %v", i, err)
		}
		// The value is printed to ten digits.
		if off := math.Abs(p - c.want); off > e+c.err+1e-9 || off > 1e-4 || e > 2e-4 {
			t.Errorf("case %d: got %.7f ± %.1e, want %.7f (off %.1e)", i, p, e, c.want, off)
		}
	}
}

// The error claims 99 %. Asserted are 98 % of 200 integrations with few points, 96 %
// when the error itself decides where to stop, which favours those it is too
// small for, and that none is off by more than three times its error.
func TestRectangleErrorIsHonest(t *testing.T) {
	for _, c := range []struct {
		o    Options
		most int // missed of 200
	}{
		{Options{MaxError: 1e-9, MaxPoints: 256}, 4},
		{Options{MaxError: 1e-9, MaxPoints: 1024}, 4},
		{Options{MaxError: 3e-3, MaxPoints: 1 << 15}, 8},
	} {
		missed, worst := 0, 0.0
		for _, f := range factorCases(t) {
			for seed := range uint64(5) {
				c.o.Seed = seed
				p, e, err := Rectangle(f.lo, f.hi, f.b, f.d, c.o)
				if err != nil {
					t.Fatal(err)
				}
				if off := math.Abs(p-f.want) - f.err; off > e {
					missed++
					worst = max(worst, off/e)
				}
			}
		}
		t.Logf("%+v: %d of 200 outside the stated error, at most %.1f times it", c.o, missed, worst)
		if missed > c.most || worst > 3 {
			t.Errorf("%+v: %d of 200 outside the stated error, at most %.1f times it", c.o, missed, worst)
		}
	}
}

func TestRectangleExactCases(t *testing.T) {
	none := func(n int) [][]float64 { return make([][]float64, n) }
	for _, c := range []struct {
		name   string
		lo, hi []float64
		b      [][]float64
		d      []float64
		want   float64
	}{
		{"nothing", nil, nil, nil, nil, 1},
		{"no bounds", repeat(-inf, 2), repeat(inf, 2), none(2), []float64{1, 0}, 1},
		{"no width", []float64{1}, []float64{1}, none(1), []float64{1}, 0},
		{"sure", []float64{0}, []float64{0}, none(1), []float64{0}, 1},
		{"surely not", []float64{1}, []float64{2}, none(1), []float64{0}, 0},
		// Φ(−10) = 7.61985302416e-24, Φ(−11) = 1.91066e-28 (from memory).
		{"upper tail", []float64{10}, []float64{11}, none(1), []float64{1}, 7.61985302416e-24 - 1.91066e-28},
		{"lower tail", []float64{-22}, []float64{-20}, none(1), []float64{2}, 7.61985302416e-24 - 1.91066e-28},
	} {
		p, e, err := Rectangle(c.lo, c.hi, c.b, c.d, Options{})
		if err != nil || e != 0 || !calctest.Near(p, c.want, 1e-11*c.want) {
			t.Errorf("%s: got %g ± %g, %v; want %g", c.name, p, e, err, c.want)
		}
	}
}

// With d = 0 and one factor the quantities are one: P is that of the narrowest bounds.
func TestRectangleWithoutIndependentPart(t *testing.T) {
	p, e, err := Rectangle([]float64{-1, -inf}, []float64{inf, 3}, [][]float64{{1}, {2}}, []float64{0, 0},
		Options{MaxError: 1e-4, MaxPoints: 1 << 19})
	want := between(-1, 1.5)
	if err != nil || !calctest.Near(p, want, e) || e > 1e-4 {
		t.Errorf("got %.6f ± %.1e, %v; want %.6f", p, e, err, want)
	}
}

// What no point hits must not be reported as certainly impossible, nor what all
// hit as certain. z1 ≥ 1 and z1 + z2/100 ≤ 0.98 need z2 ≤ −2: together they have
// P of about 2e-5, and each alone happens often.
func TestRectangleUnseenEvent(t *testing.T) {
	p, e, err := Rectangle([]float64{1, -inf}, []float64{inf, 0.98}, [][]float64{{1, 0}, {1, 0.01}}, []float64{0, 0},
		Options{MaxError: 1e-9, MaxPoints: 1024})
	if err != nil || p != 0 || e < 3.0/1024 {
		t.Errorf("got %g ± %g, %v; want 0 ± 3/1024 or more", p, e, err)
	}
	// Six hundred of |z| ≤ 4.2 have 1 − P of 2.7e-5 each; all are one quantity. 256
	// points see none beyond, and what is not seen in 256 trials may happen once in 85.
	p, e, err = Rectangle(repeat(-4.2, 600), repeat(4.2, 600), slices.Repeat([][]float64{{1}}, 600), repeat(0, 600),
		Options{MaxError: 1e-9, MaxPoints: 256})
	if want := between(-4.2, 4.2); err != nil || !calctest.Near(p, want, e) || e < 3.0/256 {
		t.Errorf("got %.9f ± %g, %v; want %.9f ± 3/256 or more", p, e, err, want)
	}
	// Forty of |z| ≤ 5 have 1 − P of 5.7e-7 each; all are one quantity.
	p, e, err = Rectangle(repeat(-5, 40), repeat(5, 40), slices.Repeat([][]float64{{1}}, 40), repeat(0, 40),
		Options{MaxError: 1e-9, MaxPoints: 1024})
	if want := between(-5, 5); err != nil || !calctest.Near(p, want, e) || e > 40*6e-7 {
		t.Errorf("got %.9f ± %g, %v; want %.9f", p, e, err, want)
	}
}

func TestRectangleRefuses(t *testing.T) {
	one := []float64{1}
	row := [][]float64{{1}}
	nan := math.NaN()
	for _, c := range []struct {
		name   string
		lo, hi []float64
		b      [][]float64
		d      []float64
		o      Options
		want   error
	}{
		{"lengths", one, one, row, []float64{1, 1}, Options{}, ErrInput},
		{"ragged", []float64{0, 0}, []float64{1, 1}, [][]float64{{1}, {1, 2}}, []float64{1, 1}, Options{}, ErrInput},
		{"bounds crossed", []float64{2}, one, row, one, Options{}, ErrInput},
		{"NaN bound", []float64{nan}, one, row, one, Options{}, ErrInput},
		{"negative deviation", one, one, row, []float64{-1}, Options{}, ErrInput},
		{"infinite deviation", one, one, row, []float64{inf}, Options{}, ErrInput},
		{"NaN factor", one, one, [][]float64{{nan}}, one, Options{}, ErrInput},
		{"endless factor", one, one, [][]float64{{inf}}, one, Options{}, ErrInput},
		{"NaN error bound", one, one, row, one, Options{MaxError: nan}, ErrInput},
		{"negative points", one, one, row, one, Options{MaxPoints: -1}, ErrInput},
		{"17 factors", one, one, [][]float64{make([]float64, 17)}, one, Options{}, ErrFactors},
	} {
		if _, _, err := Rectangle(c.lo, c.hi, c.b, c.d, c.o); !errors.Is(err, c.want) {
			t.Errorf("%s: error %v, want %v", c.name, err, c.want)
		}
	}
}

// drawRectangle makes a random problem of two to six quantities and up to three factors.
func drawRectangle(t *rapid.T) factorCase {
	n, k := rapid.IntRange(2, 6).Draw(t, "n"), rapid.IntRange(0, 3).Draw(t, "k")
	f := func(name string, a, b float64) float64 { return rapid.Float64Range(a, b).Draw(t, name) }
	var c factorCase
	for range n {
		lo := f("lo", -3, 2)
		c.lo, c.hi = append(c.lo, lo), append(c.hi, lo+f("width", 0, 4))
		c.d = append(c.d, f("d", 0.1, 1))
		row := make([]float64, k)
		for j := range row {
			row[j] = f("b", -1, 1)
		}
		c.b = append(c.b, row)
	}
	return c
}

// fixed makes every call use the same points, so that the properties hold
// point by point and not only within the error.
var fixed = Options{MaxError: 1e-300, MaxPoints: 256}

func (c factorCase) p(t *rapid.T) float64 {
	p, _, err := Rectangle(c.lo, c.hi, c.b, c.d, fixed)
	if err != nil {
		t.Fatal(err)
	}
	return p
}

func TestRectangleProperties(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		c := drawRectangle(t)
		p := c.p(t)
		if p < 0 || p > 1 {
			t.Fatalf("P = %g", p)
		}
		i := rapid.IntRange(0, len(c.d)-1).Draw(t, "i")

		wide := c
		wide.lo, wide.hi = slices.Clone(c.lo), slices.Clone(c.hi)
		wide.lo[i] -= rapid.Float64Range(0, 2).Draw(t, "lower")
		wide.hi[i] += rapid.Float64Range(0, 2).Draw(t, "higher")
		if q := wide.p(t); q < p-1e-14 {
			t.Fatalf("wider bounds: P falls from %g to %g", p, q)
		}

		swapped := factorCase{slices.Clone(c.lo), slices.Clone(c.hi), slices.Clone(c.d), slices.Clone(c.b), 0, 0}
		slices.Reverse(swapped.lo)
		slices.Reverse(swapped.hi)
		slices.Reverse(swapped.d)
		slices.Reverse(swapped.b)
		if q := swapped.p(t); !calctest.Near(q, p, 1e-13) {
			t.Fatalf("reversed order: %g and %g", p, q)
		}

		scaled := factorCase{}
		by := rapid.Float64Range(0.01, 100).Draw(t, "by")
		for i := range c.d {
			scaled.lo, scaled.hi = append(scaled.lo, c.lo[i]*by), append(scaled.hi, c.hi[i]*by)
			scaled.d = append(scaled.d, c.d[i]*by)
			var row []float64
			for _, b := range c.b[i] {
				row = append(row, b*by)
			}
			scaled.b = append(scaled.b, row)
		}
		if q := scaled.p(t); !calctest.Near(q, p, 1e-12) {
			t.Fatalf("scaled by %g: %g and %g", by, p, q)
		}
	})
}
