package pieces_test

import (
	"errors"
	"math"
	"strings"
	"testing"

	"github.com/google/go-cmp/cmp"
	"github.com/google/go-cmp/cmp/cmpopts"
	"pgregory.net/rapid"

	"pinchrod/calc/calctest"
	"pinchrod/calc/frame"
	"pinchrod/calc/layout"
	"pinchrod/calc/pieces"
)

var _ pieces.Bay = frame.Plane{}

var close9 = cmpopts.EquateApprox(0, 1e-9)

// edgeLength is the length of a side, NaN when the piece has no such side.
func edgeLength(p pieces.Piece, s pieces.Side) float64 {
	for _, e := range p.Edges {
		if e.Side == s {
			return e.Length
		}
	}
	return math.NaN()
}

// A bay at the pitch of a 3-4-5 triangle: run 1200, pitch tan 3/4 (cos 4/5), gap 700, posts plumb, rails straight and
// parallel, nine spindles of 40 that leave (1200 − 360)/10 = 84 level, 105 along the rail.
var (
	trueBay      = frame.Plane{Run: 1200, BaseSlope: 0.75, RailSlope: 0.75, Gap: 700}
	trueStations = []float64{104, 228, 352, 476, 600, 724, 848, 972, 1096}
	truePitch    = math.Atan(0.75)
)

func all(t *testing.T, b pieces.Bay, stations []float64, width, thickness float64) (spindles, base, rail []pieces.Piece) {
	t.Helper()
	spindles, err := pieces.Spindles(b, stations, width)
	if err != nil {
		t.Fatal(err)
	}
	base, err = pieces.BaseFillets(b, stations, width, thickness)
	if err != nil {
		t.Fatal(err)
	}
	rail, err = pieces.RailFillets(b, stations, width, thickness)
	if err != nil {
		t.Fatal(err)
	}
	return spindles, base, rail
}

func TestTrueBay(t *testing.T) {
	spindles, base, rail := all(t, trueBay, trueStations, 40, 8)
	if len(spindles) != 9 || len(base) != 10 || len(rail) != 10 {
		t.Fatalf("%d spindles, %d and %d fillets; want 9, 10 and 10", len(spindles), len(base), len(rail))
	}
	for i, x := range trueStations {
		want := pieces.Piece{
			Kind: pieces.Spindle, Number: i + 1, X: x, Length: 700,
			Edges: [2]pieces.Edge{{Side: pieces.LowerEdge, Length: 700}, {Side: pieces.UpperEdge, Length: 700}},
			Ends: [2]pieces.End{
				{Bevel: truePitch, LongPoint: pieces.LowerEdge},
				{Bevel: truePitch, LongPoint: pieces.UpperEdge},
			},
			Blank: 730, // the cut rises 40·3/4 across the section
			Stop:  700,
		}
		if diff := cmp.Diff(want, spindles[i], close9); diff != "" {
			t.Error(diff)
		}
	}
	for i := range 10 {
		want := pieces.Piece{
			Kind: pieces.BaseFillet, Number: i + 1, X: 42 + 124*float64(i), Length: 105,
			Edges: [2]pieces.Edge{{Side: pieces.RailFace, Length: 105}, {Side: pieces.OpenFace, Length: 105}},
			Ends: [2]pieces.End{
				{Bevel: truePitch, LongPoint: pieces.RailFace},
				{Bevel: truePitch, LongPoint: pieces.OpenFace},
			},
			Blank: 111, // the cut runs on by 8·3/4
			Stop:  105,
		}
		if diff := cmp.Diff(want, base[i], close9); diff != "" {
			t.Error(diff)
		}
		want.Kind = pieces.RailFillet
		want.Edges[0].Side, want.Edges[1].Side = pieces.OpenFace, pieces.RailFace
		want.Ends[0].LongPoint, want.Ends[1].LongPoint = pieces.OpenFace, pieces.RailFace
		if diff := cmp.Diff(want, rail[i], close9); diff != "" {
			t.Error(diff)
		}
	}
}

func TestLandingIsSquare(t *testing.T) {
	level := frame.Plane{Run: 1200, Gap: 900}
	spindles, base, rail := all(t, level, trueStations, 40, 8)
	for _, group := range [][]pieces.Piece{spindles, base, rail} {
		for _, p := range group {
			want := 84.0
			if p.Kind == pieces.Spindle {
				want = 900
			}
			for _, got := range []float64{p.Length, p.Edges[0].Length, p.Edges[1].Length, p.Blank, p.Stop} {
				if !calctest.Near(got, want, 1e-9) {
					t.Errorf("%s %d: %g, want %g", p.Kind, p.Number, got, want)
				}
			}
			for _, e := range p.Ends {
				if !calctest.Near(e.Bevel, 0, 1e-12) || e.LongPoint != pieces.Neither {
					t.Errorf("%s %d: end %+v, want square", p.Kind, p.Number, e)
				}
			}
		}
	}
}

// Level rails and posts that both lean by 3 in 4 up the stair (no post does, but the figures are by hand): everything is
// a rhomboid. A spindle is 400 high, so 500 long, 40 wide and level 50; the run of 1000 takes three with 212.5 between.
func TestLeaningByHand(t *testing.T) {
	b := frame.Plane{Run: 1000, LeanLower: 0.75, LeanUpper: 0.75, Gap: 400}
	spindles, base, rail := all(t, b, []float64{237.5, 500, 762.5}, 40, 12)
	for _, p := range spindles {
		if got := []float64{p.Length, p.Edges[0].Length, p.Edges[1].Length, p.Blank}; !cmp.Equal(got, []float64{500, 500, 500, 530}, close9) {
			t.Errorf("spindle %d: %v, want 500, 500, 500, 530", p.Number, got)
		}
	}
	for _, p := range append(base, rail...) {
		if got := []float64{p.Length, p.Edges[0].Length, p.Edges[1].Length, p.Blank}; !cmp.Equal(got, []float64{212.5, 212.5, 212.5, 221.5}, close9) {
			t.Errorf("%s %d: %v, want 212.5, 212.5, 212.5, 221.5", p.Kind, p.Number, got)
		}
		if !cmp.Equal(p.Ends[0].Bevel, truePitch, close9) {
			t.Errorf("%s %d: bevel %g, want %g", p.Kind, p.Number, p.Ends[0].Bevel, truePitch)
		}
	}
	if got := rail[0].X - base[0].X; !cmp.Equal(got, 300.0, close9) {
		t.Errorf("the first rail fillet is %g farther than the base fillet, want 300", got)
	}
}

// Splayed posts make the ends of the first and last fillets differ, and the faces of one that lies between them.
func TestFirstAndLastDiffer(t *testing.T) {
	b := trueBay
	b.LeanLower, b.LeanUpper = -0.02, 0.01
	_, base, rail := all(t, b, trueStations, 40, 8)
	first, last := base[0], base[9]
	if got, want := first.Ends[0].Bevel, truePitch-math.Atan(0.02); !calctest.Near(got, want, 1e-12) {
		t.Errorf("first fillet against the lower post: bevel %g, want %g", got, want)
	}
	if got, want := last.Ends[1].Bevel, truePitch+math.Atan(0.01); !calctest.Near(got, want, 1e-12) {
		t.Errorf("last fillet against the upper post: bevel %g, want %g", got, want)
	}
	for i := range base {
		if edgeLength(base[i], pieces.OpenFace) <= base[i].Length || edgeLength(rail[i], pieces.OpenFace) >= rail[i].Length {
			t.Errorf("fillets %d: faces %v and %v; the opening widens upwards", i+1, base[i].Edges, rail[i].Edges)
		}
		if rail[i].Length <= base[i].Length {
			t.Errorf("fillet %d: %g under the handrail, %g on the base rail", i+1, rail[i].Length, base[i].Length)
		}
	}
}

func TestTrapezoid(t *testing.T) {
	// Base rail level, handrail down by 1 in 10: bevels 0 and −, so the lower edge is the longer by 4, and holds the stop.
	b := frame.Plane{Run: 1000, RailSlope: -0.1, Gap: 900}
	p, err := pieces.Spindles(b, []float64{500}, 40)
	if err != nil {
		t.Fatal(err)
	}
	want := pieces.Piece{
		Kind: pieces.Spindle, Number: 1, X: 500, Length: 850,
		Edges: [2]pieces.Edge{{Side: pieces.LowerEdge, Length: 852}, {Side: pieces.UpperEdge, Length: 848}},
		Ends:  [2]pieces.End{{}, {Bevel: -math.Atan(0.1), LongPoint: pieces.LowerEdge}},
		Blank: 852, Stop: 852,
	}
	if diff := cmp.Diff([]pieces.Piece{want}, p, close9); diff != "" {
		t.Error(diff)
	}
	if !math.IsNaN(edgeLength(p[0], pieces.RailFace)) {
		t.Error("a spindle has a rail face")
	}
}

func TestRefusals(t *testing.T) {
	nan := math.NaN()
	change := func(f func(*frame.Plane)) frame.Plane {
		b := trueBay
		f(&b)
		return b
	}
	for _, c := range []struct {
		name     string
		bay      frame.Plane
		stations []float64
		width    float64
		want     error
		says     string
	}{
		{"no run", change(func(b *frame.Plane) { b.Run = 0 }), trueStations, 40, pieces.ErrInput, "run 0"},
		{"run not a number", change(func(b *frame.Plane) { b.Run = nan }), trueStations, 40, pieces.ErrInput, "run NaN"},
		{"run without end", change(func(b *frame.Plane) { b.Run = math.Inf(1) }), trueStations, 40, pieces.ErrInput, "run +Inf"},
		{"width without end", trueBay, trueStations, math.Inf(1), pieces.ErrInput, "width +Inf"},
		{"station at the lower post", trueBay, []float64{0}, 40, pieces.ErrInput, "spindle 1 at 0 mm"},
		{"station at the upper post", trueBay, []float64{1200}, 40, pieces.ErrInput, "spindle 1 at 1200 mm"},
		{"station twice", trueBay, []float64{300, 300}, 40, pieces.ErrInput, "spindle 2 at 300 mm"},
		{"rails that touch", change(func(b *frame.Plane) { b.Gap = 0 }), trueStations, 40, pieces.ErrNoRoom, "0.0 mm are left"},
		{"no width", trueBay, trueStations, 0, pieces.ErrInput, "width 0"},
		{"width not a number", trueBay, trueStations, nan, pieces.ErrInput, "width NaN"},
		{"stations out of order", trueBay, []float64{300, 200}, 40, pieces.ErrInput, "spindle 2 at 200 mm, want between 300 and 1200"},
		{"station not a number", trueBay, []float64{nan}, 40, pieces.ErrInput, "spindle 1 at NaN"},
		{"station past the post", trueBay, []float64{1300}, 40, pieces.ErrInput, "spindle 1 at 1300"},
		{"slope not a number", change(func(b *frame.Plane) { b.BaseSlope = nan }), trueStations, 40, pieces.ErrInput, "has no length"},
		{"lean not a number", change(func(b *frame.Plane) { b.LeanUpper = nan }), trueStations, 40, pieces.ErrInput, "run NaN"},
		{"bow without end", change(func(b *frame.Plane) { b.BowRail = math.Inf(1) }), trueStations, 40, pieces.ErrInput, "has no length"},
		{"rails that meet", change(func(b *frame.Plane) { b.Gap = -1 }), trueStations, 40, pieces.ErrNoRoom, "spindle 1 at 104.0 mm: -1.0 mm"},
	} {
		t.Run(c.name, func(t *testing.T) {
			_, err := pieces.Spindles(c.bay, c.stations, c.width)
			if !errors.Is(err, c.want) || !strings.Contains(err.Error(), c.says) {
				t.Errorf("got %v, want %v that says %q", err, c.want, c.says)
			}
		})
	}
	if _, err := pieces.BaseFillets(trueBay, []float64{300, 340}, 40, 8); !errors.Is(err, pieces.ErrNoRoom) {
		t.Errorf("touching spindles: got %v, want %v", err, pieces.ErrNoRoom)
	}
	if _, err := pieces.RailFillets(trueBay, []float64{15}, 40, 8); !errors.Is(err, pieces.ErrNoRoom) {
		t.Errorf("a spindle in the post: got %v, want %v", err, pieces.ErrNoRoom)
	}
	for _, thickness := range []float64{-1, nan, math.Inf(1)} {
		if _, err := pieces.BaseFillets(trueBay, trueStations, 40, thickness); !errors.Is(err, pieces.ErrInput) {
			t.Errorf("thickness %g: got %v, want %v", thickness, err, pieces.ErrInput)
		}
	}
	if got := pieces.SpindleLengths(change(func(b *frame.Plane) { b.Gap = nan }), trueStations, 40); !math.IsNaN(got[0]) {
		t.Errorf("length without a gap is %g, want NaN", got[0])
	}
}

// No figures make it panic, and what is handed back without an error is finite.
func TestAnyFigures(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		figure := rapid.OneOf(rapid.Float64(), rapid.Float64Range(-2, 2), rapid.Float64Range(1, 4000),
			rapid.SampledFrom([]float64{0, math.NaN(), math.Inf(1), math.Inf(-1)}))
		x := rapid.SliceOfN(figure, 8, 8).Draw(t, "plane")
		b, err := frame.FromVector(x)
		if err != nil {
			t.Fatal(err)
		}
		stations := rapid.SliceOfN(figure, 0, 4).Draw(t, "stations")
		width, thickness := figure.Draw(t, "width"), figure.Draw(t, "thickness")
		spindles, err1 := pieces.Spindles(b, stations, width)
		base, err2 := pieces.BaseFillets(b, stations, width, thickness)
		rail, err3 := pieces.RailFillets(b, stations, width, thickness)
		for i, group := range [][]pieces.Piece{spindles, base, rail} {
			if [...]error{err1, err2, err3}[i] != nil && group != nil {
				t.Error("pieces beside an error")
			}
			for _, p := range group {
				for _, f := range []float64{p.Length, p.Blank, p.Stop, p.Ends[0].Bevel, p.Ends[1].Bevel, p.X} {
					if math.IsNaN(f) || math.IsInf(f, 0) {
						t.Errorf("%+v", p)
					}
				}
			}
		}
		pieces.SpindleLengths(b, stations, width)
		pieces.BaseFilletLengths(b, stations, width)
		pieces.RailFilletLengths(b, stations, width)
	})
}

// filled is a bay as found and its spindles.
type filled struct {
	frame.Plane
	Stations         []float64
	Width, Thickness float64
}

func bays(bowed bool) *rapid.Generator[filled] {
	return rapid.Custom(func(t *rapid.T) filled {
		f := filled{
			Plane: frame.Plane{
				Run:       rapid.Float64Range(400, 4000).Draw(t, "run"),
				LeanLower: rapid.Float64Range(-0.02, 0.02).Draw(t, "lean lower"),
				LeanUpper: rapid.Float64Range(-0.02, 0.02).Draw(t, "lean upper"),
				BaseSlope: rapid.Float64Range(-1, 1).Draw(t, "base slope"),
				Gap:       rapid.Float64Range(400, 1000).Draw(t, "gap"),
			},
			Width:     rapid.Float64Range(20, 60).Draw(t, "width"),
			Thickness: rapid.Float64Range(0, 15).Draw(t, "thickness"),
		}
		f.RailSlope = f.BaseSlope + rapid.Float64Range(-0.02, 0.02).Draw(t, "taper")
		if bowed {
			f.BowBase = rapid.Float64Range(-10, 10).Draw(t, "bow of the base rail")
			f.BowRail = rapid.Float64Range(-10, 10).Draw(t, "bow of the handrail")
		}
		l, err := layout.Choose(layout.In{Run: f.Run, LeanLower: f.LeanLower, LeanUpper: f.LeanUpper, Pitch: f.BaseSlope, Height: f.Gap,
			Width: f.Width, Opening: 100 + f.Width})
		if err != nil {
			t.Fatal(err)
		}
		f.Stations = l.Stations
		return f
	})
}

// The clear gaps of a layout are what the fillets leave between the spindles, on either rail: a fillet of length L
// between faces that lean by λ on a rail pitched by p = tan θ leaves L·cos(θ+λ)/cos λ on the level. Of a section
// w·(1/cos λ − 1) ≤ w·l²/2 = 0.012 mm is left out of the gap. Where neighbours' leans differ by δ it also counts how high
// the gap is taken: the layout has it halfway between their middles, which is w·p/4 off halfway between a post's face and
// a spindle's; and h above that, where what leans by l has met the handrail h·l·p/(1 − l·p) higher.
func TestFilletsLeaveTheGaps(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		f := bays(false).Draw(t, "bay")
		f.RailSlope = f.BaseSlope // the layout counts up square to the base rail's pitch
		l, err := layout.Choose(layout.In{Run: f.Run, LeanLower: f.LeanLower, LeanUpper: f.LeanUpper, Pitch: f.BaseSlope,
			Height: f.Gap, Width: f.Width, Opening: 100 + f.Width})
		if err != nil || l.Count == 0 {
			return
		}
		base, err := pieces.BaseFillets(f, l.Stations, f.Width, f.Thickness)
		if err != nil {
			t.Fatal(err)
		}
		rail, err := pieces.RailFillets(f, l.Stations, f.Width, f.Thickness)
		if err != nil {
			t.Fatal(err)
		}
		p, most := math.Abs(f.BaseSlope), max(math.Abs(f.LeanLower), math.Abs(f.LeanUpper))
		apart := math.Abs(f.LeanUpper-f.LeanLower) / float64(l.Count+1) * 1.1 // spindles are farther apart than a post and a spindle
		tol := 0.015 + apart*(f.Width*p/4+f.Gap*most*p/(1-most*p))
		for i, s := range l.Spaces {
			for _, c := range []struct {
				name string
				p    pieces.Piece
				want float64
			}{{"base rail", base[i], s.Bottom}, {"handrail", rail[i], s.Top}} {
				bevel, pitch := (c.p.Ends[0].Bevel+c.p.Ends[1].Bevel)/2, math.Atan(f.BaseSlope)
				if got := c.p.Length * math.Cos(bevel) / math.Cos(bevel-pitch); !calctest.Near(got, c.want, tol) {
					t.Errorf("space %d at the %s: the fillets leave %.3f mm, the layout says %.3f ±%.3f", i+1, c.name, got, c.want, tol)
				}
			}
		}
	})
}

func lengths(ps []pieces.Piece) []float64 {
	out := make([]float64, len(ps))
	for i, p := range ps {
		out[i] = p.Length
	}
	return out
}

// Fillets and the spindles between them fill a straight rail from post to post.
func TestPiecesFillTheRails(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		f := bays(false).Draw(t, "bay")
		spindles, err := pieces.Spindles(f, f.Stations, f.Width)
		if err != nil {
			t.Fatal(err)
		}
		base, rail := 0.0, 0.0
		for _, p := range spindles {
			base += f.Width / math.Cos(p.Ends[0].Bevel)
			rail += f.Width / math.Cos(p.Ends[1].Bevel)
		}
		for _, length := range pieces.BaseFilletLengths(f, f.Stations, f.Width) {
			base += length
		}
		for _, length := range pieces.RailFilletLengths(f, f.Stations, f.Width) {
			rail += length
		}
		if want := f.Run * math.Hypot(1, f.BaseSlope); !calctest.Near(base, want, 1e-8) {
			t.Errorf("base rail: %g, want %g", base, want)
		}
		// Where the leaning post faces meet the handrail, by hand.
		q, a, b := f.RailSlope, f.LeanLower, f.LeanUpper
		from := a * f.Gap / (1 - a*q)
		to := f.Run + b*(f.Gap+(q-f.BaseSlope)*f.Run)/(1-b*q)
		if want := (to - from) * math.Hypot(1, q); !calctest.Near(rail, want, 1e-8) {
			t.Errorf("handrail: %g, want %g", rail, want)
		}
	})
}

// A bay seen from the other side has the same pieces, the other way round.
func TestMirror(t *testing.T) {
	swap := map[pieces.Side]pieces.Side{
		pieces.LowerEdge: pieces.UpperEdge, pieces.UpperEdge: pieces.LowerEdge,
		pieces.RailFace: pieces.RailFace, pieces.OpenFace: pieces.OpenFace,
		pieces.Neither: pieces.Neither,
	}
	rapid.Check(t, func(t *rapid.T) {
		f := bays(true).Draw(t, "bay")
		m := f
		m.Plane = frame.Plane{
			Run: f.Run, LeanLower: -f.LeanUpper, LeanUpper: -f.LeanLower, BaseSlope: -f.BaseSlope, RailSlope: -f.RailSlope,
			Gap: f.GapAt(f.Run), BowBase: f.BowBase, BowRail: f.BowRail,
		}
		m.Stations = nil
		for i := range f.Stations {
			m.Stations = append(m.Stations, f.Run-f.Stations[len(f.Stations)-1-i])
		}
		cut := func(f filled) [3][]pieces.Piece {
			spindles, err1 := pieces.Spindles(f, f.Stations, f.Width)
			base, err2 := pieces.BaseFillets(f, f.Stations, f.Width, f.Thickness)
			rail, err3 := pieces.RailFillets(f, f.Stations, f.Width, f.Thickness)
			if err := errors.Join(err1, err2, err3); err != nil {
				t.Fatal(err)
			}
			return [3][]pieces.Piece{spindles, base, rail}
		}
		found, mirrored := cut(f), cut(m)
		for g := range found {
			for i, p := range found[g] {
				q := mirrored[g][len(found[g])-1-i]
				same := math.Abs(p.Length-q.Length) < 1e-8 && math.Abs(p.Blank-q.Blank) < 1e-8
				for _, e := range p.Edges {
					same = same && math.Abs(e.Length-edgeLength(q, swap[e.Side])) < 1e-8
				}
				for end := range p.Ends {
					o := end
					if p.Kind != pieces.Spindle {
						o = 1 - end
					}
					same = same && math.Abs(p.Ends[end].Bevel+q.Ends[o].Bevel) < 1e-9
					if math.Abs(p.Ends[end].Bevel) > 1e-6 {
						same = same && p.Ends[end].LongPoint == swap[q.Ends[o].LongPoint]
					}
				}
				if !same {
					t.Errorf("found %+v, mirrored %+v", p, q)
				}
			}
		}
	})
}

// A long point reaches beyond the other side: cutting there shortens the blank by what the bevel makes across.
func TestLongPoints(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		f := bays(false).Draw(t, "bay")
		spindles, err := pieces.Spindles(f, f.Stations, f.Width)
		if err != nil {
			t.Fatal(err)
		}
		for _, p := range spindles {
			if math.Abs(p.Ends[0].Bevel) < 1e-6 || math.Abs(p.Ends[1].Bevel) < 1e-6 {
				continue // square, or nearly
			}
			long := map[bool]pieces.Side{true: pieces.LowerEdge, false: pieces.UpperEdge}[p.Ends[0].Bevel > 0]
			if p.Ends[0].LongPoint != long {
				t.Errorf("spindle %d: long point at the foot on the %s with bevel %g", p.Number, p.Ends[0].LongPoint, p.Ends[0].Bevel)
			}
			// From the long point along its own edge to the cut, and on from there to the other long point if that is across.
			want := edgeLength(p, long)
			if p.Ends[1].LongPoint != long {
				want += f.Width * math.Abs(math.Tan(p.Ends[1].Bevel))
			}
			if !calctest.Near(p.Blank, want, 1e-8) || p.Stop != edgeLength(p, long) {
				t.Errorf("spindle %d: blank %g, stop %g; want %g and %g", p.Number, p.Blank, p.Stop, want, edgeLength(p, long))
			}
		}
	})
}

func BenchmarkLengths(b *testing.B) {
	f := trueBay
	f.LeanLower, f.LeanUpper, f.BowBase, f.BowRail = 0.004, -0.003, 3, -2
	for b.Loop() {
		pieces.SpindleLengths(f, trueStations, 40)
		pieces.BaseFilletLengths(f, trueStations, 40)
		pieces.RailFilletLengths(f, trueStations, 40)
	}
}
