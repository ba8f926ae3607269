package fit

import (
	"math"
	"math/rand/v2"
	"slices"
	"testing"

	"gonum.org/v1/gonum/mat"
	"pgregory.net/rapid"
)

func TestNormalTable(t *testing.T) {
	for x := -9.0; x <= 9; x += 0.00073 {
		near(t, "Φ", cdf(x), 1-upper(x), 2.3e-10)
	}
	for x, want := range map[float64]float64{math.Inf(-1): 0, math.Inf(1): 1, -8: 0, 8: 1, 0: 0.5, -1e300: 0, 1e300: 1} {
		near(t, "Φ", cdf(x), want, 1e-15)
	}
}

// With no noise every piece is surely short, surely long or surely fits, so the
// minutes can be added up by hand.
func TestWaysByHand(t *testing.T) {
	for _, c := range []struct {
		name     string
		mean     []float64
		house    func(*House)
		want     Cut
		stops    []float64 // of the option wanted
		minutes  float64
		expected float64
		trims    float64
		recuts   float64
		settings int
	}{
		// 699.0 and 699.5 both fit all; the middle of what ties is the later.
		{"equal", []float64{700, 700, 700}, nil, Batch, []float64{699.5}, 2 + 3*0.5, 3.5, 0, 0, 1},
		// One stop for all trims two, 9.5 minutes; two stops take 2·2 + 3·1.
		{"two lengths", []float64{700, 703, 700}, nil, Graded, []float64{699.5, 702.5, 699.5}, 7, 7, 0, 0, 2},
		// Five trims of 3 minutes are below two settings and six sortings.
		{"dear settings", []float64{700, 703, 700}, func(h *House) { h.Minutes.Setting = 20 }, Batch, []float64{702.5}, 21.5, 27.5, 2, 0, 1},
		// Cut all to the short one and cut the long one again: 1 minute below two trims.
		{"cheap recut", []float64{700, 703, 700}, func(h *House) { h.Minutes.Recut, h.Minutes.Setting = 1, 9 }, Batch, []float64{699.5}, 10.5, 11.5, 0, 1, 1},
		// A piece 3.5 mm over what fits is not trimmed, it is fitted.
		{"far too long", []float64{700, 710}, func(h *House) { h.Minutes.Setting, h.Minutes.Fit = 30, 6 }, Batch, []float64{709.5}, 31, 37, 1, 0, 1},
		{"trimmed", []float64{700, 704.7}, func(h *House) { h.Minutes.Setting = 30 }, Batch, []float64{703}, 31, 34, 1, 0, 1},
		// A saw in sixteenths of an inch, 1.5875 mm: 440 of them are 698.5, 441 are 700.1,
		// and both fit.
		{"coarse saw", []float64{700}, func(h *House) { h.SawStep = 1.5875 }, Batch, []float64{700.0875}, 2.5, 2.5, 0, 0, 1},
		// No stop of 100 mm fits: 700 is 5 short, 800 is far too long.
		{"very coarse saw", []float64{705}, func(h *House) { h.SawStep, h.Minutes.Recut = 100, 5 }, Batch, []float64{700}, 2.5, 7.5, 0, 1, 1},
		{"a saw set to anything", []float64{700}, func(h *House) { h.SawStep = 0 }, Batch, []float64{699.25}, 2.5, 2.5, 0, 0, 1},
	} {
		h := quiet()
		if c.house != nil {
			c.house(&h)
		}
		v := decide(t, Needed{Mean: c.mean}, h)
		if v.Cut != c.want {
			t.Errorf("%s: %s, want %s: %+v", c.name, v.Cut, c.want, v.Options)
			continue
		}
		o := option(t, v, c.want)
		if len(o.Stops) != len(c.stops) || o.Settings != c.settings {
			t.Fatalf("%s: %+v", c.name, o)
		}
		for i := range o.Stops {
			near(t, c.name+": stop", o.Stops[i], c.stops[i], 0.05)
		}
		near(t, c.name+": minutes", o.Minutes, c.minutes, 1e-9)
		near(t, c.name+": expected", o.Expected, c.expected, 1e-9)
		near(t, c.name+": trims", o.Trims, c.trims, 1e-9)
		near(t, c.name+": recuts", o.Recuts, c.recuts, 1e-9)
		near(t, c.name+": known", v.Known, c.expected, 1e-9)
	}
}

// Four equal lengths: the stop 699.5 leaves 1.5 mm to the short edge and 1.0 to
// the long one, 699.0 the other way round, and a recut costs more than a trim.
func TestBatchClosedForm(t *testing.T) {
	h := DefaultHouse()
	h.Waviness, h.Saw = 0.4, 0.3 // σ = 0.5
	v := decide(t, Needed{Mean: rising(4, 0)}, h)
	got := option(t, v, Batch)
	short, long, far := upper(1.5/0.5), upper(1.0/0.5), upper(4.0/0.5)
	near(t, "stop", got.Stops[0], 699.5, 0)
	near(t, "recuts", got.Recuts, 4*short, 1e-9)
	near(t, "trims", got.Trims, 4*long, 1e-9)
	near(t, "minutes", got.Minutes, 2+4*0.5, 0)
	near(t, "expected", got.Expected, 4+4*(8*short+3*(long-far)+6*far), 1e-8)
	near(t, "P(all fit)", got.P, math.Pow(1-short-long, 4), 1e-12)
	near(t, "error of P", got.PError, 0, 0)
	if !got.Passes || got.Visits != 0 || got.Group != nil {
		t.Errorf("batch %+v", got)
	}
	// Unrounded, the stop is where 8·φ((2+x)/σ) = 3·φ((0.5−x)/σ), but for the pieces
	// far too long: x = −0.75 + σ²·ln(8/3)/2.5. The second derivative of the minutes
	// there is 6.7 a mm², so a tie of 0.005 minutes reaches 0.039 mm to both sides.
	// The steps tried are a twentieth of the saw's.
	near(t, "unrounded", got.Lengths[0], 700-0.75+0.25*math.Log(8.0/3)/2.5, 0.039+0.0126)
	near(t, "spread", v.Spread, 0, 0)
	near(t, "sigma", v.Sigma, 0, 0)
	if v.Cut != Batch || len(v.Options) != 2 {
		t.Errorf("verdict %+v", v)
	}
}

// A head that slides takes up length at both ends of what fits, for its own piece.
func TestSlideWidensWhatFits(t *testing.T) {
	h := quiet()
	n := Needed{Mean: []float64{700.1, 703.4}, Slide: []float64{0.5, 0.5}}
	// Together they fit if 703.4 − 2.5 ≤ stop ≤ 700.1 + 1.0, which is 701 only.
	got := option(t, decide(t, n, h), Batch)
	near(t, "stop", got.Stops[0], 701, 0)
	near(t, "expected", got.Expected, got.Minutes, 1e-9)
	n.Slide = []float64{0, 0.5}
	if got := option(t, decide(t, n, h), Batch); got.Trims+got.Recuts < 0.4 {
		t.Errorf("without its slide the first piece still fits: %+v", got)
	}
	n.Slide = nil
	near(t, "without slide", option(t, decide(t, n, h), Batch).Trims, 1, 1e-9)
}

// A tie goes to the greatest P(all fit): a plateau of 0.005 minutes is about
// 0.4 mm wide here, and its middle is not where the minutes are least.
func TestBatchTieGoesToTheGreatestChance(t *testing.T) {
	h := DefaultHouse()
	h.SawStep, h.Minutes.Recut, h.Minutes.Trim = 0, 1000, 1
	v := decide(t, Needed{Mean: rising(3, 0)}, h)
	stop := option(t, v, Batch).Stops[0]
	s := math.Hypot(0.15, 0.1)
	cost := func(x float64) float64 { return 3 * (1000*upper((2+x)/s) + upper((0.5-x)/s)) }
	chance := func(x float64) float64 { return upper((2+x)/s) + upper((0.5-x)/s) }
	least, fewest := math.Inf(1), math.Inf(1)
	for x := -2.0; x < 1; x += 0.001 {
		least = min(least, cost(x))
	}
	for x := -2.0; x < 1; x += 0.001 {
		if cost(x) <= least+tie {
			fewest = min(fewest, chance(x))
		}
	}
	if got := cost(stop - 700); got > least+tie {
		t.Errorf("stop %.3f costs %.4f, the least is %.4f", stop, got, least)
	}
	near(t, "misfits", chance(stop-700), fewest, 1e-9)
}

// Blanks have the allowance or, where the length is doubtful, 2u + 2 mm.
func TestFitEach(t *testing.T) {
	for _, c := range []struct {
		u, allowance, length, stop float64
	}{
		{0.1, 6, 706.2, 706.5}, {2, 6, 706.2, 706.5}, {2.5, 6, 707.2, 707.5}, {0, 0, 702.2, 702.5}, {2.4, 3, 707, 707},
	} {
		h := DefaultHouse()
		h.Allowance = c.allowance
		n := Needed{Mean: []float64{699, 700.2}, Cov: doubt(2, c.u, 0, 0)}
		got := option(t, decide(t, n, h), FitEach)
		near(t, "blank", got.Lengths[0], c.length, 1e-9)
		near(t, "stop", got.Stops[0], c.stop, 1e-9)
		near(t, "minutes", got.Minutes, 2+2*6.5, 0)
		s := math.Hypot(c.u, math.Hypot(0.15, 0.1))
		short := upper((c.stop-699+2)/s) + upper((c.stop-700.2+2)/s)
		near(t, "recuts", got.Recuts, short, 1e-9)
		near(t, "expected", got.Expected, 15+8*short, 1e-8)
		near(t, "P", got.P, 1-short, got.PError+short)
		if got.Trims != 0 || got.Settings != 1 || len(got.Lengths) != 1 {
			t.Errorf("fit-each %+v", got)
		}
	}
}

// cutReal cuts pieces many times over and works as a fitter would. It returns the
// mean minutes beyond those of the way itself, how often all fitted, and the
// standard error of the minutes.
func cutReal(n Needed, h House, o Option, trials int, rng *rand.Rand) (minutes, all, e float64) {
	pieces := len(n.Mean)
	cov := mat.NewSymDense(pieces, nil)
	if n.Cov != nil {
		cov.CopySym(n.Cov)
	}
	for i := range pieces {
		cov.SetSym(i, i, cov.At(i, i)+h.Waviness*h.Waviness)
	}
	var chol mat.Cholesky
	if !chol.Factorize(cov) {
		panic("covariance of the simulation")
	}
	var l mat.TriDense
	chol.LTo(&l)
	z := make([]float64, pieces)
	sum, square := 0.0, 0.0
	for range trials {
		for i := range z {
			z[i] = rng.NormFloat64()
		}
		work, short, misfits := 0.0, 0, 0
		for i := range pieces {
			off := o.stopOf(i) + h.Saw*rng.NormFloat64() - n.Mean[i]
			for j := 0; j <= i; j++ {
				off -= l.At(i, j) * z[j]
			}
			slide := 0.0
			if n.Slide != nil {
				slide = n.Slide[i]
			}
			switch {
			case off < -h.Short-slide:
				short++
				misfits++
			case o.Cut == FitEach || off <= h.Long+slide:
			case off <= h.Long+slide+3:
				work += h.Minutes.Trim
				misfits++
			default:
				work += h.Minutes.Fit
				misfits++
			}
		}
		if misfits == 0 {
			all++
		}
		if h.Workshop {
			spares := h.SparesFor(pieces)
			work += float64(min(short, spares)) * h.Minutes.Fit
			if short > spares {
				work += h.Minutes.Visit
			}
		} else {
			work += float64(short) * h.Minutes.Recut
		}
		sum += work
		square += work * work
	}
	t := float64(trials)
	return sum / t, all / t, math.Sqrt(max(square/t-sum*sum/t/t, 0) / t)
}

func TestOptionsAgreeWithCutPieces(t *testing.T) {
	const trials = 20000
	rng := rand.New(rand.NewPCG(1, 2))
	butt := DefaultHouse()
	butt.Short, butt.SawStep, butt.Allowance = 0.5, 0, 1
	for k, c := range []struct {
		n Needed
		h House
	}{
		{Needed{rising(9, 1), doubt(9, .5, .3, .4), nil}, DefaultHouse()},
		{Needed{rising(12, 4), doubt(12, .3, 1.5, .6), slices.Repeat([]float64{0.3}, 12)}, DefaultHouse()},
		{Needed{rising(6, 9), doubt(6, 2, 2, 2), nil}, butt},
		{Needed{[]float64{705, 700, 703, 700.5}, nil, []float64{0, .2, .4, 0}}, butt},
		{Needed{rising(12, 1), doubt(12, .8, .5, .6), nil}, workshop(-1)},
		{Needed{rising(15, 6), doubt(15, .5, 1, .2), nil}, workshop(3)},
		{Needed{rising(5, 0), doubt(5, 1, 1, 1), nil}, workshop(0)},
	} {
		v := decide(t, c.n, c.h)
		for _, o := range v.Options {
			minutes, all, e := cutReal(c.n, c.h, o, trials, rng)
			// Four standard errors of the simulation, and what the lattice leaves of the
			// chance of a visit.
			tol := 4*e + 1e-3
			if c.h.Workshop {
				tol += 0.3
			}
			near(t, string(o.Cut)+": misfits", minutes, o.Expected-o.Minutes, tol)
			near(t, string(o.Cut)+": all fit", all, o.P, o.PError+4*math.Sqrt(o.P*(1-o.P)/trials)+1.0/trials)
			if t.Failed() {
				t.Fatalf("case %d: %+v", k, o)
			}
		}
	}
}

// drawNeeded makes random lengths: clusters or a slope, doubtful to any degree.
func drawNeeded(t *rapid.T, most int) Needed {
	f := func(name string, a, b float64) float64 { return rapid.Float64Range(a, b).Draw(t, name) }
	n := rapid.IntRange(1, most).Draw(t, "n")
	mean := rising(n, f("spread", 0, 8))
	for i := range mean {
		mean[i] += f("bump", -0.5, 0.5)
	}
	return Needed{mean, doubt(n, f("level", 0, 2), f("drift", 0, 2), f("bow", 0, 2)), nil}
}

func TestDecideProperties(t *testing.T) {
	h := DefaultHouse()
	shop := shopOf(t, h)
	rapid.Check(t, func(t *rapid.T) {
		n := drawNeeded(t, 12)
		v, err := shop.Decide(n)
		if err != nil {
			t.Fatal(err)
		}
		least := math.Inf(1)
		for _, o := range v.Options {
			if !(o.P >= 0 && o.P <= 1 && o.PError >= 0 && o.Expected >= o.Minutes && o.Trims >= 0 && o.Recuts >= 0 && o.Passes) {
				t.Fatalf("%+v", o)
			}
			for i, stop := range o.Stops {
				near(t, "a stop of the saw", stop, h.SawStep*math.Round(stop/h.SawStep), 1e-9)
				if d := math.Abs(stop - o.Lengths[i]); !(d < h.SawStep) {
					t.Fatalf("%g rounded to %g", o.Lengths[i], stop)
				}
			}
			if o.Cut == Graded {
				checkGroups(t, n, o)
			}
			least = min(least, o.Expected)
		}
		if got := v.Options[slices.IndexFunc(v.Options, func(o Option) bool { return o.Cut == v.Cut })]; got.Expected != least {
			t.Fatalf("%s takes %g, the least is %g", v.Cut, got.Expected, least)
		}
		if v.Known > h.Minutes.Setting+float64(len(n.Mean))*(h.Minutes.Cut+h.Minutes.Fit)+1e-9 {
			t.Fatalf("with known lengths %g minutes, more than fitting each", v.Known)
		}
	})
}

// Equal lengths that are equally doubtful take no longer when they are less so:
// scaling every error towards the middle of what fits makes no misfit of a fit.
func TestLessDoubtNeverTakesLonger(t *testing.T) {
	h := DefaultHouse()
	h.SawStep = 0
	shop := shopOf(t, h)
	rapid.Check(t, func(t *rapid.T) {
		n := rapid.IntRange(1, 12).Draw(t, "n")
		u := rapid.Float64Range(0, 4).Draw(t, "u")
		less := u * rapid.Float64Range(0, 1).Draw(t, "share")
		minutes := func(u float64) float64 {
			v, err := shop.Decide(Needed{Mean: rising(n, 0), Cov: doubt(n, u, 0, 0)})
			if err != nil {
				t.Fatal(err)
			}
			return chosen(v.Options).Expected
		}
		// The stops are 0.05 mm apart, or 1/64 of their span, and ties cost 0.005.
		if a, b := minutes(less), minutes(u); a > b+tie+0.002*float64(n) {
			t.Fatalf("%d pieces: u %g takes %g, u %g takes %g", n, less, a, u, b)
		}
	})
}

// The order in which the pieces stand changes nothing but the order of the answer.
func TestDecideOrderOfPiecesDoesNotMatter(t *testing.T) {
	n := Needed{rising(8, 9), doubt(8, .1, .2, .2), []float64{0, .1, .2, .3, .4, .5, .6, .7}}
	turned := Needed{slices.Clone(n.Mean), mat.NewSymDense(8, nil), slices.Clone(n.Slide)}
	slices.Reverse(turned.Mean)
	slices.Reverse(turned.Slide)
	for i := range 8 {
		for j := range 8 {
			turned.Cov.SetSym(i, j, n.Cov.At(7-i, 7-j))
		}
	}
	a, b := decide(t, n, DefaultHouse()), decide(t, turned, DefaultHouse())
	if a.Cut != Graded || b.Cut != Graded {
		t.Errorf("cut %s and %s", a.Cut, b.Cut)
	}
	ga, gb := option(t, a, Graded), option(t, b, Graded)
	slices.Reverse(gb.Stops)
	slices.Reverse(gb.Lengths)
	slices.Reverse(gb.Group)
	if !slices.Equal(ga.Stops, gb.Stops) || !slices.Equal(ga.Group, gb.Group) {
		t.Errorf("graded %+v\nand %+v", ga, gb)
	}
	for i := range ga.Lengths {
		near(t, "length", ga.Lengths[i], gb.Lengths[i], 1e-9)
	}
	near(t, "expected", ga.Expected, gb.Expected, 1e-9)
	near(t, "P", ga.P, gb.P, ga.PError+gb.PError)
}
