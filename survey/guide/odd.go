package guide

import (
	"fmt"
	"math"
	"slices"

	"pinchrod/calc/unit"
	"pinchrod/survey"
)

// like says which readings a reading resembles, and how far it may stand off
// their median before it is read again. The limits warn of a slip of the hand
// and refuse nothing; common practice, no source.
type like struct {
	kinds []survey.What
	limit float64 // mm or degrees
	name  string
}

var angles = []survey.What{survey.BaseAngle, survey.RailAngle}

var likes = map[survey.What]like{
	survey.Rise:        {[]survey.What{survey.Rise}, 30, "the other rises"},
	survey.Going:       {[]survey.What{survey.Going}, 30, "the other goings"},
	survey.Width:       {[]survey.What{survey.Width}, 30, "the other widths"},
	survey.Side:        {[]survey.What{survey.Side}, 30, "the other side"},
	survey.Diagonal:    {[]survey.What{survey.Diagonal}, 30, "the other diagonal"},
	survey.StringAngle: {[]survey.What{survey.StringAngle}, 3, "the other string angles"},
	survey.BaseAngle:   {angles, 3, "the other angles of the bay"},
	survey.RailAngle:   {angles, 3, "the other angles of the bay"},
	survey.Gap:         {[]survey.What{survey.Gap}, 25, "the other gaps"},
	survey.Run:         {[]survey.What{survey.Run}, 25, "the other runs"},
	survey.GuardHeight: {[]survey.What{survey.GuardHeight}, 25, "the other guard height"},
}

// repeats is how far a second reading may stand off the first, by measure:
// 3 mm, half a degree, 3 mm per m. Common practice, no source.
var repeats = map[survey.Measure]float64{survey.Length: 3, survey.Angle: 0.5, survey.Lean: 3, survey.Section: 3, survey.Percent: 3}

// closing is how far a sum of steps may miss the total, per step: a step is
// read to about a millimetre, and nosings are worn. Common practice, no source.
const closing = 3.0

// Odd says why a reading looks wrong by itself, in one line, or nothing. A fillet
// is wider than it is thick: its width is the spindles', which it fills between,
// and the other way round every fillet would be cut from stock on edge. Common
// practice, no source.
func Odd(r survey.Reading) string {
	width, thick := unit.Length(r.Value.N[0]), unit.Length(r.Value.N[1])
	if r.What != survey.FilletSize || r.Value.Measure != survey.Section || thick <= width {
		return ""
	}
	return fmt.Sprintf("%s thick and %s wide? A fillet is width x thickness: read it again, or keep it", thick, width)
}

// odd says why a reading looks wrong by itself, or beside those the book holds, in
// one line, or nothing.
func (w *Walk) odd(r survey.Reading, again bool) string {
	if odd := Odd(r); odd != "" {
		return odd
	}
	key := id(r)
	v := r.Value.Value()
	if again {
		have := w.got[key]
		first := have[0].reading.Value.Value()
		return differs(r, v-first, repeats[r.Value.Measure], "the first time")
	}
	if r.What == survey.TotalRise || r.What == survey.TotalGoing {
		return w.oddTotal(r, v)
	}
	l, ok := likes[r.What]
	if !ok {
		return ""
	}
	others := w.values(key, r.Where, l.kinds)
	if len(others) == 0 && (r.What == survey.BaseAngle || r.What == survey.RailAngle) {
		l.name = "the string"
		others = w.values(key, survey.Place(r.Where.Flight()), []survey.What{survey.StringAngle})
	}
	if len(others) == 0 {
		return ""
	}
	return differs(r, v-median(others), l.limit, l.name)
}

// oddTotal holds a total against the sum of its steps, once all are read.
func (w *Walk) oddTotal(r survey.Reading, v float64) string {
	of := map[survey.What]survey.What{survey.TotalRise: survey.Rise, survey.TotalGoing: survey.Going}[r.What]
	sum, n := 0.0, 0
	for _, a := range w.asks {
		if a.q.Reading.Where != r.Where || a.q.Reading.What != of {
			continue
		}
		have := w.got[a.q.ID]
		if len(have) == 0 {
			return ""
		}
		sum += have[len(have)-1].reading.Value.Value()
		n++
	}
	if n == 0 {
		return ""
	}
	return differs(r, v-sum, closing*float64(n), "the steps together")
}

// values of the questions of some kinds at a place, but for one of them.
func (w *Walk) values(not string, where survey.Place, kinds []survey.What) []float64 {
	var vs []float64
	for _, a := range w.asks {
		if a.q.ID == not || a.q.Reading.Where != where || !slices.Contains(kinds, a.q.Reading.What) {
			continue
		}
		for _, h := range w.got[a.q.ID] {
			vs = append(vs, h.reading.Value.Value())
		}
	}
	return vs
}

func median(vs []float64) float64 {
	slices.Sort(vs)
	n := len(vs)
	return (vs[(n-1)/2] + vs[n/2]) / 2
}

// differs says by how much a reading stands off, when that is over the limit.
func differs(r survey.Reading, by, limit float64, than string) string {
	if math.Abs(by) <= limit {
		return ""
	}
	way := "more"
	if by < 0 {
		way = "less"
	}
	size := fmt.Sprintf("%.0f mm", math.Abs(by))
	switch u := r.Kind().Unit(); u {
	case "mm":
	case "°":
		size = fmt.Sprintf("%.1f°", math.Abs(by))
	default:
		size = fmt.Sprintf("%.1f %s", math.Abs(by), u)
	}
	return size + " " + way + " than " + than + ": read it again, or keep it"
}
