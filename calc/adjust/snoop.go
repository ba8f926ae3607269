package adjust

import (
	"errors"
	"fmt"
	"math"
)

// Pass is one reading set aside by Snoop, as it stood in the adjustment that showed it up.
type Pass struct {
	Index  int     // in Problem.Observations
	W      float64 // v/(u·√r)
	Error  float64 // v/r, the likely error of the reading: value less what the others say it should be
	U      float64 // u/√r, standard uncertainty of Error
	Rivals []int   // readings that explain the misfit as well, ascending: the slip is not located while there is one
}

// Two readings explain a misfit as well as each other, and a slip between them is not located, where their |w| are
// within a tenth of each other, or the correlation of their w is above 0.9: then a slip in either shows in both. House
// figures, common practice, no source. The other must also be explained away by setting the first aside: a
// slip of its own stays suspect.
const (
	rivalShare       = 0.9
	rivalCorrelation = 0.9
)

// LeastChecked is the redundancy from which a reading can be blamed. Below it the others know its value ten times
// worse than it does itself (r = u²/(u² + u_others²)), so a misfit that seems to be its own is theirs.
const LeastChecked = 0.01

// Snooped is the outcome of data snooping. In the final solution a reading set aside has its residual against the
// others, and the redundancy and w it would have if it alone were put back; it counts in no sum.
type Snooped struct {
	*Solution
	Passes []Pass
}

// Snoop adjusts and sets aside the reading of the largest |w| above Options.Critical, one each pass, until there is none
// (Baarda's data snooping). Never set aside are priors, readings without redundancy, and readings without which an
// unknown, or a combination of unknowns, would be undetermined or rest on weak priors only.
//
// Errors are those of Solve.
func Snoop(p Problem, opt Options) (*Snooped, error) {
	if err := p.check(); err != nil {
		return nil, fmt.Errorf("snooping: %w", err)
	}
	s, err := solve(&p, opt, nil)
	if err != nil {
		return nil, fmt.Errorf("snooping: %w", err)
	}
	found := &Snooped{Solution: s}
	n := len(p.Observations)
	out, keep := make([]bool, n), make([]bool, n)
	for i := range keep {
		keep[i] = p.Observations[i].Prior
	}
	for {
		i := found.suspect(out, keep, opt.critical())
		if i < 0 {
			return found, nil
		}
		out[i] = true
		p.Start = found.X
		s, err := solve(&p, opt, out)
		switch {
		case errors.Is(err, ErrUndetermined),
			err == nil && (s.rank < found.rank || len(s.UsedWeak) > len(found.UsedWeak)):
			out[i], keep[i] = false, true
			continue
		case err != nil:
			return nil, fmt.Errorf("snooping without observation %d: %w", i, err)
		}
		var rivals []int
		for j := range found.W {
			if !out[j] && !keep[j] && found.asLikely(i, j) && math.Abs(s.W[j]) <= opt.critical() {
				rivals = append(rivals, j)
			}
		}
		r := found.Redundancy[i]
		found.Passes = append(found.Passes, Pass{
			Index: i, W: found.W[i], Error: found.Residuals[i] / r, U: p.Observations[i].U / math.Sqrt(r), Rivals: rivals,
		})
		found.Solution = s
	}
}

// suspect returns the reading of the largest |w| above critical among those that something checks, -1 if there is none.
// Of readings whose w are one and the same figure, as far as rounding tells, it is the first.
func (s *Snooped) suspect(out, keep []bool, critical float64) int {
	worst := -1
	for i, w := range s.W {
		if !out[i] && !keep[i] && s.Redundancy[i] > LeastChecked && math.Abs(w) > critical &&
			(worst < 0 || math.Abs(w) > math.Abs(s.W[worst])*(1+sameW)) {
			worst = i
		}
	}
	return worst
}

// sameW is how far apart two figures of w may be, in parts of themselves, and still be one. Where the correlation is 1
// they are equal but for rounding: r is good to some 1e-14 and at least LeastChecked, so w is to 1e-12.
const sameW = 1e-9

// asLikely tells whether reading j explains the misfit of reading i as well. The correlation of their w is
// −h_ij/√(r_i·r_j), h_ij being an element of the hat matrix.
func (s *Snooped) asLikely(i, j int) bool {
	if s.Redundancy[j] <= LeastChecked {
		return false
	}
	rho := s.leverage(i, j) / math.Sqrt(s.Redundancy[i]*s.Redundancy[j])
	return math.Abs(s.W[j]) >= rivalShare*math.Abs(s.W[i]) || math.Abs(rho) > rivalCorrelation
}

// MDB = Delta0·u/√r, the minimal detectable bias: the error in a reading of standard uncertainty u and redundancy r that
// Critical finds with power 0.80. It is in the unit of u, and +Inf for a reading that nothing checks.
func MDB(u, r float64) float64 {
	if !(r >= RedundancyFloor) {
		return math.Inf(1)
	}
	return Delta0 * u / math.Sqrt(r)
}
