package fit

import (
	"math"
	"testing"

	"gonum.org/v1/gonum/mat"
)

// near fails unless got is within tol of want. A NaN or an infinity is never near.
func near(t interface {
	Helper()
	Errorf(string, ...any)
}, what string, got, want, tol float64) {
	t.Helper()
	if !(math.Abs(got-want) <= tol) || math.IsInf(got, 0) {
		t.Errorf("%s: got %.9g, want %.9g ± %.2g", what, got, want, tol)
	}
}

// doubt is the covariance of n lengths whose level, drift from end to end and
// bow have these standard uncertainties, mm.
func doubt(n int, level, drift, bow float64) *mat.SymDense {
	b := make([][]float64, n)
	for i := range b {
		for j, g := range shape(float64(i+1) / float64(n+1)) {
			b[i] = append(b[i], g*[]float64{level, drift, bow}[j])
		}
	}
	return rebuild(b, make([]float64, n))
}

// shape is what a unit of level, of drift and of bow does at t of the run.
func shape(t float64) []float64 { return []float64{1, t - 0.5, 4 * t * (1 - t)} }

// rising are n lengths from 700 mm that rise by the spread.
func rising(n int, spread float64) []float64 {
	out := make([]float64, n)
	for i := range out {
		out[i] = 700 + spread*float64(i)/float64(max(n-1, 1))
	}
	return out
}

func shopOf(t testing.TB, h House) *Shop {
	t.Helper()
	s, err := NewShop(h, Options{})
	if err != nil {
		t.Fatal(err)
	}
	return s
}

func decide(t testing.TB, n Needed, h House) Verdict {
	t.Helper()
	v, err := shopOf(t, h).Decide(n)
	if err != nil {
		t.Fatal(err)
	}
	return v
}

// option returns the option of a verdict that cuts so; it fails without one.
func option(t testing.TB, v Verdict, c Cut) Option {
	t.Helper()
	for _, o := range v.Options {
		if o.Cut == c {
			return o
		}
	}
	t.Fatalf("no option %s in %+v", c, v)
	return Option{}
}

// quiet is the default house without waviness and with a perfect saw.
func quiet() House {
	h := DefaultHouse()
	h.Waviness, h.Saw = 0, 0
	return h
}
