// Package fit decides how like pieces are cut: all to one stop, graded to a few,
// or over length to be fitted one by one; and it holds the probability of a
// rectangle under a multivariate normal distribution which that rests on.
package fit

import (
	"fmt"
	"math"
	"slices"

	"gonum.org/v1/gonum/mat"
)

// Cut is a way to cut a set of like pieces.
type Cut string

const (
	Batch       Cut = "batch"        // all to one stop
	Graded      Cut = "graded"       // few stops, pieces sorted to their places
	FitEach     Cut = "fit-each"     // over length, trimmed on site
	MeasureMore Cut = "measure-more" // none of these yet: the doubt is in the readings
)

// Needed is what the bay needs of one kind of piece.
type Needed struct {
	Mean []float64     // needed lengths, mm, one per piece
	Cov  *mat.SymDense // the measurement part of their covariance, mm²; nil when exactly known
}

// House holds the house figures of cutting and fitting. All defaults are common
// practice, no source.
type House struct {
	Short     float64 // mm a piece may be shorter than needed and still fit; default 1.0 (the end hides in the groove)
	Long      float64 // mm a piece may be longer than needed and still fit; default 0.5
	Waviness  float64 // local waviness of the rails, one sigma per piece, mm; default 0.15
	Saw       float64 // repeatability of the saw against its stop, one sigma, mm; default 0.1
	Allowance float64 // over-length of a blank that is trimmed on site, mm; default 6
	Risk      float64 // probability that all pieces fit which the house asks for, above 0.5; default 0.95
	Minutes   Minutes
}

// Minutes are the times of the work, each in minutes.
type Minutes struct {
	Setting     float64 // set and prove a stop; default 2
	Cut         float64 // cut a piece; default 0.5
	Sort        float64 // mark a graded piece and sort it to its place; default 0.5
	Trim        float64 // mark, trim and try a piece on site; default 6
	SecondVisit float64 // come back because a piece does not fit; default 120
}

// DefaultHouse returns the documented defaults (common practice, no source).
func DefaultHouse() House {
	return House{
		Short: 1, Long: 0.5, Waviness: 0.15, Saw: 0.1, Allowance: 6, Risk: 0.95,
		Minutes: Minutes{Setting: 2, Cut: 0.5, Sort: 0.5, Trim: 6, SecondVisit: 120},
	}
}

// Candidate is a reading that could still be taken.
type Candidate struct {
	Cov     *mat.SymDense // covariance of the needed lengths if it were, mm²; nil when they would be exactly known
	Minutes float64       // what it takes; breaks a tie
}

// Option is one way to cut with what it leads to.
type Option struct {
	Cut       Cut
	P, PError float64   // P(all fit) and its 99 % computation error; fit-each: P(every blank long enough)
	Lengths   []float64 // mm; batch: the stop; graded: one per piece; fit-each: the blank
	Settings  int       // stop settings
	Group     []int     // graded: the setting of each piece, counted from 0, shortest first
	Minutes   float64   // of cutting and trimming
	Expected  float64   // Minutes + (1−P)·second visit
	Passes    bool      // P is at least the house risk, computation error allowed for
	Close     bool      // the most points allowed leave P within PError of the house risk
}

// Gain is what a candidate reading would bring.
type Gain struct {
	Candidate int     // index into the candidates given
	PAfter    float64 // P(all fit) of graded cutting, one stop per piece, after it
	PError    float64
	Minutes   float64
}

// Verdict says how to cut a kind of piece and what that rests on.
type Verdict struct {
	Cut     Cut      // empty when there is no piece
	Options []Option // batch, graded (if the lengths differ), fit-each
	Gains   []Gain   // measure-more: best first

	Spread         float64 // longest minus shortest needed length, mm
	Sigma          float64 // largest measurement standard uncertainty of a needed length, mm
	PNoMeasurement float64 // P(all fit), one stop per piece, if the readings were exact
}

// Decide says how to cut n like pieces. Piece i fits when
//
//	−Short ≤ cut_i − needed_i ≤ Long,
//	needed ~ N(Mean, Cov + Waviness²·I), cut_i ~ N(stop, Saw²) independently.
//
// The verdict is the option of least expected time among those with P(all fit)
// ≥ h.Risk. If neither batch nor graded reaches it but graded would with exact
// readings, the verdict is measure-more, and Gains rank the candidates by P
// after each. If nothing else is left it is fit-each.
//
// Why the stops are where they are: about the middle of the window, shifted by
// u, P(all fit) is the Gaussian measure of a box shifted by u. That is largest
// at u = 0 (Anderson 1955), so the best stop of a piece of its own is Mean_i +
// (Long−Short)/2, graded with one stop per piece is never worse than batch, and
// less covariance never makes it worse. It is log-concave in u (Prékopa 1971),
// so the batch search, along the line u = c·1 − Mean, meets one maximum only.
//
// o bounds the work on each probability; one is refined beyond o.MaxError while
// it lies within its error of h.Risk. measure may be empty. No pieces give the
// zero Verdict.
//
// Errors: ErrInput, ErrCovariance, ErrFactors.
func Decide(n Needed, h House, measure []Candidate, o Options) (Verdict, error) {
	shop, err := NewShop(h, o)
	if err != nil {
		return Verdict{}, err
	}
	v, err := shop.Decide(n)
	if err == nil && v.Cut == MeasureMore {
		v.Gains, err = shop.Gains(n, measure)
	}
	return v, err
}

// priced completes an option whose cut, settings and probability are known.
func priced(opt Option, pieces int, h House) Option {
	m, n := h.Minutes, float64(pieces)
	opt.Minutes = float64(opt.Settings)*m.Setting + n*m.Cut
	switch opt.Cut {
	case Graded:
		opt.Minutes += n * m.Sort
	case FitEach:
		opt.Minutes += n * m.Trim
	}
	opt.Expected = opt.Minutes + (1-opt.P)*m.SecondVisit
	opt.Passes = opt.P-opt.PError >= h.Risk
	opt.Close = math.Abs(opt.P-h.Risk) < opt.PError
	return opt
}

// fitEach takes blanks of one length, the allowance beyond the longest needed
// length. It goes wrong only when a blank is too short.
func fitEach(n Needed, h House, s *draws) (Option, error) {
	pieces := len(n.Mean)
	opt := Option{Cut: FitEach, Lengths: []float64{slices.Max(n.Mean) + h.Allowance}, Settings: 1}
	lo, hi := make([]float64, pieces), make([]float64, pieces)
	for i, m := range n.Mean {
		lo[i], hi[i] = math.Inf(-1), opt.Lengths[0]-m
	}
	var err error
	if opt.P, opt.PError, err = Rectangle(lo, hi, s.b, s.d, s.o); err != nil {
		return Option{}, fmt.Errorf("blanks: %w", err)
	}
	return priced(opt, pieces, h), nil
}

func (n Needed) check() error {
	for i, m := range n.Mean {
		if math.IsNaN(m) || math.IsInf(m, 0) {
			return fmt.Errorf("needed length %d is %g: %w", i+1, m, ErrInput)
		}
	}
	if n.Cov != nil && n.Cov.SymmetricDim() != len(n.Mean) {
		return fmt.Errorf("%d lengths and a covariance of %d: %w", len(n.Mean), n.Cov.SymmetricDim(), ErrInput)
	}
	return nil
}

func (h House) check() error {
	for _, f := range []struct {
		name  string
		value float64
	}{
		{"short", h.Short}, {"long", h.Long}, {"waviness", h.Waviness}, {"saw", h.Saw}, {"allowance", h.Allowance},
		{"minutes of a setting", h.Minutes.Setting}, {"minutes of a cut", h.Minutes.Cut}, {"minutes of sorting", h.Minutes.Sort},
		{"minutes of trimming", h.Minutes.Trim}, {"minutes of a second visit", h.Minutes.SecondVisit},
	} {
		if !(f.value >= 0) || math.IsInf(f.value, 1) {
			return fmt.Errorf("house figure %s is %g: %w", f.name, f.value, ErrInput)
		}
	}
	// Below one half the batch search could not bound where its maximum is.
	if !(h.Risk > 0.5 && h.Risk < 1) {
		return fmt.Errorf("house risk is %g, not between 0.5 and 1: %w", h.Risk, ErrInput)
	}
	return nil
}
