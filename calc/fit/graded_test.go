package fit

import (
	"math"
	"math/rand/v2"
	"slices"
	"testing"

	"pgregory.net/rapid"
)

// checkGroups holds that graded pieces are grouped as a saw can cut them.
func checkGroups(t *rapid.T, n Needed, o Option) {
	stop := map[int]float64{}
	for i, g := range o.Group {
		if l, ok := stop[g]; ok && l != o.Stops[i] {
			t.Fatalf("group %d has stops %g and %g", g, l, o.Stops[i])
		}
		stop[g] = o.Stops[i]
	}
	if len(stop) != o.Settings || o.Settings < 2 {
		t.Fatalf("%d groups, %d settings", len(stop), o.Settings)
	}
	for i, a := range n.Mean {
		for j, b := range n.Mean {
			if a < b && o.Group[i] > o.Group[j] {
				t.Fatalf("piece of %g mm in group %d, of %g mm in %d", a, o.Group[i], b, o.Group[j])
			}
		}
	}
	for i := range o.Group {
		for j := range o.Group {
			if o.Group[i] != o.Group[j] && o.Stops[i] == o.Stops[j] {
				t.Fatalf("groups %d and %d have one stop", o.Group[i], o.Group[j])
			}
		}
	}
}

// minutesOf adds up, with exact normals, what pieces cut to one stop cost.
func minutesOf(n Needed, h House, pieces []int, stop float64) float64 {
	sum := 0.0
	for _, i := range pieces {
		d := math.Hypot(math.Sqrt(n.Cov.At(i, i)), math.Hypot(h.Waviness, h.Saw))
		x := stop - n.Mean[i]
		long, far := upper((h.Long-x)/d), upper((h.Long+3-x)/d)
		sum += h.Minutes.Recut*upper((h.Short+x)/d) + h.Minutes.Trim*(long-far) + h.Minutes.Fit*far
	}
	return sum
}

// bestOf returns the least minutes of pieces at one stop, of a fine scan.
func bestOf(n Needed, h House, pieces []int) float64 {
	least := math.Inf(1)
	for stop := 695.0; stop <= 717; stop += h.SawStep {
		least = min(least, minutesOf(n, h, pieces, stop))
	}
	return least
}

// Every way to put up to six pieces into groups, contiguous or not, is tried. None
// takes less than batch where it is one group, nor than graded where it is more.
func TestDecideAgainstAllGroupings(t *testing.T) {
	rng := rand.New(rand.NewPCG(3, 4))
	graded := 0
	for range 40 {
		h := DefaultHouse()
		h.Minutes.Setting = 4 * rng.Float64()
		pieces := 2 + rng.IntN(5)
		n := Needed{Mean: make([]float64, pieces), Cov: doubt(pieces, rng.Float64(), 0, 0)}
		for i := range n.Mean {
			n.Mean[i] = 700 + 12*rng.Float64()
		}
		best := [2]float64{math.Inf(1), math.Inf(1)}
		group := make([]int, pieces)
		var try func(i, groups int)
		try = func(i, groups int) {
			if i == pieces {
				sum := float64(groups)*h.Minutes.Setting + float64(pieces)*h.Minutes.Cut
				for g := range groups {
					var in []int
					for p := range group {
						if group[p] == g {
							in = append(in, p)
						}
					}
					sum += bestOf(n, h, in)
				}
				k := 0
				if groups > 1 {
					k, sum = 1, sum+float64(pieces)*h.Minutes.Sort
				}
				best[k] = min(best[k], sum)
				return
			}
			for g := range groups + 1 {
				group[i] = g
				try(i+1, max(groups, g+1))
			}
		}
		try(0, 0)
		v := decide(t, n, h)
		near(t, "batch", option(t, v, Batch).Expected, best[0], tie+1e-6)
		for _, o := range v.Options {
			if o.Cut == Graded {
				graded++
				near(t, "graded", o.Expected, best[1], tie*float64(o.Settings)+1e-6)
			}
		}
		near(t, "least", leastOf(t, n, h), min(best[0], best[1], option(t, v, FitEach).Expected), 1e-6)
	}
	if graded < 35 {
		t.Errorf("only %d of 40 had two stops", graded)
	}
}

func leastOf(t *testing.T, n Needed, h House) float64 {
	return shopOf(t, h).least(newSet(&h, n, n.variances(), fine))
}

// More stops never cost more before their settings.
func TestMoreStopsNeverCostMore(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		n := drawNeeded(t, 10)
		h := DefaultHouse()
		w := newSet(&h, n, n.variances(), fine)
		w.fill(h.prices()[0])
		last := math.Inf(1)
		for _, setting := range []float64{64, 16, 4, 1, 0.25, 0} {
			h.Minutes.Setting = setting
			d := w.divide()
			best := d[0]
			if d[1].minutes < best.minutes {
				best = d[1]
			}
			misfits := best.minutes - setting*float64(len(best.starts))
			if misfits > last+1e-9 {
				t.Fatalf("cheaper settings, %d groups, and %g minutes of misfits after %g", len(best.starts), misfits, last)
			}
			last = misfits
			if !slices.IsSorted(best.starts) || best.starts[0] != 0 {
				t.Fatalf("groups start at %v", best.starts)
			}
			sum := 0.0
			for k, i := range best.starts {
				j := len(n.Mean)
				if k+1 < len(best.starts) {
					j = best.starts[k+1]
				}
				sum += setting + w.group(i, j)
			}
			near(t, "minutes of a division", best.minutes, sum, 1e-9)
		}
		near(t, "each its own stop", last, w.own, 1e-9)
	})
}

// Two lengths whose best stops round alike are one batch, and graded is no option.
func TestStopsThatRoundAlikeAreOne(t *testing.T) {
	v := decide(t, Needed{Mean: []float64{700, 700.1, 700, 700.1}}, DefaultHouse())
	if v.Cut != Batch || len(v.Options) != 2 {
		t.Errorf("got %+v", v)
	}
	// Of eight lengths 0.4 mm apart, some neighbours share a stop of whole 2 mm.
	h := DefaultHouse()
	h.SawStep, h.Minutes.Setting = 2, 0
	o := option(t, decide(t, Needed{Mean: rising(8, 2.8)}, h), Graded)
	if o.Settings > 3 {
		t.Errorf("%d settings of %v", o.Settings, o.Stops)
	}
}
