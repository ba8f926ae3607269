package asfound

import (
	"cmp"
	"context"
	"fmt"
	"math"
	"slices"

	"gonum.org/v1/gonum/mat"

	"pinchrod/calc/adjust"
	"pinchrod/calc/fit"
	"pinchrod/calc/flight"
	"pinchrod/calc/frame"
	"pinchrod/calc/rules"
	"pinchrod/survey"
	"pinchrod/survey/fieldbook"
)

// What a reading is worth is counted in minutes, as a second visit is
// (calc/fit.Minutes): then it can be held against the minutes it takes. House
// figures, common practice, no source.
const (
	slipRate    = 0.02 // one reading in fifty is a slip
	unsureShare = 0.1  // an unsure flag sends someone back once in ten jobs
	halvedShare = 0.05 // and so does a largest uncertainty twice what it need be, half as often
)

// mostProposals is how many readings are proposed for a place: what a surveyor
// still on site would go back up the stair for.
const mostProposals = 6

// Proposal is a reading to take next, after those before it in its place.
type Proposal struct {
	Reading survey.Reading // Where, What, At and Height
	Minutes float64        // what it takes
	Worth   float64        // minutes it is expected to save
	Gains   []string       // what it would do, in words
}

// Advise proposes readings for every flight and bay, best first: those whose
// expected worth is above the minutes they take. None is an answer: nothing more
// is worth the time.
//
// A reading is worth what it spares: the second visits of a batch that does not
// fit, of an unsure flag, of a slip that nothing would have shown. The next
// proposal counts those before it as taken. Errors as for [Work].
func Advise(ctx context.Context, book *fieldbook.Book, s Settings) ([]Proposal, error) {
	shop, err := fit.NewShop(s.House, s.Accuracy)
	if err != nil {
		return nil, fmt.Errorf("advising: %w", err)
	}
	standing := map[survey.Place][]fieldbook.Entry{}
	for _, e := range book.Standing() {
		standing[e.Reading.Where] = append(standing[e.Reading.Where], e)
	}
	var out []Proposal
	flights := map[string]bool{}
	for _, p := range book.Places() {
		if err := ctx.Err(); err != nil {
			return nil, err
		}
		if f := survey.Place(p.Flight()); !flights[p.Flight()] {
			flights[p.Flight()] = true
			out = append(out, workFlight(&Flight{Place: f}, s, standing[f], nil).proposals()...)
		}
		if p.InBay() {
			w := newWorker(&Bay{Place: p}, s, shop, standing[p], standing[survey.Place(p.Flight())])
			w.work()
			if w.sol != nil {
				out = append(out, w.adviser().propose()...)
			}
		}
	}
	return out, nil
}

// proposals for the steps and for the plan of a flight.
func (w *flightWorker) proposals() []Proposal {
	var out []Proposal
	for _, sight := range []*sight{w.stepsSight, w.planSight} {
		if sight == nil {
			continue
		}
		a := adviser{set: w.set, place: w.f.Place, sight: sight, cov: sight.sol.Cov, helps: w.helps(sight)}
		for _, f := range w.f.Flags {
			if f.sight == sight {
				a.flags = append(a.flags, f)
			}
		}
		out = append(out, a.propose()...)
	}
	return out
}

// adviser weighs readings for one adjustment.
type adviser struct {
	set   Settings
	place survey.Place
	sight *sight
	first *mat.SymDense // of the unknowns, as they are
	cov   *mat.SymDense // and with what was proposed taken
	flags []Flag
	helps []help
	sets  []pieceSet
	shop  *fit.Shop
	lead  []leading // figures whose largest uncertainty is worth halving
}

// pieceSet is one kind of piece, for P(all fit).
type pieceSet struct {
	name string
	need fit.Needed
	jac  *mat.Dense
}

// leading is a figure of the bay that others hang on.
type leading struct {
	name string
	eq   frame.Equation
}

func (w *worker) adviser() *adviser {
	a := &adviser{
		set: w.set, place: w.bay.Place, sight: &sight{sol: w.sol, obs: w.obs}, cov: w.sol.Cov, flags: w.bay.Flags, helps: w.helps(), shop: w.shop,
		lead: []leading{
			{"the run", frame.Unknown(frame.IndexRun)}, {"the gap at the bottom", frame.Gap(frame.Bottom)},
			{"the gap at the middle", frame.Gap(frame.Middle)}, {"the gap at the top", frame.Gap(frame.Top)},
		},
	}
	a.sets = w.sets
	return a
}

// propose lists readings until none is worth its minutes.
func (a *adviser) propose() []Proposal {
	a.first = a.cov
	checked := make([]bool, len(a.sight.obs))
	for i := range checked {
		checked[i] = !a.unchecked(a.cov, i)
	}
	var out []Proposal
	for len(out) < mostProposals {
		now := a.chances([]*mat.SymDense{a.cov})[0]
		after := make([]*mat.SymDense, len(a.helps))
		for i, h := range a.helps {
			after[i] = h.taken(a.cov)
		}
		then := a.chances(after)
		best, bestCov := Proposal{}, (*mat.SymDense)(nil)
		for i, h := range a.helps {
			p := a.worth(h, after[i], now, then[i], checked)
			if p.Worth-p.Minutes > best.Worth-best.Minutes {
				best, bestCov = p, after[i]
			}
		}
		if bestCov == nil {
			return out
		}
		a.cov = bestCov
		for i := range checked {
			checked[i] = checked[i] || !a.unchecked(a.cov, i)
		}
		out = append(out, best)
	}
	return out
}

// taken is the covariance once a reading is taken, of all the unknowns there
// are; see after.
func (h help) taken(c *mat.SymDense) *mat.SymDense {
	n := c.SymmetricDim()
	if h.grad.Len() == n {
		return after(c, h)
	}
	full := mat.NewVecDense(n, nil)
	for i := range h.grad.Len() {
		full.SetVec(i, h.grad.AtVec(i))
	}
	return after(c, help{grad: full, u: h.u})
}

// chances gives P(all fit) of each kind of piece for some covariances.
func (a *adviser) chances(covs []*mat.SymDense) [][]float64 {
	out := make([][]float64, len(covs))
	for _, set := range a.sets {
		measure := make([]fit.Candidate, len(covs))
		for i, c := range covs {
			measure[i] = fit.Candidate{Cov: spread(set.jac, leadingBlock(c))}
		}
		gains, err := a.shop.Gains(set.need, measure)
		if err != nil {
			continue // the verdict has said so already
		}
		p := make([]float64, len(covs))
		for _, g := range gains {
			p[g.Candidate] = g.PAfter
		}
		for i := range covs {
			out[i] = append(out[i], p[i])
		}
	}
	return out
}

// leadingBlock is the covariance of the eight unknowns of the plane.
func leadingBlock(c *mat.SymDense) *mat.SymDense {
	if c.SymmetricDim() == frame.Unknowns {
		return c
	}
	out := mat.NewSymDense(frame.Unknowns, nil)
	for i := range frame.Unknowns {
		for j := i; j < frame.Unknowns; j++ {
			out.SetSym(i, j, c.At(i, j))
		}
	}
	return out
}

// worth weighs one reading.
func (a *adviser) worth(h help, after *mat.SymDense, now, then []float64, checked []bool) Proposal {
	visit := a.set.House.Minutes.SecondVisit
	p := Proposal{Reading: h.reading, Minutes: h.minutes}
	p.Reading.Where = a.place
	for i, set := range a.sets {
		gain := then[i] - now[i]
		p.Worth += max(0, gain) * visit
		switch {
		case now[i] < a.set.House.Risk && then[i] >= a.set.House.Risk:
			p.Gains = append(p.Gains, fmt.Sprintf("lets the %ss be cut to stops: all fit with probability %s, now %s", set.name, Chance(then[i]), Chance(now[i])))
		case gain >= 0.01:
			p.Gains = append(p.Gains, fmt.Sprintf("all %ss fit with probability %s, now %s", set.name, Chance(then[i]), Chance(now[i])))
		}
	}
	for _, f := range a.flags {
		if f.State != rules.Unsure || f.eq == nil {
			continue
		}
		s := a.settles(f, after)
		if more := s - a.settles(f, a.cov); more > 0 {
			p.Worth += more * unsureShare * visit
			if more >= 0.1 {
				p.Gains = append(p.Gains, fmt.Sprintf("settles %s with probability %s", f.Name, Chance(s)))
			}
		}
	}
	n := 0
	for i, done := range checked {
		if !done && !a.unchecked(after, i) {
			n++
		}
	}
	if n > 0 {
		p.Worth += float64(n) * slipRate * visit
		p.Gains = append(p.Gains, "checks "+plural(n, "reading")+" that nothing checks")
	}
	if name, was := a.halves(after); was > 0 {
		p.Worth += halvedShare * visit
		gain := "halves the doubt in " + name
		if was > ignorance/2 {
			gain = "gives " + name + ", which nothing gives yet"
		}
		p.Gains = append(p.Gains, gain)
	}
	return p
}

// variance of a figure with gradient g.
func variance(c *mat.SymDense, g []float64) float64 {
	v := mat.NewVecDense(len(g), g)
	return max(0, mat.Inner(v, c, v))
}

// settles is the probability that an unsure flag is settled once readings have
// brought the covariance down to after. Now the figure is y with u; then it will
// be y' with u', and what y' will be is now normal about y with variance u² − u'². It is settled when y' is 1.645 u' or
// more from the limit on either side, the 5 % and 95 % of the three-state rule.
func (a *adviser) settles(f Flag, after *mat.SymDense) float64 {
	g := make([]float64, after.SymmetricDim())
	f.eq(a.sight.sol.X, g)
	was, is := variance(a.first, g)*f.scale*f.scale, variance(after, g)*f.scale*f.scale
	moves, left := math.Sqrt(max(0, was-is)), 1.645*math.Sqrt(is)
	limit, y := math.Abs(f.Limit), math.Abs(f.Value)
	if moves == 0 {
		return 0
	}
	within := rules.Conform(y, moves, limit-left)
	up := 1 - rules.Conform(y, moves, limit+left)
	return within + up
}

// unchecked tells whether a slip in reading i would go unseen with covariance c:
// r = 1 − jᵀ·C·j/u² is its redundancy.
func (a *adviser) unchecked(c *mat.SymDense, i int) bool {
	o := a.sight.obs[i]
	if o.prior {
		return false
	}
	g := make([]float64, c.SymmetricDim())
	o.eq(a.sight.sol.X, g)
	r := 1 - variance(c, g)/(o.u*o.u)
	return adjust.MDB(o.u, r)/o.scale > smallestSlip(o.entry.Reading.Value.Measure)
}

// halves names the leading figure of the largest uncertainty, and what that was,
// when it is halved.
func (a *adviser) halves(after *mat.SymDense) (string, float64) {
	name, was, is := "", 0.0, 0.0
	for _, l := range a.lead {
		g := make([]float64, after.SymmetricDim())
		l.eq(a.sight.sol.X, g)
		if v := variance(a.cov, g); v > was {
			name, was, is = l.name, v, variance(after, g)
		}
	}
	if is > was/4 {
		return "", 0
	}
	return name, math.Sqrt(was)
}

// helps of a flight: the readings that its adjustment could take.
func (w *flightWorker) helps(s *sight) []help {
	type thing struct {
		what    survey.What
		at      survey.At
		eq      flight.Equation
		minutes float64
	}
	at := func(m survey.Mark) survey.At { return survey.At{Mark: m} }
	var things []thing
	if s == w.stepsSight {
		if w.st.Rises > 0 {
			things = append(things, thing{survey.TotalRise, survey.At{}, w.st.Total(flight.Rise), 3})
		}
		if w.st.Goings > 0 {
			things = append(things, thing{survey.TotalGoing, survey.At{}, w.st.Total(flight.Going), 3})
		}
		for n := 1; n <= w.st.Rises; n++ {
			things = append(things, thing{survey.Rise, survey.At{Mark: survey.Step, N: int64(n)}, w.st.One(flight.Rise, n), 0.5})
		}
		for n := 1; n <= w.st.Goings; n++ {
			things = append(things, thing{survey.Going, survey.At{Mark: survey.Step, N: int64(n)}, w.st.One(flight.Going, n), 0.5})
		}
	} else {
		things = append(things,
			thing{survey.Width, at(survey.Bottom), flight.Width(flight.Bottom), 1}, thing{survey.Width, at(survey.Top), flight.Width(flight.Top), 1},
			thing{survey.Side, at(survey.Left), flight.Side(false), 2}, thing{survey.Side, at(survey.Right), flight.Side(true), 2},
			thing{survey.Diagonal, at(survey.Rising), flight.Diagonal(true), 2}, thing{survey.Diagonal, at(survey.Falling), flight.Diagonal(false), 2})
	}
	var out []help
	for _, t := range things {
		r := survey.Reading{What: t.what, At: t.at}
		g := make([]float64, len(s.sol.X))
		v := t.eq(s.sol.X, g)
		if math.IsNaN(v) {
			continue
		}
		r.Value = survey.Quantity{Measure: survey.Length, N: [3]int64{int64(math.Round(v * 1000))}}
		u, err := r.StandardU(w.set.Kit)
		if err != nil {
			continue
		}
		out = append(out, help{r, mat.NewVecDense(len(g), g), u, t.minutes})
	}
	return out
}

// Open is what a visit would leave open at a place.
type Open struct {
	Place     survey.Place
	Missing   []fieldbook.Want
	Suspect   []string // short names of readings
	Unsure    []string // names of flags
	Up        []string // names of flags that are up, slips left out
	Unchecked []string
}

// Empty tells whether nothing is open.
func (o *Open) Empty() bool {
	return len(o.Missing)+len(o.Suspect)+len(o.Unsure)+len(o.Unchecked) == 0
}

// Leave lists what is missing, suspect, unsure or unchecked, place by place:
// what would be regretted once the surveyor has left.
func Leave(f *Findings) []Open {
	var out []Open
	add := func(o Open, results []Result, flags []Flag) {
		for i := range results {
			switch r := &results[i]; {
			case r.Suspect:
				o.Suspect = append(o.Suspect, r.Ref.Short())
			case r.Unchecked:
				o.Unchecked = append(o.Unchecked, r.Ref.Short())
			}
		}
		for _, fl := range flags {
			switch {
			case fl.State == rules.Unsure:
				o.Unsure = append(o.Unsure, fl.Name)
			case fl.State == rules.Flag && fl.Name != "slip":
				o.Up = append(o.Up, fl.Name)
			}
		}
		slices.SortFunc(o.Unsure, func(a, b string) int { return cmp.Compare(a, b) })
		o.Unsure = slices.Compact(o.Unsure)
		out = append(out, o)
	}
	for i := range f.Flights {
		fl := &f.Flights[i]
		add(Open{Place: fl.Place}, fl.Results, fl.Flags)
	}
	for i := range f.Bays {
		b := &f.Bays[i]
		add(Open{Place: b.Place, Missing: b.Missing}, b.Readings, b.Flags)
	}
	return out
}
