package cutting

import (
	"math"
	"strings"
	"testing"

	"pinchrod/calc/pieces"
	"pinchrod/calc/unit"
	"pinchrod/store/journal"
	"pinchrod/survey"
	"pinchrod/survey/asfound"
	"pinchrod/survey/fieldbook"
)

// beginning is what the card says before anything is done.
func beginning(s *Sheet) string { return strings.Join(s.Card()[0].Steps, "\n") }

// onTheEdge is how much over the stop a batch of a bay pitched by 41° is cut so that
// nobody can tell whether all fit: short of what just fits in the shortest place by
// little more than the spread of one piece, hypot(0.15, 0.1) mm.
func onTheEdge(k *Set, set asfound.Settings) float64 {
	least := math.Inf(1)
	for _, p := range k.Pieces {
		least = min(least, p.Needed)
	}
	return least - 0.25 + set.House.Long + set.Play*math.Tan(41*math.Pi/180) - k.Settings[0].Stop
}

// The card keeps what was cut to an earlier sheet and still fits, by the code on its
// labels, and says what does not.
func TestCutBefore(t *testing.T) {
	set := asfound.Defaults()
	csv := leaning
	old := one(t, csv, set)
	spindles := old.Set(pieces.Spindle)
	cut := func(s *Sheet, k *Set, off float64) survey.Made {
		return s.Made(k, &k.Settings[0], unit.FromMM(k.Settings[0].Stop+off))
	}
	recut, _, err := old.Recut(spindles, 5, unit.FromMM(spindles.Pieces[4].Needed))
	if err != nil {
		t.Fatal(err)
	}
	far := recut
	far.Pieces = []uint32{40}
	half := cut(old, spindles, 7)
	half.Pieces = []uint32{5}
	more := csv + "F1/left,gap,top,,800\n" // changes nothing but the code
	named := "unless it is named below"
	for _, tt := range []struct {
		name, csv string
		made      []survey.Made
		want, not []string
	}{
		{"nothing was cut", more, nil, []string{"lay it aside. A label"}, []string{named, "cut before"}},
		{"still fits", more, []survey.Made{cut(old, spindles, 0)},
			[]string{named, "Spindles with code " + old.Code + " were cut before and still fit (as-made): keep them."}, nil},
		{"of this sheet", csv, []survey.Made{cut(old, spindles, 0)}, []string{"lay it aside. A label"}, []string{named, "cut before"}},
		{"too long", more, []survey.Made{cut(old, spindles, 7)},
			[]string{"Spindles with code " + old.Code + " no longer all fit (as-made): all do less than once in 1000, S"}, []string{named, "keep them"}},
		{"of this sheet, too long", csv, []survey.Made{cut(old, spindles, 7)}, []string{"Spindles with code " + old.Code + " no longer all fit"}, []string{"keep them"}},
		{"in doubt", more, []survey.Made{cut(old, spindles, onTheEdge(spindles, set))}, []string{"Whether all spindles with code " + old.Code + " still fit cannot be told yet (as-made): all do "}, []string{"keep them"}},
		{"cut again", more, []survey.Made{recut}, []string{named, "Cut again on site until it fitted, whatever its label says, and to be kept: S0"}, []string{"were cut before"}},
		{"replaced", more, []survey.Made{half, recut}, []string{"and to be kept: S0"}, []string{"no longer", "cannot be told"}},
		{"of a place that is not there", more, []survey.Made{far}, []string{"whether they fit cannot be told"}, []string{"keep them"}},
		// What another device may have written.
		{"of no sheet", more, []survey.Made{{Where: "F1/left", Part: survey.PartSpindle, Pieces: []uint32{1}, Length: 1000, Line: 1000, Sheet: "\x1b[2J"}}, nil, []string{"\x1b", "cut before"}},
		{"no part of a stair", more, []survey.Made{{Where: "F1/left", Part: "", Pieces: []uint32{1}, Sheet: old.Code}}, nil, []string{"cut before"}},
		{"only spares", more, []survey.Made{{Where: "F1/left", Part: survey.PartSpindle, Spares: 2, Length: 1000, Line: 1000, Sheet: old.Code}}, nil, []string{"cut before"}},
	} {
		t.Run(tt.name, func(t *testing.T) {
			b := bookOf(t, tt.csv)
			for i, m := range tt.made {
				b.Made = append(b.Made, fieldbook.Made{Ref: journal.Ref{Device: journal.ID{0: 1}, Page: 2, Item: uint32(i + 1)}, Made: m})
			}
			s := sheets(t, b, set)[0]
			if (tt.csv == csv) != (s.Code == old.Code) {
				t.Fatalf("code %s, was %s", s.Code, old.Code)
			}
			got := beginning(s)
			for _, want := range tt.want {
				if !strings.Contains(got, want) {
					t.Errorf("the card does not say %q:\n%s", want, got)
				}
			}
			for _, not := range tt.not {
				if strings.Contains(got, not) {
					t.Errorf("the card says %q:\n%s", not, got)
				}
			}
		})
	}
}
