package asfound

import (
	"fmt"
	"math"
	"slices"

	"pinchrod/calc/adjust"
	"pinchrod/calc/fit"
	"pinchrod/calc/frame"
	"pinchrod/calc/rules"
	"pinchrod/calc/unit"
	"pinchrod/survey"
	"pinchrod/survey/fieldbook"
)

// House figures of the priors, common practice, no source.
const (
	bowPrior      = 2.0          // u of a bow that was never measured, mm per m of run
	parallelPrior = 0.5 * degree // u of the angle between the rails
	plumbPrior    = 5e-3         // u of a post's lean, tan
	levelPrior    = 0.5 * degree // u of a landing's pitch
	borrowedU     = 0.1 * degree // added to a string angle that stands in for a base rail's
)

// worker works one bay out.
type worker struct {
	bay    *Bay
	set    Settings
	shop   *fit.Shop
	here   []fieldbook.Entry
	flight []fieldbook.Entry

	read                *reader
	width, thin, widthU float64          // of the spindles; 0 when not read
	section             *fieldbook.Entry // that this was read of
	thick               float64          // of the fillets
	posts               map[survey.Mark]float64
	obs                 []observation
	start               []float64
	offsets             map[offsetOf]int // the unknowns of errors that readings share
	sol                 *adjust.Snooped
	known               []bool // by unknown
	assumed             []assumption
	priors              []adjust.Observation // what is taken for granted
	help                []help
	walked              *walked // the spacer walk that rules the fillets; nil without one

	made  []fieldbook.Made // what was cut for the bay
	alone bool             // one explanation of several: looks for no other
	whole bool             // sets no reading aside
}

func newWorker(b *Bay, s Settings, shop *fit.Shop, here, flight []fieldbook.Entry) *worker {
	return &worker{
		bay: b, set: s, shop: shop, here: here, flight: flight, read: newReader(s.Kit, flight), posts: map[survey.Mark]float64{},
	}
}

func (w *worker) note(format string, a ...any) {
	w.bay.Notes = append(w.bay.Notes, fmt.Sprintf(format, a...))
}

// work works the bay out: the plane, then what follows from it. Where readings contradict each other and nothing says
// which is wrong, it is worked out under each explanation, and the worst counts.
func (w *worker) work() {
	w.bay.Missing = fieldbook.Missing(w.here)
	w.sections()
	w.gather()
	if err := w.adjust(); err != nil {
		w.unsettled(err)
		return
	}
	w.bay.Readings = resultsOf(w.obs, w.sol)
	if w.alone {
		w.derive()
		return
	}
	if len(w.sol.Passes) > 1 && w.outvoted() {
		return
	}
	blamed := w.unlikely()
	if groups := w.unlocated(); len(groups) > 0 && len(blamed) == 0 {
		w.underEach(groups)
		return
	}
	if len(blamed) > 0 {
		w.acquit()
	}
	w.derive()
	for _, i := range blamed {
		sub := w.without([]int{i})
		sub.work()
		w.worst(sub)
	}
}

// derive says what follows from the adjusted plane.
func (w *worker) derive() {
	w.figures()
	w.layOut()
	w.flags()
	w.heights()
	w.overGoing()
	w.againstFlight()
	w.walkCount()
	w.cut()
	w.spacers()
	w.bay.Notes = append(w.bay.Notes, w.read.notes()...)
	w.bay.Flags = append(w.bay.Flags, w.read.flags()...)
}

// heights holds the guard and the space under the base rail to the rules. They
// are read as they are, and nothing adjusts them.
func (w *worker) heights() {
	guard, where := rules.GuardStair, "guard, pitch line to top of handrail"
	if isLanding(w.bay.Place) {
		guard, where = rules.GuardLanding, "guard, floor to top of handrail"
	}
	heights := w.readings(survey.GuardHeight)
	flags := byRule(&w.set, "guard-height", guard, where, heights, "raise or lower the handrail before anything is cut to it")
	if !isLanding(w.bay.Place) {
		flags = append(flags, byRule(&w.set, "handrail-height", rules.HandrailHeight, "handrail above the pitch line", heights, "set the handrail, or fit a second one, at a height the rule allows")...)
	}
	if len(heights) > 0 && len(flags) == 0 {
		w.note("handrail height NOT checked: choose the country's rules (set profile=...)")
	}
	if under := w.readings(survey.UnderGap); len(under) > 0 {
		const of, mend = "ball that passes under the base rail", "lower the base rail, or close the gap with a fillet"
		held := byRule(&w.set, "under-rail", rules.UnderOpening, of, under, mend)
		if len(held) == 0 {
			ball, from := w.set.opening(isLanding(w.bay.Place))
			l := rules.Limit{What: rules.UnderOpening, Low: math.Inf(-1), High: ball, HighAs: fmt.Sprint(ball), As: "mm"}
			if f, ok := heldTo(l, "under-rail", of, under, mend); ok {
				f.From = from
				held = append(held, f)
			}
		}
		flags = append(flags, held...)
	}
	w.bay.Flags = append(w.bay.Flags, flags...)
}

// readings are the figures of one kind, those at one place put together as
// their weighted mean.
func (w *worker) readings(what survey.What) []Quantity {
	var places []survey.At
	for _, e := range w.here {
		if e.Reading.What == what && !slices.Contains(places, e.Reading.At) {
			places = append(places, e.Reading.At)
		}
	}
	var out []Quantity
	for _, at := range places {
		out = append(out, weightedMean(w.read, w.here, what, at))
	}
	return out
}

// sections takes what counts as it stands. Of a section that was read twice the one
// that was written down last counts, whichever device that was, and one repeated
// with another figure is said.
func (w *worker) sections() {
	type part struct {
		what survey.What
		mark survey.Mark
	}
	before := map[part]*fieldbook.Entry{}
	here := fieldbook.InTime(w.here)
	for i := range here {
		e := &here[i]
		r := &e.Reading
		if r.Check() != nil {
			continue
		}
		switch r.What {
		case survey.SpindleSize, survey.FilletSize, survey.PostSection, survey.Moisture, survey.Access:
			w.bay.Taken = append(w.bay.Taken, *e)
		}
		if r.Value.Measure != survey.Section {
			continue
		}
		of := part{r.What, r.At.Mark}
		if was := before[of]; was != nil && was.Reading.Value != r.Value && r.What != survey.SpindleSize {
			w.note("two of %s stand, %s (%s) and %s (%s); the later one is used: strike the one that is wrong",
				r.Title(), was.Reading.Value, was.Ref.Short(), r.Value, e.Ref.Short())
		}
		before[of] = e
		first, second, thin := unit.Length(r.Value.N[0]).MM(), unit.Length(r.Value.N[1]).MM(), unit.Length(r.Value.N[2]).MM()
		switch r.What {
		case survey.SpindleSize:
			w.spindle(e, first, thin)
		case survey.FilletSize:
			w.thick = second
		case survey.PostSection:
			w.posts[r.At.Mark] = first
		}
	}
}

// spindle takes in a reading of the spindles' section. Of several that agree the one with the least doubt counts, and
// the thinnest width of a turned profile whichever reading has it. Where two do not agree nothing is cut: the narrower
// one is shown, since it leaves the wider openings.
func (w *worker) spindle(e *fieldbook.Entry, width, thin float64) {
	u, err := e.Reading.StandardU(w.set.Kit)
	if err != nil {
		return
	}
	w.thin = max(w.thin, thin)
	was := w.section
	switch {
	case was == nil || len(e.Kept) > 0:
		w.width, w.widthU, w.section = width, u, e
	case len(was.Kept) > 0:
	case math.Abs(width-w.width) > adjust.Critical*math.Hypot(u, w.widthU):
		if !w.alone {
			w.contradict(Flag{
				Name: "two-sections", State: rules.Flag, Value: math.Abs(width - w.width), U: math.Hypot(u, w.widthU), Unit: "mm",
				Of: "spindle section, one reading less the other", From: "false alarm once in 1000",
				Text: fmt.Sprintf("%s (%s) and %s (%s) cannot both be right: measure the spindles again, then strike the wrong one",
					was.Reading.Value, was.Ref.Short(), e.Reading.Value, e.Ref.Short()),
			}, was.Ref, e.Ref)
		}
		if width < w.width {
			w.width, w.widthU, w.section = width, u, e
		}
	case u < w.widthU:
		w.width, w.widthU, w.section = width, u, e
	}
}

// gather makes the observations, of the bay's own readings and, where the bay
// has no base angle, of its flight's string angles.
func (w *worker) gather() {
	w.observeAll(func(what survey.What) bool { return what != survey.SpacerWalk })
	if !w.has(survey.BaseAngle) {
		w.borrow()
	}
	// What a walk's spindles take of the rail hangs on pitch and leans.
	w.observeAll(func(what survey.What) bool { return what == survey.SpacerWalk })
}

// observeAll makes the observations of the bay's own readings of some kinds.
func (w *worker) observeAll(kinds func(survey.What) bool) {
	for _, e := range w.here {
		if !kinds(e.Reading.What) {
			continue
		}
		if err := e.Reading.Check(); err != nil {
			w.note("%s (%s) is not used: %v", e.Ref.Short(), e.Reading.Title(), err)
			continue
		}
		o, ok, err := w.observe(e)
		if err != nil {
			w.note("%s (%s) is not used: %v", e.Ref.Short(), e.Reading.Title(), err)
			continue
		}
		if ok {
			w.obs = append(w.obs, o)
		}
	}
}

// borrow takes the flight's string angles for the base rail's.
func (w *worker) borrow() {
	borrowed := 0
	for _, e := range w.flight {
		r := &e.Reading
		if r.What != survey.StringAngle || r.Check() != nil {
			continue
		}
		q, err := w.read.figure(e)
		if err != nil {
			continue
		}
		w.obs = append(w.obs, observation{
			entry: e, value: q.Value * degree, u: math.Hypot(q.U*degree, borrowedU), scale: degree, eq: frame.BasePitch(),
		})
		borrowed++
	}
	if borrowed > 0 {
		w.note("no base angle was read: the flight's string angle stands in for it, u widened by 0.1°")
	}
}

func (w *worker) has(whats ...survey.What) bool {
	return slices.ContainsFunc(w.obs, func(o observation) bool { return slices.Contains(whats, o.entry.Reading.What) })
}
