package adjust

import (
	"math"

	"gonum.org/v1/gonum/mat"
	"gonum.org/v1/gonum/stat/distuv"
)

// Solution is an adjustment. Its slices Residuals, Fitted, Redundancy and W follow Problem.Observations.
type Solution struct {
	X   []float64
	Cov *mat.SymDense // (JᵀWJ)⁻¹, W = diag(1/u²): a priori, not scaled by Sigma0

	Fitted     []float64 // f(X)
	Residuals  []float64 // v = value - fitted
	Redundancy []float64 // r, the share of a slip that shows in its own residual; 0 under RedundancyFloor
	W          []float64 // v/(u·√r), standard normal when u is right; 0 when r is 0

	Chi2 float64 // Σ (v/u)² over the observations and the weak priors used
	DOF  int     // observations + weak priors used - unknowns
	P    float64 // probability that chi2 comes out this large or larger when every u is right; 1 when DOF is 0

	UsedWeak   []int   // weak priors that were needed, ascending
	Iterations int     // steps taken
	Condition  float64 // 1-norm condition of the weighted Jacobian, its columns scaled to length 1

	q   []float64 // first columns of Q, stored by columns, one row for each row of the adjustment
	row []int     // row of an observation in q, -1 if it is set aside

	rank int // of the observations alone, without weak priors
}

// Sigma0 = √(chi2/dof), the a-posteriori standard deviation of unit weight; NaN when DOF is 0.
func (s *Solution) Sigma0() float64 {
	if s.DOF == 0 {
		return math.NaN()
	}
	return math.Sqrt(s.Chi2 / float64(s.DOF))
}

// CovScaled = Sigma0²·Cov, for readings whose u is known only in proportion; NaN when DOF is 0.
func (s *Solution) CovScaled() *mat.SymDense {
	s0 := s.Sigma0()
	c := mat.NewSymDense(len(s.X), nil)
	c.ScaleSym(s0*s0, s.Cov)
	return c
}

// U = √(gᵀ·Cov·g), the standard uncertainty of a function of the unknowns with gradient g at X (len(X), in units of the
// function per unit of the unknown); NaN if the length of g differs from that of X.
func (s *Solution) U(grad []float64) float64 {
	if len(grad) != len(s.X) {
		return math.NaN()
	}
	g := mat.NewVecDense(len(grad), grad)
	return math.Sqrt(max(0, mat.Inner(g, s.Cov, g)))
}

// leverage returns h_ij = Σ_k q_ik·q_jk. The cofactor of the weighted residuals i and j is δ_ij - h_ij.
func (s *Solution) leverage(i, j int) float64 {
	m, h := len(s.q)/len(s.X), 0.0
	for k := range s.X {
		h += s.q[k*m+s.row[i]] * s.q[k*m+s.row[j]]
	}
	return h
}

func upperTail(chi2 float64, dof int) float64 {
	if dof == 0 {
		return 1
	}
	return distuv.ChiSquared{K: float64(dof)}.Survival(chi2)
}
