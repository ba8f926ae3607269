package rules

import "math"

// State is the answer to "is the limit met?".
type State string

const (
	Clear  State = "clear"  // it is, with P ≥ 0.95
	Flag   State = "flag"   // it is not, with P ≤ 0.05
	Unsure State = "unsure" // the measurement does not tell
)

// sure is the probability that a clear or a flag needs: the 95 % that JCGM 106
// and most of metrology use by convention.
const sure = 0.95

// Conform returns the probability that a quantity is at most its limit,
//
//	P(Y ≤ T) = Φ((T − y)/u),
//
// y the estimate, u its standard uncertainty (≥ 0), limit T, all in one unit.
// With u = 0 it is 1 up to and at the limit and 0 beyond. A negative or NaN u
// and a NaN y or limit give NaN. Source: JCGM 106:2012, 7.4, one-sided.
func Conform(y, u, limit float64) float64 {
	return ConformBetween(y, u, math.Inf(-1), limit)
}

// ConformBetween returns the probability that a quantity is within its limits,
//
//	P(lo ≤ Y ≤ hi) = Φ((hi − y)/u) − Φ((lo − y)/u),
//
// arguments as for Conform; lo or hi may be infinite for a limit on one side
// only, and lo > hi gives NaN. Source: JCGM 106:2012, 7.4, two-sided.
func ConformBetween(y, u, lo, hi float64) float64 {
	switch {
	case math.IsNaN(y) || !(u >= 0) || !(lo <= hi):
		return math.NaN()
	case u == 0:
		if lo <= y && y <= hi {
			return 1
		}
		return 0
	}
	a, b := (lo-y)/u, (hi-y)/u
	// Each tail where it is small, so that nothing cancels.
	switch {
	case a > 0:
		return upper(a) - upper(b)
	case b < 0:
		return upper(-b) - upper(-a)
	default:
		return 1 - upper(b) - upper(-a)
	}
}

// upper returns 1 − Φ(x).
func upper(x float64) float64 { return math.Erfc(x/math.Sqrt2) / 2 }

// Judge says whether y, of standard uncertainty u, is at most its limit: clear
// when P ≥ 0.95, flag when P ≤ 0.05, else unsure. What Conform cannot answer is
// unsure.
func Judge(y, u, limit float64) State {
	return JudgeBetween(y, u, math.Inf(-1), limit)
}

// JudgeAbs says in the same way whether |y| is at most its limit.
func JudgeAbs(y, u, limit float64) State {
	return JudgeBetween(y, u, -limit, limit)
}

// JudgeBetween says in the same way whether y is within its limits; one of them
// may be infinite. A y within its limits is never flagged: between two limits P
// is small for any y when u is large, and that says something of the
// measurement, nothing of the thing measured.
func JudgeBetween(y, u, lo, hi float64) State {
	p := ConformBetween(y, u, lo, hi)
	switch {
	case p >= sure:
		return Clear
	case p <= 1-sure && (y < lo || y > hi):
		return Flag
	}
	return Unsure
}
