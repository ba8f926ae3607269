package stock

import (
	"cmp"
	"slices"
)

// groups is how many sorts of item a coarse problem has at least. The linear problem is quick up to there, and slow with
// a hundred pieces that are all a little different.
const groups = 16

// coarse takes items of nearly one size for one item, once of the largest size and once of the smallest. A plan for the
// larger is a plan for the real items; what is proven for the smaller holds for the real ones. of gives the items of
// each group.
func (p *problem) coarse() (larger, smaller *problem, of [][]int) {
	// Wedges may differ by what hardly matters in the shortest bar.
	var wedges []int64
	for _, it := range p.items {
		wedges = append(wedges, it.wedge)
	}
	as := gather(wedges, p.kinds[len(p.kinds)-1].room/500)
	byWedge := map[int64][]int{}
	for i, it := range p.items {
		byWedge[as[it.wedge]] = append(byWedge[as[it.wedge]], i)
	}
	for _, g := range byWedge {
		of = append(of, g)
	}
	// What a group loses by being taken for one, about.
	loss := func(g []int) int64 {
		pieces := 0
		for _, i := range g {
			pieces += p.items[i].need
		}
		return (p.items[g[0]].size - p.items[g[len(g)-1]].size) * int64(pieces)
	}
	byFirst := func(a, b []int) int { return cmp.Compare(a[0], b[0]) }
	slices.SortFunc(of, byFirst)
	for len(of) < groups {
		worst := 0
		for i, g := range of {
			if loss(g) > loss(of[worst]) {
				worst = i
			}
		}
		g := of[worst]
		middle := (p.items[g[0]].size + p.items[g[len(g)-1]].size) / 2
		at, _ := slices.BinarySearchFunc(g, middle, func(i int, m int64) int { return cmp.Compare(m, p.items[i].size) })
		if at == 0 || at == len(g) {
			break
		}
		of[worst] = g[:at:at]
		of = append(of, g[at:])
	}
	slices.SortFunc(of, byFirst)
	larger = &problem{kinds: p.kinds, minOffcut: p.minOffcut}
	smaller = &problem{kinds: p.kinds, minOffcut: p.minOffcut}
	for _, g := range of {
		l, s := p.items[g[0]], p.items[g[len(g)-1]]
		l.need = 0
		for _, i := range g {
			it := p.items[i]
			l.need += it.need
			if abs(it.wedge) > abs(l.wedge) {
				l.wedge = it.wedge
			}
			if abs(it.wedge) < abs(s.wedge) {
				s.wedge = it.wedge
			}
		}
		s.need = l.need
		larger.items = append(larger.items, l)
		smaller.items = append(smaller.items, s)
	}
	return larger, smaller, of
}

// refine puts the real items in the places of their groups.
func (p *problem) refine(plan []*pattern, of [][]int) []*pattern {
	var queue [][]int
	for _, g := range of {
		var q []int
		for _, i := range g {
			q = append(q, slices.Repeat([]int{i}, p.items[i].need)...)
		}
		queue = append(queue, q)
	}
	var out []*pattern
	for _, bar := range plan {
		count := map[int]int{}
		for _, t := range bar.terms {
			for range t.n {
				count[queue[t.item][0]]++
				queue[t.item] = queue[t.item][1:]
			}
		}
		var terms []term
		for i, n := range count {
			terms = append(terms, term{i, n})
		}
		slices.SortFunc(terms, func(a, b term) int { return cmp.Compare(a.item, b.item) })
		out = append(out, &pattern{kind: bar.kind, terms: terms})
	}
	return out
}
