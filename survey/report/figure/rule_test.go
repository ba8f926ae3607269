package figure

import (
	"math"
	"testing"

	"pgregory.net/rapid"

	"pinchrod/calc/unit"
	"pinchrod/survey/asfound"
)

var (
	metric = Rule{}
	inches = Rule{Inches: true}
)

// By hand: 1 in is 25.4 mm, so 1/32 is 0.79375 mm and 1/64 is 0.396875 mm.
func TestRule(t *testing.T) {
	for _, tt := range []struct{ what, got, want string }{
		{"mm", metric.Length(805.84), "805.8"},
		{"no minus before nought", metric.Length(-0.04), "0.0"},
		{"whole inches", inches.Length(25.4 * 31), "31"},
		{"31 23/32 in", inches.Length(25.4 * (31 + 23.0/32)), "31 23/32"},
		{"the coarsest fraction", inches.Length(25.4 * (31 + 24.0/32)), "31 3/4"},
		{"down to the nearest", inches.Length(25.4*2 + 0.39), "2"},
		{"up to the nearest", inches.Length(25.4*2 + 0.40), "2 1/32"},
		{"up to a whole inch", inches.Length(25.4*3 - 0.39), "3"},
		{"below an inch", inches.Length(9.525), "3/8"},
		{"negative", inches.Length(-25.4 * 1.375), "-1 3/8"},
		{"nothing", inches.Length(0), "0"},
		{"no minus before no inches", inches.Length(-0.1), "0"},
		{"a tolerance", metric.Tolerance(0.25), "0.25"},
		{"a tolerance in inches", inches.Tolerance(2), "5/64"},
		{"a stop to 0.5 mm", metric.Stop(805.5, 0.5), "805.5"},
		{"a stop to 1 mm", metric.Stop(805, 1), "805"},
		{"a stop to 0.05 mm", metric.Stop(805.55, 0.05), "805.55"},
		{"a stop to 0.25 mm", metric.Stop(805.25, 0.25), "805.25"},
		{"a stop to no step", metric.Stop(805.25, 0), "805.2"},
		{"a stop to a step of micrometres", metric.Stop(805.125, 0.125), "805.125"},
		{"a stop to 1/32 in", inches.Stop(25.4*31.71875, 25.4/32), "31 23/32"},
		{"a stop to 1/64 in", inches.Stop(25.4*(31+1.0/64), 25.4/64), "31 1/64"},
		{"a stop to 0.005 in", inches.Stop(25.4*4.505, 25.4*0.005), "4.505"},
		{"a stop to 0.5 mm in inches", inches.Stop(805.5, 0.5), "31.713"},
		{"long enough", metric.Whole(841.2), "842"},
		{"just long enough", metric.Whole(842), "842"},
		{"long enough in inches", inches.Whole(25.4*33 + 0.1), "33 1/16"},
		{"just long enough in inches", inches.Whole(25.4 * 33), "33"},
		{"measured", metric.Of(Known(1254, 0.4), "mm"), "1254.0 ±0.8 mm"},
		{"measured in inches", inches.Of(Known(25.4*49.375, 0.4), "mm"), "49 3/8 ±1/32 in"},
		{"surer than a rule shows", inches.Of(Known(25.4*49.375, 0.01), "mm"), "49 3/8 ±1/64 in"},
		{"exact", inches.Of(Known(25.4*49.375, 0), ""), "49 3/8"},
		{"not known", inches.Of(asfound.Quantity{}, "mm"), "not known"},
		{"an angle", inches.Of(Known(41.8, 0.1), "°"), "41.8 ±0.2°"},
		{"a lean", inches.Signed(Known(2, 0.5), "mm/m"), "+2.0 ±1.0 mm/m"},
		{"with its sign", inches.Signed(Known(25.4, 0.5), "mm"), "+1 ±3/64 in"},
		{"with its minus", inches.Signed(Known(-25.4, 0.5), "mm"), "-1 ±3/64 in"},
		{"what no stair has", inches.Length(1e9), "3.94e+07"},
		{"unit", inches.With("1/2"), "1/2 in"},
		{"unit of mm", metric.With("12.7"), "12.7 mm"},
	} {
		if tt.got != tt.want {
			t.Errorf("%s: %q, want %q", tt.what, tt.got, tt.want)
		}
	}
}

// What is printed in inches reads back as what it was, to half of its step.
func TestInchesReadBack(t *testing.T) {
	rapid.Check(t, func(rt *rapid.T) {
		mm := rapid.Float64Range(-3000, 3000).Draw(rt, "mm")
		for _, tt := range []struct {
			s          string
			step, most float64
		}{
			{inches.Length(mm), Inch / 32, Inch / 64}, {inches.Tolerance(mm), Inch / 64, Inch / 128}, {inches.Stop(mm, Inch*0.005), Inch / 1000, Inch / 2000},
		} {
			got, err := unit.ParseLength(tt.s + " in")
			if err != nil {
				rt.Fatalf("%q: %v", tt.s, err)
			}
			if off := math.Abs(got.MM() - mm); !(off <= tt.most+0.001) {
				rt.Errorf("%g mm is %q, off by %g", mm, tt.s, off)
			}
		}
		up, err := unit.ParseLength(inches.Whole(mm) + " in")
		if err != nil || !(up.MM() >= mm-0.001 && up.MM() < mm+Inch/16+0.001) {
			rt.Errorf("%g mm rounded up is %s, %v", mm, up, err)
		}
	})
}
