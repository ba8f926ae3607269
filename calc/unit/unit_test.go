package unit

import (
	"errors"
	"math"
	"strings"
	"testing"

	"pgregory.net/rapid"

	"pinchrod/calc/calctest"
)

func TestParseLength(t *testing.T) {
	for _, tt := range []struct {
		in   string
		want Length
		err  error
	}{
		{"1254", 1254000, nil},
		{"1254 mm", 1254000, nil},
		{"1254mm", 1254000, nil},
		{"1.254 m", 1254000, nil},
		{"125.4 cm", 1254000, nil},
		{".5", 500, nil},
		{"-3 mm", -3000, nil},
		{"−3 mm", -3000, nil},
		{"+3 mm", 3000, nil},
		{"49 3/8 in", 1254125, nil},
		{"49-3/8 in", 1254125, nil},
		{`49 3/8"`, 1254125, nil},
		{"3/8 in", 9525, nil},
		{"1/16 in", 1588, nil}, // 1587.5 µm, half away from zero
		{"4 ft 1 3/8 in", 1254125, nil},
		{`4' 1 3/8"`, 1254125, nil},
		{"4 ft", 1219200, nil},
		{"0.0004", 0, nil},
		{"0.0005", 1, nil},
		{"12,5", 0, ErrComma},
		{"1.254,5", 0, ErrComma},
		{"", 0, ErrSyntax},
		{"mm", 0, ErrSyntax},
		{"NaN", 0, ErrSyntax},
		{"inf", 0, ErrSyntax},
		{"1e9", 0, ErrSyntax},
		{"0x10", 0, ErrSyntax},
		{"1 2", 0, ErrSyntax},
		{"1/0 in", 0, ErrSyntax},
		{"9/8/7 in", 0, ErrSyntax},
		{"1 9/8 in", 0, ErrSyntax},
		{"1.5 1/2 in", 0, ErrSyntax},
		{"4 ft 1", 0, ErrSyntax},
		{"3/8", 0, ErrSyntax}, // a fraction needs its inches
		{"--3", 0, ErrSyntax},
		{"12 parsec", 0, ErrSyntax},
		{"1234567890123", 0, ErrRange},
	} {
		got, err := ParseLength(tt.in)
		if !errors.Is(err, tt.err) || got != tt.want {
			t.Errorf("ParseLength(%q) = %d, %v; want %d, %v", tt.in, got, err, tt.want, tt.err)
		}
	}
}

func TestCommaSaysTheMend(t *testing.T) {
	_, err := ParseLength("812,5 mm")
	if err == nil || !strings.Contains(err.Error(), "812.5") {
		t.Errorf("ParseLength(812,5 mm) error = %v, want one that shows 812.5", err)
	}
}

// The conversions that are exact, by their definitions: 1 in = 25.4 mm.
func TestExactLengths(t *testing.T) {
	for _, tt := range []struct {
		in   string
		n    Notation
		want string
	}{
		{"1254.125 mm", MM, "1254.125 mm"},
		{"1254.125 mm", M, "1.254125 m"},
		{"49 3/8 in", MM, "1254.125 mm"},
		{"49 3/8 in", Inches, "49 3/8 in"},
		{"49 3/8 in", FeetInches, "4 ft 1 3/8 in"},
		{"1 1/64 in", Inches, "1 1/64 in"}, // rounded to the µm, and yet it reads back
		{"1000 mm", Inches, "39.37008 in"}, // no binary fraction: decimals that read back
		{"-3/8 in", Inches, "-3/8 in"},
		{"4 ft", FeetInches, "4 ft 0 in"},
	} {
		l, err := ParseLength(tt.in)
		if err != nil {
			t.Fatal(err)
		}
		if got := l.Format(tt.n); got != tt.want {
			t.Errorf("%q as %d = %q, want %q", tt.in, tt.n, got, tt.want)
		}
	}
	// And one that is not: a sixteenth is rounded, so sixteen of them are 8 µm off an inch.
	six, _ := ParseLength("1/16 in")
	if got, want := 16*six-Inch, Length(8); got != want {
		t.Errorf("16 × 1/16 in − 1 in = %d µm, want %d", got, want)
	}
}

func TestLengthRoundTrip(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		l := Length(rapid.Int64Range(-1e11, 1e11).Draw(t, "l"))
		for n := MM; n <= FeetInches; n++ {
			s := l.Format(n)
			got, err := ParseLength(s)
			if err != nil || got != l {
				t.Fatalf("ParseLength(%q) = %d, %v; want %d", s, got, err, l)
			}
		}
	})
}

func TestParseAngle(t *testing.T) {
	for _, tt := range []struct {
		in   string
		want float64 // degrees
		err  error
	}{
		{"41.8", 41.8, nil},
		{"41.8 deg", 41.8, nil},
		{"41.8°", 41.8, nil},
		{"41.8 degrees", 41.8, nil},
		{"41°48'", 41.8, nil},
		{"41° 48′", 41.8, nil},
		{"41 deg 48 min", 41.8, nil},
		{`41°48'30"`, 41.808333333, nil},
		{"-0.5 deg", -0.5, nil},
		{"7:11", math.Atan2(7, 11) * 180 / math.Pi, nil},
		{"7 3/4:10", 37.7757, nil}, // arctan of 7.75/10
		{"3 mm in 900 mm", math.Atan(3.0/900) * 180 / math.Pi, nil},
		{"41,8", 0, ErrComma},
		{"", 0, ErrSyntax},
		{"deg", 0, ErrSyntax},
		{"41°61'", 0, ErrRange},
		{"400", 0, ErrRange},
		{"0:0", 0, ErrSyntax},
		{"41.8 mm", 0, ErrSyntax},
		{"41°48'x", 0, ErrSyntax},
		{"nan", 0, ErrSyntax},
	} {
		got, err := ParseAngle(tt.in)
		if !errors.Is(err, tt.err) {
			t.Errorf("ParseAngle(%q) error = %v, want %v", tt.in, err, tt.err)
		}
		// Half a microradian is 0.0000286°; the pitch above is given to 0.0001°.
		if err == nil && !calctest.Near(got.Deg(), tt.want, 6e-5) {
			t.Errorf("ParseAngle(%q) = %.6f°, want %.6f°", tt.in, got.Deg(), tt.want)
		}
	}
}

func TestAngleRoundTrip(t *testing.T) {
	if got, want := FromDeg(41.8).String(), "41.8°"; got != want {
		t.Errorf("41.8 degrees prints as %q, want %q", got, want)
	}
	if got, want := FromDeg(41.8).DegMin(), "41°48'"; got != want {
		t.Errorf("41.8 degrees prints as %q, want %q", got, want)
	}
	rapid.Check(t, func(t *rapid.T) {
		a := Angle(rapid.Int64Range(-6e6, 6e6).Draw(t, "a"))
		for _, s := range []string{a.String(), a.DegMin()} {
			got, err := ParseAngle(s)
			if err != nil || got != a {
				t.Fatalf("ParseAngle(%q) = %d, %v; want %d", s, got, err, a)
			}
		}
	})
}

func TestParseSlope(t *testing.T) {
	for _, tt := range []struct {
		in   string
		want Slope
		err  error
	}{
		{"3 mm in 900 mm", Slope{3000, 900000}, nil},
		{"-3 mm in 900 mm", Slope{-3000, 900000}, nil},
		{"-0.0 mm in 1000 mm", Slope{0, 1000000}, nil},
		{"3 in 900", Slope{3000, 900000}, nil},
		{"1/8 in in 48 in", Slope{3175, 1219200}, nil},
		{"2 mm/m", Slope{2000, 1000000}, nil},
		{"0.2 deg", Slope{3491, 1000000}, nil}, // tan 0.2° = 0.0034907
		{"2", Slope{}, ErrSyntax},
		{"2 mm", Slope{}, ErrSyntax},
		{"2,5 mm in 900 mm", Slope{}, ErrComma},
		{"2 mm in 0 mm", Slope{}, ErrRange},
		{"90 deg", Slope{}, ErrRange},
	} {
		got, err := ParseSlope(tt.in)
		if !errors.Is(err, tt.err) || got != tt.want {
			t.Errorf("ParseSlope(%q) = %v, %v; want %v, %v", tt.in, got, err, tt.want, tt.err)
		}
		if err == nil {
			if back, err := ParseSlope(got.String()); err != nil || back != got {
				t.Errorf("ParseSlope(%q) = %v, %v; want %v", got.String(), back, err, got)
			}
		}
	}
}

func TestDecimal(t *testing.T) {
	for in, want := range map[string]int64{"12": 12000, "-3.5": -3500, "0.0004": 0, "0.0005": 1, "+9": 9000} {
		got, err := ParseDecimal(in, 1000)
		if err != nil || got != want {
			t.Errorf("ParseDecimal(%q) = %d, %v; want %d", in, got, err, want)
		}
	}
	for _, in := range []string{"", "12,5", "1e3", "NaN", "12 %"} {
		if got, err := ParseDecimal(in, 1000); err == nil {
			t.Errorf("ParseDecimal(%q) = %d, want an error", in, got)
		}
	}
	for v, want := range map[int64]string{12000: "12", -3500: "-3.5", 1: "0.001", 0: "0"} {
		if got := FormatDecimal(v, 1000); got != want {
			t.Errorf("FormatDecimal(%d) = %q, want %q", v, got, want)
		}
	}
}

// What a parser takes, its Format writes so that it is taken as the same again.
func FuzzParse(f *testing.F) {
	for _, s := range []string{"1254", "49 3/8 in", "4 ft 1 3/8 in", "41°48'", "7:11", "3 mm in 900 mm", "12,5", "−3", "1/0 in", "' in "} {
		f.Add(s)
	}
	f.Fuzz(func(t *testing.T, s string) {
		if l, err := ParseLength(s); err == nil {
			if got, err := ParseLength(l.String()); err != nil || got != l {
				t.Errorf("%q is %d, which prints as %q and reads as %d, %v", s, l, l, got, err)
			}
		}
		if a, err := ParseAngle(s); err == nil {
			if got, err := ParseAngle(a.String()); err != nil || got != a {
				t.Errorf("%q is %d, which prints as %q and reads as %d, %v", s, a, a, got, err)
			}
		}
		if sl, err := ParseSlope(s); err == nil {
			if got, err := ParseSlope(sl.String()); err != nil || got != sl {
				t.Errorf("%q is %v, which reads back as %v, %v", s, sl, got, err)
			}
		}
	})
}
