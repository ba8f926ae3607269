package asfound

import (
	"cmp"
	"fmt"
	"math"
	"slices"
	"strconv"
	"strings"

	"pinchrod/survey"
)

// A usual slip is named when the likely error is within slipReach of its
// standard uncertainty from it: 95 % of the slips of that size are.
const slipReach = 2

// Sizes of what is forgotten on a tape, mm. Common practice, no source: the
// length of a tape's case is printed on it, mostly 70 to 90; an end hook moves
// by its own thickness.
const (
	caseLow, caseHigh = 65, 95
	hookThickness     = 1.2
)

// Two slips are told apart when the error is nearer to one by slipApart of its
// standard uncertainties: the likelihoods of normal errors d and d+1 away differ
// by a factor of e^(d+½), which at d = ½ is 2.7. Else both are named.
const slipApart = 1

// usualSlip names the slip nearest to a likely error e (reading less what the
// others say, standard uncertainty ue) of a reading of value v, all in the
// reading's own unit; where a second is about as near, that one as well.
// elsewhere are the values the reading would have in other places, with what
// that slip is called. It is empty when no usual slip fits.
func usualSlip(r *survey.Reading, v, e, ue float64, elsewhere []place) string {
	type slip struct {
		name string
		away float64
	}
	var fits []slip
	try := func(size float64, name string) {
		if d := math.Abs(e-size) / ue; d <= slipReach {
			fits = append(fits, slip{name, d})
		}
	}
	k := r.Kind()
	for _, p := range elsewhere {
		// e = v − true here, and v ≈ value there.
		try(p.value-(v-e), p.slip)
	}
	if k.Low < 0 && math.Abs(v) > ue {
		try(2*v, "sign turned round")
	}
	switch k.Measure {
	case survey.Angle:
		try(2*v-90, "rise and going exchanged, or read from plumb")
		for _, whole := range []float64{10, 1} {
			try(math.Copysign(whole, e), fmt.Sprintf("a whole %g° misread", whole))
		}
	case survey.Length, survey.Tried, survey.Walk:
		for _, whole := range []float64{1000, 100, 10} {
			try(math.Copysign(whole, e), fmt.Sprintf("a whole %g mm misread", whole))
		}
		if k.Measure != survey.Walk && r.What != survey.BowBase && r.What != survey.BowRail {
			for _, s := range swapped(v) {
				try(v-s, fmt.Sprintf("digits exchanged, %s for %s", mm(v), mm(s)))
			}
			// True inches read as centimetres: true = 2.54 v; and the other way.
			try(v-2.54*v, "inches taken for centimetres")
			try(v-v/2.54, "centimetres taken for inches")
			if e <= -caseLow && e >= -caseHigh {
				try(e, "the tape's case not added")
			}
			try(hookThickness, "the end hook pushed where it should pull")
			try(-hookThickness, "the end hook pulled where it should push")
		}
	}
	slices.SortStableFunc(fits, func(a, b slip) int { return cmp.Compare(a.away, b.away) })
	switch {
	case len(fits) == 0:
		return ""
	case len(fits) > 1 && fits[1].away-fits[0].away < slipApart:
		return fits[0].name + ", or " + fits[1].name
	}
	return fits[0].name
}

type place struct {
	slip  string
	value float64
}

func mm(v float64) string { return strconv.FormatFloat(v, 'f', -1, 64) }

// swapped lists the values of v, in mm, with two neighbouring digits exchanged.
func swapped(v float64) []float64 {
	s := strconv.FormatFloat(math.Abs(v), 'f', -1, 64)
	whole, _, _ := strings.Cut(s, ".")
	var out []float64
	for i := 0; i+1 < len(whole); i++ {
		if s[i] == s[i+1] {
			continue
		}
		b := []byte(s)
		b[i], b[i+1] = b[i+1], b[i]
		if f, err := strconv.ParseFloat(string(b), 64); err == nil {
			out = append(out, math.Copysign(f, v))
		}
	}
	return out
}
