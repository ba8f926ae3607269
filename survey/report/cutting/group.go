package cutting

import (
	"cmp"
	"fmt"
	"math"
	"slices"
	"strings"

	"pinchrod/calc/fit"
	"pinchrod/calc/pieces"
	"pinchrod/survey/asfound"
	"pinchrod/survey/report/figure"
)

// steps are what stops are rounded to, mm.
type steps struct {
	spindle float64 // to the nearest: what a stop at the saw can be set to
	fillet  float64 // up: what is set with a caliper
	over    float64 // up: what is trimmed on site
}

// stepsFor are those of a rule. A fillet's stop stands n times in the last space,
// so 1/64 in, rounded up, would narrow that by up to 8 mm at 20 spindles; 0.005 in
// is as coarse as the 0.1 mm of a job in mm, and a caliper in inches shows it.
func stepsFor(r figure.Rule, h fit.House) steps {
	out := steps{h.SawStep, 0.1, 1}
	if r.Inches {
		out.fillet, out.over = 0.005*figure.Inch, figure.Inch/16
	}
	if out.spindle == 0 { // a stop that can be set to anything is read to what a page shows
		out.spindle = out.fillet
	}
	return out
}

// saw groups the pieces of a set by how the saw is set for them.
type saw struct {
	stock
	pieces []pieces.Piece
	need   fit.Needed
	house  fit.House
	joint  float64
	step   steps
	left   asfound.Quantity // what is left for the last fillet, along its rail, mm; where it is known
	groups []group
}

// group are pieces that are cut alike.
type group struct {
	length float64 // along the line that needed lengths count along, mm
	bevels [2]float64
	toFit  bool
	which  []int // into the pieces
}

// inner are the pieces of a set that have a neighbour on either side, which all
// spindles have; its bevels are theirs.
func (w *saw) inner() []pieces.Piece {
	if w.kind != pieces.Spindle && len(w.pieces) > 2 {
		return w.pieces[1 : len(w.pieces)-1]
	}
	return w.pieces
}

// middle is halfway between the least and the greatest bevel at each end: off by
// no more than half the difference anywhere.
func middle(all []pieces.Piece) (mid [2]float64) {
	for end := range mid {
		b := func(p pieces.Piece) float64 { return p.Ends[end].Bevel }
		by := func(p, q pieces.Piece) int { return cmp.Compare(b(p), b(q)) }
		mid[end] = (b(slices.MinFunc(all, by)) + b(slices.MaxFunc(all, by))) / 2
	}
	return mid
}

// share makes the groups, as the verdict has them: pieces of one of its groups are
// cut to one length. All in the run of the bay are cut to one bevel at each end,
// unless a joint would show: then every group has its own. The fillets beside the
// posts have bevels of their own where those are more than a step of the dial off
// the others. blank is what the last fillet is cut from, along its rail.
func (w *saw) share(o *fit.Option, blank float64) {
	one := middle(w.inner())
	own := w.opens(w.inner(), one) > w.joint/2
	byKey := map[int]int{} // into the groups
	for i, p := range w.pieces {
		last := w.kind != pieces.Spindle && i == len(w.pieces)-1
		g, key := group{bevels: one, which: []int{i}}, 0
		switch {
		case last:
			g.length, g.toFit = blank, true
		case len(o.Lengths) > 1:
			g.length = o.Lengths[i]
		default:
			g.length = o.Lengths[0]
		}
		g.toFit = g.toFit || o.Cut == fit.FitEach
		if !last && len(o.Group) > 0 {
			key = o.Group[i]
		}
		if w.kind != pieces.Spindle && (i == 0 || last) {
			apart := own || !w.near(p, one)
			if apart {
				g.bevels = [2]float64{p.Ends[0].Bevel, p.Ends[1].Bevel}
			}
			if apart || last {
				w.groups = append(w.groups, g)
				continue
			}
		}
		if at, ok := byKey[key]; ok {
			w.groups[at].which = append(w.groups[at].which, i)
			continue
		}
		byKey[key] = len(w.groups)
		w.groups = append(w.groups, g)
	}
	for _, at := range byKey {
		if g := &w.groups[at]; own {
			var these []pieces.Piece
			for _, i := range g.which {
				these = append(these, w.pieces[i])
			}
			g.bevels = middle(these)
		}
	}
	for i := range w.groups {
		for end, b := range w.groups[i].bevels {
			w.groups[i].bevels[end] = dialled(b)
		}
	}
}

// near tells whether a piece's bevels are within a step of the dial of some.
func (w *saw) near(p pieces.Piece, bevels [2]float64) bool {
	const step = dialStep * math.Pi / 180
	return math.Abs(p.Ends[0].Bevel-bevels[0]) <= step && math.Abs(p.Ends[1].Bevel-bevels[1]) <= step
}

// opens is the widest joint, in mm, that is left by cutting pieces to bevels
// that are not their own: width·tan of the difference.
func (w *saw) opens(all []pieces.Piece, bevels [2]float64) float64 {
	most := 0.0
	for _, p := range all {
		for end, b := range bevels {
			if !w.square[end] {
				most = max(most, w.across*math.Tan(math.Abs(p.Ends[end].Bevel-b)))
			}
		}
	}
	return most
}

// stepOf is what the stop of a group is rounded to.
func (w *saw) stepOf(g group) float64 {
	switch {
	case g.toFit:
		return w.step.over
	case w.kind == pieces.Spindle:
		return w.step.spindle
	}
	return w.step.fillet
}

// stopped is a group's piece with its stop rounded: a spindle's to the nearest step,
// a fillet's up, so that the last space becomes narrower and never wider, and what
// is trimmed on site up.
func (w *saw) stopped(g group) shape {
	sh := w.shape(g.length, g.bevels)
	step := w.stepOf(g)
	stop := 0.0 // of pieces as long as the group's
	for _, i := range g.which {
		stop += (w.needed(i, g.bevels) + g.length - w.pieces[i].Length) / float64(len(g.which))
	}
	if g.toFit || w.kind != pieces.Spindle {
		stop = roundUp(stop, step)
	} else {
		stop = round(stop, step)
	}
	sh = w.shape(g.length+stop-sh.stop, g.bevels)
	sh.stop = stop
	return sh
}

// needed is the stop that would make a piece fit exactly when it is cut to some
// bevels: an end that is left square takes what its own bevel takes.
func (w *saw) needed(i int, bevels [2]float64) float64 {
	p := w.pieces[i]
	for end, square := range w.square {
		if square {
			bevels[end] = p.Ends[end].Bevel
		}
	}
	return w.shape(p.Length, bevels).stop
}

// notes says what a reader of the set has to know beside its figures.
func (w *saw) notes(t *Set) {
	note := func(format string, a ...any) { t.Notes = append(t.Notes, fmt.Sprintf(format, a...)) }
	if t.Section == "" && t.Kind != pieces.Spindle {
		note("no fillet section was read: tip to tip is given as the stop, and both faces as long as the rail face")
	}
	var ajar []string
	worst := 0.0
	for _, s := range t.Settings {
		bevels := [2]float64{}
		for _, g := range w.groups {
			if slices.Contains(s.Pieces, g.which[0]+1) {
				bevels = g.bevels
			}
		}
		for _, n := range s.Pieces {
			if open := w.opens(w.pieces[n-1:n], bevels); open > w.joint && !s.ToFit {
				ajar, worst = append(ajar, id(t.Kind, n)), max(worst, open)
			}
		}
	}
	if len(ajar) > 0 {
		note("one bevel leaves joints of up to %s at %s: dress those ends on site", t.rule.With(t.rule.Tolerance(round(worst, 0.1))), strings.Join(ajar, ", "))
	}
	if t.square != [2]bool{} {
		open := 0.0
		for _, g := range w.groups {
			sh := w.shape(g.length, g.bevels)
			open = max(open, sh.open[0], sh.open[1])
		}
		names := EndNames(t.Kind)
		which := "both ends are"
		if !w.square[0] {
			which = "the " + names[1] + " is"
		} else if !w.square[1] {
			which = "the " + names[0] + " is"
		}
		note("%s left square (setting fillet-ends): up to %s stay open on one face there", which, t.rule.With(t.rule.Tolerance(round(open, 0.1))))
	}
	for _, s := range t.Settings {
		if max(s.Low.Dial, s.High.Dial) > mostDial {
			note("a bevel above %g° is beyond many saws' scales: cut it against a fence at its complement", float64(mostDial))
			break
		}
	}
}

// mostDial is where many mitre saws' scales end, degrees: common practice, no
// source.
const mostDial = 45
