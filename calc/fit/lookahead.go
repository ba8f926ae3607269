package fit

import (
	"math"
	"slices"

	"gonum.org/v1/gonum/mat"
)

// quantiles are nine values of a standard normal quantity of equal weight: the
// middles of nine equal shares, stretched so that their mean square is 1.
var quantiles = func() [][]float64 {
	const n = 9
	z := make([][]float64, n)
	for i := range z {
		z[i] = []float64{math.Sqrt2 * math.Erfinv(2*(float64(i)+0.5)/n-1)}
	}
	return whiten(z)
}()

// whiten makes the mean square of each coordinate 1 and the mean product of any
// two coordinates 0 (Gram–Schmidt).
func whiten(points [][]float64) [][]float64 {
	product := func(j, k int) (sum float64) {
		for _, z := range points {
			sum += z[j] * z[k] / float64(len(points))
		}
		return sum
	}
	for j := range points[0] {
		for k := range j {
			c := product(j, k)
			for _, z := range points {
				z[j] -= c * z[k]
			}
		}
		scale := math.Sqrt(product(j, j))
		for _, z := range points {
			z[j] /= scale
		}
	}
	return points
}

// setPoints is how many points of a lattice several readings are averaged over,
// each with its mirror image, so that the lengths move by nothing on average. They
// have the variances of independent standard normals.
const setPoints = 16

// nodes returns points of equal weight for so many independent standard normals.
func (s *Shop) nodes(readings int) ([][]float64, error) {
	switch readings {
	case 0:
		return [][]float64{nil}, nil
	case 1:
		return quantiles, nil
	}
	l, err := s.lattice(readings)
	if err != nil {
		return nil, err
	}
	var out [][]float64
	for i := range setPoints {
		z := slices.Clone(l.point(i, 0, make([]float64, readings)))
		mirror := make([]float64, readings)
		for j, x := range z {
			mirror[j] = -x
		}
		out = append(out, z, mirror)
	}
	return whiten(out), nil
}

// thirds are the middles of the thirds of the quantiles.
var thirds = [][]float64{quantiles[1], quantiles[4], quantiles[7]}

// minutes returns the mean over what the readings may say of the least expected
// minutes after them; +Inf as soon as it is sure to be above atMost.
func (a *ahead) minutes(moves []move, atMost float64) (float64, error) {
	nodes, err := a.s.nodes(len(moves))
	if err != nil {
		return 0, err
	}
	return a.mean(moves, nodes, atMost)
}

func (a *ahead) mean(moves []move, nodes [][]float64, atMost float64) (float64, error) {
	after := make([]posterior, len(a.sets))
	for k := range a.sets {
		var err error
		if after[k], err = a.posterior(k, moves); err != nil {
			return 0, err
		}
	}
	sum, n := 0.0, float64(len(nodes))
	for i, z := range nodes {
		for k := range a.sets {
			sum += a.s.least(after[k].at(&a.s.house, z))
		}
		if sum+float64(len(nodes)-1-i)*a.floor > n*atMost {
			return math.Inf(1), nil
		}
	}
	return sum / n, nil
}

// posterior is a set after readings.
type posterior struct {
	needed    Needed // mean before the readings, covariance after them
	variances []float64
	moves     [][]float64 // δ of each reading, mm
	shared    *common     // in the workshop
}

func (a *ahead) posterior(k int, moves []move) (posterior, error) {
	p := posterior{needed: a.sets[k].Needed}
	p.variances = p.needed.variances()
	for _, m := range moves {
		p.moves = append(p.moves, m[k])
		for i, d := range m[k] {
			p.variances[i] = max(p.variances[i]-d*d, 0)
		}
	}
	if !a.s.house.Workshop {
		return p, nil
	}
	after := p.needed
	after.Cov = p.covariance()
	var err error
	p.shared, err = a.s.share(after)
	return p, err
}

// covariance returns the covariance of the lengths after the readings.
func (p *posterior) covariance() *mat.SymDense {
	if p.needed.Cov == nil {
		return nil
	}
	n := len(p.needed.Mean)
	out := mat.NewSymDense(n, nil)
	for i := range n {
		for j := i; j < n; j++ {
			c := p.needed.Cov.At(i, j)
			for _, d := range p.moves {
				c -= d[i] * d[j]
			}
			out.SetSym(i, j, c)
		}
		out.SetSym(i, i, p.variances[i])
	}
	return out
}

// at returns the set when the readings say z.
func (p *posterior) at(h *House, z []float64) *set {
	n := p.needed
	n.Mean = slices.Clone(n.Mean)
	for r, d := range p.moves {
		for i := range n.Mean {
			n.Mean[i] += d[i] * z[r]
		}
	}
	w := newSet(h, n, p.variances, rough)
	w.shared = p.shared
	return w
}

// chance returns P(all fit) after readings that say what is expected, to about
// 0.02; of several sets the least.
func (a *ahead) chance(moves []move) (float64, error) {
	bounds := Options{MaxError: 0.02, MaxPoints: shifts * firstPoints}
	least := 1.0
	for k := range a.sets {
		p, err := a.posterior(k, moves)
		if err != nil {
			return 0, err
		}
		p.needed.Cov = p.covariance()
		w := newSet(&a.s.house, p.needed, p.variances, rough)
		if w.shared, err = a.s.share(p.needed); err != nil {
			return 0, err
		}
		least = min(least, chosen(a.s.ways(w, bounds)).P)
	}
	return least, nil
}
