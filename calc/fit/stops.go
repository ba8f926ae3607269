package fit

import (
	"cmp"
	"math"
	"slices"
)

// stopStep is how finely stops are told apart, mm; no saw stop is set finer. The
// search ends within half of it of the maximum, where P is flat: the second
// derivative of −log Φ(x/d) is 0.19/d² where Φ = 0.95, so at the defaults'
// d = 0.18 mm half a step costs 0.19·(0.005/0.18)²/2 = 7e-5.
const stopStep = 0.01

// batch finds the one stop that maximises P(all fit).
func batch(n Needed, h House, s *draws) Option {
	opt := Option{Cut: Batch, Settings: 1}
	low, high := slices.Min(n.Mean), slices.Max(n.Mean)
	off := make([]float64, len(n.Mean))
	at := func(c float64) []float64 {
		for i, m := range n.Mean {
			off[i] = c - m
		}
		return off
	}
	c := (low + high) / 2
	bound := s.atMost(at(c), slices.Index(n.Mean, low), slices.Index(n.Mean, high))
	if bound <= s.o.MaxError {
		opt.P, opt.PError = 0, bound
	} else {
		if high-low > stopStep {
			// Further out than half a window no piece fits at its mean, so that P
			// is below one half, and the house risk is not.
			coarse := func(c float64) float64 { return s.coarse(at(c)) }
			best := maximise(coarse, low-s.w.half, high+s.w.half)
			// The middle is the best stop when all lengths are equally doubtful, and
			// without any noise it may be the only one above zero.
			if coarse(best) > coarse(c) {
				c = best
			}
		}
		opt.P, opt.PError = s.probability(at(c), h.Risk)
	}
	opt.Lengths = []float64{c + s.w.middle}
	return priced(opt, len(n.Mean), h)
}

// maximise finds the maximum of a function with one maximum in [a, b] to
// stopStep/2, by golden section. A hundred sections shorten any interval by 1e21;
// after that only rounding is left to search.
func maximise(f func(float64) float64, a, b float64) float64 {
	const g = 2 - math.Phi // the smaller part of a golden section
	x, y := a+g*(b-a), b-g*(b-a)
	fx, fy := f(x), f(y)
	for i := 0; i < 100 && b-a > stopStep; i++ {
		if fx >= fy {
			b, y, fy = y, x, fx
			x = a + g*(b-a)
			fx = f(x)
		} else {
			a, x, fx = x, y, fy
			y = b - g*(b-a)
			fy = f(y)
		}
	}
	return (a + b) / 2
}

// graded finds the fewest stops, two or more, that keep P(all fit) at the house
// risk; if even a stop per length does not, it is a stop per length. There is
// nothing to grade when all lengths are the same to within stopStep.
//
// For every number of stops the pieces, sorted by length, are cut into
// contiguous groups so that Σ −log P(piece fits) is least, each stop in the
// middle of its group; P(all fit) is then computed with the correlation. So the
// choice of the groups is approximate, the probability is not.
func graded(n Needed, h House, s *draws) (Option, bool) {
	order := make([]int, len(n.Mean))
	for i := range order {
		order[i] = i
	}
	slices.SortStableFunc(order, func(a, b int) int { return cmp.Compare(n.Mean[a], n.Mean[b]) })

	lengths := []int{0} // where, in order, a new length starts
	for i, piece := range order {
		if n.Mean[piece]-n.Mean[order[lengths[len(lengths)-1]]] > stopStep {
			lengths = append(lengths, i)
		}
	}
	if len(lengths) < 2 {
		return Option{}, false
	}
	opt := assign(n, h, s, order, lengths)
	if !opt.Passes || len(lengths) == 2 {
		return opt, true
	}
	groups := newPartition(n.Mean, order, s, len(lengths)-1)
	for k := 2; k < len(lengths); k++ {
		if fewer := assign(n, h, s, order, groups.starts(k)); fewer.Passes {
			return fewer, true
		}
	}
	return opt, true
}

// assign gives each group of the ordered pieces a stop for the middle of its
// lengths. starts holds where in order each group begins.
func assign(n Needed, h House, s *draws, order, starts []int) Option {
	pieces := len(order)
	opt := Option{Cut: Graded, Settings: len(starts), Lengths: make([]float64, pieces), Group: make([]int, pieces)}
	off := make([]float64, pieces)
	for g, from := range starts {
		to := pieces
		if g+1 < len(starts) {
			to = starts[g+1]
		}
		middle := (n.Mean[order[from]] + n.Mean[order[to-1]]) / 2
		for _, piece := range order[from:to] {
			off[piece] = middle - n.Mean[piece]
			opt.Lengths[piece] = middle + s.w.middle
			opt.Group[piece] = g
		}
	}
	opt.P, opt.PError = s.probability(off, h.Risk)
	return priced(opt, pieces, h)
}

// partition holds the best cuts of a sequence into contiguous groups.
type partition struct {
	cost [][]float64 // cost[k][j]: least cost of the first j pieces in k groups
	last [][]int     // last[k][j]: where the last of these groups starts
}

// newPartition finds the best cuts into up to most groups:
//
//	cost[k][j] = min over i < j of cost[k−1][i] + cost of pieces i..j−1 as one group
func newPartition(mean []float64, order []int, s *draws, most int) partition {
	n := len(order)
	one := make([][]float64, n) // one[i][j]: cost of pieces i..j−1 as one group
	for i := range one {
		one[i] = make([]float64, n+1)
		for j := i + 1; j <= n; j++ {
			middle := (mean[order[i]] + mean[order[j-1]]) / 2
			fit := 1.0
			for _, piece := range order[i:j] {
				x := middle - mean[piece]
				fit *= within(-s.w.half-x, s.w.half-x, s.sigma[piece])
			}
			one[i][j] = -math.Log(fit)
		}
	}
	p := partition{cost: make([][]float64, most+1), last: make([][]int, most+1)}
	for k := range p.cost {
		p.cost[k], p.last[k] = make([]float64, n+1), make([]int, n+1)
		for j := range p.cost[k] {
			p.cost[k][j] = math.Inf(1)
			p.last[k][j] = k - 1 // a cut into k groups even when none has a finite cost
			for i := k - 1; k > 0 && i < j; i++ {
				if c := p.cost[k-1][i] + one[i][j]; c < p.cost[k][j] {
					p.cost[k][j], p.last[k][j] = c, i
				}
			}
		}
		p.cost[0][0] = 0
	}
	return p
}

// starts returns where the groups of the best cut into k groups begin.
func (p partition) starts(k int) []int {
	out := make([]int, k)
	for j := len(p.cost[0]) - 1; k > 0; k-- {
		j = p.last[k][j]
		out[k-1] = j
	}
	return out
}
