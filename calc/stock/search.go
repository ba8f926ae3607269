package stock

import (
	"cmp"
	"container/heap"
	"math"
	"slices"
)

// search is branch and bound for one aim.
type search struct {
	*problem
	aim    aim
	bins   []bin
	orders [][]int // of items, for the greedy plans

	steps int // left
	pool  []*pattern
	queue queue
	sack  knapsack

	best  []*pattern
	cost  int64 // of the best plan; one more than any plan costs while there is none
	bound int64 // no plan costs less
	lost  int64 // the least bound of what could not be searched

	sums   []bool // what bars can cost together, up to the first plan; nil where that is too much to list
	births int
}

// node is what is left to plan once some bars are settled.
type node struct {
	need        []int
	most, least []int // how many bars of each kind may and must still be drawn; the last, how many with a rest to keep
	floor       int64 // what they cost at least, where waste counts,
	limit       int64 // and at most
	done        *chain
	banned      *chain // not to be used any more
	spent       int64  // what the settled bars cost
	bound       int64  // no plan under this node costs less
	born        int
}

// chain is a list of patterns that nodes share, the last first.
type chain struct {
	*pattern
	before *chain
}

func (c *chain) has(p *pattern) bool {
	for ; c != nil; c = c.before {
		if c.same(p) {
			return true
		}
	}
	return false
}

// queue has the node of the least bound first, and of those the youngest: the search then dives.
type queue []*node

func (q queue) Len() int      { return len(q) }
func (q queue) Swap(i, j int) { q[i], q[j] = q[j], q[i] }
func (q queue) Less(i, j int) bool {
	return cmp.Or(cmp.Compare(q[i].bound, q[j].bound), cmp.Compare(q[j].born, q[i].born)) < 0
}
func (q *queue) Push(n any) { *q = append(*q, n.(*node)) }
func (q *queue) Pop() any {
	last := len(*q) - 1
	n := (*q)[last]
	*q = (*q)[:last]
	return n
}

func newSearch(p *problem, a aim, steps int) *search {
	s := &search{problem: p, aim: a, bins: p.binsFor(a), steps: steps}
	byLength := make([]int, len(p.items))
	for i := range byLength {
		byLength[i] = i
	}
	byWedge := slices.Clone(byLength)
	slices.SortStableFunc(byWedge, func(i, j int) int { return cmp.Compare(abs(p.items[j].wedge), abs(p.items[i].wedge)) })
	s.orders = [][]int{byLength}
	if !slices.Equal(byLength, byWedge) {
		s.orders = append(s.orders, byWedge)
	}
	return s
}

func total(plan []*pattern) int64 {
	sum := int64(0)
	for _, p := range plan {
		sum += p.cost
	}
	return sum
}

// start finds plans without much search and proves what length alone proves. known is a plan to start from, or none.
func (s *search) start(known []*pattern) {
	n := &node{floor: s.aim.floor, limit: s.aim.limit, least: make([]int, len(s.kinds)+1)}
	for _, it := range s.items {
		n.need = append(n.need, it.need)
	}
	s.cost = 1
	for _, k := range s.kinds {
		n.most = append(n.most, k.count)
		if s.aim.waste {
			s.cost += k.length * int64(k.count)
		} else {
			s.cost += k.cost * int64(k.count)
		}
	}
	n.most = append(n.most, n.left())
	s.lost = math.MaxInt64
	if known != nil {
		s.finish(n, known)
	}
	s.greedy(n, s.steps/2)
	s.list()
	leave := s.steps / 2
	for y := range s.byVolume {
		if s.prove(n, y); s.steps <= leave {
			break
		}
	}
	s.push(n)
}

// run searches until the plan is proven or the steps are up, and leaves the best plan and its bound.
func (s *search) run() error {
	for len(s.queue) > 0 && s.steps > 0 {
		n := heap.Pop(&s.queue).(*node)
		for n != nil && n.bound < s.cost {
			if s.steps <= 0 {
				s.push(n)
				break
			}
			n = s.step(n)
		}
	}
	s.bound = min(s.cost, s.lost)
	for _, n := range s.queue {
		s.bound = min(s.bound, n.bound)
	}
	switch {
	case s.best != nil:
		return nil
	case s.bound >= s.cost:
		return ErrStock
	}
	return ErrSteps
}

// mostSums is how far sums are listed: 10 000 in hundredths. Of more kinds of bar than ten they go less far, as each
// is gone through for each kind; many kinds leave few gaps anyway.
const mostSums = 1_000_000

// list finds what bars can cost together. Between 9.50 and 12.20 a bar, say, nothing costs 40.
func (s *search) list() {
	if s.aim.waste || s.cost*int64(max(10, len(s.kinds))) > 10*mostSums {
		return
	}
	s.sums = make([]bool, s.cost+1)
	s.sums[0] = true
	for _, k := range s.kinds {
		for c := k.cost; c > 0 && c < int64(len(s.sums)); c++ {
			s.sums[c] = s.sums[c] || s.sums[c-k.cost]
		}
	}
}

// attainable is the least that bars can cost if they cost that much at least.
func (s *search) attainable(cost int64) int64 {
	if cost < 0 {
		return cost
	}
	for cost < int64(len(s.sums)) && !s.sums[cost] {
		cost++
	}
	return cost
}

func (s *search) push(n *node) {
	s.births++
	n.born = s.births
	heap.Push(&s.queue, n)
}

// step solves one node and splits it. The child that it gives is to be searched next; the others are queued.
func (s *search) step(n *node) *node {
	use := s.relax(n)
	if len(use) == 0 {
		return nil
	}
	if k, x := s.uneven(use); k >= 0 {
		fewer, more := *n, *n
		fewer.most, more.least = slices.Clone(n.most), slices.Clone(n.least)
		fewer.most[k], more.least[k] = int(math.Floor(x)), int(math.Ceil(x))
		next, other := &fewer, &more
		if x-math.Floor(x) > 0.5 {
			next, other = other, next
		}
		s.push(other)
		return next
	}
	// Whole bars of the solution are settled at once, and if there are none, one bar of the pattern used most. For each,
	// the node without that pattern stays to be searched.
	settled := false
	for _, u := range use {
		for range int(u.x + whole) {
			n, settled = s.settle(n, u.pattern), true
		}
	}
	if !settled {
		n = s.settle(n, use[0].pattern)
	}
	if n.left() == 0 {
		s.finish(n, nil)
		return nil
	}
	s.greedy(n, 0)
	return n
}

// whole is how near a count is to a whole number that it is one: the simplex is good to some 1e-9.
const whole = 1e-6

// uneven is a kind of bar of which the solution draws no whole number: the dearest part of one. -1 when there is none.
func (s *search) uneven(use []use) (kind int, x float64) {
	kind = -1
	if len(s.kinds) == 1 && s.minOffcut == 0 {
		return kind, 0
	}
	drawn := make([]float64, len(s.kinds)+1)
	for _, u := range use {
		for _, k := range s.counts(u.pattern) {
			drawn[k] += u.x
		}
	}
	most := whole
	for k, d := range drawn {
		if off := math.Abs(d - math.Round(d)); off > most {
			kind, x, most = k, d, off
		}
	}
	return kind, x
}

// counts are what a pattern counts to: its kind, and the bars with a rest to keep.
func (s *search) counts(p *pattern) []int {
	if p.keep {
		return []int{p.kind, len(s.kinds)}
	}
	return []int{p.kind}
}

// settle draws one bar for good and queues the node that never draws it.
func (s *search) settle(n *node, p *pattern) *node {
	without := *n
	without.banned = &chain{p, n.banned}
	s.push(&without)
	with := *n
	with.need, with.most, with.least = slices.Clone(n.need), slices.Clone(n.most), slices.Clone(n.least)
	for _, t := range p.terms {
		with.need[t.item] = max(0, with.need[t.item]-t.n)
	}
	for _, k := range s.counts(p) {
		with.most[k]--
		with.least[k] = max(0, with.least[k]-1)
	}
	with.floor -= s.kinds[p.kind].cost
	with.limit -= s.kinds[p.kind].cost
	with.spent += p.cost
	with.done = &chain{p, n.done}
	return &with
}

func (n *node) left() int {
	sum := 0
	for _, x := range n.need {
		sum += x
	}
	return sum
}

// finish makes a plan of the bars that are settled and the rest. What is cut too often is left out.
func (s *search) finish(n *node, rest []*pattern) {
	plan := slices.Clone(rest)
	for c := n.done; c != nil; c = c.before {
		plan = append(plan, c.pattern)
	}
	s.steps -= 10 * len(plan)
	need := make([]int, len(s.items))
	for i, it := range s.items {
		need[i] = it.need
	}
	left := make([]int, len(s.kinds))
	for k, kd := range s.kinds {
		left[k] = kd.count
	}
	cost := int64(0)
	kept := plan[:0]
	for _, p := range plan {
		var terms []term
		for _, t := range p.terms {
			if k := min(t.n, need[t.item]); k > 0 {
				terms = append(terms, term{t.item, k})
				need[t.item] -= k
			}
		}
		if len(terms) > 0 {
			kept = append(kept, s.pattern(s.aim, p.kind, terms))
			left[p.kind]--
			cost += s.kinds[p.kind].cost
		}
	}
	// Counts that were only nearly whole might draw a bar too many.
	if slices.Min(left) < 0 || s.aim.waste && cost > s.aim.limit {
		return
	}
	if c := total(kept); c < s.cost {
		s.best, s.cost = kept, c
	}
}
