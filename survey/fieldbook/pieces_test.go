package fieldbook

import (
	"errors"
	"strings"
	"testing"
	"time"

	"pinchrod/store/journal"
	"pinchrod/survey"
)

func trial(t *testing.T, mark survey.Mark, text string) survey.Reading {
	t.Helper()
	k, err := survey.KindOf("trial")
	if err != nil {
		t.Fatal(err)
	}
	q, err := k.ParseValue(text)
	if err != nil {
		t.Fatal(err)
	}
	return survey.Reading{Where: "F1/left", What: survey.Trial, At: survey.At{Mark: mark}, Value: q, Text: text}
}

func pieced(b *Book) string {
	var s []string
	for _, e := range b.Pieced() {
		s = append(s, e.Reading.Value.String())
	}
	return strings.Join(s, ", ")
}

func TestPieced(t *testing.T) {
	const fits, tight = "fits", "tight"
	for name, tt := range map[string]struct {
		do   func(a, b *log)
		want string
	}{
		"the same piece three times": {func(a, _ *log) {
			a.read(trial(t, survey.Bottom, "812"))
			a.read(trial(t, survey.Middle, tight))
			a.read(trial(t, survey.Top, "loose 1 mm"))
		}, "812 mm, 812 mm tight, 812 mm loose 1 mm"},
		"another piece since": {func(a, _ *log) {
			a.read(trial(t, survey.Bottom, "812"))
			a.read(trial(t, survey.Middle, "806 tight"))
			a.read(trial(t, survey.Top, fits))
		}, "812 mm, 806 mm tight, 806 mm fits"},
		"no piece before it": {func(a, _ *log) {
			a.read(trial(t, survey.Bottom, fits))
			a.read(trial(t, survey.Top, "812"))
		}, "fits, 812 mm"},
		"a piece of another bay": {func(a, _ *log) {
			r := trial(t, survey.Bottom, "812")
			r.Where = "F1/right"
			a.read(r)
			a.read(trial(t, survey.Top, fits))
		}, "812 mm, fits"},
		"two on one page": {func(a, _ *log) {
			a.write(survey.Payload{Readings: []survey.Reading{trial(t, survey.Bottom, "812"), trial(t, survey.Middle, fits), trial(t, survey.Top, "806")}})
		}, "812 mm, 812 mm fits, 806 mm"},
		"the length corrected after": {func(a, _ *log) {
			ref := a.read(trial(t, survey.Bottom, "821"))
			a.read(trial(t, survey.Top, fits))
			a.correct(ref, trial(t, survey.Bottom, "812"))
		}, "812 mm fits, 812 mm"},
		"the length corrected twice": {func(a, _ *log) {
			ref := a.read(trial(t, survey.Bottom, "821"))
			a.read(trial(t, survey.Top, fits))
			a.correct(a.correct(ref, trial(t, survey.Bottom, "822")), trial(t, survey.Bottom, "812"))
		}, "812 mm fits, 812 mm"},
		"the word corrected after another piece": {func(a, _ *log) {
			a.read(trial(t, survey.Bottom, "812"))
			ref := a.read(trial(t, survey.Middle, fits))
			a.read(trial(t, survey.Top, "806"))
			a.correct(ref, trial(t, survey.Middle, tight))
		}, "812 mm, 806 mm, 812 mm tight"},
		"the piece struck": {func(a, _ *log) {
			a.read(trial(t, survey.Bottom, "806"))
			ref := a.read(trial(t, survey.Middle, "812"))
			a.read(trial(t, survey.Top, fits))
			a.strike(ref)
		}, "806 mm, fits"},
		"a length that was taken back": {func(a, _ *log) {
			a.read(trial(t, survey.Bottom, "806"))
			ref := a.read(trial(t, survey.Middle, "812"))
			a.read(trial(t, survey.Top, fits))
			a.correct(ref, trial(t, survey.Middle, tight))
		}, "806 mm, 806 mm fits, 806 mm tight"},
		"each device has its own piece": {func(a, b *log) {
			b.late = time.Minute
			a.read(trial(t, survey.Bottom, "812"))
			b.read(trial(t, survey.Bottom, "806"))
			b.read(trial(t, survey.Top, fits))
			a.late = time.Hour
			a.read(trial(t, survey.Top, tight))
		}, "812 mm, 812 mm tight, 806 mm, 806 mm fits"},
		"a piece that another device gave": {func(a, b *log) {
			b.late = time.Minute
			a.read(trial(t, survey.Bottom, "812"))
			b.read(trial(t, survey.Top, fits))
			a.late = time.Hour
			a.read(trial(t, survey.Top, "806"))
		}, "812 mm, 806 mm, 812 mm fits"},
		"one that another device gave later": {func(a, b *log) {
			a.late = time.Hour
			a.read(trial(t, survey.Bottom, "812"))
			b.read(trial(t, survey.Top, fits))
		}, "812 mm, fits"},
		"a spindle cut again is no trial piece": {func(a, _ *log) {
			a.read(trial(t, survey.Bottom, "812"))
			a.write(survey.Payload{Readings: []survey.Reading{trial(t, survey.Middle, "806")},
				Made: []survey.Made{{Where: "F1/left", Part: survey.PartSpindle, Pieces: []uint32{3}, Length: 806_000, Line: 806_000, Recut: true}}})
			a.read(trial(t, survey.Top, fits))
		}, "812 mm, 806 mm, 812 mm fits"},
		"corrections in a circle": {func(a, _ *log) {
			r := trial(t, survey.Bottom, "812")
			a.correct(journal.Ref{Device: a.device, Page: a.seq + 2, Item: 1}, r)
			a.correct(journal.Ref{Device: a.device, Page: a.seq, Item: 1}, r)
			a.read(trial(t, survey.Top, fits))
		}, "fits"},
	} {
		kv := buckets{}
		a, b := newLog(t, kv, 1), newLog(t, kv, 2)
		tt.do(a, b)
		book := a.load()
		if got := pieced(book); got != tt.want {
			t.Errorf("%s: %s; want %s", name, got, tt.want)
		}
		for _, e := range book.Standing() { // the book itself says what was said
			if said := trial(t, survey.Top, e.Reading.Text).Value; e.Reading.Value != said {
				t.Errorf("%s: the book's own %q is %s now", name, e.Reading.Text, e.Reading.Value)
			}
		}
	}
}

// A reading that is about to be written means the piece that the book will give it.
func TestWithPiece(t *testing.T) {
	kv := buckets{}
	a, b := newLog(t, kv, 1), newLog(t, kv, 2)
	if _, err := a.load().WithPiece(trial(t, survey.Top, "fits"), a.device); !errors.Is(err, survey.ErrPiece) {
		t.Errorf("without a piece: %v, want %v", err, survey.ErrPiece)
	}
	for _, r := range []survey.Reading{trial(t, survey.Top, "812 tight"), gap(survey.Top, 812)} {
		if got, err := a.load().WithPiece(r, a.device); err != nil || got != r {
			t.Errorf("%s comes back as %s, %v", r.Value, got.Value, err)
		}
	}
	a.read(trial(t, survey.Bottom, "812"))
	b.read(trial(t, survey.Bottom, "806"))
	for device, want := range map[journal.ID]string{a.device: "812 mm tight", b.device: "806 mm tight", {5}: "806 mm tight"} {
		r := trial(t, survey.Top, "tight")
		if got, err := a.load().WithPiece(r, device); err != nil || got.Value.String() != want {
			t.Errorf("of device %s: %s, %v; want %s", device, got.Value, err, want)
		}
	}
	ref := a.read(trial(t, survey.Middle, "fits"))
	a.read(trial(t, survey.Top, "799"))
	r := trial(t, survey.Middle, "tight")
	r.Replaces = ref
	if got, err := a.load().WithPiece(r, a.device); err != nil || got.Value.String() != "812 mm tight" {
		t.Errorf("a correction means %s, %v; want the piece of the reading it corrects", got.Value, err)
	}
}
