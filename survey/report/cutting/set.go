package cutting

import (
	"cmp"
	"fmt"
	"math"
	"slices"
	"strings"

	"pinchrod/calc/fit"
	"pinchrod/calc/pieces"
	"pinchrod/survey"
	"pinchrod/survey/asfound"
)

// Set is one kind of piece of a bay: how it is cut, and why.
type Set struct {
	Kind    pieces.Kind
	Cut     fit.Cut
	Why     string
	Section string  // of its stock, empty when it was not read
	Across  float64 // of the stock in the plane of the bevels, mm; 0 when it was not read
	Turned  bool    // has a turned profile, so that a piece is not cut anywhere from a bar
	Step    float64 // the stops are rounded to, mm
	P       float64 // P(all fit) with the stops as printed; what is cut to fit counts as fitting when its blank is long enough
	PExact  float64 // the same without rounding
	Spares  int
	// Settings of the saw, in the order to cut: none when the readings do not
	// suffice.
	Settings []Setting
	Pieces   []Piece
	Measure  []Measure // what to read first, when the readings do not suffice
	Notes    []string

	square [2]bool // which ends are left square, the low end first
}

// Final tells whether the pieces can be cut: not while the readings do not
// suffice.
func (t *Set) Final() bool { return t.Cut != fit.MeasureMore }

// Setting is how the saw is set, and what is cut so.
type Setting struct {
	Name      string      // A, B, C …
	Stop      float64     // mm
	Side      pieces.Side // along which the stop is measured
	Low, High Cut
	Edges     [2]pieces.Edge // as cut, mm
	Blank     float64        // the least it is cut from, long point to long point, whole mm
	Hand      string         // how a piece goes into its place
	Pieces    []int          // their numbers
	Spares    int
	ToFit     bool // over length, trimmed on site
}

// Long is the length of the longer edge as cut.
func (s *Setting) Long() float64 { return max(s.Edges[0].Length, s.Edges[1].Length) }

// Short is the length of the shorter edge as cut.
func (s *Setting) Short() float64 { return min(s.Edges[0].Length, s.Edges[1].Length) }

// Piece is one piece and its place.
type Piece struct {
	ID      string     // S07
	Number  int        // from the lower post
	Needed  float64    // what fills its place exactly, measured as the stop is, mm; 0 while the readings do not suffice
	U       float64    // of Needed, the rail's waviness with it
	Bevels  [2]float64 // its own, degrees, + with the long point as on a stair that rises away from the lower post; 0 at an end left square
	Setting int        // into Settings; -1 while the readings do not suffice
	First   bool       // beside the lower post
	Last    bool       // beside the upper post
	ToFit   bool       // over length, trimmed on site
	Access  bool       // has to come out again
}

// Measure is a reading to take first.
type Measure struct {
	What   survey.What
	Title  string
	PAfter float64 // P(all fit) with it and those before it
}

// piecesPerSpare is how many pieces one spare is cut for: common practice, no
// source. One that splits or is miscut costs a minute while the saw is set, and
// a second visit when it is missing on site.
const piecesPerSpare = 20

func spares(n int) int { return (n + piecesPerSpare - 1) / piecesPerSpare }

// mostLost is how much of P(all fit) the rounding of the stops may take: half a
// unit of the second decimal, which is the last that a page shows.
const mostLost = 5e-3

// stopSteps are the steps that stops are rounded to, mm. The coarsest is taken
// that loses no more than mostLost, and that does not lose the house risk; none
// is finer than those by which calc/fit tells stops apart.
var stopSteps = []float64{0.1, 0.05, 0.02, 0.01}

func newSet(all []pieces.Piece, v *asfound.Verdict, st stock, set asfound.Settings) (Set, error) {
	t := Set{Kind: st.kind, Cut: v.Cut, Why: v.Why, Section: st.section, Across: st.across, Turned: st.turned, Spares: spares(len(all))}
	for i, p := range all {
		u := set.House.Waviness
		if v.Needed.Cov != nil {
			u = math.Hypot(u, math.Sqrt(max(0, v.Needed.Cov.At(i, i))))
		}
		t.Pieces = append(t.Pieces, Piece{
			ID: id(st.kind, p.Number), Number: p.Number, U: u, Setting: -1,
			Bevels: [2]float64{p.Ends[0].Bevel * 180 / math.Pi, p.Ends[1].Bevel * 180 / math.Pi},
			First:  st.kind != pieces.Spindle && i == 0, Last: st.kind != pieces.Spindle && i == len(all)-1,
		})
	}
	st.squareEnds(set.Fillets, middle(all))
	t.square = st.square
	if !t.Final() {
		return t, nil
	}
	i := slices.IndexFunc(v.Options, func(o fit.Option) bool { return o.Cut == v.Cut })
	if i < 0 {
		return t, fmt.Errorf("%ss: %q is no option of its verdict: %w", st.kind, v.Cut, fit.ErrInput)
	}
	for end, square := range st.square {
		for i := range t.Pieces {
			if square {
				t.Pieces[i].Bevels[end] = 0
			}
		}
	}
	sw := saw{stock: st, pieces: all, need: v.Needed, house: set.House, joint: set.Joint}
	sw.group(v.Options[i])
	if err := sw.settle(&t); err != nil {
		return t, fmt.Errorf("%ss: %w", st.kind, err)
	}
	sw.notes(&t)
	return t, nil
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

// saw groups the pieces of a set by how the saw is set for them.
type saw struct {
	stock
	pieces []pieces.Piece
	need   fit.Needed
	house  fit.House
	joint  float64
	groups []group
}

// group are pieces that are cut alike.
type group struct {
	length float64 // along the line that needed lengths count along, mm
	bevels [2]float64
	toFit  bool
	which  []int // into the pieces
}

// group shares the pieces out as the verdict has it. All in the run of the bay
// are cut to one bevel at each end, unless a joint would show: then every group
// has its own. The fillets beside the posts have bevels of their own where they
// are a step of the dial off the others; and the last one is cut over length, to
// be fitted against what is left.
func (w *saw) group(o fit.Option) {
	inner := w.pieces
	if w.kind != pieces.Spindle && len(w.pieces) > 2 {
		inner = w.pieces[1 : len(w.pieces)-1]
	}
	one := middle(inner)
	own := w.opens(inner, one) > w.joint/2
	byLength := map[int]int{} // the verdict's group to ours
	for i, p := range w.pieces {
		g := group{length: o.Lengths[0], toFit: o.Cut == fit.FitEach, bevels: one, which: []int{i}}
		key := 0
		switch o.Cut {
		case fit.Graded:
			g.length, key = o.Lengths[i], o.Group[i]
		case fit.FitEach:
			g.length = w.blank(inner, p)
		}
		if w.kind != pieces.Spindle && (i == 0 || i == len(w.pieces)-1) {
			if own || !w.near(p, one) {
				g.bevels = [2]float64{p.Ends[0].Bevel, p.Ends[1].Bevel}
			}
			if i > 0 && !g.toFit {
				g.length, g.toFit = p.Length+w.house.Allowance, true
			}
			w.groups = append(w.groups, g)
			continue
		}
		if at, ok := byLength[key]; ok {
			w.groups[at].which = append(w.groups[at].which, i)
			continue
		}
		byLength[key] = len(w.groups)
		w.groups = append(w.groups, g)
	}
	for _, at := range byLength {
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

// trimMore is how much more than the allowance is trimmed off a piece rather than
// cutting it a blank of its own, mm; common practice, no source.
const trimMore = 2

// blank is the length that a piece to be fitted is cut to: the allowance over
// the longest of the run, as long as that is not far over its own.
func (w *saw) blank(inner []pieces.Piece, p pieces.Piece) float64 {
	longest := 0.0
	for _, q := range inner {
		longest = max(longest, q.Length)
	}
	if i := p.Number - 1; w.kind != pieces.Spindle && (i == 0 || i == len(w.pieces)-1) && (p.Length > longest || p.Length < longest-trimMore) {
		longest = p.Length
	}
	return longest + w.house.Allowance
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

// settle rounds the stops and makes the settings.
func (w *saw) settle(t *Set) error {
	chance := func(step float64) (float64, error) {
		lengths := make([]float64, len(w.pieces))
		toFit := make([]bool, len(w.pieces))
		for _, g := range w.groups {
			sh := w.stopped(g, step)
			for _, i := range g.which {
				lengths[i], toFit[i] = w.pieces[i].Length+sh.stop-w.needed(i, g.bevels), g.toFit
			}
		}
		return allFit(w.need, w.house, lengths, toFit)
	}
	var err error
	if t.PExact, err = chance(0); err != nil {
		return err
	}
	for _, t.Step = range stopSteps {
		if t.P, err = chance(t.Step); err != nil {
			return err
		}
		if t.P >= t.PExact-mostLost {
			break
		}
	}
	for _, g := range w.groups {
		sh := w.stopped(g, t.Step)
		s := Setting{Stop: sh.stop, Side: sh.side, Low: sh.ends[0], High: sh.ends[1], Edges: sh.edges, Blank: roundUp(sh.blank), ToFit: g.toFit}
		// What is left after rounding is noise of the arithmetic.
		for end, c := range []*Cut{&s.Low, &s.High} {
			c.Dial = round(sh.ends[end].Dial, dialStep)
		}
		s.Hand = w.hand([2]Cut{s.Low, s.High})
		at := slices.IndexFunc(t.Settings, func(o Setting) bool {
			return o.Stop == s.Stop && o.Side == s.Side && o.Low == s.Low && o.High == s.High && o.ToFit == s.ToFit
		})
		if at < 0 {
			at = len(t.Settings)
			t.Settings = append(t.Settings, s)
		}
		for _, i := range g.which {
			t.Settings[at].Pieces = append(t.Settings[at].Pieces, i+1)
			t.Pieces[i].Needed = w.needed(i, g.bevels)
		}
	}
	w.order(t)
	return nil
}

// stopped is a group's piece with its stop rounded to a step; a step of 0 rounds
// nothing. What is trimmed on site is rounded up.
func (w *saw) stopped(g group, step float64) shape {
	sh := w.shape(g.length, g.bevels)
	stop := sh.stop
	switch {
	case step == 0:
		return sh
	case g.toFit:
		for _, i := range g.which {
			stop = max(stop, w.needed(i, g.bevels)+w.house.Allowance)
		}
		stop = roundUp(stop)
	default:
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

// order sorts the settings by their stops, what is trimmed on site last, names
// them, and gives the spares to the one that makes the longest of what is cut to
// a stop, of two alike to that of more pieces: it can be cut down to any other.
func (w *saw) order(t *Set) {
	for i := range t.Settings {
		slices.Sort(t.Settings[i].Pieces)
	}
	later := func(s Setting) int {
		if s.ToFit {
			return 1
		}
		return 0
	}
	slices.SortStableFunc(t.Settings, func(a, b Setting) int {
		return cmp.Or(cmp.Compare(later(a), later(b)), cmp.Compare(a.Stop, b.Stop))
	})
	for i := range t.Settings {
		s := &t.Settings[i]
		s.Name = letters(i)
		for _, n := range s.Pieces {
			t.Pieces[n-1].Setting, t.Pieces[n-1].ToFit = i, s.ToFit
		}
	}
	spare := slices.MaxFunc(t.Settings, func(a, b Setting) int {
		return cmp.Or(cmp.Compare(later(b), later(a)), cmp.Compare(a.Stop, b.Stop), cmp.Compare(len(a.Pieces), len(b.Pieces)))
	})
	for i := range t.Settings {
		if t.Settings[i].Name == spare.Name {
			t.Settings[i].Spares = t.Spares
		}
	}
}

// letters names a setting: A to Z, then A2 and so on.
func letters(i int) string {
	s := string(rune('A' + i%26))
	if i >= 26 {
		s += fmt.Sprint(i/26 + 1)
	}
	return s
}

// notes says what a reader of the set has to know beside its figures.
func (w *saw) notes(t *Set) {
	note := func(format string, a ...any) { t.Notes = append(t.Notes, fmt.Sprintf(format, a...)) }
	if t.Section == "" && t.Kind != pieces.Spindle {
		note("no fillet section was read: blanks are without what the bevels take, and both edges are given as long as the rail face")
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
		note("one bevel leaves joints of up to %.1f mm at %s: dress those ends on site", worst, strings.Join(ajar, ", "))
	}
	if t.square != [2]bool{} {
		open := 0.0
		for _, g := range w.groups {
			sh := w.shape(g.length, g.bevels)
			open = max(open, sh.open[0], sh.open[1])
		}
		which := "both ends are"
		if !w.square[0] {
			which = "the high end is"
		} else if !w.square[1] {
			which = "the low end is"
		}
		note("%s left square (setting fillet-ends): up to %.1f mm stay open on one face there", which, open)
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

// allFit is P(all fit) of pieces cut to make lengths,
//
//	needed_i − short ≤ cut_i ≤ needed_i + long,
//
// with the distribution of calc/fit.Decide; what is trimmed on site fits when it
// is long enough.
func allFit(n fit.Needed, h fit.House, lengths []float64, toFit []bool) (float64, error) {
	lo, hi, d := make([]float64, len(lengths)), make([]float64, len(lengths)), make([]float64, len(lengths))
	b := make([][]float64, len(lengths))
	if n.Cov != nil {
		var err error
		if b, _, err = fit.Factor(n.Cov, 0); err != nil {
			return 0, err
		}
	}
	for i, l := range lengths {
		lo[i], hi[i], d[i] = l-n.Mean[i]-h.Long, l-n.Mean[i]+h.Short, math.Hypot(h.Waviness, h.Saw)
		if toFit[i] {
			lo[i], hi[i] = math.Inf(-1), l-n.Mean[i]
		}
	}
	// The same points for every rounding, so that the difference between two is
	// far surer than either.
	p, _, err := fit.Rectangle(lo, hi, b, d, fit.Options{MaxError: 1e-4, MaxPoints: 4096, Seed: 1})
	return p, err
}
