package stock

import (
	"math"
	"testing"

	"pgregory.net/rapid"
)

// everyPlan calls f for every way to cut what a problem needs, once for each choice of bars.
func everyPlan(p *problem, a aim, f func(plan []*pattern)) {
	var pieces []int
	for i, it := range p.items {
		for range it.need {
			pieces = append(pieces, i)
		}
	}
	var sets [][]int // counts per item
	var choose func(plan []*pattern)
	choose = func(plan []*pattern) {
		if len(plan) == len(sets) {
			f(plan)
			return
		}
		var terms []term
		for i, n := range sets[len(plan)] {
			if n > 0 {
				terms = append(terms, term{i, n})
			}
		}
		for k, kd := range p.kinds {
			if q := p.pattern(a, k, terms); p.used(q) <= kd.room {
				choose(append(plan, q))
			}
		}
	}
	var place func(n int)
	place = func(n int) {
		if n == len(pieces) {
			choose(nil)
			return
		}
		for i := range sets {
			sets[i][pieces[n]]++
			place(n + 1)
			sets[i][pieces[n]]--
		}
		sets = append(sets, make([]int, len(p.items)))
		sets[len(sets)-1][pieces[n]]++
		place(n + 1)
		sets = sets[:len(sets)-1]
	}
	place(0)
}

// No plan under a node costs less than any duals prove, whatever the node allows; and the duals that relax finds do not
// prove less than the lengths alone.
func TestProve(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		p := &problem{minOffcut: rapid.SampledFrom([]int64{0, 300, 600}).Draw(t, "keep")}
		left := rapid.IntRange(1, 5).Draw(t, "pieces")
		for total := left; total > 0; {
			it := item{
				size:  rapid.Int64Range(100, 700).Draw(t, "size"),
				wedge: rapid.SampledFrom([]int64{0, 0, 50, -20}).Draw(t, "wedge"),
				need:  rapid.IntRange(1, total).Draw(t, "need"),
			}
			total -= it.need
			p.items = append(p.items, it)
		}
		for range rapid.IntRange(1, 3).Draw(t, "kinds") {
			length := rapid.Int64Range(750, 1500).Draw(t, "length")
			p.kinds = append(p.kinds, kind{
				length: length, room: length - rapid.Int64Range(0, 20).Draw(t, "trim"),
				cost: rapid.Int64Range(0, 5).Draw(t, "cost"), count: left,
			})
		}
		a := aim{waste: rapid.Bool().Draw(t, "waste")}
		if a.waste {
			a.floor, a.limit = rapid.Int64Range(0, 5).Draw(t, "floor"), rapid.Int64Range(5, 25).Draw(t, "limit")
		}
		n := &node{bound: math.MinInt64, floor: a.floor, limit: a.limit}
		for _, it := range p.items {
			n.need = append(n.need, it.need)
		}
		for range len(p.kinds) + 1 {
			n.least = append(n.least, rapid.SampledFrom([]int{0, 0, 0, 1, 2}).Draw(t, "least"))
			n.most = append(n.most, rapid.SampledFrom([]int{0, 1, 2, left, left, left}).Draw(t, "most"))
		}
		if !a.waste {
			n.least[len(p.kinds)], n.most[len(p.kinds)] = 0, left // nothing counts as kept where cost is the aim
		}

		best := int64(math.MaxInt64)
		everyPlan(p, a, func(plan []*pattern) {
			drawn, cost := make([]int, len(p.kinds)+1), int64(0)
			for _, q := range plan {
				if !a.waste && p.outdone(q.kind) {
					return // some plan without such bars is as good
				}
				drawn[q.kind]++
				cost += p.kinds[q.kind].cost
				if q.keep {
					drawn[len(p.kinds)]++
				}
			}
			for k, d := range drawn {
				if d < n.least[k] || d > n.most[k] {
					return
				}
			}
			if !a.waste || cost >= a.floor && cost <= a.limit {
				best = min(best, total(plan))
			}
		})

		s := newSearch(p, a, 1_000_000)
		s.cost = 1_000_000
		figure := rapid.SampledFrom([]float64{0, 0, 0.5, 1, 2, 300, 700, 1000})
		y := s.zero()
		for i := range y.item {
			y.item[i] = figure.Draw(t, "π")
		}
		for k := range n.most {
			y.most[k], y.least[k] = figure.Draw(t, "μ"), figure.Draw(t, "ν")
		}
		if a.waste {
			y.floor, y.limit = figure.Draw(t, "κ"), figure.Draw(t, "λ")
		}
		s.prove(n, y)
		if n.bound > best {
			t.Fatalf("these duals prove %d, there is a plan of %d", n.bound, best)
		}
		n.bound = math.MinInt64
		s.relax(n)
		if n.bound > best {
			t.Fatalf("the linear problem proves %d, there is a plan of %d", n.bound, best)
		}
		lp := n.bound
		for y := range s.byVolume {
			s.prove(n, y)
		}
		if n.bound > lp && best < math.MaxInt64 {
			t.Fatalf("the linear problem proves %d, length alone %d; there is a plan of %d", lp, n.bound, best)
		}
	})
}
