package fit

import (
	"errors"
	"fmt"
	"math"

	"gonum.org/v1/gonum/floats"
	"gonum.org/v1/gonum/mat"
)

var (
	// ErrCovariance means a covariance that no set of lengths can have: a NaN,
	// a negative variance, or a matrix that is not positive semi-definite.
	ErrCovariance = errors.New("not a covariance")
	// ErrFactors means more common factors than the integration has dimensions for.
	ErrFactors = errors.New("too many common factors")
)

// DefaultTolerance is what a factor must add to some length, in mm, to be kept as a column of its
// own: a thousandth of a micrometre, far below anything that is measured or cut.
const DefaultTolerance = 1e-6

// Factor splits a covariance into few common factors and an independent rest:
//
//	cov = B·Bᵀ + diag(rest) (+ off-diagonal terms below tol²)
//
// cov is n × n (mm²). B has n rows and k ≤ n columns (mm), largest first: the
// eigenvectors of cov times the square roots of their eigenvalues. An
// eigenvector whose factor is below tol (mm; DefaultTolerance if 0) is no
// column; its variances go to rest (n, mm²).
//
// Errors: ErrCovariance.
func Factor(cov *mat.SymDense, tol float64) (b [][]float64, rest []float64, err error) {
	if tol == 0 {
		tol = DefaultTolerance
	}
	values, vectors, err := eigen(cov, tol)
	if err != nil {
		return nil, nil, err
	}
	b, rest = columns(values, vectors, 0, tol)
	return b, rest, nil
}

// Split writes any covariance as common factors and an equal independent rest:
//
//	cov = B·Bᵀ + λ·I, λ the smallest eigenvalue of cov
//
// which makes the integrand of Rectangle smooth and saves at least one column.
// Arguments and errors as for Factor.
func Split(cov *mat.SymDense, tol float64) (b [][]float64, rest []float64, err error) {
	if tol == 0 {
		tol = DefaultTolerance
	}
	values, vectors, err := eigen(cov, tol)
	if err != nil || len(values) == 0 {
		return nil, nil, err
	}
	least := max(values[0], 0)
	b, rest = columns(values, vectors, least, tol)
	for i := range rest {
		rest[i] += least
	}
	return b, rest, nil
}

// columns keeps the factors √(λ−shift)·v of at least tol, largest first.
func columns(values []float64, vectors *mat.Dense, shift, tol float64) (b [][]float64, rest []float64) {
	n := len(values)
	b, rest = make([][]float64, n), make([]float64, n)
	for j := n - 1; j >= 0; j-- { // eigenvalues come in ascending order
		v := max(values[j]-shift, 0)
		keep := math.Sqrt(v) >= tol
		for i := range n {
			if e := vectors.At(i, j); keep {
				b[i] = append(b[i], math.Sqrt(v)*e)
			} else {
				rest[i] += v * e * e
			}
		}
	}
	return b, rest
}

// eigen checks a covariance and returns its eigenvalues in ascending order.
func eigen(cov *mat.SymDense, tol float64) ([]float64, *mat.Dense, error) {
	if cov == nil || cov.IsEmpty() {
		return nil, nil, nil
	}
	n := cov.SymmetricDim()
	var scale float64 // the largest element
	for i := range n {
		for j := i; j < n; j++ {
			c := cov.At(i, j)
			if math.IsNaN(c) || math.IsInf(c, 0) {
				return nil, nil, fmt.Errorf("element %d,%d is %g: %w", i+1, j+1, c, ErrCovariance)
			}
			if i == j && c < 0 {
				return nil, nil, fmt.Errorf("variance %d is %g: %w", i+1, c, ErrCovariance)
			}
			scale = max(scale, math.Abs(c))
		}
	}
	// The decomposition squares elements, and gonum's goes astray where that
	// underflows. So it is given elements up to 1, without those below 1e-20: they
	// move no eigenvalue by more than n·1e-20.
	scaled := mat.NewSymDense(n, nil)
	for i := range n {
		for j := i; j < n && scale > 0; j++ {
			if c := cov.At(i, j) / scale; math.Abs(c) >= 1e-20 {
				scaled.SetSym(i, j, c)
			}
		}
	}
	var e mat.EigenSym
	if !e.Factorize(scaled, true) {
		return nil, nil, fmt.Errorf("its eigenvalues do not converge: %w", ErrCovariance)
	}
	values := e.Values(nil)
	if sum, trace := floats.Sum(values), mat.Trace(scaled); !(math.Abs(sum-trace) < 1e-9*float64(n)) {
		return nil, nil, fmt.Errorf("its eigenvalues add up to %g, not %g: %w", scale*sum, scale*trace, ErrCovariance)
	}
	floats.Scale(scale, values)
	// J·C·Jᵀ and the decomposition are good to about n·2e-16 of the largest
	// eigenvalue, more when J is badly scaled; 1e-9 leaves room for that and is
	// still no variance anyone would notice. Nor is one below tol².
	if most := values[n-1]; values[0] < -max(1e-9*most, tol*tol) {
		return nil, nil, fmt.Errorf("eigenvalue %g beside %g: %w", values[0], most, ErrCovariance)
	}
	var vectors mat.Dense
	e.VectorsTo(&vectors)
	return values, &vectors, nil
}
