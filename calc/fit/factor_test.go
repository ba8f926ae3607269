package fit

import (
	"errors"
	"math"
	"testing"

	"gonum.org/v1/gonum/mat"
	"pgregory.net/rapid"
)

// rebuild returns B·Bᵀ + diag(rest).
func rebuild(b [][]float64, rest []float64) *mat.SymDense {
	c := mat.NewSymDense(len(rest), nil)
	for i := range rest {
		for j := 0; j <= i; j++ {
			var s float64
			for k := range b[i] {
				s += b[i][k] * b[j][k]
			}
			if i == j {
				s += rest[i]
			}
			c.SetSym(i, j, s)
		}
	}
	return c
}

func TestFactorRebuildsTheCovariance(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		n, k := rapid.IntRange(1, 20).Draw(t, "n"), rapid.IntRange(0, 4).Draw(t, "k")
		b := make([][]float64, n)
		for i := range b {
			for range k {
				b[i] = append(b[i], rapid.Float64Range(-2, 2).Draw(t, "b"))
			}
		}
		cov := rebuild(b, make([]float64, n))
		for name, f := range map[string]func(*mat.SymDense, float64) ([][]float64, []float64, error){"Factor": Factor, "Split": Split} {
			got, rest, err := f(cov, 0)
			if err != nil {
				t.Fatal(err)
			}
			if len(got[0]) > k {
				t.Fatalf("%s: %d columns, want at most %d", name, len(got[0]), k)
			}
			// Rounding of an eigen-decomposition of norm up to 4·20·4, and what is
			// dropped below tol².
			if d := rebuild(got, rest); !mat.EqualApprox(d, cov, 1e-11) {
				t.Fatalf("%s: got\n%v\nwant\n%v", name, mat.Formatted(d), mat.Formatted(cov))
			}
		}
	})
}

func TestFactorKeepsVarianceOfDroppedColumns(t *testing.T) {
	// Eigenvalues 4 and 1e-14 (a factor of 1e-7 mm) with eigenvectors along the axes.
	b, rest, err := Factor(mat.NewSymDense(2, []float64{4, 0, 0, 1e-14}), 0)
	if err != nil {
		t.Fatal(err)
	}
	if len(b[0]) != 1 || math.Abs(b[0][0]) != 2 || b[1][0] != 0 || rest[0] != 0 || rest[1] != 1e-14 {
		t.Errorf("got B %v, rest %v", b, rest)
	}
}

func TestFactorRefuses(t *testing.T) {
	for name, cov := range map[string]*mat.SymDense{
		"NaN":               mat.NewSymDense(2, []float64{1, math.NaN(), math.NaN(), 1}),
		"infinite":          mat.NewSymDense(1, []float64{math.Inf(1)}),
		"negative variance": mat.NewSymDense(2, []float64{1, 0, 0, -1e-3}),
		"correlation 1.1":   mat.NewSymDense(2, []float64{1, 1.1, 1.1, 1}),
	} {
		if _, _, err := Factor(cov, 0); !errors.Is(err, ErrCovariance) {
			t.Errorf("%s: Factor gives %v, want ErrCovariance", name, err)
		}
		if _, _, err := Split(cov, 0); !errors.Is(err, ErrCovariance) {
			t.Errorf("%s: Split gives %v, want ErrCovariance", name, err)
		}
	}
}

// Below tol² there is nothing to object to, be its sign what it may.
func TestFactorOfAlmostNothing(t *testing.T) {
	b, rest, err := Factor(mat.NewSymDense(2, []float64{1e-300, 2e-300, 2e-300, 1e-300}), 0)
	if err != nil || len(b[0]) != 0 || rest[0] < 0 || rest[1] > 1e-299 {
		t.Errorf("got B %v, rest %v, %v", b, rest, err)
	}
}

func TestFactorOfNothing(t *testing.T) {
	for _, cov := range []*mat.SymDense{nil, {}} {
		b, rest, err := Factor(cov, 0)
		if len(b) != 0 || len(rest) != 0 || err != nil {
			t.Errorf("got %v, %v, %v", b, rest, err)
		}
	}
}
