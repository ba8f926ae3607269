package unit

import (
	"fmt"
	"math"
	"strings"
)

// Slope is how far a face leaves the plumb, or a line the level, over a
// length: "3 mm in 900 mm". Both lengths are kept as measured, so the notation
// comes back exactly.
type Slope struct {
	Out  Length // signed
	Over Length // above zero
}

// Tan gives Out/Over, the tangent of the slope.
func (s Slope) Tan() float64 { return float64(s.Out) / float64(s.Over) }

// String writes the slope as ParseSlope reads it.
func (s Slope) String() string { return s.Out.String() + " in " + s.Over.String() }

// ParseSlope reads 3 mm in 900 mm, 3 in 900 (millimetres), 1/8 in in 48 in,
// 2 mm/m, or an angle with its mark such as 0.2 deg, which is kept as
// micrometres over one metre. A bare number is refused: the length it was
// taken over is missing.
func ParseSlope(s string) (Slope, error) {
	if per, ok := strings.CutSuffix(strings.TrimSpace(s), "mm/m"); ok {
		out, err := ParseLength(strings.TrimSpace(per))
		if err != nil {
			return Slope{}, fmt.Errorf("slope %q: %w", s, err)
		}
		return Slope{out, Metre}, nil
	}
	if i := strings.LastIndex(s, " in "); i >= 0 {
		out, err := ParseLength(s[:i])
		if err != nil {
			return Slope{}, fmt.Errorf("slope %q: %w", s, err)
		}
		over, err := ParseLength(s[i+len(" in "):])
		if err != nil {
			return Slope{}, fmt.Errorf("slope %q: %w", s, err)
		}
		if over <= 0 {
			return Slope{}, fmt.Errorf("slope %q %w: the length it was taken over must be above zero", s, ErrRange)
		}
		return Slope{out, over}, nil
	}
	if strings.ContainsAny(s, "°:") || strings.Contains(s, "deg") {
		a, err := ParseAngle(s)
		if err != nil {
			return Slope{}, fmt.Errorf("slope %q: %w", s, err)
		}
		if a.Deg() <= -89 || a.Deg() >= 89 {
			return Slope{}, fmt.Errorf("slope %q %w: give the angle out of plumb, near 0, not the angle from level", s, ErrRange)
		}
		return Slope{FromMM(1000 * math.Tan(a.Rad())), Metre}, nil
	}
	if strings.Contains(s, ",") {
		return Slope{}, fmt.Errorf("slope %q: %w: write a point, %s", s, ErrComma, strings.ReplaceAll(s, ",", "."))
	}
	return Slope{}, fmt.Errorf("slope %q %w: write how far over what length, such as 3 mm in 900 mm", s, ErrSyntax)
}
