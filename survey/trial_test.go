package survey

import (
	"errors"
	"math"
	"strings"
	"testing"

	"pgregory.net/rapid"

	"pinchrod/calc/calctest"
	"pinchrod/calc/unit"
)

func trialKind(t testing.TB) *Kind {
	t.Helper()
	k, err := KindOf("trial")
	if err != nil {
		t.Fatal(err)
	}
	return k
}

func TestParseTrial(t *testing.T) {
	tests := []struct {
		in   string
		want [3]int64
		say  string // as it is written again
	}{
		{"812", [3]int64{812_000, 0, int64(JustFits)}, "812 mm"},
		{"812 just fits", [3]int64{812_000, 0, int64(JustFits)}, "812 mm"},
		{"812 fits", [3]int64{812_000, 0, int64(Fits)}, "812 mm fits"},
		{"812 mm tight", [3]int64{812_000, 0, int64(Tight)}, "812 mm tight"},
		{"812 loose 1 mm", [3]int64{812_000, 1000, int64(Loose)}, "812 mm loose 1 mm"},
		{"812.5 Loose by 0.5", [3]int64{812_500, 500, int64(Loose)}, "812.5 mm loose 0.5 mm"},
		{"2 ft 8 in tight", [3]int64{812_800, 0, int64(Tight)}, "812.8 mm tight"},
		{"2 ft 8 in loose 1/16 in", [3]int64{812_800, 1588, int64(Loose)}, "812.8 mm loose 1.588 mm"},
		{" fits ", [3]int64{0, 0, int64(Fits)}, "fits"},
		{"just fits", [3]int64{0, 0, int64(Fits)}, "fits"},
		{"TIGHT", [3]int64{0, 0, int64(Tight)}, "tight"},
		{"loose 1 mm", [3]int64{0, 1000, int64(Loose)}, "loose 1 mm"},
	}
	for _, tt := range tests {
		got, err := trialKind(t).ParseValue(tt.in)
		if err != nil || got.N != tt.want || got.Measure != Tried {
			t.Errorf("%q = %+v, %v; want %v", tt.in, got, err, tt.want)
			continue
		}
		if got.String() != tt.say {
			t.Errorf("%q is written %q, want %q", tt.in, got, tt.say)
		}
	}
}

func TestParseTrialRefuses(t *testing.T) {
	tests := []struct {
		in   string
		want error
		says string
	}{
		{"loose", errForm, "say by how much"},
		{"812 loose", errForm, "say by how much"},
		{"tight 1 mm", errForm, "nothing follows tight"},
		{"fits tight", errForm, "nothing follows fits"},
		{"0 fits", errForm, "a piece has a length"},
		{"812 snug", unit.ErrSyntax, "then fits, tight or loose 1 mm"},
		{"812,5 tight", unit.ErrComma, "write a point"},
		{"812 loose 1,5", unit.ErrComma, "write a point"},
		{"812 loose 0", ErrAbsurd, "is written tight"},
		{"812 loose -1", ErrAbsurd, "is written tight"},
		{"loose 25", ErrAbsurd, "20 mm"},
		{"8120 tight", ErrAbsurd, "50 to 2500"},
		{"-812 tight", ErrAbsurd, "not negative"},
		{"0", ErrAbsurd, "50 to 2500"},
	}
	for _, tt := range tests {
		got, err := trialKind(t).ParseValue(tt.in)
		if !errors.Is(err, tt.want) || err == nil || !strings.Contains(err.Error(), tt.says) {
			t.Errorf("%q = %v, %v; want %v that says %q", tt.in, got, err, tt.want, tt.says)
		}
	}
}

// Needed length and u of what is said of a piece of 812 mm, by hand: the piece is
// known to 0.1 mm, and fits and tight are worth 0.2 mm, loose 0.3 mm.
func TestTrialSays(t *testing.T) {
	tests := []struct {
		in                string
		piece             unit.Length
		needed, own, full float64
	}{
		{"812", 0, 812, 0.1, math.Sqrt(0.01 + 0.04/3)},
		{"812 fits", 0, 812, math.Sqrt(0.01 + 0.04), math.Sqrt(0.01 + 0.04 + 0.04/3)},
		{"812 tight", 0, 811.7, math.Sqrt(0.01 + 0.04), math.Sqrt(0.01 + 0.04 + 0.04/3)},
		{"812 loose 1 mm", 0, 813, math.Sqrt(0.01 + 0.09), math.Sqrt(0.01 + 0.09 + 0.04/3)},
		{"tight", 812_000, 811.7, math.Sqrt(0.01 + 0.04), math.Sqrt(0.01 + 0.04 + 0.04/3)},
	}
	for _, tt := range tests {
		q, err := trialKind(t).ParseValue(tt.in)
		if err != nil {
			t.Fatal(err)
		}
		if tt.piece != 0 {
			q = q.OfPiece(tt.piece)
		}
		r := Reading{Where: "F1/left", What: Trial, At: At{Mark: Top}, Value: q}
		own, err1 := r.OwnU(HouseKit)
		full, err2 := r.StandardU(HouseKit)
		if err1 != nil || err2 != nil || !calctest.Near(q.Value(), tt.needed, 1e-9) || !calctest.Near(own, tt.own, 1e-9) || !calctest.Near(full, tt.full, 1e-9) {
			t.Errorf("%q: needed %g, own u %g, u %g, %v, %v; want %g, %g, %g", tt.in, q.Value(), own, full, err1, err2, tt.needed, tt.own, tt.full)
		}
	}
}

// A word alone says nothing of a length: no u, so nothing can be worked out of it.
func TestTrialOfNoPiece(t *testing.T) {
	for _, in := range []string{"fits", "tight", "loose 1 mm"} {
		q, err := trialKind(t).ParseValue(in)
		if err != nil {
			t.Fatal(err)
		}
		r := Reading{Where: "F1/left", What: Trial, At: At{Mark: Top}, Value: q, U: 500_000}
		if err := r.Check(); err != nil {
			t.Errorf("%q: %v", in, err)
		}
		if u, err := r.StandardU(HouseKit); !errors.Is(err, ErrPiece) {
			t.Errorf("%q: u = %g, %v; want %v", in, u, err, ErrPiece)
		}
		if u, err := r.OwnU(HouseKit); !errors.Is(err, ErrPiece) {
			t.Errorf("%q: own u = %g, %v; want %v", in, u, err, ErrPiece)
		}
	}
}

func TestSpindlesTogether(t *testing.T) {
	tests := []struct {
		in    string
		n     [3]int64
		count int64
		say   string
	}{
		{"10 together 412 mm", [3]int64{41_200, 41_200, 0}, 10, "10 together 412 mm"},
		{"10 together 412", [3]int64{41_200, 41_200, 0}, 10, "10 together 412 mm"},
		{"10 together: 412 x 38 mm", [3]int64{41_200, 38_000, 0}, 10, "10 together 412 x 38 mm"},
		{"12 together 413 mm", [3]int64{34_417, 34_417, 0}, 12, "12 together 413 mm"}, // 413/12 = 34.41667
		{"10 together 412 x 41.2 x 22 mm", [3]int64{41_200, 41_200, 22_000}, 10, "10 together 412 x 41.2 x 22 mm"},
		{"8 Together 13 in", [3]int64{41_275, 41_275, 0}, 8, "8 together 330.2 mm"},
		{"41 x 41 mm", [3]int64{41_000, 41_000, 0}, 0, "41 x 41 mm"},
	}
	k, err := KindOf("spindle-section")
	if err != nil {
		t.Fatal(err)
	}
	for _, tt := range tests {
		q, err := k.ParseValue(tt.in)
		if err != nil || q.N != tt.n || q.Together != tt.count || q.String() != tt.say {
			t.Errorf("%q = %v of %d, written %q, %v; want %v of %d, %q", tt.in, q.N, q.Together, q, err, tt.n, tt.count, tt.say)
		}
	}
	for in, want := range map[string]error{
		"1 together 41 mm": ErrAbsurd, "60 together 2400 mm": ErrAbsurd, "10 together 41 mm": ErrAbsurd, "10 together 4120 mm": ErrAbsurd,
		"10 together": errForm, "together 412 mm": errForm, "10 together 412 x 41 x 0": errForm, "10 together -412": ErrAbsurd,
	} {
		if q, err := k.ParseValue(in); !errors.Is(err, want) {
			t.Errorf("%q = %v, %v; want %v", in, q, err, want)
		}
	}
	posts, _ := KindOf("post-section")
	if q, err := posts.ParseValue("2 together 180 mm"); !errors.Is(err, ErrAbsurd) {
		t.Errorf("posts together = %v, %v; want %v", q, err, ErrAbsurd)
	}
}

// Ten together divide the rule's u by ten: √(0.2²/3 + 0.5²/12) = 0.184842 mm.
func TestUOfSpindlesTogether(t *testing.T) {
	k, _ := KindOf("spindle-section")
	for in, want := range map[string]float64{"41.2 x 41.2 mm": 0.184842, "10 together 412 mm": 0.0184842} {
		q, err := k.ParseValue(in)
		if err != nil {
			t.Fatal(err)
		}
		r := Reading{Where: "F1/left", What: SpindleSize, Value: q}
		if u, err := r.StandardU(HouseKit); err != nil || !calctest.Near(u, want, 1e-6) {
			t.Errorf("%q: u = %g, %v; want %g", in, u, err, want)
		}
	}
	q, _ := k.ParseValue("10 together 412 mm")
	r := Reading{Where: "F1/left", What: SpindleSize, Value: q, U: 500_000} // 0.5 mm across all ten
	if u, err := r.StandardU(HouseKit); err != nil || !calctest.Near(u, 0.05, 1e-9) {
		t.Errorf("u given with ten together comes to %g, %v; want 0.05", u, err)
	}
}

func TestOldNames(t *testing.T) {
	for in, want := range map[string]What{"fit": Trial, "trial": Trial, "trial-piece": Trial, "walk": SpacerWalk, "spacer-walk": SpacerWalk} {
		if k, err := KindOf(in); err != nil || k.What != want {
			t.Errorf("%q is %v, %v; want %s", in, k, err, want)
		}
	}
	for in, want := range map[string]What{"fits": Trial, "trail": Trial, "spacerwalk": SpacerWalk, "walks": SpacerWalk, "trial_pieces": Trial} {
		if _, err := KindOf(in); !errors.Is(err, ErrWhat) || !strings.Contains(err.Error(), "mean "+string(want)+"?") {
			t.Errorf("%q: %v; want one that asks for %s", in, err, want)
		}
	}
	for what, want := range map[What]string{Trial: "trial piece at top", SpacerWalk: "spacer walk at top", Gap: "gap at top"} {
		if got := (&Reading{What: what, At: At{Mark: Top}}).Title(); got != want {
			t.Errorf("title of %s = %q, want %q", what, got, want)
		}
	}
}

// trialValue draws a value that a person can have typed.
func trialValue(t *rapid.T) Quantity {
	q := Quantity{Measure: Tried}
	word := Word(rapid.IntRange(int(JustFits), int(Loose)).Draw(t, "word"))
	if word == JustFits || rapid.Bool().Draw(t, "known") {
		q.N[0] = rapid.Int64Range(50_000, 2_500_000).Draw(t, "piece")
	}
	if word == Loose {
		q.N[1] = rapid.Int64Range(1, int64(mostLoose)).Draw(t, "loose")
	}
	q.N[2] = int64(word)
	return q
}

func TestTrialReadsBack(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		want := trialValue(t)
		if got, err := kindOf[Trial].ParseValue(want.String()); err != nil || got != want {
			t.Fatalf("%+v is written %q, which reads as %+v, %v", want, want, got, err)
		}
	})
}

func TestTogetherReadsBack(t *testing.T) {
	k, _ := KindOf("spindle-section")
	rapid.Check(t, func(t *rapid.T) {
		want := Quantity{Measure: Section, Together: rapid.Int64Range(2, mostTogether).Draw(t, "count")}
		want.N[0] = rapid.Int64Range(5_000, 200_000).Draw(t, "width")
		want.N[1] = want.N[0]
		if rapid.Bool().Draw(t, "other depth") {
			want.N[1] = rapid.Int64Range(5_000, 200_000).Draw(t, "depth")
		}
		if rapid.Bool().Draw(t, "turned") {
			want.N[2] = rapid.Int64Range(5_000, want.N[0]).Draw(t, "thin")
		}
		if got, err := k.ParseValue(want.String()); err != nil || got != want {
			t.Fatalf("%+v is written %q, which reads as %+v, %v", want, want, got, err)
		}
	})
}

// What a parser takes is written so that it reads as the same.
func FuzzParseTrial(f *testing.F) {
	for _, s := range []string{"812", "812 tight", "812 loose 1 mm", "fits", "loose by 1/16 in", "2 ft 8 in fits", "812 just  fits", "tight tight"} {
		f.Add(s)
	}
	fuzzValue(f, "trial")
}

func FuzzParseSection(f *testing.F) {
	for _, s := range []string{"10 together 412 mm", "12 together 413 x 41 x 22 mm", "41x41x22", "1 5/8 x 1 5/8 in", "8 together 13 in"} {
		f.Add(s)
	}
	fuzzValue(f, "spindle-section")
}

func fuzzValue(f *testing.F, what string) {
	k, err := KindOf(what)
	if err != nil {
		f.Fatal(err)
	}
	f.Fuzz(func(t *testing.T, s string) {
		q, err := k.ParseValue(s)
		if err != nil {
			return
		}
		back, err := k.ParseValue(q.String())
		if err != nil || back != q {
			t.Errorf("%q = %+v is written %q, which reads as %+v, %v", s, q, q, back, err)
		}
		r := Reading{Where: "F1/left", What: k.What, At: At{Mark: Top}, Value: q}
		if k.What == SpindleSize {
			r.At = At{}
		}
		if err := r.Check(); err != nil {
			t.Errorf("%q was taken and does not pass: %v", s, err)
		}
	})
}
