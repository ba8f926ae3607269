// Package figure writes measured figures as every page of the report has them:
// with ±U, the expanded uncertainty U = 2u, and no digit that says nothing.
package figure

import (
	"encoding/json"
	"fmt"
	"math"
	"strings"

	"pinchrod/survey/asfound"
)

// Known is a quantity that is known.
func Known(v, u float64) asfound.Quantity { return asfound.Quantity{Value: v, U: u, Known: true} }

// Decimals is how many a figure of standard uncertainty u is written with: as
// many as show U to one digit at least, and no fewer than one.
func Decimals(u float64) int {
	switch U := 2 * u; {
	case U >= 0.095 || U == 0:
		return 1
	case U >= 0.0095:
		return 2
	}
	return 3
}

// Of writes a value with its ±U and unit: "1254.0 ±0.8 mm". What has no U has no
// ±.
func Of(q asfound.Quantity, unit string) string {
	if !q.Known {
		return "not known"
	}
	d := Decimals(q.U)
	s := Fixed(q.Value, d)
	if q.U > 0 {
		s += " ±" + Fixed(2*q.U, d)
	}
	return s + Unit(unit)
}

// Signed is [Of] with its sign always shown.
func Signed(q asfound.Quantity, unit string) string {
	s := Of(q, unit)
	if q.Known && !strings.HasPrefix(s, "-") {
		s = "+" + s
	}
	return s
}

// Unit is a unit as it follows a figure: with a space before it, but for degrees.
func Unit(unit string) string {
	if unit == "°" || unit == "" {
		return unit
	}
	return " " + unit
}

// farthest is what no stair has, mm: beyond, digits say nothing.
const farthest = 1e7

// Fixed writes v with d decimals, and no minus before nought; what no stair has
// is written short.
func Fixed(v float64, d int) string {
	if math.Abs(v) >= farthest {
		return fmt.Sprintf("%.3g", v)
	}
	s := fmt.Sprintf("%.*f", d, v)
	if strings.Trim(s, "-0.") == "" {
		s = strings.TrimPrefix(s, "-")
	}
	return s
}

// Plain is a number as short as it can be, to a hundredth.
func Plain(v float64) string { return fmt.Sprintf("%g", math.Round(v*100)/100) }

// Number is a figure in JSON, to a millionth: of a mm that is a nanometre, and
// more would be the noise of the arithmetic.
type Number float64

// MarshalJSON writes it, with no minus before nought.
func (n Number) MarshalJSON() ([]byte, error) { return marshal(float64(n), 1e6) }

// Mark is a figure in JSON that somebody marks out or saws: to a ten-thousandth.
type Mark float64

// MarshalJSON writes it, with no minus before nought.
func (m Mark) MarshalJSON() ([]byte, error) { return marshal(float64(m), 1e4) }

func marshal(v, per float64) ([]byte, error) {
	if v = math.Round(v*per) / per; v == 0 {
		v = 0 // which may have been -0
	}
	return json.Marshal(v)
}
