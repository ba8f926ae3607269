package stock

import (
	"math"
	"testing"

	"pgregory.net/rapid"
)

// The search against every pattern, without a table and with tables as coarse as can be.
func TestKnapsack(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		p := &problem{}
		var need []int
		var value []int64
		for range rapid.IntRange(1, 6).Draw(t, "items") {
			size := rapid.Int64Range(1, 400).Draw(t, "size")
			p.items = append(p.items, item{size: size, wedge: rapid.Int64Range(-1, 1).Draw(t, "wedge")})
			need = append(need, rapid.IntRange(0, 3).Draw(t, "need"))
			// Values near the sizes are the hard ones, and those that come.
			value = append(value, size*20+rapid.Int64Range(-30, 30).Draw(t, "value"))
		}
		b := bin{most: 1, least: rapid.Int64Range(-1, 0).Draw(t, "least"), room: rapid.Int64Range(1, 1500).Draw(t, "room")}
		odd := rapid.Bool().Draw(t, "odd") // refuse patterns with an odd number of the first item
		refused := func(k *knapsack) bool {
			for d, i := range k.item {
				if i == 0 {
					return odd && k.n[d]%2 == 1
				}
			}
			return false
		}
		best := int64(0)
		n := make([]int, len(need))
		var try func(i int, room, sum int64)
		try = func(i int, room, sum int64) {
			if i == len(n) {
				if !odd || n[0]%2 == 0 {
					best = max(best, sum)
				}
				return
			}
			for n[i] = 0; n[i] <= need[i] && int64(n[i])*p.items[i].size <= room; n[i]++ {
				if n[i] > 0 && (!b.admits(p.items[i]) || value[i] <= 0) {
					break
				}
				try(i+1, room-int64(n[i])*p.items[i].size, sum+int64(n[i])*value[i])
			}
			n[i] = 0
		}
		try(0, b.room, 0)

		floor := rapid.Int64Range(0, best+5).Draw(t, "floor")
		check := func(name string, k *knapsack, most int64, found bool) {
			if found != (best > floor) || most != max(best, floor) {
				t.Fatalf("%s: %d, found %t; want %d above %d", name, most, found, best, floor)
			}
			var size, sum int64
			for _, x := range k.terms(k.best) {
				size += int64(x.n) * p.items[x.item].size
				sum += int64(x.n) * value[x.item]
			}
			if found && (sum != best || size > b.room) {
				t.Fatalf("%s: the pattern is worth %d and takes %d of %d; want %d", name, sum, size, b.room, best)
			}
		}
		var k knapsack
		k.fill(p, b, need, value)
		most, found, _ := k.solve(b.room, floor, math.MaxInt, refused)
		check("solve", &k, most, found)
		for _, cells := range []int64{1, 7, 100, 5000} {
			k.fill(p, b, need, value)
			k.tabulate(b.room, cells)
			if up := k.bound(0, b.room); up < best {
				t.Fatalf("%d cells: bound %d, there is %d", cells, up, best)
			}
			most, done, _ := k.search(b.room, floor, math.MaxInt, refused)
			if !done {
				t.Fatalf("%d cells: not done", cells)
			}
			check("table", &k, most, most > floor)
		}
		k.fill(p, b, need, value)
		steps := rapid.IntRange(0, 30).Draw(t, "steps")
		if most, _, took := k.solve(b.room, floor, steps, refused); most < max(best, floor) || took > steps {
			t.Fatalf("%d steps: %d after %d, there is %d", steps, most, took, best)
		}
	})
}

func TestGather(t *testing.T) {
	as := gather([]int64{0, 300, 3000, 2501, 2500, -3000, -2600, 100}, oneBevel)
	for wedge, want := range map[int64]int64{0: 0, 300: 300, 100: 300, 3000: 3000, 2501: 3000, 2500: 2500, -3000: -3000, -2600: -3000} {
		if as[wedge] != want {
			t.Errorf("%d counts as %d, want %d", wedge, as[wedge], want)
		}
	}
}

// The coarse problems bracket the real one: what fits of the larger fits of the real, and what fits of the real fits of
// the smaller.
func TestCoarse(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		p := &problem{kinds: []kind{{length: 2_400_000, room: 2_400_000, cost: 1, count: 100}}}
		size := int64(900_000)
		for range rapid.IntRange(20, 60).Draw(t, "items") {
			size -= rapid.Int64Range(1, 9_000).Draw(t, "less")
			p.items = append(p.items, item{size: size, wedge: rapid.SampledFrom([]int64{0, 30_000, 33_000, -30_000}).Draw(t, "wedge"), need: rapid.IntRange(1, 3).Draw(t, "need")})
		}
		larger, smaller, of := p.coarse()
		seen := map[int]bool{}
		for g, members := range of {
			need := 0
			l, s := larger.items[g], smaller.items[g]
			for _, i := range members {
				it := p.items[i]
				need += it.need
				if seen[i] || l.size < it.size || s.size > it.size || it.wedge*l.wedge < 0 ||
					max(it.wedge, -it.wedge) > max(l.wedge, -l.wedge) || max(it.wedge, -it.wedge) < max(s.wedge, -s.wedge) {
					t.Fatalf("%+v (seen before: %t) is not between %+v and %+v", it, seen[i], s, l)
				}
				seen[i] = true
			}
			if l.need != need || s.need != need {
				t.Fatalf("group %d needs %d and %d, want %d", g, l.need, s.need, need)
			}
		}
		if len(seen) != len(p.items) {
			t.Fatalf("%d of %d items are in a group", len(seen), len(p.items))
		}
		up := newSearch(larger, aim{}, 10_000)
		up.start(nil)
		need := make([]int, len(p.items))
		for _, bar := range p.refine(up.best, of) {
			if used := p.used(bar); used > p.kinds[0].room {
				t.Fatalf("a bar of the larger takes %d of the real", used)
			}
			for _, x := range bar.terms {
				need[x.item] += x.n
			}
		}
		for i, it := range p.items {
			if need[i] != it.need {
				t.Fatalf("item %d is cut %d times, want %d", i, need[i], it.need)
			}
		}
	})
}
