package cutting

import (
	"fmt"
	"math"
	"strings"

	"pinchrod/calc/pieces"
	"pinchrod/survey/asfound"
	"pinchrod/survey/report/figure"
)

// stock is what a kind of piece is cut from, and how its ends are cut off.
type stock struct {
	kind    pieces.Kind
	section string    // as read, empty when it was not
	read    []float64 // its sides as read, mm
	across  float64   // mm in the plane of the bay: a spindle's width, a fillet's thickness; 0 when not read
	turned  bool      // has a foot and a head
	square  [2]bool   // which ends are left square, the low end first
}

// size is the section as a rule has it: "41 x 41 mm", "1 5/8 x 1 5/8 in".
func (s stock) size(r figure.Rule) string {
	if !r.Inches || s.section == "" {
		return s.section
	}
	sides := make([]string, len(s.read))
	for i, mm := range s.read {
		sides[i] = r.Length(mm)
	}
	return r.With(strings.Join(sides, " x "))
}

// dialStep is how finely a mitre saw's scale is read, degrees; common practice,
// no source.
const dialStep = 0.1

// Cut is one end of a piece as the saw cuts it.
type Cut struct {
	Dial float64     // degrees from a square cut, to a tenth
	Long pieces.Side // the side with the long point; Neither at a square cut
}

// FromEdge is what a dial reads that counts from the edge.
func (c Cut) FromEdge() float64 { return 90 - c.Dial }

// shape is a piece as the saw makes it.
type shape struct {
	ends  [2]Cut
	edges [2]pieces.Edge
	blank float64 // long point to long point
	stop  float64 // from the long point of the low end along side
	side  pieces.Side
	open  [2]float64 // what a square end leaves open, mm
}

// sides of a piece, as calc/pieces has them: with a positive bevel the first
// has the long point at the low end, the second at the high end. off is how far
// each lies from the line that the needed length counts along.
func (s stock) sides() (sides [2]pieces.Side, off [2]float64) {
	switch s.kind {
	case pieces.BaseFillet:
		return [2]pieces.Side{pieces.RailFace, pieces.OpenFace}, [2]float64{0, s.across}
	case pieces.RailFillet:
		return [2]pieces.Side{pieces.OpenFace, pieces.RailFace}, [2]float64{-s.across, 0}
	}
	return [2]pieces.Side{pieces.LowerEdge, pieces.UpperEdge}, [2]float64{-s.across / 2, s.across / 2}
}

// noBevel is the bevel, in radians, below which a cut is square, as in
// calc/pieces: what is smaller is rounding, and must not choose a long point.
const noBevel = 1e-9

// shape gives the piece of a needed length in mm between two bevels in radians:
//
//	side at d: from d·tan(low) to length + d·tan(high)
//
// An end that is left square stops at the first side that it meets there, and
// stands open by the difference at the other.
func (s stock) shape(length float64, bevels [2]float64) shape {
	sides, off := s.sides()
	tan := [2]float64{math.Tan(bevels[0]), math.Tan(bevels[1])}
	at := [2][2]float64{} // by end, by side
	for i, d := range off {
		at[0][i], at[1][i] = d*tan[0], length+d*tan[1]
	}
	var out shape
	long := [2]int{-1, -1}
	for end, b := range bevels {
		switch {
		case s.square[end]:
			out.open[end] = math.Abs(at[end][0] - at[end][1])
			meets := max(at[0][0], at[0][1])
			if end == 1 {
				meets = min(at[1][0], at[1][1])
			}
			at[end] = [2]float64{meets, meets}
			continue
		case b > noBevel:
			long[end] = end
		case b < -noBevel:
			long[end] = 1 - end
		}
		out.ends[end].Dial = math.Abs(b) * 180 / math.Pi
		if long[end] >= 0 {
			out.ends[end].Long = sides[long[end]]
		}
	}
	for i, side := range sides {
		out.edges[i] = pieces.Edge{Side: side, Length: at[1][i] - at[0][i]}
	}
	out.blank = max(at[1][0], at[1][1]) - min(at[0][0], at[0][1])
	on := out.edges[max(long[0], 0)]
	out.stop, out.side = on.Length, on.Side
	return out
}

// dialled is the bevel nearest to b, in radians, that the saw's scale shows.
func dialled(b float64) float64 {
	return round(b*180/math.Pi, dialStep) * math.Pi / 180
}

// round gives the multiple of a step nearest to v.
func round(v, step float64) float64 {
	return multiple(math.Round(v/step), step)
}

// multiple is n steps. A step of 1/k with a whole k leaves a decimal that prints
// as such.
func multiple(n, step float64) float64 {
	if k := math.Round(1 / step); math.Abs(k*step-1) < 1e-9 {
		return n / k
	}
	return n * step
}

// roundUp gives the least multiple of a step that is not below v; a nanometre is
// rounding of the arithmetic.
func roundUp(v, step float64) float64 { return multiple(math.Ceil((v-1e-6)/step), step) }

// squareEnds says which ends a style of fillet leaves square. With one bevelled
// end it is the one whose gap would be seen: where the long point is on the open
// face, a square end stands open there, else behind, against the rail. Of two
// alike it is the wider, then the high end.
func (s *stock) squareEnds(style asfound.FilletEnds, bevels [2]float64) {
	if s.kind == pieces.Spindle {
		return
	}
	switch style {
	case asfound.SquareEnded:
		s.square = [2]bool{true, true}
	case asfound.OneBevelled:
		seen := [2]float64{}
		for i, c := range s.shape(1, bevels).ends {
			if seen[i] = c.Dial; c.Long == pieces.OpenFace {
				seen[i] += 90
			}
		}
		s.square = [2]bool{seen[0] <= seen[1], seen[0] > seen[1]}
	}
}

// alikeEnds says of a piece that it may go in either way.
const alikeEnds = "no up or down: the ends are alike"

// hand says how a piece goes into the saw and into its place.
func (s stock) hand(ends [2]Cut) string {
	switch {
	case s.turned:
		return "foot down"
	case ends[0].Long == pieces.Neither && ends[1].Long == pieces.Neither:
		return alikeEnds
	case ends[0].Dial == ends[1].Dial && ends[0].Long != ends[1].Long:
		return alikeEnds // half a turn in its plane brings it onto itself
	}
	return "mark the " + EndNames(s.kind)[0]
}

// EndNames are what the two ends of a kind are called, the one towards the lower
// post first: a spindle stands on its foot, a fillet lies along its rail.
func EndNames(k pieces.Kind) [2]string {
	if k == pieces.Spindle {
		return [2]string{"foot", "head"}
	}
	return [2]string{"downhill end", "uphill end"}
}

// points says where the long points are.
func points(k pieces.Kind, low, high Cut) string {
	end := EndNames(k)
	switch {
	case low.Long == pieces.Neither && high.Long == pieces.Neither:
		return "both ends square"
	case low.Long == pieces.Neither:
		return fmt.Sprintf("%s square, long point of the %s on the %s", end[0], end[1], high.Long)
	case high.Long == pieces.Neither:
		return fmt.Sprintf("long point of the %s on the %s, %s square", end[0], low.Long, end[1])
	}
	return fmt.Sprintf("long point of the %s on the %s, of the %s on the %s", end[0], low.Long, end[1], high.Long)
}
