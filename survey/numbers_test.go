package survey

import (
	"errors"
	"slices"
	"strings"
	"testing"

	"pinchrod/calc/unit"
)

func TestNumbers(t *testing.T) {
	t.Parallel()
	for _, tt := range []struct {
		part Part
		in   string
		want []uint32
	}{
		{PartSpindle, "", nil}, {PartBaseFillet, "1-3", []uint32{1, 2, 3}}, {PartRailFillet, "3, 1", []uint32{1, 3}},
		{PartSpindle, "S01–S03 S05", []uint32{1, 2, 3, 5}}, {PartSpindle, "1 - 3; 7", []uint32{1, 2, 3, 7}}, {PartSpindle, "s1-3", []uint32{1, 2, 3}},
		{PartBaseFillet, "B13 b2", []uint32{2, 13}}, {PartRailFillet, "R13", []uint32{13}}, {PartSpindle, " 2 ", []uint32{2}},
		{"", "S01 B02 R03", []uint32{1, 2, 3}}, // a form whose part is missing says so itself
	} {
		if got, err := ParseNumbers(tt.part, tt.in); err != nil || !slices.Equal(got, tt.want) {
			t.Errorf("%s %q: %v, %v; want %v", tt.part, tt.in, got, err, tt.want)
		}
	}
	for _, tt := range []struct {
		part    Part
		in, say string
	}{
		{PartSpindle, "0", `"0": write 1-9`}, {PartSpindle, "x", "write 1-9"}, {PartSpindle, "1-", "write 1-9"}, {PartSpindle, "-", "write 1-9"},
		{PartSpindle, "3-1", "runs down"}, {PartSpindle, "1 1", "1 stands there twice"}, {PartSpindle, "1-3 2", "2 stands there twice"},
		{PartSpindle, "1001", "write 1-9"}, {PartSpindle, "1.5", "write 1-9"}, {PartSpindle, "99999999999", "write 1-9"}, {PartSpindle, "1-2-3", "write 1-9"},
		{PartSpindle, "SS1", "write 1-9"}, {PartSpindle, "SX1", "write 1-9"}, {PartSpindle, "S", "write 1-9"},
		{PartBaseFillet, "S01-S12", "S01 is a spindle; base fillets are B01 and so on"},
		{PartSpindle, "S01-b4", "B4 is a base fillet; spindles are S01 and so on"},
		{PartRailFillet, "1, B02", "B02 is a base fillet; rail fillets are R01 and so on"},
	} {
		if got, err := ParseNumbers(tt.part, tt.in); !errors.Is(err, ErrNumbers) || !strings.Contains(err.Error(), tt.say) {
			t.Errorf("%s %q: %v, %v; want an error that says %q", tt.part, tt.in, got, err, tt.say)
		}
	}
}

func TestOffcuts(t *testing.T) {
	t.Parallel()
	for in, want := range map[string][]unit.Length{
		"": nil, "412": {412000}, "412; 380": {412000, 380000}, "412, 380.5": {412000, 380500}, "3 x 412\r\n1 m": {412000, 412000, 412000, 1000000},
		"2 X 16 in;": {406400, 406400},
	} {
		if got, err := ParseOffcuts(in); err != nil || !slices.Equal(got, want) {
			t.Errorf("%q: %v, %v; want %v", in, got, err, want)
		}
	}
	for _, in := range []string{"412,380", "412,5", "x", "0", "-3", "0 x 412", "999 x 412", "200 x 400", "abc"} {
		if got, err := ParseOffcuts(in); !errors.Is(err, ErrOffcuts) {
			t.Errorf("%q: %v, %v; want an error", in, got, err)
		}
	}
}

// What is read is in order, without a number twice, and reads back as written.
func FuzzNumbers(f *testing.F) {
	for _, s := range []string{"1-9", "S01–S04 S06", "1, 2", "- -", "1-1000 1", "B01 b2"} {
		f.Add("spindle", s)
	}
	f.Fuzz(func(t *testing.T, part, s string) {
		p, err := ParsePart(part)
		if err != nil {
			p = ""
		}
		got, err := ParseNumbers(p, s)
		if err != nil {
			if !errors.Is(err, ErrNumbers) {
				t.Errorf("%q: %v", s, err)
			}
			return
		}
		for i, n := range got {
			if n == 0 || i > 0 && n <= got[i-1] {
				t.Fatalf("%q: %v", s, got)
			}
		}
		if again, err := ParseNumbers(p, Numbers(got)); err != nil || !slices.Equal(again, got) {
			t.Errorf("%q: %v reads back as %v, %v", s, got, again, err)
		}
	})
}

// Offcuts are lengths, and no more of them than a person saws.
func FuzzOffcuts(f *testing.F) {
	for _, s := range []string{"412; 380", "3 x 412", "1,5", "255 x 1\n255 x 1", "x"} {
		f.Add(s)
	}
	f.Fuzz(func(t *testing.T, s string) {
		got, err := ParseOffcuts(s)
		if err != nil && !errors.Is(err, ErrOffcuts) {
			t.Errorf("%q: %v", s, err)
		}
		if len(got) > mostOffcuts || slices.ContainsFunc(got, func(l unit.Length) bool { return l <= 0 }) {
			t.Errorf("%q: %v", s, got)
		}
	})
}
