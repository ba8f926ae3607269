package stock

import (
	"cmp"
	"math"
	"slices"
)

// knapsack finds the pattern of greatest value for one bin: branch and bound, depth first, items by value per length.
// Values and lengths are whole numbers, so what it finds is exact.
type knapsack struct {
	item  []int
	size  []int64
	value []int64
	limit []int64   // how many of each
	each  []float64 // value per length, rounded up; 0 after the last
	short []int64   // the least size from here on
	n     []int64   // the pattern at hand
	best  []int64
	table []int64 // see tabulate; empty while there is none
	cell  int64
	cells int
}

// fill takes up the items that the bin admits, that are still wanted and that are worth something.
func (k *knapsack) fill(p *problem, b bin, need []int, value []int64) {
	k.item = k.item[:0]
	for i, it := range p.items {
		if need[i] > 0 && value[i] > 0 && b.admits(it) {
			k.item = append(k.item, i)
		}
	}
	density := func(i int) float64 { return float64(value[i]) / float64(p.items[i].size) }
	slices.SortFunc(k.item, func(i, j int) int {
		return cmp.Or(cmp.Compare(density(j), density(i)), cmp.Compare(i, j))
	})
	k.size, k.value, k.limit, k.each, k.short = k.size[:0], k.value[:0], k.limit[:0], k.each[:0], k.short[:0]
	for _, i := range k.item {
		k.size = append(k.size, p.items[i].size)
		k.value = append(k.value, value[i])
		k.limit = append(k.limit, min(int64(need[i]), b.room/p.items[i].size))
		// Values are below 2^53: the quotient is off by half an ulp, and an ulp more is an upper bound.
		k.each = append(k.each, math.Nextafter(density(i), math.Inf(1)))
	}
	k.each = append(k.each, 0)
	k.short = slices.Grow(k.short, len(k.item)+1)[:len(k.item)+1]
	k.short[len(k.item)] = math.MaxInt64
	for d := len(k.item) - 1; d >= 0; d-- {
		k.short[d] = min(k.short[d+1], k.size[d])
	}
	k.n = slices.Grow(k.n[:0], len(k.item))[:len(k.item)]
	k.best = slices.Grow(k.best[:0], len(k.item))[:len(k.item)]
	clear(k.n)
	clear(k.best)
	k.table = k.table[:0]
}

// tabulate fills a table of what the items from each depth on can add at most in each room, with lengths rounded down
// to cells (dynamic programming), about grid of them. It bounds well where many pieces are almost of a length and the continuous bound
// believes in a part of one more. It gives the steps it took.
func (k *knapsack) tabulate(room, grid int64) int {
	k.cell = room/grid + 1
	k.cells = int(room/k.cell) + 1
	last := len(k.item)
	k.table = slices.Grow(k.table[:0], (last+1)*k.cells)[:(last+1)*k.cells]
	after := k.table[last*k.cells:]
	clear(after)
	took := 0
	for d := last - 1; d >= 0; d-- {
		here := k.table[d*k.cells : (d+1)*k.cells]
		copy(here, after)
		size := int(k.size[d] / k.cell)
		// 1, 2, 4 … and the rest of the limit make every number up to it.
		for left, n := int(k.limit[d]), 1; left > 0; n *= 2 {
			n = min(n, left)
			left -= n
			add := int64(n) * k.value[d]
			for c := k.cells - 1; c >= n*size; c-- {
				here[c] = max(here[c], here[c-n*size]+add)
			}
			took += k.cells
		}
		after = here
	}
	return took / 8 // a cell is about an eighth of a node
}

// bound is what items from depth d on can add at most in the room: the value of the continuous problem, or of
// the table.
func (k *knapsack) bound(d int, room int64) int64 {
	if room < k.short[d] {
		return 0
	}
	if len(k.table) > 0 {
		return k.table[d*k.cells+int(room/k.cell)]
	}
	sum := int64(0)
	for ; d < len(k.item); d++ {
		take := k.limit[d] * k.size[d]
		if take > room {
			break
		}
		room -= take
		sum += k.limit[d] * k.value[d]
	}
	// The product is below 2^53 and its error below 1.
	return sum + int64(float64(room)*k.each[d]) + 1
}

// The stages of a search: how many nodes it takes, and how many cells the table has that it takes. Most end in the
// first; of the others, most with cells of 2 mm in a bar of 4 m; the last is for twenty pieces on a bar, all nearly of a
// length.
var stages = []struct {
	nodes int
	cells int64
}{{2_000, 0}, {20_000, 2_048}, {math.MaxInt, 16_384}}

// solve finds a pattern worth more than floor, among those that refused lets pass, and says what no pattern exceeds:
// the value of the one found; floor when there is none above it; or something larger when it was cut short after about
// the steps given. k.best holds the pattern when one was found.
func (k *knapsack) solve(room, floor int64, steps int, refused func(*knapsack) bool) (most int64, found bool, took int) {
	best, done := floor, false
	for _, stage := range stages {
		if stage.cells > 0 {
			took += k.tabulate(room, stage.cells)
		}
		var more int
		best, done, more = k.search(room, best, min(stage.nodes, steps-took), refused)
		took += more
		if done || took >= steps {
			break
		}
	}
	most = best
	if !done {
		most = max(best, k.bound(0, room))
	}
	return most, best > floor, took
}

// search keeps what is worth more than best and gives what that is then, and whether it is the most there can be.
func (k *knapsack) search(room, best int64, steps int, refused func(*knapsack) bool) (value int64, done bool, took int) {
	clear(k.n)
	last, d := len(k.item), 0
	for ; took < steps; took++ {
		if value+k.bound(d, room) > best {
			if d < last {
				k.n[d] = min(k.limit[d], room/k.size[d])
				room -= k.n[d] * k.size[d]
				value += k.n[d] * k.value[d]
				d++
				continue
			}
			if value > best && !refused(k) {
				best = value
				copy(k.best, k.n)
			}
		}
		// Back to the last item that can be fewer and still leave room for something better.
		for {
			for d > 0 && k.n[d-1] == 0 {
				d--
			}
			if d == 0 {
				return best, true, took
			}
			k.n[d-1]--
			room += k.size[d-1]
			value -= k.value[d-1]
			if value+k.bound(d, room) > best {
				break
			}
		}
	}
	return best, false, took
}

// terms puts counts of the sack's items in the order of the problem's.
func (k *knapsack) terms(n []int64) []term {
	var out []term
	for d, x := range n {
		if x > 0 {
			out = append(out, term{k.item[d], int(x)})
		}
	}
	slices.SortFunc(out, func(a, b term) int { return cmp.Compare(a.item, b.item) })
	return out
}
