package pieces

import (
	"fmt"
	"math"
)

// BaseFillets are the pieces that lie on the base rail between neighbours, one more than there are stations. Each is as
// long as the rail is clear between the two faces, and each end is cut to the face it stands against:
//
//	length = level clear gap / cos(atan pitch),  bevel = atan(pitch) + atan(lean of the face)
//
// with the pitch halfway between, which makes it the chord of a bowed rail. stations and width are those of Spindles;
// thickness is how far a fillet rises square off its rail in mm, or 0 where it does not matter: then both faces have the
// length of the rail face. It fails with ErrInput for what is no bay, and with ErrNoRoom where neighbours touch.
func BaseFillets(b Bay, stations []float64, width, thickness float64) ([]Piece, error) {
	return fillets(railOf{bay: b}, stations, width, thickness)
}

// RailFillets are the same under the handrail, where leaning neighbours have moved.
func RailFillets(b Bay, stations []float64, width, thickness float64) ([]Piece, error) {
	return fillets(railOf{bay: b, hand: true}, stations, width, thickness)
}

func fillets(r railOf, stations []float64, width, thickness float64) ([]Piece, error) {
	kind, sides, off := BaseFillet, [2]Side{RailFace, OpenFace}, [2]float64{0, thickness}
	if r.hand {
		// Under the handrail the opening is below, so its face is the one that a rising pitch makes long at the lower end.
		kind, sides, off = RailFillet, [2]Side{OpenFace, RailFace}, [2]float64{-thickness, 0}
	}
	if err := check(r.bay, stations, width, thickness); err != nil {
		return nil, fmt.Errorf("cutting %ss: %w", kind, err)
	}
	out := make([]Piece, 0, len(stations)+1)
	for i := range len(stations) + 1 {
		from, to := neighbours(r.bay, stations, width, i)
		c := chordBetween(r, from, to)
		p := Piece{Kind: kind, Number: i + 1, X: c.x + c.dx/2, Length: c.length()}
		pitch := math.Atan(c.dy / c.dx)
		bevels := [2]float64{pitch + from.angle(), pitch + to.angle()}
		var first, second [2]float64
		for side, d := range off {
			// A face leans by its bevel against the square of the fillet, so d off the rail it has moved by d·tan.
			first[side], second[side] = d*math.Tan(bevels[0]), p.Length+d*math.Tan(bevels[1])
		}
		p.finish(sides, bevels, first, second)
		if err := p.check(); err != nil {
			return nil, fmt.Errorf("cutting %ss: %w", kind, err)
		}
		out = append(out, p)
	}
	return out, nil
}

// neighbours are the two faces that fillet i, 0 first, lies between: of posts or of spindles.
func neighbours(b Bay, stations []float64, width float64, i int) (from, to line) {
	if i == 0 {
		from = upright(b, 0)
	} else {
		from = upright(b, stations[i-1]).beside(width / 2)
	}
	if i == len(stations) {
		to = upright(b, b.RunAt(0))
	} else {
		to = upright(b, stations[i]).beside(-width / 2)
	}
	return from, to
}

// chord is the straight line along a rail from one face to the next.
type chord struct{ x, dx, dy float64 }

func chordBetween(r railOf, from, to line) chord {
	s, t := from.cross(r), to.cross(r)
	x := from.x + s*from.sin
	return chord{
		x:  x,
		dx: to.x + t*to.sin - x,
		dy: to.y + t*to.cos - from.y - s*from.cos,
	}
}

// length is negative where the faces have crossed.
func (c chord) length() float64 { return math.Copysign(math.Hypot(c.dx, c.dy), c.dx) }

// BaseFilletLengths are the lengths in mm along the rail of BaseFillets, without a check: figures that are no bay give
// NaN, neighbours that overlap a negative length. It is for derivatives by differences.
func BaseFilletLengths(b Bay, stations []float64, width float64) []float64 {
	return filletLengths(railOf{bay: b}, stations, width)
}

// RailFilletLengths are those of RailFillets.
func RailFilletLengths(b Bay, stations []float64, width float64) []float64 {
	return filletLengths(railOf{bay: b, hand: true}, stations, width)
}

func filletLengths(r railOf, stations []float64, width float64) []float64 {
	out := make([]float64, len(stations)+1)
	for i := range out {
		from, to := neighbours(r.bay, stations, width, i)
		out[i] = chordBetween(r, from, to).length()
	}
	return out
}
