package adjust

import (
	"math"
	"slices"
)

// defaultRankTol is the size, relative to the largest pivot, under which a pivot of the column-scaled weighted Jacobian
// counts as rounding. Two gradients that depend on each other in exact arithmetic come with entries good to some ten
// eps (a handful of operations each); the pivot left over is that, times the growth of the reflections, about n ≤ 40:
// 400·eps = 9e-14. What is genuinely determined stays well above: no pivot is below 1/condition of the first, and
// NIST's Filip, a polynomial of degree 10 made to be hard, has condition 6e9 once its columns are scaled.
const defaultRankTol = 400 * eps

// weakFactor is how many times worse than a weak prior's own u the observations alone may know c'x and still count as
// determining it. A column that is all rounding, such as the slope of a length in an angle near 0, passes any test
// of rank once it is scaled. At 1000 the observations move the prior by 1e-6 of their disagreement and shrink
// its u by a part in two million, so to every printed digit it is the prior that speaks.
const weakFactor = 1000

// datum is what a set of observations knows at one point: the factored Jacobian with its column scales, and its rank.
type datum struct {
	qr
	scale  []float64
	absent []bool // unknowns that no observation moves with; their scale is 1
	rnk    int
	tol    float64
	aug    qr
	buf    []float64
}

// newDatum factors the Jacobian at pt. Rows of zeros fill up a Jacobian with fewer rows than columns.
func newDatum(pt *point, tol float64) *datum {
	n := len(pt.x)
	d := &datum{tol: tol, absent: make([]bool, n)}
	a := make([]float64, len(pt.jac))
	d.scale = equilibrate(a, pt.jac, n, d.scale)
	for j := range n {
		d.absent[j] = !slices.ContainsFunc(pt.col(j), func(x float64) bool { return x != 0 })
	}
	d.factor(a, len(a)/n, n)
	d.rnk = d.rank(tol)
	return d
}

// grows reports if the functional with gradient c, in units of the unknowns, is outside the row space: whether the rank grows
// when c, scaled like the columns and to length 1, is appended. So one tolerance serves rank and estimability alike.
func (d *datum) grows(c []float64) bool {
	if d.rnk == d.n {
		return false
	}
	m := d.n + 1
	d.buf = resize(d.buf, m*d.n)
	clear(d.buf)
	norm := 0.0
	for k := range d.n {
		j := d.perm[k]
		if d.absent[j] && c[j] != 0 {
			return true
		}
		t := c[j] / d.scale[j]
		norm = math.Hypot(norm, t)
		for i := 0; i <= k; i++ {
			d.buf[k*m+i] = d.r(i, k)
		}
		d.buf[k*m+d.n] = t
	}
	if norm == 0 {
		return false
	}
	for k := range d.n {
		d.buf[k*m+d.n] /= norm
	}
	d.aug.factor(d.buf, m, d.n)
	return d.aug.rank(d.tol) > d.rnk
}

// u returns the standard uncertainty of an estimable functional with gradient c.
func (d *datum) u(c []float64) float64 {
	y := make([]float64, d.rnk)
	for k := range y {
		y[k] = c[d.perm[k]] / d.scale[d.perm[k]]
	}
	d.solveRT(y)
	return math.Sqrt(dot(y, y))
}

// open lists the unknowns the observations leave undetermined.
func (d *datum) open() []int {
	var js []int
	c := make([]float64, d.n)
	for j := range c {
		clear(c)
		c[j] = 1
		if d.grows(c) {
			js = append(js, j)
		}
	}
	return js
}
