package adjust

import (
	"fmt"
	"math"
	"slices"

	"gonum.org/v1/gonum/mat"
)

// Solve minimises Σ ((value - f(x))/u)² over the observations and those weak priors that are needed.
//
// The rank is judged at Start, and again at the solution, where a non-linear problem may have come to need other weak
// priors; it is then adjusted again with those.
//
// Errors: ErrInput for a problem that makes no sense; ErrModel if a model or gradient is not finite at Start; *Undetermined,
// which is ErrUndetermined and names the unknowns; ErrNotConverged if no minimum is found in Options.MaxIter steps.
func Solve(p Problem, opt Options) (*Solution, error) {
	if err := p.check(); err != nil {
		return nil, fmt.Errorf("adjusting: %w", err)
	}
	s, err := solve(&p, opt, nil)
	if err != nil {
		return nil, fmt.Errorf("adjusting: %w", err)
	}
	return s, nil
}

// solve adjusts all observations but those marked in out (nil: none).
func solve(p *Problem, opt Options, out []bool) (*Solution, error) {
	a := &adjustment{p: p, opt: opt, grad: make([]float64, len(p.Start))}
	for i := range p.Observations {
		if out == nil || !out[i] {
			a.rows = append(a.rows, &p.Observations[i])
		}
	}
	a.nobs = len(a.rows)

	need, err := a.needed(p.Start)
	if err != nil {
		return nil, err
	}
	x, iterations := p.Start, 0
	for round := 0; ; round++ {
		a.use(need)
		pt := a.newPoint(x)
		if err := a.eval(pt); err != nil {
			return nil, err
		}
		if d := newDatum(pt, opt.rankTol()); d.rnk < d.n {
			return nil, &Undetermined{d.open()}
		}
		steps, err := a.iterate(&pt)
		if err != nil {
			return nil, err
		}
		iterations += steps
		x = pt.x
		if need, err = a.needed(x); err != nil {
			return nil, err
		}
		if round > 0 { // from here on none is dropped again, so this ends
			need = union(need, a.used)
		}
		if slices.Equal(need, a.used) {
			return a.solution(pt, iterations, out)
		}
	}
}

// adjustment is the state of one solve: the rows that take part, observations first, then the weak priors in use.
type adjustment struct {
	p    *Problem
	opt  Options
	rows []*Observation
	nobs int
	used []int
	rank int // of the observations alone, where needed last looked
	grad []float64

	f     qr // of the weighted Jacobian, its columns scaled
	scale []float64
	damp  qr // of f damped
	y     []float64
}

// point is the problem evaluated at x. The Jacobian is weighted, stored by columns, and at least square: rows of zeros
// fill it up.
type point struct {
	x, fit, v []float64 // v = (value - fit)/u
	jac       []float64
	chi2      float64
	noise     float64 // bound on the rounding in v: eps·‖(|value| + |fit|)/u‖
}

func (pt *point) col(j int) []float64 { return pt.jac[j*len(pt.v) : (j+1)*len(pt.v)] }

func (a *adjustment) newPoint(x []float64) *point {
	n := len(x)
	m := max(len(a.rows), n)
	buf := make([]float64, n+2*m+n*m)
	pt := &point{x: buf[:n:n], fit: buf[n : n+m : n+m], v: buf[n+m : n+2*m : n+2*m], jac: buf[n+2*m:]}
	copy(pt.x, x)
	return pt
}

// eval fills pt at pt.x. Its error, which is ErrModel, names the row.
func (a *adjustment) eval(pt *point) error {
	m := len(pt.v)
	pt.chi2, pt.noise = 0, 0
	for i, o := range a.rows {
		clear(a.grad)
		f := o.Model(pt.x, a.grad)
		pt.fit[i] = f
		pt.v[i] = (o.Value - f) / o.U
		pt.chi2 += pt.v[i] * pt.v[i]
		size := (math.Abs(o.Value) + math.Abs(f)) / o.U
		pt.noise += size * size
		ok := finite(pt.chi2)
		for j, g := range a.grad {
			pt.jac[j*m+i] = g / o.U
			ok = ok && finite(pt.jac[j*m+i])
		}
		if !ok {
			return fmt.Errorf("%s gives %v with gradient %v: %w", a.name(i), f, a.grad, ErrModel)
		}
	}
	pt.noise = eps * math.Sqrt(pt.noise)
	return nil
}

// name names a row as the caller numbered it.
func (a *adjustment) name(row int) string {
	if row >= a.nobs {
		return fmt.Sprintf("weak prior %d", a.used[row-a.nobs])
	}
	for i := range a.p.Observations {
		if a.rows[row] == &a.p.Observations[i] {
			return fmt.Sprintf("observation %d", i)
		}
	}
	return "observation"
}

// use takes the weak priors of these ascending indices into the adjustment, in place of those in use.
func (a *adjustment) use(weak []int) {
	a.used = weak
	a.rows = a.rows[:a.nobs]
	for _, i := range a.used {
		a.rows = append(a.rows, &a.p.Weak[i])
	}
}

// needed lists the weak priors whose functional the observations alone leave undetermined at x.
func (a *adjustment) needed(x []float64) ([]int, error) {
	if len(a.p.Weak) == 0 {
		a.rank = len(x) // or the adjustment fails
		return nil, nil
	}
	alone := &adjustment{p: a.p, rows: a.rows[:a.nobs], nobs: a.nobs, grad: a.grad}
	pt := alone.newPoint(x)
	if err := alone.eval(pt); err != nil {
		return nil, err
	}
	d := newDatum(pt, a.opt.rankTol())
	a.rank = d.rnk
	var need []int
	for i := range a.p.Weak {
		w := &a.p.Weak[i]
		clear(a.grad)
		w.Model(x, a.grad)
		if !allFinite(a.grad) {
			return nil, fmt.Errorf("weak prior %d has gradient %v: %w", i, a.grad, ErrModel)
		}
		if d.grows(a.grad) || d.u(a.grad) > weakFactor*w.U {
			need = append(need, i)
		}
	}
	return need, nil
}

// The iteration measures its steps by s = ‖Qᵀv‖, the length of the part of the weighted residuals that the columns can still
// explain. A full step changes unknown j by at most s standard uncertainties (|dx_j| ≤ u_j·s, Cauchy–Schwarz), and it would
// lower chi2 = ‖v‖² by s².
const (
	// s under converged·‖v‖: no unknown is off by more than 1e-10·Sigma0·√dof of its a-priori u.
	converged = 1e-10

	// s under near·‖v‖: a step lowers chi2 by less than 1e-12 of itself, which rounding can hide. A full step is then taken
	// unless chi2 rises by a millionth, and the end is the first step that is not shorter than the one before: what no
	// longer contracts is rounding.
	near = 1e-6

	// The same band for an exact fit, where ‖v‖ goes to 0 and the rounding of the residuals is all there is.
	nearNoise = 1e4

	// Levenberg's damping, relative to columns of length 1. A step that lowers chi2 by less than a quarter of what the linear
	// model foretells is not to be trusted: the damping starts at dampFirst, or grows, and the step is tried again; one that
	// keeps three quarters lets it shrink, under dampLeast to nothing. At dampLast the step is a millionth of a
	// millionth of the gradient. Common practice; that NIST's sets converge from both starts does not hang on the
	// figures (tried: dampFirst 1e-3 to 10, dampFactor 3 and 10, lowGain 0.1 to 0.5).
	dampFirst  = 1e-3
	dampLeast  = 1e-6
	dampLast   = 1e12
	dampFactor = 3
	lowGain    = 0.25
	highGain   = 0.75
)

// iterate moves *at to the minimum and leaves its factored Jacobian in a.f. It returns the number of steps.
func (a *adjustment) iterate(at **point) (int, error) {
	pt := *at
	m, n := len(pt.v), len(pt.x)
	trial := a.newPoint(pt.x)
	scaled := make([]float64, m*n)
	c, dx := make([]float64, m), make([]float64, n)
	lambda, previous := 0.0, math.Inf(1)
	for steps := 0; ; steps++ {
		a.scale = equilibrate(scaled, pt.jac, n, a.scale)
		a.f.factor(scaled, m, n)
		copy(c, pt.v)
		a.f.mulQT(c)
		s, norm := math.Sqrt(dot(c[:n], c[:n])), math.Sqrt(pt.chi2)
		// A step of length s takes s² off chi2. What the rounding of chi2 hides, 4·norm·noise with both its readings, no
		// gain can be measured by, so a step within it is near as well: where chi2 is small by luck, s² is.
		band := max(near*norm, nearNoise*pt.noise, math.Sqrt(4*norm*pt.noise))
		isNear := s <= band
		// The step that was short enough has been taken, which costs one round and squares its smallness.
		if previous <= max(converged*norm, pt.noise) || isNear && s >= previous {
			*at = pt
			return steps, nil
		}
		if steps == a.opt.maxIter() {
			return steps, fmt.Errorf("%d steps: %w", steps, ErrNotConverged)
		}
		previous = s
		if isNear {
			lambda = 0
		}
		for {
			foretold := a.step(dx, c[:n], lambda)
			for j := range dx {
				trial.x[j] = pt.x[j] + dx[j]
			}
			if allFinite(trial.x) && a.eval(trial) == nil {
				gain := (pt.chi2 - trial.chi2) / foretold
				if gain > highGain {
					lambda /= dampFactor
				}
				if gain > lowGain || isNear && trial.chi2 <= pt.chi2+band*(norm+band) {
					break
				}
			}
			lambda = max(dampFirst, lambda*dampFactor)
			if lambda > dampLast {
				return steps, fmt.Errorf("no step from %v lowers chi2 = %g: %w", pt.x, pt.chi2, ErrNotConverged)
			}
		}
		if lambda < dampLeast {
			lambda = 0
		}
		pt, trial = trial, pt
	}
}

// step solves (RᵀR + lambda·I)·y = Rᵀc in the scaled unknowns, as the least-squares problem [R; √lambda·I]·y = [c; 0], and
// scales y back to dx. It returns by how much chi2 would fall if the model were linear: ‖R·y‖² + 2·lambda·‖y‖².
func (a *adjustment) step(dx, c []float64, lambda float64) float64 {
	n := len(dx)
	if lambda == 0 { // where R is singular dx is not finite, and the caller damps
		y := append(a.y[:0], c...)
		a.f.solveR(y)
		for k, j := range a.f.perm {
			dx[j] = y[k] / a.scale[j]
		}
		a.y = y
		return dot(c, c)
	}
	stack, y := make([]float64, 2*n*n), make([]float64, 2*n)
	copy(y, c)
	for k := range n {
		for i := 0; i <= k; i++ {
			stack[k*2*n+i] = a.f.r(i, k)
		}
		stack[k*2*n+n+k] = math.Sqrt(lambda)
	}
	a.damp.factor(stack, 2*n, n)
	a.damp.mulQT(y)
	a.damp.solveR(y[:n])
	ry := make([]float64, n)
	for k, kk := range a.damp.perm {
		for i := 0; i <= kk; i++ {
			ry[i] += a.f.r(i, kk) * y[k]
		}
		j := a.f.perm[kk]
		dx[j] = y[k] / a.scale[j]
	}
	return dot(ry, ry) + 2*lambda*dot(y[:n], y[:n])
}

// solution reports on the adjustment at pt, where a.f is its factored Jacobian.
func (a *adjustment) solution(pt *point, iterations int, out []bool) (*Solution, error) {
	m, n := len(pt.v), len(pt.x)
	if a.f.rank(a.opt.rankTol()) < n {
		return nil, &Undetermined{newDatum(pt, a.opt.rankTol()).open()}
	}
	nall := len(a.p.Observations)
	buf := make([]float64, 4*nall)
	s := &Solution{
		X:          pt.x,
		Fitted:     buf[:nall:nall],
		Residuals:  buf[nall : 2*nall : 2*nall],
		Redundancy: buf[2*nall : 3*nall : 3*nall],
		W:          buf[3*nall:],
		Chi2:       pt.chi2,
		DOF:        len(a.rows) - n,
		UsedWeak:   a.used,
		Iterations: iterations,
		q:          make([]float64, m*n),
		row:        make([]int, nall),
		rank:       a.rank,
	}
	s.P = upperTail(s.Chi2, s.DOF)
	s.Cov, s.Condition = a.covariance()
	a.f.thinQ(s.q)

	row := 0
	for i := range a.p.Observations {
		o := &a.p.Observations[i]
		if out != nil && out[i] {
			s.row[i] = -1
			s.aside(i, o, a.grad)
			continue
		}
		s.row[i] = row
		s.Fitted[i] = pt.fit[row]
		s.Residuals[i] = o.Value - pt.fit[row]
		if r := 1 - s.leverage(i, i); r >= RedundancyFloor {
			s.Redundancy[i] = r
			s.W[i] = s.Residuals[i] / (o.U * math.Sqrt(r))
		}
		row++
	}
	return s, nil
}

// aside fills in observation i, which took no part: its residual against the solution, of variance u² + g'Cg, and
// the redundancy and w it would have if it alone were put back: u²/(u² + g'Cg) and v/√(u² + g'Cg).
func (s *Solution) aside(i int, o *Observation, grad []float64) {
	clear(grad)
	s.Fitted[i] = o.Model(s.X, grad)
	s.Residuals[i] = o.Value - s.Fitted[i]
	u := math.Hypot(o.U, s.U(grad))
	s.Redundancy[i] = (o.U / u) * (o.U / u)
	s.W[i] = s.Residuals[i] / u
}

// covariance returns S⁻¹·P·R⁻¹·R⁻ᵀ·Pᵀ·S⁻¹ and ‖R‖₁·‖R⁻¹‖₁.
func (a *adjustment) covariance() (*mat.SymDense, float64) {
	n := a.f.n
	inv := make([]float64, n*n) // R⁻¹ by columns
	normR, normInv := 0.0, 0.0
	for k := range n {
		y := inv[k*n : (k+1)*n]
		y[k] = 1
		a.f.solveR(y)
		sum, sumInv := 0.0, 0.0
		for i := 0; i <= k; i++ {
			sum += math.Abs(a.f.r(i, k))
			sumInv += math.Abs(y[i])
		}
		normR, normInv = max(normR, sum), max(normInv, sumInv)
	}
	cov := mat.NewSymDense(n, nil)
	for i, pi := range a.f.perm {
		for j := i; j < n; j++ {
			pj, t := a.f.perm[j], 0.0
			for k := j; k < n; k++ {
				t += inv[k*n+i] * inv[k*n+j]
			}
			cov.SetSym(pi, pj, t/a.scale[pi]/a.scale[pj])
		}
	}
	return cov, normR * normInv
}

// equilibrate copies the n columns of a into dst, each scaled to length 1, and returns the lengths in scale (1 for a column of
// zeros). The solution does not depend on the units of the unknowns, so neither should its rounding or its rank.
func equilibrate(dst, a []float64, n int, scale []float64) []float64 {
	m := len(a) / n
	scale = resize(scale, n)
	for j := range n {
		col := a[j*m : (j+1)*m]
		s := math.Sqrt(dot(col, col))
		if s == 0 {
			s = 1
		}
		scale[j] = s
		for i, x := range col {
			dst[j*m+i] = x / s
		}
	}
	return scale
}

// union merges two ascending lists.
func union(a, b []int) []int {
	c := slices.Concat(a, b)
	slices.Sort(c)
	return slices.Compact(c)
}

func allFinite(xs []float64) bool {
	return !slices.ContainsFunc(xs, func(x float64) bool { return !finite(x) })
}
