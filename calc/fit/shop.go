package fit

import (
	"cmp"
	"fmt"
	"math"
	"slices"
	"sync"
)

// Shop decides for one house, with one set of points. What does not depend on
// the bay is worked out once; it may be used from several goroutines, and its
// answers do not depend on what it was asked before.
type Shop struct {
	house   House
	options Options
	window  *window

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
	return &Shop{house: h, options: o, window: newWindow(h), lattices: map[int]*lattice{}}, nil
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

// Decide is the function of that name without its Gains, which only a verdict of
// measure-more has a use for.
func (s *Shop) Decide(n Needed) (Verdict, error) {
	if err := n.check(); err != nil {
		return Verdict{}, err
	}
	if len(n.Mean) == 0 {
		return Verdict{}, nil
	}
	h, w := s.house, s.window
	d, err := newDraws(n.Cov, len(n.Mean), s, s.options)
	if err != nil {
		return Verdict{}, fmt.Errorf("needed lengths: %w", err)
	}
	d.keep()
	v := Verdict{
		Spread:         slices.Max(n.Mean) - slices.Min(n.Mean),
		PNoMeasurement: math.Pow(within(-w.half, w.half, w.noise), float64(len(n.Mean))),
	}
	for i := range n.Mean {
		if n.Cov != nil {
			v.Sigma = max(v.Sigma, math.Sqrt(n.Cov.At(i, i)))
		}
	}
	v.Options = append(v.Options, batch(n, h, d))
	if opt, ok := graded(n, h, d); ok {
		v.Options = append(v.Options, opt)
	}
	reached := slices.ContainsFunc(v.Options, func(o Option) bool { return o.Passes })
	each, err := fitEach(n, h, d)
	if err != nil {
		return Verdict{}, err
	}
	v.Options = append(v.Options, each)

	if !reached && v.PNoMeasurement >= h.Risk {
		v.Cut = MeasureMore
		return v, nil
	}
	v.Cut = FitEach
	least := math.Inf(1)
	for _, opt := range v.Options {
		if opt.Passes && opt.Expected < least {
			v.Cut, least = opt.Cut, opt.Expected
		}
	}
	return v, nil
}

// Gains ranks the candidates by P(all fit) with one stop per piece, which is
// the better of batch and graded; best first, the quicker one on a tie. All use
// the same points, so their order is surer than the error of each, and a
// sixteenth of the points does.
//
// Errors: ErrInput, ErrCovariance, ErrFactors.
func (s *Shop) Gains(n Needed, measure []Candidate) ([]Gain, error) {
	o := s.options
	o.MaxPoints = max(o.MaxPoints/16, shifts*firstPoints)
	out := make([]Gain, 0, len(measure))
	off := make([]float64, len(n.Mean))
	for i, c := range measure {
		if err := (Needed{n.Mean, c.Cov}).check(); err != nil {
			return nil, fmt.Errorf("candidate %d: %w", i+1, err)
		}
		d, err := newDraws(c.Cov, len(n.Mean), s, o)
		if err != nil {
			return nil, fmt.Errorf("candidate %d: %w", i+1, err)
		}
		p, e := d.probability(off, math.NaN())
		out = append(out, Gain{Candidate: i, PAfter: p, PError: e, Minutes: c.Minutes})
	}
	slices.SortStableFunc(out, func(a, b Gain) int {
		return cmp.Or(cmp.Compare(b.PAfter, a.PAfter), cmp.Compare(a.Minutes, b.Minutes))
	})
	return out, nil
}
