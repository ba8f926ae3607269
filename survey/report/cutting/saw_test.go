package cutting

import (
	"fmt"
	"math"
	"strings"
	"testing"

	"github.com/google/go-cmp/cmp"
	"github.com/google/go-cmp/cmp/cmpopts"
	"pgregory.net/rapid"

	"pinchrod/calc/calctest"
	"pinchrod/calc/fit"
	"pinchrod/calc/frame"
	"pinchrod/calc/pieces"
	"pinchrod/survey/asfound"
	"pinchrod/survey/report/figure"
)

// A bay at the pitch of a 3-4-5 triangle with fillets 8 thick and 105 long: a
// bevel takes 8·3/4 = 6 of a face. Lengths by hand.
func TestSquareEndsByHand(t *testing.T) {
	b := frame.Plane{Run: 1200, BaseSlope: 0.75, RailSlope: 0.75, Gap: 700}
	at := []float64{104, 228, 352, 476, 600, 724, 848, 972, 1096}
	base, err := pieces.BaseFillets(b, at, 40, 8)
	if err != nil {
		t.Fatal(err)
	}
	rail, err := pieces.RailFillets(b, at, 40, 8)
	if err != nil {
		t.Fatal(err)
	}
	dial := math.Atan(0.75) * 180 / math.Pi
	none := Cut{}
	for _, tt := range []struct {
		piece pieces.Piece
		style asfound.FilletEnds
		want  shape
	}{
		{base[1], asfound.BothBevelled, shape{
			ends:  [2]Cut{{dial, pieces.RailFace}, {dial, pieces.OpenFace}},
			edges: [2]pieces.Edge{{Side: pieces.RailFace, Length: 105}, {Side: pieces.OpenFace, Length: 105}},
			blank: 111, stop: 105, side: pieces.RailFace,
		}},
		// Between the two faces that it meets first, 6 less.
		{base[1], asfound.SquareEnded, shape{
			ends:  [2]Cut{none, none},
			edges: [2]pieces.Edge{{Side: pieces.RailFace, Length: 99}, {Side: pieces.OpenFace, Length: 99}},
			blank: 99, stop: 99, side: pieces.RailFace, open: [2]float64{6, 6},
		}},
		// On the base rail the gap is seen at the high end, where the face above
		// reaches farther, so that one is bevelled; under the handrail at the low.
		{base[1], asfound.OneBevelled, shape{
			ends:  [2]Cut{none, {dial, pieces.OpenFace}},
			edges: [2]pieces.Edge{{Side: pieces.RailFace, Length: 99}, {Side: pieces.OpenFace, Length: 105}},
			blank: 105, stop: 99, side: pieces.RailFace, open: [2]float64{6, 0},
		}},
		{rail[1], asfound.OneBevelled, shape{
			ends:  [2]Cut{{dial, pieces.OpenFace}, none},
			edges: [2]pieces.Edge{{Side: pieces.OpenFace, Length: 105}, {Side: pieces.RailFace, Length: 99}},
			blank: 105, stop: 105, side: pieces.OpenFace, open: [2]float64{0, 6},
		}},
		{rail[1], asfound.SquareEnded, shape{
			ends:  [2]Cut{none, none},
			edges: [2]pieces.Edge{{Side: pieces.OpenFace, Length: 99}, {Side: pieces.RailFace, Length: 99}},
			blank: 99, stop: 99, side: pieces.OpenFace, open: [2]float64{6, 6},
		}},
	} {
		t.Run(fmt.Sprintf("%s %s", tt.piece.Kind, tt.style), func(t *testing.T) {
			st := stock{kind: tt.piece.Kind, across: 8}
			bevels := [2]float64{tt.piece.Ends[0].Bevel, tt.piece.Ends[1].Bevel}
			st.squareEnds(tt.style, bevels)
			if diff := cmp.Diff(tt.want, st.shape(tt.piece.Length, bevels), cmp.AllowUnexported(shape{}), cmpopts.EquateApprox(0, 1e-9)); diff != "" {
				t.Errorf("-want +got:\n%s", diff)
			}
		})
	}
	level := stock{kind: pieces.BaseFillet, across: 8}
	level.squareEnds(asfound.OneBevelled, [2]float64{0, 0})
	if got := level.shape(84, [2]float64{0, 0}); got.stop != 84 || got.blank != 84 || got.open != [2]float64{} {
		t.Errorf("on a landing: %+v, want 84 square", got)
	}
}

// A piece cut to its own needed length and bevels is the piece of calc/pieces: a
// fillet as it is; a spindle between straight rails, as a bow moves its edges by
// up to the 0.03 mm that calc/pieces states.
func TestShapeIsThePiece(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		b := frame.Plane{
			Run: 1200, Gap: 800, BaseSlope: rapid.Float64Range(-1, 1).Draw(t, "slope"),
			LeanLower: rapid.Float64Range(-0.02, 0.02).Draw(t, "lower"), LeanUpper: rapid.Float64Range(-0.02, 0.02).Draw(t, "upper"),
		}
		b.RailSlope = b.BaseSlope + rapid.Float64Range(-0.02, 0.02).Draw(t, "taper")
		at := []float64{300, 600, 900}
		across := rapid.Float64Range(5, 60).Draw(t, "across")
		spindles, err := pieces.Spindles(b, at, across)
		if err != nil {
			t.Fatal(err)
		}
		b.BowBase, b.BowRail = rapid.Float64Range(-10, 10).Draw(t, "base"), rapid.Float64Range(-10, 10).Draw(t, "rail")
		base, err := pieces.BaseFillets(b, at, 41, across)
		if err != nil {
			t.Fatal(err)
		}
		rail, err := pieces.RailFillets(b, at, 41, across)
		if err != nil {
			t.Fatal(err)
		}
		for _, set := range [][]pieces.Piece{spindles, base, rail} {
			for _, p := range set {
				st := stock{kind: p.Kind, across: across}
				got := st.shape(p.Length, [2]float64{p.Ends[0].Bevel, p.Ends[1].Bevel})
				want := shape{edges: p.Edges, blank: p.Blank, stop: p.Stop, side: got.side}
				for i, e := range p.Ends {
					want.ends[i] = Cut{math.Abs(e.Bevel) * 180 / math.Pi, e.LongPoint}
				}
				if diff := cmp.Diff(want, got, cmp.AllowUnexported(shape{}), cmpopts.EquateApprox(0, 1e-6)); diff != "" {
					t.Errorf("%s %d (-piece +shape):\n%s", p.Kind, p.Number, diff)
				}
				if edgeLength(p, got.side) != p.Stop && !calctest.Near(edgeLength(p, got.side), got.stop, 1e-6) {
					t.Errorf("%s %d: stop of %g along the %s, which is %g", p.Kind, p.Number, got.stop, got.side, edgeLength(p, got.side))
				}
			}
		}
	})
}

func TestRoundings(t *testing.T) {
	for _, tt := range []struct{ v, step, want float64 }{
		{805.749999, 0.1, 805.7}, {805.75, 0.1, 805.8}, {805.774, 0.05, 805.75}, {805.774, 0.02, 805.78}, {805.774, 0.01, 805.77}, {-0.04, 0.1, 0},
	} {
		if got := round(tt.v, tt.step); got != tt.want {
			t.Errorf("round(%g, %g) = %g, want %g", tt.v, tt.step, got, tt.want)
		}
	}
	for _, tt := range []struct{ v, step, want float64 }{
		{111, 1, 111}, {111.0000000001, 1, 111}, {111.01, 1, 112}, {114.61, 0.1, 114.7}, {114.7, 0.1, 114.7}, {25.5, figure.Inch / 16, 25.4 * 17 / 16}, {101.6, 0.127, 101.6},
	} {
		if got := roundUp(tt.v, tt.step); !(math.Abs(got-tt.want) < 1e-9) {
			t.Errorf("roundUp(%v, %v) = %g, want %g", tt.v, tt.step, got, tt.want)
		}
	}
	if got := dialled(41.27*math.Pi/180) * 180 / math.Pi; !calctest.Near(got, 41.3, 1e-12) {
		t.Errorf("dialled 41.27° is %g°", got)
	}
	if got := []string{letters(0), letters(25), letters(26), letters(53)}; !cmp.Equal(got, []string{"A", "Z", "A2", "B3"}) {
		t.Errorf("letters %v", got)
	}
	for n, want := range map[int]int{1: 1, 20: 1, 21: 2, 40: 2, 41: 3} {
		if got := spares(n); got != want {
			t.Errorf("%d spares for %d, want %d", got, n, want)
		}
	}
	if got, want := (&Set{Kind: pieces.BaseFillet}).Names([]int{1, 2, 3, 5, 7, 8}), "B01-B03 B05 B07-B08"; got != want {
		t.Errorf("numbers %q, want %q", got, want)
	}
}

// anyBay draws the field sheet of a bay as stairs are found, or of part of one,
// or of one that is not one.
func anyBay(t *rapid.T) string {
	f := func(name string, lo, hi float64) float64 { return rapid.Float64Range(lo, hi).Draw(t, name) }
	run, gap, pitch := f("run", 150, 3000), f("gap", 500, 1000), f("pitch", -45, 45)
	drift, bow, bowRail := f("drift", -12, 12), f("bow", -6, 6), f("bow of the handrail", -6, 6)
	lower, upper := f("lower", -12, 12), f("upper", -12, 12)
	up := math.Tan(pitch * math.Pi / 180)
	turn := func(b float64) float64 { return math.Atan(up+4*b/run) * 180 / math.Pi }
	rows := []string{
		fmt.Sprintf("run,,0,%.1f", run), fmt.Sprintf("run,,%.0f,%.1f", gap-100, run+(gap-100)*(upper-lower)/1000),
		fmt.Sprintf("lean-along,lower,,%.1f mm in 1000 mm", lower), fmt.Sprintf("lean-along,upper,,%.1f mm in 1000 mm", upper),
		fmt.Sprintf("base-angle,bottom,,%.2f", turn(bow)), fmt.Sprintf("base-angle,top,,%.2f", turn(-bow)),
		fmt.Sprintf("rail-angle,bottom,,%.2f", turn(bowRail)), fmt.Sprintf("rail-angle,top,,%.2f", turn(-bowRail)),
		fmt.Sprintf("gap,bottom,,%.1f", gap), fmt.Sprintf("gap,middle,,%.1f", gap+drift/2+bowRail-bow), fmt.Sprintf("gap,top,,%.1f", gap+drift),
		fmt.Sprintf("bow-base,middle,,%.1f", bow), fmt.Sprintf("bow-rail,middle,,%.1f", bowRail),
		fmt.Sprintf("access,%s,,%.0f", rapid.SampledFrom([]string{"", "base", "rail"}).Draw(t, "rail"), f("hole", 0, 3000)),
	}
	for _, at := range []string{"bottom", "middle", "top"} {
		if rapid.Bool().Draw(t, "fit at "+at) {
			rows = append(rows, fmt.Sprintf("fit,%s,,%.1f", at, gap+map[string]float64{"bottom": 0, "middle": drift/2 + bowRail - bow, "top": drift}[at]))
		}
	}
	if rapid.IntRange(0, 3).Draw(t, "slip") == 0 {
		rows = append(rows, fmt.Sprintf("gap,top,,%.1f", gap+drift+10))
	}
	if rapid.IntRange(0, 3).Draw(t, "part") == 0 {
		rows = rapid.SliceOfN(rapid.SampledFrom(rows), 0, len(rows)).Draw(t, "rows")
	}
	rows = append(rows, "spindle-section,,,"+rapid.SampledFrom([]string{"41 x 41 mm", "32 x 32 mm", "41 x 41 x 22 mm"}).Draw(t, "section"))
	if rapid.Bool().Draw(t, "fillets read") {
		rows = append(rows, fmt.Sprintf("fillet-section,,,41 x %.0f mm", f("thickness", 4, 20)))
	}
	where := rapid.SampledFrom([]string{"F1/left", "L1/edge", "a-very-long-flight-name/a-very-long-bay-s-name"}).Draw(t, "where")
	return "where,what,at,height,value\n" + where + "," + strings.Join(rows, "\n"+where+",") + "\n"
}

// anyHouse draws settings: fitting each piece is made to pay now and then.
func anyHouse(t *rapid.T) asfound.Settings {
	set := asfound.Defaults()
	set.Accuracy.MaxPoints = 256 // quicker: which verdict it is does not matter here
	set.Fillets = rapid.SampledFrom([]asfound.FilletEnds{asfound.BothBevelled, asfound.OneBevelled, asfound.SquareEnded}).Draw(t, "ends")
	if rapid.Bool().Draw(t, "inches") {
		if err := set.Set("units", "in"); err != nil {
			t.Fatal(err)
		}
	}
	if rapid.IntRange(0, 3).Draw(t, "fitted") == 0 {
		set.House.Minutes.Fit, set.House.Minutes.Recut = 0.5, 60
		set.House.Waviness = 1.2
	}
	return set
}

// What holds of every sheet, of whatever book.
func TestEverySheet(t *testing.T) {
	cuts := map[string]int{}
	rapid.Check(t, func(rt *rapid.T) {
		set := anyHouse(rt)
		csv := anyBay(rt)
		for _, s := range sheets(t, bookOf(t, csv), set) {
			if (s.Missing == "") != (len(s.Sets) == 3) {
				rt.Errorf("%d sets, missing for %q", len(s.Sets), s.Missing)
			}
			want := 0
			for i := range s.Sets {
				cuts[string(s.Sets[i].Cut)]++
				want += holdsTogether(rt, s, &s.Sets[i], set)
			}
			labels := s.Labels()
			if len(labels) != want {
				rt.Errorf("%d labels, want %d", len(labels), want)
			}
			seen := map[string]bool{}
			for _, l := range labels {
				got, err := ParseLabel(l.Text())
				if l.Setting, l.Note = "", ""; err != nil || got != l {
					rt.Errorf("label %+v reads back as %+v, %v", l, got, err)
				}
				if seen[l.Piece] {
					rt.Errorf("two labels for %s", l.Piece)
				}
				seen[l.Piece] = true
			}
			for _, width := range []int{24, 40, 80, 120} {
				for line := range strings.Lines(text(t, s, width)) {
					if n := len([]rune(strings.TrimRight(line, "\n"))); n > width {
						rt.Errorf("a line of %d at %d columns: %q", n, width, line)
					}
				}
			}
			write(t, s, "csv")
			write(t, s, "json")
		}
	})
	for _, c := range []fit.Cut{fit.Batch, fit.Graded, fit.FitEach, fit.MeasureMore} {
		if cuts[string(c)] == 0 {
			t.Errorf("no set was %s: the books are too alike (%v)", c, cuts)
		}
	}
	t.Log(cuts)
}

// oneWay tells whether all pieces have the long point of an end on one side, by more
// than a step of the dial. Any bevel they are cut to is between theirs, so it has
// its long point there too; where a bow tips them either way it may have it on either
// side.
func oneWay(all []pieces.Piece, end int) bool {
	least, most := math.Inf(1), math.Inf(-1)
	for _, p := range all {
		least, most = min(least, p.Ends[end].Bevel), max(most, p.Ends[end].Bevel)
	}
	const step = dialStep * math.Pi / 180
	return least > step || most < -step
}

// holdsTogether checks one set and gives the number of labels it wants.
func holdsTogether(t *rapid.T, s *Sheet, set *Set, o asfound.Settings) int {
	l := s.found.Layout
	all := map[pieces.Kind][]pieces.Piece{pieces.Spindle: l.Spindles, pieces.BaseFillet: l.BaseFillets, pieces.RailFillet: l.RailFillets}[set.Kind]
	if len(set.Pieces) != len(all) {
		t.Fatalf("%d %ss, want %d", len(set.Pieces), set.Kind, len(all))
	}
	for i, p := range set.Pieces {
		if p.Number != i+1 || p.ID != id(set.Kind, i+1) {
			t.Errorf("piece %d is %s, number %d", i+1, p.ID, p.Number)
		}
	}
	if !set.Final() {
		if len(set.Settings) != 0 {
			t.Errorf("%ss: settings before the readings suffice", set.Kind)
		}
		return 0
	}
	of, spares := make([]int, len(all)), 0
	for k, g := range set.Settings {
		spares += g.Spares
		if !(g.Blank >= g.Long()-1e-9 && g.Long() >= g.Short() && g.Short() > 0) || g.Blank != math.Trunc(g.Blank) {
			t.Errorf("%ss %s: blank %g, edges %g and %g", set.Kind, g.Name, g.Blank, g.Long(), g.Short())
		}
		if edge := edgeLength(pieces.Piece{Edges: g.Edges}, g.Side); !calctest.Near(edge, g.Stop, 1e-6) {
			t.Errorf("%ss %s: stop %g along the %s, which is %g", set.Kind, g.Name, g.Stop, g.Side, edge)
		}
		if r := math.Abs(math.Remainder(g.Stop, g.Step)); !(r < 1e-6) {
			t.Errorf("%ss %s: stop %g is no multiple of %g", set.Kind, g.Name, g.Stop, g.Step)
		}
		for _, n := range g.Pieces {
			of[n-1]++
			p := set.Pieces[n-1]
			if p.Setting != k || p.ToFit != g.ToFit {
				t.Errorf("%s is of setting %d, listed in %d", p.ID, p.Setting, k)
			}
			for end, c := range []Cut{g.Low, g.High} {
				own := all[n-1].Ends[end]
				if square := c.Long == pieces.Neither; square && c.Dial != 0 {
					t.Errorf("%s: a square cut of %g°", p.ID, c.Dial)
				} else if !square && own.LongPoint != c.Long && oneWay(all, end) {
					t.Errorf("%s: long point on the %s, its own on the %s", p.ID, c.Long, own.LongPoint)
				}
				// A joint is closed, or the sheet says that it is not.
				off := math.Abs(math.Abs(p.Bevels[end]) - c.Dial)
				if open := l.Width * math.Tan(off*math.Pi/180); set.Kind == pieces.Spindle && open > o.Joint+1e-9 && !g.ToFit && !strings.Contains(strings.Join(set.Notes, " "), p.ID) {
					t.Errorf("%s stands open by %g mm, and nothing says so", p.ID, open)
				}
			}
			// The stop is off the middle of what fits by no more than the verdict and
			// the rounding have it: a piece in a batch of its own would not be.
			if !g.ToFit && set.Cut == fit.Graded {
				if off := math.Abs(g.Stop - p.Needed - (o.House.Long-o.House.Short)/2); off > (o.House.Long+o.House.Short)/2+0.05 {
					t.Errorf("%s: stop %g for %g", p.ID, g.Stop, p.Needed)
				}
			}
			if p.Last && !(g.Stop >= p.Expected+2*p.U-1e-6) {
				t.Errorf("%s: a blank of %g for %g ±%g", p.ID, g.Stop, p.Expected, 2*p.U)
			}
		}
	}
	for i, n := range of {
		if n != 1 {
			t.Errorf("%s is cut %d times", set.Pieces[i].ID, n)
		}
	}
	if spares != set.Spares || set.Spares < 1 {
		t.Errorf("%ss: %d spares shared out, want %d", set.Kind, spares, set.Spares)
	}
	if set.Kind != pieces.Spindle && !set.Pieces[len(all)-1].ToFit {
		t.Errorf("the last %s is not cut to fit", set.Kind)
	}
	return len(all) + set.Spares
}

// edgeLength is the length of a side, NaN when the piece has no such side.
func edgeLength(p pieces.Piece, s pieces.Side) float64 {
	for _, e := range p.Edges {
		if e.Side == s {
			return e.Length
		}
	}
	return math.NaN()
}
