package asfound

import (
	"math"
	"testing"

	"pinchrod/calc/calctest"
	"pinchrod/calc/unit"
	"pinchrod/store/journal"
	"pinchrod/survey"
	"pinchrod/survey/fieldbook"
)

// What each reading takes, in minutes; common practice, no source.
func TestMinutesOfReadings(t *testing.T) {
	want := map[survey.What]float64{
		survey.Gap: 1, survey.Trial: 4, survey.Run: 1, survey.SlopeRun: 1, survey.LeanAlong: 2, survey.BaseAngle: 1, survey.RailAngle: 1,
		survey.BowBase: 3, survey.BowRail: 3, survey.FrameDiagonal: 2,
	}
	for _, c := range candidates {
		m := want[c.what]
		if c.high {
			m = 2 // from a step-ladder's height
		}
		if c.minutes != m {
			t.Errorf("%s takes %g minutes, want %g", c.what, c.minutes, m)
		}
	}
	if tryAgain != 1.5 || walkMinutes != 4 || minutesOf(survey.GuardHeight) != 1 {
		t.Errorf("a try again %g, a walk %g, any other %g; want 1.5, 4, 1", tryAgain, float64(walkMinutes), minutesOf(survey.GuardHeight))
	}
}

// A fillet that was cut again leaves no reading in the book: it is held against what the layout needs, as a batch is.
func TestFilletCutAgain(t *testing.T) {
	book := trueBay(t)
	b := &mustWork(book, Defaults()).Bays[0]
	need := b.BaseFillets.Needed
	m := cutFor(b, need.Mean[2]+0.4)
	m.Made.Part, m.Made.Pieces, m.Made.Recut = survey.PartBaseFillet, []uint32{3}, true
	book.Made = []fieldbook.Made{m}
	got := mustWork(book, Defaults()).Bays[0].Made[0]
	if len(got.Off) != 1 || got.Off[0].Number != 3 || got.P.Known || !calctest.Near(got.Off[0].Error, 0.4, 2e-3) ||
		!calctest.Near(got.Off[0].U, math.Sqrt(need.Cov.At(2, 2)+0.15*0.15+0.1*0.1), 1e-6) {
		t.Errorf("%+v, want fillet 3 off by 0.4 with the waviness and the saw", got)
	}
	// A spindle whose trial piece was struck is held so as well.
	m.Made.Part, m.Made.Line = survey.PartSpindle, unit.FromMM(b.Spindles.Needed.Mean[2]+0.4)
	book.Made = []fieldbook.Made{m}
	if got := mustWork(book, Defaults()).Bays[0].Made[0]; len(got.Off) != 1 || !calctest.Near(got.Off[0].Error, 0.4, 2e-3) {
		t.Errorf("%+v, want spindle 3 off by 0.4", got)
	}
}

// A walk that could be the wrong reading rules nothing.
func TestSuspectWalkRulesNothing(t *testing.T) {
	ref := journal.Ref{Page: 1, Item: 7}
	for name, b := range map[string]*Bay{
		"set aside": {Readings: []Result{{Ref: ref, Suspect: true}}}, "one of several": {Again: []journal.Ref{ref}},
	} {
		w := &worker{bay: b}
		if !w.suspect(ref) || w.suspect(journal.Ref{Page: 1, Item: 8}) {
			t.Errorf("%s: suspect %t, another one %t; want the first only", name, w.suspect(ref), w.suspect(journal.Ref{Page: 1, Item: 8}))
		}
		if got := w.noSpacer(ref, &Spacer{Count: 10}); got != "the walk is probably wrong: walk it again" {
			t.Errorf("%s: %q", name, got)
		}
	}
}

// Readings of one kind at one place are one figure, their weighted mean; at two places they are two.
func TestReadingsByPlace(t *testing.T) {
	b := bookFrom(t, "F1/left,guard-height,bottom,,900\nF1/left,guard-height,bottom,,904\nF1/left,guard-height,top,,920\nF1/left,gap,bottom,,800\n")
	w := newWorker(&Bay{Place: "F1/left"}, Defaults(), nil, b.Entries, nil)
	got := w.readings(survey.GuardHeight)
	if len(got) != 2 || !calctest.Near(got[0].Value, 902, 1e-6) || !calctest.Near(got[1].Value, 920, 1e-6) || !calctest.Near(got[0].U, got[1].U/math.Sqrt2, 1e-6) {
		t.Errorf("%+v, want 902 and 920, the first of √2 less u", got)
	}
}

// The bevel of a bay is the mean pitch of its rails, and a level rail's openings grow with shrinking timber by n of n+1
// of what each spindle loses.
func TestBevelAndShrinkage(t *testing.T) {
	b := bayFrom(t, "F1/left,run,,0,1377\nF1/left,base-angle,bottom,,41\nF1/left,rail-angle,bottom,,41.4\nF1/left,gap,bottom,,812\nF1/left,spindle-section,,,41 x 41 mm\n")
	near(t, "bevel", b.Layout.Bevel, 41.2, 0.01)
	set := Defaults()
	for _, s := range [][2]string{{"species", "white oak"}, {"service-moisture", "7"}} {
		if err := set.Set(s[0], s[1]); err != nil {
			t.Fatal(err)
		}
	}
	const rows = "F1/left,run,,0,1254\nF1/left,spindle-section,,,40 x 40 mm\n"
	dry, wet := &mustWork(bookFrom(t, rows+"F1/left,moisture,,,14 %\n"), set).Bays[0], bayFrom(t, rows)
	if dry.Layout.Count != wet.Layout.Count {
		t.Fatalf("%d spindles of timber that shrinks, %d else", dry.Layout.Count, wet.Layout.Count)
	}
	w := newWorker(&Bay{Place: "F1/left"}, set, nil, bookFrom(t, rows+"F1/left,moisture,,,14 %\n").Entries, nil)
	w.sections()
	n, lost := float64(dry.Layout.Count), -w.movement().Value
	if !(lost > 0.3) || !calctest.Near(dry.Layout.Widest.Value-wet.Layout.Widest.Value, lost*n/(n+1), 1e-6) {
		t.Errorf("openings grow by %.3f mm, want %.3f of the %.3f that a spindle loses", dry.Layout.Widest.Value-wet.Layout.Widest.Value, lost*n/(n+1), lost)
	}
}
