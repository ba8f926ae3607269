package fit

import (
	"math"

	"gonum.org/v1/gonum/floats"
	"gonum.org/v1/gonum/mat"
)

// draws are lattice points of the common factors of a set of pieces; every stop
// setting is judged on the same points.
type draws struct {
	w     *window
	o     Options
	b     [][]float64 // common factors, mm
	d     []float64   // independent sigma, mm: the noise of the window
	sigma []float64   // both together, mm
	l     *lattice
	first []float64 // B·z of the first points, point by point, once keep was called
	z, t  []float64 // scratch
}

func newDraws(cov *mat.SymDense, n int, shop *Shop, o Options) (*draws, error) {
	w := shop.window
	s := &draws{w: w, o: o, b: make([][]float64, n), d: make([]float64, n), sigma: make([]float64, n)}
	if cov != nil {
		var err error
		// What Factor leaves over, below 1e-6 mm a column, is nothing to the noise.
		if s.b, _, err = Factor(cov, DefaultTolerance); err != nil {
			return nil, err
		}
	}
	for i, row := range s.b {
		s.d[i] = w.noise
		s.sigma[i] = math.Hypot(floats.Norm(row, 2), w.noise)
	}
	var err error
	if s.l, err = shop.lattice(len(s.b[0])); err != nil {
		return nil, err
	}
	s.z, s.t = make([]float64, s.l.k), make([]float64, n)
	return s, nil
}

// keep works the first points out, for a search that asks for them again and
// again.
func (s *draws) keep() {
	s.first = make([]float64, 0, firstPoints*shifts*len(s.b))
	for i := range firstPoints * shifts {
		s.first = append(s.first, s.draw(i)...)
	}
}

// draw returns B·z of point i, counted through the shifts of one lattice point
// and then through the lattice. It is overwritten by the next.
func (s *draws) draw(i int) []float64 {
	z := s.l.point(i/shifts, i%shifts, s.z)
	for p, row := range s.b {
		var t float64
		for j, c := range row {
			t += c * z[j]
		}
		s.t[p] = t
	}
	return s.t
}

// add tallies the points up to n per shift of P(all fit) with stops that are
// off mm from the best of each piece.
func (s *draws) add(sum *tally, off []float64, n int) {
	pieces := len(off)
	for i := sum.n * shifts; i < n*shifts; i++ {
		var t []float64
		if (i+1)*pieces <= len(s.first) {
			t = s.first[i*pieces : (i+1)*pieces]
		} else {
			t = s.draw(i)
		}
		f := 1.0
		for j, o := range off {
			f *= s.w.fits(o - t[j])
			// Nothing above 1e-8 is lost, and lengths that differ too much are
			// seen after two pieces.
			if f < 1e-8 {
				f = 0
				break
			}
		}
		sum.add(i%shifts, f)
	}
	sum.n = n
}

// probability returns P(all fit) and its error, refined until the error is
// within bounds and does not reach the threshold any more.
func (s *draws) probability(off []float64, threshold float64) (p, e float64) {
	lo, hi := make([]float64, len(off)), make([]float64, len(off))
	for i, x := range off {
		lo[i], hi[i] = -s.w.half-x, s.w.half-x
	}
	sum := newTally(lo, hi, s.b, s.d)
	if s.l.k == 0 {
		s.add(sum, off, 1)
		return sum.sum[0], 0
	}
	for n := firstPoints / 4; ; n *= 2 {
		s.add(sum, off, n)
		p, e = sum.estimate()
		switch {
		case n < firstPoints: // only to know how the error falls
		case 2*n*shifts > s.o.MaxPoints, e <= s.o.MaxError && !(math.Abs(p-threshold) < e):
			return p, e
		}
	}
}

// coarse returns P(all fit) on the first points only and times their number, to
// search with.
func (s *draws) coarse(off []float64) float64 {
	var sum tally
	s.add(&sum, off, firstPoints)
	return floats.Sum(sum.sum[:])
}

// atMost bounds P(all fit) from above by that of two pieces: both fit only if
// their errors, which differ by off_i − off_j on average, differ by no more
// than the whole window.
func (s *draws) atMost(off []float64, i, j int) float64 {
	v := s.d[i]*s.d[i] + s.d[j]*s.d[j]
	for c := range s.b[i] {
		v += (s.b[i][c] - s.b[j][c]) * (s.b[i][c] - s.b[j][c])
	}
	x := off[i] - off[j]
	return within(-2*s.w.half-x, 2*s.w.half-x, math.Sqrt(v))
}
