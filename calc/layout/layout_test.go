package layout

import (
	"errors"
	"math"
	"slices"
	"strings"
	"testing"

	"github.com/google/go-cmp/cmp"
	"pgregory.net/rapid"

	"pinchrod/calc/calctest"
)

// A clear run of 1254 with spindles of 40, 90 aimed at and 100 the limit: n = (1254−90)/130 = 8.95, so 9 spindles and
// gaps of 89.4 mm (common practice, no source).
func TestTradeExample(t *testing.T) {
	l, err := Choose(In{Run: 1254, Height: 800, Width: 40, Target: 90, Opening: 100})
	if err != nil {
		t.Fatal(err)
	}
	if l.Count != 9 || !calctest.Near(l.ClearGap, 89.4, 1e-9) || !calctest.Near(l.WidestGap, 89.4, 1e-9) {
		t.Errorf("got %d spindles, gaps %g, widest %g; want 9, 89.4, 89.4", l.Count, l.ClearGap, l.WidestGap)
	}
	// Eight leave 934/9 = 103.8, which is nearer than ten's 854/11 = 77.6 but too wide.
	if l.RunnerUp == nil || l.RunnerUp.Count != 10 || !calctest.Near(l.RunnerUp.ClearGap, 854.0/11, 1e-9) {
		t.Errorf("runner-up %+v, want 10 spindles with gaps of %g", l.RunnerUp, 854.0/11)
	}
	if !calctest.Near(l.Stations[0], 109.4, 1e-9) || !calctest.Near(l.Stations[8], 1254-109.4, 1e-9) || l.Stations[4] != 627 {
		t.Errorf("stations %v, want 109.4 … 627 … 1144.6", l.Stations)
	}
	eight := l.Candidates[8]
	if eight.Allowed || !calctest.Near(eight.ClearGap, 934.0/9, 1e-9) {
		t.Errorf("eight: %+v, want gaps of %g not allowed", eight, 934.0/9)
	}
}

func TestChoose(t *testing.T) {
	constant := func(u float64) func(int) float64 { return func(int) float64 { return u } }
	// Posts that splay by 30 mm/m over 800 mm give the run 24 mm more at the top: k = 1 + 24/1200 = 1.02.
	splayed := In{Run: 1200, LeanLower: -0.01, LeanUpper: 0.02, Height: 800, Width: 40, Opening: 100}
	for _, c := range []struct {
		name          string
		in            In
		count, runner int // −1: none
		gap, widest   float64
		space         int
		height        float64
	}{
		{"the limit itself is allowed", In{Run: 1360, Width: 40, Target: 100, Opening: 100}, 9, 10, 100, 100, 1, 0},
		{"just over the limit is not", In{Run: 1360.01, Width: 40, Target: 100, Opening: 100}, 10, 11, 960.01 / 11, 960.01 / 11, 1, 0},
		{"limit with uncertainty", In{Run: 1360, Width: 40, Target: 100, Opening: 100.4, GapU: constant(0.2)}, 9, 10, 100, 100, 1, 0},
		{"over with uncertainty", In{Run: 1360, Width: 40, Target: 100, Opening: 100.3, GapU: constant(0.2)}, 10, 11, 960.0 / 11, 960.0 / 11, 1, 0},
		{"default target", In{Run: 1254, Width: 40, Opening: 120}, 9, 10, 89.4, 89.4, 1, 0},
		// One leaves (260−20)/2 = 120, two leave (260−40)/3 = 73.3, and the target is half-way.
		{"tie takes the smaller count", In{Run: 260, Width: 20, Target: 290.0 / 3, Opening: 200}, 1, 2, 120, 120, 1, 0},
		{"no spindle needed", In{Run: 80, Width: 40, Opening: 100}, 0, 1, 80, 80, 1, 0},
		{"no rule, so nearest the target", In{Run: 1254, Width: 40, Target: 104, Opening: math.Inf(1)}, 8, 9, 934.0 / 9, 934.0 / 9, 1, 0},
		// Eight leave 97.8, which at the top become 100.5: nine it is.
		{"splayed posts", splayed, 9, 10, 84, 124*1.02 - 40, 2, 800},
		// Posts that lean down a stair rising at 45° by 10 mm/m: k = 1.01. Nine of 40 take 40/1.01 each of the run and leave
		// (1254·1.01 − 360)/10 = 90.654, 1.254 more than their feet are apart.
		{"leaning down a stair", In{Run: 1254, LeanLower: -0.01, LeanUpper: -0.01, Pitch: 1, Height: 800, Width: 40, Opening: 100}, 9, 10, 90.654, 90.654, 1, 0},
		{"too wide for their lean", In{Run: 1254, LeanLower: -0.01, LeanUpper: -0.01, Pitch: 1, Height: 800, Width: 40, Opening: 90}, 10, 11, (1254*1.01 - 400) / 11, (1254*1.01 - 400) / 11, 1, 0},
		{"leaning up a stair", In{Run: 1254, LeanLower: 0.01, LeanUpper: 0.01, Pitch: 1, Height: 800, Width: 40, Opening: 100}, 9, 10, (1254*0.99 - 360) / 10, (1254*0.99 - 360) / 10, 1, 0},
		// From plumb to 10 mm/m down the stair: the last space is the widest, and the top is narrower.
		{"leaning more and more", In{Run: 1254, LeanUpper: -0.01, Pitch: 1, Height: 800, Width: 40, Opening: 100}, 9, 10, (1254*1.005 - 360) / 10, widestOfLast(1254, 9, 40, 0.01), 10, 0},
		{"turned spindles", In{Run: 1254, Width: 41, Thin: 20, Opening: 100}, 11, 10, 1034.0 / 12, 1034.0 / 12, 1, 0},
	} {
		t.Run(c.name, func(t *testing.T) {
			l, err := Choose(c.in)
			if err != nil {
				t.Fatal(err)
			}
			runner := -1
			if l.RunnerUp != nil {
				runner = l.RunnerUp.Count
			}
			if l.Count != c.count || runner != c.runner {
				t.Errorf("got %d, then %d; want %d, then %d", l.Count, runner, c.count, c.runner)
			}
			if !calctest.Near(l.ClearGap, c.gap, 1e-9) || !calctest.Near(l.WidestGap, c.widest, 1e-9) {
				t.Errorf("gaps %g, widest %g; want %g, %g", l.ClearGap, l.WidestGap, c.gap, c.widest)
			}
			if l.WidestSpace != c.space || l.WidestHeight != c.height {
				t.Errorf("widest in space %d at %g, want %d at %g", l.WidestSpace, l.WidestHeight, c.space, c.height)
			}
		})
	}
}

// widestOfLast is the gap after the last of n spindles of width w in a run, between a plumb lower post and an upper one
// that leans down a stair of 45° by lean.
func widestOfLast(run float64, n int, w, lean float64) float64 {
	foot := w / (1 + lean/2)
	left := (run-float64(n)*foot)/float64(n+1) + foot/2 // of the rail, beyond the last spindle's middle
	return left*(1+lean*(run-left/2)/run) - w/2
}

func TestTurnedSpindles(t *testing.T) {
	// Ten of 41, thinned to 21: thin gaps (1310−210)/11 = 100, squares 21/2 from a thin edge are 10 less at a post and
	// 20 less between spindles.
	l, err := Count(In{Run: 1310, Height: 700, Width: 41, Thin: 21, Opening: 99}, 10)
	if err != nil {
		t.Fatal(err)
	}
	if l.Allowed {
		t.Error("a gap of 100 was allowed in an opening of 99")
	}
	for i, s := range l.Spaces {
		fillet := 80.0
		if i == 0 || i == 10 {
			fillet = 90
		}
		if !calctest.Near(s.Bottom, 100, 1e-9) || !calctest.Near(s.Top, 100, 1e-9) || !calctest.Near(s.Fillet, fillet, 1e-9) {
			t.Errorf("space %d: %+v, want gaps of 100 and a fillet gap of %g", i+1, s, fillet)
		}
	}
}

func TestRefusals(t *testing.T) {
	good := In{Run: 1254, Height: 800, Width: 40, Opening: 100}
	change := func(f func(*In)) In {
		in := good
		f(&in)
		return in
	}
	nan := math.NaN()
	for _, c := range []struct {
		name string
		in   In
		want error
		says string
	}{
		{"run not a number", change(func(in *In) { in.Run = nan }), ErrInput, "run NaN"},
		{"no run", change(func(in *In) { in.Run = 0 }), ErrInput, "run 0"},
		{"endless run", change(func(in *In) { in.Run = math.Inf(1) }), ErrInput, "run +Inf"},
		{"no width", change(func(in *In) { in.Width = 0 }), ErrInput, "spindle width 0"},
		{"thick thin part", change(func(in *In) { in.Thin = 50 }), ErrInput, "at most the width at the rails, 40 mm"},
		{"negative target", change(func(in *In) { in.Target = -1 }), ErrInput, "target gap -1"},
		{"no opening", change(func(in *In) { in.Opening = 0 }), ErrInput, "opening 0"},
		{"height below nothing", change(func(in *In) { in.Height = -1 }), ErrInput, "height -1"},
		{"lean not a number", change(func(in *In) { in.LeanUpper = nan }), ErrInput, "lean of the upper post NaN"},
		{"pitch not a number", change(func(in *In) { in.Pitch = nan }), ErrInput, "pitch NaN"},
		{"a post along the rail", change(func(in *In) { in.Pitch, in.LeanUpper = 2, 0.5 }), ErrInput, "leans as far as the rail"},
		{"posts that meet", change(func(in *In) { in.Run, in.LeanLower, in.LeanUpper = 100, 0.1, -0.1 }), ErrInput, "posts meet"},
		{"uncertainty not a number", change(func(in *In) { in.GapU = func(int) float64 { return nan } }), ErrInput, "NaN mm with 0"},
		{"no room", change(func(in *In) { in.Run, in.Opening = 35, 30 }), ErrTooNarrow, "a narrower spindle would fit"},
		// Two of 60 do not fit in 110 and one leaves 25; one must be 110 − 2·20 = 70.
		{"no count", change(func(in *In) { in.Run, in.Width, in.Opening = 110, 60, 20 }), ErrNoCount, "1 that are nowhere thinner than 70.0 mm"},
		{"uncertainty over the opening", change(func(in *In) { in.GapU = func(int) float64 { return 51 } }), ErrNoCount, "measure the run again"},
	} {
		t.Run(c.name, func(t *testing.T) {
			_, err := Choose(c.in)
			if !errors.Is(err, c.want) {
				t.Fatalf("got %v, want %v", err, c.want)
			}
			if !strings.Contains(err.Error(), c.says) {
				t.Errorf("%q does not say %q", err, c.says)
			}
		})
	}
	for _, n := range []int{-1, 1001} {
		if _, err := Count(good, n); !errors.Is(err, ErrInput) {
			t.Errorf("count of %d: got %v, want %v", n, err, ErrInput)
		}
	}
	if _, err := Count(good, 32); !errors.Is(err, ErrTooNarrow) || !strings.Contains(err.Error(), "room for 31") {
		t.Errorf("got %v, want room for 31", err) // 31·40 = 1240 fit in 1254, 32 do not
	}
}

// Posts that close by 20 mm over the height leave 40.44·(1 − 20/1254) = 39.8 for each of 31 at the top.
func TestRoomAtTheTop(t *testing.T) {
	in := In{Run: 1254, LeanLower: 0.025, Height: 800, Width: 40, Opening: 100}
	if _, err := Count(in, 31); !errors.Is(err, ErrTooNarrow) || !strings.Contains(err.Error(), "room for 30") {
		t.Errorf("got %v, want room for 30", err)
	}
	if l, err := Count(in, 30); err != nil || l.WidestHeight != 0 {
		t.Errorf("got a widest gap at %g, %v; want it at the base rail", l.WidestHeight, err)
	}
}

// What a refusal says would do, does, and a little less does not.
func TestRefusalIsRight(t *testing.T) {
	in := In{Run: 110, Width: 60, Opening: 20}
	for width, ok := range map[float64]bool{69.9: false, 70: true} {
		in.Width = width
		if _, err := Choose(in); (err == nil) != ok {
			t.Errorf("width %g: got %v", width, err)
		}
	}
	// Splayed: k = 1.1; two of 70 in 200 leave 20, at the top 90·1.1 − 70 = 29, and three do not fit. Needed for 15:
	// (200·1.1 − 3·15)/(3 − 1.1) = 92.1.
	in = In{Run: 200, LeanUpper: 0.02, Height: 1000, Width: 70, Opening: 15}
	_, err := Choose(in)
	if !errors.Is(err, ErrNoCount) || !strings.Contains(err.Error(), "2 that are nowhere thinner than 92.1") {
		t.Fatalf("got %v, want 2 of at least 92.1 mm", err)
	}
	in.Width = 175 / 1.9
	if l, err := Choose(in); err != nil || l.Count != 2 || !calctest.Near(l.WidestGap, 15, 1e-9) {
		t.Errorf("got %d, widest %g, %v; want 2 with 15", l.Count, l.WidestGap, err)
	}
}

func bays() *rapid.Generator[In] {
	return rapid.Custom(func(t *rapid.T) In {
		in := In{
			Run:       rapid.Float64Range(150, 4000).Draw(t, "run"),
			LeanLower: rapid.Float64Range(-0.02, 0.02).Draw(t, "lean lower"),
			LeanUpper: rapid.Float64Range(-0.02, 0.02).Draw(t, "lean upper"),
			Pitch:     rapid.Float64Range(-1.4, 1.4).Draw(t, "pitch"),
			Height:    rapid.Float64Range(0, 1100).Draw(t, "height"),
			Width:     rapid.Float64Range(15, 60).Draw(t, "width"),
			Target:    rapid.Float64Range(60, 110).Draw(t, "target"),
			Opening:   rapid.Float64Range(80, 130).Draw(t, "opening"),
		}
		if rapid.Bool().Draw(t, "turned") {
			in.Thin = in.Width * rapid.Float64Range(0.4, 1).Draw(t, "thin")
		}
		u := rapid.Float64Range(0, 3).Draw(t, "u of the run")
		in.GapU = func(n int) float64 { return u / float64(n+1) }
		return in
	})
}

// between is the level distance of two neighbours' middles, h above the rail halfway between their feet, each standing
// on the rail and leaning by itself: an independent way to the gaps.
func between(in In, from, to, h float64) float64 {
	at := func(x float64) float64 {
		lean := in.LeanLower + (in.LeanUpper-in.LeanLower)*x/in.Run
		return x + lean*(in.Pitch*(from+to)/2+h-in.Pitch*x)
	}
	return at(to) - at(from)
}

// gaps are the clear gaps of a layout, counted from foot to foot.
func gaps(in In, l Layout, width, h float64) []float64 {
	feet := append(append([]float64{0}, l.Stations...), in.Run)
	out := make([]float64, len(feet)-1)
	for i := range out {
		out[i] = between(in, feet[i], feet[i+1], h) - width
		if i == 0 {
			out[i] += width / 2
		}
		if i == l.Count {
			out[i] += width / 2
		}
	}
	return out
}

func TestGapsFillTheRunAtEveryHeight(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		in := bays().Draw(t, "bay")
		l, err := Choose(in)
		if errors.Is(err, ErrNoCount) {
			return
		}
		if err != nil {
			t.Fatal(err)
		}
		thin := in.Thin
		if thin == 0 {
			thin = in.Width
		}
		share := rapid.Float64Range(0, 1).Draw(t, "share of the height")
		h := share * in.Height
		f := gaps(in, l, thin, h)
		if len(l.Spaces) != l.Count+1 || len(l.Stations) != l.Count {
			t.Fatalf("%d spindles, %d spaces, %d stations", l.Count, len(l.Spaces), len(l.Stations))
		}
		// A neighbour's lean is off the mean by half of the posts' difference at most.
		off := math.Abs(in.LeanUpper-in.LeanLower)/2*math.Abs(in.Pitch)*(l.ClearGap+thin)*1.1 + 1e-8
		sum, widest := float64(l.Count)*thin, 0.0
		for i, s := range l.Spaces {
			if want := s.Bottom + share*(s.Top-s.Bottom); !calctest.Near(f[i], want, 1e-8) {
				t.Errorf("space %d at %g: got %g, want %g", i+1, h, want, f[i])
			}
			if !calctest.Near(s.Bottom, l.ClearGap, off) {
				t.Errorf("space %d: %g at the base rail, want %g ±%g", i+1, s.Bottom, l.ClearGap, off)
			}
			sum += f[i]
			widest = max(widest, s.Bottom, s.Top)
		}
		if run := in.Run*(1-in.Pitch*(in.LeanLower+in.LeanUpper)/2) + h*(in.LeanUpper-in.LeanLower); !calctest.Near(sum, run, 1e-8) {
			t.Errorf("gaps and spindles come to %g at %g, the run is %g", sum, h, run)
		}
		if !calctest.Near(widest, l.WidestGap, 1e-8) {
			t.Errorf("widest gap %g, want %g", l.WidestGap, widest)
		}
		at := l.Spaces[l.WidestSpace-1]
		if g := map[bool]float64{true: at.Top, false: at.Bottom}[l.WidestHeight > 0]; !calctest.Near(g, l.WidestGap, 1e-8) {
			t.Errorf("the widest gap is said to be in space %d at %g, where it is %g, not %g", l.WidestSpace, l.WidestHeight, g, l.WidestGap)
		}
		for i, gap := range gaps(in, l, in.Width, 0) {
			if s := l.Spaces[i]; !calctest.Near(gap, s.Fillet, 1e-8) || gap < -1e-8 {
				t.Errorf("space %d: fillet gap %g, want %g", i+1, s.Fillet, gap)
			}
		}
	})
}

// Nothing that is allowed and has room is nearer the target than the choice, nor than the runner-up but the choice.
func TestChoiceIsTheBest(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		in := bays().Draw(t, "bay")
		var allowed []Layout
		for n := 0; ; n++ {
			l, err := Count(in, n)
			if err != nil {
				break
			}
			if l.Allowed {
				allowed = append(allowed, l)
			}
		}
		slices.SortStableFunc(allowed, func(a, b Layout) int {
			da, db := math.Abs(a.ClearGap-in.Target), math.Abs(b.ClearGap-in.Target)
			switch {
			case calctest.Near(da, db, 1e-9):
				return a.Count - b.Count
			case da < db:
				return -1
			}
			return 1
		})
		l, err := Choose(in)
		if len(allowed) == 0 {
			if !errors.Is(err, ErrNoCount) {
				t.Fatalf("got %d, %v; nothing is allowed", l.Count, err)
			}
			return
		}
		if err != nil {
			t.Fatalf("got %v, want %d", err, allowed[0].Count)
		}
		if l.Count != allowed[0].Count {
			t.Errorf("got %d, want %d", l.Count, allowed[0].Count)
		}
		if diff := cmp.Diff(allowed[0].Stations, l.Stations); diff != "" {
			t.Error(diff)
		}
		if (l.RunnerUp == nil) != (len(allowed) == 1) || l.RunnerUp != nil && l.RunnerUp.Count != allowed[1].Count {
			t.Errorf("runner-up %+v among %d allowed", l.RunnerUp, len(allowed))
		}
	})
}

// A longer run never takes fewer spindles.
func TestCountRisesWithTheRun(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		in := bays().Draw(t, "bay")
		in.GapU = nil
		in.LeanUpper = in.LeanLower
		shorter, err := Choose(in)
		if err != nil {
			return
		}
		in.Run += rapid.Float64Range(0, 500).Draw(t, "more")
		longer, err := Choose(in)
		if err != nil {
			return
		}
		if longer.Count < shorter.Count {
			t.Errorf("%d in the longer run, %d in the shorter", longer.Count, shorter.Count)
		}
	})
}

// A bay seen from the other side is laid out the same.
func TestMirror(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		in := bays().Draw(t, "bay")
		l, err := Choose(in)
		if err != nil {
			return
		}
		in.LeanLower, in.LeanUpper, in.Pitch = -in.LeanUpper, -in.LeanLower, -in.Pitch
		m, err := Choose(in)
		if err != nil {
			t.Fatal(err)
		}
		if m.Count != l.Count || !calctest.Near(m.WidestGap, l.WidestGap, rounding) {
			t.Errorf("%d with %g, mirrored %d with %g", l.Count, l.WidestGap, m.Count, m.WidestGap)
		}
		for i, x := range l.Stations {
			if got := in.Run - m.Stations[l.Count-1-i]; !calctest.Near(got, x, 1e-9) {
				t.Errorf("spindle %d at %g, mirrored at %g", i+1, x, got)
			}
		}
	})
}

func TestManySpindles(t *testing.T) {
	for _, c := range []struct {
		in   In
		want error
		says string
	}{
		{In{Run: 1e6, Width: 1, Target: 1, Opening: 2000}, ErrInput, "at most 1000 spindles"},
		{In{Run: 1e6, Width: 1, Target: 1000, Opening: 900}, ErrNoCount, "a wider spindle would do"},
	} {
		if _, err := Choose(c.in); !errors.Is(err, c.want) || !strings.Contains(err.Error(), c.says) {
			t.Errorf("got %v, want %v that says %q", err, c.want, c.says)
		}
	}
}

// Spindles that stand plumb between posts that close by 10 mm/m either side, over 800 mm: what is beside a post is 8 mm
// narrower at the top than at the rail, what is between two spindles is as wide, and each gap at the rail is
// (1200 − 8·40)/9 = 97.78 mm.
func TestPlumbSpindles(t *testing.T) {
	in := In{Run: 1200, LeanLower: 0.01, LeanUpper: -0.01, Pitch: 0.8, Height: 800, Plumb: true, Width: 40, Opening: 120}
	l, err := Count(in, 8)
	if err != nil {
		t.Fatal(err)
	}
	for i, s := range l.Spaces {
		top := 880. / 9
		if i == 0 || i == 8 {
			top -= 8
		}
		if !calctest.Near(s.Bottom, 880./9, 1e-9) || !calctest.Near(s.Top, top, 1e-9) {
			t.Errorf("space %d: %.3f at the rail and %.3f at the top, want %.3f and %.3f", i+1, s.Bottom, s.Top, 880./9, top)
		}
	}
	in.LeanLower, in.LeanUpper = -0.01, 0.01
	if l, err = Count(in, 8); err != nil || !calctest.Near(l.WidestGap, 880./9+8, 1e-9) {
		t.Errorf("posts that open: widest %g, %v; want %g beside them", l.WidestGap, err, 880./9+8)
	}
}

// What is refused says what it was and what is wanted.
func TestRefusalsName(t *testing.T) {
	for says, in := range map[string]In{
		"thinnest width -1, want more than 0 mm":       {Run: 1254, Width: 40, Thin: -1, Opening: 100},
		"pitch +Inf, want a number":                    {Run: 1254, Width: 40, Opening: 100, Pitch: math.Inf(1)},
		"pitch -Inf, want a number":                    {Run: 1254, Width: 40, Opening: 100, Pitch: math.Inf(-1)},
		"height +Inf, want 0 mm or more":               {Run: 1254, Width: 40, Opening: 100, Height: math.Inf(1)},
		"post 1, want within 45 degrees of plumb":      {Run: 1254, Width: 40, Opening: 100, LeanLower: 1},
		"upper post -1, want within 45 degrees":        {Run: 1254, Width: 40, Opening: 100, LeanUpper: -1},
		"thinnest width 41, want at most the width at": {Run: 1254, Width: 40, Thin: 41, Opening: 100},
	} {
		if _, err := Choose(in); !errors.Is(err, ErrInput) || !strings.Contains(err.Error(), says) {
			t.Errorf("%v, want %q", err, says)
		}
	}
}
