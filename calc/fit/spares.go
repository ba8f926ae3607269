package fit

// shortfall returns the expected number of spares used and the probability that
// more pieces are short than there are spares,
//
//	E min(K, S) and P(K > S),
//
// K the count of short pieces. The pieces are short together, because their
// lengths share the errors of the readings. Given those, they are short
// independently, with probabilities p_i, and K has the distribution of a sum of
// independent trials (Poisson's binomial); the mean is taken over the lattice.
func (s *Shop) shortfall(w *set, o *Option) (used, visits float64) {
	n, c := len(w.order), w.shared
	edge, own := make([]float64, n), make([]float64, n)
	for i, piece := range w.order {
		own[piece] = max(c.d[piece], leastNoise)
		edge[piece] = -w.short[i] - o.stopOf(piece) + w.mean[i] // the piece is short where its own error is below this
	}
	spares := s.house.SparesFor(n)
	chance := make([]float64, spares+1)
	z := make([]float64, c.lattice.k)
	points := w.effort.points
	if c.lattice.k == 0 {
		points = 1
	}
	for i := range points {
		for r := range shifts {
			count(edge, own, c.b, c.lattice.point(i, r, z), chance)
			within := 0.0
			for k, p := range chance {
				used += float64(k) * p
				within += p
			}
			used += float64(spares) * (1 - within)
			visits += 1 - within
		}
	}
	total := float64(points * shifts)
	return used / total, max(visits/total, 0)
}

// count writes the probability that 0, 1, … pieces are short, the common factors
// being z, into chance.
func count(edge, own []float64, b [][]float64, z, chance []float64) {
	clear(chance)
	chance[0] = 1
	for i, row := range b {
		t := edge[i]
		for j, f := range row {
			t += f * z[j]
		}
		p := cdf(t / own[i])
		for k := len(chance) - 1; k > 0; k-- {
			chance[k] = chance[k]*(1-p) + chance[k-1]*p
		}
		chance[0] *= 1 - p
	}
}
