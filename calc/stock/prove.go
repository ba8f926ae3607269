package stock

import (
	"cmp"
	"math"
	"slices"
)

// duals are what the rows of the master are worth. Any that are not negative give a bound.
type duals struct {
	item        []float64
	most, least []float64 // by the counts of a node
	floor       float64   // for the cost that it must reach
	limit       float64   // and must not exceed
}

// patience is how many steps a single search for a pattern may take: a few milliseconds. When it is cut short the
// continuous bound serves, a little weaker.
const patience = 200_000

// prove raises the bound of a node by what these duals prove, and gives the patterns that would lower their solution.
//
// With whole numbers π, μ, ν, κ, λ ≥ 0 for the rows of the master, every plan that draws at most u of each kind costs at
// least (Lagrange)
//
//	Σ need·π − Σ most·μ + Σ least·ν + floor·κ − limit·λ + Σ u·min(0, cost + μ − ν + price·(λ − κ) − best π·n over patterns n).
//
// The duals are scaled by a power of two and rounded down, so all of this is exact.
func (s *search) prove(n *node, y duals) []*pattern {
	left := n.left()
	u := make([]int64, len(s.kinds))
	total := y.limit*math.Abs(float64(n.limit)) + y.floor*math.Abs(float64(n.floor))
	for i, need := range n.need {
		total += y.item[i] * float64(need)
	}
	for k, kd := range s.kinds {
		u[k] = int64(min(n.most[k], left))
		if cost := kd.cost; !s.aim.waste && cost > 0 {
			u[k] = max(0, min(u[k], (s.cost-1-n.spent)/cost))
		} else if cost > 0 {
			u[k] = max(0, min(u[k], n.limit/cost))
		}
		total += float64(u[k]) * (y.limit + y.floor) * float64(kd.cost)
	}
	for k := range n.most {
		total += float64(min(n.most[k], left)) * (y.most[k] + y.least[k])
	}
	for _, b := range s.bins {
		total = max(total, float64(b.cost)*float64(u[b.kind]+1))
	}
	// Every value below stays under 2^51 then, where float64 is exact as well, and its thousandfold under 2^62.
	scale := math.Exp2(math.Floor(50 - math.Log2(max(total, 1))))
	if scale < 1 {
		return nil
	}
	scaled := func(x float64) int64 { return int64(max(x, 0) * scale) }
	slack := int64(math.Ceil(2 * reduced * scale * s.dearest()))

	value := make([]int64, len(s.items))
	less := make([]int64, len(s.items)) // of bins where length costs
	bound := n.floor*scaled(y.floor) - n.limit*scaled(y.limit)
	for i, need := range n.need {
		value[i] = scaled(y.item[i])
		less[i] = value[i] - int64(scale)*s.items[i].size
		bound += int64(need) * value[i]
	}
	gain := make([]int64, len(s.bins)) // at least what one more pattern of the bin costs, once the duals have paid for it
	var found []*pattern
	for i, b := range s.bins {
		if u[b.kind] == 0 || b.keep && n.most[len(s.kinds)] == 0 {
			continue
		}
		cost := int64(scale)*b.cost + scaled(y.most[b.kind]) - scaled(y.least[b.kind]) + s.kinds[b.kind].cost*(scaled(y.limit)-scaled(y.floor))
		v := value
		if b.keep {
			v = less
			cost += scaled(y.most[len(s.kinds)]) - scaled(y.least[len(s.kinds)])
		}
		s.sack.fill(s.problem, b, n.need, v)
		most, ok, took := s.sack.solve(b.room, cost+slack, min(patience, max(s.steps, 0)), func(k *knapsack) bool {
			return n.banned != nil && n.banned.has(&pattern{kind: b.kind, keep: b.keep, terms: k.terms(k.n)})
		})
		s.steps -= took + 4*len(s.items)
		gain[i] = cost - most
		if ok {
			p := &pattern{kind: b.kind, keep: b.keep, terms: s.fuller(n, b, s.sack.terms(s.sack.best)), cost: b.cost}
			if b.keep {
				p.cost = s.kinds[b.kind].length - s.kinds[b.kind].room + s.used(p)
			}
			found = append(found, p)
		}
	}
	for k := range n.most {
		bound += int64(n.least[k])*scaled(y.least[k]) - int64(n.most[k])*scaled(y.most[k])
	}
	// Smaller duals may prove more as long as patterns are missing. With all of them times t, a bin's gain is at least
	// (1−t)·cost + t·gain, being concave in t; so no other pattern is asked for. A thousandth is fine enough for t.
	const parts, far = 1 << 10, int64(1) << 61
	most := int64(math.MinInt64)
	worst := make([]int64, len(s.kinds))
	try := func(t int64) {
		s.steps -= (len(s.bins) + len(s.kinds)) / 8
		clear(worst)
		for i, b := range s.bins {
			worst[b.kind] = min(worst[b.kind], (parts-t)*int64(scale)*b.cost+t*gain[i])
		}
		sum := t * bound
		for k, w := range worst {
			// The duals of a first round can be so bad that this leaves the range; then they prove nothing anyway.
			if u[k] > 0 && w < -far/u[k] || sum < -far {
				return
			}
			sum += u[k] * w
		}
		most = max(most, sum)
	}
	try(parts)
	var tried [parts + 1]bool
	for i, b := range s.bins {
		if gain[i] >= 0 || s.steps <= 0 {
			continue
		}
		cost := int64(scale) * b.cost
		if t := int64(float64(cost) / float64(cost-gain[i]) * parts); !tried[t] {
			tried[t] = true
			try(t)
		}
	}
	n.bound = max(n.bound, n.spent+s.attainable(ceilDiv(most, int64(scale)*parts)))
	return found
}

func ceilDiv(a, b int64) int64 {
	if a > 0 {
		return (a + b - 1) / b
	}
	return a / b
}

// dearest is what the dearest bar costs, or 1 when all are free.
func (s *search) dearest() float64 {
	most := int64(1)
	for _, b := range s.bins {
		most = max(most, b.cost)
	}
	return float64(most)
}

// fuller adds items that are worth nothing to the duals but may as well lie in the bar.
func (s *search) fuller(n *node, b bin, terms []term) []term {
	if b.keep {
		return terms
	}
	count := make([]int, len(s.items))
	room := b.room
	for _, t := range terms {
		count[t.item] = t.n
		room -= int64(t.n) * s.items[t.item].size
	}
	var full []term
	for i, it := range s.items {
		if more := min(int64(n.need[i]-count[i]), room/it.size); more > 0 && b.admits(it) {
			count[i] += int(more)
			room -= more * it.size
		}
		if count[i] > 0 {
			full = append(full, term{i, count[i]})
		}
	}
	if n.banned.has(&pattern{kind: b.kind, keep: b.keep, terms: full}) {
		return terms
	}
	return full
}

// byVolume gives the duals that value a piece by its length alone: where cost counts, for each kind of bar as if that
// were the dearest that is worth drawing, the dearest for its length first. Free bars make them all 0, which once is
// enough.
func (s *search) byVolume(yield func(duals) bool) {
	at := func(rate float64) duals {
		y := s.zero()
		for i, it := range s.items {
			y.item[i] = rate * float64(it.size)
		}
		return y
	}
	if s.aim.waste {
		yield(at(1))
		return
	}
	rates := make([]float64, len(s.kinds))
	for k, kd := range s.kinds {
		rates[k] = float64(kd.cost) / float64(kd.room)
	}
	slices.SortFunc(rates, func(a, b float64) int { return cmp.Compare(b, a) })
	for _, rate := range slices.Compact(rates) {
		y := at(rate)
		for i, k := range s.kinds {
			y.most[i] = max(0, rate*float64(k.room)-float64(k.cost))
		}
		if !yield(y) {
			return
		}
	}
}

func (s *search) zero() duals {
	return duals{item: make([]float64, len(s.items)), most: make([]float64, len(s.kinds)+1), least: make([]float64, len(s.kinds)+1)}
}
