package stock

import (
	"cmp"
	"math"
	"slices"
)

// A length in mm has come through a few sums and products of float64, each good to 1e6·2⁻⁵² = 2e-10 mm: what is within
// a nanometre of a whole micrometre is that micrometre.
const nano = 1e-3 // µm

func up(mm float64) int64   { return int64(math.Ceil(mm*perMM - nano)) }
func down(mm float64) int64 { return int64(math.Floor(mm*perMM + nano)) }

// take is how much of a bar the piece needs, in µm: the formula at Piece.
func (p Piece) take(width, kerf float64) int64 {
	skew := math.Abs(math.Tan(p.Bevel[1]) - math.Tan(p.Bevel[0]))
	steeper := max(math.Abs(p.Bevel[0]), math.Abs(p.Bevel[1]))
	return up(p.Length + width/2*skew + kerf/math.Cos(steeper))
}

// slope is τ of a piece.
func (p Piece) slope() float64 {
	lo, hi := min(p.Bevel[0], p.Bevel[1]), max(p.Bevel[0], p.Bevel[1])
	return math.Tan(max(lo, min(hi, 0)))
}

// wedge is w·τ in µm, away from 0.
func (p Piece) wedge(width float64) int64 {
	x := width * p.slope()
	return up(max(x, 0)) - up(max(-x, 0))
}

// oneBevel is how much less a wedge may be than the largest of those it counts as, in µm: see Piece.
const oneBevel = 500

func abs(x int64) int64 { return max(x, -x) }

// gather takes wedges of one sign that are nearly the same for the largest of them.
func gather(wedge []int64, nearly int64) map[int64]int64 {
	sorted := slices.Clone(wedge)
	slices.SortFunc(sorted, func(a, b int64) int { return cmp.Or(cmp.Compare(abs(b), abs(a)), cmp.Compare(a, b)) })
	as := map[int64]int64{}
	var lead [2]int64 // of the wedges above and below 0
	for _, x := range sorted {
		if x == 0 {
			as[x] = 0
			continue
		}
		l := &lead[0]
		if x < 0 {
			l = &lead[1]
		}
		if abs(*l)-abs(x) >= nearly || *l == 0 {
			*l = x
		}
		as[x] = *l
	}
	return as
}
