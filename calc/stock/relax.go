package stock

import (
	"cmp"
	"math"
	"slices"
)

// use is how often a solution of the master draws a pattern.
type use struct {
	*pattern
	x float64
}

// mostRows is how large a master is solved. Its inverse has rows² numbers, 8 MB, and it takes some rows³/16 steps; a rack
// of more kinds of bars, each counted, is left to the greedy plans and to what length alone proves.
const mostRows = 1000

// relax solves the linear problem of a node over all patterns, those used most first. It gives nothing when the node is
// done with: no better plan is under it, or it waits in the queue for more steps.
func (s *search) relax(n *node) []use {
	m := s.newMaster(n)
	if len(m.rows) > mostRows {
		s.steps = 0
		s.push(n)
		return nil
	}
	m.reset()
	taken := 0
	for first := true; ; first = false {
		pivots := m.optimise()
		s.steps -= m.steps - taken
		taken = m.steps
		found := s.prove(n, s.dualsOf(m))
		value, lacking := m.value()
		switch {
		case n.bound >= s.cost:
			return nil
		case s.steps <= 0:
			s.push(n)
			return nil
		case lacking < whole && s.attainable(int64(math.Ceil(value*(1-reduced)-whole))) <= n.bound-n.spent:
			return m.solution() // more patterns would not raise the bound
		}
		if len(found) > 0 && (pivots > 0 || first) {
			for _, p := range found {
				m.add(p)
			}
			s.pool = append(s.pool, found...)
			continue
		}
		// The rows may be impossible to meet: then a high enough price for missing them proves it. Where it does not, as the
		// searches for patterns were cut short, the node is split like any other.
		if lacking < whole || m.big > 1e6 {
			use := m.solution()
			if len(use) == 0 {
				s.lost = min(s.lost, n.bound)
			}
			return use
		}
		m.big *= 16
	}
}

// newMaster holds the patterns of the pool that the node may use.
func (s *search) newMaster(n *node) *master {
	m := &master{scale: s.dearest(), big: 4, limit: -1, most: make([]int, len(n.most)), least: make([]int, len(n.most))}
	for _, need := range n.need {
		m.rows = append(m.rows, float64(need))
	}
	left := n.left()
	want := func(on bool, w float64) int {
		if !on {
			return -1
		}
		m.rows = append(m.rows, w)
		return len(m.rows) - 1
	}
	for k := range n.most {
		m.most[k] = want(n.most[k] < left, -float64(n.most[k]))
		m.least[k] = want(n.least[k] > 0, float64(n.least[k]))
	}
	for _, k := range s.kinds {
		m.unit = max(m.unit, float64(k.cost))
	}
	if s.aim.waste && m.unit > 0 {
		m.limit = want(true, -float64(n.limit)/m.unit)
		m.floor = want(true, float64(n.floor)/m.unit)
		for _, k := range s.kinds {
			m.price = append(m.price, float64(k.cost)/m.unit)
		}
	}
	if keep := 200 + 10*len(m.rows); len(s.pool) > keep {
		s.pool = slices.Delete(s.pool, 0, len(s.pool)-keep/2)
	}
	s.steps -= 2 * len(s.pool)
	for _, p := range s.pool {
		if n.most[p.kind] > 0 && !(p.keep && n.most[len(s.kinds)] == 0) && !n.banned.has(p) &&
			!slices.ContainsFunc(p.terms, func(t term) bool { return t.n > n.need[t.item] }) {
			m.add(p)
		}
	}
	return m
}

func (s *search) dualsOf(m *master) duals {
	y := s.zero()
	for i := range s.items {
		y.item[i] = max(0, m.y[i]) * m.scale
	}
	for k := range m.most {
		if r := m.most[k]; r >= 0 {
			y.most[k] = max(0, m.y[r]) * m.scale
		}
		if r := m.least[k]; r >= 0 {
			y.least[k] = max(0, m.y[r]) * m.scale
		}
	}
	if m.limit >= 0 {
		y.limit = max(0, m.y[m.limit]) * m.scale / m.unit
		y.floor = max(0, m.y[m.floor]) * m.scale / m.unit
	}
	return y
}

// solution is the patterns in use, those used most first.
func (m *master) solution() []use {
	out := []use{}
	for r, v := range m.basis {
		if v >= 0 && m.x[r] > whole {
			out = append(out, use{m.cols[v], m.x[r]})
		}
	}
	slices.SortStableFunc(out, func(a, b use) int { return cmp.Compare(b.x, a.x) })
	return out
}
