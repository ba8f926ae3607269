package stockplan

import (
	"cmp"
	"errors"
	"fmt"
	"slices"
	"strings"

	"pinchrod/calc/stock"
	"pinchrod/survey"
	"pinchrod/survey/report"
)

// What a bar costs where too few are there: one that is there nothing, one that
// can be bought 1, and one more than there are so much that no plan saves it by
// buying, as none buys more bars than there are pieces.
const (
	costBuy  = 1
	costMore = 100_000
)

// soldBar is what is missing where nothing but offcuts is there, mm: a length that
// is sold; common practice, no source.
const soldBar = 2400

// short plans a section that the bars there are do not hold: with as few more of
// them as can be found. What lies in those is left out, and the plan says how many
// more would do.
//
// Of bars of one length those with the most pieces are the ones that are there. It
// need not be the most that could be sawn from them: a plan for that may take more
// bars in the end.
func (p *Plan) short(k *kin, bars []stock.Bar, o stock.Options) error {
	all := withMore(bars)
	r, err := stock.Plan(k.wanted(), all, o)
	switch {
	case errors.Is(err, stock.ErrStock), errors.Is(err, stock.ErrSteps):
		p.leave(k, "no way was found to cut them from the bars there are", "add bars, or let some have no count")
		return nil
	case err != nil:
		return fmt.Errorf("%s: %w", k.name, err)
	}
	there, more := fullestFirst(r.Bars, all, len(bars))
	var missing []Buy
	for _, b := range more {
		missing = counted(missing, Buy{Section: k.name, Length: all[b.Bar].Length})
	}
	cut := make([]int, len(k.parts))
	sawn := stock.Result{Bars: there, Priced: slices.ContainsFunc(bars, func(b stock.Bar) bool { return b.Price > 0 })}
	for _, b := range there {
		sawn.Cost += bars[b.Bar].Price
		sawn.Waste += b.Waste
		for _, c := range b.Cuts {
			cut[c.Piece]++
		}
	}
	left := p.leaveRest(k, cut, missing)
	if len(there) == 0 {
		return nil
	}
	p.take(k, bars, sawn)
	s := &p.Sections[len(p.Sections)-1]
	s.Short = missing
	s.Claim = fmt.Sprintf("%d of %s from the bars there are; %s for the rest", s.Pieces, report.Count(s.Pieces+left, "piece"), p.wouldDo(missing))
	s.Proven, s.Gap, s.WasteBound = false, 0, 0
	return nil
}

// withMore are the bars by what they cost here, and after them as many more as are
// wanted of each length that is counted.
func withMore(bars []stock.Bar) []stock.Bar {
	all := slices.Clone(bars)
	var more []stock.Bar
	longest := stock.Bar{Length: soldBar}
	for i := range all {
		b := &all[i]
		longest.Length, longest.Width = max(longest.Length, b.Length), b.Width
		switch {
		case b.Offcut:
			b.Price = 0
		case b.Count == 0:
			b.Price = costBuy
		default:
			b.Price, b.Offcut = 0, true
			more = append(more, stock.Bar{Length: b.Length, Width: b.Width, Price: costMore})
		}
	}
	if len(more) == 0 {
		longest.Price = costMore
		more = append(more, longest)
	}
	slices.SortFunc(more, func(a, b stock.Bar) int { return cmp.Compare(b.Length, a.Length) })
	return append(all, slices.Compact(more)...)
}

// fullestFirst parts the bars of a plan into those that are there, of which there
// are n kinds, and those that are not; of one length those with the most pieces
// are there.
func fullestFirst(plan []stock.Sawn, all []stock.Bar, n int) (there, more []stock.Sawn) {
	byCuts := slices.SortedStableFunc(slices.Values(plan), func(a, b stock.Sawn) int { return cmp.Compare(len(b.Cuts), len(a.Cuts)) })
	slots := map[float64][]int{} // by length: which bars are drawn, those that are there first
	for _, b := range plan {
		slots[all[b.Bar].Length] = append(slots[all[b.Bar].Length], b.Bar)
	}
	for _, s := range slots {
		slices.Sort(s)
	}
	for _, b := range byCuts {
		s := slots[all[b.Bar].Length]
		b.Bar, slots[all[b.Bar].Length] = s[0], s[1:]
		if b.Bar < n {
			there = append(there, b)
		} else {
			more = append(more, b)
		}
	}
	slices.SortStableFunc(there, func(a, b stock.Sawn) int { return cmp.Compare(a.Bar, b.Bar) })
	return there, more
}

// leaveRest lists what is not cut of a section, bay by bay, and counts it. Of each
// part the first are cut, so that spares are left before pieces.
func (p *Plan) leaveRest(k *kin, cut []int, missing []Buy) (left int) {
	ids := map[survey.Place][]string{}
	var bays []survey.Place
	for i, q := range k.parts {
		rest := q.ids[cut[i]:]
		if len(rest) == 0 {
			continue
		}
		if ids[q.sheet.Bay] == nil {
			bays = append(bays, q.sheet.Bay)
		}
		ids[q.sheet.Bay] = append(ids[q.sheet.Bay], rest...)
		left += len(rest)
	}
	next := p.wouldDo(missing)
	if len(bays) > 1 {
		next += " for all that is left of " + k.name
	}
	for _, bay := range bays {
		slices.SortStableFunc(ids[bay], byNumber)
		p.Left = append(p.Left, Left{bay, ranges(ids[bay]), fmt.Sprintf("the bars of %s there are do not hold them", k.name), next})
	}
	return left
}

// wouldDo says what is missing: "3 more of 2400 mm would do".
func (p *Plan) wouldDo(missing []Buy) string {
	var out []string
	for i, b := range missing {
		s := fmt.Sprintf("%d of %s", b.Count, p.Rule.With(short(b.Length, p.Rule)))
		if i == 0 {
			s = fmt.Sprintf("%d more of %s", b.Count, p.Rule.With(short(b.Length, p.Rule)))
		}
		out = append(out, s)
	}
	return strings.Join(out, " and ") + " would do"
}
