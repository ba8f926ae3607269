package drawing

import (
	"context"
	"fmt"
	"io"
	"math"
	"os"
	"path/filepath"
	"strings"
	"testing"

	"pgregory.net/rapid"

	"pinchrod/calc/layout"
	"pinchrod/calc/pieces"
	"pinchrod/calc/rules"
	"pinchrod/store/journal"
	"pinchrod/survey"
	"pinchrod/survey/asfound"
	"pinchrod/survey/fieldbook"
	"pinchrod/survey/report/scene"
	"pinchrod/survey/sheet"
)

// rows are the readings of every test sheet there is, one list a sheet.
func rows(t testing.TB) [][]survey.Reading {
	t.Helper()
	var out [][]survey.Reading
	for _, pattern := range []string{"../../../testdata/sheets/*.csv", "../../../testdata/reference/bays/*.csv"} {
		files, err := filepath.Glob(pattern)
		if err != nil {
			t.Fatal(err)
		}
		for _, file := range files {
			f, err := os.Open(file)
			if err != nil {
				t.Fatal(err)
			}
			r, err := sheet.Read(f, survey.HouseKit)
			f.Close()
			if err != nil {
				t.Fatal(err)
			}
			out = append(out, r)
		}
	}
	if len(out) < 6 {
		t.Fatalf("%d sheets", len(out))
	}
	return out
}

// drawAll draws everything there is to draw of the first flight and bay of some
// findings.
func drawAll(f *asfound.Findings, posts func(survey.Place) Posts, s Sheet) map[string][]scene.Page {
	out := map[string][]scene.Page{}
	for i := range f.Flights[:min(len(f.Flights), 1)] {
		out[string(f.Flights[i].Place)] = Plan(&f.Flights[i], s)
	}
	for i := range f.Bays[:min(len(f.Bays), 1)] {
		b := &f.Bays[i]
		out[string(b.Place)] = Bay(b, posts(b.Place), s)
		out[string(b.Place)+" errors"] = Errors(b, posts(b.Place), s)
		for _, bv := range Bevels(b, nil) {
			out[string(b.Place)+" "+bv.Of] = []scene.Page{Template(bv, s)}
		}
	}
	return out
}

// cases counts down how many random cases are drawn: all of rapid's, or a few
// under the race detector.
func cases() func() bool {
	left := 5
	return func() bool {
		left--
		return !raced || left >= 0
	}
}

// Books with some of their readings, some of them wrong, are drawn as well as
// they go: every sheet keeps its words apart and is written.
func TestRandomBooks(t *testing.T) {
	sheets := rows(t)
	extra, err := sheet.Read(strings.NewReader("where,what,value\nF1/left,spindle-section,41 x 41 x 20 mm\n"), survey.HouseKit)
	if err != nil {
		t.Fatal(err)
	}
	set := asfound.Defaults()
	if err := set.Set("profile", "england"); err != nil {
		t.Fatal(err)
	}
	more := cases()
	rapid.Check(t, func(rt *rapid.T) {
		if !more() {
			return
		}
		all := rapid.SampledFrom(sheets).Draw(rt, "sheet")
		keep := rapid.Float64Range(0.05, 1).Draw(rt, "keep")
		slips := rapid.IntRange(0, 4).Draw(rt, "slips")
		seed := rapid.Uint64().Draw(rt, "seed")
		// A short sequence of our own: rapid shrinks the few numbers above.
		next := func() float64 {
			seed = seed*6364136223846793005 + 1442695040888963407
			return float64(seed>>11) / (1 << 53)
		}
		var book fieldbook.Book
		book.Job.Name = "14 Weir Street"
		add := func(r survey.Reading) {
			if r.Value.Measure == survey.Length && slips > 0 && next() < 0.1 {
				slips--
				r.Value.N[0] += int64((next() - 0.5) * 400_000)
			}
			ref := journal.Ref{Device: journal.ID{0: 1}, Page: 1, Item: uint32(len(book.Entries) + 1)}
			book.Entries = append(book.Entries, fieldbook.Entry{Ref: ref, Reading: r})
		}
		for _, r := range all {
			if next() < keep {
				add(r)
			}
		}
		if rapid.Bool().Draw(rt, "turned spindles") {
			add(extra[0])
		}
		found, err := asfound.Work(context.Background(), &book, set)
		if err != nil {
			rt.Fatal(err)
		}
		for name, pages := range drawAll(found, func(p survey.Place) Posts { return PostsOf(&book, p) }, demoSheet) {
			checkPages(rt, name, pages)
		}
	})
}

func checkPages(t failer, name string, pages []scene.Page) {
	if len(pages) == 0 {
		t.Errorf("%s: no sheet", name)
	}
	for i := range pages {
		checkPage(t, fmt.Sprintf("%s, sheet %d", name, i+1), &pages[i])
		if err := scene.SVG(io.Discard, pages[i]); err != nil {
			t.Errorf("%s: %v", name, err)
		}
	}
}

// Figures that no stair has, and flags that no version knows, spoil nothing.
func TestRandomFindings(t *testing.T) {
	places := []string{"plumb-lower", "plumb-upper", "plumb-upper-across", "parallel", "drift", "middle-gap", "bow-base", "bow-rail", "pitch-base", "pitch-rail",
		"square", "opening", "slip", "two-answers", "tool", "guard-height", "under-rail", "corner", "swing", "taper", "width", "rise", "going-mean", "string-top", "new"}
	more := cases()
	rapid.Check(t, func(rt *rapid.T) {
		if !more() {
			return
		}
		odd := rapid.Bool().Draw(rt, "odd")
		figure := func(name string, low, high float64) asfound.Quantity {
			if !rapid.Bool().Draw(rt, name+" known") {
				return asfound.Quantity{}
			}
			v := rapid.Float64Range(low, high)
			if odd {
				v = rapid.OneOf(v, rapid.Float64(), rapid.SampledFrom([]float64{0, -1, math.NaN(), math.Inf(1), 1e300}))
			}
			return asfound.Quantity{Value: v.Draw(rt, name), U: rapid.Float64Range(0, 9).Draw(rt, "u"), Known: true}
		}
		b := asfound.Bay{Place: "F1/left", Chi2: &asfound.ChiSquare{}}
		a := &b.Adjusted
		a.Run = figure("run", 60, 9000)
		a.LeanLower, a.LeanUpper = figure("lower", -60, 60), figure("upper", -60, 60)
		a.BaseAngle, a.RailAngle = figure("base", -60, 60), figure("rail", -60, 60)
		a.GapBottom, a.GapMiddle, a.GapTop = figure("bottom", 60, 2000), figure("middle", 60, 2000), figure("top", 60, 2000)
		a.BowBase, a.BowRail = figure("bow base", -40, 40), figure("bow rail", -40, 40)
		a.AcrossLower = figure("across", -60, 60)
		if l, err := layout.Choose(layout.In{Run: a.Run.Value, Width: 41, Opening: 100, Height: 800, LeanUpper: 0.01}); err == nil {
			b.Layout = &asfound.Layout{Layout: l, Width: 41, Clear: known(l.ClearGap, 0.1), Widest: known(l.WidestGap, 0.1), Bevel: figure("bevel", -80, 80)}
			if rapid.Bool().Draw(rt, "pieces") {
				b.Layout.Spindles = []pieces.Piece{{Ends: [2]pieces.End{{Bevel: a.BaseAngle.Value / 57}, {Bevel: -a.RailAngle.Value}}}}
			}
		}
		f := asfound.Flight{Place: "F1"}
		if rapid.Bool().Draw(rt, "plan") {
			f.Plan = &asfound.Plan{Swing: figure("swing", -99, 99), Taper: figure("taper", -99, 99), Skew: figure("skew", -99, 99)}
			for i := range f.Plan.Corners {
				f.Plan.Corners[i] = figure("corner", 80, 100)
			}
		}
		read := func(what survey.What, low, high, apart float64, marks ...survey.Mark) {
			about := rapid.Float64Range(low, high).Draw(rt, string(what))
			for _, at := range marks {
				if q := figure(string(what), about-apart, about+apart); q.Known {
					f.Results = append(f.Results, asfound.Result{Reading: survey.Reading{What: what, At: survey.At{Mark: at}}, Value: q.Value, U: q.U})
				}
			}
		}
		read(survey.Width, 150, 3000, 50, survey.Bottom, survey.Top)
		read(survey.Side, 300, 9000, 100, survey.Left, survey.Right)
		read(survey.Diagonal, 400, 9000, 100, survey.Rising, survey.Falling)
		for n := range rapid.IntRange(0, 40).Draw(rt, "steps") {
			f.Steps = append(f.Steps, asfound.Step{Number: n + 1, Going: figure("going", 30, 900)})
		}
		for range rapid.IntRange(0, 25).Draw(rt, "flags") {
			q := figure("flag", -500, 500)
			fl := asfound.Flag{
				Name: rapid.SampledFrom(places).Draw(rt, "name"), State: rapid.SampledFrom([]rules.State{rules.Flag, rules.Unsure, rules.Clear}).Draw(rt, "state"),
				Value: q.Value, U: q.U, Limit: 1, Unit: rapid.SampledFrom([]string{"mm", "°", "mm/m", ""}).Draw(rt, "unit"),
				Of: fmt.Sprintf("rise of step %d, less", rapid.IntRange(0, 99).Draw(rt, "step")), Text: rapid.StringN(0, 40, 200).Draw(rt, "text"),
			}
			b.Flags, f.Flags = append(b.Flags, fl), append(f.Flags, fl)
		}
		s := demoSheet
		s.Job, s.Entry, s.Caution = rapid.String().Draw(rt, "job"), rapid.String().Draw(rt, "entry"), rapid.StringN(0, 900, -1).Draw(rt, "caution")
		findings := &asfound.Findings{Flights: []asfound.Flight{f}, Bays: []asfound.Bay{b}}
		for name, pages := range drawAll(findings, func(survey.Place) Posts { return Posts{90} }, s) {
			checkPages(rt, name, pages)
		}
	})
}
