package fit

import "math"

// division cuts the pieces, in order of length, into contiguous groups.
type division struct {
	minutes float64 // of the settings and the misfits
	starts  []int   // where each group begins; none where there are too few pieces
}

// divide finds the best division into one group and the best into two or more,
//
//	f(j) = min over i < j of f(i) + setting + min over stops of cost of pieces i..j−1 at it,
//
// with f(0) = 0. Every group costs its setting, so this finds the number of
// groups too. With lengths that are equally doubtful no other grouping is better
// than a contiguous one. The cost of a group is a difference of two sums that
// fill worked out.
func (w *set) divide() [2]division {
	n, setting := len(w.mean), w.h.Minutes.Setting
	one := make([]float64, n+1)  // the first j pieces in one group
	more := make([]float64, n+1) // in two or more
	from := make([]int, n+1)     // where the last of these groups begins
	more[0] = math.Inf(1)
	for j := 1; j <= n; j++ {
		one[j], more[j] = setting+w.group(0, j), math.Inf(1)
		for i := 1; i < j; i++ {
			if c := min(one[i], more[i]) + setting + w.group(i, j); c < more[j] {
				more[j], from[j] = c, i
			}
		}
	}
	out := [2]division{{one[n], []int{0}}, {more[n], nil}}
	if n < 2 {
		return out
	}
	starts := []int{0}
	for j := n; ; j = from[j] {
		starts = append(starts, from[j])
		if one[from[j]] <= more[from[j]] {
			break
		}
	}
	// They were found from the last to the first, after the zero.
	for a, b := 1, len(starts)-1; a < b; a, b = a+1, b-1 {
		starts[a], starts[b] = starts[b], starts[a]
	}
	out[1].starts = starts
	return out
}

// group returns the least minutes of misfits of pieces i to j−1 at one stop.
func (w *set) group(i, j int) float64 {
	least := math.Inf(1)
	a, b := w.cost[i], w.cost[j]
	for g := range b {
		least = min(least, b[g]-a[g])
	}
	return least
}
