package cutting

import (
	"cmp"
	"fmt"
	"math"
	"slices"

	"pinchrod/calc/fit"
	"pinchrod/calc/pieces"
	"pinchrod/survey/asfound"
	"pinchrod/survey/report/figure"
)

// Set is one kind of piece of a bay: how it is cut, and why.
type Set struct {
	Kind    pieces.Kind
	Cut     fit.Cut
	Why     string
	ByHand  string  // that a person chose this way, and what it costs
	Section string  // of its stock, empty when it was not read
	Size    string  // the section as the sheet prints it
	Across  float64 // of the stock in the plane of the bevels, mm; 0 when it was not read
	Turned  bool    // has a turned profile, so that a piece is not cut anywhere from a bar
	Step    float64 // the stops are rounded to, mm
	P       float64 // P(all fit) of spindles with the stops as printed; of fit-each, that every blank is long enough
	Minutes float64 // that cutting and fitting take, as expected
	Trims   float64 // of spindles expected to be too long
	Recuts  float64 // of spindles expected to be too short
	Spares  int

	// WalkFirst tells of fillets that the spacer is walked before they are cut.
	WalkFirst bool

	// Settings of the saw, in the order to cut: none when the readings do not
	// suffice.
	Settings []Setting
	Pieces   []Piece
	Worth    string // readings that save more minutes than they take, though the pieces can be cut without them
	Notes    []string

	rule   figure.Rule
	square [2]bool   // which ends are left square, the low end first
	line   []float64 // what each piece needs, along the line that needed lengths count along, mm
}

// Final tells whether the pieces can be cut: not while the readings do not
// suffice.
func (t *Set) Final() bool { return t.Cut != fit.MeasureMore }

// Setting is how the saw is set, and what is cut so.
type Setting struct {
	Name      string      // A, B, C …
	Stop      float64     // mm, a multiple of Step
	Step      float64     // mm
	Side      pieces.Side // along which the stop is measured
	Low, High Cut         // a spindle's foot and head, a fillet's downhill and uphill end
	Edges     [2]pieces.Edge
	Tip       float64 // tip to tip: long point to long point as cut, mm
	Blank     float64 // the least it is cut from, Tip rounded up to whole mm
	Hand      string  // how a piece goes into its place
	Pieces    []int   // their numbers
	Spares    int
	ToFit     bool    // over length, trimmed on site
	Over      float64 // how much longer than the longest of its pieces is expected, mm; of what is trimmed on site
}

// Long is the length of the longer edge as cut.
func (s *Setting) Long() float64 { return max(s.Edges[0].Length, s.Edges[1].Length) }

// Short is the length of the shorter edge as cut.
func (s *Setting) Short() float64 { return min(s.Edges[0].Length, s.Edges[1].Length) }

// Piece is one piece and its place.
type Piece struct {
	ID       string     // S07
	Number   int        // from the lower post
	Needed   float64    // what fills its place exactly, measured as the stop is, mm; 0 while the readings do not suffice
	Expected float64    // what it will be cut to: Needed, but of the last fillet what those before it leave, mm
	U        float64    // of Expected, the rail's waviness with it
	Bevels   [2]float64 // its own, degrees, + with the long point as on a stair that rises away from the lower post; 0 at an end left square
	Setting  int        // into Settings; -1 while the readings do not suffice
	First    bool       // beside the lower post
	Last     bool       // beside the upper post
	ToFit    bool       // over length, trimmed on site
	Access   bool       // has to come out again
}

// piecesPerSpare is how many pieces one spare is cut for: common practice, no
// source. One that splits or is miscut costs a minute while the saw is set, and
// a second visit when it is missing on site.
const piecesPerSpare = 20

func spares(n int) int { return (n + piecesPerSpare - 1) / piecesPerSpare }

// newSet makes the set of one kind. left is what is left for the last fillet, along
// its rail.
func newSet(all []pieces.Piece, v *asfound.Verdict, st stock, set asfound.Settings, left asfound.Quantity) (Set, error) {
	t := Set{
		Kind: st.kind, Cut: v.Cut, Why: v.Why, ByHand: v.ByHand, Section: st.section, Size: st.size(figure.Rule{Inches: set.Inches}), Across: st.across, Turned: st.turned, Spares: spares(len(all)),
		rule: figure.Rule{Inches: set.Inches}, line: v.Needed.Mean,
	}
	all = slices.Clone(all)
	for i := range all { // of fillets, as the walked spacer has them
		all[i].Length = v.Needed.Mean[i]
	}
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
	for end, square := range st.square {
		for i := range t.Pieces {
			if square {
				t.Pieces[i].Bevels[end] = 0
			}
		}
	}
	o := v.Chosen()
	if o == nil {
		return t, fmt.Errorf("%ss: %q is no option of its verdict: %w", st.kind, v.Cut, fit.ErrInput)
	}
	t.Minutes, t.Trims, t.Recuts = o.Expected, o.Trims, o.Recuts
	if set.House.Workshop && st.kind == pieces.Spindle && v.Cut != fit.FitEach {
		t.Spares = set.House.SparesFor(len(all))
		t.Notes = append(t.Notes, fmt.Sprintf("cut the %d spares %s over length and take them along: each takes the place of a short spindle and is fitted there",
			t.Spares, t.rule.With(t.rule.Length(set.House.Allowance))))
	}
	if len(v.Measure) > 0 {
		t.Worth = Worth(v.Measure[0])
	}
	sw := saw{stock: st, pieces: all, need: v.Needed, house: set.House, joint: set.Joint, step: stepsFor(t.rule, set.House), left: left}
	sw.share(o, v.Blank)
	if err := sw.settle(&t); err != nil {
		return t, fmt.Errorf("%ss: %w", st.kind, err)
	}
	sw.notes(&t)
	return t, nil
}

// settle rounds the stops and makes the settings; stops that are then alike are
// one.
func (w *saw) settle(t *Set) error {
	t.Step = w.stepOf(group{})
	if w.kind == pieces.Spindle {
		if err := w.judge(t); err != nil {
			return err
		}
	}
	for _, g := range w.groups {
		sh := w.stopped(g)
		s := Setting{
			Stop: sh.stop, Step: w.stepOf(g), Side: sh.side, Low: sh.ends[0], High: sh.ends[1], Edges: sh.edges, Tip: sh.blank, Blank: roundUp(sh.blank, 1), ToFit: g.toFit,
		}
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
			t.Pieces[i].Expected = t.Pieces[i].Needed
		}
	}
	w.order(t)
	w.leave(t)
	for i := range t.Settings {
		if g := &t.Settings[i]; g.ToFit {
			longest := 0.0
			for _, n := range g.Pieces {
				longest = max(longest, t.Pieces[n-1].Expected)
			}
			g.Over = g.Stop - longest
		}
	}
	return nil
}

// leave works out what the other fillets leave for the last: its own place, less
// what each of them is cut longer than its own, as each pushes the next up the rail.
func (w *saw) leave(t *Set) {
	if w.kind == pieces.Spindle {
		return
	}
	last := &t.Pieces[len(t.Pieces)-1]
	for i := range t.Pieces[:len(t.Pieces)-1] {
		p := &t.Pieces[i]
		last.Expected -= t.Settings[p.Setting].Stop - p.Needed
	}
	if w.left.Known {
		last.U = w.left.U
	}
}

// judge works out P(all fit) of the spindles as they are printed: a stop is set
// along an edge, which is not as long as the line that the verdict's lengths count
// along where the bevels of its ends differ.
func (w *saw) judge(t *Set) (err error) {
	lengths := make([]float64, len(w.pieces))
	for _, g := range w.groups {
		sh := w.stopped(g)
		for _, i := range g.which {
			lengths[i] = w.pieces[i].Length + sh.stop - w.needed(i, g.bevels)
		}
	}
	t.P, err = allFit(w.need, w.house, lengths, t.Cut == fit.FitEach)
	return err
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

// allFit is P(all fit) of pieces cut to make lengths,
//
//	needed_i − short − slide_i ≤ cut_i ≤ needed_i + long + slide_i,
//
// with the distribution of calc/fit.Decide; what is trimmed on site fits when it
// is long enough.
func allFit(n fit.Needed, h fit.House, lengths []float64, toFit bool) (float64, error) {
	lo, hi, d := make([]float64, len(lengths)), make([]float64, len(lengths)), make([]float64, len(lengths))
	b := make([][]float64, len(lengths))
	if n.Cov != nil {
		var err error
		if b, _, err = fit.Factor(n.Cov, 0); err != nil {
			return 0, err
		}
	}
	for i, l := range lengths {
		slide := 0.0
		if n.Slide != nil {
			slide = n.Slide[i]
		}
		lo[i], hi[i], d[i] = l-n.Mean[i]-h.Long-slide, l-n.Mean[i]+h.Short+slide, math.Hypot(h.Waviness, h.Saw)
		if toFit {
			lo[i], hi[i] = math.Inf(-1), l-n.Mean[i]
		}
	}
	p, _, err := fit.Rectangle(lo, hi, b, d, fit.Options{MaxError: 1e-4, MaxPoints: 4096, Seed: 1})
	return p, err
}
