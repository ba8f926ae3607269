package asfound

import (
	"fmt"
	"math"
	"math/rand/v2"
	"slices"
	"strings"
	"testing"

	"pinchrod/calc/calctest"
	"pinchrod/calc/pieces"
	"pinchrod/survey"
	"pinchrod/survey/sheet"
)

// A spacer walk in a stair of known truth ends as foreseen: bays are read with
// errors, the spacer that the findings name is cut with a rule's error, and is
// walked between spindles that are as wide as a rule may have misread. In the
// book it is then off what the other readings say by no more than both may be.
func TestWalkIsForeseen(t *testing.T) {
	rng := rand.New(rand.NewPCG(7, 7))
	rule, err := survey.HouseKit.Tool("rule")
	if err != nil {
		t.Fatal(err)
	}
	n := bays(60, 300)
	var sum, book float64
	for range n {
		tr := randomBay(rng)
		rows := tr.readings(rng, "F1/left")
		b := mustWork(bookOf(rows), Defaults()).Bays[0]
		w := b.Layout.Walk
		if w == nil || w.Count != b.Layout.Count+1 {
			t.Fatalf("walk %+v for %d spindles", w, b.Layout.Count)
		}
		// A bow lengthens the first and last fillets by a second order of its
		// slope, some hundredths of a mm.
		if !calctest.Near(w.Short.Value, 0, float64(w.Count)*0.05+0.2) {
			t.Errorf("the walk of %d spacers should end by %.2f mm; rounding the spacer leaves %.2f mm at most", w.Count, w.Short.Value, float64(w.Count)*0.05)
		}
		spacer := w.Spacer + rule.U(w.Spacer, 0)*rng.NormFloat64()
		width := tr.spindle + rule.U(tr.spindle, 0)*rng.NormFloat64()
		pitch := (tr.Run-float64(b.Layout.Count)*width)/float64(w.Count) + width
		var stations []float64
		for i := range b.Layout.Count {
			stations = append(stations, float64(i+1)*pitch-width/2)
		}
		left, err := pieces.BaseFillets(tr, stations, width, 0)
		if err != nil {
			t.Fatal(err)
		}
		ends := rule.U(0, 0.5)*rng.NormFloat64() - float64(w.Count)*spacer
		for _, p := range left {
			ends += p.Length
		}
		z := (ends - w.Short.Value) / w.Short.U
		sum += z * z
		z = wOfWalk(t, rows, w, ends)
		book += z * z
	}
	// The mean of n squares of standard normals is 1 ± √(2/n); four of those.
	most := 4 * math.Sqrt(2/float64(n))
	for name, sum := range map[string]float64{"foreseen": sum, "in the book": book} {
		if mean := sum / float64(n); !calctest.Near(mean, 1, most) {
			t.Errorf("%s: squared misses over u² average %.2f, want 1 ±%.2f", name, mean, most)
		}
	}
}

// wOfWalk records how a walk ended, and gives its residual in units of its own u.
func wOfWalk(t *testing.T, rows []survey.Reading, w *Walk, short float64) float64 {
	t.Helper()
	r := survey.Reading{Where: "F1/left", What: survey.SpacerWalk}
	var err error
	if r.Value, err = r.Kind().ParseValue(fmt.Sprintf("%d x %.1f mm %s", w.Count, w.Spacer, ending(short))); err != nil {
		t.Fatal(err)
	}
	b := mustWork(bookOf(append(slices.Clip(rows), r)), Defaults()).Bays[0]
	for _, got := range b.Readings {
		if got.Reading.What == survey.SpacerWalk {
			return got.W
		}
	}
	t.Fatal("the walk is not in the book")
	return 0
}

func ending(short float64) string {
	if short < 0 {
		return fmt.Sprintf("over %.2f mm", -short)
	}
	return fmt.Sprintf("short %.2f mm", short)
}

// A spacer of a turned profile leaves the first and last space longer, as the
// equal gaps are between the thinnest widths: by half of what they are thinner,
// either end, along the pitch.
func TestWalkOfTurnedSpindles(t *testing.T) {
	rows, err := sheet.Read(strings.NewReader("where,what,at,value\nF1/left,run,,1612\nF1/left,lean-along,lower,0 mm in 900 mm\nF1/left,lean-along,upper,0 mm in 900 mm\nF1/left,base-angle,bottom,41.3\nF1/left,gap,bottom,806\nF1/left,spindle-section,,41 x 41 x 22 mm\n"), survey.HouseKit)
	if err != nil {
		t.Fatal(err)
	}
	b := mustWork(bookOf(rows), Defaults()).Bays[0]
	w := b.Layout.Walk
	if w == nil {
		t.Fatal("no walk")
	}
	// (41 − 22)/cos 41.3° = 25.29 in all.
	if want := (41 - 22) / math.Cos(41.3*degree); !calctest.Near(w.Short.Value, want, float64(w.Count)*0.05+0.05) {
		t.Errorf("the walk should end %.2f mm short, want %.2f", w.Short.Value, want)
	}
}

// What counts as it stands is listed, and nothing else.
func TestTaken(t *testing.T) {
	rows, err := sheet.Read(strings.NewReader("where,what,at,value\nF1/left,run,,1612\nF1/left,spindle-section,,41 x 41 mm\nF1/left,access,,300\nF1/left,access,rail,900\nF1/left,moisture,,12 %\nF1/left,guard-height,bottom,910\n"), survey.HouseKit)
	if err != nil {
		t.Fatal(err)
	}
	var got []string
	for _, e := range mustWork(bookOf(rows), Defaults()).Bays[0].Taken {
		got = append(got, e.Reading.Title())
	}
	if want := "spindle-section; access, base; access, rail; moisture"; strings.Join(got, "; ") != want {
		t.Errorf("taken %q, want %q", strings.Join(got, "; "), want)
	}
}
