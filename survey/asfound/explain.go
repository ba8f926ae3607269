package asfound

import (
	"cmp"
	"fmt"
	"math"
	"slices"

	"gonum.org/v1/gonum/mat"

	"pinchrod/calc/adjust"
	"pinchrod/calc/fit"
	"pinchrod/calc/frame"
	"pinchrod/calc/rules"
	"pinchrod/store/journal"
	"pinchrod/survey"
	"pinchrod/survey/fieldbook"
)

// beyondAssumed is how many u an assumption may be off before the stair is less likely than a wrong reading: once in
// 1.7 million normal errors.
const beyondAssumed = 5

// mostExplanations bounds how many ways to explain contradicting readings are worked out.
const mostExplanations = 8

// mostNamed is how many readings a finding names that no single one of them explains.
const mostNamed = 4

// contradict puts down a finding that has to be settled before anything is cut, and the readings it is about.
func (w *worker) contradict(f Flag, refs ...journal.Ref) {
	w.bay.Flags = append(w.bay.Flags, f)
	w.bay.Again = union(w.bay.Again, refs)
}

// union adds what is new, in the order of the logs.
func union(all, more []journal.Ref) []journal.Ref {
	for _, r := range more {
		if !slices.Contains(all, r) {
			all = append(all, r)
		}
	}
	slices.SortFunc(all, func(a, b journal.Ref) int {
		return cmp.Or(slices.Compare(a.Device[:], b.Device[:]), cmp.Compare(a.Page, b.Page), cmp.Compare(a.Item, b.Item))
	})
	return all
}

// unlocated lists, for each slip that several readings explain as well, the observations that could be wrong.
func (w *worker) unlocated() (groups [][]int) {
	for _, pass := range w.sol.Passes {
		if len(pass.Rivals) > 0 {
			groups = append(groups, append([]int{pass.Index}, pass.Rivals...))
		}
	}
	return groups
}

// without is the bay as it would be without some observations.
func (w *worker) without(out []int) *worker {
	gone := map[journal.Ref]bool{}
	for _, i := range out {
		gone[w.obs[i].entry.Ref] = true
	}
	left := func(all []fieldbook.Entry) []fieldbook.Entry {
		return slices.DeleteFunc(slices.Clone(all), func(e fieldbook.Entry) bool { return gone[e.Ref] })
	}
	sub := newWorker(&Bay{Place: w.bay.Place}, w.set, w.shop, left(w.here), left(w.flight))
	sub.made, sub.alone = w.made, true
	return sub
}

// settles tells whether the readings agree with each other and with what is taken for granted. None is set aside for
// that, so that it takes one adjustment.
func (w *worker) settles() bool {
	w.whole = true
	w.sections()
	w.gather()
	if w.adjust() != nil || len(w.strained()) > 0 || len(w.bay.Flags) > 0 {
		return false
	}
	for i, o := range w.obs {
		if len(o.entry.Kept) == 0 && !o.cut && w.sol.Redundancy[i] > adjust.LeastChecked && math.Abs(w.sol.W[i]) > adjust.Critical {
			return false
		}
	}
	return true
}

// explaining lists the readings of which one alone, left out, leaves the others agreed.
func (w *worker) explaining() (alone []int) {
	for i := range w.obs {
		if sub := w.without([]int{i}); w.explainedBy(sub) {
			alone = append(alone, i)
		}
	}
	return alone
}

// explainedBy tells whether a bay with fewer readings settles, and still has its run: without any run every bow may be as
// small as it likes, which explains nothing.
func (w *worker) explainedBy(sub *worker) bool {
	return sub.settles() && (sub.known[frame.IndexRun] || !w.known[frame.IndexRun])
}

// strained lists the assumptions that the adjusted bay is far from.
func (w *worker) strained() (out []assumption) {
	for _, a := range w.assumed {
		if v := a.Model(w.sol.X, nil); !(math.Abs(v) <= beyondAssumed*a.U) {
			out = append(out, a)
		}
	}
	return out
}

// unlikely puts down what no stair is, with the readings that say so: those of which one alone, left out, leaves a
// likely bay, or else those that the figure hangs on most. A reading that the surveyor kept has settled it. It returns
// the observations of which one alone explains it.
func (w *worker) unlikely() (blamed []int) {
	strained := w.strained()
	if len(strained) == 0 {
		return nil
	}
	all := w.explaining()
	for _, a := range strained {
		single := all
		if len(all) == 0 {
			single = w.leading(a.Model)
		}
		if slices.ContainsFunc(single, func(i int) bool { return len(w.obs[i].entry.Kept) > 0 }) {
			continue
		}
		blamed = all
		q := w.figure(a.Model, a.scale)
		f := Flag{
			Name: "unlikely", State: rules.Flag, Value: q.Value, U: q.U, Limit: math.Copysign(beyondAssumed*a.U*a.scale, q.Value), Unit: a.unit,
			Of: a.of, From: house,
			Text: fmt.Sprintf("hardly any stair is so; read again: %s. If it is so, keep the reading (keep %s)", w.named(single), w.obs[single[0]].entry.Ref.Short()),
		}
		w.contradict(f, w.refs(single)...)
	}
	return blamed
}

// acquit takes back the suspicion of every reading: another one by itself explains all that does not agree.
func (w *worker) acquit() {
	for i := range w.bay.Readings {
		r := &w.bay.Readings[i]
		r.Suspect, r.Rivals, r.Error, r.Slip = false, nil, Quantity{}, ""
	}
}

// leading are the readings that move a figure most, |gᵀ·C·j/u|, j their gradient.
func (w *worker) leading(eq frame.Equation) []int {
	g := make([]float64, len(w.sol.X))
	eq(w.sol.X, g)
	var cg mat.VecDense
	cg.MulVec(w.sol.Cov, mat.NewVecDense(len(g), g))
	moves := make([]float64, len(w.obs))
	all := make([]int, len(w.obs))
	for i := range w.obs {
		model, u := w.model(&w.obs[i])
		j := make([]float64, len(g))
		model(w.sol.X, j)
		moves[i] = math.Abs(mat.Dot(&cg, mat.NewVecDense(len(j), j))) / u
		all[i] = i
	}
	slices.SortStableFunc(all, func(a, b int) int { return cmp.Compare(moves[b], moves[a]) })
	return all[:min(len(all), mostNamed)]
}

func (w *worker) refs(obs []int) (out []journal.Ref) {
	for _, i := range obs {
		out = append(out, w.obs[i].entry.Ref)
	}
	return out
}

// named lists observations as a person knows them: "run level (K7-3.1), 1377 mm".
func (w *worker) named(obs []int) string {
	var out []string
	for _, i := range obs {
		r := &w.obs[i].entry.Reading
		out = append(out, fmt.Sprintf("%s, %s (%s)", r.Title(), r.Value, w.obs[i].entry.Ref.Short()))
	}
	return some(out)
}

// outvoted looks behind several readings that were set aside one after the other: a gross slip in one that much hangs on
// can make the good ones look wrong. Where leaving out one reading, or one trial piece wherever it was tried, settles all,
// that is the slip. Where none does, nothing is cut until those that were set aside are read again.
func (w *worker) outvoted() bool {
	culprits := w.explaining()
	if slices.ContainsFunc(culprits, func(i int) bool { return w.obs[i].cut || len(w.obs[i].entry.Kept) > 0 }) {
		return false // what was made says so itself, and what was kept has been ruled on
	}
	if len(culprits) > 0 {
		w.blame(culprits)
		return true
	}
	if piece := w.onePiece(); len(piece) > 1 {
		if sub := w.without(piece); w.explainedBy(sub) {
			w.blame(piece[:1], piece[1:]...)
			return true
		}
	}
	var aside []int
	for _, pass := range w.sol.Passes {
		aside = append(append(aside, pass.Index), pass.Rivals...)
	}
	slices.Sort(aside)
	aside = slices.Compact(aside)
	w.contradict(Flag{
		Name: "contradiction", State: rules.Flag, Of: fmt.Sprintf("%d readings that do not agree with the rest", len(aside)), From: "false alarm once in 1000 each",
		Text: "several readings disagree, and no single one explains it: read again " + w.named(aside),
	}, w.refs(aside)...)
	return false
}

// onePiece are the readings of the trial piece that was tried most often. Its length was written down once.
func (w *worker) onePiece() (tries []int) {
	by := map[int64][]int{}
	for i, o := range w.obs {
		if r := &o.entry.Reading; r.What == survey.Trial && !o.cut {
			by[r.Value.N[0]] = append(by[r.Value.N[0]], i)
			if len(by[r.Value.N[0]]) > len(tries) {
				tries = by[r.Value.N[0]]
			}
		}
	}
	return tries
}

// blame works the bay out without each of the readings that could be the wrong one, and shows them against the rest.
// With what belongs to one of them, as the other tries of a trial piece, is left out as well.
func (w *worker) blame(culprits []int, with ...int) {
	w.bay.Readings = nil
	for k, i := range culprits {
		sub := w.without(append([]int{i}, with...))
		if !sub.settles() {
			continue
		}
		o := &w.obs[i]
		v := o.eq(sub.sol.X, nil)
		r := Result{Ref: o.entry.Ref, Reading: o.entry.Reading, Value: o.value / o.scale, U: o.u / o.scale, Suspect: k == 0} // one flag names them all
		q := sub.figure(o.eq, 1/o.scale)
		r.Residual = (o.value - v) / o.scale
		r.Error = Quantity{r.Residual, math.Hypot(q.U, r.U), true}
		r.W = r.Residual / r.Error.U
		r.Redundancy = (r.U / r.Error.U) * (r.U / r.Error.U)
		r.Slip = usualSlip(&r.Reading, r.Value, r.Error.Value, r.Error.U, o.elsewhere(sub.sol.X))
		for j := range culprits {
			if j != k {
				r.Rivals = append(r.Rivals, j)
			}
		}
		w.bay.Readings = append(w.bay.Readings, r)
	}
	w.underEach([][]int{culprits}, with...)
}

// unsettled looks for what keeps the readings from being adjusted: each reading of which the rest, without it, agree.
// It is never silent: what cannot be pinned down is put down as a contradiction between all of them.
func (w *worker) unsettled(cause error) {
	if w.alone || len(w.obs) == 0 {
		w.note("the readings could not be adjusted: %v", cause)
		return
	}
	if culprits := w.explaining(); len(culprits) > 0 {
		w.bay.Again = union(w.bay.Again, w.refs(culprits))
		w.blame(culprits)
		return
	}
	all := make([]int, len(w.obs))
	for i := range all {
		all[i] = i
	}
	w.contradict(Flag{
		Name: "contradiction", State: rules.Flag, Of: fmt.Sprintf("%d readings that cannot all be right", len(all)), From: "no bay agrees with them",
		Text: "read these again, angles first: " + w.named(all),
	}, w.refs(all)...)
}

// underEach works the bay out under each explanation of its slips: without one reading of every group. What is shown is
// the one with the longest run, whatever was typed first or last; the openings are the worst of all; and something is
// cut only if every explanation needs it of that length and in that number.
func (w *worker) underEach(groups [][]int, with ...int) {
	var each []*worker
	for _, out := range combinations(groups, mostExplanations) {
		sub := w.without(append(out, with...))
		sub.work()
		if sub.sol != nil {
			each = append(each, sub)
		}
	}
	var named []int
	for _, g := range groups {
		if len(g) > 1 { // else the slip is located
			named = append(named, g...)
		}
	}
	slices.Sort(named)
	refs, titles := w.refs(named), w.named(named)
	readings, again := w.bay.Readings, union(w.bay.Again, refs)
	flags := append(slipFlags(readings), w.bay.Flags...)
	if len(each) == 0 {
		w.bay.Flags, w.bay.Again = flags, again
		w.note("nothing is laid out: read again %s", titles)
		return
	}
	if len(w.bay.Again) > 0 { // of another contradiction
		for _, e := range each {
			e.undecided(w.readAgain(), e.bay.verdicts()...)
		}
	}
	slices.SortStableFunc(each, func(a, b *worker) int { return slices.Compare(b.sol.X[:frame.Slots], a.sol.X[:frame.Slots]) })
	first := each[0]
	for _, other := range each[1:] {
		first.undecided(titles, first.disagrees(other)...)
		first.worst(other)
	}
	bay, notes, missing := w.bay, w.bay.Notes, w.bay.Missing
	*bay = *first.bay
	for _, r := range first.bay.Readings {
		if !slices.ContainsFunc(readings, func(o Result) bool { return o.Ref == r.Ref }) {
			readings = append(readings, r)
		}
	}
	bay.Readings, bay.Again, bay.Missing = readings, again, missing
	bay.Flags = append(flags, bay.Flags...)
	for _, n := range notes {
		if !slices.Contains(bay.Notes, n) {
			bay.Notes = append(bay.Notes, n)
		}
	}
	here, flight := w.here, w.flight
	*w = *first
	w.bay, w.here, w.flight = bay, here, flight
}

// combinations takes one of every group in each way there is, at most so many.
func combinations(groups [][]int, most int) [][]int {
	out := [][]int{nil}
	for _, g := range groups {
		var next [][]int
		for _, c := range out {
			for _, i := range g {
				if len(next) < most {
					next = append(next, append(slices.Clone(c), i))
				}
			}
		}
		out = next
	}
	return out
}

// verdicts are those on the kinds of piece, nil where there are none to judge.
func (b *Bay) verdicts() []*Verdict { return []*Verdict{b.Spindles, b.BaseFillets, b.RailFillets} }

// disagrees lists the verdicts of which another explanation needs other pieces: not as many, or one that does not fit
// as it would be cut. What fillets are off together shows in the last opening, which is judged under each explanation.
func (w *worker) disagrees(o *worker) (out []*Verdict) {
	others := o.bay.verdicts()
	for k, v := range w.bay.verdicts() {
		if v != nil && (others[k] == nil || !v.serves(others[k].Needed.Mean, &w.set)) {
			out = append(out, v)
		}
	}
	return out
}

// serves tells whether the pieces as they would be cut fit other needed lengths: each within what still fits, or long
// enough to be fitted. A fillet may be off by a visible joint; the last one is cut to what is left.
func (v *Verdict) serves(need []float64, s *Settings) bool {
	o := v.Chosen()
	if o == nil || len(need) != len(v.Needed.Mean) {
		return false
	}
	for i, n := range need {
		stop := o.Stops[min(i, len(o.Stops)-1)]
		low, high := -s.House.Short, s.House.Long
		switch {
		case v.Series && i == len(need)-1:
			continue
		case v.Series:
			low, high = -s.Joint, s.Joint+filletStep
		case o.Cut == fit.FitEach:
			low, high = 0, math.Inf(1)
		case v.Needed.Slide != nil:
			low, high = low-v.Needed.Slide[i], high+v.Needed.Slide[i]
		}
		if d := stop - n; !(d >= low && d <= high) {
			return false
		}
	}
	return true
}

// undecided leaves kinds of piece uncut until readings are settled.
func (w *worker) undecided(readings string, which ...*Verdict) {
	for _, v := range which {
		if v != nil {
			v.Cut, v.Measure = fit.MeasureMore, nil
			v.Why = "do not cut yet: read again " + readings
		}
	}
}

// worst takes the openings of another explanation where they are worse, with the spindles that are laid out here. What
// else is out of true under the one and not under the other is neither: it is unsure until the readings are settled.
func (w *worker) worst(o *worker) {
	w.hanging(o.bay.Flags)
	l := w.bay.Layout
	if l == nil || o.sol == nil {
		return
	}
	for _, f := range o.openingsWith(l) {
		for i := range w.bay.Flags {
			if own := &w.bay.Flags[i]; own.Name == f.Name && rules.Conform(f.Value, f.U, f.Limit) < rules.Conform(own.Value, own.U, own.Limit) {
				*own = f
			}
		}
	}
}

// hanging makes unsure what another explanation's flags judge otherwise.
func (w *worker) hanging(others []Flag) {
	for i := range w.bay.Flags {
		own := &w.bay.Flags[i]
		k := slices.IndexFunc(others, func(f Flag) bool { return f.Name == own.Name })
		if k < 0 || own.State == others[k].State || own.Name == "opening" || own.Name == "last-space" {
			continue
		}
		own.State = rules.Unsure
		own.Text = "it hangs on which reading is wrong: settle that first"
	}
}
