// Package drawing draws what was found, as pages of package scene.
//
// [Bay] is a bay to scale with its dimensions, [Errors] the same bay with what
// is out of true made larger by a factor that is written on it, [Plan] a flight
// in plan both ways, and [Template] a bevel at its full size. Flags stand as
// numbered balloons at the place they concern, and in words beside the drawing;
// a filled balloon is a flag, an open one with a question mark cannot be told
// yet, so no colour is needed to tell them apart.
//
// What was not read is drawn dashed, as if it were true, and the page says what
// is missing. A reading that was struck or set aside is in no figure and so in no
// drawing.
//
// Scales are those of ISO 5455, lines and dimensions follow ISO 128 and ISO
// 129-1, frame and title block ISO 5457 and ISO 7200, all from memory.
package drawing

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

// fixed writes v with d decimals, and no minus before nought; what no stair has
// is written short.
func fixed(v float64, d int) string {
	if math.Abs(v) >= 1e7 {
		return fmt.Sprintf("%.3g", v)
	}
	s := fmt.Sprintf("%.*f", d, v)
	if strings.Trim(s, "-0.") == "" {
		s = strings.TrimPrefix(s, "-")
	}
	return s
}

// figure writes a value with its ±U and unit.
func figure(q asfound.Quantity, unit string) string {
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
	if !strings.HasPrefix(s, "-") {
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

// plain is a number as short as it can be.
func plain(v float64) string { return fmt.Sprintf("%g", math.Round(v*100)/100) }

func finite(v ...float64) bool {
	for _, x := range v {
		if math.IsNaN(x) || math.IsInf(x, 0) {
			return false
		}
	}
	return true
}
