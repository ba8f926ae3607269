package asfound

import (
	"fmt"
	"math"
	"math/rand/v2"
	"strings"
	"testing"

	"pinchrod/survey"
	"pinchrod/survey/fieldbook"
)

// A walk as foreseen is not asked about; with its spacer taken level, s·cos p, or
// lengthened twice, s/cos p, it is; and one that is off by something else is not,
// since the pitch explains nothing there.
func TestLevelSpacer(t *testing.T) {
	rng := rand.New(rand.NewPCG(12, 5))
	for range 20 {
		tr := randomBay(rng)
		rows := tr.readings(rng, "F1/left")
		w := mustWork(bookOf(rows), Defaults()).Bays[0].Layout.Walk
		site, err := NewSite(bookOf(rows), Defaults())
		if err != nil {
			t.Fatal(err)
		}
		cos := 1 / math.Hypot(1, tr.BaseSlope)
		for _, tt := range []struct {
			by    float64
			asked bool
		}{{1, false}, {cos, true}, {1 / cos, true}, {1.06, false}} {
			r := survey.Reading{Where: "F1/left", What: survey.SpacerWalk}
			if r.Value, err = r.Kind().ParseValue(fmt.Sprintf("%d x %.1f mm %s", w.Count, w.Spacer*tt.by, ending(w.Short.Value))); err != nil {
				t.Fatal(err)
			}
			if got := site.LevelSpacer(r); strings.Contains(got, "by the pitch") != tt.asked {
				t.Errorf("pitch %.1f°, spacer %.1f mm where %.1f is needed: %q; want it asked: %t", math.Acos(cos)*180/math.Pi, w.Spacer*tt.by, w.Spacer, got, tt.asked)
			}
		}
	}
	bare, err := NewSite(&fieldbook.Book{}, Defaults())
	if err != nil {
		t.Fatal(err)
	}
	r := survey.Reading{Where: "F1/left", What: survey.SpacerWalk, Value: survey.Quantity{Measure: survey.Walk, N: [3]int64{10, 88_500, 1000}}}
	if got := bare.LevelSpacer(r); got != "" {
		t.Errorf("an empty book asks %q", got)
	}
}
