package adjust

import (
	"math"
	"testing"

	"gonum.org/v1/gonum/mat"
	"gonum.org/v1/gonum/stat"
)

// direct observes the unknown i itself.
func direct(i int) func(x, grad []float64) float64 {
	return func(x, grad []float64) float64 {
		if grad != nil {
			grad[i] = 1
		}
		return x[i]
	}
}

// GUM H.1, the end gauge (JCGM 100:2008, annex H.1): l = l_s + d − l_s(δα·θ +
// α_s·δθ), in nm. Published: l 50 000 838, u_c 32, u(d) 9.7. To more digits, computed
// from the same inputs: 31.663879 and 9.681942.
func TestGUMEndGauge(t *testing.T) {
	const (
		ls = iota
		d1
		d2
		d3
		alpha
		dAlpha
		theta
		dTheta
		n
	)
	// d is the mean of five readings and the two errors of the comparator; the
	// last two are nought with the uncertainties of the annex.
	value := [n]float64{ls: 50000623, d1: 215, alpha: 11.5e-6, theta: -0.1}
	// δα and δθ are rectangular, ±10⁻⁶ and ±0.05, printed as u 0.58·10⁻⁶ and 0.029.
	u := [n]float64{25, 5.8, 3.9, 6.7, 1.2e-6, 1e-6 / math.Sqrt(3), 0.41, 0.05 / math.Sqrt(3)}
	p := Problem{Start: make([]float64, n)}
	for i := range n {
		p.Start[i] = value[i]
		p.Observations = append(p.Observations, Observation{Value: value[i], U: u[i], Model: direct(i)})
	}
	s, err := Solve(p, Options{})
	if err != nil {
		t.Fatal(err)
	}
	x := s.X
	l := x[ls] + x[d1] + x[d2] + x[d3] - x[ls]*(x[dAlpha]*x[theta]+x[alpha]*x[dTheta])
	within(t, "l", l, 50000838, 0.5)
	uc := s.U([]float64{
		ls: 1 - x[dAlpha]*x[theta] - x[alpha]*x[dTheta], d1: 1, d2: 1, d3: 1,
		alpha: -x[ls] * x[dTheta], dAlpha: -x[ls] * x[theta], theta: -x[ls] * x[dAlpha], dTheta: -x[ls] * x[alpha],
	})
	within(t, "u_c, as printed", uc, 32, 0.5)
	within(t, "u_c", uc, 31.663879, 1e-6)
	within(t, "u(d)", s.U([]float64{d1: 1, d2: 1, d3: 1, n - 1: 0}), 9.681942, 1e-6)
}

// GUM H.2, resistance, reactance and impedance measured together (JCGM 100:2008,
// annex H.2). Published: R 127.732 u 0.071, X 219.847 u 0.295, Z 254.260 u 0.236;
// r(R,X) −0.588, r(R,Z) −0.485, r(X,Z) 0.993 (the third digits from memory). To more
// digits, computed from the same inputs.
func TestGUMImpedance(t *testing.T) {
	sets := [3][]float64{
		{5.007, 4.994, 5.005, 4.990, 4.999},                     // V
		{19.663e-3, 19.639e-3, 19.640e-3, 19.685e-3, 19.678e-3}, // A
		{1.0456, 1.0438, 1.0468, 1.0428, 1.0433},                // rad
	}
	// The means are correlated. With S = L·Lᵀ their covariance, L⁻¹ times them
	// are independent, each of u 1: so they are observed.
	cov := mat.NewSymDense(3, nil)
	mean := make([]float64, 3)
	for i := range sets {
		mean[i] = stat.Mean(sets[i], nil)
		for j := range sets {
			cov.SetSym(i, j, stat.Covariance(sets[i], sets[j], nil)/5)
		}
	}
	var chol mat.Cholesky
	if !chol.Factorize(cov) {
		t.Fatal("the covariance of the means is not positive definite")
	}
	var lower mat.TriDense
	var white mat.Dense
	chol.LTo(&lower)
	if err := white.Inverse(&lower); err != nil {
		t.Fatal(err)
	}
	p := Problem{Start: []float64{5, 0.02, 1}}
	for i := range 3 {
		row := mat.Row(nil, i, &white)
		model := func(x, grad []float64) float64 {
			if grad != nil {
				copy(grad, row)
			}
			return row[0]*x[0] + row[1]*x[1] + row[2]*x[2]
		}
		p.Observations = append(p.Observations, Observation{Value: model(mean, nil), U: 1, Model: model})
	}
	s, err := Solve(p, Options{})
	if err != nil {
		t.Fatal(err)
	}
	v, i, phi := s.X[0], s.X[1], s.X[2]
	sin, cos := math.Sincos(phi)
	grads := [3][]float64{
		{cos / i, -v * cos / (i * i), -v * sin / i},
		{sin / i, -v * sin / (i * i), v * cos / i},
		{1 / i, -v / (i * i), 0},
	}
	for k, want := range []struct {
		name              string
		value, u          float64
		printed, printedU float64
		got               float64
	}{
		{"R", 127.732169928, 0.071071407, 127.732, 0.071, v / i * cos},
		{"X", 219.846511913, 0.29558168, 219.847, 0.295, v / i * sin},
		{"Z", 254.259701948, 0.23633613, 254.260, 0.236, v / i},
	} {
		within(t, want.name, want.got, want.value, 1e-8)
		within(t, "u of "+want.name, s.U(grads[k]), want.u, 1e-7)
		within(t, want.name+" as printed", want.got, want.printed, 1e-3)
		within(t, "u of "+want.name+" as printed", s.U(grads[k]), want.printedU, 1e-3)
	}
	r := func(a, b int) float64 {
		ga, gb := mat.NewVecDense(3, grads[a]), mat.NewVecDense(3, grads[b])
		return mat.Inner(ga, s.Cov, gb) / (s.U(grads[a]) * s.U(grads[b]))
	}
	within(t, "r(R,X)", r(0, 1), -0.58842978, 1e-7)
	within(t, "r(R,Z)", r(0, 2), -0.48525922, 1e-7)
	within(t, "r(X,Z)", r(1, 2), 0.99251165, 1e-7)
}
