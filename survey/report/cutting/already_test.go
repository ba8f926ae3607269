package cutting

import (
	"maps"
	"slices"
	"strings"
	"testing"

	"github.com/google/go-cmp/cmp"

	"pinchrod/calc/pieces"
	"pinchrod/calc/unit"
	"pinchrod/store/journal"
	"pinchrod/survey"
	"pinchrod/survey/asfound"
	"pinchrod/survey/fieldbook"
)

// What was cut counts while it fits as far as the book can tell; else it is a misfit,
// with what to do about it.
func TestAlreadyCut(t *testing.T) {
	set := asfound.Defaults()
	old := one(t, leaning, set)
	spindles := old.Set(pieces.Spindle)
	n := uint32(len(spindles.Pieces))
	cut := func(off float64, which ...uint32) survey.Made {
		m := old.Made(spindles, &spindles.Settings[0], unit.FromMM(spindles.Settings[0].Stop+off))
		if which != nil {
			m.Pieces = which
		}
		return m
	}
	recut, _, err := old.Recut(spindles, 5, unit.FromMM(spindles.Pieces[4].Needed))
	if err != nil {
		t.Fatal(err)
	}
	other := cut(0)
	other.Part = survey.PartRailFillet
	spare := cut(0)
	spare.Pieces, spare.Spares = nil, 2
	for _, tt := range []struct {
		name      string
		made      []survey.Made
		numbers   []int
		spares    int
		misfits   [][]int // their pieces
		why, next string  // of the first
	}{
		{name: "nothing"},
		{name: "of other pieces", made: []survey.Made{other}},
		{name: "fits", made: []survey.Made{cut(0, 1, 2)}, numbers: []int{1, 2}, spares: 1},
		{name: "in doubt", made: []survey.Made{cut(onTheEdge(spindles, set), 1, 2)}, numbers: []int{1, 2}, spares: 1},
		{name: "too long", made: []survey.Made{cut(7, 1, 2)}, misfits: [][]int{{1, 2}},
			why:  "cut before (J2-2.1), and no longer all fit: all do less than once in 1000, S0",
			next: "if it does not go in, strike J2-2.1 and cut again"},
		{name: "of a longer bay", made: []survey.Made{cut(0, 1, n+1)}, misfits: [][]int{{1, int(n) + 1}},
			why: "whether they fit cannot be told: the bay is laid out with", next: "lay them aside, strike J2-2.1 and cut again"},
		{name: "one cut again", made: []survey.Made{cut(7, 4, 5), recut}, numbers: []int{5}, misfits: [][]int{{4}}, why: "no longer all fit", next: "try S04 dry first"},
		{name: "all cut again", made: []survey.Made{cut(7, 5), recut}, numbers: []int{5}, spares: 1},
		{name: "nothing but spares", made: []survey.Made{spare}, spares: 2},
		{name: "twice, by two devices", made: []survey.Made{cut(7, 1, 2), cut(0, 2)}, numbers: []int{2}, spares: 1, misfits: [][]int{{1}}, why: "no longer all fit", next: "strike J2-2.1"},
	} {
		t.Run(tt.name, func(t *testing.T) {
			b := bookOf(t, leaning)
			for i, m := range tt.made {
				b.Made = append(b.Made, fieldbook.Made{Ref: journal.Ref{Device: journal.ID{0: 1}, Page: 2, Item: uint32(i + 1)}, Made: m})
			}
			s := sheets(t, b, set)[0]
			k := s.Set(pieces.Spindle)
			got := s.AlreadyCut(k)
			if diff := cmp.Diff(tt.numbers, slices.Sorted(maps.Keys(got.Numbers))); diff != "" {
				t.Errorf("pieces (-want +got):\n%s", diff)
			}
			if got.Spares[0] != tt.spares {
				t.Errorf("%d spares, want %d", got.Spares[0], tt.spares)
			}
			if g, want := s.SparesLeft(k, &k.Settings[0]), max(0, k.Settings[0].Spares-tt.spares); g != want {
				t.Errorf("%d spares left to cut, want %d", g, want)
			}
			var misfits [][]int
			for _, m := range got.Misfits {
				misfits = append(misfits, m.Numbers)
			}
			if diff := cmp.Diff(tt.misfits, misfits); diff != "" {
				t.Fatalf("misfits (-want +got):\n%s", diff)
			}
			if misfits != nil && (!strings.Contains(got.Misfits[0].Why, tt.why) || !strings.Contains(got.Misfits[0].Next, tt.next)) {
				t.Errorf("%q, %q; want %q, %q", got.Misfits[0].Why, got.Misfits[0].Next, tt.why, tt.next)
			}
		})
	}
}

// Spares are of the setting that they were cut at.
func TestSparesOfASetting(t *testing.T) {
	k := &Set{Settings: []Setting{{Pieces: []int{1, 3}, Stop: 800}, {Pieces: []int{2, 4}, Stop: 810}}}
	for _, tt := range []struct {
		pieces []uint32
		length float64
		want   int
	}{{[]uint32{1, 2}, 810, 0}, {[]uint32{4}, 800, 1}, {nil, 804, 0}, {nil, 806, 1}, {[]uint32{9}, 806, 1}} {
		if got := k.settingOf(&survey.Made{Pieces: tt.pieces, Length: unit.FromMM(tt.length)}); got != tt.want {
			t.Errorf("%d of %g mm: setting %d, want %d", tt.pieces, tt.length, got, tt.want)
		}
	}
	if got := (&Set{}).settingOf(&survey.Made{}); got != -1 {
		t.Errorf("a set that cannot be cut: setting %d, want -1", got)
	}
}
