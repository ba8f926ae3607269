package asfound

import (
	"math"
	"math/rand/v2"
	"slices"
	"strings"
	"testing"

	"pinchrod/calc/calctest"
	"pinchrod/calc/fit"
	"pinchrod/calc/frame"
	"pinchrod/calc/pieces"
	"pinchrod/survey"
)

// trueFigures are the figures of the page, in its units, of a bay's truth.
func (tr truth) figures() map[string]float64 {
	x := tr.Vector()
	at := func(eq frame.Equation, scale float64) float64 { return eq(x, nil) * scale }
	return map[string]float64{
		"run": tr.Run, "lean lower": 1000 * tr.LeanLower, "lean upper": 1000 * tr.LeanUpper,
		"base angle": at(frame.BasePitch(), 1/degree), "rail angle": at(frame.RailPitch(), 1/degree),
		"gap bottom": at(frame.Gap(frame.Bottom), 1), "gap middle": at(frame.Gap(frame.Middle), 1), "gap top": at(frame.Gap(frame.Top), 1),
		"bow base": tr.BowBase, "bow rail": tr.BowRail,
	}
}

func (a Adjusted) figures() map[string]Quantity {
	return map[string]Quantity{
		"run": a.Run, "lean lower": a.LeanLower, "lean upper": a.LeanUpper, "base angle": a.BaseAngle, "rail angle": a.RailAngle,
		"gap bottom": a.GapBottom, "gap middle": a.GapMiddle, "gap top": a.GapTop, "bow base": a.BowBase, "bow rail": a.BowRail,
	}
}

// Are the uncertainties honest? Over bays of known truth, 2u intervals should
// cover the truth 95.4 times in 100; a clean bay should show a suspect with
// probability 1 − 0.999^17 = 1.7 %, the readings' residuals being nearly
// independent; and a probability of fitting should come true as often as it says.
func TestSimulationCleanBays(t *testing.T) {
	rng, saw := rand.New(rand.NewPCG(20261125, 1)), rand.New(rand.NewPCG(20261125, 101))
	n := bays(100, 300)
	covered, total := map[string]int{}, 0
	suspects := 0
	var said, came float64
	cuts := 0
	for range n {
		tr := randomBay(rng)
		b := &mustWork(bookOf(tr.readings(rng, "F1/left")), Defaults()).Bays[0]
		total++
		for name, want := range tr.figures() {
			q := b.Adjusted.figures()[name]
			if !q.Known {
				t.Fatalf("%s is not known in a whole bay", name)
			}
			if math.Abs(q.Value-want) <= 2*q.U {
				covered[name]++
			}
		}
		if slices.ContainsFunc(b.Readings, func(r Result) bool { return r.Suspect }) {
			suspects++
		}
		w := &worker{bay: b, width: tr.spindle, set: Defaults()}
		at := w.stations(tr.Plane)
		needed, slide := pieces.SpindleLengths(tr.Plane, at, tr.spindle), w.slides(tr.Plane, at)
		for _, o := range b.Spindles.Options {
			if o.Cut == fit.FitEach {
				continue
			}
			said += o.P
			came += rate(saw, o, needed, slide)
			cuts++
		}
	}
	// Within 2u are Φ(2) − Φ(−2) = 95.45 % of a normal distribution. Of n bays that
	// share strays by √(0.9545·0.0455/n): four of those, as ten figures are asked.
	const within = 0.9545
	stray := 4 * math.Sqrt(within*(1-within)/float64(total))
	pooled := 0
	for name, c := range covered {
		pooled += c
		if share := float64(c) / float64(total); !calctest.Near(share, within, stray) {
			t.Errorf("2u of %s covers the truth in %.1f %%, want %.1f ±%.1f", name, 100*share, 100*within, 100*stray)
		}
	}
	share := 100 * float64(pooled) / float64(total*len(covered))
	if len(covered) != 10 || share < 93 || share > 97.5 {
		t.Errorf("2u of %d figures covers the truth in %.2f %%, want 10 figures and 93 to 97.5", len(covered), share)
	}
	falseAlarms := 100 * float64(suspects) / float64(total)
	if falseAlarms > 5 {
		t.Errorf("%.1f %% of clean bays show a suspect, want at most 5", falseAlarms)
	}
	said, came = said/float64(cuts), came/float64(cuts)
	if !calctest.Near(said, came, 0.03) {
		t.Errorf("all pieces fit with probability %.3f by the page and %.3f in truth, want within 0.03", said, came)
	}
	t.Logf("coverage %.2f %%, false suspects %.2f %%, P(all fit) %.4f said and %.4f true over %d cuts", share, falseAlarms, said, came, cuts)
}

// rate cuts an option's pieces again and again, with the saw's and the rails'
// own spread, and gives the share of sets that fit as a whole.
func rate(rng *rand.Rand, o fit.Option, needed, slide []float64) float64 {
	const sets = 20
	h := fit.DefaultHouse()
	all := 0
	for range sets {
		ok := true
		for i, need := range needed {
			stop := o.Stops[min(i, len(o.Stops)-1)]
			d := stop + h.Saw*rng.NormFloat64() - (need + h.Waviness*rng.NormFloat64())
			ok = ok && d >= -h.Short-slide[i] && d <= h.Long+slide[i]
		}
		if ok {
			all++
		}
	}
	return float64(all) / sets
}

// A slip of 10 mm in a reading that the others check is found and named.
func TestSimulationSlips(t *testing.T) {
	rng := rand.New(rand.NewPCG(20261125, 2))
	n := bays(100, 300)
	found, named := 0, 0
	for range n {
		tr := randomBay(rng)
		rows := tr.readings(rng, "F1/left")
		var lengths []int
		for i, r := range rows {
			switch r.What {
			case survey.Run, survey.Gap, survey.FrameDiagonal:
				lengths = append(lengths, i)
			}
		}
		i := lengths[rng.IntN(len(lengths))]
		rows[i].Value.N[0] += int64(10_000 * (1 - 2*rng.IntN(2)))
		b := adjusted(t, rows)
		for _, r := range b.Readings {
			if r.Ref.Item == uint32(i+1) && r.Suspect {
				found++
				if strings.Contains(r.Slip, "a whole 10 mm") {
					named++
				}
			}
		}
	}
	if share := 100 * float64(found) / float64(n); share < 93 {
		t.Errorf("a slip of 10 mm is found in %.1f %%, want 93 at least", share)
	}
	if share := 100 * float64(named) / float64(n); share < 93 {
		t.Errorf("its size is named as a whole 10 mm in %.1f %%, want 93 at least", share)
	}
	t.Logf("found %.1f %%, its size named as a whole 10 mm %.1f %%", 100*float64(found)/float64(n), 100*float64(named)/float64(n))
}

// adjusted is a bay as far as its readings go, without what is cut from it.
func adjusted(t *testing.T, rows []survey.Reading) *Bay {
	t.Helper()
	b := &Bay{Place: rows[0].Where}
	w := newWorker(b, Defaults(), nil, bookOf(rows).Entries, nil)
	w.gather()
	if err := w.adjust(); err != nil {
		t.Fatal(err)
	}
	w.bay.Readings = resultsOf(w.obs, w.sol)
	return b
}
