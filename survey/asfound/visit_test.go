package asfound

import (
	"fmt"
	"math"
	"math/rand/v2"
	"slices"
	"testing"

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
	for i, need := range needed {
		stop := o.Stops[min(i, len(o.Stops)-1)]
		d := stop + h.Saw*rng.NormFloat64() - (need + h.Waviness*rng.NormFloat64())
		switch {
		case d < -h.Short-slide[i]:
			total += m.Recut
		case d > 3+slide[i]:
			total += m.Fit
		case d > h.Long+slide[i]:
			total += m.Trim
		}
	}
	return total
}

// visits is what a number of visits came to.
type visits struct {
	bays, batch, graded, each, undecided int
	suspects                             int
	said, real, known, fitEach           float64
	covered, figures                     map[string]int
}

func simulateVisits(seed uint64, bays int, drift float64, how sharing, take func(*visitor, truth) []survey.Reading) visits {
	rng, saw := rand.New(rand.NewPCG(seed, 1)), rand.New(rand.NewPCG(seed, 2))
	v := newVisitor(rng, how)
	out := visits{covered: map[string]int{}, figures: map[string]int{}}
	set := Defaults()
	shop, err := fit.NewShop(set.House, set.Accuracy)
	if err != nil {
		panic(err)
	}
	for range bays {
		tr := fittersBay(rng, drift)
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
			out.undecided++
			for _, f := range b.Flags {
				if f.State == "flag" {
					println(f.Name, f.Text)
				}
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
		needed := pieces.SpindleLengths(tr.Plane, w.stations(tr.Plane), tr.spindle)
		slide := w.slides(tr.Plane, w.stations(tr.Plane))
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
	n := float64(v.bays - v.undecided)
	s := fmt.Sprintf("%d bays: %d batch, %d graded, %d each, %d undecided; suspects %d; said %.2f real %.2f known %.2f each %.1f;",
		v.bays, v.batch, v.graded, v.each, v.undecided, v.suspects, v.said/n, v.real/n, v.known/n, v.fitEach/n)
	for _, name := range []string{"run", "base angle", "rail angle", "gap bottom", "gap middle", "gap top", "lean lower", "lean upper", "bow base", "bow rail"} {
		s += fmt.Sprintf(" %s %.3f", name, float64(v.covered[name])/float64(v.figures[name]))
	}
	return s
}

func TestVisitTry(t *testing.T) {
	for _, how := range []sharing{byTool, byKind, byBoth} {
		for _, drift := range []float64{0.7, 3, 15} {
			t.Log(how, drift, simulateVisits(1, 200, drift, how, (*visitor).eight))
		}
	}
}
