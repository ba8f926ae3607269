package stock

import (
	"cmp"
	"math"
	"slices"
)

// greedy packs what a node still needs bar after bar. It is how plans are found that the search only has to prove. It
// leaves so many steps to others, unless there is no plan yet: then each way to fill a bar is tried once.
func (s *search) greedy(n *node, leave int) {
	try := func(fit func(kind int, need []int) *pattern) {
		for prefer := -1; prefer < len(s.kinds); prefer++ {
			if s.steps <= leave && (s.best != nil || prefer >= 0) {
				return
			}
			if len(s.kinds) == 1 && prefer == 0 || s.cost <= n.bound {
				continue
			}
			if plan := s.pack(n, fit, prefer); plan != nil {
				s.finish(n, plan)
			}
		}
	}
	for _, order := range s.orders {
		try(func(kind int, need []int) *pattern { return s.firstFit(kind, order, need) })
	}
	try(s.fullest)
}

// pack draws the preferred kind of bar while it lasts, or with prefer < 0 the one that costs least for what it would
// hold, and fills each bar by the rule given.
func (s *search) pack(n *node, fit func(kind int, need []int) *pattern, prefer int) []*pattern {
	need := slices.Clone(n.need)
	left := slices.Clone(n.most)
	limit := n.limit
	var plan []*pattern
	for slices.ContainsFunc(need, func(n int) bool { return n > 0 }) {
		var bar *pattern
		ratio := math.Inf(1)
		for k, kd := range s.kinds {
			if left[k] == 0 || s.aim.waste && kd.cost > limit || prefer >= 0 && left[prefer] > 0 && k != prefer {
				continue
			}
			p := fit(k, need)
			if len(p.terms) == 0 {
				continue
			}
			if k == prefer {
				bar = p
				break
			}
			if r := float64(p.cost) / float64(s.used(p)); r < ratio {
				bar, ratio = p, r
			}
		}
		if bar == nil {
			return nil
		}
		for _, t := range bar.terms {
			need[t.item] -= t.n
		}
		left[bar.kind]--
		limit -= s.kinds[bar.kind].cost
		plan = append(plan, bar)
	}
	// A bar that is not full may be cut from another kind for less.
	for i, p := range plan {
		used := s.used(p)
		s.steps -= len(s.kinds)
		for k, kd := range s.kinds {
			if left[k] == 0 || kd.room < used || s.aim.waste && kd.cost > limit+s.kinds[plan[i].kind].cost {
				continue
			}
			if q := s.pattern(s.aim, k, p.terms); q.cost < plan[i].cost {
				limit += s.kinds[plan[i].kind].cost - kd.cost
				left[plan[i].kind]++
				left[k]--
				plan[i] = q
			}
		}
	}
	return plan
}

// firstFit fills a bar with the first of the order that still go.
func (s *search) firstFit(kind int, order, need []int) *pattern {
	s.steps -= 4 + len(order)/2
	var sum, most, least int64
	var terms []term
	for _, i := range order {
		if need[i] == 0 {
			continue
		}
		it := s.items[i]
		m, l := max(most, it.wedge), min(least, it.wedge)
		if n := min(int64(need[i]), (s.kinds[kind].room-sum-m+l)/it.size); n > 0 {
			sum += n * it.size
			most, least = m, l
			terms = append(terms, term{i, int(n)})
		}
	}
	slices.SortFunc(terms, func(a, b term) int { return cmp.Compare(a.item, b.item) })
	return s.pattern(s.aim, kind, terms)
}

// crumbs is how many steps fullest may take for a bar: most bars are full before.
const crumbs = 2000

// fullest takes the longest piece still wanted and fills the rest of the bar as fully as it can.
func (s *search) fullest(kind int, need []int) *pattern {
	s.steps -= 4 + 2*len(s.items)
	room := s.kinds[kind].room
	i := slices.IndexFunc(need, func(n int) bool { return n > 0 })
	long := s.items[i]
	b := bin{kind: kind, most: max(long.wedge, 0), least: min(long.wedge, 0)}
	// The longest decides the wedge, unless all pieces may lie in the bar at less than a hundredth of it.
	most, least := b.most, b.least
	for j, it := range s.items {
		if need[j] > 0 {
			most, least = max(most, it.wedge), min(least, it.wedge)
		}
	}
	if (most-least)*100 < room {
		b.most, b.least = most, least
	}
	b.room = room - b.most + b.least - long.size
	if b.room < 0 {
		return s.firstFit(kind, s.orders[0], need)
	}
	value := make([]int64, len(s.items))
	for j, it := range s.items {
		value[j] = it.size
	}
	need[i]--
	s.sack.fill(s.problem, b, need, value)
	need[i]++
	_, _, took := s.sack.search(b.room, 0, crumbs, func(*knapsack) bool { return false })
	s.steps -= took
	terms := s.sack.terms(s.sack.best)
	if at, ok := slices.BinarySearchFunc(terms, i, func(t term, i int) int { return cmp.Compare(t.item, i) }); ok {
		terms[at].n++
	} else {
		terms = slices.Insert(terms, at, term{i, 1})
	}
	return s.pattern(s.aim, kind, terms)
}
