// Package adjust is the weighted least-squares adjustment of redundant readings, with the tests that find a slip among them.
//
// Readings l_i of standard uncertainty u_i observe functions f_i of the unknowns x. The adjusted unknowns minimise
//
//	chi2 = Σ ((l_i - f_i(x))/u_i)²
//
// by Gauss–Newton steps on the QR factorisation of the weighted Jacobian; the normal equations are never formed.
// The problems are dense and small: some tens of readings of some ten unknowns.
package adjust

import (
	"errors"
	"fmt"
	"math"
	"strings"
)

// Observation is one reading, or one pseudo-reading, of a function of the unknowns.
type Observation struct {
	Value float64 // l, in the unit of the reading
	U     float64 // standard uncertainty of Value, same unit, > 0

	// Model returns the predicted value f(x). When grad is not nil it also fills ∂f/∂x_j; grad has len(x) and comes zeroed.
	// It must not keep or change x. Outside its domain it returns NaN, and the step that led there is shortened.
	Model func(x, grad []float64) float64

	// Prior marks a pseudo-observation: it counts in chi2 and in the degrees of freedom and is never suspected.
	Prior bool
}

// Problem is a set of readings to be adjusted.
type Problem struct {
	Start        []float64 // starting values; their number is the number of unknowns
	Observations []Observation

	// Weak are priors of last resort. Each says something of one function of the unknowns, c'x with c its gradient, and is
	// used only if Observations (those marked Prior included) leave c'x undetermined, or know it 1000 times worse than the
	// prior's own U does. Every one is judged against Observations alone, before any is added, so their order does
	// not matter.
	Weak []Observation
}

// Options of Solve and Snoop; the zero value holds the defaults.
type Options struct {
	MaxIter  int     // steps before ErrNotConverged; default 500 (NIST's MGH09 from afar takes 111)
	RankTol  float64 // relative size under which a direction counts as rounding; default defaultRankTol
	Critical float64 // |w| above which a reading is suspect; default Critical
}

// Baarda's figures for one-dimensional alternatives (W. Baarda, A testing procedure for use in geodetic networks,
// Netherlands Geodetic Commission, Publications on Geodesy 2(5), 1968), recomputed here from the normal distribution.
const (
	// Critical = Φ⁻¹(1 - alpha0/2) for alpha0 = 0.001, two-sided.
	Critical = 3.2905267314919255

	// Delta0 = Φ⁻¹(1 - alpha0/2) + Φ⁻¹(power) for alpha0 = 0.001, power 0.80: the shift of w found with that power.
	Delta0 = 4.132147965064838
)

// Every rounding bound here is a multiple of eps, the spacing of float64 at 1.
const eps = 0x1p-52

// RedundancyFloor is the redundancy under which a reading counts as unchecked. r = 1 - h is a difference of numbers near
// 1, good to some m·eps ≈ 1e-14, so at √eps it has six digits left; and a slip would have to exceed Delta0/√r =
// 34 000 standard uncertainties to be seen. Nothing of practical use lies between this and zero.
const RedundancyFloor = 0x1p-26

// Sentinels of Solve and Snoop; test with errors.Is.
var (
	ErrInput        = errors.New("bad input")
	ErrModel        = errors.New("model is not finite")
	ErrUndetermined = errors.New("unknowns not determined")
	ErrNotConverged = errors.New("not converged")
)

// Undetermined is the error that names, by index, the unknowns which observations and weak priors together leave open.
// It matches ErrUndetermined.
type Undetermined struct {
	Unknowns []int
}

func (e *Undetermined) Error() string {
	names := make([]string, len(e.Unknowns))
	for i, j := range e.Unknowns {
		names[i] = fmt.Sprint(j)
	}
	return fmt.Sprintf("%v: %s", ErrUndetermined, strings.Join(names, ", "))
}

// Is makes errors.Is(err, ErrUndetermined) true.
func (e *Undetermined) Is(target error) bool { return target == ErrUndetermined }

func (p *Problem) check() error {
	if len(p.Start) == 0 {
		return fmt.Errorf("no unknowns: %w", ErrInput)
	}
	for j, x := range p.Start {
		if !finite(x) {
			return fmt.Errorf("starting value %d is %v: %w", j, x, ErrInput)
		}
	}
	for i := range p.Observations {
		if err := p.Observations[i].check(); err != nil {
			return fmt.Errorf("observation %d: %w", i, err)
		}
	}
	for i := range p.Weak {
		if err := p.Weak[i].check(); err != nil {
			return fmt.Errorf("weak prior %d: %w", i, err)
		}
	}
	return nil
}

func (o *Observation) check() error {
	switch {
	case !finite(o.Value):
		return fmt.Errorf("value is %v: %w", o.Value, ErrInput)
	case !finite(o.U) || o.U <= 0:
		return fmt.Errorf("standard uncertainty is %v, not above 0: %w", o.U, ErrInput)
	case o.Model == nil:
		return fmt.Errorf("no model: %w", ErrInput)
	}
	return nil
}

func (o Options) maxIter() int {
	if o.MaxIter > 0 {
		return o.MaxIter
	}
	return 500
}

func (o Options) rankTol() float64 {
	if o.RankTol > 0 {
		return o.RankTol
	}
	return defaultRankTol
}

func (o Options) critical() float64 {
	if o.Critical > 0 {
		return o.Critical
	}
	return Critical
}

func finite(x float64) bool { return !math.IsNaN(x) && !math.IsInf(x, 0) }
