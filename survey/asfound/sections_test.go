package asfound

import (
	"testing"
	"time"

	"pinchrod/store/journal"
	"pinchrod/survey"
	"pinchrod/survey/fieldbook"
)

// Of two sections the one that was written down last counts, whichever device it
// was read with, and the page names both.
func TestLaterSectionCounts(t *testing.T) {
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
	if got.Layout == nil || got.Layout.Width != 45 {
		t.Fatalf("layout %+v, want spindles of 45 mm", got.Layout)
	}
	last := map[survey.What]string{}
	for _, e := range got.Taken {
		last[e.Reading.What] = e.Reading.Value.String()
	}
	if last[survey.FilletSize] != "45 x 12 mm" {
		t.Errorf("the last fillet section is %q, want that of the 21st", last[survey.FilletSize])
	}
	for _, note := range []string{"two of spindle-section stand, 41 x 41 mm (", "two of fillet-section stand, 41 x 8 mm ("} {
		if !noted(got, note) {
			t.Errorf("notes %q do not say %q", got.Notes, note)
		}
	}
	if noted(got, "post-section") {
		t.Errorf("two posts are no contradiction: %q", got.Notes)
	}
}
