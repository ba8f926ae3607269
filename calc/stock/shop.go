package stock

import (
	"cmp"
	"fmt"
	"math"
	"slices"
)

const (
	perMM    = 1000 // lengths are planned in whole micrometres
	perPrice = 1e4  // prices in whole ten-thousandths
)

// shop is one section: the problem in whole numbers, and where its items and kinds come from.
type shop struct {
	problem
	pieces []Piece
	bars   []Bar
	kerf   float64
	trim   float64
	unit   int64   // what a cost of 1 is
	of     [][]int // per item: the piece of each one wanted
	from   [][]int // per kind: the bar of each one there
}

func newShop(section string, pieces []Piece, bars []Bar, o Options, priced bool) (*shop, error) {
	s := &shop{pieces: pieces, bars: bars, kerf: o.Kerf, trim: o.Trim}
	width := 0.0
	var kinds []int
	for i, b := range bars {
		if b.Section == section {
			width = b.Width
			kinds = append(kinds, i)
		}
	}
	var wanted []int
	var wedges []int64
	total := 0
	for i, p := range pieces {
		if p.Section == section {
			wanted = append(wanted, i)
			wedges = append(wedges, p.wedge(width))
			total += p.Count
		}
	}
	as := gather(wedges, oneBevel)
	longest := int64(0)
	for _, i := range kinds {
		longest = max(longest, down(bars[i].Length-o.Trim))
	}
	items := map[item][]int{}
	for _, i := range wanted {
		p := pieces[i]
		it := item{size: p.take(width, o.Kerf), wedge: as[p.wedge(width)]}
		if need := it.size + abs(it.wedge); need > longest {
			if len(kinds) == 0 {
				return nil, fmt.Errorf("%s: %w: there is no bar%s", p.name(i), ErrStock, of(section))
			}
			return nil, fmt.Errorf("%s: %w: it takes %g mm, the longest gives %g mm", p.name(i), ErrTooLong,
				float64(need)/perMM, float64(longest)/perMM)
		}
		items[it] = append(items[it], slices.Repeat([]int{i}, p.Count)...)
	}
	for it := range items {
		s.items = append(s.items, it)
	}
	slices.SortFunc(s.items, func(a, b item) int {
		return cmp.Or(cmp.Compare(b.size, a.size), cmp.Compare(a.wedge, b.wedge))
	})
	for i := range s.items {
		from := items[s.items[i]]
		s.items[i].need = len(from)
		s.of = append(s.of, from)
	}

	same := map[kind][]int{}
	for _, i := range kinds {
		b := bars[i]
		k := kind{length: up(b.Length), room: down(b.Length - o.Trim), cost: cost(b, priced)}
		if k.room > 0 {
			same[k] = append(same[k], i)
		}
	}
	for k := range same {
		s.kinds = append(s.kinds, k)
	}
	slices.SortFunc(s.kinds, func(a, b kind) int {
		return cmp.Or(cmp.Compare(b.room, a.room), cmp.Compare(b.length, a.length), cmp.Compare(a.cost, b.cost))
	})
	for _, k := range s.kinds {
		s.unit = gcd(s.unit, k.cost)
	}
	s.unit = max(s.unit, 1)
	for i := range s.kinds {
		var from []int
		for _, j := range same[s.kinds[i]] {
			// A bar without a piece is none: more of them than there are pieces say nothing.
			n := bars[j].Count
			if n == 0 || n > total-len(from) {
				n = total - len(from)
			}
			from = append(from, slices.Repeat([]int{j}, n)...)
		}
		s.from = append(s.from, from)
		s.kinds[i].cost /= s.unit
		s.kinds[i].count = len(from)
	}
	if o.MinOffcut > 0 {
		s.minOffcut = up(o.MinOffcut)
	}
	return s, nil
}

func cost(b Bar, priced bool) int64 {
	switch {
	case priced:
		return int64(math.Round(b.Price * perPrice))
	case b.Offcut:
		return 0
	}
	return 1
}

func gcd(a, b int64) int64 {
	for b != 0 {
		a, b = b, a%b
	}
	return a
}
