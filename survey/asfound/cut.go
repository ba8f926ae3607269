package asfound

import (
	"cmp"
	"errors"
	"fmt"
	"math"
	"slices"
	"strings"

	"gonum.org/v1/gonum/mat"

	"pinchrod/calc/fit"
	"pinchrod/calc/frame"
	"pinchrod/calc/layout"
	"pinchrod/calc/pieces"
	"pinchrod/calc/unit"
	"pinchrod/store/journal"
	"pinchrod/survey"
)

// Layout is the spindles' places, with the uncertainty the run gives them, and
// the pieces that fill them.
type Layout struct {
	layout.Layout
	Clear  Quantity // clear gap at the base rail, mm
	Widest Quantity // widest opening anywhere, mm; in service where the timber's movement is reckoned with
	Bevel  Quantity // mean pitch of the two rails, degrees
	Width  float64  // of the spindles at the rails, mm
	Walk   *Walk    // what a spacer walk should show; nil where the pitch is not known

	Spindles, BaseFillets, RailFillets []pieces.Piece

	Gaps []float64 // plumb, between the rails, at each spindle's station, mm
}

// Walk is a spacer walk as it should go: Count spacers of one length up the base
// rail, with all the spindles between them.
type Walk struct {
	Count  int
	Spacer float64  // mm, to a tenth
	Short  Quantity // what it should lack at its end, mm; u with that of the walk itself
}

// Verdict says how one kind of piece is cut and why.
type Verdict struct {
	fit.Verdict
	Needed  fit.Needed // what it was decided on
	Why     string
	Measure []Advice // for measure-more: each reading by itself, best first
	Plan    []Advice // for measure-more: readings to take one after the other
}

// Advice is a reading that would help, and P(all fit) after it: by itself in
// Measure, with those before it in Plan.
type Advice struct {
	Reading survey.Reading // What, At and Height
	PAfter  float64
}

// layOut chooses the count and the places.
func (w *worker) layOut() {
	run := w.bay.Adjusted.Run
	switch {
	case w.width == 0:
		w.note("no spindle section was read, so no spindles are laid out")
		return
	case !run.Known:
		w.note("nothing gives the run, so no spindles are laid out")
		return
	}
	plane, err := w.plane()
	if err != nil {
		w.bay.NoLayout = err.Error()
		return
	}
	height := 0.0
	if w.bay.Adjusted.GapBottom.Known {
		height = max(0, plane.GapAt(0), plane.GapAt(plane.Run))
	}
	// The widest gap is at the rail or at the top; the run at either is shared
	// by n+1 gaps, and each of the n spindles takes its own width's error.
	open, pitch := frame.OpenRun, plane.BaseSlope
	if !w.known[frame.IndexBaseSlope] {
		open, pitch = frame.RunAt, 0
		w.note("nothing gives the pitch: the openings are those of a level rail")
	}
	low, high := w.figure(open(0), 1).U, w.figure(open(height), 1).U
	// In service the spindles have moved: n of them leave n/(n+1) of a width's
	// change to each gap, close to all of it.
	move := w.movement()
	gapU := func(n int) float64 {
		return math.Hypot(max(low, high), float64(n)*math.Hypot(w.widthU, move.U)) / float64(n+1)
	}
	ball, _ := w.set.opening(isLanding(w.bay.Place))
	l, err := layout.Choose(layout.In{
		Run: plane.Run, LeanLower: plane.LeanLower, LeanUpper: plane.LeanUpper, Pitch: pitch, Height: height,
		Width: w.width, Thin: w.thin, Target: w.set.Target, Opening: ball - max(0, -move.Value), GapU: gapU,
	})
	if err != nil {
		w.bay.NoLayout = err.Error()
		return
	}
	w.bay.Layout = &Layout{
		Layout: l, Width: w.width,
		Clear:  Quantity{l.ClearGap, math.Hypot(low, float64(l.Count)*w.widthU) / float64(l.Count+1), true},
		Widest: Quantity{l.WidestGap + max(0, -move.Value)*float64(l.Count)/float64(l.Count+1), l.U, true},
		Bevel:  w.figure(meanPitch, 1/degree),
	}
}

// meanPitch is (atan p + atan q)/2, in radians.
func meanPitch(x, grad []float64) float64 {
	if grad == nil {
		return (frame.BasePitch()(x, nil) + frame.RailPitch()(x, nil)) / 2
	}
	base := make([]float64, len(grad))
	v := (frame.BasePitch()(x, base) + frame.RailPitch()(x, grad)) / 2
	for i := range grad {
		grad[i] = (grad[i] + base[i]) / 2
	}
	return v
}

// stations are the places of the spindles in a plane: equal gaps between their
// thinnest widths, as package layout has them. On site the run found is shared
// out so, by a spacer walk; an error of the run does not all land on the last
// space.
func (w *worker) stations(p frame.Plane) []float64 {
	n := w.bay.Layout.Count
	foot := w.thin
	if foot == 0 {
		foot = w.width
	}
	foot /= 1 - p.BaseSlope*(p.LeanLower+p.LeanUpper)/2
	apart := (p.Run-float64(n)*foot)/float64(n+1) + foot
	at := make([]float64, n)
	for i := range at {
		at[i] = float64(i+1)*apart - foot/2
	}
	return at
}

// cut works out the pieces and the verdict on each kind.
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
	for _, kind := range []struct {
		needs   []int
		lengths func(pieces.Bay, []float64, float64) []float64
		all     func() ([]pieces.Piece, error)
		out     *[]pieces.Piece
		verdict **Verdict
	}{
		{everyUnknown, pieces.SpindleLengths, func() ([]pieces.Piece, error) { return pieces.Spindles(plane, l.Stations, w.width) }, &l.Spindles, &w.bay.Spindles},
		{ofTheBase, pieces.BaseFilletLengths, func() ([]pieces.Piece, error) {
			return pieces.BaseFillets(plane, l.Stations, w.width, w.thick)
		}, &l.BaseFillets, &w.bay.BaseFillets},
		{everyUnknown, pieces.RailFilletLengths, func() ([]pieces.Piece, error) {
			return pieces.RailFillets(plane, l.Stations, w.width, w.thick)
		}, &l.RailFillets, &w.bay.RailFillets},
	} {
		if open := w.open(kind.needs); open != "" {
			w.bay.NoPieces = "nothing gives " + open
			continue
		}
		jac := w.jacobian(plane, kind.lengths)
		got, err := kind.all()
		if err != nil {
			w.bay.NoPieces = err.Error()
			continue
		}
		*kind.out = got
		need := fit.Needed{Cov: spread(jac, w.cov())}
		for _, p := range got {
			need.Mean = append(need.Mean, p.Length)
		}
		w.sets = append(w.sets, pieceSet{got[0].Kind.String(), need, jac})
		v, err := w.verdict(got[0].Kind.String(), need, jac)
		if err != nil {
			w.bay.NoPieces = err.Error()
			continue
		}
		*kind.verdict = v
	}
	for _, x := range l.Stations {
		l.Gaps = append(l.Gaps, plane.GapAt(x))
	}
	l.Walk = w.walk(l)
}

// walk foresees the spacer walk up the base rail, with m spacers of length s, as
// long as the base fillets between spindles are on average, and the spindles
// held to their lean:
//
//	short = Σ fillets − m·s
//
// as the fillets are what the spindles leave of the rail. Its u² is that of the
// sum of the fillets, of the walk's end, of the spacer's length m times, and of
// what each spindle takes of the rail.
func (w *worker) walk(l *Layout) *Walk {
	v := w.bay.BaseFillets
	m := len(l.BaseFillets)
	if v == nil || m < 2 {
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
	return &Walk{
		Count: m, Spacer: spacer.MM(),
		Short: Quantity{float64(m) * (mean(l.BaseFillets) - spacer.MM()), math.Hypot(o.u, math.Sqrt(mat.Sum(v.Needed.Cov))), true},
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
		return lengths(q, w.stations(q), w.width)
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

func (w *worker) verdict(kind string, need fit.Needed, jac *mat.Dense) (*Verdict, error) {
	v, err := w.shop.Decide(need)
	if err != nil {
		return nil, fmt.Errorf("judging the %ss: %w", kind, err)
	}
	out := &Verdict{Verdict: v, Needed: need}
	if v.Cut == fit.MeasureMore {
		if err := w.advise(out, need, jac, w.cov()); err != nil {
			return nil, fmt.Errorf("judging the %ss: %w", kind, err)
		}
	}
	out.Why = why(out, w.set.House)
	return out, nil
}

// mostAdvice is how many readings are named: one hand's worth.
const mostAdvice = 5

// mostTried is how many readings P(all fit) is worked out for: those that take
// most from the variances, a few more than are named.
const mostTried = 8

// advise names the readings that would raise P(all fit), best first.
func (w *worker) advise(v *Verdict, need fit.Needed, jac *mat.Dense, cov *mat.SymDense) error {
	helps := slices.Clone(w.helps())
	slices.SortStableFunc(helps, func(a, b help) int { return cmp.Compare(eases(jac, cov, b), eases(jac, cov, a)) })
	helps = helps[:min(len(helps), mostTried)]
	measure := make([]fit.Candidate, len(helps))
	for i, h := range helps {
		measure[i] = fit.Candidate{Cov: spread(jac, after(cov, h)), Minutes: h.minutes}
	}
	var err error
	if v.Gains, err = w.shop.Gains(need, measure); err != nil {
		return err
	}
	now := 0.0
	for _, o := range v.Options {
		if o.Cut != fit.FitEach {
			now = max(now, o.P)
		}
	}
	for _, g := range v.Gains {
		if len(v.Measure) == mostAdvice || g.PAfter <= now {
			break
		}
		v.Measure = append(v.Measure, Advice{helps[g.Candidate].reading, g.PAfter})
	}
	return w.plan(v, need, jac, cov)
}

// eases is what a reading takes from the sum of the variances of the needed
// lengths, |J·C·g|²/(u² + gᵀ·C·g): as good a guide to P(all fit) as working it
// out, and far quicker.
func eases(jac *mat.Dense, cov *mat.SymDense, h help) float64 {
	var cg, jcg mat.VecDense
	cg.MulVec(cov, h.grad)
	jcg.MulVec(jac, &cg)
	return mat.Dot(&jcg, &jcg) / (h.u*h.u + mat.Dot(h.grad, &cg))
}

// plan lists readings to take one after the other until P(all fit) reaches the
// house risk: each time the one that eases most after those before it.
func (w *worker) plan(v *Verdict, need fit.Needed, jac *mat.Dense, cov *mat.SymDense) error {
	for len(v.Plan) < mostAdvice {
		var best help
		most := 0.0
		for _, h := range w.helps() {
			if less := eases(jac, cov, h); less > most {
				best, most = h, less
			}
		}
		if most == 0 {
			return nil
		}
		cov = after(cov, best)
		gain, err := w.shop.Gains(need, []fit.Candidate{{Cov: spread(jac, cov)}})
		if err != nil {
			return err
		}
		v.Plan = append(v.Plan, Advice{best.reading, gain[0].PAfter})
		if gain[0].PAfter >= w.set.House.Risk {
			return nil
		}
	}
	return nil
}

// help is a reading that could be taken next: its gradient by the unknowns, its
// standard uncertainty, and what it takes.
type help struct {
	reading survey.Reading
	grad    *mat.VecDense
	u       float64
	minutes float64
}

// helps lists what could be read, with what each takes; minutes are common
// practice, no source.
func (w *worker) helps() []help {
	if w.help != nil {
		return w.help
	}
	at := func(m survey.Mark) survey.At { return survey.At{Mark: m} }
	high := unit.FromMM(max(0, w.bay.Adjusted.GapBottom.Value-100)).Round(50 * unit.Millimetre)
	thought := *w // its reader's memory is its own: these readings are not taken
	thought.read = newReader(w.set.Kit, nil)
	for _, c := range []struct {
		what    survey.What
		at      survey.At
		height  unit.Length
		minutes float64
	}{
		{survey.Gap, at(survey.Bottom), 0, 1}, {survey.Gap, at(survey.Middle), 0, 1}, {survey.Gap, at(survey.Top), 0, 1},
		{survey.Fit, at(survey.Bottom), 0, 4}, {survey.Fit, at(survey.Middle), 0, 4}, {survey.Fit, at(survey.Top), 0, 4},
		{survey.Run, survey.At{}, 0, 1}, {survey.Run, survey.At{}, high, 2},
		{survey.LeanAlong, at(survey.Lower), 0, 2}, {survey.LeanAlong, at(survey.Upper), 0, 2},
		{survey.BaseAngle, at(survey.Bottom), 0, 1}, {survey.BaseAngle, at(survey.Top), 0, 1},
		{survey.RailAngle, at(survey.Bottom), 0, 1}, {survey.RailAngle, at(survey.Top), 0, 1},
		{survey.BowBase, at(survey.Middle), 0, 3}, {survey.BowRail, at(survey.Middle), 0, 3},
		{survey.FrameDiagonal, at(survey.Rising), 0, 2}, {survey.FrameDiagonal, at(survey.Falling), 0, 2},
	} {
		r := survey.Reading{What: c.what, At: c.at, Height: c.height}
		r.Value.Measure = r.Kind().Measure
		o, ok, err := thought.observe(entryOf(r))
		if !ok || err != nil {
			continue
		}
		g := make([]float64, len(w.sol.X))
		v := o.eq(w.sol.X, g)
		if r.Value.Measure == survey.Length { // a tape's u grows with the length
			r.Value.N[0] = int64(unit.FromMM(v))
			if o, _, err = thought.observe(entryOf(r)); err != nil {
				continue
			}
		}
		w.help = append(w.help, help{r, mat.NewVecDense(frame.Unknowns, g[:frame.Unknowns]), o.u, c.minutes})
	}
	return w.help
}

// after is the covariance once one more reading with gradient g and standard
// uncertainty u is taken: C − C·g·gᵀ·C/(u² + gᵀ·C·g).
func after(c *mat.SymDense, h help) *mat.SymDense {
	var cg mat.VecDense
	cg.MulVec(c, h.grad)
	var out mat.SymDense
	out.SymRankOne(c, -1/(h.u*h.u+mat.Dot(h.grad, &cg)), &cg)
	return &out
}

func why(v *Verdict, h fit.House) string {
	p := func(c fit.Cut) *fit.Option {
		if i := slices.IndexFunc(v.Options, func(o fit.Option) bool { return o.Cut == c }); i >= 0 {
			return &v.Options[i]
		}
		return nil
	}
	var one float64
	if b := p(fit.Batch); b != nil {
		one = b.P
	}
	spread := fmt.Sprintf("lengths spread %.1f mm, each ±%.1f mm", v.Spread, 2*v.Sigma)
	switch v.Cut {
	case fit.Batch:
		return fmt.Sprintf("%s: one stop fits all with probability %s", spread, Chance(one))
	case fit.Graded:
		g := p(fit.Graded)
		if Chance(one) == Chance(g.P) {
			return fmt.Sprintf("%s: one stop fits all with probability %s, just under the %g asked for; %d stops reach it", spread, Chance(one), h.Risk, g.Settings)
		}
		return fmt.Sprintf("%s: one stop fits all with probability %s only, %d stops with %s", spread, Chance(one), g.Settings, Chance(g.P))
	case fit.MeasureMore:
		return fmt.Sprintf("%s: the doubt is in the readings, not in the stair; %s", spread, next(v.Plan))
	case fit.FitEach:
		if p(fit.Batch) != nil && slices.ContainsFunc(v.Options, func(o fit.Option) bool { return o.Cut != fit.FitEach && o.Passes }) {
			return spread + ": fitting each takes no longer than the stops and second visits"
		}
		return fmt.Sprintf("%s: even exact readings leave one piece in the set to misfit with probability above %s", spread, Chance(1-h.Risk))
	}
	return ""
}

// next says which readings to take.
func next(plan []Advice) string {
	if len(plan) == 0 {
		return "no reading helps: fit each"
	}
	var titles []string
	for _, a := range plan {
		titles = append(titles, a.Reading.Title())
	}
	return fmt.Sprintf("next read %s, which would make it %s", strings.Join(titles, "; "), Chance(plan[len(plan)-1].PAfter))
}

// Chance writes a probability as a person says it: never 1 or 0 when it is
// neither.
func Chance(p float64) string {
	switch {
	case p >= 0.9995 && p < 1:
		return "over 0.999"
	case p < 0.0005:
		return "under 0.001"
	case p >= 0.995:
		return fmt.Sprintf("%.3f", p)
	}
	return fmt.Sprintf("%.2f", p)
}

// spacers corrects the spacers of every walk, where they are to be corrected.
func (w *worker) spacers() {
	for _, e := range w.here {
		r := &e.Reading
		if r.What != survey.SpacerWalk || r.Check() != nil {
			continue
		}
		s := Spacer{Count: int(r.Value.N[0]), Old: unit.Length(r.Value.N[1]).MM(), Short: unit.Length(r.Value.N[2]).MM()}
		u, err := r.StandardU(w.set.Kit)
		if err != nil {
			w.note("%s (%s): %v", e.Ref.Short(), r.Title(), err)
			continue
		}
		s.U = u
		if s.New, err = fit.Walk(s.Old, s.Count, s.Short-w.beyond(s.Count)); errors.Is(err, fit.ErrInput) {
			w.note("%s (%s): %v", e.Ref.Short(), r.Title(), err)
			continue
		}
		if s.Why = w.noSpacer(e.Ref, &s); s.Why != "" {
			s.New = 0
		}
		w.bay.Spacers = append(w.bay.Spacers, s)
	}
}

// beyond is what a walk of all the spacers lacks at its end, along the rail, when
// all is well: with a turned profile, whose equal gaps are between its thinnest
// widths, the first and the last space are longer than the others, mm.
func (w *worker) beyond(count int) float64 {
	l := w.bay.Layout
	if l == nil || count != len(l.BaseFillets) || count < 3 {
		return 0
	}
	return l.BaseFillets[0].Length + l.BaseFillets[count-1].Length - 2*l.BaseFillets[1].Length
}

// noSpacer says why no spacer is to be cut to what a walk says; empty where one
// is. A spacer s along a rail pitched by p leaves s·cos p·(1 − l·p) clear on the
// level between spindles that lean by l (package layout), and more where they are
// thinner.
func (w *worker) noSpacer(ref journal.Ref, s *Spacer) string {
	for i := range w.bay.Readings {
		if r := &w.bay.Readings[i]; r.Ref == ref && r.Suspect {
			return "the walk is probably wrong: walk it again"
		}
	}
	l := w.bay.Layout
	if l == nil {
		return ""
	}
	if s.Count != l.Count+1 {
		return fmt.Sprintf("%d spacers are wanted beside %d spindles: walk it again with them", l.Count+1, l.Count)
	}
	a := &w.bay.Adjusted
	p, lean := math.Tan(a.BaseAngle.Value*degree), (a.LeanLower.Value+a.LeanUpper.Value)/2/1000
	thinner := 0.0
	if w.thin > 0 {
		thinner = w.width - w.thin
	}
	open := s.New*math.Cos(a.BaseAngle.Value*degree)*(1-p*lean) + thinner
	if ball, _ := w.set.opening(isLanding(w.bay.Place)); open+2*s.U/float64(s.Count) > ball {
		return fmt.Sprintf("spacers of %.1f mm would leave %.1f mm open, and %.0f mm is the most: read the run again, or take one spindle more", s.New, open, ball)
	}
	return ""
}
