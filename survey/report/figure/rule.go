package figure

import (
	"fmt"
	"math"
	"strings"

	"pinchrod/survey/asfound"
)

// Rule writes lengths as the rule at the saw reads: millimetres, or inches where
// the job's units are inches. All that a workshop prints goes through it, so that
// no page mixes the two. Lengths come in mm.
type Rule struct{ Inches bool }

// Inch is an inch in mm, exactly.
const Inch = 25.4

// Marks of a rule in inches. A joiner reads 1/32 in; what is a tolerance is
// smaller and is told to 1/64 in. Both are common practice, no source.
const (
	thirtySecond = 32
	sixtyFourth  = 64
)

// Unit is what the figures count: "mm" or "in".
func (r Rule) Unit() string {
	if r.Inches {
		return "in"
	}
	return "mm"
}

// Named is what the figures count, as a word in a sentence.
func (r Rule) Named() string {
	if r.Inches {
		return "inches"
	}
	return "mm"
}

// With is a figure with its unit.
func (r Rule) With(s string) string { return s + " " + r.Unit() }

// Length writes a length to 0.1 mm or to the nearest 1/32 in, without its unit.
func (r Rule) Length(mm float64) string {
	if r.Inches {
		return fraction(mm, thirtySecond)
	}
	return Fixed(mm, 1)
}

// Tolerance writes what a length may be off: to 0.01 mm or the nearest 1/64 in,
// as short as it can be, without its unit.
func (r Rule) Tolerance(mm float64) string {
	if r.Inches {
		return fraction(mm, sixtyFourth)
	}
	return Plain(mm)
}

// Stop writes a length that was rounded to a step of the saw, so that no digit of
// it is lost and none is added: with as many decimals of a mm as the step has. In
// inches a step of whole sixty-fourths is written as a fraction, and
// any other to a thousandth, as a caliper shows it.
func (r Rule) Stop(mm, step float64) string {
	if r.Inches {
		if n := step / Inch * sixtyFourth; n > 0.5 && math.Abs(n-math.Round(n)) < 1e-6 {
			return fraction(mm, sixtyFourth)
		}
		return Fixed(mm/Inch, 3)
	}
	const finest = 3 // a micrometre
	for d := 0; d < finest; d++ {
		if k := step * math.Pow10(d); step > 0 && math.Abs(k-math.Round(k)) < 1e-6 {
			return Fixed(mm, d)
		}
	}
	if step > 0 {
		return Fixed(mm, finest)
	}
	return Fixed(mm, 1)
}

// Whole writes a length that is only to be long enough, rounded up: to whole mm or
// to 1/16 in.
func (r Rule) Whole(mm float64) string {
	const noise = 1e-6 // of the arithmetic
	if r.Inches {
		return fraction(math.Ceil(mm/Inch*16-noise)/16*Inch, 16)
	}
	return Fixed(math.Ceil(mm-noise), 0)
}

// Of is [Of] with lengths as the rule has them: what is not in mm stays as it is.
// An unit of "" stands for mm that are not named. A ± below 1/64 in is written as
// that: less than a rule shows is not nothing.
func (r Rule) Of(q asfound.Quantity, unit string) string {
	if !r.Inches || !q.Known || unit != "mm" && unit != "" {
		return Of(q, unit)
	}
	s := r.Length(q.Value)
	if q.U > 0 {
		s += " ±" + fraction(max(2*q.U, Inch/sixtyFourth), sixtyFourth)
	}
	if unit == "" {
		return s
	}
	return r.With(s)
}

// Signed is [Rule.Of] with its sign always shown.
func (r Rule) Signed(q asfound.Quantity, unit string) string {
	s := r.Of(q, unit)
	if q.Known && !strings.HasPrefix(s, "-") {
		s = "+" + s
	}
	return s
}

// fraction writes the nearest whole number of parts of an inch, such as 31 23/32.
func fraction(mm float64, parts int) string {
	n := math.Round(mm / Inch * float64(parts))
	if math.Abs(mm) >= farthest {
		return Fixed(mm/Inch, 0)
	}
	neg := ""
	if n < 0 {
		neg, n = "-", -n
	}
	whole, rest := int(n)/parts, int(n)%parts
	for rest%2 == 0 && rest > 0 {
		rest, parts = rest/2, parts/2
	}
	switch {
	case rest == 0:
		return fmt.Sprintf("%s%d", neg, whole)
	case whole == 0:
		return fmt.Sprintf("%s%d/%d", neg, rest, parts)
	}
	return fmt.Sprintf("%s%d %d/%d", neg, whole, rest, parts)
}
