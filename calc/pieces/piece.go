// Package pieces gives the spindles and fillets of a bay as they are cut.
//
// Everything is found by meeting straight lines that lean (faces of posts, edges and centre lines of spindles) with the
// two rails, which may be bowed. Lengths are in mm, leans are tan, angles are in radians.
package pieces

// Kind is what a piece is.
type Kind uint8

// Kinds of piece.
const (
	Spindle    Kind = iota + 1 // stands between the rails
	BaseFillet                 // lies on the base rail between neighbours
	RailFillet                 // lies under the handrail between neighbours
)

func (k Kind) String() string {
	switch k {
	case Spindle:
		return "spindle"
	case BaseFillet:
		return "base fillet"
	case RailFillet:
		return "rail fillet"
	}
	return "no piece"
}

// Side is one of the two long sides of a piece seen square to the bay.
type Side uint8

// Sides of a piece: the edges of a spindle face the posts, the faces of a fillet its rail and the opening.
const (
	Neither Side = iota
	LowerEdge
	UpperEdge
	RailFace
	OpenFace
)

func (s Side) String() string {
	switch s {
	case LowerEdge:
		return "downhill side"
	case UpperEdge:
		return "uphill side"
	case RailFace:
		return "rail face"
	case OpenFace:
		return "open face"
	}
	return "neither"
}

// End is how a piece is cut off.
type End struct {
	// Bevel is what the saw's dial reads, from a square cut: + as on a stair that rises away from the lower post.
	Bevel     float64
	LongPoint Side // the side that reaches farther at this end; Neither when the cut is square
}

// Edge is a long side of a piece, from cut to cut.
type Edge struct {
	Side   Side
	Length float64
}

// Piece is one spindle or fillet.
type Piece struct {
	Kind   Kind
	Number int     // from the lower post, 1 first
	X      float64 // its middle at its rail (a spindle's at the base rail), level from the lower post's face

	Length float64 // what it must fill: a spindle along its centre line, a fillet along its rail
	Edges  [2]Edge
	Ends   [2]End  // a spindle's at the base rail and the handrail, a fillet's to the lower and the upper post
	Blank  float64 // long point to long point: the least that the piece is cut from

	// Stop is the setting of the saw's stop for the second cut: from the long point of the first end, which touches the
	// stop, along its own side.
	Stop float64
}

// square is a bevel that no saw and no eye can tell from a square cut: over a metre it opens 1e-6 mm. What is smaller is
// rounding, and must not choose a long point.
const square = 1e-9

// finish fills in what follows from the sides. first and second are where the two cuts meet each side, along the
// piece; the sides are so ordered that a positive bevel has its long points on sides[0] first and on sides[1] second.
func (p *Piece) finish(sides [2]Side, bevels, first, second [2]float64) {
	for i, side := range sides {
		p.Edges[i] = Edge{Side: side, Length: second[i] - first[i]}
	}
	long := [2]int{-1, -1} // which side has the long point at each end
	for end, bevel := range bevels {
		p.Ends[end].Bevel = bevel
		switch {
		case bevel > square:
			long[end] = end
		case bevel < -square:
			long[end] = 1 - end
		}
		if long[end] >= 0 {
			p.Ends[end].LongPoint = sides[long[end]]
		}
	}
	p.Blank = max(second[0], second[1]) - min(first[0], first[1])
	p.Stop = p.Edges[max(long[0], 0)].Length
}
