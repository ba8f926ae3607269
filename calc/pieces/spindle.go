package pieces

import (
	"fmt"
	"math"
)

// Spindles are the pieces that stand at the stations, which are centre lines at the base rail in mm from the lower
// post's face, rising. width is their section in mm, square to the spindle. Each leans as its place between the posts
// asks, is as long as its centre line from rail to rail, and is cut at each end to the rail's pitch there:
//
//	bevel = atan(pitch) + atan(lean)
//
// The edges end where they meet the rails. A straight cut follows a bowed rail to within bow·(width/run)², 0.03 mm for
// 20 mm in 1 m under 40 mm. It fails with ErrInput for what is no bay, and with ErrNoRoom where the rails meet.
func Spindles(b Bay, stations []float64, width float64) ([]Piece, error) {
	if err := check(b, stations, width, 0); err != nil {
		return nil, fmt.Errorf("cutting spindles: %w", err)
	}
	base, hand := railOf{bay: b}, railOf{bay: b, hand: true}
	out := make([]Piece, 0, len(stations))
	for i, x := range stations {
		axis := upright(b, x)
		p := Piece{Kind: Spindle, Number: i + 1, X: x, Length: axis.cross(hand)}
		var foot, head [2]float64
		for side, d := range [2]float64{-width / 2, width / 2} {
			edge := axis.beside(d)
			foot[side], head[side] = edge.cross(base), edge.cross(hand)
		}
		_, footSlope := base.at(x)
		_, headSlope := hand.at(x + p.Length*axis.sin)
		lean := axis.angle()
		p.finish([2]Side{LowerEdge, UpperEdge}, [2]float64{math.Atan(footSlope) + lean, math.Atan(headSlope) + lean}, foot, head)
		if err := p.check(); err != nil {
			return nil, fmt.Errorf("cutting spindles: %w", err)
		}
		out = append(out, p)
	}
	return out, nil
}

// check refuses a piece without length, or whose figures are none.
func (p Piece) check() error {
	for _, length := range []float64{p.Length, p.Edges[0].Length, p.Edges[1].Length} {
		switch {
		case math.IsNaN(length) || math.IsInf(length, 0):
			return fmt.Errorf("%w: %s %d at %.1f mm has no length", ErrInput, p.Kind, p.Number, p.X)
		case length <= 0:
			return fmt.Errorf("%w for %s %d at %.1f mm: %.1f mm are left for it", ErrNoRoom, p.Kind, p.Number, p.X, length)
		}
	}
	return nil
}

// SpindleLengths are the centre-line lengths in mm of Spindles, without a check: figures that are no bay give NaN. It is
// for derivatives by differences; the width, which these lengths do not depend on, keeps its signature that of the
// fillets'.
func SpindleLengths(b Bay, stations []float64, _ float64) []float64 {
	hand := railOf{bay: b, hand: true}
	out := make([]float64, len(stations))
	for i, x := range stations {
		out[i] = upright(b, x).cross(hand)
	}
	return out
}
