package bench

import (
	"fmt"
	"math"
	"strings"

	"pinchrod/survey/asfound"
)

// decimals is how many a figure of standard uncertainty u is written with, as
// on the page of the check: as many as show U to one digit, and one at least.
func decimals(u float64) int {
	switch U := 2 * u; {
	case U >= 0.095 || U == 0:
		return 1
	case U >= 0.0095:
		return 2
	}
	return 3
}

// fixed writes v with d decimals, and no minus before nought.
func fixed(v float64, d int) string {
	s := fmt.Sprintf("%.*f", d, v)
	if strings.Trim(s, "-0.") == "" {
		s = strings.TrimPrefix(s, "-")
	}
	return s
}

// figure writes a value with its ±U and unit.
func figure(q asfound.Quantity, unit string) string {
	if !q.Known {
		return "not known"
	}
	d := decimals(q.U)
	s := fixed(q.Value, d)
	if q.U > 0 {
		s += " ±" + fixed(2*q.U, d)
	}
	return s + spaced(unit)
}

// signed is figure with its sign always shown.
func signed(q asfound.Quantity, unit string) string {
	s := figure(q, unit)
	if q.Known && !strings.HasPrefix(s, "-") {
		s = "+" + s
	}
	return s
}

func spaced(unit string) string {
	if unit == "°" || unit == "" {
		return unit
	}
	return " " + unit
}

// plain is a number as short as it can be, to a hundredth.
func plain(v float64) string { return fmt.Sprintf("%g", math.Round(v*100)/100) }

// known is a quantity that is.
func known(v, u float64) asfound.Quantity { return asfound.Quantity{Value: v, U: u, Known: true} }

// sentence begins with a capital and ends with a full stop.
func sentence(s string) string {
	if s == "" {
		return s
	}
	return strings.ToUpper(s[:1]) + strings.TrimSuffix(s[1:], ".") + "."
}
