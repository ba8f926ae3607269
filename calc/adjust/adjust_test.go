package adjust

import (
	"errors"
	"fmt"
	"math"
	"math/rand/v2"
	"slices"
	"strings"
	"testing"

	"github.com/google/go-cmp/cmp"
	"gonum.org/v1/gonum/mat"
	"pgregory.net/rapid"

	"pinchrod/calc/calctest"
)

// linear observes c·x.
func linear(value, u float64, c ...float64) Observation {
	return Observation{Value: value, U: u, Model: func(x, grad []float64) float64 {
		if grad != nil {
			copy(grad, c)
		}
		return dot(c, x)
	}}
}

func prior(o Observation) Observation {
	o.Prior = true
	return o
}

func TestNoRedundancy(t *testing.T) {
	s := mustSolve(t, Problem{Start: []float64{0, 0}, Observations: []Observation{linear(3, 0.1, 1, 1), linear(1, 0.2, 1, -1)}})
	allWithin(t, "X", s.X, []float64{2, 1}, 1e-15)
	if s.DOF != 0 || s.P != 1 || !math.IsNaN(s.Sigma0()) {
		t.Errorf("DOF, P, Sigma0 = %d, %v, %v, want 0, 1, NaN", s.DOF, s.P, s.Sigma0())
	}
	if want := []float64{0, 0}; !cmp.Equal(s.Redundancy, want) || !cmp.Equal(s.W, want) {
		t.Errorf("r, w = %v, %v, want zeros", s.Redundancy, s.W)
	}
	// x1 = (l1 + l2)/2.
	within(t, "U", s.U([]float64{1, 0}), math.Hypot(0.1, 0.2)/2, 1e-16)
	if u := s.U([]float64{1}); !math.IsNaN(u) {
		t.Errorf("U of a gradient too short = %v, want NaN", u)
	}
}

// A mean of two readings and a prior, by hand: weights 4, 1, 1/4.
func TestPriorCounts(t *testing.T) {
	p := Problem{Start: []float64{0}, Observations: []Observation{linear(10, 0.5, 1), linear(11, 1, 1), prior(linear(0, 2, 1))}}
	s := mustSolve(t, p)
	within(t, "x", s.X[0], (4*10+11)/5.25, 1e-14)
	within(t, "variance", s.Cov.At(0, 0), 1/5.25, 1e-16)
	allWithin(t, "r", s.Redundancy, []float64{1 - 4/5.25, 1 - 1/5.25, 1 - 0.25/5.25}, 1e-15)
	if s.DOF != 2 {
		t.Errorf("DOF = %d, want 2", s.DOF)
	}
}

func TestWeak(t *testing.T) {
	run, gap := linear(900, 0.5, 1, 0, 0), linear(30, 0.5, 0, 1, -1)
	tests := []struct {
		name string
		obs  []Observation
		weak []Observation
		want []int
		x    []float64
	}{
		{"none needed", []Observation{run, gap, linear(40, 0.5, 0, 1, 0)}, []Observation{linear(0, 5, 0, 1, 0)}, nil, []float64{900, 40, 10}},
		{"one needed, one not", []Observation{run, gap},
			[]Observation{linear(0, 5, 1, 0, 0), linear(7, 5, 0, 0, 1), linear(0, 5, 0, 2, -2)}, []int{1}, []float64{900, 37, 7}},
		// Both are judged before either is added, so both come in and share the 10 mm by variance, 25 : 25 : 0.25.
		{"two for one direction", []Observation{run, gap}, []Observation{linear(0, 5, 0, 0, 1), linear(40, 5, 0, 1, 0)}, []int{0, 1}, []float64{900, 40 - 250/50.25, 250 / 50.25}},
		{"an unknown nothing observes", []Observation{run}, []Observation{linear(1, 5, 0, 1e-8, 0), linear(3, 5, 0, 0, 1e9)}, []int{0, 1}, []float64{900, 1e8, 3e-9}},
		{"an unknown only the prior sees, and faintly", []Observation{run, linear(40, 0.5, 0, 1, 0)},
			[]Observation{linear(900001, 5, 1000, 0, 1e-12)}, []int{0}, []float64{900, 40, 1e12}},
		{"a gradient of zero", []Observation{run, gap, linear(40, 0.5, 0, 1, 0)}, []Observation{linear(1, 5, 0, 0, 0)}, nil, []float64{900, 40, 10}},
		// Full rank, but 1e6 standard uncertainties of the prior: it is the prior that knows the third unknown.
		{"determined in name only", []Observation{run, linear(40, 0.5, 0, 1, 0), linear(0, 0.5, 0, 0, 1e-7)}, []Observation{linear(2, 5, 0, 0, 1)}, []int{0}, []float64{900, 40, 2}},
	}
	for _, tt := range tests {
		t.Run(tt.name, func(t *testing.T) {
			s := mustSolve(t, Problem{Start: make([]float64, 3), Observations: tt.obs, Weak: tt.weak})
			if !slices.Equal(s.UsedWeak, tt.want) {
				t.Errorf("UsedWeak = %v, want %v", s.UsedWeak, tt.want)
			}
			for j, want := range tt.x {
				within(t, "x", s.X[j], want, 1e-9*math.Abs(want))
			}
			if want := len(tt.obs) + len(tt.want) - 3; s.DOF != want || len(s.Residuals) != len(tt.obs) {
				t.Errorf("DOF %d, want %d; %d residuals for %d observations", s.DOF, want, len(s.Residuals), len(tt.obs))
			}
		})
	}
}

// slopeRun observes run·√(1+p²), u = 0.5, of the unknowns (run, p).
func slopeRun(value float64) Observation {
	return Observation{Value: value, U: 0.5, Model: func(x, grad []float64) float64 {
		h := math.Hypot(1, x[1])
		if grad != nil {
			grad[0], grad[1] = h, x[0]*x[1]/h
		}
		return x[0] * h
	}}
}

// A run taken along the slope says nothing of the slope at 0, where the first solve starts, and much at its solution; the second goes the other
// way. Reported is what the solution needed.
func TestWeakFollowsTheSolution(t *testing.T) {
	weak := []Observation{linear(0.5, 0.1, 0, 1)}
	s := mustSolve(t, Problem{Start: []float64{1, 0}, Weak: weak,
		Observations: []Observation{linear(1000, 0.5, 1, 0), slopeRun(1250)}})
	if len(s.UsedWeak) != 0 {
		t.Errorf("weak prior used at slope %v", s.X[1])
	}
	within(t, "slope", s.X[1], 0.75, 1e-12)

	weak[0].Value = 0
	s = mustSolve(t, Problem{Start: []float64{1000, 0.75}, Weak: weak,
		Observations: []Observation{linear(1000, 0.5, 1, 0), slopeRun(1000), slopeRun(1000)}})
	if !slices.Equal(s.UsedWeak, []int{0}) {
		t.Errorf("weak prior not used at slope %v", s.X[1])
	}
	within(t, "slope", s.X[1], 0, 1e-3)
}

// Each choice undoes itself: the prior pulls the slope to where it is not needed, and without it the slope goes back to 0, where
// it is. It then stays.
func TestWeakEnds(t *testing.T) {
	s := mustSolve(t, Problem{Start: []float64{1000, 0}, Weak: []Observation{linear(0.5, 0.1, 0, 1)},
		Observations: []Observation{linear(1000, 0.5, 1, 0), slopeRun(1000)}})
	if !slices.Equal(s.UsedWeak, []int{0}) || s.DOF != 1 {
		t.Errorf("UsedWeak %v, DOF %d, want [0], 1", s.UsedWeak, s.DOF)
	}
}

func TestUndetermined(t *testing.T) {
	tests := []struct {
		name string
		obs  []Observation
		weak []Observation
		want []int
	}{
		{"fewer readings than unknowns", []Observation{linear(1, 1, 1, 0, 0), linear(1, 1, 0, 1, 0)}, nil, []int{2}},
		{"no readings", nil, nil, []int{0, 1, 2}},
		{"only a difference", []Observation{linear(1, 1, 1, 0, 0), linear(1, 1, 0, 1, -1), linear(2, 1, 0, 1, -1), linear(2, 1, 1, 1, -1)}, nil, []int{1, 2}},
		// 0.1·3 is not 0.3 in binary: dependence up to rounding is dependence.
		{"proportional up to rounding", []Observation{linear(1, 1, 0.1, 0.3, 0), linear(1, 0.7, 0.1*7, 0.3*7, 0), linear(1, 1, 0.1/3, 0.1, 0), linear(1, 1, 0, 0, 1)}, nil, []int{0, 1}},
		{"the weak prior does not help", []Observation{linear(1, 1, 1, 0, 0)}, []Observation{linear(0, 1, 0, 1, 0)}, []int{2}},
	}
	for _, tt := range tests {
		t.Run(tt.name, func(t *testing.T) {
			_, err := Solve(Problem{Start: make([]float64, 3), Observations: tt.obs, Weak: tt.weak}, Options{})
			var u *Undetermined
			if !errors.As(err, &u) || !errors.Is(err, ErrUndetermined) {
				t.Fatalf("error %v, want *Undetermined", err)
			}
			if !slices.Equal(u.Unknowns, tt.want) {
				t.Errorf("unknowns %v, want %v", u.Unknowns, tt.want)
			}
		})
	}
}

func TestBadInput(t *testing.T) {
	nan, inf := math.NaN(), math.Inf(1)
	good := linear(1, 1, 1)
	gives := func(f, g float64) Observation {
		return Observation{Value: 1, U: 1, Model: func(x, grad []float64) float64 {
			if grad != nil {
				grad[0] = g
			}
			return f
		}}
	}
	tests := []struct {
		name string
		p    Problem
		want error
		text string
	}{
		{"no unknowns", Problem{Observations: []Observation{good}}, ErrInput, "no unknowns"},
		{"start NaN", Problem{Start: []float64{nan}, Observations: []Observation{good}}, ErrInput, "starting value 0"},
		{"value NaN", Problem{Start: []float64{0}, Observations: []Observation{good, linear(nan, 1, 1)}}, ErrInput, "observation 1"},
		{"value Inf", Problem{Start: []float64{0}, Observations: []Observation{linear(inf, 1, 1)}}, ErrInput, "observation 0"},
		{"u zero", Problem{Start: []float64{0}, Observations: []Observation{linear(1, 0, 1)}}, ErrInput, "not above 0"},
		{"u negative", Problem{Start: []float64{0}, Observations: []Observation{linear(1, -1, 1)}}, ErrInput, "not above 0"},
		{"u NaN", Problem{Start: []float64{0}, Observations: []Observation{linear(1, nan, 1)}}, ErrInput, "not above 0"},
		{"no model", Problem{Start: []float64{0}, Observations: []Observation{{Value: 1, U: 1}}}, ErrInput, "no model"},
		{"weak u zero", Problem{Start: []float64{0}, Observations: []Observation{good}, Weak: []Observation{linear(1, 0, 1)}}, ErrInput, "weak prior 0"},
		{"model NaN", Problem{Start: []float64{0}, Observations: []Observation{good, gives(nan, 1)}}, ErrModel, "observation 1"},
		{"gradient Inf", Problem{Start: []float64{0}, Observations: []Observation{good, gives(1, inf)}}, ErrModel, "observation 1"},
		{"overflow", Problem{Start: []float64{0}, Observations: []Observation{linear(1e300, 1e-300, 1)}}, ErrModel, "observation 0"},
		{"weak gradient NaN", Problem{Start: []float64{0}, Observations: []Observation{good}, Weak: []Observation{gives(1, nan)}}, ErrModel, "weak prior 0"},
		// Its gradient has the wrong sign, so no step ever helps.
		{"wrong gradient", Problem{Start: []float64{0}, Observations: []Observation{{Value: 1, U: 1, Model: func(x, grad []float64) float64 {
			if grad != nil {
				grad[0] = -1
			}
			return x[0]
		}}, linear(0, 1, 0)}}, ErrNotConverged, "not converged"},
		{"no minimum", Problem{Start: []float64{0}, Observations: []Observation{{Value: -1, U: 1, Model: func(x, grad []float64) float64 {
			if grad != nil {
				grad[0] = math.Exp(x[0])
			}
			return math.Exp(x[0])
		}}}}, ErrNotConverged, "not converged"},
	}
	for _, tt := range tests {
		t.Run(tt.name, func(t *testing.T) {
			for name, f := range map[string]func() error{
				"Solve": func() error { _, err := Solve(tt.p, Options{}); return err },
				"Snoop": func() error { _, err := Snoop(tt.p, Options{}); return err },
			} {
				if err := f(); !errors.Is(err, tt.want) || !strings.Contains(err.Error(), tt.text) {
					t.Errorf("%s: error %q, want %q with %q", name, err, tt.want, tt.text)
				}
			}
		})
	}
}

// A model that is NaN outside its domain only shortens the steps that would leave it. ln x = -1 from x = 30: the full
// Gauss–Newton step, x - x(ln x + 1), lands at -102.
func TestDomain(t *testing.T) {
	s := mustSolve(t, Problem{Start: []float64{30}, Observations: []Observation{{Value: -1, U: 1, Model: func(x, grad []float64) float64 {
		if grad != nil {
			grad[0] = 1 / x[0]
		}
		return math.Log(x[0])
	}}}})
	within(t, "x", s.X[0], 1/math.E, 1e-15)
}

func TestMaxIter(t *testing.T) {
	p := Problem{Start: []float64{30}, Observations: []Observation{{Value: 2, U: 1, Model: func(x, grad []float64) float64 {
		if grad != nil {
			grad[0] = 2 * x[0]
		}
		return x[0] * x[0]
	}}}}
	if _, err := Solve(p, Options{MaxIter: 2}); !errors.Is(err, ErrNotConverged) {
		t.Errorf("after 2 steps: %v, want ErrNotConverged", err)
	}
	within(t, "x", mustSolve(t, p).X[0], math.Sqrt2, 1e-15)
}

func TestRankTolOption(t *testing.T) {
	p := Problem{Start: []float64{0, 0}, Observations: []Observation{linear(1, 1, 1, 1), linear(1, 1, 1, 1+1e-6)}}
	mustSolve(t, p)
	if _, err := Solve(p, Options{RankTol: 1e-5}); !errors.Is(err, ErrUndetermined) {
		t.Errorf("with RankTol 1e-5: %v, want ErrUndetermined", err)
	}
}

func TestSnoop(t *testing.T) {
	mean := func(values ...float64) Problem {
		p := Problem{Start: []float64{0}}
		for _, v := range values {
			p.Observations = append(p.Observations, linear(v, 1, 1))
		}
		return p
	}
	withPrior := mean(100, 100.5, 100.2)
	withPrior.Observations = append(withPrior.Observations, prior(linear(0, 1, 1)))
	lone := mean(100, 100.5, 99.8, 130)
	lone.Start = []float64{0, 0}
	for i := range lone.Observations {
		lone.Observations[i] = linear(lone.Observations[i].Value, 1, 1, 0)
	}
	lone.Observations = append(lone.Observations, linear(50, 1, 0, 1), linear(90, 1, 0, 1))
	tests := []struct {
		name   string
		p      Problem
		opt    Options
		want   []int
		rivals [][]int
	}{
		{"clean", mean(100, 100.5, 99.8), Options{}, nil, nil},
		{"one slip", mean(100, 110, 100.5, 99.8), Options{}, []int{1}, [][]int{nil}},
		{"two slips", mean(100, 110, 100.5, 99.8, 80), Options{}, []int{4, 1}, [][]int{nil, nil}},
		// Two readings of one thing: one of them is wrong, and nothing says which.
		{"two disagree", mean(100, 110), Options{}, []int{0}, [][]int{{1}}},
		{"a lower limit", mean(100, 100.5, 103), Options{Critical: 2}, []int{2}, [][]int{nil}},
		// The price of trusting a prior: when it is the prior that is off, readings go, the farthest from it first.
		{"the prior is off", withPrior, Options{}, []int{1, 2, 0}, [][]int{nil, nil, nil}},
		{"slip, then a pair", lone, Options{}, []int{4, 3}, [][]int{{5}, nil}},
	}
	for _, tt := range tests {
		t.Run(tt.name, func(t *testing.T) {
			s, err := Snoop(tt.p, tt.opt)
			if err != nil {
				t.Fatal(err)
			}
			var got []int
			var rivals [][]int
			for _, pass := range s.Passes {
				got = append(got, pass.Index)
				rivals = append(rivals, append([]int(nil), pass.Rivals...))
			}
			if !cmp.Equal(got, tt.want) || !cmp.Equal(rivals, tt.rivals) {
				t.Errorf("set aside %v rivals %v, want %v %v", got, rivals, tt.want, tt.rivals)
			}
			if n := len(tt.p.Observations); len(s.Residuals) != n || len(s.W) != n {
				t.Errorf("%d residuals for %d observations", len(s.Residuals), n)
			}
		})
	}
}

// A line through x = 0, 0, 0, 10, 10: the two far readings check each other and nothing else does, so that a slip
// between them is located by nothing. The near three locate theirs. With r = 1 − h, the far two have h = 1/2 and their w
// a correlation of −1; of the near three h is 1/3.
func TestSnoopNotLocated(t *testing.T) {
	line := func(near, far []float64) Problem {
		p := Problem{Start: []float64{0, 0}}
		for _, v := range near {
			p.Observations = append(p.Observations, linear(v, 1, 1, 0))
		}
		for _, v := range far {
			p.Observations = append(p.Observations, linear(v, 1, 1, 10))
		}
		return p
	}
	for _, tt := range []struct {
		name       string
		p          Problem
		set        []int
		candidates [][]int // of each pass: all that explain it
	}{
		{"far pair", line([]float64{0, 0.1, -0.1}, []float64{50, 70}), []int{3}, [][]int{{3, 4}}},
		{"the other way round", line([]float64{0, 0.1, -0.1}, []float64{70, 50}), []int{3}, [][]int{{3, 4}}},
		{"near three", line([]float64{0, 20, -0.1}, []float64{50, 50}), []int{1}, [][]int{{1}}},
		{"two slips apart", line([]float64{0, 21, -0.1}, []float64{50, 70}), []int{1, 3}, [][]int{{1}, {3, 4}}},
	} {
		s, err := Snoop(tt.p, Options{})
		if err != nil {
			t.Fatal(err)
		}
		var set []int
		var candidates [][]int
		for _, pass := range s.Passes {
			set = append(set, pass.Index)
			candidates = append(candidates, append([]int{pass.Index}, pass.Rivals...))
		}
		if !cmp.Equal(set, tt.set) || !cmp.Equal(candidates, tt.candidates) {
			t.Errorf("%s: set aside %v of %v, want %v of %v", tt.name, set, candidates, tt.set, tt.candidates)
		}
	}
}

// The rivals of the first pass are those of the definition, with the hat matrix H = A(AᵀA)⁻¹Aᵀ of a line worked out by
// hand: |w| within a tenth, or |h_ij|/√(r_i·r_j) above 0.9, and no slip of its own.
func TestSnoopRivalsByDefinition(t *testing.T) {
	kinds := map[string]int{}
	for seed := range uint64(400) {
		rng := rand.New(rand.NewPCG(seed, 7))
		x := []float64{0, 1, 2, 3 + 20*rng.Float64(), 40 * rng.Float64()}
		y := make([]float64, len(x))
		p := Problem{Start: []float64{0, 0}}
		for i := range x {
			y[i] = rng.NormFloat64()
			if i >= 3 {
				y[i] += 12 * rng.NormFloat64()
			}
			p.Observations = append(p.Observations, linear(y[i], 1, 1, x[i]))
		}
		s, err := Snoop(p, Options{})
		if err != nil {
			t.Fatal(err)
		}
		if len(s.Passes) == 0 {
			continue
		}
		w, h := lineW(x, y, -1)
		first := s.Passes[0].Index
		alone, _ := lineW(x, y, first)
		var want []int
		for j := range x {
			rho := h(first, j) / math.Sqrt((1-h(first, first))*(1-h(j, j)))
			near, tied := math.Abs(w[j]) >= 0.9*math.Abs(w[first]), math.Abs(rho) > 0.9
			if j != first && 1-h(j, j) > 0.01 && (near || tied) && math.Abs(alone[j]) <= Critical {
				want = append(want, j)
				kinds[fmt.Sprint(near, tied)]++
			}
		}
		if !cmp.Equal(s.Passes[0].Rivals, want) {
			t.Errorf("seed %d: rivals of %d are %v, want %v", seed, first, s.Passes[0].Rivals, want)
		}
	}
	if len(kinds) != 3 {
		t.Errorf("rivals by |w| alone, by correlation alone and by both: got %v", kinds)
	}
}

// lineW is w of each reading of a line fitted through points of u = 1, and the element h_ij of the hat matrix,
// 1/n + (x_i − m)(x_j − m)/Σ(x − m)². Point out takes no part (−1: all do); its w is 0.
func lineW(x, y []float64, out int) ([]float64, func(i, j int) float64) {
	n, mx, my, sxx, sxy := 0.0, 0.0, 0.0, 0.0, 0.0
	in := func(do func(i int)) {
		for i := range x {
			if i != out {
				do(i)
			}
		}
	}
	in(func(i int) { n, mx, my = n+1, mx+x[i], my+y[i] })
	mx, my = mx/n, my/n
	in(func(i int) { sxx, sxy = sxx+(x[i]-mx)*(x[i]-mx), sxy+(x[i]-mx)*(y[i]-my) })
	h := func(i, j int) float64 { return 1/n + (x[i]-mx)*(x[j]-mx)/sxx }
	w := make([]float64, len(x))
	in(func(i int) { w[i] = (y[i] - my - sxy/sxx*(x[i]-mx)) / math.Sqrt(1-h(i, i)) })
	return w, h
}

// A reading whose redundancy is below 0.01 is never blamed, however large its w. One reading of u 1 beside a prior of u
// has r = 1/(1 + u²) and w = v/√(1 + u²): 0.0122 and 11.0 for a prior of 9, 0.0082 and 9.1 for one of 11.
func TestSnoopBlamesOnlyWhatIsChecked(t *testing.T) {
	for _, tt := range []struct {
		u    float64 // of the prior: r of the reading is 1/(1 + u²)
		want int     // passes
	}{{9, 1}, {11, 0}} {
		p := Problem{Start: []float64{0}, Observations: []Observation{
			linear(100, 1, 1), {Value: 0, U: tt.u, Prior: true, Model: linear(0, 1, 1).Model},
		}}
		s, err := Snoop(p, Options{})
		if err != nil {
			t.Fatal(err)
		}
		if len(s.Passes) != tt.want || math.Abs(100/math.Hypot(1, tt.u)) < Critical {
			t.Errorf("prior of u %g: %d passes, want %d", tt.u, len(s.Passes), tt.want)
		}
	}
}

// By hand: the mean of 100, 110, 100.5, 99.8 has r = 3/4 for each; the likely error is the value less the mean of the others.
func TestSnoopFigures(t *testing.T) {
	p := Problem{Start: []float64{0}}
	for _, v := range []float64{100, 110, 100.5, 99.8} {
		p.Observations = append(p.Observations, linear(v, 1, 1))
	}
	s, err := Snoop(p, Options{})
	if err != nil || len(s.Passes) != 1 {
		t.Fatalf("%v, passes %+v", err, s)
	}
	pass, others := s.Passes[0], (100+100.5+99.8)/3
	within(t, "error", pass.Error, 110-others, 1e-12)
	within(t, "u", pass.U, math.Sqrt(4./3), 1e-14)
	within(t, "w", pass.W, (110-others)/math.Sqrt(4./3), 1e-12)
	within(t, "x", s.X[0], others, 1e-13)
	within(t, "residual set aside", s.Residuals[1], 110-others, 1e-12)
	within(t, "redundancy put back", s.Redundancy[1], 0.75, 1e-14)
	within(t, "w put back", s.W[1], pass.W, 1e-12)
}

// Only a surplus of weak priors checks the second unknown's one reading: without it that unknown would rest on them.
func TestSnoopKeepsWhatDetermines(t *testing.T) {
	p := Problem{
		Start: []float64{0, 0, 0},
		// x2 + x3 is read once; the two weak priors are needed for the split, and together contradict it.
		Observations: []Observation{linear(10, 1, 1, 0, 0), linear(10.5, 1, 1, 0, 0), linear(100, 1, 0, 1, 1)},
		Weak:         []Observation{linear(0, 1, 0, 1, 0), linear(0, 1, 0, 0, 1)},
	}
	all := mustSolve(t, p)
	if !slices.Equal(all.UsedWeak, []int{0, 1}) || math.Abs(all.W[2]) < Critical {
		t.Fatalf("the case does not test what it should: weak %v, w %v", all.UsedWeak, all.W)
	}
	s, err := Snoop(p, Options{})
	if err != nil {
		t.Fatal(err)
	}
	if len(s.Passes) != 0 {
		t.Errorf("set aside %+v", s.Passes)
	}
}

// network draws a well-posed random linear problem: every unknown read once on its own, the rest combinations.
type network struct {
	a     [][]float64
	l, u  []float64
	prior []bool
	n     int
}

func drawNetwork(t *rapid.T) network {
	n := rapid.IntRange(1, 8).Draw(t, "unknowns")
	m := n + rapid.IntRange(1, 20).Draw(t, "surplus")
	g := network{n: n}
	for i := range m {
		row := make([]float64, n)
		for j := range row {
			row[j] = float64(rapid.IntRange(-3, 3).Draw(t, "c"))
		}
		if i < n {
			row = make([]float64, n)
			row[i] = 1
		}
		g.a = append(g.a, row)
		g.l = append(g.l, rapid.Float64Range(-1000, 1000).Draw(t, "l"))
		g.u = append(g.u, rapid.Float64Range(0.1, 10).Draw(t, "u"))
		g.prior = append(g.prior, rapid.Bool().Draw(t, "prior"))
	}
	return g
}

// problem states the network in the order given, with unknown j in units 1/scale[j].
func (g network) problem(order []int, scale []float64) Problem {
	p := Problem{Start: make([]float64, g.n)}
	for _, i := range order {
		c := make([]float64, g.n)
		for j := range c {
			c[j] = g.a[i][j] / scale[j]
		}
		o := linear(g.l[i], g.u[i], c...)
		o.Prior = g.prior[i]
		p.Observations = append(p.Observations, o)
	}
	return p
}

func (g network) plain() (order []int, scale []float64) {
	for i := range g.l {
		order = append(order, i)
	}
	for range g.n {
		scale = append(scale, 1)
	}
	return order, scale
}

// The readings are up to 1000 with u from 0.1 to 10, and the unit rows keep the condition under some 1e4: 1e-16·1e4·1000 with room.
const drawnTol = 1e-7

func TestSolveProperties(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		g := drawNetwork(t)
		order, ones := g.plain()
		s, err := Solve(g.problem(order, ones), Options{})
		if err != nil {
			t.Fatal(err)
		}
		close := func(what string, got, want, tol float64) {
			if !(math.Abs(got-want) <= tol) {
				t.Fatalf("%s = %v, want %v", what, got, want)
			}
		}
		m := len(g.l)
		sum, chi2 := 0.0, 0.0
		for i, r := range s.Redundancy {
			if r < 0 || r > 1+1e-12 {
				t.Fatalf("redundancy %v", r)
			}
			sum += r
			chi2 += s.Residuals[i] * s.Residuals[i] / (g.u[i] * g.u[i])
		}
		close("sum of redundancies", sum, float64(s.DOF), float64(m)*RedundancyFloor)
		close("chi2", s.Chi2, chi2, 1e-9*(1+chi2))
		if s.P < 0 || s.P > 1 {
			t.Fatalf("P = %v", s.P)
		}

		// Weighted Jacobian and residuals, stated apart from the package, and gonum's QR of them.
		j, l := mat.NewDense(m, g.n, nil), mat.NewVecDense(m, nil)
		for i := range g.a {
			for k, c := range g.a[i] {
				j.Set(i, k, c/g.u[i])
			}
			l.SetVec(i, g.l[i]/g.u[i])
		}
		// What is left on a column is at most its length times the rounding in the residuals, some 10 operations in each.
		noise := 0.0
		for i := range m {
			terms := math.Abs(g.l[i])
			for k, c := range g.a[i] {
				terms += math.Abs(c * s.X[k])
			}
			noise = math.Hypot(noise, 10*eps*terms/g.u[i])
		}
		for k := range g.n {
			sum := 0.0
			for i := range m {
				sum += j.At(i, k) * s.Residuals[i] / g.u[i]
			}
			close("residuals on the Jacobian", sum, 0, noise*mat.Norm(j.ColView(k), 2))
		}
		var qr mat.QR
		qr.Factorize(j)
		var x mat.VecDense
		if err := qr.SolveVecTo(&x, false, l); err != nil {
			t.Fatal(err)
		}
		var c, normal mat.Dense
		normal.Mul(j.T(), j)
		if err := c.Inverse(&normal); err != nil {
			t.Fatal(err)
		}
		for k := range g.n {
			close("x", s.X[k], x.AtVec(k), drawnTol*(1+mat.Norm(&x, 2)))
			for kk := range g.n {
				close("cov", s.Cov.At(k, kk), c.At(k, kk), drawnTol*mat.Norm(&c, 2))
			}
		}

		// Order of the readings and units of the unknowns change nothing.
		shuffled := rapid.Permutation(order).Draw(t, "order")
		units := make([]float64, g.n)
		for k := range units {
			units[k] = math.Pow(10, rapid.Float64Range(-6, 6).Draw(t, "unit"))
		}
		s2, err := Solve(g.problem(shuffled, units), Options{})
		if err != nil {
			t.Fatal(err)
		}
		for k := range g.n {
			close("x in other units", s2.X[k]/units[k], s.X[k], drawnTol*(1+mat.Norm(&x, 2)))
			close("variance in other units", s2.Cov.At(k, k)/units[k]/units[k], s.Cov.At(k, k), drawnTol*s.Cov.At(k, k))
		}
		for to, from := range shuffled {
			close("residual reordered", s2.Residuals[to], s.Residuals[from], drawnTol*1000)
			close("redundancy reordered", s2.Redundancy[to], s.Redundancy[from], drawnTol)
		}
		close("condition", s2.Condition/s.Condition, 1, 10) // another order of pivots may change the 1-norm a little
	})
}

// Whatever is set aside: never a prior, never twice, each above the limit when it went, and none above it is left that could go.
func TestSnoopProperties(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		g := drawNetwork(t)
		order, ones := g.plain()
		p := g.problem(order, ones)
		s, err := Snoop(p, Options{})
		if err != nil {
			t.Fatal(err)
		}
		out := map[int]bool{}
		for _, pass := range s.Passes {
			if out[pass.Index] || g.prior[pass.Index] || math.Abs(pass.W) < Critical*(1-1e-6) {
				t.Fatalf("pass %+v after %v", pass, out)
			}
			out[pass.Index] = true
		}
		left := Problem{Start: p.Start}
		var index []int
		for i, o := range p.Observations {
			if !out[i] {
				left.Observations = append(left.Observations, o)
				index = append(index, i)
			} else if got, want := s.Residuals[i], g.l[i]-dot(g.a[i], s.X); !calctest.Near(got, want, 1e-9) {
				t.Fatalf("residual of %d set aside = %v, want %v", i, got, want)
			}
		}
		again, err := Solve(left, Options{})
		if err != nil {
			t.Fatal(err)
		}
		if again.DOF != s.DOF || !calctest.Near(again.Chi2, s.Chi2, drawnTol*(1+s.Chi2)) {
			t.Fatalf("DOF, chi2 = %v, %v, adjusted afresh %v, %v", s.DOF, s.Chi2, again.DOF, again.Chi2)
		}
		for i, w := range again.W {
			if !g.prior[index[i]] && again.Redundancy[i] > LeastChecked && !calctest.Near(w, 0, Critical*(1+1e-6)) {
				t.Fatalf("left in with w = %v: %d", w, index[i])
			}
		}
	})
}

// benchmarkProblem is a bay in miniature: 20 readings of 8 unknowns, some of them non-linear.
func benchmarkProblem() Problem {
	truth := []float64{900, 0.002, -0.003, 0.75, 0.752, 860, 1, -2}
	p := Problem{Start: []float64{890, 0, 0, 0.7, 0.7, 850, 0, 0}}
	add := func(u float64, model func(x, grad []float64) float64) {
		k := float64(len(p.Observations))
		p.Observations = append(p.Observations, Observation{Value: model(truth, nil) + u*math.Sin(7*k), U: u, Model: model})
	}
	for _, h := range []float64{0, 400, 800} {
		add(0.5, func(x, grad []float64) float64 { // level run at height h
			if grad != nil {
				grad[0], grad[1], grad[2] = 1, -h, h
			}
			return x[0] + h*(x[2]-x[1])
		})
	}
	for j := 1; j <= 4; j++ {
		add(0.001, func(x, grad []float64) float64 {
			if grad != nil {
				grad[j] = 1
			}
			return x[j]
		})
	}
	for _, t := range []float64{0, 0.2, 0.35, 0.5, 0.65, 0.8, 1} {
		add(0.5, func(x, grad []float64) float64 { // gap at t of the run
			if grad != nil {
				grad[0], grad[3], grad[4] = t*(x[4]-x[3]), -t*x[0], t*x[0]
				grad[5], grad[6], grad[7] = 1, -4*t*(1-t), 4*t*(1-t)
			}
			return x[5] + (x[4]-x[3])*t*x[0] + 4*(x[7]-x[6])*t*(1-t)
		})
	}
	for j := 6; j <= 7; j++ {
		add(0.5, func(x, grad []float64) float64 { // bow, square to the rail
			c := 1 / math.Hypot(1, x[j-3])
			if grad != nil {
				grad[j], grad[j-3] = c, -x[j]*x[j-3]*c*c*c
			}
			return x[j] * c
		})
	}
	for range 2 {
		add(0.7, func(x, grad []float64) float64 { // diagonal
			y := x[5] + x[4]*x[0]
			d := math.Hypot(x[0], y)
			if grad != nil {
				grad[0], grad[4], grad[5] = (x[0]+y*x[4])/d, y*x[0]/d, y/d
			}
			return d
		})
		add(0.7, func(x, grad []float64) float64 { // slope run
			h := math.Hypot(1, x[3])
			if grad != nil {
				grad[0], grad[3] = h, x[0]*x[3]/h
			}
			return x[0] * h
		})
	}
	return p
}

// The miniature's gradients are what they claim, by central differences, and a slip in it is found: so the benchmark times real work.
func TestBenchmarkProblem(t *testing.T) {
	p := benchmarkProblem()
	if len(p.Observations) != 20 {
		t.Fatalf("%d readings", len(p.Observations))
	}
	grad, x := make([]float64, 8), slices.Clone(p.Start)
	for _, o := range p.Observations {
		clear(grad)
		o.Model(x, grad)
		for j := range x {
			const h = 1e-4
			x[j] += h
			up := o.Model(x, nil)
			x[j] -= 2 * h
			down := o.Model(x, nil)
			x[j] += h
			within(t, "gradient", grad[j], (up-down)/(2*h), 1e-4)
		}
	}
	p.Observations[10].Value += 10
	s, err := Snoop(p, Options{})
	if err != nil {
		t.Fatal(err)
	}
	if len(s.Passes) != 1 || s.Passes[0].Index != 10 || !calctest.Near(s.Passes[0].Error, 10, 4*s.Passes[0].U) {
		t.Errorf("passes %+v, want 10 mm in reading 10", s.Passes)
	}
}

func BenchmarkSolve20x8(b *testing.B) {
	p := benchmarkProblem()
	b.ReportAllocs()
	for b.Loop() {
		if _, err := Solve(p, Options{}); err != nil {
			b.Fatal(err)
		}
	}
}

func BenchmarkSnoop20x8(b *testing.B) {
	p := benchmarkProblem()
	p.Observations[10].Value += 10
	p.Observations[1].Value -= 100
	p.Weak = []Observation{linear(0, 0.005, 0, 1), linear(0, 0.005, 0, 0, 1)}
	b.ReportAllocs()
	for b.Loop() {
		if _, err := Snoop(p, Options{}); err != nil {
			b.Fatal(err)
		}
	}
}
