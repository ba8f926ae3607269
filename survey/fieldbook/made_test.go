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

func TestRack(t *testing.T) {
	kv := buckets{}
	a, b := newLog(t, kv, 1), newLog(t, kv, 2)
	struck := a.write(survey.Payload{Made: []survey.Made{cut([]unit.Length{640_000, 310_000, 310_000}, nil)}})
	b.job = journal.ID{0: 8}
	b.write(survey.Payload{Job: &survey.JobRecord{Name: "another"}, Made: []survey.Made{cut([]unit.Length{500_000}, []unit.Length{310_000, 777_000})}})
	want := []Offcut{{"41 x 41 mm", 310_000, 1}, {"41 x 41 mm", 500_000, 1}, {"41 x 41 mm", 640_000, 1}}
	got, err := Rack(kv)
	if err != nil {
		t.Fatal(err)
	}
	if diff := cmp.Diff(want, got); diff != "" {
		t.Errorf("(-want +got)\n%s", diff)
	}
	a.strike(struck)
	got, err = Rack(kv)
	if err != nil {
		t.Fatal(err)
	}
	if diff := cmp.Diff(want[1:2], got); diff != "" {
		t.Errorf("after the strike (-want +got)\n%s", diff)
	}
}

func TestTrialOf(t *testing.T) {
	l := newLog(t, buckets{}, 1)
	again := cut(nil, nil)
	again.Recut = true
	fit := gap(survey.Bottom, 812)
	fit.What = survey.Fit
	l.write(survey.Payload{Readings: []survey.Reading{gap(survey.Top, 812), fit}, Made: []survey.Made{again}})
	l.write(survey.Payload{Made: []survey.Made{again}})
	l.write(survey.Payload{Readings: []survey.Reading{fit}, Made: []survey.Made{cut(nil, nil)}})
	book := l.load()
	if e := book.TrialOf(&book.Made[0]); e == nil || e.Ref.Page != book.Made[0].Ref.Page || e.Reading.What != survey.Fit {
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
