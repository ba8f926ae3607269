// Package calctest is what the tests of figures share.
package calctest

import "math"

// Near tells whether |got − want| ≤ tol, all three in one unit. It is false where
// any of them is not a number or infinite: a comparison with > is false of NaN,
// so a test that fails on it would let NaN pass.
func Near(got, want, tol float64) bool {
	return math.Abs(got-want) <= tol && !math.IsInf(tol, 1)
}
