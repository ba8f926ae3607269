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
	noise := max(s.house.noise(), leastNoise)
	edge := make([]float64, len(w.order)) // a piece is short where its common error is above −edge
	for i := range edge {
		edge[i] = (-w.short[i] - o.stopOf(w, i) + w.mean[i]) / noise
	}
	spares := s.house.spares(len(edge))
	chance := make([]float64, spares+1)
	z := make([]float64, w.lattice.k)
	points := w.effort.points
	if w.lattice.k == 0 {
		points = 1
	}
	total := 0
	for i := range points {
		for r := range shifts {
			w.count(edge, w.lattice.point(i, r, z), noise, chance)
			within := 0.0
			for k, c := range chance {
				used += float64(k) * c
				within += c
			}
			used += float64(spares) * (1 - within)
			visits += 1 - within
			total++
		}
	}
	return used / float64(total), max(visits/float64(total), 0)
}

// count writes the probability that 0, 1, … pieces are short, the common factors
// being z, into chance.
func (w *set) count(edge, z []float64, noise float64, chance []float64) {
	clear(chance)
	chance[0] = 1
	for i, row := range w.b {
		t := 0.0
		for j, c := range row {
			t += c * z[j]
		}
		p := cdf(edge[i] + t/noise)
		for k := len(chance) - 1; k > 0; k-- {
			chance[k] = chance[k]*(1-p) + chance[k-1]*p
		}
		chance[0] *= 1 - p
	}
}
