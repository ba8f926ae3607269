package fieldbook

import (
	"testing"

	"github.com/google/go-cmp/cmp"
	"pgregory.net/rapid"

	"pinchrod/store/journal"
	"pinchrod/survey"
)

// chained is a book of n entries of which entry i replaces links[i]; -1 for none.
func chained(links []int, struck []bool) (*Book, map[journal.Ref]int) {
	b, at := &Book{}, map[journal.Ref]int{}
	for i := range links {
		e := Entry{Ref: journal.Ref{Device: journal.ID{1}, Page: uint64(i + 1), Item: 1}, Reading: survey.Reading{What: survey.Gap}}
		if struck[i] {
			e.Struck = []Ruling{{Why: "x"}}
		}
		at[e.Ref] = i
		b.Entries = append(b.Entries, e)
	}
	for i, j := range links {
		if j >= 0 {
			b.Entries[i].Reading.Replaces = b.Entries[j].Ref
		}
	}
	return b, at
}

// Links of any kind, circles among them, come to what following each by itself
// comes to.
func TestCorrections(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		n := rapid.IntRange(1, 12).Draw(t, "entries")
		links := rapid.SliceOfN(rapid.IntRange(-1, n-1), n, n).Draw(t, "links")
		struck := rapid.SliceOfN(rapid.Bool(), n, n).Draw(t, "struck")
		b, at := chained(links, struck)
		want := make([][]journal.Ref, n)
		for i := range links {
			seen := map[int]bool{i: true}
			for j := links[i]; !struck[i] && j >= 0 && !seen[j]; j = links[j] {
				seen[j] = true
				want[j] = append(want[j], b.Entries[i].Ref)
			}
		}
		b.corrections(at)
		for i := range links {
			if diff := cmp.Diff(want[i], b.Entries[i].Fixed); diff != "" {
				t.Errorf("links %v, struck %v: entry %d (-want +got):\n%s", links, struck, i, diff)
			}
		}
	})
}

// A chain as long as a page can have it is followed once: each of its readings is
// corrected, and lists a few.
func TestLongChain(t *testing.T) {
	const n = 200_000
	links, struck := make([]int, n), make([]bool, n)
	for i := range links {
		links[i] = i - 1
	}
	b, at := chained(links, struck)
	b.corrections(at)
	for i, e := range b.Entries {
		if want := min(mostFixed+1, n-1-i); len(e.Fixed) < min(mostFixed, want) || len(e.Fixed) > want {
			t.Fatalf("entry %d lists %d corrections, want %d", i, len(e.Fixed), want)
		}
		if e.Stands() != (i == n-1) {
			t.Fatalf("entry %d stands: %t", i, e.Stands())
		}
	}
}
