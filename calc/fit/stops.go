package fit

import (
	"cmp"
	"math"
	"slices"
)

const (
	// trimReach is how far a piece may be too long and still be shortened in Trim
	// minutes, mm. Without it, cutting all too long and trimming would always take
	// less than fitting each (common practice, no source).
	trimReach = 3
	// tie is the difference of expected minutes that nobody notices: a third of a
	// second. Stops that tie are chosen by P(all fit).
	tie = 0.005
	// leastNoise stands for none, mm, so that every quotient has a value.
	leastNoise = 1e-9
)

// effort is how finely the choice of stops is worked out.
type effort struct {
	step   float64 // mm, how finely stops are told apart where a saw can be set to anything
	parts  float64 // and into how many the span of stops for one piece is divided at most
	points int     // of each shift of the lattice, for the count of short pieces
}

var (
	// A stop is within 0.025 mm of the best, a quarter of what a saw repeats to by
	// default. 512 points leave the chance of a visit within about 0.002, a quarter
	// of a minute.
	fine = effort{0.05, 64, 64}
	// The look-ahead compares means over many cases with each other.
	rough = effort{0.2, 24, 8}
)

// set is a set of like pieces, in order of length, as the choice of stops sees it.
type set struct {
	h           *House
	order       []int     // which piece stands where
	mean        []float64 // needed length, mm
	short, long []float64 // how far a cut may be below and above it and still fit, mm
	u, sigma    []float64 // of the needed length as measured; of cut − needed, mm
	shared      *common   // where P(all fit) or the count of short pieces is asked for
	effort      effort

	stops []float64   // that can be set, mm, ascending
	cost  [][]float64 // cost[i][g]: of the first i pieces cut to stop g, minutes
	own   float64     // of all pieces, each cut to its own best stop, minutes
}

// newSet prepares pieces whose lengths were measured with these variances, mm².
func newSet(h *House, n Needed, variances []float64, e effort) *set {
	pieces := len(n.Mean)
	f := make([]float64, 5*pieces)
	w := &set{h: h, effort: e, order: make([]int, pieces),
		mean: f[:pieces], short: f[pieces : 2*pieces], long: f[2*pieces : 3*pieces],
		u: f[3*pieces : 4*pieces], sigma: f[4*pieces:]}
	for i := range w.order {
		w.order[i] = i
	}
	slices.SortStableFunc(w.order, func(a, b int) int { return cmp.Compare(n.Mean[a], n.Mean[b]) })
	for i, piece := range w.order {
		slide := 0.0
		if n.Slide != nil {
			slide = n.Slide[piece]
		}
		w.mean[i], w.short[i], w.long[i] = n.Mean[piece], h.Short+slide, h.Long+slide
		w.u[i] = math.Sqrt(variances[piece])
		w.sigma[i] = max(math.Hypot(w.u[i], h.noise()), leastNoise)
	}
	return w
}

// noise is the standard deviation of cut − needed that no reading takes away, mm.
func (h *House) noise() float64 { return math.Hypot(h.Waviness, h.Saw) }

// misfit returns the chances that piece i, cut to this stop, is too short, too
// long, and more than trimReach too long.
func (w *set) misfit(i int, stop float64) (short, long, far float64) {
	x, d := stop-w.mean[i], w.sigma[i]
	return cdf((-w.short[i] - x) / d), cdf((x - w.long[i]) / d), cdf((x - w.long[i] - trimReach) / d)
}

// of returns the minutes that misfits with these chances, or expected numbers, cost.
func (p price) of(short, long, far float64) float64 {
	return short*p.short + long*p.trim + far*(p.fit-p.trim)
}

// fill lists the stops that could be best and what each piece costs at them. A
// stop is for some piece within what fits and two sigma beyond: further out that
// piece is as good as surely a misfit.
func (w *set) fill(p price) {
	const reach = 2
	width := 0.0
	for i, d := range w.sigma {
		width = max(width, w.short[i]+w.long[i]+2*reach*d)
	}
	step := w.step(max(w.effort.step, width/w.effort.parts))
	w.stops = w.stops[:0]
	last := math.Inf(-1)
	for i, m := range w.mean {
		from := max(math.Floor((m-w.short[i]-reach*w.sigma[i])/step), last+1)
		to := math.Ceil((m + w.long[i] + reach*w.sigma[i]) / step)
		for g := from; g <= to; g++ {
			w.stops = append(w.stops, g*step)
		}
		last = max(last, to)
	}
	n := len(w.stops)
	flat := make([]float64, (len(w.mean)+1)*n)
	w.cost, w.own = append(w.cost[:0], flat[:n]), 0
	for i := range w.mean {
		before, row := w.cost[i], flat[(i+1)*n:(i+2)*n]
		least := math.Inf(1)
		for g, stop := range w.stops {
			c := p.of(w.misfit(i, stop))
			row[g] = before[g] + c
			if c < least {
				least = c
			}
		}
		w.cost = append(w.cost, row)
		w.own += least
	}
}

// step returns the least step of stops that the saw can be set to, from this one up.
func (w *set) step(least float64) float64 {
	if w.h.SawStep == 0 {
		return least
	}
	return w.h.SawStep * math.Ceil(max(least/w.h.SawStep, 1)-1e-9)
}

// plan is a choice of stops: group k holds the pieces from starts[k] in the order
// of length.
type plan struct {
	starts  []int
	stops   []float64 // mm, what the saw is set to, per group
	lengths []float64 // mm, before rounding, per group
}

// settle chooses the stop of pieces i to j−1. Among those that tie it is the one
// of fewest misfits, which has the greatest P(all fit): that is 1 − Σ P(misfit) up
// to squares. Among those that tie there too it is the middle one.
func (w *set) settle(i, j int, stops []float64, cost func(g int) float64) float64 {
	const alike = 1e-9 // misfits; the chances are exact to 1e-15
	least := math.Inf(1)
	for g := range stops {
		least = min(least, cost(g))
	}
	var near []float64
	fewest := math.Inf(1)
	for g, stop := range stops {
		if !(cost(g) <= least+tie) {
			continue
		}
		misfits := 0.0
		for q := i; q < j; q++ {
			x, d := stop-w.mean[q], w.sigma[q]
			misfits += upper((w.short[q]+x)/d) + upper((w.long[q]-x)/d)
		}
		if misfits < fewest-alike {
			near, fewest = near[:0], misfits
		}
		if misfits <= fewest+alike {
			near = append(near, stop)
		}
	}
	return near[len(near)/2]
}

// settled turns a division into stops. Groups with the same stop are one.
func (w *set) settled(d division, p price) plan {
	var out plan
	for k, i := range d.starts {
		j := len(w.mean)
		if k+1 < len(d.starts) {
			j = d.starts[k+1]
		}
		stop := w.settle(i, j, w.stops, func(g int) float64 { return w.cost[j][g] - w.cost[i][g] })
		if last := len(out.stops) - 1; last >= 0 && out.stops[last] == stop {
			continue
		}
		out.starts, out.stops = append(out.starts, i), append(out.stops, stop)
	}
	out.lengths = out.stops
	if step := w.h.SawStep; step > 0 {
		out.lengths = nil
		for k, i := range out.starts {
			j := len(w.mean)
			if k+1 < len(out.starts) {
				j = out.starts[k+1]
			}
			out.lengths = append(out.lengths, w.unrounded(i, j, out.stops[k], p))
		}
	}
	return out
}

// unrounded returns the best stop of pieces i to j−1 if the saw could be set to
// anything within a step of the stop that it can be set to.
func (w *set) unrounded(i, j int, stop float64, p price) float64 {
	const fractions = 20
	step := w.h.SawStep / fractions
	var stops, cost []float64
	for f := -fractions + 1; f < fractions; f++ {
		at, sum := stop+float64(f)*step, 0.0
		for q := i; q < j; q++ {
			sum += p.of(w.misfit(q, at))
		}
		stops, cost = append(stops, at), append(cost, sum)
	}
	return w.settle(i, j, stops, func(g int) float64 { return cost[g] })
}
