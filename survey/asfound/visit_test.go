package asfound

import (
	"fmt"
	"math"
	"math/rand/v2"
	"slices"
	"testing"

	"pinchrod/calc/calctest"
	"pinchrod/calc/fit"
	"pinchrod/calc/frame"
	"pinchrod/calc/pieces"
	"pinchrod/calc/unit"
	"pinchrod/survey"
)

// sharing is how a tool errs: alike in all readings of a measure, alike in those of a kind, or half of each.
type sharing int

const (
	byTool sharing = iota
	byKind
	byBoth
)

// visitor takes readings of bays whose truth is known, with tools that err within their limits: the error that a tool's
// readings share is drawn once a bay, each reading's own with the reading.
type visitor struct {
	rng    *rand.Rand
	how    sharing
	shared map[string]float64 // standard normal, by what shares it
	width  float64            // the spindles' width less what is read of it, mm
}

func newVisitor(rng *rand.Rand, how sharing) *visitor {
	return &visitor{rng: rng, how: how, shared: map[string]float64{}}
}

// arrive forgets the errors of the last bay's tools, and draws that of the spindles' width.
func (v *visitor) arrive() {
	clear(v.shared)
	s := truth{spindle: 41}.section()
	u, err := s.StandardU(survey.HouseKit)
	if err != nil {
		panic(err)
	}
	v.width = u * v.rng.NormFloat64()
}

// common draws an error of standard uncertainty u that all readings of a name share: rectangular, as a tool's limit is.
func (v *visitor) common(name string, u float64) float64 {
	if _, ok := v.shared[name]; !ok {
		v.shared[name] = math.Sqrt(3) * (2*v.rng.Float64() - 1)
	}
	return u * v.shared[name]
}

// read takes one reading of a bay with the kind's usual tool.
func (v *visitor) read(tr truth, what survey.What, at survey.Mark, height float64, eq frame.Equation) survey.Reading {
	r := survey.Reading{Where: "F1/left", What: what, At: survey.At{Mark: at}, Height: unit.FromMM(height)}
	k := r.Kind()
	r.Value.Measure = k.Measure
	value := eq(append(tr.Vector(), 0, tr.spindle), nil)
	switch k.Measure {
	case survey.Angle:
		value /= degree
	case survey.Lean:
		value *= 1000
	default:
		r.Value.N[0] = int64(unit.FromMM(value)) // a tape's u grows with the length
	}
	u, err := r.StandardU(survey.HouseKit)
	if err != nil {
		panic(err)
	}
	own, parts, err := shares(&r, u, survey.HouseKit)
	if err != nil {
		panic(err)
	}
	value += own * v.rng.NormFloat64()
	whole := 0.0 // variance of the tool's offset, which its readings share in one way or another
	for _, p := range parts {
		switch p.key.of {
		case "lengths", "angles", string(what):
			whole += p.by * p.by
		default: // a post's level, a tape's scale
			value += v.common(p.key.tool+p.key.of, p.by)
		}
	}
	switch v.how {
	case byTool:
		value += v.common(parts[0].key.tool, math.Sqrt(whole))
	case byKind:
		value += v.common(parts[0].key.tool+string(what), math.Sqrt(whole))
	case byBoth:
		value += v.common(parts[0].key.tool, math.Sqrt(whole/2)) + v.common(parts[0].key.tool+string(what), math.Sqrt(whole/2))
	}
	switch k.Measure {
	case survey.Angle:
		r.Value.N[0] = int64(unit.FromRad(value * degree))
	case survey.Lean:
		r.Value.N[0], r.Value.N[1] = int64(unit.FromMM(value)), int64(unit.Metre)
	default:
		r.Value.N[0] = int64(unit.FromMM(value))
	}
	r.Text = r.Value.String()
	return r
}

func (tr truth) section() survey.Reading {
	size := int64(unit.FromMM(tr.spindle))
	return survey.Reading{Where: "F1/left", What: survey.SpindleSize, Value: survey.Quantity{Measure: survey.Section, N: [3]int64{size, size}}, Text: fmt.Sprintf("%g x %g mm", tr.spindle, tr.spindle)}
}

// eight takes a fitter's own eight readings, and the spindles' section: the run, two angles a rail, and a trial piece at
// three places.
func (v *visitor) eight(tr truth) []survey.Reading {
	rows := []survey.Reading{tr.section(), v.read(tr, survey.Run, survey.Nowhere, 0, frame.RunAt(0))}
	for _, at := range []survey.Mark{survey.Bottom, survey.Top} {
		st := station(survey.At{Mark: at})
		rows = append(rows, v.read(tr, survey.BaseAngle, at, 0, frame.BaseAngle(st)), v.read(tr, survey.RailAngle, at, 0, frame.RailAngle(st)))
	}
	for _, at := range []survey.Mark{survey.Bottom, survey.Middle, survey.Top} {
		rows = append(rows, v.read(tr, survey.Trial, at, 0, frame.Trial(station(survey.At{Mark: at}))))
	}
	return rows
}

// fittersBay draws a bay of 36 to 42°, posts leaning by 3 mm/m, bowed by 1.5 mm, the rails apart by drift mm over the
// run, each one standard deviation.
func fittersBay(rng *rand.Rand, drift float64) truth {
	run := 900 + 1500*rng.Float64()
	pitch := math.Tan((36 + 6*rng.Float64()) * degree)
	return truth{frame.Plane{
		Run: run, LeanLower: 0.003 * rng.NormFloat64(), LeanUpper: 0.003 * rng.NormFloat64(),
		BaseSlope: pitch, RailSlope: pitch + drift*rng.NormFloat64()/run,
		Gap: 700 + 200*rng.Float64(), BowBase: 1.5 * rng.NormFloat64(), BowRail: 1.5 * rng.NormFloat64(),
	}, 41}
}

// realised cuts an option's pieces for a bay and fits them, and gives the minutes that took.
func realised(rng *rand.Rand, h fit.House, o *fit.Option, needed, slide []float64) float64 {
	m := h.Minutes
	n := float64(len(needed))
	if o.Cut == fit.FitEach {
		return m.Setting + n*(m.Cut+m.Fit)
	}
	total := float64(o.Settings)*m.Setting + n*m.Cut
	if o.Cut == fit.Graded {
		total += n * m.Sort
	}
	short := 0
	for i, need := range needed {
		stop := o.Stops[min(i, len(o.Stops)-1)]
		d := stop + h.Saw*rng.NormFloat64() - (need + h.Waviness*rng.NormFloat64())
		switch {
		case d < -h.Short-slide[i]:
			short++
		case d > 3+slide[i]:
			total += m.Fit
		case d > h.Long+slide[i]:
			total += m.Trim
		}
	}
	if !h.Workshop {
		return total + float64(short)*m.Recut
	}
	spares := len(needed)/10 + 1 // as carried unless set
	total += float64(min(short, spares)) * m.Fit
	if short > spares {
		total += m.Visit
	}
	return total
}

// visits is what a number of visits came to.
type visits struct {
	bays, batch, graded, each      int
	unlocated, undecided, suspects int // undecided: without a slip that nothing locates to blame
	said, real, known, fitEach     float64
	covered, figures               map[string]int
}

func (v *visits) add(o visits) {
	v.bays, v.batch, v.graded, v.each = v.bays+o.bays, v.batch+o.batch, v.graded+o.graded, v.each+o.each
	v.unlocated, v.undecided, v.suspects = v.unlocated+o.unlocated, v.undecided+o.undecided, v.suspects+o.suspects
	v.said, v.real, v.known, v.fitEach = v.said+o.said, v.real+o.real, v.known+o.known, v.fitEach+o.fitEach
	for name := range o.figures {
		v.figures[name] += o.figures[name]
		v.covered[name] += o.covered[name]
	}
}

// simulateVisits draws bays, reads them, cuts what the verdict says and fits it.
func simulateVisits(seed uint64, bays int, set Settings, how sharing, draw func(*rand.Rand) truth, take func(*visitor, truth) []survey.Reading) visits {
	rng, saw := rand.New(rand.NewPCG(seed, 1)), rand.New(rand.NewPCG(seed, 2))
	v := newVisitor(rng, how)
	out := visits{covered: map[string]int{}, figures: map[string]int{}}
	shop, err := fit.NewShop(set.House, set.Accuracy)
	if err != nil {
		panic(err)
	}
	for range bays {
		tr := draw(rng)
		v.arrive()
		b := &mustWork(bookOf(take(v, tr)), set).Bays[0]
		out.bays++
		if slices.ContainsFunc(b.Readings, func(r Result) bool { return r.Suspect }) {
			out.suspects++
		}
		for name, want := range tr.figures() {
			if q := b.Adjusted.figures()[name]; q.Known {
				out.figures[name]++
				if math.Abs(q.Value-want) <= 2*q.U {
					out.covered[name]++
				}
			}
		}
		var o *fit.Option
		if b.Spindles != nil {
			o = b.Spindles.Chosen()
		}
		if o == nil {
			if len(b.Again) > 1 && slices.ContainsFunc(b.Readings, func(r Result) bool { return len(r.Rivals) > 0 }) {
				out.unlocated++
			} else {
				out.undecided++
			}
			continue
		}
		switch o.Cut {
		case fit.Batch:
			out.batch++
		case fit.Graded:
			out.graded++
		default:
			out.each++
		}
		w := &worker{bay: b, width: tr.spindle, set: set}
		at := w.stations(tr.Plane)
		needed, slide := pieces.SpindleLengths(tr.Plane, at, tr.spindle), w.slides(tr.Plane, at)
		known, err := shop.Decide(fit.Needed{Mean: needed, Slide: slide})
		if err != nil {
			panic(err)
		}
		m := set.House.Minutes
		out.said += o.Expected
		out.real += realised(saw, set.House, o, needed, slide)
		out.known += known.Known
		out.fitEach += m.Setting + float64(len(needed))*(m.Cut+m.Fit)
	}
	return out
}

func (v visits) String() string {
	n := float64(v.batch + v.graded + v.each)
	return fmt.Sprintf("%d bays: %d batch, %d graded, %d each, %d not located, %d undecided, %d with suspects; said %.2f minutes, took %.2f, %.2f with the plane known, %.1f fitting each",
		v.bays, v.batch, v.graded, v.each, v.unlocated, v.undecided, v.suspects, v.said/n, v.real/n, v.known/n, v.fitEach/n)
}

// From a fitter's own eight readings every bay is decided, but for the few with a slip that nothing locates; the work
// takes as long as was said, hardly longer than with the plane known, and a fraction of fitting each. Cutting on site
// and in a workshop, with rails apart by 0.7 and by 3 mm, however the tools err.
func TestSimulationVisits(t *testing.T) {
	workshop := Defaults()
	if err := workshop.Set("saw", "workshop"); err != nil {
		t.Fatal(err)
	}
	seeds, n := uint64(bays(1, 5)), bays(60, 200)
	for _, c := range []struct {
		name  string
		drift float64
		set   Settings
	}{
		{"sawn on site", 0.7, Defaults()}, {"3 mm of drift", 3, Defaults()}, {"sawn in the workshop", 0.7, workshop},
	} {
		for _, how := range []sharing{byTool, byKind, byBoth} {
			if !*long && how == byKind {
				continue
			}
			all := visits{covered: map[string]int{}, figures: map[string]int{}}
			for seed := range seeds {
				all.add(simulateVisits(seed+1, n, c.set, how, func(rng *rand.Rand) truth { return fittersBay(rng, c.drift) }, (*visitor).eight))
			}
			name := fmt.Sprintf("%s, tools erring %s", c.name, [...]string{"by tool", "by kind", "by both"}[how])
			t.Logf("%s: %v", name, all)
			most := 0.005 * float64(all.bays)
			if how == byTool {
				most = 0
			}
			if all.undecided > 0 || float64(all.unlocated) > most {
				t.Errorf("%s: %d undecided and %d with a slip not located, want none and %g at most", name, all.undecided, all.unlocated, most)
			}
			if !calctest.Near(all.real, all.said, 0.08*all.said) {
				t.Errorf("%s: took %.2f minutes, %.2f were said; want within 8 %%", name, all.real, all.said)
			}
			if !(all.real <= 1.15*all.known) {
				t.Errorf("%s: took %.2f minutes, %.2f with the plane known; want 1.15 times at most", name, all.real, all.known)
			}
			if !(all.real <= all.fitEach/4) {
				t.Errorf("%s: took %.2f minutes, fitting each takes %.2f; want a quarter at most", name, all.real, all.fitEach)
			}
		}
	}
}

// priorBay draws a bay from what is taken for granted of any stair: leans N(0, 5 mm/m), rails parallel N(0, 0.5°), bows
// N(0, 2 mm per m of run).
func priorBay(rng *rand.Rand) truth {
	tr := randomBay(rng)
	bow := 2 * tr.Run / 1000
	tr.LeanLower, tr.LeanUpper = 0.005*rng.NormFloat64(), 0.005*rng.NormFloat64()
	tr.RailSlope = math.Tan(math.Atan(tr.BaseSlope) + 0.5*degree*rng.NormFloat64())
	tr.BowBase, tr.BowRail = bow*rng.NormFloat64(), bow*rng.NormFloat64()
	return tr
}

// whole takes the readings of a whole bay with the kinds' usual tools, whose errors they share.
func (v *visitor) whole(tr truth) []survey.Reading {
	rows := []survey.Reading{tr.section()}
	for _, h := range []float64{0, 350, 700} {
		rows = append(rows, v.read(tr, survey.Run, survey.Nowhere, h, frame.RunAt(h)))
	}
	rows = append(rows, v.read(tr, survey.LeanAlong, survey.Lower, 0, frame.Lean(false)), v.read(tr, survey.LeanAlong, survey.Upper, 0, frame.Lean(true)))
	for _, at := range []survey.Mark{survey.Bottom, survey.Middle, survey.Top} {
		st := station(survey.At{Mark: at})
		rows = append(rows, v.read(tr, survey.BaseAngle, at, 0, frame.BaseAngle(st)), v.read(tr, survey.RailAngle, at, 0, frame.RailAngle(st)),
			v.read(tr, survey.Gap, at, 0, frame.Gap(st)), v.read(tr, survey.Trial, at, 0, frame.Trial(st)))
	}
	return append(rows,
		v.read(tr, survey.BowBase, survey.Middle, 0, frame.BowBase(frame.Middle)), v.read(tr, survey.BowRail, survey.Middle, 0, frame.BowRail(frame.Middle)),
		v.read(tr, survey.FrameDiagonal, survey.Rising, 0, frame.FrameDiagonal(true)), v.read(tr, survey.FrameDiagonal, survey.Falling, 0, frame.FrameDiagonal(false)))
}

// Are the uncertainties honest where tools err as they do, alike in all of a tool's readings, in those of a kind, or
// half of each? Over bays drawn from the priors 2u of every figure covers the truth in 92 to 98 of 100, which are the
// limits that the model of half and half was chosen to keep whichever is true; and fewer than 3 in 100 whole bays
// without a slip show a suspect. Of n bays a share of 0.95 strays by √(0.95·0.05/n), and three of those are allowed.
func TestSimulationSharedErrors(t *testing.T) {
	n := bays(60, 1000)
	stray := 3 * math.Sqrt(0.95*0.05/float64(n))
	for _, how := range []sharing{byTool, byKind, byBoth} {
		all := simulateVisits(77, n, Defaults(), how, priorBay, (*visitor).whole)
		for name, c := range all.covered {
			if share := float64(c) / float64(n); !(share >= 0.92-stray && share <= 0.98+stray) || all.figures[name] != n {
				t.Errorf("tools erring as %d: 2u of %s covers the truth in %.1f %% of %d, want 92 to 98 of %d", how, name, 100*share, all.figures[name], n)
			}
		}
		if len(all.covered) != 10 || float64(all.suspects) > 0.03*float64(n)+3*math.Sqrt(0.03*float64(n)) && !*long || *long && float64(all.suspects) > 0.03*float64(n) {
			t.Errorf("tools erring as %d: %d figures, %d of %d bays with suspects; want 10 and 3 %% at most", how, len(all.covered), all.suspects, n)
		}
		t.Logf("tools erring as %d: %d suspects in %d; covered %v", how, all.suspects, n, all.covered)
	}
}
