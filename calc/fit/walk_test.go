package fit

import (
	"errors"
	"math"
	"testing"

	"pinchrod/calc/calctest"
)

func TestWalk(t *testing.T) {
	for _, c := range []struct {
		old, short, want float64
		m                int
	}{
		{118.2, 5, 118.7, 10}, // common practice, no source
		{118.2, -2, 118, 10},
		{100, 0, 100, 1},
	} {
		got, err := Walk(c.old, c.m, c.short)
		if err != nil || !calctest.Near(got, c.want, 1e-12) {
			t.Errorf("Walk(%g, %d, %g) = %g, %v; want %g", c.old, c.m, c.short, got, err, c.want)
		}
		// A walk of the corrected spacers ends where the old one and its gap did.
		if end := float64(c.m)*got - float64(c.m)*c.old; !calctest.Near(end, c.short, 1e-9) {
			t.Errorf("corrected walk of %d gains %g, want %g", c.m, end, c.short)
		}
	}
	for _, c := range []struct {
		old, short float64
		m          int
	}{{0, 1, 10}, {-3, 1, 10}, {100, 1, 0}, {100, 1, -4}, {100, -1000, 10}, {100, math.NaN(), 10}, {math.Inf(1), 0, 1}} {
		if got, err := Walk(c.old, c.m, c.short); !errors.Is(err, ErrInput) {
			t.Errorf("Walk(%g, %d, %g) = %g, %v; want ErrInput", c.old, c.m, c.short, got, err)
		}
	}
}
