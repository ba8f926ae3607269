package asfound

import (
	"errors"
	"fmt"
	"math"
	"slices"
	"strings"

	"pinchrod/calc/adjust"
	"pinchrod/calc/flight"
	"pinchrod/calc/rules"
	"pinchrod/survey"
	"pinchrod/survey/fieldbook"
)

// House figures of a flight, common practice, no source.
const (
	unreadStep = 20.0 // u of a step that nobody read against the mean of the rest, mm
	unreadSkew = 30.0 // u of a plan's swing, taper and skew where nothing says, mm
	evenStep   = 5.0  // how far a step may be from its neighbour or from the mean where no rule says, mm
)

const house = "house figure, common practice, no source"

// Step is one step as adjusted.
type Step struct {
	Number      int
	Rise, Going Quantity // mm
	Pitch       Quantity // degrees
}

// Plan is the flight seen square on to its pitch, as adjusted.
type Plan struct {
	Corners [4]Quantity // degrees: bottom left, bottom right, top left, top right
	Swing   Quantity    // mm, + to the right
	Taper   Quantity    // mm, + wider at the top
	Skew    Quantity    // mm over the width, top edge, + right end up
}

// flightWorker works one flight out.
type flightWorker struct {
	f    *Flight
	set  Settings
	here []fieldbook.Entry
	read *reader
	well string // left, right, or "" where the bays do not tell

	st                    flight.Steps
	stepsSight, planSight *sight
	judged                []Flag // every step's, those that the page leaves out as well
}

func workFlight(f *Flight, s Settings, here []fieldbook.Entry, bays []survey.Place) *flightWorker {
	w := &flightWorker{f: f, set: s, here: here, read: newReader(s.Kit, here), well: wellOf(bays)}
	for _, e := range here {
		if err := e.Reading.Check(); err != nil {
			w.note("%s (%s) is not used: %v", e.Ref.Short(), e.Reading.Title(), err)
		}
	}
	w.here = slices.DeleteFunc(slices.Clone(here), func(e fieldbook.Entry) bool { return e.Reading.Check() != nil })
	w.steps()
	w.plan()
	w.byEye()
	w.f.Notes = append(w.f.Notes, w.read.notes()...)
	w.f.Flags = append(append(slipFlags(w.f.Results), w.f.Flags...), w.read.flags()...)
	return w
}

// wellOf tells which side the well is on: where the bays are, if they are all
// on one side and called so.
func wellOf(bays []survey.Place) string {
	side := ""
	for _, b := range bays {
		name := strings.ToLower(b.Bay())
		if name != "left" && name != "right" || side != "" && side != name {
			return ""
		}
		side = name
	}
	return side
}

func (w *flightWorker) note(format string, a ...any) {
	w.f.Notes = append(w.f.Notes, fmt.Sprintf(format, a...))
}

func (w *flightWorker) flag(f Flag) { w.f.Flags = append(w.f.Flags, f) }

// observations are the readings of some kinds as the adjustment sees them.
func (w *flightWorker) observations(eq func(*survey.Reading) flight.Equation) []observation {
	var out []observation
	for _, e := range w.here {
		model := eq(&e.Reading)
		if model == nil {
			continue
		}
		q, err := w.read.figure(e)
		if err != nil {
			w.note("%s (%s) is not used: %v", e.Ref.Short(), e.Reading.Title(), err)
			continue
		}
		out = append(out, observation{entry: e, value: q.Value, u: q.U, scale: 1, eq: model})
	}
	return out
}

// solve adjusts observations with weak priors and keeps what is said of them.
func (w *flightWorker) solve(obs []observation, start []float64, weak []flight.Observation) (*adjust.Snooped, error) {
	p := adjust.Problem{Start: start}
	for _, o := range obs {
		p.Observations = append(p.Observations, adjust.Observation{Value: o.value, U: o.u, Model: o.eq, Prior: o.prior || len(o.entry.Kept) > 0})
	}
	for _, o := range weak {
		p.Weak = append(p.Weak, adjust.Observation{Value: o.Value, U: o.U, Model: o.Model, Prior: true})
	}
	s, err := adjust.Snoop(p, adjust.Options{})
	if err != nil {
		return nil, err
	}
	w.f.Results = append(w.f.Results, resultsOf(slices.DeleteFunc(slices.Clone(obs), func(o observation) bool { return o.prior }), s)...)
	return s, nil
}

// figureOf is a derived quantity of a flight's solution, not known where priors
// have half of its variance or more.
func figureOf(s *adjust.Snooped, weak []flight.Observation, eq flight.Equation, scale float64) Quantity {
	grad := make([]float64, len(s.X))
	v := eq(s.X, grad)
	u := s.U(grad)
	if math.IsNaN(v) || math.IsNaN(u) {
		return Quantity{}
	}
	var priors []adjust.Observation
	for _, i := range s.UsedWeak {
		priors = append(priors, adjust.Observation{U: weak[i].U, Model: weak[i].Model})
	}
	if len(priors) > 0 && !tellsOfReadings(s, priors, grad) {
		return Quantity{}
	}
	return Quantity{v * scale, u * scale, true}
}

// partOf is what a reading of the steps is of.
var partOf = map[survey.What]flight.Part{
	survey.Rise: flight.Rise, survey.TotalRise: flight.Rise, survey.Going: flight.Going, survey.TotalGoing: flight.Going,
}

// counted tells how many steps the flight has: as many as were read, and those that its totals say were not.
func (w *flightWorker) counted() (st flight.Steps) {
	var readings []flight.Reading
	for _, e := range w.here {
		r := &e.Reading
		part, ok := partOf[r.What]
		q, err := w.read.figure(e)
		if !ok || err != nil {
			continue
		}
		switch r.What {
		case survey.Rise:
			st.Rises = max(st.Rises, int(r.At.N))
		case survey.Going:
			st.Goings = max(st.Goings, int(r.At.N))
		}
		readings = append(readings, flight.Reading{Part: part, Step: int(r.At.N), Value: q.Value, U: q.U})
	}
	ofRises := slices.DeleteFunc(slices.Clone(readings), func(r flight.Reading) bool { return r.Part != flight.Rise })
	ofGoings := slices.DeleteFunc(readings, func(r flight.Reading) bool { return r.Part != flight.Going })
	st.Rises += w.unread(flight.Steps{Rises: st.Rises}, flight.Rise, ofRises, st.Rises)
	st.Goings += w.unread(flight.Steps{Goings: st.Goings}, flight.Going, ofGoings, st.Goings)
	return st
}

// aStep is how near to a whole number of steps the total has to exceed their sum, in steps, to say that they were not
// read: a step that differs by a quarter from the rest is no step that anybody climbs. Common practice, no source.
const aStep = 0.25

// unread is how many steps at the top of the flight the total says were not read, where all n below them were.
func (w *flightWorker) unread(st flight.Steps, part flight.Part, readings []flight.Reading, n int) int {
	if n < 3 {
		return 0
	}
	c, u, err := st.Closure(part, readings)
	if err != nil {
		return 0
	}
	sum, count := 0.0, 0.0
	for _, r := range readings {
		if r.Step > 0 {
			sum, count = sum+r.Value, count+1
		}
	}
	step := sum / count
	k := math.Round(-c / step)
	if k < 1 || k > float64(n) || math.Abs(-c-k*step) > aStep*step {
		return 0
	}
	w.flag(Flag{
		Name: "unread-step", State: rules.Unsure, Value: -c, U: u, Unit: "mm", Absolute: true,
		Of:   fmt.Sprintf("total %s less the sum of the %d %ss that were read", part, n, part),
		From: "the mean of the steps that were read",
		Text: fmt.Sprintf("a step seems unread: read the %s of step %d", part, n+1),
	})
	return int(k)
}

// steps adjusts rises and goings with their totals.
func (w *flightWorker) steps() {
	st := w.counted()
	if st.Rises == 0 && st.Goings == 0 {
		return
	}
	w.st = st
	var readings []flight.Reading
	obs := w.observations(func(r *survey.Reading) flight.Equation {
		part, ok := partOf[r.What]
		if !ok || part == flight.Rise && st.Rises == 0 || part == flight.Going && st.Goings == 0 {
			return nil
		}
		if r.At.Mark == survey.Step {
			return st.One(part, int(r.At.N))
		}
		return st.Total(part)
	})
	for i, o := range obs {
		r := &o.entry.Reading
		readings = append(readings, flight.Reading{Part: partOf[r.What], Step: int(r.At.N), Value: o.value, U: o.u})
		// A step's neighbours are as near at hand as it.
		if r.At.Mark == survey.Step {
			for _, n := range []int{int(r.At.N) - 1, int(r.At.N) + 1} {
				if _, ok := st.Index(partOf[r.What], n); ok {
					obs[i].others = append(obs[i].others, alternative{fmt.Sprintf("taken at step %d", n), st.One(partOf[r.What], n)})
				}
			}
		}
	}
	start, err := st.Start(readings)
	if err != nil {
		w.note("the steps could not be adjusted: %v", err)
		return
	}
	weak, err := st.Unread(readings, unreadStep, unreadStep)
	if err != nil {
		w.note("the steps could not be adjusted: %v", err)
		return
	}
	s, err := w.solve(obs, start, weak)
	if err != nil {
		w.note("the steps could not be adjusted: %v", err)
		return
	}
	w.stepsSight = &sight{s, obs, weak}
	get := func(eq flight.Equation, scale float64) Quantity { return figureOf(s, weak, eq, scale) }
	for n := 1; n <= max(st.Rises, st.Goings); n++ {
		w.f.Steps = append(w.f.Steps, Step{n, get(st.One(flight.Rise, n), 1), get(st.One(flight.Going, n), 1), get(st.Pitch(n), 1/degree)})
	}
	w.f.Pitch = get(st.MeanPitch(), 1/degree)
	w.f.TotalRise, w.f.TotalGoing = get(st.Total(flight.Rise), 1), get(st.Total(flight.Going), 1)
	w.closure(st, flight.Rise, readings, st.Rises)
	w.closure(st, flight.Going, readings, st.Goings)
	w.uneven(st, get)
	w.ruled(st, get)
	w.strings()
}

// closure holds the sum of the steps against the total as it was read.
func (w *flightWorker) closure(st flight.Steps, part flight.Part, readings []flight.Reading, n int) {
	if n == 0 {
		return
	}
	c, u, err := st.Closure(part, readings)
	if errors.Is(err, flight.ErrUnread) {
		return
	}
	if err != nil {
		w.note("the %ss could not be summed: %v", part, err)
		return
	}
	f := Flag{
		Name: "closure-" + part.String(), Value: c, U: u, Limit: adjust.Critical * u, Unit: "mm",
		Of:   fmt.Sprintf("sum of the %ss less their total as read", part),
		From: "what honest readings differ by (Baarda, 0.1 % false alarms)",
	}
	switch {
	case math.Abs(c) <= 2*u:
		f.State, f.Text = rules.Clear, fmt.Sprintf("the %ss add up to their total", part)
	case math.Abs(c) <= f.Limit:
		f.State, f.Text = rules.Unsure, fmt.Sprintf("cannot tell yet: read the total %s again", part)
	default:
		f.State = rules.Flag
		f.Text = fmt.Sprintf("the %ss add up to %s than their total: one of them, or a %s, was misread or left out", part, pick(c, "more", "less"), part)
	}
	w.flag(f)
}

// perStep emits a flag for every step that is not clear, and one for the step
// nearest to its limit where all are.
func (w *flightWorker) perStep(flags []Flag) {
	w.judged = append(w.judged, flags...)
	var worst *Flag
	near := -math.MaxFloat64
	for i := range flags {
		f := &flags[i]
		if f.State != rules.Clear {
			w.flag(*f)
			worst, near = nil, math.Inf(1)
			continue
		}
		if used := (math.Abs(f.Value) - math.Abs(f.Limit)) / max(f.U, 1e-9); used > near {
			worst, near = f, used
		}
	}
	if worst != nil {
		w.flag(*worst)
	}
}

// uneven holds each step against its neighbour and against the mean.
func (w *flightWorker) uneven(st flight.Steps, get func(flight.Equation, float64) Quantity) {
	for _, p := range []struct {
		part               flight.Part
		n                  int
		neighbour, nominal rules.What
	}{
		{flight.Rise, st.Rises, rules.RiseNeighbour, rules.RiseOffNominal},
		{flight.Going, st.Goings, rules.GoingNeighbour, rules.GoingOffNominal},
	} {
		var next, mean []Flag
		for n := 1; n <= p.n; n++ {
			of := fmt.Sprintf("%s of step %d", p.part, n)
			if n > 1 {
				q := get(st.AgainstNeighbour(p.part, n), 1)
				next = append(next, w.even(p.part.String()+"-neighbour", p.neighbour, fmt.Sprintf("%s less that of step %d", of, n-1), q,
					fmt.Sprintf("step %d is uneven with step %d: pack or plane the tread", n, n-1))...)
			}
			mean = append(mean, w.even(p.part.String()+"-mean", p.nominal, of+" less the flight's mean", get(st.AgainstMean(p.part, n), 1),
				fmt.Sprintf("step %d stands out from the flight: pack or plane the tread", n))...)
		}
		w.perStep(next)
		w.perStep(mean)
	}
}

// even holds a difference to the profile's limit, or to the house's.
func (w *flightWorker) even(name string, what rules.What, of string, q Quantity, mend string) []Flag {
	if fs := byRule(&w.set, name, what, of, []Quantity{q}, mend); len(fs) > 0 {
		for i := range fs {
			fs[i].Absolute = false
		}
		return fs
	}
	l := rules.Limit{What: what, Low: -evenStep, High: evenStep, LowAs: "-5", HighAs: "5", As: "mm"}
	f, ok := heldTo(l, name, of, []Quantity{q}, mend)
	if !ok {
		return nil
	}
	f.From, f.Absolute = house, false
	return []Flag{f}
}

// ruled holds each step, and the flight as a whole, to the rule profile.
func (w *flightWorker) ruled(st flight.Steps, get func(flight.Equation, float64) Quantity) {
	n := max(st.Rises, st.Goings)
	for _, r := range []struct {
		name string
		what rules.What
		of   string
		last int
		eq   func(step int) flight.Equation
		unit float64
		mend string
	}{
		{"rise", rules.Rise, "rise of step %d", st.Rises, func(i int) flight.Equation { return st.One(flight.Rise, i) }, 1, "the step itself is outside the rule: tell the client before any balustrade is made"},
		{"going", rules.Going, "going of step %d", st.Goings, func(i int) flight.Equation { return st.One(flight.Going, i) }, 1, "the step itself is outside the rule: tell the client before any balustrade is made"},
		{"stride", rules.StepRule, "twice the rise and the going of step %d", min(st.Rises, st.Goings), st.Stride, 1, "the step itself is outside the rule: tell the client before any balustrade is made"},
		{"pitch", rules.Pitch, "pitch of step %d", min(st.Rises, st.Goings), st.Pitch, 1 / degree, "the flight is steeper than the rule: tell the client before any balustrade is made"},
	} {
		var flags []Flag
		for i := 1; i <= min(n, r.last); i++ {
			flags = append(flags, byRule(&w.set, r.name, r.what, fmt.Sprintf(r.of, i), []Quantity{get(r.eq(i), r.unit)}, r.mend)...)
		}
		w.perStep(flags)
	}
	for _, p := range []struct {
		part flight.Part
		n    int
		what rules.What
	}{{flight.Rise, st.Rises, rules.RiseSpread}, {flight.Going, st.Goings, rules.GoingSpread}} {
		if p.n > 1 {
			w.f.Flags = append(w.f.Flags, byRule(&w.set, p.part.String()+"-spread", p.what, fmt.Sprintf("largest less smallest %s", p.part),
				[]Quantity{get(st.Spread(p.part), 1)}, "the flight is uneven: pack or plane the treads that stand out")...)
		}
	}
	if st.Rises > 1 {
		w.f.Flags = append(w.f.Flags, byRule(&w.set, "first-rise", rules.FirstRiseOff, "first rise less the flight's mean",
			[]Quantity{get(st.AgainstMean(flight.Rise, 1), 1)}, "the floor covering may make it up: ask before anything is cut")...)
		w.f.Flags = append(w.f.Flags, byRule(&w.set, "risers", rules.Risers, "number of rises",
			[]Quantity{{Value: float64(st.Rises), Known: true}}, "the flight is longer than the rule: a landing is missing")...)
	}
}

// strings holds the string's angle against the pitch of the steps, and bottom
// against top.
func (w *flightWorker) strings() {
	limit := rules.AngleLimit(w.set.Joint, defaultWidth) / degree
	from := fmt.Sprintf("a %.1f mm joint over a spindle taken as %d mm wide", w.set.Joint, defaultWidth)
	at := map[survey.Mark]Quantity{}
	for _, m := range []survey.Mark{survey.Bottom, survey.Middle, survey.Top} {
		q := weightedMean(w.read, w.here, survey.StringAngle, survey.At{Mark: m})
		at[m] = q
		if !q.Known || !w.f.Pitch.Known {
			continue
		}
		d, u, err := flight.StringAgainstPitch(q.Value*degree, q.U*degree, w.f.Pitch.Value*degree, w.f.Pitch.U*degree)
		if err != nil {
			w.note("the string angle: %v", err)
			continue
		}
		name := survey.At{Mark: m}.String()
		w.flag(judged(flagOf{
			name: "string-" + name, q: Quantity{d / degree, u / degree, true}, limit: limit, unit: "°", from: from,
			of:    "string angle at the " + name + " less the pitch of the steps",
			clear: "the string follows the steps",
			flag: func(v float64) string {
				return fmt.Sprintf("the string is %s than the steps there: take bevels from the string, not from rise and going", pick(v, "steeper", "flatter"))
			},
			settle: "read the string angle there again",
		}))
	}
	if b, t := at[survey.Bottom], at[survey.Top]; b.Known && t.Known {
		w.flag(judged(flagOf{
			name: "string-change", q: Quantity{b.Value - t.Value, math.Hypot(b.U, t.U), true}, limit: 2 * limit, unit: "°", from: from + ", off by half at either end",
			of:    "string angle at the bottom less at the top",
			clear: "one pitch serves the whole string",
			flag: func(v float64) string {
				return fmt.Sprintf("the string is %s at the bottom: set the bevel for each end", pick(v, "steeper", "flatter"))
			},
			settle: "read the string angle at bottom and top again",
		}))
	}
}
