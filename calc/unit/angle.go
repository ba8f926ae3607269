package unit

import (
	"fmt"
	"math"
	"math/big"
	"strings"
)

// Angle is an angle in whole microradians.
type Angle int64

// Rad gives the angle in radians.
func (a Angle) Rad() float64 { return float64(a) * 1e-6 }

// Deg gives the angle in degrees.
func (a Angle) Deg() float64 { return a.Rad() * 180 / math.Pi }

// FromRad rounds an angle in radians to the nearest microradian.
func FromRad(rad float64) Angle { return Angle(round(rad * 1e6)) }

// FromDeg rounds an angle in degrees to the nearest microradian.
func FromDeg(deg float64) Angle { return FromRad(deg * math.Pi / 180) }

// String writes the angle in degrees, with the fewest decimals that
// [ParseAngle] reads back as the same angle. 10⁻⁵° is 0.17 µrad, so five are
// always enough.
func (a Angle) String() string {
	neg, abs := "", a
	if a < 0 {
		neg, abs = "-", -a
	}
	back := func(s string) bool {
		got, err := ParseAngle(s)
		return err == nil && got == abs
	}
	// Microradians in a degree, π/180·10⁶, to 20 digits.
	perDegree, _ := new(big.Rat).SetString("17453.292519943295769")
	return neg + decimals(int64(abs), perDegree, 5, back) + "°"
}

// DegMin writes the angle in degrees and whole minutes where that reads back
// as the same angle, else as String does.
func (a Angle) DegMin() string {
	neg, abs := "", a
	if a < 0 {
		neg, abs = "-", -a
	}
	m := round(abs.Deg() * 60)
	s := fmt.Sprintf("%s%d°%02d'", neg, m/60, m%60)
	if got, err := ParseAngle(s); err == nil && got == a {
		return s
	}
	return a.String()
}

// ParseAngle reads an angle from level: 41.8, 41.8 deg, 41.8°, 41°48',
// 41°48'30", 41 deg 48 min, 7:11 (rise to going) or 3 mm in 900 mm. A bare
// number is degrees.
func ParseAngle(s string) (Angle, error) {
	if strings.Contains(s, ":") {
		return riseGoing(s)
	}
	if strings.Contains(s, " in ") {
		sl, err := ParseSlope(s)
		if err != nil {
			return 0, fmt.Errorf("angle %q: %w", s, err)
		}
		return FromRad(math.Atan(sl.Tan())), nil
	}
	neg, body := sign(s)
	if _, err := ParseLength(body); err == nil && !strings.ContainsAny(body, `'"′″`) && strings.ContainsAny(body, "mf") {
		return 0, fmt.Errorf("angle %q %w: that is a length; write degrees such as 41.8 deg, or rise:going such as 7:11", s, ErrSyntax)
	}
	deg := new(big.Rat)
	scale := int64(1)
	rest := body
	for i, marks := range [][]string{{"°", "deg"}, {"'", "′", "min"}, {`"`, "″", "sec"}} {
		num, after, ok := cutAny(rest, marks)
		if !ok {
			scale *= 60
			continue
		}
		r, err := number(strings.TrimSpace(num))
		if err != nil {
			return 0, fmt.Errorf("angle %q: %w", s, err)
		}
		if i > 0 && r.Cmp(big.NewRat(60, 1)) >= 0 {
			return 0, fmt.Errorf("angle %q %w: minutes and seconds stay below 60", s, ErrRange)
		}
		deg.Add(deg, r.Quo(r, new(big.Rat).SetInt64(scale)))
		rest = strings.TrimSpace(strings.TrimPrefix(strings.TrimPrefix(after, "rees"), "ree"))
		scale *= 60
	}
	if rest == body { // no mark at all: a bare number
		r, err := number(body)
		if err != nil {
			return 0, fmt.Errorf("angle %q: %w", s, err)
		}
		deg, rest = r, ""
	}
	if rest != "" {
		return 0, fmt.Errorf("angle %q %w: write 41.8 deg, 41°48' or rise:going such as 7:11", s, ErrSyntax)
	}
	f, _ := deg.Float64()
	if f > 360 {
		return 0, fmt.Errorf("angle %q %w: at most 360 degrees", s, ErrRange)
	}
	if neg {
		f = -f
	}
	return FromDeg(f), nil
}

func cutAny(s string, marks []string) (before, after string, ok bool) {
	for _, m := range marks {
		if before, after, ok = strings.Cut(s, m); ok {
			return before, after, true
		}
	}
	return s, "", false
}

// riseGoing reads "7:11" as atan(7/11).
func riseGoing(s string) (Angle, error) {
	neg, body := sign(s)
	a, b, _ := strings.Cut(body, ":")
	rise, err := mixed(strings.TrimSpace(a))
	if err != nil {
		return 0, fmt.Errorf("angle %q: rise: %w", s, err)
	}
	going, err := mixed(strings.TrimSpace(b))
	if err != nil {
		return 0, fmt.Errorf("angle %q: going: %w", s, err)
	}
	r, _ := rise.Float64()
	g, _ := going.Float64()
	if r == 0 && g == 0 {
		return 0, fmt.Errorf("angle %q %w: rise and going are both zero", s, ErrSyntax)
	}
	rad := math.Atan2(r, g)
	if neg {
		rad = -rad
	}
	return FromRad(rad), nil
}
