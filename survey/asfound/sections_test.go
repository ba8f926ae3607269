package asfound

import (
	"fmt"
	"strings"
	"testing"
	"time"

	"pinchrod/calc/calctest"
	"pinchrod/calc/rules"
	"pinchrod/store/journal"
	"pinchrod/survey"
	"pinchrod/survey/fieldbook"
)

// Of two sections of the fillets the one that was written down last counts, whichever
// device it was read with, and the page names both. Two of the spindles that cannot
// both be right are a contradiction: the narrower is shown, and nothing is cut.
func TestTwoSections(t *testing.T) {
	entry := func(device byte, day int, what survey.What, at survey.Mark, value string) fieldbook.Entry {
		r := survey.Reading{Where: "F1/left", What: what, At: survey.At{Mark: at}}
		var err error
		if r.Value, err = r.Kind().ParseValue(value); err != nil {
			t.Fatal(err)
		}
		return fieldbook.Entry{Ref: journal.Ref{Device: journal.ID{device}, Page: uint64(day), Item: 1}, Reading: r, Time: time.Date(2026, 11, day, 9, 0, 0, 0, time.UTC)}
	}
	b := &fieldbook.Book{Job: fieldbook.Job{Name: "two devices"}, Entries: []fieldbook.Entry{ // in the order of the devices
		entry(1, 20, survey.SpindleSize, survey.Nowhere, "45 x 45 mm"),
		entry(1, 21, survey.FilletSize, survey.Nowhere, "45 x 12 mm"),
		entry(1, 22, survey.Run, survey.Nowhere, "1254"),
		entry(2, 10, survey.SpindleSize, survey.Nowhere, "41 x 41 mm"),
		entry(2, 11, survey.FilletSize, survey.Nowhere, "41 x 8 mm"),
		entry(2, 12, survey.PostSection, survey.Lower, "90 x 90 mm"),
		entry(2, 13, survey.PostSection, survey.Upper, "95 x 95 mm"),
	}}
	got := &mustWork(b, Defaults()).Bays[0]
	if got.Layout == nil || got.Layout.Width != 41 {
		t.Fatalf("layout %+v, want the narrower spindles of 41 mm", got.Layout)
	}
	if f := flagNamed(got, "two-sections"); f == nil || f.State != rules.Flag || len(got.Again) != 2 {
		t.Errorf("flag %+v, to settle %v, want both sections", f, got.Again)
	}
	last := map[survey.What]string{}
	for _, e := range got.Taken {
		last[e.Reading.What] = e.Reading.Value.String()
	}
	if last[survey.FilletSize] != "45 x 12 mm" {
		t.Errorf("the last fillet section is %q, want that of the 21st", last[survey.FilletSize])
	}
	for _, note := range []string{"two of fillet-section stand, 41 x 8 mm ("} {
		if !noted(got, note) {
			t.Errorf("notes %q do not say %q", got.Notes, note)
		}
	}
	if noted(got, "post-section") {
		t.Errorf("two posts are no contradiction: %q", got.Notes)
	}
}

// Ten spindles side by side and one turned spindle are one section: the width of the ten, the thin width of the one,
// whichever was typed last.
func TestTurnedSpindlesTogether(t *testing.T) {
	const rest = "F1/left,run,,0,1412\nF1/left,base-angle,bottom,,41.2\nF1/left,rail-angle,bottom,,41.2\nF1/left,trial,bottom,,813\n"
	const one, ten = "F1/left,spindle-section,,,41 x 41 x 22 mm\n", "F1/left,spindle-section,,,10 together 411 mm\n"
	a, b := bayFrom(t, one+ten+rest), bayFrom(t, ten+one+rest)
	for _, got := range []*Bay{a, b} {
		if got.Layout == nil || got.Layout.Width != 41.1 || got.Layout.Spaces[1].Bottom-got.Layout.Spaces[1].Fillet < 18 {
			t.Errorf("layout %+v, want spindles of 41.1 mm that are 22 mm thin", got.Layout)
		}
		if len(got.Again) > 0 {
			t.Errorf("to settle %v, want nothing", got.Again)
		}
	}
}

// One gross slip in a reading that much hangs on makes good ones look wrong, one after the other. The one that settles
// all when it is left out is the slip; a trial piece is left out wherever it was tried. Where none settles, nothing is cut.
func TestOneSlipBehindMany(t *testing.T) {
	const good = "F1/left,spindle-section,,,41 x 41 mm\nF1/left,run,,0,1412\nF1/left,base-angle,bottom,,41.2\nF1/left,base-angle,top,,41.2\nF1/left,rail-angle,bottom,,41.2\nF1/left,rail-angle,top,,41.2\n"
	const tries = "F1/left,trial,bottom,,813\nF1/left,trial,middle,,813 fits\nF1/left,trial,top,,813 fits\n"
	for _, tt := range []struct {
		name, rows string
		slip       uint32 // row
		cut        bool
	}{
		{"slope run, digits exchanged", good + tries + "F1/left,run,,700,1412\nF1/left,slope-run,,0,8177\n", 11, true},
		{"trial piece written down 100 mm off", good + strings.ReplaceAll(tries, "813", "913") + "F1/left,gap,bottom,,813\nF1/left,gap,top,,813\n", 7, true},
		{"run against a diagonal", good + tries + "F1/left,frame-diagonal,rising,,4288\n", 2, false},
	} {
		b := bayFrom(t, tt.rows)
		up := upBy(b.Flags, "slip")
		if len(up) != 1 || !strings.Contains(up[0].Text, fmt.Sprintf("J2-1.%d ", tt.slip)) {
			t.Errorf("%s: slips %+v, want one, of row %d", tt.name, up, tt.slip)
		}
		if got := b.Spindles.Chosen() != nil && b.BaseFillets.Chosen() != nil; got != tt.cut {
			t.Errorf("%s: cut %v, want %v", tt.name, got, tt.cut)
		}
		if o := b.BaseFillets.Chosen(); tt.cut && !calctest.Near(o.Stops[0], 121.1, 0.2) {
			t.Errorf("%s: fillets at %.1f mm, want 121.1", tt.name, o.Stops[0])
		}
	}
}

// Angles that all were read from plumb agree with each other; the flight tells.
func TestPitchAgainstTheFlight(t *testing.T) {
	rows := func(angle string) string {
		return "F1/left,spindle-section,,,41 x 41 mm\nF1/left,run,,0,1412\nF1/left,base-angle,bottom,," + angle + "\nF1/left,rail-angle,bottom,," + angle + "\nF1/left,trial,bottom,,813\nF1/left,trial,top,,813 fits\n"
	}
	steps := ""
	for n := range 6 {
		steps += fmt.Sprintf("F1,rise,%d,,200\nF1,going,%d,,228\n", n+1, n+1)
	}
	for _, tt := range []struct {
		name, rows string
		up         bool
	}{
		{"by the string", rows("48.8") + "F1,string-angle,bottom,,41.2\n", true},
		{"by the steps", rows("48.8") + steps, true},
		{"as the flight is", rows("41.2") + steps, false},
		{"nothing to hold it to", rows("48.8"), false},
	} {
		b := bayFrom(t, tt.rows)
		if up := len(upBy(b.Flags, "pitch-flight")) > 0; up != tt.up || (b.Spindles.Chosen() == nil) != tt.up {
			t.Errorf("%s: flagged %v, cut %v, want %v", tt.name, up, b.Spindles.Chosen() != nil, tt.up)
		}
	}
}

// A run that comes from a spacer walk alone is held to the number of spindles that was walked.
func TestWalkCount(t *testing.T) {
	const rest = "F1/left,spindle-section,,,41 x 41 mm\nF1/left,base-angle,bottom,,41.2\nF1/left,base-angle,top,,41.2\nF1/left,rail-angle,bottom,,41.2\nF1/left,trial,bottom,,813\n"
	for spacer, up := range map[string]bool{"121.1": false, "91.1": true} {
		b := bayFrom(t, rest+"F1/left,spacer-walk,,,11 x "+spacer+" mm short 0 mm\n")
		if got := len(upBy(b.Flags, "walk-count")) > 0; got != up || (b.BaseFillets.Chosen() == nil) != up {
			t.Errorf("spacers of %s mm: flagged %v, want %v", spacer, got, up)
		}
	}
}
