package fit

import (
	"fmt"
	"math"
)

// Walk corrects the spacers of a spacer walk that does not end at the post:
//
//	new = old + short/m
//
// old is the length of a spacer (mm), m their number, short what the walk of m
// spacers lacks at its end (mm; negative when it runs over). A walk 5 mm short
// over 10 spacers lengthens each by 0.5 mm (common practice, no source).
//
// Errors: ErrInput, when old is not positive, m is below 1, or no length is left.
func Walk(old float64, m int, short float64) (float64, error) {
	if !(old > 0) || math.IsInf(old, 1) {
		return 0, fmt.Errorf("spacer of %g mm: %w", old, ErrInput)
	}
	if m < 1 {
		return 0, fmt.Errorf("walk of %d spacers: %w", m, ErrInput)
	}
	corrected := old + short/float64(m)
	if !(corrected > 0) || math.IsInf(corrected, 1) {
		return 0, fmt.Errorf("walk short by %g mm leaves a spacer of %g mm: %w", short, corrected, ErrInput)
	}
	return corrected, nil
}
