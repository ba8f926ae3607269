package timber

import (
	"fmt"
	"math"
)

// LowMC and HighMC are the moisture contents in % between which [Movement] holds: Wood Handbook, FPL-GTR-190 (2010),
// eq. 13–2.
const (
	LowMC  = 6.0
	HighMC = 14.0
)

// greatest bounds a coefficient, to catch one in % per 1 % MC. The table ends at 0.0043, and no timber's shrinkage of
// at most some 15 % over the 30 % MC to dry gives more than half of this.
const greatest = 0.01

// Movement is
//
//	ΔD = D·C·(M_F − M_I),
//
// the change in mm of a size of d mm across the grain, with c the coefficient per 1 % MC, when the moisture content goes
// from one figure to the other, both in %; + when it swells. Source: Wood Handbook, FPL-GTR-190 (2010), eq. 13–2.
//
// Errors: [ErrRange] for a moisture content outside 6 to 14 %, where the Handbook gives the equation; a figure outside is
// not extrapolated. [ErrInput] for a size that is not positive, and a coefficient outside 0 to 0.01.
func Movement(d, c, from, to float64) (float64, error) {
	if !(d > 0) || math.IsInf(d, 1) {
		return 0, fmt.Errorf("moving timber: %w: a size of %g mm", ErrInput, d)
	}
	if !(c >= 0 && c <= greatest) {
		return 0, fmt.Errorf("moving timber: %w: a coefficient of %g, where 0.004 would be 0.4 %% per 1 %% MC", ErrInput, c)
	}
	for _, mc := range []float64{from, to} {
		if !(mc >= LowMC && mc <= HighMC) {
			return 0, fmt.Errorf("moving timber: moisture content of %g %% %w: the equation holds from %g to %g %%", mc, ErrRange, LowMC, HighMC)
		}
	}
	return d * c * (to - from), nil
}

// MovementU is [Movement] with its standard uncertainty in mm,
//
//	u² = D²·((M_F − M_I)²·u_C² + (C² + u_C²)·(u_F² + u_I²)),
//
// the variance of a product of independent factors, exact (L. A. Goodman, On the exact variance of products, 1960), so
// that no expected change still leaves an uncertain one. d, in mm, is taken as known. uc is the u of c, per 1 % MC, and
// uFrom, uTo those of the moisture contents in %. Two readings of one meter share its error, and then their u is that
// of the meter's repeatability alone.
//
// The errors are those of Movement; a u that is negative or not finite is [ErrInput]. Only the moisture contents
// themselves have to be in range.
func MovementU(d, c, uc, from, uFrom, to, uTo float64) (change, u float64, err error) {
	change, err = Movement(d, c, from, to)
	if err != nil {
		return 0, 0, err
	}
	for _, v := range []float64{uc, uFrom, uTo} {
		if !(v >= 0) || math.IsInf(v, 1) {
			return 0, 0, fmt.Errorf("moving timber: %w: u of %g", ErrInput, v)
		}
	}
	return change, d * math.Hypot((to-from)*uc, math.Hypot(c, uc)*math.Hypot(uFrom, uTo)), nil
}
