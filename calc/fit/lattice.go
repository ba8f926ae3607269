package fit

import (
	"fmt"
	"math"
	"math/bits"
	"math/rand/v2"

	"gonum.org/v1/gonum/floats"
)

const (
	// shifts is the number of independent random shifts of the lattice; their
	// scatter is the error estimate. Eight leave seven degrees of freedom for it
	// and still put most of the work into the lattice, where the accuracy is.
	shifts = 8
	// confidence makes the error a 99 % one: Student's t, 0.995, of shifts−1 = 7
	// degrees of freedom (tables print 3.499).
	confidence = 3.4995
	// firstPoints is the smallest lattice an answer rests on, per shift.
	firstPoints = 32
	// maxPoints is the largest lattice the generator was constructed for, per shift.
	maxPoints = 1 << 16
)

// generator is the generating vector of an embedded rank-1 lattice: its first
// 2^m points in radical-inverse order are a good lattice for every m of 5..16.
// It was constructed for this package component by component; the construction
// is buildGenerator in lattice_test.go, and a test holds that it gives this.
var generator = [...]uint32{
	1, 38043, 3981, 42557, 10423, 56837, 1191, 18591,
	46209, 26223, 4843, 53513, 2053, 31805, 12149, 11285,
}

// lattice is a randomly shifted rank-1 lattice of k-vectors of independent
// standard normals. It is a pure function of k and the seed.
type lattice struct {
	k     int
	shift [shifts][]uint32
	kept  []float64 // of the first points, when keep has been called
}

func newLattice(k int, seed uint64) (*lattice, error) {
	if k > len(generator) {
		return nil, fmt.Errorf("%d common factors, at most %d: %w", k, len(generator), ErrFactors)
	}
	// The second word only has to differ from a caller's other uses of the seed.
	rng := rand.New(rand.NewPCG(seed, 0x6c617474696365))
	l := &lattice{k: k}
	for r := range l.shift {
		l.shift[r] = make([]uint32, k)
		for j := range l.shift[r] {
			l.shift[r][j] = rng.Uint32()
		}
	}
	return l, nil
}

// keep works the first points out, up to n per shift, for whoever asks for them
// again and again: the normal quantile costs more than all else about a point.
func (l *lattice) keep(n int) {
	kept := make([]float64, 0, n*shifts*l.k)
	z := make([]float64, l.k)
	for i := range n {
		for r := range shifts {
			l.work(i, r, z)
			kept = append(kept, z...)
		}
	}
	l.kept = kept
}

// point returns point i of shift r: the kept one, not to be written to, or one
// worked out in z.
func (l *lattice) point(i, r int, z []float64) []float64 {
	if at := (i*shifts + r) * l.k; at+l.k <= len(l.kept) {
		return l.kept[at : at+l.k]
	}
	l.work(i, r, z)
	return z
}

// work writes point i of shift r into z. The arithmetic is modulo 2^32, which
// is the lattice's "fractional part" without a rounding error.
func (l *lattice) work(i, r int, z []float64) {
	v := bits.Reverse32(uint32(i))
	for j, s := range l.shift[r] {
		u := (float64(v*generator[j]+s) + 0.5) / (1 << 32)
		// Baker's transform: the folded integrand is periodic, so that a smooth
		// one converges nearly as N^-2. The fold keeps u inside (0, 1).
		u = 1 - math.Abs(2*u-1)
		z[j] = math.Sqrt2 * math.Erfinv(2*u-1)
	}
}

// tally sums an integrand over the lattice.
type tally struct {
	sum        [shifts]float64
	square     float64 // Σf²
	squareLack float64 // Σ(1−f)²
	n          int     // points per shift
	sharp      float64 // sharpness of the integrand
	last       float64 // error of half the points
	low, high  float64 // what the mean is known to lie between
}

// newTally starts the tally of the integrand of P(lo_i ≤ B_i·z + d_i·e_i ≤ hi_i
// for all i). With q_i the probability that quantity i alone is out of bounds, P
// is between 1 − Σq and 1 − max q (Boole, Bonferroni).
func newTally(lo, hi []float64, b [][]float64, d []float64) *tally {
	t := &tally{sharp: sharpness(b, d)}
	var sum, most float64
	for i, row := range b {
		q := 1 - within(lo[i], hi[i], math.Hypot(floats.Norm(row, 2), d[i]))
		sum, most = sum+q, max(most, q)
	}
	t.low, t.high = max(1-sum, 0), 1-most
	return t
}

// sharpness returns the greatest |B_i|/d_i: per unit of z, how many times its own
// width the edge of an integrand moves. It is infinite where an edge is a step.
func sharpness(b [][]float64, d []float64) float64 {
	var most float64
	for i, row := range b {
		if norm := floats.Norm(row, 2); norm > 0 {
			most = max(most, norm/d[i])
		}
	}
	return most
}

func (t *tally) add(r int, f float64) {
	t.sum[r] += f
	t.square += f * f
	t.squareLack += (1 - f) * (1 - f)
}

// estimate returns the mean and its error at 99 % confidence. It is to be called
// after every doubling, since it leans on the error of the half before.
//
// The shifts cannot see what all of them miss, so the error is not below
//   - a quarter of the error of half the points: a lattice converges as N^-2 at
//     best, so a greater fall is luck;
//   - 1/n while an edge is narrower than the spacing of the lattice, 1/n in u or
//     at least 2.5/n in z: it may lie between the same two points of every shift,
//     and then each is off by up to 1/n and they agree;
//   - 3/N, the 95 % bound on the frequency of an event not seen in N trials ("rule
//     of three"), while fewer than 16 points (the effective number (Σf)²/Σf²) carry
//     the sum of the integrand or of what it lacks to 1.
func (t *tally) estimate() (p, e float64) {
	n := float64(t.n)
	var total float64
	for _, s := range t.sum {
		total += s
	}
	p = total / (shifts * n)
	var ss float64
	for _, s := range t.sum {
		ss += (s/n - p) * (s/n - p)
	}
	e = max(confidence*math.Sqrt(ss/(shifts*(shifts-1))), t.last/4)
	if n < 2.5*t.sharp {
		e = max(e, 1/n)
	}
	lack := shifts*n - total
	if total*total <= 16*t.square || lack*lack <= 16*t.squareLack {
		e = max(e, 3/(shifts*n))
	}
	t.last = e
	p = min(max(p, t.low), t.high)
	return p, min(e, max(p-t.low, t.high-p))
}
