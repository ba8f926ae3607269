// Package fit decides how like pieces are cut: all to one stop, graded to a few
// stops, or over length to be fitted one by one. It says which further readings
// are worth their time. It also holds the probability of a rectangle under a
// multivariate normal distribution.
package fit

import (
	"fmt"
	"math"
	"slices"
	"sync"

	"gonum.org/v1/gonum/mat"
)

// Cut is a way to cut a set of like pieces.
type Cut string

const (
	Batch   Cut = "batch"    // all to one stop
	Graded  Cut = "graded"   // few stops, pieces sorted to their places
	FitEach Cut = "fit-each" // over length, each trimmed to its place
	// MeasureMore is never the answer of Decide: lengths that it was given can be
	// cut. A caller sets it for lengths that no reading gives, or where a slip is
	// not located.
	MeasureMore Cut = "measure-more"
)

// Needed is what the bay needs of one kind of piece.
type Needed struct {
	Mean  []float64     // needed lengths, mm, one per piece
	Cov   *mat.SymDense // the measurement part of their covariance, mm²; nil when exactly known
	Slide []float64     // mm of length that sliding a head along the rail takes up, play·|tan q|, per piece; nil: none
}

// Option is one way to cut with what it leads to.
type Option struct {
	Cut       Cut
	P, PError float64   // P(all fit) and its 99 % computation error; fit-each: P(every blank is long enough)
	Lengths   []float64 // mm, before rounding to the saw's step; batch: the stop; graded: one per piece; fit-each: the blank
	Stops     []float64 // mm, the same as the saw can be set to; all figures of the option are for these
	Settings  int       // stop settings
	Group     []int     // graded: the setting of each piece, counted from 0, shortest first

	Minutes  float64 // of the work if all goes well
	Expected float64 // expected minutes
	Trims    float64 // expected number of pieces too long
	Recuts   float64 // expected number of pieces too short; in the workshop: those that a spare replaces
	Visits   float64 // workshop: the probability of a second visit
	Passes   bool    // P is at least the house's AllFit, its error allowed for; true when AllFit is off
}

// Verdict says how to cut a kind of piece and what that rests on.
type Verdict struct {
	Cut     Cut      // empty when there is no piece
	Options []Option // batch, graded (if two stops can differ), fit-each

	Spread float64 // longest minus shortest needed length, mm
	Sigma  float64 // largest measurement standard uncertainty of a needed length, mm
	Known  float64 // expected minutes if these lengths were exactly known
}

// Shop decides for one house, with one set of points. What does not depend on
// the bay is worked out once; it may be used from several goroutines, and its
// answers do not depend on what it was asked before.
type Shop struct {
	house   House
	options Options
	prices  []price

	mu       sync.Mutex
	lattices map[int]*lattice // by the number of factors
}

// NewShop checks the house figures and the bounds on the work.
//
// Errors: ErrInput.
func NewShop(h House, o Options) (*Shop, error) {
	o, err := o.withDefaults()
	if err != nil {
		return nil, err
	}
	if err := h.check(); err != nil {
		return nil, err
	}
	return &Shop{house: h, options: o, prices: h.prices(), lattices: map[int]*lattice{}}, nil
}

// mostKept bounds the points of a lattice that a shop keeps, per shift: with
// eight factors they are half a megabyte.
const mostKept = 1024

func (s *Shop) lattice(k int) (*lattice, error) {
	s.mu.Lock()
	defer s.mu.Unlock()
	if l := s.lattices[k]; l != nil {
		return l, nil
	}
	l, err := newLattice(k, s.options.Seed)
	if err != nil {
		return nil, err
	}
	l.keep(min(s.options.MaxPoints/shifts, mostKept))
	s.lattices[k] = l
	return l, nil
}

// Decide says how to cut n like pieces with the least expected minutes. Piece i
// fits when
//
//	−Short − Slide_i ≤ cut_i − needed_i ≤ Long + Slide_i,
//	needed ~ N(Mean, Cov + Waviness²·I), cut_i ~ N(stop, Saw²) independently.
//
// With the minutes of the house,
//
//	batch     setting + n·cut + misfits, at the stop that makes this least
//	graded    k·setting + n·(cut + sort) + misfits, k ≥ 2, in the groups that do
//	fit-each  setting + n·(cut + fit), blanks of mean + max(Allowance, 2u + 2 mm)
//	misfits   Σ P(too long)·trim + Σ P(too short)·recut
//
// where trim is the fit minutes for a piece more than 3 mm too long. In the
// workshop spares replace short pieces; see House. No pieces give the zero
// Verdict.
//
// Errors: ErrInput, ErrCovariance, ErrFactors.
func (s *Shop) Decide(n Needed) (Verdict, error) {
	if err := n.check(); err != nil {
		return Verdict{}, err
	}
	if len(n.Mean) == 0 {
		return Verdict{}, nil
	}
	w := newSet(&s.house, n, n.variances(), fine)
	var err error
	if w.shared, err = s.share(n); err != nil {
		return Verdict{}, fmt.Errorf("needed lengths: %w", err)
	}
	v := Verdict{Spread: slices.Max(n.Mean) - slices.Min(n.Mean), Options: s.ways(w, s.options)}
	for _, u := range w.u {
		v.Sigma = max(v.Sigma, u)
	}
	v.Cut = chosen(v.Options).Cut
	if v.Known, err = s.known(n); err != nil {
		return Verdict{}, err
	}
	return v, nil
}

// chosen returns the option of least expected minutes of those that pass.
func chosen(options []Option) *Option {
	var best *Option
	for i := range options {
		best = better(best, &options[i])
	}
	return best
}

// known returns the least expected minutes if the lengths were exactly known.
func (s *Shop) known(n Needed) (float64, error) {
	n.Cov = nil
	w := newSet(&s.house, n, n.variances(), fine)
	var err error
	if w.shared, err = s.share(n); err != nil {
		return 0, err
	}
	return s.least(w), nil
}

// mostLength bounds the lengths that can be asked about, mm: a kilometre.
const mostLength = 1e6

func (n Needed) check() error {
	for i, m := range n.Mean {
		if !(math.Abs(m) <= mostLength) {
			return fmt.Errorf("needed length %d is %g: %w", i+1, m, ErrInput)
		}
	}
	if n.Cov != nil && n.Cov.SymmetricDim() != len(n.Mean) {
		return fmt.Errorf("%d lengths and a covariance of %d: %w", len(n.Mean), n.Cov.SymmetricDim(), ErrInput)
	}
	if n.Slide != nil && len(n.Slide) != len(n.Mean) {
		return fmt.Errorf("%d lengths and %d slides: %w", len(n.Mean), len(n.Slide), ErrInput)
	}
	for i, x := range n.Slide {
		if !(x >= 0 && x <= mostLength) {
			return fmt.Errorf("slide %d is %g: %w", i+1, x, ErrInput)
		}
	}
	return nil
}

// variances returns the diagonal of the covariance, mm².
func (n Needed) variances() []float64 {
	out := make([]float64, len(n.Mean))
	for i := range out {
		if n.Cov != nil {
			out[i] = max(n.Cov.At(i, i), 0)
		}
	}
	return out
}
