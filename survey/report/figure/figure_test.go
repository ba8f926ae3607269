package figure

import (
	"encoding/json"
	"math"
	"testing"

	"pinchrod/survey/asfound"
)

func TestFigure(t *testing.T) {
	for _, tt := range []struct {
		q    asfound.Quantity
		unit string
		want string
	}{
		{asfound.Quantity{Value: 1254, U: 0.4, Known: true}, "mm", "1254.0 ±0.8 mm"},
		{asfound.Quantity{Value: 89.4, U: 0.02, Known: true}, "mm", "89.40 ±0.04 mm"},
		{asfound.Quantity{Value: 39.587, U: 0.02, Known: true}, "°", "39.59 ±0.04°"},
		{asfound.Quantity{Value: -0.04, U: 0.4, Known: true}, "mm", "0.0 ±0.8 mm"},
		{asfound.Quantity{}, "mm", "not known"},
	} {
		if got := Of(tt.q, tt.unit); got != tt.want {
			t.Errorf("Of(%+v) = %q, want %q", tt.q, got, tt.want)
		}
	}
	if got, want := Signed(asfound.Quantity{Value: 2, U: 0.4, Known: true}, "mm"), "+2.0 ±0.8 mm"; got != want {
		t.Errorf("signed = %q, want %q", got, want)
	}
}

func TestFixed(t *testing.T) {
	for _, tt := range []struct {
		v    float64
		d    int
		want string
	}{{-0.04, 1, "0.0"}, {-0.05, 1, "-0.1"}, {1254.26, 1, "1254.3"}, {3e9, 1, "3e+09"}, {math.Inf(1), 1, "+Inf"}} {
		if got := Fixed(tt.v, tt.d); got != tt.want {
			t.Errorf("Fixed(%g, %d) = %q, want %q", tt.v, tt.d, got, tt.want)
		}
	}
}

func TestNumbersInJSON(t *testing.T) {
	for _, tt := range []struct {
		v    any
		want string
	}{{Number(1.23456789), "1.234568"}, {Number(-1e-9), "0"}, {Mark(1.23456789), "1.2346"}, {Mark(-1e-6), "0"}, {Mark(-2), "-2"}} {
		if got, err := json.Marshal(tt.v); err != nil || string(got) != tt.want {
			t.Errorf("%T(%v) = %s, %v; want %s", tt.v, tt.v, got, err, tt.want)
		}
	}
}
