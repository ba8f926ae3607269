package adjust

import (
	"math"
	"testing"
)

// datumOf is what rows of a Jacobian know, each of u = 1.
func datumOf(rows ...[]float64) *datum {
	n, m := len(rows[0]), max(len(rows), len(rows[0]))
	pt := &point{x: make([]float64, n), v: make([]float64, m), jac: make([]float64, n*m)}
	for i, row := range rows {
		for j, d := range row {
			pt.jac[j*m+i] = d
		}
	}
	return newDatum(pt, defaultRankTol)
}

// A sum of two unknowns says nothing of their difference, in whatever unit that is counted.
func TestWhatASumKnows(t *testing.T) {
	d := datumOf([]float64{1, 1, 0})
	for _, unit := range []float64{1e-12, 1e-3, 1, 1e12} {
		for _, tt := range []struct {
			c     []float64
			grows bool
		}{
			{[]float64{unit, unit, 0}, false}, {[]float64{unit, -unit, 0}, true}, {[]float64{unit, 0, 0}, true}, {[]float64{0, 0, unit}, true}, {[]float64{0, 0, 0}, false},
		} {
			if got := d.grows(tt.c); got != tt.grows {
				t.Errorf("%v is new to it: %t, want %t", tt.c, got, tt.grows)
			}
		}
	}
	if open := d.open(); len(open) != 3 {
		t.Errorf("left open %v, want all three", open)
	}
	if d := datumOf([]float64{1, 1}, []float64{1, 0}); d.grows([]float64{1, -1}) || len(d.open()) != 0 {
		t.Error("two readings of two unknowns leave something open")
	}
}

// By hand: with rows (1, 1) and (1, 0) the covariance is ((1, −1), (−1, 2)); with (1, 1), (1, 0) and (0, 3) its inverse is
// ((2, 1), (1, 10)), of determinant 19.
func TestUOfWhatIsKnown(t *testing.T) {
	two, three := datumOf([]float64{1, 1}, []float64{1, 0}), datumOf([]float64{1, 1}, []float64{1, 0}, []float64{0, 3})
	for _, tt := range []struct {
		c        []float64
		two, tri float64
	}{
		{[]float64{1, 0}, 1, math.Sqrt(10. / 19)}, {[]float64{0, 1}, math.Sqrt2, math.Sqrt(2. / 19)},
		{[]float64{1, 1}, 1, math.Sqrt(10. / 19)}, {[]float64{1, -1}, math.Sqrt(5), math.Sqrt(14. / 19)},
	} {
		within(t, "u from two", two.u(tt.c), tt.two, 1e-14)
		within(t, "u from three", three.u(tt.c), tt.tri, 1e-14)
	}
}

// Linear equations are solved by one step, and a second one finds no more than rounding; both are counted.
func TestStepsAreCounted(t *testing.T) {
	obs := []Observation{linear(10, 0.5, 1, 1), linear(11, 1, 1, 0)}
	if s := mustSolve(t, Problem{Start: []float64{7, 7}, Observations: obs}); s.Iterations != 2 {
		t.Errorf("%d steps for linear equations, want 2", s.Iterations)
	}
}
