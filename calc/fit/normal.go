package fit

import "math"

// between returns Φ(b) − Φ(a) for a ≤ b. Both tails are taken on the side where
// they are small, so that nothing cancels far out.
func between(a, b float64) float64 {
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

func density(x float64) float64 { return math.Exp(-x*x/2) / math.Sqrt(2*math.Pi) }
