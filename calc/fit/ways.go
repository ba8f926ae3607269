package fit

import (
	"math"
	"slices"
)

// common splits the errors of the pieces of a set into what they share and what
// each has of its own, its cut included. Piece i is off by
//
//	cut_i − needed_i = stop_i − mean_i + d_i·e_i − b_i·z,
//
// z and e independent standard normals. Rows stand as the pieces were given.
type common struct {
	b       [][]float64 // mm
	d       []float64   // mm
	lattice *lattice    // of as many dimensions as b has columns
}

// share splits a covariance of the needed lengths. A factor of less than a
// twentieth of the noise counts as each piece's own: as a variance that is 1/400
// of the noise.
func (s *Shop) share(n Needed) (*common, error) {
	noise := s.house.noise()
	c := &common{b: make([][]float64, len(n.Mean)), d: make([]float64, len(n.Mean))}
	var rest []float64
	if n.Cov != nil {
		var err error
		if c.b, rest, err = Factor(n.Cov, max(noise/20, DefaultTolerance)); err != nil {
			return nil, err
		}
	}
	for i := range c.d {
		c.d[i] = noise
		if rest != nil && noise > 0 {
			c.d[i] = math.Hypot(noise, math.Sqrt(rest[i]))
		}
	}
	var err error
	c.lattice, err = s.lattice(len(c.b[0]))
	return c, err
}

// ways returns the options: batch, graded where two stops can differ, fit-each.
// bounds are those of the work on P.
func (s *Shop) ways(w *set, bounds Options) []Option {
	var best [2]*Option // batch, graded
	for _, p := range s.prices {
		w.fill(p)
		for k, d := range w.divide() {
			if len(d.starts) == 0 {
				continue
			}
			o := s.option(w, w.settled(d, p), math.Inf(1))
			if s.house.AllFit > 0 {
				s.probability(w, &o, bounds)
				o.Passes = o.P-o.PError >= s.house.AllFit
			}
			if o.Settings == k+1 || k == 1 && o.Settings > 1 {
				best[k] = better(best[k], &o)
			}
		}
	}
	out := make([]Option, 0, 3)
	for _, o := range best {
		if o != nil {
			if s.house.AllFit == 0 {
				s.probability(w, o, bounds)
			}
			out = append(out, *o)
		}
	}
	each := s.fitEach(w, math.Inf(1))
	s.probability(w, &each, bounds)
	return append(out, each)
}

// better returns the option that keeps AllFit, of those the one of fewer minutes.
func better(a, b *Option) *Option {
	if a == nil || b.Passes && !a.Passes || b.Passes == a.Passes && b.Expected < a.Expected {
		return b
	}
	return a
}

// option works out what a plan leads to, all but P; past limit, see reckon.
func (s *Shop) option(w *set, p plan, limit float64) Option {
	n, m := len(w.order), s.house.Minutes
	o := Option{Cut: Batch, Lengths: p.lengths, Stops: p.stops, Settings: len(p.stops), Passes: true}
	o.Minutes = float64(o.Settings)*m.Setting + float64(n)*m.Cut
	if o.Settings > 1 {
		o.Cut = Graded
		o.Minutes += float64(n) * m.Sort
		o.Lengths, o.Stops, o.Group = make([]float64, n), make([]float64, n), make([]int, n)
		for k, from := range p.starts {
			for _, piece := range w.order[from:] {
				o.Lengths[piece], o.Stops[piece], o.Group[piece] = p.lengths[k], p.stops[k], k
			}
		}
	}
	s.reckon(w, &o, limit)
	return o
}

// fitEach takes blanks of one length: for the longest piece its mean and what it
// may be longer than that, and as much as a blank is to have left to be trimmed.
func (s *Shop) fitEach(w *set, limit float64) Option {
	n, m := float64(len(w.order)), s.house.Minutes
	blank := w.blank()
	o := Option{Cut: FitEach, Lengths: []float64{blank}, Stops: []float64{w.above(blank)}, Settings: 1, Passes: true}
	o.Minutes = m.Setting + n*(m.Cut+m.Fit)
	s.reckon(w, &o, limit)
	return o
}

// blank returns the length of a blank, mm.
func (w *set) blank() float64 {
	blank := math.Inf(-1)
	for i, m := range w.mean {
		blank = max(blank, m+max(w.h.Allowance, 2*w.u[i]+2))
	}
	return blank
}

// above returns the next stop that the saw can be set to, mm.
func (w *set) above(length float64) float64 {
	if step := w.h.SawStep; step > 0 {
		return step * math.Ceil(length/step-1e-9) // 1e-9: what the quotient may be off
	}
	return length
}

// stopOf returns the stop of a piece.
func (o *Option) stopOf(piece int) float64 {
	if o.Cut == Graded {
		return o.Stops[piece]
	}
	return o.Stops[0]
}

// reckon works out the expected misfits of an option and what they add to its
// minutes. A blank is never too long. Past limit, minutes, it goes no further: the
// count of short pieces is what takes time.
func (s *Shop) reckon(w *set, o *Option, limit float64) {
	m := s.house.Minutes
	far := 0.0
	for i, piece := range w.order {
		a, b, c := w.misfit(i, o.stopOf(piece))
		o.Recuts += a
		if o.Cut != FitEach {
			o.Trims += b
			far += c
		}
	}
	o.Expected = o.Minutes + o.Trims*m.Trim + far*(m.Fit-m.Trim)
	switch {
	case o.Expected >= limit:
	case s.house.Workshop:
		o.Recuts, o.Visits = s.shortfall(w, o)
		o.Expected += o.Recuts*m.Fit + o.Visits*m.Visit
	default:
		o.Expected += o.Recuts * m.Recut
	}
}

// probability works out P(all fit) and its error.
func (s *Shop) probability(w *set, o *Option, bounds Options) {
	lo, hi := make([]float64, len(w.order)), make([]float64, len(w.order))
	for i, piece := range w.order {
		x := o.stopOf(piece) - w.mean[i]
		lo[piece], hi[piece] = -w.short[i]-x, w.long[i]-x
		if o.Cut == FitEach {
			hi[piece] = math.Inf(1)
		}
	}
	o.P, o.PError = integrate(lo, hi, w.shared.b, w.shared.d, bounds, w.shared.lattice)
}

// least returns the least expected minutes, to about 0.01. It looks at P(all fit)
// only where AllFit does. There the product of the chances of the pieces stands
// for P: lengths that share errors fit together more often than that (Šidák 1967,
// for symmetric bounds), so nothing is promised too early.
func (s *Shop) least(w *set) float64 {
	n, m := float64(len(w.order)), s.house.Minutes
	least := math.Inf(1)
	var before [2]plan
	for _, p := range s.prices {
		w.fill(p)
		if !s.house.Workshop && s.house.AllFit == 0 { // the sum of the prices is the minutes
			least = m.Setting + n*m.Cut + w.group(0, len(w.order))
			if 2*m.Setting+n*(m.Cut+m.Sort)+w.own < least { // else graded takes more
				least = min(least, w.divide()[1].minutes+n*(m.Cut+m.Sort))
			}
			break
		}
		for k, d := range w.divide() {
			if len(d.starts) == 0 {
				continue
			}
			plan := w.plain(d)
			if slices.Equal(plan.starts, before[k].starts) && slices.Equal(plan.stops, before[k].stops) {
				continue
			}
			before[k] = plan
			if o := s.option(w, plan, least); o.Expected < least && w.product(&o) >= s.house.AllFit {
				least = o.Expected
			}
		}
	}
	return min(least, s.fitEach(w, least).Expected)
}

// plain turns a division into the stops of least cost.
func (w *set) plain(d division) plan {
	out := plan{starts: d.starts}
	for k, i := range d.starts {
		j := len(w.mean)
		if k+1 < len(d.starts) {
			j = d.starts[k+1]
		}
		best := 0
		for g := range w.stops {
			if w.cost[j][g]-w.cost[i][g] < w.cost[j][best]-w.cost[i][best] {
				best = g
			}
		}
		out.stops = append(out.stops, w.stops[best])
	}
	out.lengths = out.stops
	return out
}

// product returns the product of the chances that each piece fits.
func (w *set) product(o *Option) float64 {
	p := 1.0
	for i, piece := range w.order {
		short, long, _ := w.misfit(i, o.stopOf(piece))
		p *= max(1-short-long, 0)
	}
	return p
}
