package stock

import (
	"math"
)

// master is the linear problem of a node over the patterns known: how often to use each, in fractions, so that
//
//	every item is cut often enough:    Σ n·x ≥ need
//	no kind of bar is drawn too often: −Σ x ≥ −most
//	nor too seldom:                    Σ x ≥ least
//	where waste counts, its cost is    −Σ cost·x ≥ −limit  and  Σ cost·x ≥ floor
//
// It is solved by the revised simplex with an explicit inverse. Its floating point decides nothing but which patterns
// are tried: what is proven comes from whole numbers, see search.prove.
type master struct {
	rows  []float64 // what each wants
	cols  []*pattern
	costs []float64 // of cols
	big   float64   // cost of not meeting a row by one
	scale float64   // what a cost is divided by, to make the dearest bar cost 1

	basis []int // per row: a column, or free(row) or lack(row)
	inv   []float64
	x     []float64 // of the basis
	y     []float64 // the duals

	most  []int // per kind its row, or -1; the items' rows come first
	least []int
	limit int
	floor int
	price []float64 // per kind, in the rows of the limit and the floor
	unit  float64   // what those rows are divided by
	steps int       // taken so far
}

func (m *master) free(r int) int { return -1 - r }
func (m *master) lack(r int) int { return -1 - len(m.rows) - r }

// entries calls f for each row that a column stands in.
func (m *master) entries(v int, f func(r int, a float64)) {
	switch {
	case v < -len(m.rows):
		f(-1-len(m.rows)-v, 1)
	case v < 0:
		f(-1-v, -1)
	default:
		p := m.cols[v]
		for _, t := range p.terms {
			f(t.item, float64(t.n))
		}
		m.counted(p.kind, f)
		if p.keep {
			m.counted(len(m.most)-1, f)
		}
		if m.limit >= 0 && m.price[p.kind] != 0 {
			f(m.limit, -m.price[p.kind])
			f(m.floor, m.price[p.kind])
		}
	}
}

// counted calls f for the rows of a count.
func (m *master) counted(k int, f func(r int, a float64)) {
	if r := m.most[k]; r >= 0 {
		f(r, -1)
	}
	if r := m.least[k]; r >= 0 {
		f(r, 1)
	}
}

func (m *master) cost(v int) float64 {
	switch {
	case v < -len(m.rows):
		return m.big
	case v < 0:
		return 0
	}
	return m.costs[v]
}

// reset starts from no pattern at all: every row that wants something lacks it.
func (m *master) reset() {
	n := len(m.rows)
	m.basis, m.x, m.y = make([]int, n), make([]float64, n), make([]float64, n)
	m.inv = make([]float64, n*n)
	for r, want := range m.rows {
		if want > 0 {
			m.basis[r], m.x[r], m.inv[r*n+r] = m.lack(r), want, 1
		} else {
			m.basis[r], m.x[r], m.inv[r*n+r] = m.free(r), -want, -1
		}
	}
}

func (m *master) add(p *pattern) {
	m.cols = append(m.cols, p)
	m.costs = append(m.costs, float64(p.cost)/m.scale)
}

// value is the cost of the present solution, lacking is how much it does not meet.
func (m *master) value() (value, lacking float64) {
	for r, v := range m.basis {
		if v < -len(m.rows) {
			lacking += m.x[r]
		} else {
			value += m.cost(v) * m.x[r]
		}
	}
	return value * m.scale, lacking
}

// Tolerances of the simplex, for costs and counts of about 1 and some hundred pivots of float64, each good to 1e-16 times
// the condition of the basis: usual figures of the trade, no source. They affect no proof, but what is lost to reduced on
// some hundred bars of 4 m must stay under the micrometre that bounds are counted in.
const (
	reduced = 1e-11 // a column that gains less is no gain
	pivot   = 1e-9  // an entry that is less is 0
	renew   = 200   // pivots between new inverses
)

// optimise pivots until no known pattern improves. It gives up after so many pivots that only going in circles explains
// them; the duals it then has are as valid for a bound as any.
func (m *master) optimise() (pivots int) {
	n := len(m.rows)
	w := make([]float64, n)
	stuck := 0
	m.duals()
	for ; pivots < 1000+50*n; pivots++ {
		if pivots%renew == renew-1 {
			m.invert()
			m.duals()
		}
		in, gain := m.entering(stuck > 2*n)
		if in == none {
			return pivots
		}
		clear(w)
		m.entries(in, func(r int, a float64) {
			for i := range n {
				w[i] += m.inv[i*n+r] * a
			}
		})
		out, step := -1, math.Inf(1)
		for r := range n {
			if w[r] <= pivot {
				continue
			}
			t := max(m.x[r], 0) / w[r]
			if t < step-pivot || t < step+pivot && w[r] > w[out] {
				out, step = r, min(t, step)
			}
		}
		if out < 0 {
			return pivots
		}
		if step <= pivot {
			stuck++
		} else {
			stuck = 0
		}
		m.pivot(out, in, w)
		for i, a := range m.inv[out*n : out*n+n] {
			m.y[i] += gain * a
		}
		m.steps += n * (n + 16) / 16
	}
	return pivots
}

const none = math.MinInt

// entering is the column that gains most, or the first that gains when the simplex is stuck (Bland's rule).
func (m *master) entering(first bool) (in int, most float64) {
	in, most = none, -reduced
	consider := func(v int, gain float64) {
		if gain < most && !(first && in != none) {
			in, most = v, gain
		}
	}
	for r := range m.rows {
		consider(m.free(r), m.y[r])
	}
	extra := make([]float64, len(m.most)) // what the rows of a count ask of a bar
	for k := range extra {
		m.counted(k, func(r int, a float64) { extra[k] -= a * m.y[r] })
		if m.limit >= 0 && k < len(m.price) {
			extra[k] += (m.y[m.limit] - m.y[m.floor]) * m.price[k]
		}
	}
	for v := range m.cols {
		gain := m.costs[v]
		p := m.cols[v]
		for _, t := range p.terms {
			gain -= m.y[t.item] * float64(t.n)
		}
		gain += extra[p.kind]
		if p.keep {
			gain += extra[len(extra)-1]
		}
		consider(v, gain)
	}
	m.steps += len(m.cols) / 4
	return in, most
}

func (m *master) duals() {
	n := len(m.rows)
	clear(m.y)
	for r, v := range m.basis {
		if c := m.cost(v); c != 0 {
			for i, a := range m.inv[r*n : r*n+n] {
				m.y[i] += c * a
			}
		}
	}
}

func (m *master) pivot(out, in int, w []float64) {
	n := len(m.rows)
	lead := m.inv[out*n : out*n+n]
	for i := range lead {
		lead[i] /= w[out]
	}
	m.x[out] /= w[out]
	for r := range n {
		if r == out || w[r] == 0 {
			continue
		}
		row := m.inv[r*n : r*n+n]
		for i, a := range lead {
			row[i] -= w[r] * a
		}
		m.x[r] -= w[r] * m.x[out]
	}
	m.basis[out] = in
}

// invert finds the inverse of the basis anew, by elimination with pivots by row, and the solution with it.
func (m *master) invert() {
	n := len(m.rows)
	a := make([]float64, n*n) // rows of the problem, columns of the basis
	for c, v := range m.basis {
		m.entries(v, func(r int, x float64) { a[r*n+c] = x })
	}
	inv := make([]float64, n*n)
	for r := range n {
		inv[r*n+r] = 1
	}
	for c := range n {
		p := c
		for r := c + 1; r < n; r++ {
			if math.Abs(a[r*n+c]) > math.Abs(a[p*n+c]) {
				p = r
			}
		}
		if math.Abs(a[p*n+c]) <= pivot {
			return // keep the old one
		}
		for i := range n {
			a[c*n+i], a[p*n+i] = a[p*n+i], a[c*n+i]
			inv[c*n+i], inv[p*n+i] = inv[p*n+i], inv[c*n+i]
		}
		d := a[c*n+c]
		for i := range n {
			a[c*n+i] /= d
			inv[c*n+i] /= d
		}
		for r := range n {
			f := a[r*n+c]
			if r == c || f == 0 {
				continue
			}
			for i := range n {
				a[r*n+i] -= f * a[c*n+i]
				inv[r*n+i] -= f * inv[c*n+i]
			}
		}
	}
	copy(m.inv, inv)
	for r := range n {
		m.x[r] = 0
		for i, want := range m.rows {
			m.x[r] += m.inv[r*n+i] * want
		}
	}
	m.steps += n * n * n / 16
}
