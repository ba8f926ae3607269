package fit

import (
	"errors"
	"math"
	"math/rand/v2"
	"reflect"
	"slices"
	"testing"

	"github.com/google/go-cmp/cmp"
	"gonum.org/v1/gonum/mat"
	"pgregory.net/rapid"
)

// doubt is the covariance of n lengths whose level, drift from end to end and
// bow have these standard uncertainties, mm.
func doubt(n int, level, drift, bow float64) *mat.SymDense {
	b := make([][]float64, n)
	for i := range b {
		t := float64(i+1) / float64(n+1)
		b[i] = []float64{level, drift * (t - 0.5), bow * 4 * t * (1 - t)}
	}
	return rebuild(b, make([]float64, n))
}

// rising are n lengths from 700 mm that rise by the spread.
func rising(n int, spread float64) []float64 {
	out := make([]float64, n)
	for i := range out {
		out[i] = 700 + spread*float64(i)/float64(max(n-1, 1))
	}
	return out
}

func option(t testing.TB, v Verdict, c Cut) Option {
	t.Helper()
	i := slices.IndexFunc(v.Options, func(o Option) bool { return o.Cut == c })
	if i < 0 {
		t.Fatalf("no option %s in %+v", c, v)
	}
	return v.Options[i]
}

func decide(t testing.TB, n Needed, h House, c []Candidate, o Options) Verdict {
	t.Helper()
	v, err := Decide(n, h, c, o)
	if err != nil {
		t.Fatal(err)
	}
	return v
}

func TestWindowFits(t *testing.T) {
	for _, waviness := range []float64{0.15, 1e-4, 3, 0} {
		h := DefaultHouse()
		h.Waviness, h.Saw = waviness, waviness/3
		w := newWindow(h)
		for x := -15.0; x <= 15; x += 0.00073 {
			got, want := w.fits(x), within(-w.half-x, w.half-x, w.noise)
			if math.Abs(got-want) > 7e-9 {
				t.Fatalf("waviness %g: off by %g fits with %.10f, want %.10f", waviness, x, got, want)
			}
		}
	}
}

func TestDecideVerdicts(t *testing.T) {
	wavy := DefaultHouse()
	wavy.Waviness = 0.4 // ±0.75 mm is 1.8 sigma: no reading helps
	free := DefaultHouse()
	free.Minutes.SecondVisit, free.Minutes.Trim = 0, 0
	for _, c := range []struct {
		name     string
		needed   Needed
		house    House
		want     Cut
		settings int // of the option chosen
	}{
		{"parallel rails, well measured", Needed{rising(9, 0.2), doubt(9, .1, .1, .1)}, DefaultHouse(), Batch, 1},
		{"two lengths", Needed{[]float64{700, 703, 700, 703, 700.1, 703.1}, doubt(6, .1, .1, .1)}, DefaultHouse(), Graded, 2},
		{"steps wider than the window", Needed{rising(5, 12), doubt(5, .1, .1, .1)}, DefaultHouse(), Graded, 5},
		{"drift, middle not measured", Needed{rising(12, 6), doubt(12, .1, .1, 1)}, DefaultHouse(), MeasureMore, 0},
		{"wavy rails", Needed{rising(12, 1), doubt(12, .1, .1, .1)}, wavy, FitEach, 1},
		{"trimming costs nothing", Needed{rising(12, 6), doubt(12, .1, .1, .1)}, free, FitEach, 1},
		{"one piece", Needed{rising(1, 0), doubt(1, .1, 0, 0)}, DefaultHouse(), Batch, 1},
		{"exactly known", Needed{rising(5, 0), nil}, DefaultHouse(), Batch, 1},
	} {
		v := decide(t, c.needed, c.house, nil, Options{})
		if v.Cut != c.want {
			t.Errorf("%s: cut %s, want %s: %+v", c.name, v.Cut, c.want, v)
			continue
		}
		if c.settings > 0 && option(t, v, c.want).Settings != c.settings {
			t.Errorf("%s: %d settings, want %d", c.name, option(t, v, c.want).Settings, c.settings)
		}
	}
}

// With exactly known equal lengths the best stop is the middle of the window and
// P(all fit) = [2Φ(0.75/√(0.15²+0.1²)) − 1]^n.
func TestDecideIndependentPieces(t *testing.T) {
	v := decide(t, Needed{Mean: rising(20, 0)}, DefaultHouse(), nil, Options{})
	want := math.Pow(1-2*upper(0.75/math.Hypot(0.15, 0.1)), 20)
	got := option(t, v, Batch)
	if math.Abs(got.P-want) > 1e-8 || got.PError != 0 || got.Lengths[0] != 700-0.25 {
		t.Errorf("batch %+v, want P %.9f at 699.75", got, want)
	}
	if math.Abs(v.PNoMeasurement-want) > 1e-12 || v.Spread != 0 || v.Sigma != 0 || len(v.Options) != 2 {
		t.Errorf("verdict %+v", v)
	}
	if each := option(t, v, FitEach); each.Lengths[0] != 706 || math.Abs(each.Minutes-(2+20*6.5)) > 1e-12 {
		t.Errorf("fit-each %+v", each)
	}
}

func TestDecideNoPieces(t *testing.T) {
	v, err := Decide(Needed{}, DefaultHouse(), []Candidate{{}}, Options{})
	if err != nil || !reflect.DeepEqual(v, Verdict{}) {
		t.Errorf("got %+v, %v", v, err)
	}
}

func TestDecideRanksTheReadings(t *testing.T) {
	n := Needed{rising(9, 0.5), doubt(9, .2, .2, 1)}
	c := []Candidate{
		{doubt(9, .1, .2, 1), 5}, // the level again
		{doubt(9, .2, .2, .1), 5},
		{doubt(9, .2, .2, .1), 2}, // the same bow, sooner
		{n.Cov, 1},                // nothing new
		{doubt(9, .2, .2, .4), 5},
	}
	v := decide(t, n, DefaultHouse(), c, Options{})
	if v.Cut != MeasureMore {
		t.Fatalf("cut %s", v.Cut)
	}
	var order []int
	for _, g := range v.Gains {
		order = append(order, g.Candidate)
	}
	if diff := cmp.Diff([]int{2, 1, 4, 0, 3}, order); diff != "" {
		t.Errorf("order (-want +got):\n%s", diff)
	}
	last, full := v.Gains[len(v.Gains)-1], option(t, v, Graded)
	if math.Abs(last.PAfter-full.P) > last.PError+full.PError {
		t.Errorf("a reading that tells nothing changes P from %g to %g", full.P, last.PAfter)
	}
}

// simulate counts how often all pieces cut to these lengths fit.
func simulate(n Needed, h House, cut []float64, trials int, rng *rand.Rand) float64 {
	pieces := len(n.Mean)
	var chol mat.Cholesky
	cov := mat.NewSymDense(pieces, nil)
	cov.CopySym(n.Cov)
	for i := range pieces {
		cov.SetSym(i, i, cov.At(i, i)+h.Waviness*h.Waviness)
	}
	if !chol.Factorize(cov) {
		panic("covariance of the simulation")
	}
	var l mat.TriDense
	chol.LTo(&l)
	e := make([]float64, pieces)
	hits := 0
	for range trials {
		for i := range e {
			e[i] = rng.NormFloat64()
		}
		fits := true
		for i := 0; fits && i < pieces; i++ {
			needed := n.Mean[i]
			for j := 0; j <= i; j++ {
				needed += l.At(i, j) * e[j]
			}
			off := cut[i] + h.Saw*rng.NormFloat64() - needed
			fits = -h.Short <= off && off <= h.Long
		}
		if fits {
			hits++
		}
	}
	return float64(hits) / float64(trials)
}

func TestDecideAgreesWithSimulation(t *testing.T) {
	const trials = 20000
	rng := rand.New(rand.NewPCG(1, 2))
	rough := DefaultHouse()
	rough.Allowance = 1 // so that a blank can be too short
	rough.Short, rough.Long = 0.6, 0.9
	for i, c := range []struct {
		n Needed
		h House
	}{
		{Needed{rising(9, 0.4), doubt(9, .2, .2, .2)}, DefaultHouse()},
		{Needed{rising(12, 1), doubt(12, .3, .5, .6)}, DefaultHouse()},
		{Needed{rising(6, 3), doubt(6, .1, .2, .2)}, rough},
		{Needed{rising(20, 2), doubt(20, .6, .4, .5)}, rough},
	} {
		v := decide(t, c.n, c.h, nil, Options{})
		for _, o := range v.Options {
			cut, h := o.Lengths, c.h
			if len(cut) == 1 {
				cut = slices.Repeat(cut, len(c.n.Mean))
			}
			if o.Cut == FitEach {
				h.Short, h.Long = 0, math.Inf(1) // a blank is good when it is not too short
			}
			got := simulate(c.n, h, cut, trials, rng)
			// Four standard errors of the simulation.
			if tol := o.PError + 4*math.Sqrt(o.P*(1-o.P)/trials) + 1.0/trials; math.Abs(got-o.P) > tol {
				t.Errorf("case %d, %s: simulated %.4f, computed %.4f ± %.4f", i, o.Cut, got, o.P, tol)
			}
		}
	}
}

// The stop of a batch is where a fine scan finds the maximum, also where lengths
// of unequal doubt draw it away from the middle of the means.
func TestBatchStopIsTheBest(t *testing.T) {
	b := [][]float64{{0.9}, {0.45}, {0.5}}
	for _, n := range []Needed{
		{rising(9, 0.8), doubt(9, .2, .2, .2)},
		{rising(5, 1), doubt(5, .1, .6, .1)},
		{[]float64{700, 700.4, 700.35}, rebuild(b, []float64{.001, .001, .001})},
	} {
		h := DefaultHouse()
		got := option(t, decide(t, n, h, nil, Options{}), Batch)
		d, err := newDraws(n.Cov, len(n.Mean), shopOf(t, h), Options{MaxError: 1e-4, MaxPoints: 1 << 13})
		if err != nil {
			t.Fatal(err)
		}
		off := make([]float64, len(n.Mean))
		best := 0.0
		for c := 699.0; c < 702; c += 0.05 {
			for i, m := range n.Mean {
				off[i] = c - d.w.middle - m
			}
			p, _ := d.probability(off, math.NaN())
			best = max(best, p)
		}
		// The search sees 256 points only; P is flat at its top.
		if got.P < best-got.PError-1e-3 {
			t.Errorf("stop %.3f has P %.5f ± %.5f, the scan finds %.5f", got.Lengths[0], got.P, got.PError, best)
		}
	}
}

// drawNeeded makes random lengths: clusters or a slope, doubtful to any degree.
func drawNeeded(t *rapid.T, most int) Needed {
	f := func(name string, a, b float64) float64 { return rapid.Float64Range(a, b).Draw(t, name) }
	n := rapid.IntRange(1, most).Draw(t, "n")
	mean := rising(n, f("spread", 0, 4))
	for i := range mean {
		mean[i] += f("bump", -0.5, 0.5)
	}
	return Needed{mean, doubt(n, f("level", 0, .4), f("drift", 0, .6), f("bow", 0, .6))}
}

func TestDecideProperties(t *testing.T) {
	h := DefaultHouse()
	rapid.Check(t, func(t *rapid.T) {
		n := drawNeeded(t, 12)
		v, err := Decide(n, h, nil, Options{})
		if err != nil {
			t.Fatal(err)
		}
		again, _ := Decide(n, h, nil, Options{})
		if diff := cmp.Diff(v, again); diff != "" {
			t.Fatalf("not the same twice:\n%s", diff)
		}
		for _, o := range v.Options {
			if o.P < 0 || o.P > 1 || o.PError < 0 {
				t.Fatalf("%s: P %g ± %g", o.Cut, o.P, o.PError)
			}
			if o.Passes != (o.P-o.PError >= h.Risk) {
				t.Fatalf("passes without its P: %+v", o)
			}
			if o.Cut == Graded {
				checkGroups(t, n, o)
			}
		}
		if v.Cut != MeasureMore && v.Cut != FitEach {
			chosen := v.Options[slices.IndexFunc(v.Options, func(o Option) bool { return o.Cut == v.Cut })]
			for _, o := range v.Options {
				if o.Passes && o.Expected < chosen.Expected {
					t.Fatalf("%s chosen, %s takes less time and passes", v.Cut, o.Cut)
				}
			}
		}
	})
}

// Anderson's inequality: no stops beat a stop per piece, and less doubt never
// hurts. Both hold to within the errors, which are 99 % ones: of 300 or so
// comparisons 2 % may exceed them, none by more than three times.
func TestDecideBounds(t *testing.T) {
	h := DefaultHouse()
	o := Options{MaxError: 1e-3, MaxPoints: 1 << 13}
	shop := shopOf(t, h)
	rng := rand.New(rand.NewPCG(5, 6))
	exceeded, all := 0, 0
	atMost := func(what string, p, most, e float64) {
		t.Helper()
		all++
		if p > most+e {
			exceeded++
		}
		if p > most+3*e {
			t.Errorf("%s: P %.4f above %.4f ± %.4f", what, p, most, e)
		}
	}
	for range 100 {
		pieces := 2 + rng.IntN(10)
		mean := rising(pieces, 3*rng.Float64())
		level, drift, bow := 0.4*rng.Float64(), 0.6*rng.Float64(), 0.6*rng.Float64()
		full := func(by float64) (p, e float64) {
			s, err := newDraws(doubt(pieces, by*level, by*drift, by*bow), pieces, shop, o)
			if err != nil {
				t.Fatal(err)
			}
			return s.probability(make([]float64, pieces), math.NaN())
		}
		p, e := full(1)
		for _, opt := range decide(t, Needed{mean, doubt(pieces, level, drift, bow)}, h, nil, Options{}).Options {
			if opt.Cut != FitEach {
				atMost(string(opt.Cut)+" against a stop per piece", opt.P, p, e+opt.PError)
			}
		}
		q, f := full(rng.Float64())
		atMost("full doubt against less", p, q, e+f)
	}
	if all < 250 || exceeded > all*2/100 {
		t.Errorf("%d of %d comparisons outside the stated errors", exceeded, all)
	}
}

// checkGroups holds that graded pieces are grouped as a saw can cut them.
func checkGroups(t *rapid.T, n Needed, o Option) {
	stop := map[int]float64{}
	for i, g := range o.Group {
		if l, ok := stop[g]; ok && l != o.Lengths[i] {
			t.Fatalf("group %d has stops %g and %g", g, l, o.Lengths[i])
		}
		stop[g] = o.Lengths[i]
	}
	if len(stop) != o.Settings {
		t.Fatalf("%d groups, %d settings", len(stop), o.Settings)
	}
	for i, a := range n.Mean {
		for j, b := range n.Mean {
			if a < b && o.Group[i] > o.Group[j] {
				t.Fatalf("piece of %g mm in group %d, of %g mm in %d", a, o.Group[i], b, o.Group[j])
			}
		}
	}
}

// No cut of the pieces into one group fewer, out of all there are, reaches the
// house risk: not with stops in the middle of each group, nor with stops that
// were moved one by one to where P is highest.
func TestGradedSettingsAreTheFewest(t *testing.T) {
	h := DefaultHouse()
	rng := rand.New(rand.NewPCG(3, 4))
	checked := 0
	for trial := range 60 {
		pieces := 3 + rng.IntN(4)
		mean := rising(pieces, 3*rng.Float64())
		for i := range mean {
			if trial%2 == 0 { // clusters
				mean[i] = 700 + 0.7*float64(rng.IntN(4))
			}
			mean[i] += 0.3 * rng.Float64()
		}
		slices.Sort(mean)
		n := Needed{mean, doubt(pieces, .25*rng.Float64(), .3*rng.Float64(), .3*rng.Float64())}
		v := decide(t, n, h, nil, Options{})
		got := option(t, v, Graded)
		if !got.Passes || got.Settings < 3 {
			continue
		}
		checked++
		s, err := newDraws(n.Cov, pieces, shopOf(t, h), Options{MaxError: 1e-2, MaxPoints: 2048})
		if err != nil {
			t.Fatal(err)
		}
		order := make([]int, pieces)
		for i := range order {
			order[i] = i
		}
		for mask := range 1 << (pieces - 1) { // where a new group starts
			starts := []int{0}
			for i := 1; i < pieces; i++ {
				if mask>>(i-1)&1 == 1 {
					starts = append(starts, i)
				}
			}
			if len(starts) != got.Settings-1 {
				continue
			}
			best := assign(n, h, s, order, starts)
			if best.P < h.Risk-0.1 {
				continue // moving a stop does not make up for that
			}
			off := make([]float64, pieces)
			for i := range off {
				off[i] = best.Lengths[i] - s.w.middle - mean[i]
			}
			for g := range starts {
				at := func(x float64) []float64 {
					moved := slices.Clone(off)
					for i := range moved {
						if best.Group[i] == g {
							moved[i] += x
						}
					}
					return moved
				}
				off = at(maximise(func(x float64) float64 { return s.coarse(at(x)) }, -0.3, 0.3))
			}
			p, e := s.probability(off, h.Risk)
			if max(p-e, best.P-best.PError) >= h.Risk {
				t.Errorf("%d settings for %.3f, but groups at %v have P %.4f (%.4f)", got.Settings, mean, starts, p, best.P)
			}
		}
	}
	if checked < 20 {
		t.Errorf("only %d cases had fewer settings to try", checked)
	}
}

func TestDecideOrderOfPiecesDoesNotMatter(t *testing.T) {
	n := Needed{rising(8, 3), doubt(8, .1, .2, .2)}
	turned := Needed{slices.Clone(n.Mean), mat.NewSymDense(8, nil)}
	slices.Reverse(turned.Mean)
	for i := range 8 {
		for j := range 8 {
			turned.Cov.SetSym(i, j, n.Cov.At(7-i, 7-j))
		}
	}
	a, b := decide(t, n, DefaultHouse(), nil, Options{}), decide(t, turned, DefaultHouse(), nil, Options{})
	if a.Cut != b.Cut {
		t.Errorf("cut %s and %s", a.Cut, b.Cut)
	}
	ga, gb := option(t, a, Graded), option(t, b, Graded)
	slices.Reverse(gb.Lengths)
	slices.Reverse(gb.Group)
	if ga.Settings != gb.Settings || !slices.Equal(ga.Group, gb.Group) || math.Abs(ga.P-gb.P) > ga.PError+gb.PError {
		t.Errorf("graded %+v\nand %+v", ga, gb)
	}
	for i := range ga.Lengths {
		if math.Abs(ga.Lengths[i]-gb.Lengths[i]) > 1e-9 {
			t.Errorf("piece %d: %g and %g", i, ga.Lengths[i], gb.Lengths[i])
		}
	}
}

// A probability near the house risk is refined, and what the most points cannot
// decide does not pass.
func TestDecideNearTheRisk(t *testing.T) {
	n := Needed{rising(6, 0), doubt(6, .2, .2, .2)}
	fine := Options{MaxError: 1e-5, MaxPoints: 1 << 18}
	h := DefaultHouse()
	exact := option(t, decide(t, n, h, nil, fine), Batch).P
	for _, c := range []struct {
		risk   float64
		passes bool
		close  bool
	}{{exact - 0.003, true, false}, {exact + 0.003, false, false}, {exact, false, true}} {
		h.Risk = c.risk
		got := option(t, decide(t, n, h, nil, Options{}), Batch)
		if got.Passes != c.passes || got.Close != c.close {
			t.Errorf("risk %.5f: P %.5f ± %.5f passes %v close %v, want %v %v",
				c.risk, got.P, got.PError, got.Passes, got.Close, c.passes, c.close)
		}
	}
}

func TestDecideRefuses(t *testing.T) {
	good := func() (Needed, House, []Candidate) {
		return Needed{rising(3, 0), doubt(3, .1, .1, 2)}, DefaultHouse(), nil
	}
	bad := mat.NewSymDense(3, []float64{1, 2, 0, 2, 1, 0, 0, 0, 1})
	for _, c := range []struct {
		name string
		make func(*Needed, *House, *[]Candidate, *Options)
		want error
	}{
		{"NaN length", func(n *Needed, _ *House, _ *[]Candidate, _ *Options) { n.Mean[1] = math.NaN() }, ErrInput},
		{"covariance of two", func(n *Needed, _ *House, _ *[]Candidate, _ *Options) { n.Cov = doubt(2, 1, 1, 1) }, ErrInput},
		{"covariance of none", func(n *Needed, _ *House, _ *[]Candidate, _ *Options) { n.Cov = &mat.SymDense{} }, ErrInput},
		{"correlation 2", func(n *Needed, _ *House, _ *[]Candidate, _ *Options) { n.Cov = bad }, ErrCovariance},
		{"negative variance", func(n *Needed, _ *House, _ *[]Candidate, _ *Options) { n.Cov.SetSym(0, 0, -1) }, ErrCovariance},
		{"17 factors", func(n *Needed, _ *House, _ *[]Candidate, _ *Options) {
			*n = Needed{rising(17, 0), rebuild(make([][]float64, 17), repeat(1, 17))}
		}, ErrFactors},
		{"negative short", func(_ *Needed, h *House, _ *[]Candidate, _ *Options) { h.Short = -1 }, ErrInput},
		{"NaN minutes", func(_ *Needed, h *House, _ *[]Candidate, _ *Options) { h.Minutes.Trim = math.NaN() }, ErrInput},
		{"risk one", func(_ *Needed, h *House, _ *[]Candidate, _ *Options) { h.Risk = 1 }, ErrInput},
		{"risk one half", func(_ *Needed, h *House, _ *[]Candidate, _ *Options) { h.Risk = 0.5 }, ErrInput},
		{"candidate of two", func(_ *Needed, _ *House, c *[]Candidate, _ *Options) { *c = []Candidate{{Cov: doubt(2, 1, 1, 1)}} }, ErrInput},
		{"candidate that is none", func(_ *Needed, _ *House, c *[]Candidate, _ *Options) { *c = []Candidate{{Cov: bad}} }, ErrCovariance},
		{"negative error", func(_ *Needed, _ *House, _ *[]Candidate, o *Options) { o.MaxError = -1 }, ErrInput},
	} {
		n, h, m := good()
		var o Options
		c.make(&n, &h, &m, &o)
		if _, err := Decide(n, h, m, o); !errors.Is(err, c.want) {
			t.Errorf("%s: error %v, want %v", c.name, err, c.want)
		}
	}
}

// Absurd figures get an answer, and in no more time than others.
func TestDecideAbsurdFigures(t *testing.T) {
	for _, n := range []Needed{
		{[]float64{0, 1e300}, doubt(2, .1, .1, .1)},
		{[]float64{0, 1e300}, doubt(2, 1e140, 1e140, 1e140)},
		{[]float64{-1e17, 1e17, 0}, doubt(3, 1e17, 1e18, 1e17)},
		{[]float64{700, 700}, doubt(2, 1e-160, 1e-200, 0)},
	} {
		v, err := Decide(n, DefaultHouse(), nil, Options{})
		if err != nil {
			t.Errorf("%v: %v", n.Mean, err)
		}
		for _, o := range v.Options {
			if !(o.P >= 0 && o.P <= 1 && o.PError >= 0) {
				t.Errorf("%v: %+v", n.Mean, o)
			}
		}
	}
}

// A house without waviness and a perfect saw makes every factor 0 or 1.
func TestDecideWithoutNoise(t *testing.T) {
	h := DefaultHouse()
	h.Waviness, h.Saw = 0, 0
	v := decide(t, Needed{rising(4, 0), doubt(4, .3, 0, 0)}, h, nil, Options{MaxError: 1e-3, MaxPoints: 1 << 17})
	got := option(t, v, Batch)
	want := 1 - 2*upper(0.75/0.3) // one factor: all or none
	if math.Abs(got.P-want) > got.PError || got.PError > 1e-3 {
		t.Errorf("P %.5f ± %.5f, want %.5f", got.P, got.PError, want)
	}
	// At the very edge of the window a piece still fits.
	v = decide(t, Needed{Mean: []float64{700, 701.5}}, h, nil, Options{})
	if got := option(t, v, Batch); got.P != 1 {
		t.Errorf("lengths a window apart: %+v", got)
	}
}

func BenchmarkDecide(b *testing.B) {
	eight := make([]Candidate, 8)
	for i := range eight {
		eight[i].Cov = doubt(20, .3, .3, 0.1*float64(i+1))
	}
	for _, c := range []struct {
		name string
		n    Needed
		m    []Candidate
	}{
		{"batch", Needed{rising(9, .2), doubt(9, .1, .1, .1)}, nil},
		{"graded", Needed{rising(12, 6), doubt(12, .1, .1, .1)}, nil},
		{"20 graded", Needed{rising(20, 3), doubt(20, .1, .2, .2)}, nil},
		{"20 far apart", Needed{rising(20, 40), doubt(20, .2, .2, .2)}, nil},
		{"20 measure 8", Needed{rising(20, .5), doubt(20, .3, .3, 1)}, eight},
	} {
		b.Run(c.name, func(b *testing.B) {
			b.ReportAllocs()
			for b.Loop() {
				if _, err := Decide(c.n, DefaultHouse(), c.m, Options{}); err != nil {
					b.Fatal(err)
				}
			}
		})
	}
}

func shopOf(t *testing.T, h House) *Shop {
	t.Helper()
	s, err := NewShop(h, Options{})
	if err != nil {
		t.Fatal(err)
	}
	return s
}

// A shop's answers are those of Decide, whatever it was asked before.
func TestShopKeepsNothingOfABay(t *testing.T) {
	h, o := DefaultHouse(), Options{Seed: 3}
	shop, err := NewShop(h, o)
	if err != nil {
		t.Fatal(err)
	}
	for range 2 {
		for _, doubts := range []float64{0.1, 0.4, 0.2} {
			n := Needed{Mean: []float64{801, 801.4, 802, 802.3}, Cov: doubt(4, doubts, doubts/2, doubts/3)}
			want, err := Decide(n, h, nil, o)
			if err != nil {
				t.Fatal(err)
			}
			got, err := shop.Decide(n)
			if err != nil {
				t.Fatal(err)
			}
			if got.Cut == MeasureMore {
				got.Gains = []Gain{}
			}
			if diff := cmp.Diff(want, got); diff != "" {
				t.Errorf("doubts of %g mm (-Decide +shop):\n%s", doubts, diff)
			}
		}
	}
}
