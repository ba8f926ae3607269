package asfound

import (
	"errors"
	"fmt"
	"math"
	"slices"

	"gonum.org/v1/gonum/mat"

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
	width, thin, widthU float64 // of the spindles; 0 when not read
	thick               float64 // of the fillets
	posts               map[survey.Mark]float64
	obs                 []observation
	start               []float64
	sol                 *adjust.Snooped
	known               []bool // by unknown
	priors              []adjust.Observation
	help                []help
	sets                []pieceSet
}

func newWorker(b *Bay, s Settings, shop *fit.Shop, here, flight []fieldbook.Entry) *worker {
	return &worker{
		bay: b, set: s, shop: shop, here: here, flight: flight, read: newReader(s.Kit, flight), posts: map[survey.Mark]float64{},
	}
}

func (w *worker) note(format string, a ...any) {
	w.bay.Notes = append(w.bay.Notes, fmt.Sprintf(format, a...))
}

func (w *worker) work() {
	w.bay.Missing = fieldbook.Missing(w.here)
	w.sections()
	w.gather()
	if err := w.adjust(); err != nil {
		w.note("the readings could not be adjusted: %v", err)
		return
	}
	w.figures()
	w.results()
	w.layOut()
	w.flags()
	w.heights()
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
		w.note("guard heights are in the book; no rule profile says what they are held to")
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
		if was := before[of]; was != nil && was.Reading.Value != r.Value {
			w.note("two of %s stand, %s (%s) and %s (%s); the later one is used: strike the one that is wrong",
				r.Title(), was.Reading.Value, was.Ref.Short(), r.Value, e.Ref.Short())
		}
		before[of] = e
		first, second, thin := unit.Length(r.Value.N[0]).MM(), unit.Length(r.Value.N[1]).MM(), unit.Length(r.Value.N[2]).MM()
		switch r.What {
		case survey.SpindleSize:
			w.width, w.thin = first, thin
			if u, err := r.StandardU(w.set.Kit); err == nil {
				w.widthU = u
			}
		case survey.FilletSize:
			w.thick = second
		case survey.PostSection:
			w.posts[r.At.Mark] = first
		}
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

// values lists the observed values of some kinds of reading, at height nought
// or any.
func (w *worker) values(keep func(*survey.Reading) bool) []float64 {
	var v []float64
	for _, o := range w.obs {
		if keep(&o.entry.Reading) {
			v = append(v, o.value)
		}
	}
	return v
}

func is(what survey.What) func(*survey.Reading) bool {
	return func(r *survey.Reading) bool { return r.What == what }
}

// median of v; 0 and false of none.
func median(v []float64) (float64, bool) {
	if len(v) == 0 {
		return 0, false
	}
	v = slices.Sorted(slices.Values(v))
	n := len(v)
	return (v[(n-1)/2] + v[n/2]) / 2, true
}

// pitches are those of the base rail and the handrail as they were read, radians:
// medians, and one for the other where that was not read.
func (w *worker) pitches() (p, q float64) {
	p, haveP := median(w.values(is(survey.BaseAngle)))
	if !haveP {
		p, haveP = median(w.values(is(survey.StringAngle)))
	}
	q, haveQ := median(w.values(is(survey.RailAngle)))
	switch {
	case !haveP && haveQ:
		p = q
	case haveP && !haveQ:
		q = p
	}
	return p, q
}

// lean is the mean lean of the two posts as it was read, tan, and its standard
// uncertainty: a post that was not read is taken as plumb within its prior.
func (w *worker) lean() (l, u float64) {
	for _, post := range []survey.Mark{survey.Lower, survey.Upper} {
		of := func(r *survey.Reading) bool { return r.What == survey.LeanAlong && r.At.Mark == post }
		own := plumbPrior
		if v, ok := median(w.values(of)); ok {
			l += v / 2
			for i := range w.obs {
				if of(&w.obs[i].entry.Reading) {
					own = min(own, w.obs[i].u)
				}
			}
		}
		u = math.Hypot(u, own/2)
	}
	return l, u
}

// starting values, from the readings; medians, so that one slip does not send
// the adjustment off. A rough guess will do where nothing was read: what the
// readings determine they determine from there as well.
func (w *worker) starting() {
	x := make([]float64, frame.Unknowns)
	p, q := w.pitches()
	x[frame.IndexBaseSlope], x[frame.IndexRailSlope] = math.Tan(p), math.Tan(q)

	run, haveRun := median(w.values(is(survey.Run)))
	if !haveRun {
		if run, haveRun = median(w.values(is(survey.SlopeRun))); haveRun {
			run *= math.Cos(p)
		}
	}
	lower, haveLower := median(w.values(func(r *survey.Reading) bool { return r.What == survey.PostPosition && r.At.Mark == survey.Lower }))
	upper, haveUpper := median(w.values(func(r *survey.Reading) bool { return r.What == survey.PostPosition && r.At.Mark == survey.Upper }))
	if !haveRun && haveLower && haveUpper {
		run, haveRun = upper-lower, upper > lower
	}
	if haveRun {
		w.outside(run)
	}
	if !haveRun {
		run = 1000
		if d, ok := median(w.values(is(survey.FrameDiagonal))); ok {
			run = d * math.Cos(p)
		}
	}
	x[frame.IndexRun] = run
	gap, haveGap := median(w.values(func(r *survey.Reading) bool { return r.What == survey.Gap || r.What == survey.Fit }))
	if !haveGap {
		gap = 800
	}
	x[frame.IndexGap] = gap
	if w.has(survey.PostPosition) {
		if !haveLower {
			lower = upper - run
		}
		x = append(x, lower)
	}
	w.start = x
}

// stationOff is how far off a station may be written down: what a tape laid along
// the rail by eye may be off, mm; common practice, no source.
const stationOff = 20

// outside takes out what was read beyond the upper post of a bay: one of the two
// was written down wrong, and no equation holds there.
func (w *worker) outside(run float64) {
	w.obs = slices.DeleteFunc(w.obs, func(o observation) bool {
		x, beyond := w.beyondPost(&o.entry.Reading, run)
		if beyond {
			w.note("%s (%s) is not used: it is %.0f mm from the lower post, and the run is %.0f mm; one of them is wrong", o.entry.Ref.Short(), o.entry.Reading.Title(), x, run)
		}
		return beyond
	})
}

// beyondPost tells whether a reading was taken farther from the lower post than
// the run goes, and how far.
func (w *worker) beyondPost(r *survey.Reading, run float64) (x float64, beyond bool) {
	if r.At.Mark != survey.Distance || !observed[r.What] {
		return 0, false
	}
	x = unit.Length(r.At.N).MM()
	return x, x > run+stationOff
}

// ignorance stands in for an unknown that nothing determines, so that the rest
// can be adjusted: a u so wide that it moves nothing (km, and tan 1000).
const ignorance = 1e6

// adjust solves the bay and sets aside the suspects.
func (w *worker) adjust() error {
	w.starting()
	w.known = make([]bool, len(w.start))
	for i := range w.known {
		w.known[i] = true
	}
	p := adjust.Problem{Start: w.start}
	for _, o := range w.obs {
		// A reading that the surveyor kept is never suspected again.
		p.Observations = append(p.Observations, adjust.Observation{Value: o.value, U: o.u, Model: o.eq, Prior: len(o.entry.Kept) > 0})
	}
	prior := func(value, u float64, eq frame.Equation) adjust.Observation {
		return adjust.Observation{Value: value, U: u, Model: eq, Prior: true}
	}
	bow := bowPrior * w.start[frame.IndexRun] / 1000
	p.Observations = append(p.Observations,
		prior(0, bow, frame.Unknown(frame.IndexBowBase)), prior(0, bow, frame.Unknown(frame.IndexBowRail)))
	p.Weak = []adjust.Observation{
		prior(0, parallelPrior, frame.PitchDifference()),
		prior(0, plumbPrior, frame.Lean(false)),
		prior(0, plumbPrior, frame.Lean(true)),
	}
	names := []string{"rails taken as parallel within 0.5°", "lower post taken as plumb within 5 mm/m", "upper post taken as plumb within 5 mm/m"}
	if isLanding(w.bay.Place) {
		p.Weak = append(p.Weak, prior(0, levelPrior, frame.BasePitch()))
		names = append(names, "landing taken as level within 0.5°")
	}
	for {
		sol, err := adjust.Snoop(p, adjust.Options{})
		var open *adjust.Undetermined
		if errors.As(err, &open) {
			fresh := false
			for _, i := range open.Unknowns {
				fresh = fresh || w.known[i]
				w.known[i] = false
				p.Observations = append(p.Observations, prior(w.start[i], ignorance, frame.Unknown(i)))
			}
			if fresh {
				continue
			}
		}
		if err != nil {
			return err
		}
		w.sol = sol
		break
	}
	w.priors = p.Observations[len(w.obs):]
	for _, i := range w.sol.UsedWeak {
		w.priors = append(w.priors, p.Weak[i])
		w.note("%s: nothing that was read says", names[i])
	}
	if len(w.obs) > 0 {
		w.bay.Chi2 = &ChiSquare{Value: w.sol.Chi2, DOF: w.sol.DOF, P: w.sol.P}
		for i := range w.obs {
			w.bay.Chi2.Checked += w.sol.Redundancy[i]
		}
	}
	return nil
}

// anyBay is a bay with nothing special about it: no figure's derivative by an
// unknown it hangs on is nought here, as at a pitch of 0 or between plumb posts.
var anyBay = []float64{1100, 0.011, 0.017, 0.71, 0.77, 790, 3, 5, 130}

// figure is a quantity derived from the adjusted unknowns, times scale. It is
// not known when it hangs on an unknown that nothing determines.
func (w *worker) figure(eq frame.Equation, scale float64) Quantity {
	grad := make([]float64, len(w.sol.X))
	eq(anyBay[:len(grad)], grad)
	for i, g := range grad {
		if g != 0 && !w.known[i] {
			return Quantity{}
		}
	}
	clear(grad)
	v := eq(w.sol.X, grad)
	u := w.sol.U(grad)
	if math.IsNaN(v) || math.IsNaN(u) {
		return Quantity{}
	}
	return Quantity{v * scale, u * scale, true}
}

// measured tells whether a figure says what was read, and not what was taken
// for granted: whether the priors have less than half of its variance. With g
// its gradient, a prior of gradient j and standard uncertainty u has
// (gᵀ·C·j/u)² of gᵀ·C·g.
func (w *worker) measured(eq frame.Equation) bool {
	g := make([]float64, len(w.sol.X))
	eq(w.sol.X, g)
	return tellsOfReadings(w.sol, w.priors, g)
}

func tellsOfReadings(s *adjust.Snooped, priors []adjust.Observation, g []float64) bool {
	n := len(s.X)
	var cg mat.VecDense
	cg.MulVec(s.Cov, mat.NewVecDense(n, g))
	j := make([]float64, n)
	share := 0.0
	for _, p := range priors {
		clear(j)
		p.Model(s.X, j)
		d := mat.Dot(&cg, mat.NewVecDense(n, j)) / p.U
		share += d * d
	}
	return share < mat.Dot(&cg, mat.NewVecDense(n, g))/2
}

func (w *worker) figures() {
	a := &w.bay.Adjusted
	a.Run = w.figure(frame.Unknown(frame.IndexRun), 1)
	a.LeanLower, a.LeanUpper = w.figure(frame.Lean(false), 1000), w.figure(frame.Lean(true), 1000)
	a.BaseAngle, a.RailAngle = w.figure(frame.BasePitch(), 1/degree), w.figure(frame.RailPitch(), 1/degree)
	a.GapBottom = w.figure(frame.Gap(frame.Bottom), 1)
	a.GapMiddle = w.figure(frame.Gap(frame.Middle), 1)
	a.GapTop = w.figure(frame.Gap(frame.Top), 1)
	a.BowBase = w.figure(frame.Unknown(frame.IndexBowBase), 1)
	a.BowRail = w.figure(frame.Unknown(frame.IndexBowRail), 1)
	a.AcrossLower = weightedMean(w.read, w.here, survey.LeanAcross, survey.At{Mark: survey.Lower})
	a.AcrossUpper = weightedMean(w.read, w.here, survey.LeanAcross, survey.At{Mark: survey.Upper})
}

// weightedMean is the mean of the readings of one kind at one place, which are
// independent, u² = 1/Σ(1/u²).
func weightedMean(rd *reader, entries []fieldbook.Entry, what survey.What, at survey.At) Quantity {
	var sum, weight float64
	for _, e := range entries {
		r := &e.Reading
		if r.What != what || r.At != at || r.Check() != nil {
			continue
		}
		q, err := rd.figure(e)
		if err != nil {
			continue
		}
		sum += q.Value / (q.U * q.U)
		weight += 1 / (q.U * q.U)
	}
	if weight == 0 {
		return Quantity{}
	}
	return Quantity{sum / weight, 1 / math.Sqrt(weight), true}
}

// A slip is at least a whole 10 mm, 1° or 10 mm per m: the smallest of the
// usual ones that spoils a cut. A reading in which one of that size would not
// be seen with the power of calc/adjust's MDB is unchecked.
func smallestSlip(m survey.Measure) float64 {
	if m == survey.Angle {
		return 1
	}
	return 10
}

// checkedBy says which reading would check one of each kind.
var checkedBy = map[survey.What]string{
	survey.Run:           "a second run at another height, or the posts' positions",
	survey.SlopeRun:      "a level run",
	survey.PostPosition:  "a level run between the posts",
	survey.LeanAlong:     "runs at two more heights, or the plumb of the post again",
	survey.BaseAngle:     "the base rail's angle at another station",
	survey.RailAngle:     "the handrail's angle at another station",
	survey.StringAngle:   "the base rail's angle",
	survey.Gap:           "a trial piece there, or the gap again",
	survey.Fit:           "the gap there",
	survey.BowBase:       "the base rail's angle at bottom and top",
	survey.BowRail:       "the handrail's angle at bottom and top",
	survey.FrameDiagonal: "the other diagonal, or the gap at that post",
	survey.SpacerWalk:    "a level run",
	survey.Rise:          "the total rise, or the step again",
	survey.Going:         "the total going, or the step again",
	survey.TotalRise:     "every rise by itself",
	survey.TotalGoing:    "every going by itself",
	survey.Width:         "both diagonals and both sides of the flight",
	survey.Side:          "both diagonals of the flight",
	survey.Diagonal:      "the other diagonal of the flight",
}

func (w *worker) results() { w.bay.Readings = resultsOf(w.obs, w.sol) }

// resultsOf holds each reading against the rest.
func resultsOf(obs []observation, s *adjust.Snooped) []Result {
	out := make([]Result, 0, len(obs))
	for i, o := range obs {
		k := o.entry.Reading.Kind()
		r := Result{
			Ref: o.entry.Ref, Reading: o.entry.Reading, Value: o.value / o.scale, U: o.u / o.scale,
			Residual: s.Residuals[i] / o.scale, Redundancy: s.Redundancy[i], W: s.W[i],
			Detectable: adjust.MDB(o.u, s.Redundancy[i]) / o.scale,
		}
		if r.Detectable > smallestSlip(k.Measure) {
			r.Unchecked, r.Check = true, checkedBy[r.Reading.What]
		}
		if kept := o.entry.Kept; len(kept) > 0 {
			r.Kept = kept[0].Why
		}
		out = append(out, r)
	}
	for _, pass := range s.Passes {
		o := obs[pass.Index]
		r := &out[pass.Index]
		r.Suspect, r.Unchecked, r.Rivals = true, false, slices.Concat(pass.Rivals, pass.Near)
		r.Error = Quantity{pass.Error / o.scale, pass.U / o.scale, true}
		var elsewhere []place
		for _, a := range o.others {
			if v := a.eq(s.X, nil); !math.IsNaN(v) {
				elsewhere = append(elsewhere, place{a.slip, v / o.scale})
			}
		}
		r.Slip = usualSlip(&r.Reading, r.Value, r.Error.Value, r.Error.U, elsewhere)
	}
	return out
}

// plane is the adjusted bay, and cov the covariance of its eight unknowns.
func (w *worker) plane() (frame.Plane, error) { return frame.FromVector(w.sol.X) }

func (w *worker) cov() *mat.SymDense {
	c := mat.NewSymDense(frame.Unknowns, nil)
	for i := range frame.Unknowns {
		for j := i; j < frame.Unknowns; j++ {
			c.SetSym(i, j, w.sol.Cov.At(i, j))
		}
	}
	return c
}
