package survey

import (
	"errors"
	"math"
	"strings"
	"testing"
	"time"

	"pinchrod/calc/calctest"
	"pinchrod/calc/unit"
)

// The maximum permissible error of a tape, MPE = a + b·L with L rounded up to
// a whole metre: UK SI 2016/1153 schedule 1I (MI-008, OIML R 35-1:2007). The
// rows are computed from that formula and its table 1.
func TestTapeMPE(t *testing.T) {
	for _, tt := range []struct {
		mm   float64
		want [3]float64 // classes I, II, III
	}{
		{1000, [3]float64{0.2, 0.5, 1.0}},
		{1000.1, [3]float64{0.3, 0.7, 1.4}}, // up to the next metre
		{2000, [3]float64{0.3, 0.7, 1.4}},
		{3000, [3]float64{0.4, 0.9, 1.8}},
		{5000, [3]float64{0.6, 1.3, 2.6}},
		{8000, [3]float64{0.9, 1.9, 3.8}},
		{10000, [3]float64{1.1, 2.3, 4.6}},
	} {
		for i, c := range []Class{ClassI, ClassII, ClassIII} {
			if got := c.MPE(tt.mm); !calctest.Near(got, tt.want[i], 1e-12) {
				t.Errorf("MPE of class %d at %g mm = %g, want %g", c, tt.mm, got, tt.want[i])
			}
		}
	}
}

func TestToolU(t *testing.T) {
	// A class II tape to 1 m, read to 1 mm, set to 0.3 mm, by hand:
	// √(0.5²/3 + 1²/12 + 0.3²) = √(0.083333 + 0.083333 + 0.09) = 0.506623.
	tape := Tool{Class: ClassII, Resolution: 1}
	if got, want := tape.U(800, 0.3), 0.506623; !calctest.Near(got, want, 1e-6) {
		t.Errorf("u of the tape = %.6f, want %.6f", got, want)
	}
	// Its end hook adds 0.2 mm to the permissible error.
	tape.Hook = true
	if got, want := tape.U(800, 0.3), math.Sqrt(0.49/3+1./12+0.09); !calctest.Near(got, want, 1e-12) {
		t.Errorf("u with the hook = %g, want %g", got, want)
	}
}

func TestParseValue(t *testing.T) {
	for _, tt := range []struct {
		what What
		in   string
		want [3]int64
		err  error
	}{
		{Gap, "812", [3]int64{812000}, nil},
		{Gap, "2 ft 8 in", [3]int64{812800}, nil},
		{BowBase, "-2.5", [3]int64{-2500}, nil},
		{BaseAngle, "7:11", [3]int64{566729}, nil}, // arctan(7/11) = 0.566729 rad
		{LeanAlong, "3 mm in 900 mm", [3]int64{3000, 900000}, nil},
		{PostSection, "90 x 90 mm", [3]int64{90000, 90000}, nil},
		{SpindleSize, "41x41x22", [3]int64{41000, 41000, 22000}, nil},
		{SpindleSize, "1 5/8 x 1 5/8 in", [3]int64{41275, 41275}, nil},
		{SpacerWalk, "10 x 118.2 mm short 5 mm", [3]int64{10, 118200, 5000}, nil},
		{SpacerWalk, "10 x 118.2 mm over 2 mm", [3]int64{10, 118200, -2000}, nil},
		{Temperature, "9 °C", [3]int64{9000}, nil},
		{Temperature, "-2.5 C", [3]int64{-2500}, nil},
		{Temperature, "90", [3]int64{}, ErrAbsurd},
		{Temperature, "9 F", [3]int64{}, unit.ErrSyntax},
		{Moisture, "12 %", [3]int64{12000}, nil},
		{Moisture, "12,5 %", [3]int64{}, unit.ErrComma},
		{Gap, "", [3]int64{}, nil},
		{Gap, "NaN", [3]int64{}, unit.ErrSyntax},
		{Gap, "812,5", [3]int64{}, unit.ErrComma},
		{Gap, "-812", [3]int64{}, ErrAbsurd},
		{Gap, "8120", [3]int64{}, ErrAbsurd},
		{Gap, "81.2 m", [3]int64{}, ErrAbsurd},
		{BaseAngle, "89", [3]int64{}, ErrAbsurd},
		{BaseAngle, "812 mm", [3]int64{}, unit.ErrSyntax},
		{LeanAlong, "3", [3]int64{}, unit.ErrSyntax},
		{LeanAlong, "90 mm in 900 mm", [3]int64{}, ErrAbsurd},
		{LeanAlong, "1 mm in 20 mm", [3]int64{}, ErrAbsurd},
		{PostSection, "90", [3]int64{}, errForm},
		{SpindleSize, "41 x 41 x 50", [3]int64{}, ErrAbsurd},
		{SpindleSize, "41 x 41 x 0", [3]int64{}, errForm},
		{SpindleSize, "-41 x 41", [3]int64{}, ErrAbsurd},
		{SpacerWalk, "10 spacers", [3]int64{}, errForm},
		{SpacerWalk, "10 x 118 short -5", [3]int64{}, errForm},
		{SpacerWalk, "0 x 118 short 5", [3]int64{}, ErrAbsurd},
		{SpacerWalk, "10 x 1182 short 5", [3]int64{}, ErrAbsurd},
	} {
		k, err := KindOf(string(tt.what))
		if err != nil {
			t.Fatal(err)
		}
		q, err := k.ParseValue(tt.in)
		switch {
		case tt.want == [3]int64{}:
			if err == nil || tt.err != nil && !errors.Is(err, tt.err) {
				t.Errorf("%s %q = %v, %v; want error %v", tt.what, tt.in, q, err, tt.err)
			}
		case err != nil || q.N != tt.want:
			t.Errorf("%s %q = %v, %v; want %v", tt.what, tt.in, q.N, err, tt.want)
		default:
			if back, err := k.ParseValue(q.String()); err != nil || back != q {
				t.Errorf("%s %q prints as %q, which reads as %v, %v", tt.what, tt.in, q, back, err)
			}
		}
	}
}

func TestParseAt(t *testing.T) {
	for _, tt := range []struct {
		what What
		in   string
		want At
		ok   bool
	}{
		{Gap, "top", At{Mark: Top}, true},
		{Gap, "Top", At{Mark: Top}, true},
		{Gap, "450", At{Mark: Distance, N: 450000}, true},
		{Gap, "450.5 mm", At{Mark: Distance, N: 450500}, true},
		{Gap, "", At{}, false},
		{Gap, "lower", At{}, false},
		{Gap, "-5", At{}, false},
		{Rise, "3", At{Mark: Step, N: 3}, true},
		{Rise, "0", At{}, false},
		{Rise, "100", At{}, false},
		{Rise, "bottom", At{}, false},
		{Run, "", At{}, true},
		{Run, "top", At{}, false},
		{LeanAlong, "upper", At{Mark: Upper}, true},
		{FrameDiagonal, "rising", At{Mark: Rising}, true},
		{BowBase, "top", At{}, false}, // no bow at the posts
		{Access, "", At{Mark: OnBase}, true},
		{Access, "rail", At{Mark: OnRail}, true},
		{Access, "450", At{}, false}, // the distance is the value
	} {
		k, err := KindOf(string(tt.what))
		if err != nil {
			t.Fatal(err)
		}
		got, err := k.ParseAt(tt.in)
		if (err == nil) != tt.ok || got != tt.want {
			t.Errorf("%s at %q = %v, %v; want %v, ok %v", tt.what, tt.in, got, err, tt.want, tt.ok)
		}
		if err != nil && !errors.Is(err, ErrAt) {
			t.Errorf("%s at %q: error %v does not wrap ErrAt", tt.what, tt.in, err)
		}
		if err == nil {
			if back, err := k.ParseAt(got.String()); err != nil || back != got {
				t.Errorf("%s at %q prints as %q, which reads as %v, %v", tt.what, tt.in, got, back, err)
			}
		}
	}
}

func TestUnknownWhatNamesTheNearest(t *testing.T) {
	for in, want := range map[string]string{"gaps": "gap", "base_angle": "base-angle", "postsection": "post-section", "frame-diag": "frame-diagonal"} {
		_, err := KindOf(in)
		if !errors.Is(err, ErrWhat) || !strings.Contains(err.Error(), "mean "+want+"?") {
			t.Errorf("KindOf(%q) error = %v, want one that asks for %s", in, err, want)
		}
	}
}

func TestUReadsBack(t *testing.T) {
	for _, what := range []What{Gap, BaseAngle, LeanAlong} {
		k, _ := KindOf(string(what))
		for _, s := range []string{"0.5", "0.1", "0.02", "1", "0.333"} {
			u, err := k.ParseU(s)
			if err != nil {
				t.Fatal(err)
			}
			if got := k.FormatU(u); got != s {
				t.Errorf("%s u %s prints as %s", what, s, got)
			}
		}
		for _, s := range []string{"0", "-1", "nan", "inf", "1e9", "0,5", "0.5 mm"} {
			if u, err := k.ParseU(s); err == nil {
				t.Errorf("%s u %q = %d, want an error", what, s, u)
			}
		}
	}
}

func TestWords(t *testing.T) {
	if _, err := ParseNote("carpet\nsecond line"); err != nil {
		t.Errorf("a note of two lines: %v", err)
	}
	for name, s := range map[string]string{"escape": "a\x1b[31m", "too long": strings.Repeat("x", maxNote+1), "not UTF-8": "\xff"} {
		if _, err := ParseNote(s); err == nil {
			t.Errorf("a note that is %s was taken", name)
		}
	}
	if _, err := ParseWord("two\nlines"); err == nil {
		t.Error("a word of two lines was taken")
	}
}

func TestEveryKindIsWhole(t *testing.T) {
	for i := range Kinds {
		k := &Kinds[i]
		if _, err := HouseKit.Tool(k.Tool); err != nil {
			t.Errorf("%s: %v", k.What, err)
		}
		if k.Low >= k.High || k.Means == "" || k.Measure == Unknown {
			t.Errorf("%s is not filled in", k.What)
		}
		u, err := (&Reading{What: k.What, Value: Quantity{Measure: k.Measure, N: [3]int64{1000, 1000, 0}}}).StandardU(HouseKit)
		if err != nil || !(u > 0) {
			t.Errorf("%s: u = %g, %v; want one above zero", k.What, u, err)
		}
	}
}

// What was done was done by today, or by tomorrow where it is that already.
func TestParseDone(t *testing.T) {
	today := time.Date(2026, 11, 20, 23, 0, 0, 0, time.UTC)
	for in, want := range map[string]bool{"": true, "2026-11-20": true, "2026-11-21 23:59": true, "2026-11-22": false, "2026-11-22T00:00": false, "1999-01-01": true, "20.11.2026": false} {
		if got, err := ParseDone(in, today); (err == nil) != want || want && got != in {
			t.Errorf("%q: %q, %v; taken should be %t", in, got, err, want)
		}
	}
}

func TestParseStock(t *testing.T) {
	for in, want := range map[string][2]unit.Length{"41 x 8 mm": {41_000, 8_000}, "8x41": {8_000, 41_000}, "41 x 41 x 22 mm": {}, "oak": {}, "": {}} {
		a, b, err := ParseStock(in)
		if (err == nil) != (want[0] != 0) || err == nil && [2]unit.Length{a, b} != want {
			t.Errorf("%q: %s, %s, %v; want %v", in, a, b, err, want)
		}
	}
}
