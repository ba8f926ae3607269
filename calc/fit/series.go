package fit

import "math"

// Grouping is how fillets are cut: in order along the rail, in one to three groups.
type Grouping struct {
	Stops []float64 // mm along the rail, one per group, rounded up to stopOfFillets
	Group []int     // the group of each fillet
}

const (
	// stopOfFillets is what the stop of fillets is rounded up to, mm.
	stopOfFillets = 0.1
	// mostGroups of fillets are kept apart on site.
	mostGroups = 3
)

// Series groups fillets that are glued one after the other. need holds their
// lengths in order along the rail, mm, without a last one that is cut to what is
// left. A group begins only where a fillet differs from the one before it by more
// than joint, mm; of the groupings that this allows it is the one with the least
// sum of squares
//
//	Σ (need_i − mean of its group)²
//
// The stop of a group is the mean of its needs, rounded up to 0.1 mm. The last
// space takes the sum of all errors, so the groups keep the sum of the needs:
// the fillets together are never shorter than needed, and longer by less than
// 0.1 mm each.
//
// Needs that are no numbers, or none, give the zero Grouping.
func Series(need []float64, joint float64) Grouping {
	n := len(need)
	cuts := []int{0} // where a group may begin
	for i, x := range need {
		if !(math.Abs(x) <= mostLength) {
			return Grouping{}
		}
		if i > 0 && math.Abs(x-need[i-1]) > joint {
			cuts = append(cuts, i)
		}
	}
	if n == 0 {
		return Grouping{}
	}
	// Two cuts at most, so that all pairs are tried; equal cuts are one.
	first, second, least := 0, 0, math.Inf(1)
	for a, i := range cuts {
		for _, j := range cuts[a:] {
			if s := squares(need[:i]) + squares(need[i:j]) + squares(need[j:]); s < least-1e-12 {
				first, second, least = i, j, s
			}
		}
	}
	g := Grouping{Group: make([]int, n)}
	ends := [mostGroups + 1]int{0, first, second, n}
	for k := range mostGroups {
		part := need[ends[k]:ends[k+1]]
		if len(part) == 0 {
			continue
		}
		for i := ends[k]; i < ends[k+1]; i++ {
			g.Group[i] = len(g.Stops)
		}
		// A mean is good to 1e-12 of its size, so 1e-6 of a step is no length.
		g.Stops = append(g.Stops, math.Ceil(mean(part)/stopOfFillets-1e-6)*stopOfFillets)
	}
	return g
}

func mean(x []float64) float64 {
	sum := 0.0
	for _, v := range x {
		sum += v
	}
	return sum / float64(len(x))
}

// squares returns the sum of the squared differences from the mean.
func squares(x []float64) float64 {
	sum, m := 0.0, mean(x)
	for _, v := range x {
		sum += (v - m) * (v - m)
	}
	return sum
}
