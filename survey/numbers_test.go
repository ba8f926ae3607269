package survey

import (
	"errors"
	"slices"
	"testing"

	"pinchrod/calc/unit"
)

func TestNumbers(t *testing.T) {
	t.Parallel()
	for in, want := range map[string][]uint32{
		"": nil, "1-3": {1, 2, 3}, "3, 1": {1, 3}, "S01–S03 S05": {1, 2, 3, 5}, "1 - 3; 7": {1, 2, 3, 7}, "B13": {13}, " 2 ": {2},
	} {
		if got, err := ParseNumbers(in); err != nil || !slices.Equal(got, want) {
			t.Errorf("%q: %v, %v; want %v", in, got, err, want)
		}
	}
	for _, in := range []string{"0", "x", "1-", "-", "3-1", "1 1", "1-3 2", "1001", "1.5", "99999999999", "1-2-3"} {
		if got, err := ParseNumbers(in); !errors.Is(err, ErrNumbers) {
			t.Errorf("%q: %v, %v; want an error", in, got, err)
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
	for _, s := range []string{"1-9", "S01–S04 S06", "1, 2", "- -", "1-1000 1"} {
		f.Add(s)
	}
	f.Fuzz(func(t *testing.T, s string) {
		got, err := ParseNumbers(s)
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
		if again, err := ParseNumbers(Numbers(got)); err != nil || !slices.Equal(again, got) {
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
