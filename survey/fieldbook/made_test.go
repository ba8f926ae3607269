package fieldbook

import (
	"errors"
	"strings"
	"testing"

	"github.com/google/go-cmp/cmp"

	"pinchrod/calc/unit"
	"pinchrod/store/journal"
	"pinchrod/survey"
)

func cut(kept, used []unit.Length) survey.Made {
	return survey.Made{Where: "F1/left", Part: survey.PartSpindle, Pieces: []uint32{1}, Length: 812_000, Line: 812_000, Section: "41 x 41 mm", Kept: kept, Used: used}
}

func TestMade(t *testing.T) {
	l := newLog(t, buckets{}, 1)
	wrong := cut(nil, nil)
	wrong.Where = "F1"
	ref := l.write(survey.Payload{
		Readings: []survey.Reading{gap(survey.Top, 812)},
		Pictures: []survey.Picture{shot(1)},
		Made:     []survey.Made{cut(nil, nil), wrong},
	})
	book := l.load()
	if len(book.Made) != 2 {
		t.Fatalf("%d made, want 2", len(book.Made))
	}
	// Its number follows those of all that pages held before.
	m := &book.Made[0]
	if want := (journal.Ref{Device: ref.Device, Page: ref.Page, Item: 3}); m.Ref != want || !m.Stands() || m.Time.IsZero() {
		t.Errorf("%+v; want %v, standing", m, want)
	}
	if diff := cmp.Diff(cut(nil, nil), m.Made); diff != "" {
		t.Errorf("(-want +got)\n%s", diff)
	}
	if m := &book.Made[1]; m.Stands() || !errors.Is(m.Wrong, survey.ErrPlace) {
		t.Errorf("of a flight: stands %t, %v; want ErrPlace", m.Stands(), m.Wrong)
	}
	for _, id := range []string{m.Ref.String(), strings.ToLower(m.Ref.Short())} {
		if got, err := book.FindMade(id); err != nil || got.Ref != m.Ref {
			t.Errorf("FindMade(%q) = %+v, %v; want %v", id, got, err, m.Ref)
		}
	}
	if _, err := book.FindMade(ref.Short()); !errors.Is(err, ErrNoMade) {
		t.Errorf("a reading's name: %v, want ErrNoMade", err)
	}
	l.strike(m.Ref)
	if m := l.load().Made[0]; m.Stands() || len(m.Struck) != 1 || m.Struck[0].Why != "wrong post" {
		t.Errorf("struck: %+v", m)
	}
}

func TestTrialOf(t *testing.T) {
	l := newLog(t, buckets{}, 1)
	again := cut(nil, nil)
	again.Recut = true
	fit := gap(survey.Bottom, 812)
	fit.What = survey.Trial
	l.write(survey.Payload{Readings: []survey.Reading{gap(survey.Top, 812), fit}, Made: []survey.Made{again}})
	l.write(survey.Payload{Made: []survey.Made{again}})
	l.write(survey.Payload{Readings: []survey.Reading{fit}, Made: []survey.Made{cut(nil, nil)}})
	book := l.load()
	if e := book.TrialOf(&book.Made[0]); e == nil || e.Ref.Page != book.Made[0].Ref.Page || e.Reading.What != survey.Trial {
		t.Errorf("of a spindle: %+v, want the trial piece on its page", e)
	}
	for i, why := range map[int]string{1: "no reading was written with it", 2: "a batch"} {
		if e := book.TrialOf(&book.Made[i]); e != nil {
			t.Errorf("%s: %+v, want none", why, e)
		}
	}
	l.strike(book.TrialOf(&book.Made[0]).Ref)
	if book = l.load(); book.TrialOf(&book.Made[0]) != nil {
		t.Error("a struck one is still there")
	}
}

func TestBefore(t *testing.T) {
	l := newLog(t, buckets{}, 1)
	again := cut(nil, nil)
	again.Recut, again.Pieces = true, []uint32{2}
	batch := cut(nil, nil)
	batch.Pieces = []uint32{1, 3}
	l.write(survey.Payload{Made: []survey.Made{batch, again}})
	struck := cut(nil, nil)
	struck.Pieces = []uint32{7}
	l.strike(l.write(survey.Payload{Made: []survey.Made{struck}}))
	book := l.load()
	other := batch
	other.Part = survey.PartRailFillet
	for _, tt := range []struct {
		name   string
		m      survey.Made
		pieces []uint32
		recut  bool
		want   uint32
	}{
		{"a batch of some that were cut", batch, []uint32{4, 3}, false, 3},
		{"a batch of one that was cut again", batch, []uint32{2}, false, 2},
		{"a batch of others", batch, []uint32{4, 5}, false, 0},
		{"one of a batch, cut again", batch, []uint32{1}, true, 0},
		{"one cut again, again", batch, []uint32{2}, true, 2},
		{"struck", batch, []uint32{7}, false, 0},
		{"another part", other, []uint32{1}, false, 0},
	} {
		tt.m.Pieces, tt.m.Recut = tt.pieces, tt.recut
		if n, in := book.Before(&tt.m); n != tt.want || (in == nil) != (tt.want == 0) {
			t.Errorf("%s: piece %d in %v, want %d", tt.name, n, in, tt.want)
		}
	}
}
