package asfound

import (
	"fmt"
	"math"
	"slices"
	"strings"

	"gonum.org/v1/gonum/mat"

	"pinchrod/calc/fit"
	"pinchrod/calc/frame"
	"pinchrod/calc/pieces"
	"pinchrod/calc/unit"
	"pinchrod/survey"
)

// Verdict says how one kind of piece is cut and why.
type Verdict struct {
	fit.Verdict
	Needed  fit.Needed // what it was decided on
	Why     string
	ByHand  string   // that a person chose another way than that of least minutes, and what it costs; empty when none did
	Series  bool     // fillets: glued one after the other, the last cut to what is left
	Blank   float64  // of the last fillet, mm along the rail: what is left for it and twice its u
	Measure []Advice // readings that save more minutes than they take, the best first
}

// Advice is a reading worth taking.
type Advice struct {
	Reading survey.Reading   // What, At and Height
	PAfter  float64          // P(all fit) with the set it belongs to
	Takes   float64          // minutes, of the whole set
	Saves   float64          // minutes, of the whole set
	With    []survey.Reading // the set: this reading and those to take with it
}

// cut works out the pieces and how each kind is cut.
func (w *worker) cut() {
	l := w.bay.Layout
	if l == nil || l.Count == 0 {
		return
	}
	plane, err := w.plane()
	if err != nil {
		w.bay.NoPieces = err.Error()
		return
	}
	bay := w.stand(plane)
	for _, kind := range []struct {
		needs   []int
		lengths func(pieces.Bay, []float64, float64) []float64
		all     func() ([]pieces.Piece, error)
		out     *[]pieces.Piece
		verdict **Verdict
	}{
		{everyUnknown, pieces.SpindleLengths, func() ([]pieces.Piece, error) { return pieces.Spindles(bay, l.Stations, w.width) }, &l.Spindles, &w.bay.Spindles},
		{ofTheBase, pieces.BaseFilletLengths, func() ([]pieces.Piece, error) {
			return pieces.BaseFillets(bay, l.Stations, w.width, w.thick)
		}, &l.BaseFillets, &w.bay.BaseFillets},
		{everyUnknown, pieces.RailFilletLengths, func() ([]pieces.Piece, error) {
			return pieces.RailFillets(bay, l.Stations, w.width, w.thick)
		}, &l.RailFillets, &w.bay.RailFillets},
	} {
		if open := w.open(kind.needs); open != "" {
			w.bay.NoPieces = "nothing gives " + open
			continue
		}
		got, err := kind.all()
		if err != nil {
			w.bay.NoPieces = err.Error()
			continue
		}
		*kind.out = got
		jac := w.jacobian(plane, kind.lengths)
		need := fit.Needed{Cov: spread(jac, w.cov())}
		for _, p := range got {
			need.Mean = append(need.Mean, p.Length)
		}
		if got[0].Kind == pieces.Spindle {
			need.Slide = w.slides(plane, l.Stations)
			*kind.verdict, err = w.decide(need, jac)
		} else {
			*kind.verdict, err = w.series(need)
		}
		if err != nil {
			w.bay.NoPieces = fmt.Sprintf("judging the %ss: %v", got[0].Kind, err)
		}
	}
	l.Walk = w.walk(l)
	if len(w.bay.Again) > 0 {
		w.undecided(w.readAgain(), w.bay.verdicts()...)
	}
}

// readAgain lists the readings that have to be settled first.
func (w *worker) readAgain() string {
	var obs []int
	for i := range w.obs {
		if slices.Contains(w.bay.Again, w.obs[i].entry.Ref) {
			obs = append(obs, i)
		}
	}
	if len(obs) == 0 { // of readings that were left out
		var names []string
		for _, r := range w.bay.Again {
			names = append(names, r.Short())
		}
		return some(names)
	}
	return w.named(obs)
}

// slides are what sliding the head of each spindle along the rail takes up of its length, play·|tan q|, mm.
func (w *worker) slides(p frame.Plane, stations []float64) []float64 {
	out := make([]float64, len(stations))
	for i, x := range stations {
		out[i] = w.play() * math.Abs(p.RailSlopeAt(x))
	}
	return out
}

// decide says how the spindles are cut with the least expected work, and which readings would save more.
func (w *worker) decide(need fit.Needed, jac *mat.Dense) (*Verdict, error) {
	v, err := w.shop.Decide(need)
	if err != nil {
		return nil, err
	}
	out := &Verdict{Verdict: v, Needed: need}
	if !w.alone {
		if err := w.advise(out, jac); err != nil {
			return nil, err
		}
	}
	out.Why = why(out)
	return out, nil
}

// grouped gives the stop of each fillet, before and after it was rounded: one length where all are alike, else one for
// each, as of an option of package fit.
func grouped(need []float64, g fit.Grouping) (lengths, stops []float64) {
	mean, n := make([]float64, len(g.Stops)), make([]float64, len(g.Stops))
	for i, x := range need {
		mean[g.Group[i]] += x
		n[g.Group[i]]++
	}
	if len(g.Stops) == 1 {
		return []float64{mean[0] / n[0]}, g.Stops
	}
	for _, k := range g.Group {
		lengths, stops = append(lengths, mean[k]/n[k]), append(stops, g.Stops[k])
	}
	return lengths, stops
}

// Ways are the ways to cut that a person may choose with [Verdict.CutAs].
func Ways() []string { return []string{string(fit.Batch), string(fit.Graded), string(fit.FitEach)} }

// CutAs chooses another way than the one of least expected minutes, and says what that costs. The error is that of a way
// that there is not.
func (v *Verdict) CutAs(way string) error {
	cut := fit.Cut(way)
	least := v.Chosen()
	if least == nil {
		return fmt.Errorf("cutting as %s: %s", cut, v.Why)
	}
	if cut == v.Cut {
		return nil
	}
	v.Cut = cut
	o := v.Chosen()
	if o == nil {
		v.Cut = least.Cut
		return fmt.Errorf("cutting as %s: the lengths do not differ by a setting of the saw", cut)
	}
	v.ByHand = fmt.Sprintf("%s was chosen by hand: about %.0f minutes more than %s", cut, o.Expected-least.Expected, least.Cut)
	v.Why = v.ByHand + ". " + why(v)
	return nil
}

// series says how fillets are cut: to the need itself, in groups only where neighbours differ by more than a visible
// joint, each stop rounded up so that the last space only narrows. The last one is cut to what is left of a blank.
func (w *worker) series(need fit.Needed) (*Verdict, error) {
	n := len(need.Mean) - 1
	if w.walked != nil {
		for i := range n {
			need.Mean[i] += w.walked.longer
		}
	}
	g := fit.Series(need.Mean[:n], w.set.Joint)
	o := fit.Option{Cut: fit.Batch, P: 1, Settings: len(g.Stops), Passes: true}
	if len(g.Stops) > 1 {
		o.Cut = fit.Graded
		o.Group = g.Group
	}
	m := w.set.House.Minutes
	o.Minutes = float64(o.Settings)*m.Setting + float64(n+1)*m.Cut + m.Fit
	if o.Cut == fit.Graded {
		o.Minutes += float64(n) * m.Sort
	}
	o.Expected = o.Minutes
	o.Lengths, o.Stops = grouped(need.Mean[:n], g)
	cos := math.Cos(w.bay.Adjusted.BaseAngle.Value * degree)
	out := &Verdict{
		Verdict: fit.Verdict{Cut: o.Cut, Options: []fit.Option{o}, Spread: slices.Max(need.Mean[:n]) - slices.Min(need.Mean[:n])},
		Needed:  need, Series: true,
		Blank: math.Ceil(need.Mean[n] + 2*w.bay.Layout.Last.U/cos),
	}
	out.Why = fmt.Sprintf("glued from the lower post up; cut the last one to what is left, from a blank of %.0f mm", out.Blank)
	return out, nil
}

// walk foresees the spacer walk up the base rail, with m spacers of length s, as
// long as the base fillets between spindles are on average, and the spindles
// held to their lean:
//
//	short = Σ fillets − m·s
//
// as the fillets are what the spindles leave of the rail. Its u² is that of the
// reading that it would be, on the adjusted plane and the width: the width counts
// as often as a spindle is passed, and what the walk shares with other readings once.
func (w *worker) walk(l *Layout) *Walk {
	m := len(l.BaseFillets)
	if w.bay.BaseFillets == nil || m < 2 {
		return nil
	}
	mean := func(all []pieces.Piece) float64 {
		sum := 0.0
		for _, p := range all {
			sum += p.Length
		}
		return sum / float64(len(all))
	}
	inner := l.BaseFillets
	if m > 2 {
		inner = inner[1 : m-1]
	}
	spacer := unit.FromMM(mean(inner)).Round(unit.Millimetre / 10)
	r := survey.Reading{What: survey.SpacerWalk, Value: survey.Quantity{Measure: survey.Walk, N: [3]int64{int64(m), int64(spacer)}}}
	thought := *w // its reader's memory is its own: this walk is not taken
	thought.read = newReader(w.set.Kit, nil)
	o, ok, err := thought.observe(entryOf(r))
	if !ok || err != nil {
		return nil
	}
	eq, own := w.model(&o)
	end := w.figure(eq, 1)
	if !end.Known {
		return nil
	}
	return &Walk{
		Count: m, Spacer: spacer.MM(),
		Short: Quantity{float64(m) * (mean(l.BaseFillets) - spacer.MM()), math.Hypot(own, end.U), true},
	}
}

// steps of the central differences by unknown: mm for lengths, tan for slopes.
// The lengths are good to 1e-9 mm (calc/pieces), so a derivative is good to
// 1e-7 mm per mm and 1e-5 mm per unit of slope, of which a u of 1e-3 leaves
// 1e-8 mm; a step this small against a metre leaves a truncation below that.
var steps = [frame.Unknowns]float64{
	frame.IndexRun: 1e-2, frame.IndexLeanLower: 1e-4, frame.IndexLeanUpper: 1e-4, frame.IndexBaseSlope: 1e-4,
	frame.IndexRailSlope: 1e-4, frame.IndexGap: 1e-2, frame.IndexBowBase: 1e-2, frame.IndexBowRail: 1e-2,
}

// jacobian of the needed lengths by the unknowns, pieces by row.
func (w *worker) jacobian(p frame.Plane, lengths func(pieces.Bay, []float64, float64) []float64) *mat.Dense {
	at := func(i int, by float64) []float64 {
		x := p.Vector()
		x[i] += by
		q, err := frame.FromVector(x)
		if err != nil {
			return nil
		}
		return lengths(w.stand(q), w.stations(q), w.width)
	}
	var jac *mat.Dense
	for i, h := range steps {
		up, down := at(i, h), at(i, -h)
		if jac == nil {
			jac = mat.NewDense(len(up), frame.Unknowns, nil)
		}
		for k := range up {
			jac.Set(k, i, (up[k]-down[k])/(2*h))
		}
	}
	return jac
}

// unknownNames says what an unknown is to a surveyor.
var unknownNames = [frame.Unknowns]string{
	frame.IndexRun: "the run", frame.IndexLeanLower: "the lower post's lean", frame.IndexLeanUpper: "the upper post's lean",
	frame.IndexBaseSlope: "the base rail's pitch", frame.IndexRailSlope: "the handrail's pitch", frame.IndexGap: "the gap",
	frame.IndexBowBase: "the base rail's bow", frame.IndexBowRail: "the handrail's bow",
}

// all of the unknowns, and those a base fillet hangs on.
var (
	everyUnknown = []int{frame.IndexRun, frame.IndexLeanLower, frame.IndexLeanUpper, frame.IndexBaseSlope,
		frame.IndexRailSlope, frame.IndexGap, frame.IndexBowBase, frame.IndexBowRail}
	ofTheBase = []int{frame.IndexRun, frame.IndexLeanLower, frame.IndexLeanUpper, frame.IndexBaseSlope, frame.IndexBowBase}
)

// open lists those of some unknowns that nothing determines.
func (w *worker) open(needs []int) string {
	var names []string
	for _, i := range needs {
		if !w.known[i] {
			names = append(names, unknownNames[i])
		}
	}
	return strings.Join(names, " or ")
}

// spread is J·C·Jᵀ, the covariance of the needed lengths.
func spread(jac *mat.Dense, cov *mat.SymDense) *mat.SymDense {
	rows, _ := jac.Dims()
	var half, full mat.Dense
	half.Mul(jac, cov)
	full.Mul(&half, jac.T())
	s := mat.NewSymDense(rows, nil)
	for i := range rows {
		for j := i; j < rows; j++ {
			s.SetSym(i, j, (full.At(i, j)+full.At(j, i))/2)
		}
	}
	return s
}
