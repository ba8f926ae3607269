package fit

import (
	"math"
	"testing"

	"pgregory.net/rapid"
)

// workshop is the default house with the saw in the workshop.
func workshop(spares int) House {
	h := DefaultHouse()
	h.Workshop, h.Spares = true, spares
	return h
}

// binomial returns E min(K, S) and P(K > S) of n trials of chance p.
func binomial(n, spares int, p float64) (used, beyond float64) {
	for k := range n + 1 {
		choose := math.Exp(lgamma(n) - lgamma(k) - lgamma(n-k))
		c := choose * math.Pow(p, float64(k)) * math.Pow(1-p, float64(n-k))
		used += float64(min(k, spares)) * c
		if k > spares {
			beyond += c
		}
	}
	return used, beyond
}

func lgamma(n int) float64 { v, _ := math.Lgamma(float64(n + 1)); return v }

// With exactly known lengths the pieces are short independently. With equal
// lengths the count of short ones is binomial.
func TestShortfallOfKnownLengths(t *testing.T) {
	for _, c := range []struct{ pieces, spares, carried int }{
		{5, -1, 1}, {12, -1, 2}, {20, -1, 3}, {12, 0, 0}, {6, 2, 2}, {3, 9, 3},
	} {
		h := workshop(c.spares)
		h.Waviness, h.Saw = 1.2, 0.5 // σ = 1.3
		n := Needed{Mean: rising(c.pieces, 0)}
		for _, stop := range []float64{697, 698.5, 700} {
			got := reckoned(t, h, n, stop)
			p := upper((stop - 700 + 2) / 1.3)
			used, beyond := binomial(c.pieces, c.carried, p)
			near(t, "spares used", got.Recuts, used, 1e-7)
			near(t, "a visit", got.Visits, beyond, 1e-7)
			long, far := upper((700.5-stop)/1.3), upper((703.5-stop)/1.3)
			pieces := float64(c.pieces)
			near(t, "expected", got.Expected, got.Minutes+used*6+beyond*120+pieces*(3*(long-far)+6*far), 1e-5)
		}
	}
}

// reckoned is the option of cutting all to this stop.
func reckoned(t *testing.T, h House, n Needed, stop float64) Option {
	t.Helper()
	s := shopOf(t, h)
	w := newSet(&s.house, n, n.variances(), fine)
	var err error
	if w.shared, err = s.share(n); err != nil {
		t.Fatal(err)
	}
	return s.option(w, plan{starts: []int{0}, stops: []float64{stop}, lengths: []float64{stop}}, inf)
}

// Where one error is shared by all and there is no other, all are short or none.
func TestShortfallOfOneSharedError(t *testing.T) {
	h := workshop(2)
	h.Waviness, h.Saw = 0.01, 0
	got := reckoned(t, h, Needed{Mean: rising(8, 0), Cov: doubt(8, 2, 0, 0)}, 700)
	p := upper(1) // short 2 mm, u 2 mm
	near(t, "a visit", got.Visits, p, 0.004)
	near(t, "spares used", got.Recuts, 2*p, 0.008)
}

// No stop of the saw takes less than the one chosen, by the whole sum and not
// only by a price a piece.
func TestWorkshopBatchIsTheLeast(t *testing.T) {
	for _, c := range []struct {
		n      Needed
		spares int
		visit  float64
	}{
		{Needed{rising(12, 0), doubt(12, .6, .2, .2), nil}, -1, 120},
		{Needed{rising(15, 1), doubt(15, 1.5, 1, 1), nil}, -1, 120},
		{Needed{rising(15, 1), doubt(15, 2, .1, .1), nil}, 4, 60},
		{Needed{rising(10, 2), doubt(10, .2, .1, .1), nil}, 0, 300},
		{Needed{rising(20, 3), nil, nil}, 3, 120},
	} {
		h := workshop(c.spares)
		h.Minutes.Visit = c.visit
		v := decide(t, c.n, h)
		got := option(t, v, Batch)
		least, at := math.Inf(1), 0.0
		for stop := 695.0; stop < 712; stop += h.SawStep {
			if o := reckoned(t, h, c.n, stop); o.Expected < least {
				least, at = o.Expected, stop
			}
		}
		// Stops are tried under five prices of a short piece, not at every step.
		if !(got.Expected <= least*1.01+0.05) {
			t.Errorf("stop %g takes %.3f, stop %g takes %.3f", got.Stops[0], got.Expected, at, least)
		}
	}
}

// A spare more never brings more visits, and a visit needs more short pieces than
// there are spares.
func TestSparesProperties(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		n := rapid.IntRange(1, 12).Draw(t, "n")
		edge, own := make([]float64, n), make([]float64, n)
		b := make([][]float64, n)
		sum := 0.0
		for i := range n {
			edge[i], own[i] = rapid.Float64Range(-3, 3).Draw(t, "edge"), rapid.Float64Range(0.1, 2).Draw(t, "own")
			b[i] = []float64{rapid.Float64Range(-1, 1).Draw(t, "b")}
			sum += cdf((edge[i] + b[i][0]) / own[i])
		}
		last := 1.0
		for spares := range n + 1 {
			chance := make([]float64, spares+1)
			count(edge, own, b, []float64{1}, chance)
			within, mean := 0.0, 0.0
			for k, c := range chance {
				within += c
				mean += float64(k) * c
			}
			if 1-within > last+1e-12 {
				t.Fatalf("%d spares: a visit %g after %g", spares, 1-within, last)
			}
			last = 1 - within
			if spares == n {
				near(t, "all counted", within, 1, 1e-9)
				near(t, "mean count", mean, sum, 1e-9)
			}
		}
	})
}
