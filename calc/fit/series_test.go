package fit

import (
	"math"
	"testing"

	"github.com/google/go-cmp/cmp"
	"pgregory.net/rapid"
)

func TestSeries(t *testing.T) {
	for _, c := range []struct {
		name  string
		need  []float64
		joint float64
		stops []float64
		group []int
	}{
		{"one batch, rounded up", []float64{117.21, 117.21, 117.21}, 0.5, []float64{117.3}, []int{0, 0, 0}},
		{"a whole tenth stays", []float64{117.2, 117.2}, 0.5, []float64{117.2}, []int{0, 0}},
		{"never down", []float64{117.2001}, 0.5, []float64{117.3}, []int{0}},
		{"the mean of a group", []float64{117, 117.2, 117.4}, 0.5, []float64{117.2}, []int{0, 0, 0}},
		{"first beside a leaning post", []float64{119, 117.2, 117.2, 117.2}, 0.5, []float64{119, 117.2}, []int{0, 1, 1, 1}},
		{"both ends", []float64{119, 117.2, 117.2, 118}, 0.5, []float64{119, 117.2, 118}, []int{0, 1, 1, 2}},
		{"neighbours differ by the joint only", []float64{118, 117.5}, 0.5, []float64{117.8}, []int{0, 0}},
		{"a slow change is one group", []float64{117, 117.3, 117.6, 117.9}, 0.5, []float64{117.5}, []int{0, 0, 0, 0}},
		// Three cuts are allowed, two are made: the third would part 118 from 117.
		{"never four", []float64{125, 118, 117, 110}, 0.5, []float64{125, 117.5, 110}, []int{0, 1, 1, 2}},
		{"no joint at all", []float64{117, 117.1}, 0, []float64{117, 117.1}, []int{0, 1}},
	} {
		got := Series(c.need, c.joint)
		if diff := cmp.Diff(c.group, got.Group); diff != "" || len(got.Stops) != len(c.stops) {
			t.Errorf("%s: stops %v, groups (-want +got):\n%s", c.name, got.Stops, diff)
			continue
		}
		for i := range c.stops {
			near(t, c.name, got.Stops[i], c.stops[i], 1e-9)
		}
	}
	for _, need := range [][]float64{nil, {}, {117, math.NaN()}, {math.Inf(1)}, {-2e6}} {
		if diff := cmp.Diff(Grouping{}, Series(need, 0.5)); diff != "" {
			t.Errorf("%v: (-want +got)\n%s", need, diff)
		}
	}
}

// Fillets are never shorter than needed in all, and less than 0.1 mm each longer.
// No other grouping that the joint allows has a smaller sum of squares.
func TestSeriesProperties(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		need := rapid.SliceOfN(rapid.Float64Range(80, 130), 1, 25).Draw(t, "need")
		joint := rapid.Float64Range(0, 20).Draw(t, "joint")
		g := Series(need, joint)
		over, sum := 0.0, 0.0
		groups := make([][]float64, len(g.Stops))
		for i, k := range g.Group {
			over += g.Stops[k] - need[i]
			groups[k] = append(groups[k], need[i])
			if i == 0 {
				continue
			}
			if step := k - g.Group[i-1]; step < 0 || step > 1 || step == 1 && math.Abs(need[i]-need[i-1]) <= joint {
				t.Fatalf("groups %v of %v", g.Group, need)
			}
		}
		if n := float64(len(need)); !(over > -1e-6*n && over < 0.1*n+1e-9) {
			t.Fatalf("together %g mm longer than needed", over)
		}
		for k, in := range groups {
			sum += squares(in)
			near(t, "tenths", g.Stops[k]*10, math.Round(g.Stops[k]*10), 1e-6)
		}
		if len(groups) > 3 {
			t.Fatalf("%d groups", len(groups))
		}
		for i := range need {
			if i > 0 && math.Abs(need[i]-need[i-1]) > joint {
				if s := squares(need[:i]) + squares(need[i:]); s < sum-1e-9 {
					t.Fatalf("a cut before %d has %g, those made %g", i, s, sum)
				}
			}
		}
	})
}
