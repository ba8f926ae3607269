package fit

import (
	"errors"
	"math"
	"math/rand/v2"
	"slices"
	"testing"

	"github.com/google/go-cmp/cmp"
	"gonum.org/v1/gonum/mat"
)

// measured is a bay of n spindles whose level, drift and bow are known with these
// uncertainties, mm.
func measured(t testing.TB, s *Shop, n int, spread float64, u ...float64) (Pieces, *mat.SymDense) {
	t.Helper()
	p := Pieces{Needed: Needed{Mean: rising(n, spread), Cov: doubt(n, u[0], u[1], u[2])}, Jac: mat.NewDense(n, 3, nil)}
	for i := range n {
		p.Jac.SetRow(i, shape(float64(i+1)/float64(n+1)))
	}
	cov := mat.NewSymDense(3, nil)
	for i, x := range u {
		cov.SetSym(i, i, x*x)
	}
	v, err := s.Decide(p.Needed)
	if err != nil {
		t.Fatal(err)
	}
	p.Verdict = &v
	return p, cov
}

func worth(t testing.TB, s *Shop, p Pieces, cov *mat.SymDense, c ...Candidate) []Gain {
	t.Helper()
	got, err := s.Worth([]Pieces{p}, cov, c)
	if err != nil {
		t.Fatal(err)
	}
	return got
}

// trial is a trial piece at t of the run.
func trial(t float64) Candidate {
	return Candidate{Grad: shape(t), U: 0.22, Minutes: 4, Again: 1.5, Group: 1}
}

// One spindle of doubtful length, and a reading of it: the minutes before and
// after are closed forms, their mean over the reading is a sum over a fine grid.
func TestWorthOfOneReadingOfOnePiece(t *testing.T) {
	h := DefaultHouse()
	h.SawStep, h.Minutes.Recut, h.Minutes.Trim, h.Minutes.Fit = 0, 80, 30, 60
	s := shopOf(t, h)
	noise := math.Hypot(0.15, 0.1)
	least := func(u float64) float64 { // the mean does not matter where a saw can be set to anything
		best, d := math.Inf(1), math.Hypot(u, noise)
		for x := -4.0; x < 12; x += 0.01 {
			long, far := upper((0.5-x)/d), upper((3.5-x)/d)
			best = min(best, 80*upper((2+x)/d)+30*(long-far)+60*far)
		}
		return 2.5 + best
	}
	for _, c := range []struct{ u, reading float64 }{{1, 0.3}, {2, 0.5}, {0.8, 0.8}, {3, 3}} {
		p := Pieces{Needed: Needed{Mean: []float64{700}, Cov: doubt(1, c.u, 0, 0)}, Jac: mat.NewDense(1, 1, []float64{1})}
		v := decide(t, p.Needed, h)
		p.Verdict = &v
		after := c.u * c.reading / math.Hypot(c.u, c.reading)
		want := least(c.u) - least(after)
		got := worth(t, s, p, mat.NewSymDense(1, []float64{c.u * c.u}), Candidate{Grad: []float64{1}, U: c.reading, Minutes: 0.01})
		if len(got) != 1 {
			t.Fatalf("u %g, reading %g: %+v, want %g minutes saved", c.u, c.reading, got, want)
		}
		// Stops of the look-ahead are 0.2 mm apart, or 1/24 of their span.
		near(t, "saves", got[0].Saves, want, 0.02*want+0.1)
		near(t, "takes", got[0].Takes, 0.01, 0)
		chance := option(t, decide(t, Needed{Mean: []float64{700}, Cov: doubt(1, after, 0, 0)}, h), Batch).P
		near(t, "P after", got[0].PAfter, chance, 0.03)
	}
}

// nested works the minutes that readings save out as it would happen: the lengths
// are drawn, the readings drawn, and then the least way found and priced.
func nested(t *testing.T, s *Shop, p Pieces, cov *mat.SymDense, c []Candidate, trials int) float64 {
	t.Helper()
	rng := rand.New(rand.NewPCG(7, 8))
	if s.house.AllFit == 0 { // P does not decide, so it need not be worked out
		quick, err := NewShop(s.house, Options{MaxError: 0.5})
		if err != nil {
			t.Fatal(err)
		}
		s = quick
	}
	m := cov.SymmetricDim()
	// After all readings the covariance is (C⁻¹ + Σ g·gᵀ/u²)⁻¹, and the mean of the
	// unknowns is that times Σ g·y/u².
	var inverse mat.SymDense
	var chol mat.Cholesky
	if !chol.Factorize(cov) || chol.InverseTo(&inverse) != nil {
		t.Fatal("covariance")
	}
	for _, r := range c {
		inverse.SymRankOne(&inverse, 1/(r.U*r.U), mat.NewVecDense(m, r.Grad))
	}
	var post mat.Cholesky
	var after mat.SymDense
	if !post.Factorize(&inverse) || post.InverseTo(&after) != nil {
		t.Fatal("covariance after")
	}
	var half, full mat.Dense
	half.Mul(p.Jac, &after)
	full.Mul(&half, p.Jac.T())
	n := len(p.Needed.Mean)
	needed := Needed{Mean: make([]float64, n), Cov: mat.NewSymDense(n, nil)}
	for i := range n {
		for j := range i + 1 {
			needed.Cov.SetSym(i, j, full.At(i, j))
		}
	}
	sum := 0.0
	for range trials {
		x := mat.NewVecDense(m, nil)
		for i := range m {
			x.SetVec(i, math.Sqrt(cov.At(i, i))*rng.NormFloat64()) // cov is diagonal here
		}
		weighted := mat.NewVecDense(m, nil)
		for _, r := range c {
			g := mat.NewVecDense(m, r.Grad)
			y := mat.Dot(g, x) + r.U*rng.NormFloat64()
			weighted.AddScaledVec(weighted, y/(r.U*r.U), g)
		}
		var moved, lengths mat.VecDense
		moved.MulVec(&after, weighted)
		lengths.MulVec(p.Jac, &moved)
		for i := range n {
			needed.Mean[i] = p.Needed.Mean[i] + lengths.AtVec(i)
		}
		v, err := s.Decide(needed)
		if err != nil {
			t.Fatal(err)
		}
		sum += chosen(v.Options).Expected
	}
	return chosen(p.Verdict.Options).Expected - sum/float64(trials)
}

func TestWorthAgreesWithNestedSimulation(t *testing.T) {
	const trials = 400
	for k, c := range []struct {
		h    House
		n    int
		u    []float64
		read []Candidate
	}{
		{DefaultHouse(), 12, []float64{1, .3, .3}, []Candidate{{Grad: shape(0.5), U: .3, Minutes: 1}}},
		{DefaultHouse(), 12, []float64{.4, 3, .3}, []Candidate{{Grad: []float64{0, 1, 0}, U: .5, Minutes: 1}}},
		{DefaultHouse(), 8, []float64{1.5, 2, 1}, []Candidate{trial(0), trial(1)}},
		{DefaultHouse(), 15, []float64{2, 4, 2}, []Candidate{trial(0), trial(1), trial(0.5)}},
		{DefaultHouse(), 12, []float64{2, 3, 2}, []Candidate{trial(0), trial(1), trial(0.5), {Grad: shape(0.25), U: 1, Minutes: 1}}},
		{workshop(-1), 6, []float64{1.5, .5, .5}, []Candidate{trial(0.5)}},
	} {
		s := shopOf(t, c.h)
		p, cov := measured(t, s, c.n, 1, c.u...)
		a := &ahead{s: s, sets: []Pieces{p}, c: c.read}
		var moves []move
		after := cov
		for _, r := range c.read {
			var m move
			m, after = a.move(after, r)
			moves = append(moves, m)
		}
		now, err := a.minutes(nil, inf)
		if err != nil {
			t.Fatal(err)
		}
		then, err := a.minutes(moves, inf)
		if err != nil {
			t.Fatal(err)
		}
		want := nested(t, s, p, cov, c.read, trials)
		t.Logf("case %d: now %.2f, saves %.2f, simulated %.2f", k, now, now-then, want)
		tol := 0.1 + 0.01*now
		if c.h.Workshop { // 64 points leave the chance of a visit within about 0.005
			tol += 0.6
		}
		near(t, "now", now, chosen(p.Verdict.Options).Expected, tol)
		// The spread of the minutes between trials is about a quarter of them.
		near(t, "saves", now-then, want, 0.25*now*3/math.Sqrt(trials))
	}
}

// The values that stand for standard normal readings have their means and
// variances, and no correlation.
func TestNodes(t *testing.T) {
	s := shopOf(t, DefaultHouse())
	for readings := range mostTogether + 1 {
		nodes, err := s.nodes(readings)
		if err != nil {
			t.Fatal(err)
		}
		for j := range readings {
			mean, square := 0.0, 0.0
			for _, z := range nodes {
				mean += z[j] / float64(len(nodes))
				square += z[j] * z[j] / float64(len(nodes))
			}
			near(t, "mean", mean, 0, 1e-12)
			near(t, "mean square", square, 1, 1e-12)
			for k := range j {
				product := 0.0
				for _, z := range nodes {
					product += z[j] * z[k] / float64(len(nodes))
				}
				near(t, "correlation", product, 0, 1e-12)
			}
		}
		if want := []int{1, 9, 32, 32, 32}[readings]; len(nodes) != want {
			t.Errorf("%d readings: %d points, want %d", readings, len(nodes), want)
		}
	}
}

// What knowing the lengths exactly would not save, no reading can.
func TestWorthSkipsWhatCannotPay(t *testing.T) {
	s := shopOf(t, DefaultHouse())
	p, cov := measured(t, s, 12, 0.5, .4, .4, .4)
	could := chosen(p.Verdict.Options).Expected - p.Verdict.Known
	if !(could > 0.1 && could < 3) {
		t.Fatalf("knowing all saves %g minutes", could)
	}
	sharp := Candidate{Grad: shape(0.5), U: .01}
	for _, c := range []struct {
		minutes float64
		want    int
	}{{could + 0.1, 0}, {could / 20, 1}} {
		sharp.Minutes = c.minutes
		if got := worth(t, s, p, cov, sharp); len(got) != c.want {
			t.Errorf("a reading of %g minutes where knowing all saves %g: %+v", c.minutes, could, got)
		}
	}
	// A verdict that says nothing can be saved is believed.
	sure := *p.Verdict
	sure.Known = chosen(sure.Options).Expected
	p.Verdict = &sure
	if got := worth(t, s, p, cov, sharp); got != nil {
		t.Errorf("nothing can be saved, and %+v", got)
	}
}

// Best first: by minutes saved beyond those taken. What does not pay is not there.
func TestWorthRanks(t *testing.T) {
	s := shopOf(t, DefaultHouse())
	p, cov := measured(t, s, 12, 0.5, 1.5, .2, .2)
	level := func(u, minutes float64) Candidate {
		return Candidate{Grad: []float64{1, 0, 0}, U: u, Minutes: minutes}
	}
	got := worth(t, s, p, cov, level(1, 2), level(.2, 9), level(.2, 2), level(.2, 100), level(100, 0.5), Candidate{Grad: []float64{0, 0, 0}, U: 0, Minutes: 0.1})
	var order []int
	for _, g := range got {
		order = append(order, g.Candidate)
		if g.SetSaves <= g.SetTakes || g.Saves != g.SetSaves || g.Takes != g.SetTakes || !slices.Equal(g.With, []int{g.Candidate}) {
			t.Errorf("%+v", g)
		}
	}
	if diff := cmp.Diff([]int{2, 1, 0}, order); diff != "" {
		t.Errorf("order (-want +got):\n%s\n%+v", diff, got)
	}
	near(t, "the same reading saves the same", got[0].Saves, got[1].Saves, 1e-9)
	near(t, "takes", got[1].Takes, 9, 0)
	if !(got[0].PAfter > got[2].PAfter+0.05) {
		t.Errorf("a sharp reading leaves P %g, a blunt one %g", got[0].PAfter, got[2].PAfter)
	}
}

// The first trial takes 30 minutes, to make the piece, and would save 29 in the
// middle of the rail and nothing at an end. Another try of the piece takes 1.5, so
// that the middle and an end pay together.
func TestWorthLooksAhead(t *testing.T) {
	s := shopOf(t, DefaultHouse())
	p, cov := measured(t, s, 15, 1, .2, 3, 3)
	c := []Candidate{trial(0), trial(0.5), trial(1), {Grad: shape(0), U: 50, Minutes: 1, Group: 2}}
	for i := range 3 {
		c[i].Minutes = 30
	}
	got := worth(t, s, p, cov, c...)
	if len(got) != 1 || len(got[0].With) != 2 || got[0].With[0] != 1 || got[0].Candidate != 1 {
		t.Fatalf("got %+v", got)
	}
	g := got[0]
	near(t, "the first takes", g.Takes, 30, 0)
	near(t, "the first saves", g.Saves, nested(t, s, p, cov, c[1:2], 400), 54*0.25*3/20)
	near(t, "both take", g.SetTakes, 31.5, 0)
	near(t, "both save", g.SetSaves, nested(t, s, p, cov, []Candidate{c[1], c[g.With[1]]}, 400), 54*0.25*3/20)
	if !(g.Saves < g.Takes && g.SetSaves > g.SetTakes) {
		t.Errorf("saves %g of %g, together %g of %g", g.Saves, g.Takes, g.SetSaves, g.SetTakes)
	}

	// Without preparation that they share each takes its own time.
	for i := range c {
		c[i].Group = 0
	}
	if got := worth(t, s, p, cov, c...); len(got) > 0 {
		t.Errorf("no shared preparation, and %+v", got)
	}
	// A further one that has no time of its own takes what the first does.
	for i := range 3 {
		c[i].Group, c[i].Again = 1, 0
	}
	if got := worth(t, s, p, cov, c...); len(got) > 0 {
		t.Errorf("no time for another try, and %+v", got)
	}
}

// A reading that is in a set already is not taken again, though a second one would
// make it pay here.
func TestWorthTakesNoReadingTwice(t *testing.T) {
	s := shopOf(t, DefaultHouse())
	p, cov := measured(t, s, 15, 1, .2, .2, 3)
	c := Candidate{Grad: shape(0.5), U: 1.5, Minutes: 0.1, Group: 1}
	c.Minutes = worth(t, s, p, cov, c)[0].Saves + 0.5
	twice := c
	twice.Minutes = 0.1
	if got := worth(t, s, p, cov, c, twice); len(got) != 1 || got[0].Candidate != 1 {
		t.Fatalf("the quicker of two like readings: %+v", got)
	}
	for only := range 2 {
		if got := worth(t, s, p, cov, c, Candidate{Grad: shape(0.5), U: 1e6, Minutes: 1, Group: only}); got != nil {
			t.Errorf("got %+v", got)
		}
	}
}

// Where two ends and the middle are each useless alone, all three are taken.
func TestWorthTakesThree(t *testing.T) {
	s := shopOf(t, DefaultHouse())
	p, cov := measured(t, s, 15, 1, 3, 8, 3)
	c := []Candidate{trial(0), trial(0.5), trial(1)}
	for i := range c {
		c[i].Minutes, c[i].Again = 45, 1
	}
	got := worth(t, s, p, cov, c...)
	if len(got) != 1 || len(got[0].With) != 3 {
		t.Fatalf("got %+v", got)
	}
	near(t, "takes", got[0].SetTakes, 47, 0)
}

// A tool's offset is among the unknowns: reading again with the tool does not take
// it away, reading with another does.
func TestWorthOfTheSameToolAgain(t *testing.T) {
	s := shopOf(t, DefaultHouse())
	p, _ := measured(t, s, 12, 0.5, 1.5, .2, .2)
	// The level comes from one reading, u 0.1, with a tool whose offset has u 1.5.
	cov := mat.NewSymDense(4, []float64{
		2.25, 0, 0, -2.24,
		0, .04, 0, 0,
		0, 0, .04, 0,
		-2.24, 0, 0, 2.25})
	same := Candidate{Grad: []float64{1, 0, 0, 1}, U: 0.1, Minutes: 1}
	other := Candidate{Grad: []float64{1, 0, 0, 0}, U: 0.3, Minutes: 1}
	got := worth(t, s, p, cov, same, other)
	if len(got) != 1 || got[0].Candidate != 1 {
		t.Errorf("got %+v", got)
	}
}

// Two sets are served by one reading; what it saves is the sum.
func TestWorthOfTwoSets(t *testing.T) {
	s := shopOf(t, DefaultHouse())
	p, cov := measured(t, s, 10, 0.5, 1, .2, .2)
	c := []Candidate{{Grad: []float64{1, 0, 0}, U: .2, Minutes: 1}}
	one := worth(t, s, p, cov, c...)
	two, err := s.Worth([]Pieces{p, {Verdict: &Verdict{}, Jac: &mat.Dense{}}, p}, cov, c)
	if err != nil || len(one) != 1 || len(two) != 1 {
		t.Fatalf("got %+v and %+v, %v", one, two, err)
	}
	near(t, "saves", two[0].Saves, 2*one[0].Saves, 1e-9)
	near(t, "P after", two[0].PAfter, one[0].PAfter, 1e-12)
}

func TestWorthOfNothing(t *testing.T) {
	s := shopOf(t, DefaultHouse())
	p, cov := measured(t, s, 10, 0.5, 1, 1, 1)
	if got := worth(t, s, p, cov); got != nil {
		t.Errorf("no candidate: %+v", got)
	}
	if got, err := s.Worth(nil, cov, []Candidate{trial(0)}); got != nil || err != nil {
		t.Errorf("no pieces: %+v, %v", got, err)
	}
	// Exactly known lengths cannot be known better.
	known := Pieces{Needed: Needed{Mean: p.Needed.Mean}, Jac: p.Jac}
	v := decide(t, known.Needed, DefaultHouse())
	known.Verdict = &v
	if got := worth(t, s, known, mat.NewSymDense(3, nil), trial(0), Candidate{Grad: shape(0)}); got != nil {
		t.Errorf("known lengths: %+v", got)
	}
}

// In the workshop the count of short pieces needs the factors of the lengths.
func TestWorthRefusesLengthsWithoutFactors(t *testing.T) {
	s := shopOf(t, workshop(-1))
	p, cov := measured(t, s, 3, 1, 1, 1, 1)
	p.Needed.Cov = mat.NewSymDense(3, []float64{1, 2, 0, 2, 1, 0, 0, 0, 1})
	if got, err := s.Worth([]Pieces{p}, cov, []Candidate{trial(0)}); !errors.Is(err, ErrCovariance) {
		t.Errorf("got %+v, %v", got, err)
	}
}

// A house that asks for P(all fit) values what lets it leave fitting each.
func TestWorthWithAllFit(t *testing.T) {
	h := DefaultHouse()
	h.AllFit = 0.9
	s := shopOf(t, h)
	p, cov := measured(t, s, 10, 0.2, 1, .05, .05)
	if p.Verdict.Cut != FitEach {
		t.Fatalf("%+v", p.Verdict)
	}
	got := worth(t, s, p, cov, Candidate{Grad: []float64{1, 0, 0}, U: .1, Minutes: 4})
	if len(got) != 1 {
		t.Fatalf("got %+v", got)
	}
	near(t, "saves", got[0].Saves, nested(t, s, p, cov, []Candidate{{Grad: []float64{1, 0, 0}, U: .1}}, 100), 2)
	if got[0].PAfter < h.AllFit-0.03 {
		t.Errorf("P after %g", got[0].PAfter)
	}
}

func TestWorthRefuses(t *testing.T) {
	nan := math.NaN()
	for _, c := range []struct {
		name string
		make func(*Pieces, **mat.SymDense, *Candidate)
		want error
	}{
		{"no covariance", func(_ *Pieces, cov **mat.SymDense, _ *Candidate) { *cov = nil }, ErrInput},
		{"empty covariance", func(_ *Pieces, cov **mat.SymDense, _ *Candidate) { *cov = &mat.SymDense{} }, ErrInput},
		{"NaN covariance", func(_ *Pieces, cov **mat.SymDense, _ *Candidate) { (*cov).SetSym(0, 2, nan) }, ErrCovariance},
		{"endless covariance", func(_ *Pieces, cov **mat.SymDense, _ *Candidate) { (*cov).SetSym(1, 1, inf) }, ErrCovariance},
		{"two derivatives", func(_ *Pieces, _ **mat.SymDense, c *Candidate) { c.Grad = []float64{1, 2} }, ErrInput},
		{"NaN derivative", func(_ *Pieces, _ **mat.SymDense, c *Candidate) { c.Grad = []float64{1, nan, 0} }, ErrInput},
		{"endless derivative", func(_ *Pieces, _ **mat.SymDense, c *Candidate) { c.Grad = []float64{1, inf, 0} }, ErrInput},
		{"NaN u", func(_ *Pieces, _ **mat.SymDense, c *Candidate) { c.U = nan }, ErrInput},
		{"negative u", func(_ *Pieces, _ **mat.SymDense, c *Candidate) { c.U = -1 }, ErrInput},
		{"endless minutes", func(_ *Pieces, _ **mat.SymDense, c *Candidate) { c.Minutes = inf }, ErrInput},
		{"negative again", func(_ *Pieces, _ **mat.SymDense, c *Candidate) { c.Again = -1 }, ErrInput},
		{"no verdict", func(p *Pieces, _ **mat.SymDense, _ *Candidate) { p.Verdict = nil }, ErrInput},
		{"no Jacobian", func(p *Pieces, _ **mat.SymDense, _ *Candidate) { p.Jac = nil }, ErrInput},
		{"a Jacobian of other pieces", func(p *Pieces, _ **mat.SymDense, _ *Candidate) { p.Jac = mat.NewDense(3, 3, nil) }, ErrInput},
		{"a Jacobian of more unknowns", func(p *Pieces, _ **mat.SymDense, _ *Candidate) { p.Jac = mat.NewDense(9, 4, nil) }, ErrInput},
		{"a Jacobian with a NaN", func(p *Pieces, _ **mat.SymDense, _ *Candidate) { p.Jac.Set(1, 1, nan) }, ErrInput},
		{"a NaN length", func(p *Pieces, _ **mat.SymDense, _ *Candidate) { p.Needed.Mean[0] = nan }, ErrInput},
	} {
		s := shopOf(t, DefaultHouse())
		p, cov := measured(t, s, 9, 1, 1, 1, 1)
		r := trial(0)
		c.make(&p, &cov, &r)
		if _, err := s.Worth([]Pieces{p}, cov, []Candidate{r}); !errors.Is(err, c.want) {
			t.Errorf("%s: error %v, want %v", c.name, err, c.want)
		}
	}
}
