package adjust

import (
	"errors"
	"fmt"
	"math"
	"slices"
)

// Pass is one reading set aside by Snoop, as it stood in the adjustment that showed it up.
type Pass struct {
	Index  int     // in Problem.Observations
	W      float64 // v/(u·√r)
	Error  float64 // v/r, the likely error of the reading: value less what the others say it should be
	U      float64 // u/√r, standard uncertainty of Error
	Rivals []int   // readings that explain the misfit as well: no further figure can tell which of them is wrong
	Near   []int   // readings that explain it nearly as well, see nearRival
}

// nearRival is how far below w² of the reading set aside that of another may be
// for the two to be about equally likely culprits. To set aside a reading takes
// w² off chi2, so the likelihoods of the two explanations differ by the factor
// exp(Δ(w²)/2); at 2·ln 3 that is 3. The other must also be explained away by
// the first: a slip of its own stays suspect.
const nearRival = 2.1972245773362196

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
		i, rivals := found.suspect(out, keep, opt.critical())
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
		var near []int
		for j, w := range found.W {
			if !out[j] && !keep[j] && !slices.Contains(rivals, j) && math.Abs(w) > opt.critical() &&
				found.W[i]*found.W[i]-w*w < nearRival && math.Abs(s.W[j]) <= opt.critical() {
				near = append(near, j)
			}
		}
		r := found.Redundancy[i]
		found.Passes = append(found.Passes, Pass{
			Index:  i,
			W:      found.W[i],
			Error:  found.Residuals[i] / r,
			U:      p.Observations[i].U / math.Sqrt(r),
			Rivals: rivals,
			Near:   near,
		})
		found.Solution = s
	}
}

// suspect returns the reading of the largest |w| above critical, -1 if there is none, and its rivals. Of rivals the first counts
// as the suspect, whatever rounding says.
func (s *Snooped) suspect(out, keep []bool, critical float64) (int, []int) {
	worst := -1
	for i, w := range s.W {
		if !out[i] && !keep[i] && math.Abs(w) > critical && (worst < 0 || math.Abs(w) > math.Abs(s.W[worst])) {
			worst = i
		}
	}
	if worst < 0 {
		return -1, nil
	}
	// Without reading i, the redundancy of j is r_j - h_ij²/r_i = r_j(1 - ρ²), ρ the correlation of w_i and w_j. If that is
	// nothing, |ρ| is 1 and so |w_i| = |w_j|: with either set aside, nothing checks the other.
	group := []int{worst}
	for j, r := range s.Redundancy {
		if j == worst || out[j] || keep[j] || r == 0 {
			continue
		}
		h := s.leverage(worst, j)
		if r-h*h/s.Redundancy[worst] < RedundancyFloor {
			group = append(group, j)
		}
	}
	slices.Sort(group)
	return group[0], group[1:]
}

// MDB = Delta0·u/√r, the minimal detectable bias: the error in a reading of standard uncertainty u and redundancy r that
// Critical finds with power 0.80. It is in the unit of u, and +Inf for a reading that nothing checks.
func MDB(u, r float64) float64 {
	if !(r >= RedundancyFloor) {
		return math.Inf(1)
	}
	return Delta0 * u / math.Sqrt(r)
}
