package stock

import (
	"cmp"
	"errors"
	"slices"
)

// problem is one section in whole numbers: lengths in µm, costs in the smallest unit that divides them all.
type problem struct {
	items     []item // longest first
	kinds     []kind // longest first
	minOffcut int64  // 0 keeps none
}

// item is all pieces that take the same of a bar.
type item struct {
	size  int64
	wedge int64 // w·τ: what the bar loses, with a sign
	need  int
}

// kind is all bars that give the same at the same cost.
type kind struct {
	length, room int64 // of the bar, and of it less the trim
	cost         int64
	count        int
}

// pattern is a way to cut one bar. It is never changed once made.
type pattern struct {
	kind  int
	keep  bool   // its rest, where that counts
	terms []term // by item
	cost  int64  // by the aim that it was made for
}

type term struct{ item, n int }

func (p *pattern) same(q *pattern) bool {
	return p.kind == q.kind && p.keep == q.keep && slices.Equal(p.terms, q.terms)
}

// used is what a pattern takes of its bar's room.
func (p *problem) used(q *pattern) int64 {
	var sum, most, least int64
	for _, t := range q.terms {
		it := p.items[t.item]
		sum += it.size * int64(t.n)
		most, least = max(most, it.wedge), min(least, it.wedge)
	}
	return sum + most - least
}

func (p *problem) kept(rest int64) bool { return p.minOffcut > 0 && rest >= p.minOffcut }

// answer is a plan and what is proven of it.
type answer struct {
	bars              []*pattern
	cost, bound       int64
	waste, wasteBound int64 // of bars drawn less offcuts kept: the pieces themselves are in it
}

// plan finds the least cost, then among the plans of that cost the least waste.
func (p *problem) plan(steps int) (answer, error) {
	first, err := p.solve(aim{}, nil, steps)
	if err != nil {
		return answer{}, err
	}
	second, err := p.solve(aim{waste: true, floor: first.bound, limit: first.cost}, first.best, steps)
	if err != nil {
		return answer{}, err
	}
	a := answer{bars: second.best, bound: first.bound, waste: second.cost, wasteBound: second.bound}
	// Where the first aim was not proven the second may have met a plan that costs even less.
	for _, b := range a.bars {
		a.cost += p.kinds[b.kind].cost
	}
	return a, nil
}

// solve searches for one aim. Where there are many items, coarse problems that are quick often settle it.
func (p *problem) solve(a aim, known []*pattern, steps int) (*search, error) {
	s := newSearch(p, a, steps)
	s.start(known)
	if root := s.queue[0]; root.bound < s.cost && len(p.items) > groups*3/2 {
		larger, smaller, of := p.coarse()
		up := newSearch(larger, a, steps/4)
		up.start(nil)
		if up.run() == nil {
			s.finish(root, p.refine(up.best, of))
		}
		down := newSearch(smaller, a, steps/2)
		down.start(nil)
		if err := down.run(); errors.Is(err, ErrStock) {
			return nil, err
		}
		root.bound = max(root.bound, down.bound)
		s.steps -= steps/4 - up.steps + steps/2 - down.steps
	}
	return s, s.run()
}

// aim is what a search makes least: the cost, or the waste of plans that cost no more than the limit. No plan costs less
// than the floor.
type aim struct {
	waste        bool
	floor, limit int64
}

// bin is a kind of bar as one pattern may use it: which pieces may lie in it, and what it costs.
type bin struct {
	kind  int
	most  int64 // no piece has a larger wedge,
	least int64 // nor a smaller
	room  int64 // for the pieces, once the wedges are off
	cost  int64
	keep  bool // the rest, so that it costs what its pieces take of it and no more
}

func (b bin) admits(it item) bool {
	return it.wedge <= b.most && it.wedge >= b.least && it.size <= b.room
}

// binsFor are all that an aim has to look at. A kind of bar has one for each pair of wedges, since the steepest piece on it
// decides what it loses; and where waste counts, one more each that keeps its rest.
func (p *problem) binsFor(a aim) []bin {
	most, least := []int64{0}, []int64{0}
	for _, it := range p.items {
		most, least = append(most, max(it.wedge, 0)), append(least, min(it.wedge, 0))
	}
	slices.Sort(most)
	slices.SortFunc(least, func(a, b int64) int { return cmp.Compare(b, a) })
	most, least = slices.Compact(most), slices.Compact(least)
	var out []bin
	for k, kd := range p.kinds {
		if !a.waste && p.outdone(k) {
			continue
		}
		for _, m := range most {
			for _, l := range least {
				b := bin{kind: k, most: m, least: l, room: kd.room - m + l, cost: kd.cost}
				if a.waste {
					b.cost = kd.length
				}
				if b.room > 0 {
					out = append(out, b)
				}
				if a.waste && p.minOffcut > 0 && b.room > p.minOffcut {
					b.room -= p.minOffcut
					b.cost, b.keep = kd.length-kd.room+m-l, true
					out = append(out, b)
				}
			}
		}
	}
	return slices.DeleteFunc(out, func(b bin) bool { return !slices.ContainsFunc(p.items, b.admits) })
}

// outdone says that another kind is no shorter, no dearer, and never short in number: where only cost counts, this one
// is not needed. Of two that outdo each other the first stays.
func (p *problem) outdone(k int) bool {
	total := 0
	for _, it := range p.items {
		total += it.need
	}
	for j, o := range p.kinds {
		if j == k || o.count < total || o.room < p.kinds[k].room || o.cost > p.kinds[k].cost {
			continue
		}
		if j < k || o.room > p.kinds[k].room || o.cost < p.kinds[k].cost {
			return true
		}
	}
	return false
}

// pattern makes one for an aim, and keeps its rest when that is long enough.
func (p *problem) pattern(a aim, kind int, terms []term) *pattern {
	k := p.kinds[kind]
	q := &pattern{kind: kind, terms: terms, cost: k.cost}
	if a.waste {
		q.cost = k.length
		if rest := k.room - p.used(q); p.kept(rest) {
			q.keep, q.cost = true, k.length-rest
		}
	}
	return q
}
