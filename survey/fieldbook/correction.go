package fieldbook

import (
	"slices"

	"pinchrod/store/journal"
)

// mostFixed bounds the corrections that are listed of one reading: nobody reads a
// tape so often, and of a chain of n that a hostile log may have, each reading
// would list all behind it, n² of them.
const mostFixed = 64

// corrections hands every standing reading to all the readings it replaces, along
// the chain of links, in the order of the entries; at gives the place of an entry.
// A link that leads in a circle, which only a damaged or hostile log has, ends
// where it closes.
//
// Each reading replaces one at most, so what it gets is what those that replace it
// got, and they themselves; a circle gets all that leads into it and its own.
func (b *Book) corrections(at map[journal.Ref]int) {
	next := make([]int, len(b.Entries)) // which entry it replaces; -1 for none
	into := make([]int, len(b.Entries)) // how many that replace it have not been handed on
	for i := range b.Entries {
		next[i] = -1
		if j, ok := at[b.Entries[i].Reading.Replaces]; ok && j != i {
			next[i] = j
			into[j]++
		}
	}
	fixed := make([][]int, len(b.Entries))
	handed := make([]bool, len(b.Entries))
	handOn := func(i int) []int { // what i gives to the one it replaces
		handed[i] = true
		if len(b.Entries[i].Struck) > 0 {
			return fixed[i]
		}
		return append([]int{i}, fixed[i]...)
	}
	for i := range b.Entries {
		for j := i; j >= 0 && into[j] == 0 && !handed[j]; j = next[j] {
			gives := handOn(j)
			if n := next[j]; n >= 0 {
				fixed[n] = merged(fixed[n], gives)
				into[n]--
			}
		}
	}
	for i := range b.Entries {
		if handed[i] {
			continue
		}
		var circle, gives []int // none of it was handed on
		for j := i; !handed[j]; j = next[j] {
			circle = append(circle, j)
			gives = merged(gives, handOn(j))
		}
		for _, j := range circle {
			fixed[j] = slices.DeleteFunc(slices.Clone(gives), func(k int) bool { return k == j })
		}
	}
	for i, by := range fixed {
		for _, j := range by {
			b.Entries[i].Fixed = append(b.Entries[i].Fixed, b.Entries[j].Ref)
		}
	}
}

// merged are two lists in one, in order, as far as it is listed. One more than
// that is kept, since a circle leaves each entry out of its own list.
func merged(a, b []int) []int {
	all := slices.Concat(a, b)
	slices.Sort(all)
	all = slices.Compact(all)
	return all[:min(len(all), mostFixed+1)]
}
