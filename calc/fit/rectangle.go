package fit

import (
	"errors"
	"fmt"
	"math"
)

// ErrInput means an argument that is not a number, has the wrong length or the wrong sign.
var ErrInput = errors.New("bad input")

// Options bound the work of an integration. The zero value takes the defaults.
type Options struct {
	MaxError  float64 // stop when the error estimate is below this; default 5e-3, since a person reads hundredths
	MaxPoints int     // or after this many points, shifts included; default 8192, at least 256, at most 2^19
	Seed      uint64  // the same seed gives the same answer
}

func (o Options) withDefaults() (Options, error) {
	switch {
	case math.IsNaN(o.MaxError) || o.MaxError < 0:
		return o, fmt.Errorf("largest error %g: %w", o.MaxError, ErrInput)
	case o.MaxPoints < 0:
		return o, fmt.Errorf("%d points: %w", o.MaxPoints, ErrInput)
	}
	if o.MaxError == 0 {
		o.MaxError = 5e-3
	}
	if o.MaxPoints == 0 {
		o.MaxPoints = 8192
	}
	o.MaxPoints = min(o.MaxPoints, shifts*maxPoints) // integrate takes shifts·firstPoints at least
	return o, nil
}

// Rectangle returns the probability that correlated normal quantities all stay
// within their bounds,
//
//	P(lo_i ≤ B_i·z + d_i·e_i ≤ hi_i for all i)
//	  = E_z Π_i [Φ((hi_i − B_i·z)/d_i) − Φ((lo_i − B_i·z)/d_i)],
//
// z and e independent standard normals. lo and hi hold n bounds, ±Inf allowed;
// b holds n rows of k common factors, k ≤ 16; d holds n standard deviations ≥ 0
// of what is independent. All are in the same unit. With k = 0 the product is
// exact; with d_i = 0 the i-th factor is 0 or 1.
//
// The expectation is taken over a randomly shifted rank-1 lattice with baker's
// transform, doubled until e ≤ o.MaxError or o.MaxPoints are used; e is the
// 99 % error from the scatter of eight shifts, or what the marginal
// probabilities leave open where that is less. Source of the one-factor form: Genz and
// Bretz, Computation of Multivariate Normal and t Probabilities (2009), from memory.
//
// Errors: ErrInput, ErrFactors.
func Rectangle(lo, hi []float64, b [][]float64, d []float64, o Options) (p, e float64, err error) {
	if o, err = o.withDefaults(); err != nil {
		return 0, 0, err
	}
	k, err := checkRectangle(lo, hi, b, d)
	if err != nil {
		return 0, 0, err
	}
	l, err := newLattice(k, o.Seed)
	if err != nil {
		return 0, 0, err
	}
	p, e = integrate(lo, hi, b, d, o, l)
	return p, e, nil
}

// integrate is Rectangle over a lattice that the caller has, of checked arguments.
func integrate(lo, hi []float64, b [][]float64, d []float64, o Options, l *lattice) (p, e float64) {
	if l.k == 0 {
		p = 1
		for i := range d {
			p *= within(lo[i], hi[i], d[i])
		}
		return p, 0
	}
	z := make([]float64, l.k)
	sum := newTally(lo, hi, b, d)
	if half := (sum.high - sum.low) / 2; half <= o.MaxError {
		return sum.low + half, half
	}
	for n := firstPoints / 4; ; n *= 2 {
		for i := sum.n; i < n; i++ {
			for r := range shifts {
				sum.add(r, allWithin(lo, hi, b, d, l.point(i, r, z)))
			}
		}
		sum.n = n
		p, e = sum.estimate()
		switch {
		case n < firstPoints: // only to know how the error falls
		case e <= o.MaxError, 2*n*shifts > o.MaxPoints:
			return p, e
		}
	}
}

// allWithin returns the probability that all quantities are within their bounds
// when the common factors are z.
func allWithin(lo, hi []float64, b [][]float64, d, z []float64) float64 {
	f := 1.0
	for i, row := range b {
		var t float64
		for j, c := range row {
			t += c * z[j]
		}
		if d[i] > 0 {
			f *= cdf((hi[i]-t)/d[i]) - cdf((lo[i]-t)/d[i])
		} else {
			f *= within(lo[i]-t, hi[i]-t, 0)
		}
		// The mean loses less than this, far below any error that is asked for.
		if f < 1e-12 {
			return 0
		}
	}
	return f
}

// within returns P(lo ≤ d·e ≤ hi) for a standard normal e.
func within(lo, hi, d float64) float64 {
	if d > 0 {
		return between(lo/d, hi/d)
	}
	if lo <= 0 && 0 <= hi {
		return 1
	}
	return 0
}

func checkRectangle(lo, hi []float64, b [][]float64, d []float64) (k int, err error) {
	n := len(d)
	if len(lo) != n || len(hi) != n || len(b) != n {
		return 0, fmt.Errorf("%d lower and %d upper bounds, %d rows and %d deviations: %w",
			len(lo), len(hi), len(b), n, ErrInput)
	}
	for i := range d {
		if i == 0 {
			k = len(b[0])
		}
		if len(b[i]) != k {
			return 0, fmt.Errorf("row %d has %d factors, the first %d: %w", i+1, len(b[i]), k, ErrInput)
		}
		if !(lo[i] <= hi[i]) {
			return 0, fmt.Errorf("bounds %d are %g to %g: %w", i+1, lo[i], hi[i], ErrInput)
		}
		if !(d[i] >= 0) || math.IsInf(d[i], 1) {
			return 0, fmt.Errorf("deviation %d is %g: %w", i+1, d[i], ErrInput)
		}
		for _, c := range b[i] {
			if math.IsNaN(c) || math.IsInf(c, 0) {
				return 0, fmt.Errorf("factor of row %d is %g: %w", i+1, c, ErrInput)
			}
		}
	}
	return k, nil
}
