package asfound

import (
	"errors"
	"fmt"
	"math/rand/v2"
	"slices"
	"strings"
	"testing"

	"pinchrod/calc/adjust"
	"pinchrod/calc/calctest"
	"pinchrod/calc/fit"
	"pinchrod/calc/frame"
	"pinchrod/calc/rules"
	"pinchrod/store/journal"
	"pinchrod/survey"
	"pinchrod/survey/fieldbook"
	"pinchrod/survey/sheet"
)

// bookFrom makes a book of the rows of a sheet, and entry finds the reading of a row, counted from 1.
func bookFrom(t *testing.T, rows string) *fieldbook.Book {
	t.Helper()
	got, err := sheet.Read(strings.NewReader("where,what,at,height,value\n"+rows), survey.HouseKit)
	if err != nil {
		t.Fatal(err)
	}
	return bookOf(got)
}

func bayFrom(t *testing.T, rows string) *Bay {
	t.Helper()
	return &mustWork(bookFrom(t, rows), Defaults()).Bays[0]
}

// upBy lists the flags of a name.
func upBy(flags []Flag, name string) (out []Flag) {
	for _, f := range flags {
		if f.Name == name {
			out = append(out, f)
		}
	}
	return out
}

// againItems are the rows of the readings that have to be settled.
func againItems(b *Bay) (out []uint32) {
	for _, r := range b.Again {
		out = append(out, r.Item)
	}
	return out
}

// uncut wants that no kind of piece is cut, and that the reason names the readings.
func uncut(t *testing.T, name string, b *Bay, refs ...string) {
	t.Helper()
	for _, v := range b.verdicts() {
		if v == nil || v.Cut != fit.MeasureMore || v.Chosen() != nil || len(v.Measure) != 0 {
			t.Errorf("%s: verdict %+v, want nothing cut and nothing advised", name, v)
			continue
		}
		for _, ref := range refs {
			if !strings.Contains(v.Why, ref) {
				t.Errorf("%s: %q does not name %s", name, v.Why, ref)
			}
		}
	}
}

const rest = "F1/left,base-angle,bottom,,41.2\nF1/left,rail-angle,bottom,,41.2\nF1/left,gap,bottom,,812\nF1/left,gap,top,,812\nF1/left,spindle-section,,,41 x 41 mm\n"

// Two runs of which one has its digits exchanged, and nothing says which: whichever was typed first, the findings are
// the same, both are named, and nothing is cut.
func TestSlipThatIsNotLocated(t *testing.T) {
	for name, two := range map[string][2]string{
		"at one height":  {"F1/left,run,,0,1377\n", "F1/left,run,,0,1137\n"},
		"at two heights": {"F1/left,run,,0,1377\n", "F1/left,run,,700,1137\n"},
	} {
		one, other := bayFrom(t, two[0]+two[1]+rest), bayFrom(t, two[1]+two[0]+rest)
		for _, b := range []*Bay{one, other} {
			if got := againItems(b); !slices.Equal(got, []uint32{1, 2}) {
				t.Errorf("%s: to read again %v, want both runs", name, got)
			}
			uncut(t, name, b, "J2-1.1", "J2-1.2")
			named := slices.ContainsFunc(b.Flags, func(f Flag) bool {
				return f.State == rules.Flag && strings.Contains(f.Text, "J2-1.1") && strings.Contains(f.Text, "J2-1.2")
			})
			if !named {
				t.Errorf("%s: no flag names both runs: %+v", name, b.Flags)
			}
			var asked []string
			for _, p := range openQuestions(b.Place, b.Readings, b.Flags, b.Again) {
				asked = append(asked, p.Gains...)
			}
			if all := strings.Join(asked, "\n"); len(asked) != 2 || strings.Count(all, "is one of those that could be wrong") != 2 {
				t.Errorf("%s: advice %q, want both runs, either of which could be wrong", name, all)
			}
		}
		if one.Layout.Count != other.Layout.Count || len(one.Flags) != len(other.Flags) {
			t.Fatalf("%s: %d spindles and %d flags, in the other order %d and %d", name, one.Layout.Count, len(one.Flags), other.Layout.Count, len(other.Flags))
		}
		for i, f := range one.Flags {
			g := other.Flags[i]
			if f.Name == "slip" { // its error is told of the first of the two
				g.Value = max(g.Value, -g.Value)
				f.Value = max(f.Value, -f.Value)
			}
			if f.Name != g.Name || f.State != g.State || !calctest.Near(g.Value, f.Value, 1e-6) || !calctest.Near(g.U, f.U, 1e-6) {
				t.Errorf("%s: %s %s %g ±%g, in the other order %s %s %g ±%g", name, f.Name, f.State, f.Value, f.U, g.Name, g.State, g.Value, g.U)
			}
		}
	}
	// At one height both are explanations: with the longer run, 1377 mm, ten spindles leave (1377 − 410)/11 = 87.91.
	b := bayFrom(t, "F1/left,run,,0,1137\nF1/left,run,,0,1377\n"+rest)
	if b.Layout.Count != 10 || !calctest.Near(b.Layout.Clear.Value, 87.909, 1e-3) {
		t.Errorf("laid out with %d, %g clear; want the longer run's 10, 87.909", b.Layout.Count, b.Layout.Clear.Value)
	}
}

// The openings are judged under each explanation, and the worst counts: spindles that are laid out for 1137 mm leave
// what is more in 1377 mm beside the upper post, 240 mm.
func TestWorstExplanationCounts(t *testing.T) {
	worked := func(run string) *worker {
		b := bookFrom(t, "F1/left,run,,0,"+run+"\n"+rest)
		shop, err := fit.NewShop(fit.DefaultHouse(), Defaults().Accuracy)
		if err != nil {
			t.Fatal(err)
		}
		w := newWorker(&Bay{Place: "F1/left"}, Defaults(), shop, b.Entries, nil)
		w.work()
		return w
	}
	short, long := worked("1137"), worked("1377")
	before := upBy(short.bay.Flags, "last-space")[0]
	short.worst(long)
	after := upBy(short.bay.Flags, "last-space")[0]
	if after.State != rules.Flag || !calctest.Near(after.Value, before.Value+240, 0.5) {
		t.Errorf("last space %s %g, before %s %g; want a flag and 240 more", after.State, after.Value, before.State, before.Value)
	}
	long.worst(short)
	if got := upBy(long.bay.Flags, "last-space")[0]; got.Value > 100 {
		t.Errorf("a better explanation counts: %+v", got)
	}
	for name, d := range map[string][]*Verdict{"fewer spindles": long.disagrees(short), "more spindles": short.disagrees(long)} {
		if len(d) != 3 {
			t.Errorf("%s: %d kinds of piece disagree, want all 3", name, len(d))
		}
	}
	if d := long.disagrees(worked("1377.2")); len(d) != 0 {
		t.Errorf("explanations 0.2 mm apart disagree on %d kinds of piece", len(d))
	}
}

// Readings that no stair agrees with end in a flag that names them.
func TestAbsurdReadingsAreNamed(t *testing.T) {
	const run = "F1/left,run,,0,1377\nF1/left,gap,bottom,,812\nF1/left,spindle-section,,,41 x 41 mm\n"
	for _, tt := range []struct {
		name, rows, flag string
		again            []uint32 // rows to be settled before anything is cut
		names            []string
	}{
		{"a complement, on the handrail", run + "F1/left,base-angle,bottom,,41.5\nF1/left,base-angle,top,,41.5\nF1/left,rail-angle,bottom,,48.5\n", "unlikely", []uint32{6}, []string{"J2-1.6", "48.5°"}},
		{"a complement, one angle a rail", run + "F1/left,base-angle,bottom,,48.5\nF1/left,rail-angle,bottom,,41.5\n", "unlikely", []uint32{4, 5}, []string{"J2-1.4", "J2-1.5"}},
		{"a complement that two others check", run + "F1/left,base-angle,bottom,,48.5\nF1/left,base-angle,top,,41.5\nF1/left,rail-angle,bottom,,41.5\n", "slip", nil, []string{"J2-1.4", "rise and going exchanged"}},
		{"base angles 1.5° apart", run + "F1/left,base-angle,bottom,,41.5\nF1/left,base-angle,top,,40\nF1/left,rail-angle,bottom,,41.5\n", "bow-base", nil, []string{"J2-1.4", "J2-1.5"}},
		{"base angles 1.5° apart and nothing else", "F1/left,run,,0,1377\nF1/left,base-angle,bottom,,41.5\nF1/left,base-angle,top,,40\n", "bow-base", nil, []string{"J2-1.2", "J2-1.3"}},
		{"string angles 5° apart", run + "F1,string-angle,bottom,,41.5\nF1,string-angle,top,,46.5\n", "slip", []uint32{4, 5}, []string{"J2-1.4 or J2-1.5"}},
		{"nothing agrees", run + "F1/left,base-angle,bottom,,41.5\nF1/left,base-angle,top,,-41.5\nF1/left,rail-angle,bottom,,70\nF1/left,rail-angle,top,,10\n", "unlikely", []uint32{4, 5, 6, 7}, []string{"J2-1.4", "J2-1.5", "J2-1.6", "J2-1.7"}},
	} {
		b := bayFrom(t, tt.rows)
		up := upBy(b.Flags, tt.flag)
		if len(up) == 0 || up[0].State != rules.Flag {
			t.Errorf("%s: flags %+v, want %s", tt.name, b.Flags, tt.flag)
			continue
		}
		for _, n := range tt.names {
			if !strings.Contains(up[0].Text, n) {
				t.Errorf("%s: %q does not name %s", tt.name, up[0].Text, n)
			}
		}
		if got := againItems(b); !slices.Equal(got, tt.again) {
			t.Errorf("%s: to settle %v, want %v", tt.name, got, tt.again)
		}
		if len(tt.again) > 0 {
			uncut(t, tt.name, b)
		}
	}
	// Where one reading alone explains all, no other is under suspicion.
	b := bayFrom(t, run+"F1/left,base-angle,bottom,,41.5\nF1/left,base-angle,top,,41.5\nF1/left,rail-angle,bottom,,48.5\n")
	if len(upBy(b.Flags, "slip")) != 0 || slices.ContainsFunc(b.Readings, func(r Result) bool { return r.Suspect }) {
		t.Errorf("a good base angle is suspected beside the wrong rail angle: %+v", b.Flags)
	}
}

// Whatever is typed, within what a sheet takes, there is never silence: of figures drawn at random every set
// ends in a flag that names a reading.
func TestNeverSilent(t *testing.T) {
	rng := rand.New(rand.NewPCG(1137, 1377))
	for range bays(12, 600) {
		angle := func() float64 { return 150*rng.Float64() - 75 }
		rows := fmt.Sprintf("F1/left,run,,0,%.0f\nF1/left,run,,700,%.0f\nF1/left,slope-run,,0,%.0f\n", 60+11000*rng.Float64(), 60+11000*rng.Float64(), 60+11000*rng.Float64())
		for _, at := range []string{"bottom", "top"} {
			rows += fmt.Sprintf("F1/left,base-angle,%s,,%.1f\nF1/left,rail-angle,%s,,%.1f\nF1/left,gap,%s,,%.0f\n", at, angle(), at, angle(), at, 60+2400*rng.Float64())
		}
		b := bayFrom(t, rows+"F1/left,spindle-section,,,41 x 41 mm\n")
		if !slices.ContainsFunc(b.Flags, func(f Flag) bool { return f.State == rules.Flag && strings.Contains(f.Text, "J2-1.") }) {
			t.Errorf("no flag names a reading of\n%s%+v\n%q", rows, b.Flags, b.Notes)
		}
	}
}

// Readings that cannot be adjusted: the one without which the rest agree is named, or else all of them.
func TestUnsettled(t *testing.T) {
	cause := errors.New("did not converge")
	unsettled := func(rows string) *Bay {
		w := newWorker(&Bay{Place: "F1/left"}, Defaults(), nil, bookFrom(t, rows).Entries, nil)
		w.sections()
		w.gather()
		_ = w.adjust() // as far as it goes
		w.bay.Notes, w.bay.Chi2 = nil, nil
		w.unsettled(cause)
		return w.bay
	}
	b := unsettled("F1/left,run,,0,1377\nF1/left,gap,bottom,,812\nF1/left,base-angle,bottom,,41.5\nF1/left,base-angle,top,,41.5\nF1/left,rail-angle,bottom,,48.5\n")
	if got := againItems(b); !slices.Equal(got, []uint32{5}) || len(b.Readings) != 5 {
		t.Fatalf("to settle %v of %d readings, want the handrail's angle", got, len(b.Readings))
	}
	r := b.Readings[0]
	if !r.Suspect || !strings.Contains(r.Slip, "rise and going exchanged") || !calctest.Near(r.Error.Value, 7, 0.1) || !calctest.Near(r.W, r.Residual/r.Error.U, 1e-9) {
		t.Errorf("%+v, want a suspect 7° off, rise and going exchanged", r)
	}
	if up := upBy(b.Flags, "slip"); len(up) != 1 || !strings.Contains(up[0].Text, "J2-1.5 is probably wrong") {
		t.Errorf("flags %+v, want one slip that names it", b.Flags)
	}
	b = unsettled("F1/left,run,,0,1377\nF1/left,base-angle,bottom,,41.5\nF1/left,base-angle,top,,-41.5\nF1/left,rail-angle,bottom,,70\nF1/left,rail-angle,top,,10\n")
	up := upBy(b.Flags, "contradiction")
	if len(up) != 1 || up[0].State != rules.Flag || !strings.Contains(up[0].Text, "angles first") || !strings.Contains(up[0].Of, "5 readings") || len(b.Again) != 5 {
		t.Errorf("flags %+v, to settle %v; want all five readings contradicting", b.Flags, b.Again)
	}
	w := newWorker(&Bay{Place: "F1/left"}, Defaults(), nil, nil, nil)
	if w.unsettled(cause); len(w.bay.Flags) != 0 || !noted(w.bay, "did not converge") {
		t.Errorf("a bay without readings: %+v", w.bay)
	}
}

// What hardly any stair is stands when the surveyor keeps the reading that says so.
func TestKeepingWaivesUnlikely(t *testing.T) {
	rows := "F1/left,run,,0,1377\nF1/left,gap,bottom,,812\nF1/left,spindle-section,,,41 x 41 mm\nF1/left,lean-along,lower,,40 mm in 1000 mm\n"
	rows += "F1/left,base-angle,bottom,,41.2\nF1/left,rail-angle,bottom,,41.2\n"
	book := bookFrom(t, rows)
	b := &mustWork(book, Defaults()).Bays[0]
	if up := upBy(b.Flags, "unlikely"); len(up) != 1 || !strings.Contains(up[0].Text, "keep J2-1.4") || up[0].Unit != "mm/m" || !calctest.Near(up[0].Limit, 25, 1e-9) || !calctest.Near(up[0].Value, 39.6, 0.5) {
		t.Fatalf("a post 40 mm/m out: %+v, want unlikely beyond 25 mm/m", up)
	}
	uncut(t, "a post 40 mm/m out", b, "J2-1.4")
	book.Entries[3].Kept = []fieldbook.Ruling{{Why: "it does lean so"}}
	b = &mustWork(book, Defaults()).Bays[0]
	if len(upBy(b.Flags, "unlikely")) != 0 || len(b.Again) != 0 || b.Spindles == nil || b.Spindles.Chosen() == nil {
		t.Errorf("kept: flags %+v, to settle %v, want none and a way to cut", b.Flags, b.Again)
	}
	for _, r := range b.Readings {
		if (r.Kept != "") != (r.Ref.Item == 4) {
			t.Errorf("%s is kept %q", r.Reading.Title(), r.Kept)
		}
	}
	// 24 mm/m is within five u of plumb.
	if b = bayFrom(t, strings.Replace(rows, "40 mm in", "24 mm in", 1)); len(upBy(b.Flags, "unlikely")) != 0 {
		t.Errorf("a post 24 mm/m out: %+v", b.Flags)
	}
}

// A run that is longer than the flight goes, and 100 mm, is asked about: it is a slope length typed as level, where its
// cosine would fit. A slope run confirms a level one.
func TestRunBeyondTheFlight(t *testing.T) {
	const bay = "F1,total-going,,,1450\nF1/left,base-angle,bottom,,41.5\nF1/left,rail-angle,bottom,,41.5\nF1/left,gap,bottom,,812\nF1/left,spindle-section,,,41 x 41 mm\n"
	for _, tt := range []struct {
		name, rows, text string
		again            []uint32
	}{
		{"a slope length", "F1/left,run,,0,1830\n", "looks like the length up the slope", []uint32{6}},
		{"longer than any", "F1/left,run,,0,2400\n", "cannot stand farther apart than the flight goes", []uint32{6}},
		{"between posts", "F1/left,post-position,lower,,-200\nF1/left,post-position,upper,,1630\n", "looks like the length up the slope", []uint32{6, 7}},
		{"its cosine", "F1/left,run,,0,1370.6\n", "", nil},
		{"within 100 mm of the going", "F1/left,run,,0,1549\n", "", nil},
		{"beyond by no more than readings are off", "F1/left,run,,0,1551\n", "", nil},
		{"level and slope", "F1/left,run,,0,1370.6\nF1/left,slope-run,,0,1830\n", "", nil},
	} {
		b := bayFrom(t, bay+tt.rows)
		up := upBy(b.Flags, "run-going")
		if (tt.text == "") != (len(up) == 0) || len(up) > 0 && (!strings.Contains(up[0].Text, tt.text) || up[0].State != rules.Flag || !calctest.Near(up[0].Limit, 1550, 1e-9)) {
			t.Errorf("%s: %+v, want %q", tt.name, up, tt.text)
		}
		if got := againItems(b); !slices.Equal(got, tt.again) {
			t.Errorf("%s: to settle %v, want %v", tt.name, got, tt.again)
		}
		if tt.text != "" {
			uncut(t, tt.name, b, "J2-1.6")
		}
	}
	book := bookFrom(t, bay+"F1/left,run,,0,1830\n")
	book.Entries[5].Kept = []fieldbook.Ruling{{Why: "the posts stand in the hall and on the landing"}}
	if b := &mustWork(book, Defaults()).Bays[0]; len(upBy(b.Flags, "run-going")) != 0 || b.Spindles.Chosen() == nil {
		t.Errorf("a run that is kept: %+v", b.Flags)
	}
	landing := strings.NewReplacer("F1/left", "L1/edge", "F1,", "L1,", "41.5", "0").Replace(bay)
	if b := bayFrom(t, landing+"L1/edge,run,,0,1830\n"); len(upBy(b.Flags, "run-going")) != 0 {
		t.Errorf("a landing: %+v", b.Flags)
	}
}

// Perfect posts out by −9 and +11 mm/m, read without noise: the diagonals are to the corners that a person is told to
// measure to, and show no slip. Drawn by the tests' own geometry.
func TestLeaningPostsShowNoSlip(t *testing.T) {
	d := drawn{1400, -0.009, 0.011, 0.88, 0.88, 820, 0, 0}
	var rows []survey.Reading
	for _, r := range (truth{frame.Plane{Run: 1400, LeanLower: -0.009, LeanUpper: 0.011, BaseSlope: 0.88, RailSlope: 0.88, Gap: 820}, 41}).readings(rand.New(rand.NewPCG(1, 1)), "F1/left") {
		switch v := 0.0; r.Value.Measure {
		case survey.Angle:
			v = d.says(t, r, false)
			r.Value.N[0] = int64(v / 180 * 3.141592653589793 * 1e6)
			rows = append(rows, r)
		case survey.Lean:
			r.Value.N[0] = int64(1000 * d.says(t, r, false))
			rows = append(rows, r)
		case survey.Length, survey.Tried:
			if r.What != survey.GuardHeight {
				r.Value.N[0] = int64(1000 * d.says(t, r, false))
				rows = append(rows, r)
			}
		}
	}
	b := &mustWork(bookOf(rows), Defaults()).Bays[0]
	diagonals := 0
	for _, r := range b.Readings {
		if r.Suspect || !calctest.Near(r.W, 0, 0.4) { // u 0.45 of a lean against a prior of 0 ±5 pulls 11 mm/m by 0.09, w 0.3
			t.Errorf("%s is off by %.2f mm, w %.2f, in a perfect bay", r.Reading.Title(), r.Residual, r.W)
		}
		if r.Reading.What == survey.FrameDiagonal {
			diagonals++
		}
	}
	if diagonals != 2 || len(upBy(b.Flags, "slip")) != 0 {
		t.Errorf("%d diagonals, flags %+v", diagonals, b.Flags)
	}
	near(t, "lean of the lower post", b.Adjusted.LeanLower, -9, 0.15)
	near(t, "lean of the upper post", b.Adjusted.LeanUpper, 11, 0.15)
}

// A recut that contradicts the book is a flag that names the piece, what was cut, what the readings need and which of
// them to take again; one that does not is silent.
func TestRecutThatContradicts(t *testing.T) {
	for _, tt := range []struct {
		off  float64
		flag bool
	}{{0.3, false}, {-7, true}, {7, true}} {
		book := trueBay(t)
		need := mustWork(book, Defaults()).Bays[0].Spindles.Needed.Mean[1]
		b := &mustWork(book, Defaults()).Bays[0]
		m := cutFor(b, need+tt.off)
		m.Made.Pieces, m.Made.Recut = []uint32{2}, true
		m.Ref = journal.Ref{Device: journal.ID{0: 1}, Page: 3, Item: 2}
		e := fieldbook.Entry{Ref: journal.Ref{Device: journal.ID{0: 1}, Page: 3, Item: 1}, Reading: survey.Reading{Where: "F1/left", What: survey.Trial, Text: "x",
			At:    survey.At{Mark: survey.Distance, N: int64(1000 * b.Layout.Stations[1])},
			Value: survey.Quantity{Measure: survey.Tried, N: [3]int64{int64(m.Made.Line)}}}}
		book.Entries, book.Made = append(book.Entries, e), []fieldbook.Made{m}
		up := upBy(mustWork(book, Defaults()).Bays[0].Flags, "recut")
		if (len(up) == 1) != tt.flag {
			t.Errorf("%g mm off: %+v, want a flag %t", tt.off, up, tt.flag)
			continue
		}
		if !tt.flag {
			continue
		}
		f := up[0]
		for _, want := range []string{"spindle 2 was cut to " + fmt.Sprintf("%.1f mm", need+tt.off), fmt.Sprintf("need %.1f mm", need), "gap at", "strike J2-3.2"} {
			if !strings.Contains(f.Text, want) {
				t.Errorf("%q does not say %q", f.Text, want)
			}
		}
		// Less what the readings need, from the middle of the interval: (2 − 0.5)/2 more than the length.
		if f.State != rules.Flag || !calctest.Near(f.Value, tt.off+0.75, 0.02) || !calctest.Near(f.Limit/f.U, adjust.Critical*tt.off/7, 1e-9) || strings.Contains(f.Text, "J2-3.1") {
			t.Errorf("flag %+v, want %g off", f, tt.off+0.75)
		}
	}
}
