package stock

import (
	"cmp"
	"math"
	"slices"
)

// lay gives each bar of the plan its pieces, in the order of the saw: by τ, then the longest first.
func (s *shop) lay(plan []*pattern) []Sawn {
	next := make([]int, len(s.items))
	out := make([]Sawn, 0, len(plan))
	drawn := make([]int, len(s.kinds))
	for _, p := range plan {
		b := Sawn{Bar: s.from[p.kind][drawn[p.kind]]}
		drawn[p.kind]++
		bar := s.bars[b.Bar]
		total := 0.0
		for _, t := range p.terms {
			for range t.n {
				i := s.of[t.item][next[t.item]]
				next[t.item]++
				b.Cuts = append(b.Cuts, Cut{Piece: i})
				total += s.pieces[i].Length
			}
		}
		slices.SortStableFunc(b.Cuts, func(x, y Cut) int {
			p, q := s.pieces[x.Piece], s.pieces[y.Piece]
			return cmp.Or(cmp.Compare(p.slope(), q.slope()), cmp.Compare(q.Length, p.Length), cmp.Compare(x.Piece, y.Piece))
		})
		x, slope := s.trim, 0.0
		for i := range b.Cuts {
			p := s.pieces[b.Cuts[i].Piece]
			x += bar.Width / 2 * math.Abs(math.Tan(p.Bevel[0])-slope)
			b.Cuts[i].From = x
			x += p.Length
			b.Cuts[i].To = x
			x += s.kerf / math.Cos(p.Bevel[1])
			slope = math.Tan(p.Bevel[1])
		}
		rest := s.kinds[p.kind].room - s.used(p)
		b.Rest = float64(rest) / perMM
		if s.kept(rest) {
			b.Offcut = b.Rest
		}
		b.Waste = bar.Length - total - b.Offcut
		out = append(out, b)
	}
	slices.SortStableFunc(out, func(a, b Sawn) int { return cmp.Compare(a.Bar, b.Bar) })
	return out
}
