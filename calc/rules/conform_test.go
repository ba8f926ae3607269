package rules_test

import (
	"math"
	"testing"

	"gonum.org/v1/gonum/integrate/quad"
	"gonum.org/v1/gonum/stat/distuv"
	"pgregory.net/rapid"

	"pinchrod/calc/calctest"
	"pinchrod/calc/rules"
)

var inf = math.Inf(1)

// Examples of JCGM 106:2012, from memory: the printed values, and the same to
// more digits by an independent computation.
func TestConformPublished(t *testing.T) {
	for _, c := range []struct {
		name             string
		y, u, lo, hi     float64
		printed, digits8 float64
	}{
		{"7.4 one-sided", -5.47, 0.05, -inf, -5.40, 0.92, 0.91924334},
		{"7.4 two-sided", 13.6, 1.8, 12.5, 16.3, 0.66, 0.66262979},
		// 8.3.3: limit 100 km/h, relative uncertainty 2 %; 99.9 % sure of speeding
		// from 107 km/h (106.58761).
		{"8.3.3 speed", 106.58761, 0.02 * 106.58761, 100, inf, 0.999, 0.999},
	} {
		got := rules.ConformBetween(c.y, c.u, c.lo, c.hi)
		if !calctest.Near(got, c.printed, 0.005) || !calctest.Near(got, c.digits8, 5e-9) {
			t.Errorf("%s: got %.9f, want %g (%g)", c.name, got, c.printed, c.digits8)
		}
	}
	if p := 1 - rules.Conform(106, 0.02*106, 100); p >= 0.999 {
		t.Errorf("speed of 106 is over the limit with P %.5f, want below 0.999", p)
	}
}

// integral of f over [a, b]: pieces so short that 40 Gauss–Legendre points take
// a normal density of sigma step or more to rounding.
func integral(f func(float64) float64, a, b, step float64) float64 {
	var sum float64
	n := int(math.Ceil((b - a) / step))
	for i := range n {
		w := (b - a) / float64(n)
		sum += quad.Fixed(f, a+float64(i)*w, a+float64(i+1)*w, 40, quad.Legendre{}, 0)
	}
	return sum
}

// JCGM 106:2012, 9.5.4: run-out of bearings, Gamma(4, 4) µm, at most 2 µm,
// measured with u = 0.25 µm. Printed 4.2 %, 0.8 % and 1.67 µm; further digits as
// in a published worked notebook of the example.
func TestBearings(t *testing.T) {
	const limit, u = 2.0, 0.25
	prior := distuv.Gamma{Alpha: 4, Beta: 4}
	if got := prior.Survival(limit); !calctest.Near(got, 0.0423801119917, 1e-12) {
		t.Errorf("non-conforming %.13f, want 0.0423801119917", got)
	}
	// A bearing of run-out y is accepted when its measured value is at most a.
	consumer := func(a float64) float64 {
		return integral(func(y float64) float64 { return prior.Prob(y) * rules.Conform(y, u, a) }, limit, limit+20*u, u)
	}
	producer := func(a float64) float64 {
		return integral(func(y float64) float64 { return prior.Prob(y) * (1 - rules.Conform(y, u, a)) }, 0, limit, u)
	}
	for _, c := range []struct {
		name      string
		got, want float64
	}{
		{"consumer's risk, accepted up to 2", consumer(limit), 0.00801911188429},
		{"producer's risk, accepted up to 2", producer(limit), 0.0174445692298},
		{"consumer's risk, accepted up to 1.67", consumer(1.67182877156), 0.001},
		{"producer's risk, accepted up to 1.67", producer(1.67182877156), 0.075493876},
	} {
		if !calctest.Near(c.got, c.want, 5e-10) {
			t.Errorf("%s: %.12f, want %.12f", c.name, c.got, c.want)
		}
	}
}

// falseAccept and falseReject are the risks of a normal process of sigma s about
// the middle of ±limit, measured with sigma u and accepted within ±accept.
func falseAccept(s, u, limit, accept float64) float64 {
	p := distuv.Normal{Sigma: s}
	return 2 * integral(func(y float64) float64 {
		return p.Prob(y) * rules.ConformBetween(y, u, -accept, accept)
	}, limit, limit+12*(s+u), min(s, u))
}

func falseReject(s, u, limit, accept float64) float64 {
	p := distuv.Normal{Sigma: s}
	return integral(func(y float64) float64 {
		return p.Prob(y) * (1 - rules.ConformBetween(y, u, -accept, accept))
	}, -limit, limit, min(s, u))
}

// Deaver's table of false decisions, as quoted to three decimals in the tests of
// a published uncertainty calculator; further digits computed independently.
func TestDeaver(t *testing.T) {
	for _, c := range []struct {
		u, limit, accept float64
		printed, digits  float64
		risk             func(s, u, limit, accept float64) float64
	}{
		{0.25, 2, 2, 0.008, 0.008006084834, falseAccept},
		{0.25, 2, 2, 0.015, 0.014850884211, falseReject},
		{0.25, 2.5, 2.5, 0.0025, 0.002445348713, falseAccept},
		{1, 2.5, 2.5, 0.005, 0.004723566502, falseAccept},
		{0.5, 2, 1.82, 0.008, 0.008051608545, falseAccept}, // guard factor 0.91
		{0.5, 2, 1.82, 0.066, 0.066106452159, falseReject},
	} {
		got := c.risk(1, c.u, c.limit, c.accept)
		if !calctest.Near(got, c.printed, 0.0005) || !calctest.Near(got, c.digits, 1e-11) {
			t.Errorf("u %g, limit %g, accept %g: %.12f, want %g (%g)", c.u, c.limit, c.accept, got, c.printed, c.digits)
		}
	}
}

// NCSLI RP-19 (draft) table: measured with a quarter of the process sigma,
// probability of a false accept for what part of the process is in tolerance.
// Printed to eight decimals of a percent, computed there with tables good to 1e-6.
func TestNCSLI(t *testing.T) {
	for _, c := range []struct{ in, pfa, conditional float64 }{
		{0.60, 4.83860326, 8.26008199},
		{0.70, 3.92234109, 5.72322042},
		{0.80, 2.85583037, 3.63227145},
		{0.90, 1.59995312, 1.79880430},
		{0.95, 0.87100925, 0.92389664},
		{0.99, 0.19991684, 0.20243866},
	} {
		s := 1 / distuv.UnitNormal.Quantile((1+c.in)/2)
		got := 100 * falseAccept(s, s/4, 1, 1)
		if !calctest.Near(got, c.pfa, 1.5e-6) {
			t.Errorf("%g in tolerance: false accept %.8f %%, want %.8f", c.in, got, c.pfa)
		}
		accepted := distuv.Normal{Sigma: math.Hypot(s, s/4)}
		share := 1 - 2*accepted.Survival(1)
		if got /= share; !calctest.Near(got, c.conditional, 1.5e-6) {
			t.Errorf("%g in tolerance: false among accepted %.8f %%, want %.8f", c.in, got, c.conditional)
		}
	}
}

func TestConformEdges(t *testing.T) {
	nan := math.NaN()
	for _, c := range []struct {
		y, u, lo, hi, want float64
	}{
		{1, 0, -inf, 1, 1},
		{math.Nextafter(1, 2), 0, -inf, 1, 0},
		{1, 1, -inf, 1, 0.5},
		{0, 1, -inf, inf, 1},
		{0, inf, -1, 1, 0},
		{0, 1, 10, inf, 7.61985302416052e-24}, // 1 − Φ(10), from memory
		{0, 1, -inf, -10, 7.61985302416052e-24},
		{nan, 1, -1, 1, nan}, {0, nan, -1, 1, nan}, {0, -1, -1, 1, nan}, {0, 1, nan, 1, nan}, {0, 1, -1, nan, nan}, {0, 1, 1, -1, nan},
	} {
		got := rules.ConformBetween(c.y, c.u, c.lo, c.hi)
		if same := calctest.Near(got, c.want, 1e-13*c.want) || math.IsNaN(got) && math.IsNaN(c.want); !same {
			t.Errorf("P(%g ≤ %g ± %g ≤ %g) = %g, want %g", c.lo, c.y, c.u, c.hi, got, c.want)
		}
	}
}

func TestJudge(t *testing.T) {
	const z = 1.6448536269514722 // Φ(z) = 0.95
	for _, c := range []struct {
		y, u, lo, hi float64
		want         rules.State
	}{
		{1, 0, -inf, 1, rules.Clear},
		{1 + 1e-9, 0, -inf, 1, rules.Flag},
		{1, 1e-9, -inf, 1, rules.Unsure},
		{-z - 1e-9, 1, -inf, 0, rules.Clear},
		{-z + 1e-9, 1, -inf, 0, rules.Unsure},
		{z - 1e-9, 1, -inf, 0, rules.Unsure},
		{z + 1e-9, 1, -inf, 0, rules.Flag},
		{900, 1, 897, inf, rules.Clear},
		{890, 1, 897, inf, rules.Flag},
		{0, 0.5, -1, 1, rules.Clear},   // ±2 sigma: 95.4 %
		{0, 0.52, -1, 1, rules.Unsure}, // 94.6 %
		{2, 0.6, -1, 1, rules.Flag},
		{-2, 0.6, -1, 1, rules.Flag},
		{0, 100, -1, 1, rules.Unsure},  // P is 0.8 %, but of the measurement's making
		{-1, 100, -1, 1, rules.Unsure}, // at an end, which is within
		{1, 100, -1, 1, rules.Unsure},
		{math.NaN(), 1, -1, 1, rules.Unsure},
		{0, -1, -1, 1, rules.Unsure},
	} {
		if got := rules.JudgeBetween(c.y, c.u, c.lo, c.hi); got != c.want {
			t.Errorf("%g ± %g between %g and %g: %s, want %s", c.y, c.u, c.lo, c.hi, got, c.want)
		}
		if math.IsInf(c.lo, -1) {
			if got := rules.Judge(c.y, c.u, c.hi); got != c.want {
				t.Errorf("%g ± %g at most %g: %s, want %s", c.y, c.u, c.hi, got, c.want)
			}
		}
		if c.lo == -c.hi {
			if got := rules.JudgeAbs(c.y, c.u, c.hi); got != c.want {
				t.Errorf("|%g ± %g| at most %g: %s, want %s", c.y, c.u, c.hi, got, c.want)
			}
		}
	}
}

func TestConformProperties(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		f := func(name string, a, b float64) float64 { return rapid.Float64Range(a, b).Draw(t, name) }
		y, u, lo := f("y", -10, 10), f("u", 1e-3, 10), f("lo", -10, 10)
		hi := lo + f("width", 0, 10)
		p := rules.ConformBetween(y, u, lo, hi)
		if !(p >= 0 && p <= 1) {
			t.Fatalf("P = %g", p)
		}
		if sum := rules.Conform(y, u, lo) + p + rules.ConformBetween(y, u, hi, inf); !calctest.Near(sum, 1, 1e-14) {
			t.Fatalf("below, within and above are %g in all", sum)
		}
		if q := rules.ConformBetween(-y, u, -hi, -lo); !calctest.Near(p, q, 1e-15) {
			t.Fatalf("mirrored: %g and %g", p, q)
		}
		if q := rules.ConformBetween(y, u, lo, hi+f("more", 0, 5)); !(q >= p-1e-15) {
			t.Fatalf("a wider limit lowers P from %g to %g", p, q)
		}
	})
}
