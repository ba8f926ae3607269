package asfound

import (
	"math"
	"math/rand/v2"
	"slices"
	"strings"
	"testing"

	"pinchrod/calc/calctest"
	"pinchrod/calc/fit"
	"pinchrod/calc/rules"
	"pinchrod/calc/unit"
	"pinchrod/store/journal"
	"pinchrod/survey"
	"pinchrod/survey/fieldbook"
)

// cutFor is a batch of all the spindles of a bay at one length along their line.
func cutFor(b *Bay, mm float64) fieldbook.Made {
	m := survey.Made{Where: b.Place, Part: survey.PartSpindle, Length: unit.FromMM(mm), Line: unit.FromMM(mm)}
	for i := range b.Spindles.Needed.Mean {
		m.Pieces = append(m.Pieces, uint32(i+1))
	}
	return fieldbook.Made{Ref: journal.Ref{Device: journal.ID{0: 1}, Page: 2, Item: 1}, Made: m}
}

func trueBay(t *testing.T) *fieldbook.Book {
	t.Helper()
	rng := rand.New(rand.NewPCG(3, 1))
	return bookOf(append(randomBay(rng).readings(rng, "F1/left"), survey.Reading{
		Where: "F1/left", What: survey.SpindleSize, Text: "41 x 41 mm",
		Value: survey.Quantity{Measure: survey.Section, N: [3]int64{41_000, 41_000}},
	}))
}

// slideOf is what sliding its head takes up of the longest spindle.
func slideOf(b *Bay) float64 {
	n := b.Spindles.Needed
	return n.Slide[slices.Index(n.Mean, slices.Max(n.Mean))]
}

// A batch cut at the very stop that the verdict names fits with the probability
// that the verdict gave it.
func TestMadeIsAsTheVerdictSaid(t *testing.T) {
	book := trueBay(t)
	b := &mustWork(book, Defaults()).Bays[0]
	i := slices.IndexFunc(b.Spindles.Options, func(o fit.Option) bool { return o.Cut == fit.Batch })
	o := b.Spindles.Options[i]
	book.Made = []fieldbook.Made{cutFor(b, o.Lengths[0])}
	m := mustWork(book, Defaults()).Bays[0].Made[0]
	// Both are of the same distribution; the stop is kept to a micrometre.
	if tol := 3*o.PError + 3*m.P.U + 1e-4; !m.P.Known || !calctest.Near(m.P.Value, o.P, tol) {
		t.Errorf("P %+v, want %g within %g", m.P, o.P, tol)
	}
}

func TestMadeHeldAgainstTheBook(t *testing.T) {
	clean := trueBay(t)
	needed := mustWork(clean, Defaults()).Bays[0].Spindles.Needed.Mean
	low, high := slices.Min(needed), slices.Max(needed)
	for _, tt := range []struct {
		name  string
		made  func(b *Bay) []fieldbook.Made
		state rules.State
		text  string
	}{
		{"far too long", func(b *Bay) []fieldbook.Made { return []fieldbook.Made{cutFor(b, high+9)} }, rules.Flag, "too long"},
		{"far too short", func(b *Bay) []fieldbook.Made { return []fieldbook.Made{cutFor(b, low-9)} }, rules.Flag, "too short"},
		{"a hair too long", func(b *Bay) []fieldbook.Made { return []fieldbook.Made{cutFor(b, low+Defaults().House.Long)} }, rules.Unsure, "cannot tell yet"},
		{"to be trimmed", func(b *Bay) []fieldbook.Made {
			m := cutFor(b, high+9)
			m.Made.ToFit = true
			return []fieldbook.Made{m}
		}, rules.Clear, "all"},
		{"to be trimmed, and short by less than a joint hides", func(b *Bay) []fieldbook.Made {
			m := cutFor(b, high-1.2) // of what is trimmed nothing may be short but by what sliding its head takes up, some 0.8 mm
			m.Made.ToFit = true
			return []fieldbook.Made{m}
		}, rules.Unsure, "cannot tell yet"},
		{"short by what a groove hides and sliding takes up, less a little", func(b *Bay) []fieldbook.Made {
			return []fieldbook.Made{cutFor(b, high-Defaults().House.Short-slideOf(b)/2)}
		}, rules.Unsure, "cannot tell yet"},
		{"to be trimmed, and short", func(b *Bay) []fieldbook.Made {
			m := cutFor(b, low-2)
			m.Made.ToFit = true
			return []fieldbook.Made{m}
		}, rules.Flag, "too short"},
	} {
		book := trueBay(t)
		book.Made = tt.made(&mustWork(book, Defaults()).Bays[0])
		b := &mustWork(book, Defaults()).Bays[0]
		i := slices.IndexFunc(b.Flags, func(f Flag) bool { return f.Name == "as-made" })
		if i < 0 {
			t.Errorf("%s: no flag", tt.name)
			continue
		}
		if f := b.Flags[i]; f.State != tt.state || !strings.Contains(f.Text, tt.text) {
			t.Errorf("%s: %s %q, want %s and %q", tt.name, f.State, f.Text, tt.state, tt.text)
		}
	}
}

func TestMadeThatCannotBeHeld(t *testing.T) {
	for _, tt := range []struct {
		name string
		made func(m *survey.Made)
		want string
	}{
		{"more than there are", func(m *survey.Made) { m.Pieces = []uint32{99} }, "laid out with"},
		{"spares only", func(m *survey.Made) { m.Pieces, m.Spares = nil, 2 }, ""},
	} {
		book := trueBay(t)
		m := cutFor(&mustWork(book, Defaults()).Bays[0], 800)
		tt.made(&m.Made)
		book.Made = []fieldbook.Made{m}
		got := mustWork(book, Defaults()).Bays[0].Made
		if len(got) != 1 || !strings.Contains(got[0].Unknown, tt.want) || (tt.want == "") != (got[0].Unknown == "") || got[0].P.Known || len(got[0].Off) > 0 {
			t.Errorf("%s: %+v, want %q", tt.name, got, tt.want)
		}
	}
	bare := &fieldbook.Book{Made: []fieldbook.Made{{Made: survey.Made{Where: "F1/left", Part: survey.PartSpindle, Pieces: []uint32{1}, Length: 1, Line: 1}}}}
	bare.Entries = []fieldbook.Entry{{Reading: survey.Reading{Where: "F1/left", What: survey.SpindleSize, Text: "41 x 41 mm",
		Value: survey.Quantity{Measure: survey.Section, N: [3]int64{41_000, 41_000}}}}}
	if got := mustWork(bare, Defaults()).Bays[0].Made; len(got) != 1 || got[0].Unknown == "" {
		t.Errorf("without readings: %+v, want why it is not known", got)
	}
}

// A struck entry counts for nothing; a piece that was cut again is not the
// batch's any more, and says how well it was foreseen.
func TestCutAgain(t *testing.T) {
	book := trueBay(t)
	b := &mustWork(book, Defaults()).Bays[0]
	batch := cutFor(b, b.Spindles.Needed.Mean[0])
	again := fieldbook.Made{Ref: journal.Ref{Device: journal.ID{0: 1}, Page: 3, Item: 2}, Made: survey.Made{
		Where: "F1/left", Part: survey.PartSpindle, Pieces: []uint32{2}, Length: batch.Made.Length, Line: batch.Made.Line, Recut: true,
	}}
	struck := again
	struck.Struck = []fieldbook.Ruling{{Why: "x"}}
	need := b.Spindles.Needed
	again.Made.Line = unit.FromMM(need.Mean[1] + 0.3)
	book.Entries = append(book.Entries, fieldbook.Entry{Ref: journal.Ref{Device: journal.ID{0: 1}, Page: 3, Item: 1}, Reading: survey.Reading{
		Where: "F1/left", What: survey.Trial, At: survey.At{Mark: survey.Distance, N: int64(unit.FromMM(b.Layout.Stations[1]))}, Text: "x",
		Value: survey.Quantity{Measure: survey.Tried, N: [3]int64{int64(again.Made.Line)}},
	}})
	book.Made = []fieldbook.Made{batch, again, struck}
	got := mustWork(book, Defaults()).Bays[0].Made
	if len(got) != 2 {
		t.Fatalf("%d entries, want 2", len(got))
	}
	for _, o := range got[0].Off {
		if o.Number == 2 {
			t.Error("the batch still has the piece that was cut again")
		}
	}
	// Foreseen by the readings before it: its need as it was worked out then, to the second order of what it moved.
	o := got[1].Off[0]
	if !calctest.Near(o.Predicted.Value, need.Mean[1], 2e-3) || !calctest.Near(o.Predicted.U, math.Sqrt(need.Cov.At(1, 1)), 2e-3) || !calctest.Near(o.Error, 0.3, 3e-3) || got[1].P.Known {
		t.Errorf("foreseen %+v, off %g, P %+v; want %.4f ±%.4f, off 0.3, not known", o.Predicted, o.Error, got[1].P, need.Mean[1], math.Sqrt(need.Cov.At(1, 1)))
	}
}

// What was cut until it fitted says that its need lies between its length less long and its length plus short: a
// rectangular distribution from 800 − 0.5 to 800 + 2 has its middle at 800.75 and u = 2.5/√12 = 0.7217, and with the
// saw's 0.1 mm √(0.7217² + 0.1²) = 0.7286.
func TestRecutIsAnInterval(t *testing.T) {
	book := trueBay(t)
	ref := journal.Ref{Device: journal.ID{0: 1}, Page: 3, Item: 1}
	e := fieldbook.Entry{Ref: ref, Reading: survey.Reading{Where: "F1/left", What: survey.Trial, At: survey.At{Mark: survey.Middle}, Text: "800",
		Value: survey.Quantity{Measure: survey.Tried, N: [3]int64{800_000}}}}
	w := newWorker(&Bay{Place: "F1/left"}, Defaults(), nil, append(book.Entries, e), nil)
	o, ok, err := w.observe(e)
	if err != nil || !ok || o.cut || !calctest.Near(o.value, 800, 1e-9) {
		t.Errorf("a trial piece: %+v, %t, %v; want its length", o, ok, err)
	}
	ref.Item = 2
	w.made = []fieldbook.Made{{Ref: ref, Made: survey.Made{Where: "F1/left", Part: survey.PartSpindle, Pieces: []uint32{2}, Line: unit.FromMM(800), Recut: true}}}
	if o, _, err = w.observe(e); err != nil || !o.cut || len(o.shares) != 0 || !calctest.Near(o.value, 800.75, 1e-9) || !calctest.Near(o.u, 0.7286, 1e-4) {
		t.Errorf("cut again: %g ±%g, shares %v, %v; want 800.75 ±0.7286 of its own", o.value, o.u, o.shares, err)
	}
}

// Of two pieces that were cut again each is judged by the trial piece of its own
// page.
func TestTwoCutAgain(t *testing.T) {
	book := trueBay(t)
	b := &mustWork(book, Defaults()).Bays[0]
	off := map[int]float64{2: 0.2, 5: -0.3}
	for page, n := range []int{2, 5} {
		ref := journal.Ref{Device: journal.ID{0: 1}, Page: uint64(3 + page), Item: 1}
		book.Entries = append(book.Entries, fieldbook.Entry{Ref: ref, Reading: survey.Reading{
			Where: "F1/left", What: survey.Trial, At: survey.At{Mark: survey.Distance, N: int64(unit.FromMM(b.Layout.Stations[n-1]))}, Text: "x",
			Value: survey.Quantity{Measure: survey.Tried, N: [3]int64{int64(unit.FromMM(b.Spindles.Needed.Mean[n-1] + off[n]))}},
		}})
		ref.Item = 2
		m := survey.Made{Where: "F1/left", Part: survey.PartSpindle, Pieces: []uint32{uint32(n)}, Length: unit.FromMM(800), Line: unit.FromMM(b.Spindles.Needed.Mean[n-1] + off[n]), Recut: true}
		book.Made = append(book.Made, fieldbook.Made{Ref: ref, Made: m})
	}
	for _, m := range mustWork(book, Defaults()).Bays[0].Made {
		n := int(m.Made.Pieces[0])
		if len(m.Off) != 1 {
			t.Fatalf("spindle %d: %+v", n, m)
		}
		if got, want := m.Off[0].Made, b.Spindles.Needed.Mean[n-1]+off[n]; !calctest.Near(got, want, 2e-3) { // readings are kept to a micrometre
			t.Errorf("spindle %d was made %.3f mm, want %.3f", n, got, want)
		}
		// The other piece that was cut again, u 0.73 against 0.45, moves what this one was foreseen at, by tenths.
		if got := m.Off[0].Error; !calctest.Near(got, off[n], 0.25) {
			t.Errorf("spindle %d is off by %.3f mm, want about %.1f", n, got, off[n])
		}
	}
}

// Predicted is what an adjustment without the reading says: each left out in
// turn, by brute force.
func TestPredictedIsTheAdjustmentWithout(t *testing.T) {
	rng := rand.New(rand.NewPCG(11, 4))
	rows := randomBay(rng).readings(rng, "F1/left")
	rows = append(rows, survey.Reading{Where: "F1/left", What: survey.SpindleSize, Text: "41 x 41 mm",
		Value: survey.Quantity{Measure: survey.Section, N: [3]int64{41_000, 41_000}}})
	all := &mustWork(bookOf(rows), Defaults()).Bays[0]
	tried := 0
	for i, r := range all.Readings {
		if r.Reading.What != survey.Gap || r.Reading.At.Mark != survey.Bottom && r.Reading.At.Mark != survey.Middle && r.Reading.At.Mark != survey.Top {
			continue
		}
		at := slices.IndexFunc(rows, func(row survey.Reading) bool { return row == r.Reading })
		without := &mustWork(bookOf(slices.Delete(slices.Clone(rows), at, at+1)), Defaults()).Bays[0]
		want := map[survey.Mark]Quantity{
			survey.Bottom: without.Adjusted.GapBottom, survey.Middle: without.Adjusted.GapMiddle, survey.Top: without.Adjusted.GapTop,
		}[r.Reading.At.Mark]
		got := all.Readings[i].Predicted()
		// The identity is exact for linear equations. Theirs bend over the tenths
		// of a millimetre that the solution moves: far below 1e-3 mm.
		if !calctest.Near(got.Value, want.Value, 1e-3) || !calctest.Near(got.U, want.U, 1e-3) {
			t.Errorf("%s: predicted %+v, want %+v", r.Reading.Title(), got, want)
		}
		tried++
	}
	if tried < 3 {
		t.Errorf("%d readings tried, want 3 at least", tried)
	}
}

// Fillets as cut to their stop fit: what they are off shows in the last opening alone, n times over. A stop 2 mm short
// of it lets a ball pass there, and one far too long leaves nothing for the last.
func TestMadeFilletsStandInSeries(t *testing.T) {
	rows := newVisitor(rand.New(rand.NewPCG(3, 3)), byTool).eight(fittersBay(rand.New(rand.NewPCG(9, 9)), 0.5))
	plain := &mustWork(bookOf(rows), Defaults()).Bays[0]
	n := plain.Layout.Count
	stop := plain.BaseFillets.Chosen().Stops[0]
	for _, tt := range []struct {
		name string
		off  float64 // of each fillet, mm
		want rules.State
	}{{"to the stop", 0, rules.Clear}, {"2 mm short", -2, rules.Flag}, {"a tenth of the last too long", plain.Layout.Last.Value / float64(n) * 1.6, rules.Flag}} {
		book := bookOf(rows)
		m := survey.Made{Where: "F1/left", Part: survey.PartBaseFillet, Line: unit.FromMM(stop + tt.off)}
		for i := range n {
			m.Pieces = append(m.Pieces, uint32(i+1))
		}
		book.Made = []fieldbook.Made{{Ref: journal.Ref{Device: journal.ID{0: 1}, Page: 2}, Made: m}}
		b := &mustWork(book, Defaults()).Bays[0]
		f := flagNamed(b, "as-made")
		if f == nil || f.State != tt.want || len(b.Made) != 1 || b.Made[0].State != tt.want {
			t.Errorf("%s: flag %+v, made %+v, want %s", tt.name, f, b.Made, tt.want)
			continue
		}
		cos := math.Cos(plain.Adjusted.BaseAngle.Value * degree)
		longer := 0.0
		for _, need := range plain.BaseFillets.Needed.Mean[:n] {
			longer += stop + tt.off - need
		}
		if want := plain.Layout.Last.Value - longer*cos; !calctest.Near(f.Value, want, 0.5) {
			t.Errorf("%s: the last opening is %.1f mm, want %.1f", tt.name, f.Value, want)
		}
	}
}

// The last fillet as it was cut to what was left says how wide the last opening is: one of 150 mm lets a ball pass.
func TestMadeLastFillet(t *testing.T) {
	rows := newVisitor(rand.New(rand.NewPCG(3, 3)), byTool).eight(fittersBay(rand.New(rand.NewPCG(9, 9)), 0.5))
	plain := &mustWork(bookOf(rows), Defaults()).Bays[0]
	n := plain.Layout.Count
	for _, tt := range []struct {
		length float64
		want   rules.State
	}{{plain.BaseFillets.Needed.Mean[n], rules.Clear}, {150, rules.Flag}} {
		book := bookOf(rows)
		book.Made = []fieldbook.Made{{Ref: journal.Ref{Device: journal.ID{0: 1}, Page: 2}, Made: survey.Made{
			Where: "F1/left", Part: survey.PartBaseFillet, Line: unit.FromMM(tt.length), Pieces: []uint32{uint32(n + 1)}, Recut: true,
		}}}
		b := &mustWork(book, Defaults()).Bays[0]
		if f := flagNamed(b, "as-made"); f == nil || f.State != tt.want {
			t.Errorf("the last fillet of %.1f mm: flag %+v, want %s", tt.length, f, tt.want)
		}
	}
}
