package fieldbook

import (
	"errors"
	"slices"
	"strings"
	"testing"

	"pinchrod/store/journal"
	"pinchrod/survey"
)

func shot(sum byte) survey.Picture {
	return survey.Picture{Sum: [32]byte{sum}, Size: 1000, Type: "image/jpeg", Where: "F1", At: survey.At{Mark: survey.Step, N: 3}}
}

// A picture's number on the page follows those of all that pages held before.
func TestPictureNames(t *testing.T) {
	l := newLog(t, buckets{}, 1)
	ref := l.write(survey.Payload{
		Readings: []survey.Reading{gap(survey.Top, 812), gap(survey.Bottom, 810)},
		Strikes:  []survey.Strike{{Reading: journal.Ref{Page: 99, Item: 1}, Why: "x"}},
		Keeps:    []survey.Strike{{Reading: journal.Ref{Page: 99, Item: 1}, Why: "x"}},
		Settings: []survey.Setting{{Name: "stair", Value: "private"}},
		Tools:    []survey.ToolRecord{{Name: "AB-1", Sort: survey.SortTape, Class: survey.ClassII}},
		Checks:   []survey.ToolCheck{{Tool: "AB-1", Kind: survey.Reversal, First: []int64{1, 1}, Second: []int64{1, 1}, When: "2026-11-20"}},
		Pictures: []survey.Picture{shot(1), shot(2)},
	})
	book := l.load()
	var items []uint32
	for _, p := range book.Pictures() {
		if p.Ref.Device != ref.Device || p.Ref.Page != ref.Page || p.Time.IsZero() || p.Newer {
			t.Errorf("picture %+v on page %d", p, ref.Page)
		}
		items = append(items, p.Ref.Item)
	}
	if want := []uint32{8, 9}; !slices.Equal(items, want) {
		t.Errorf("items %v, want %v", items, want)
	}
	if n := len(book.Entries); n != 2 {
		t.Errorf("%d readings, want 2", n)
	}
	if got := book.Pictures()[1].Picture; got != shot(2) {
		t.Errorf("picture %+v, want %+v", got, shot(2))
	}
	want := book.Pictures()[1].Ref
	for _, id := range []string{want.String(), want.Short(), " " + strings.ToLower(want.Short())} {
		if p, err := book.FindPicture(id); err != nil || p.Ref != want {
			t.Errorf("FindPicture(%q) = %+v, %v; want %v", id, p, err, want)
		}
		if _, err := book.Find(id); !errors.Is(err, ErrNoReading) {
			t.Errorf("Find(%q) error = %v, want ErrNoReading", id, err)
		}
	}
	if _, err := book.FindPicture(ref.Short()); !errors.Is(err, ErrNoPicture) {
		t.Errorf("a reading's name: %v, want ErrNoPicture", err)
	}
}

func TestPicturesOfAJob(t *testing.T) {
	kv := buckets{}
	l, other := newLog(t, kv, 1), newLog(t, kv, 2)
	reading := l.read(gap(survey.Top, 812))
	of := shot(1)
	of.Reading = reading
	first := l.write(survey.Payload{Pictures: []survey.Picture{of, shot(2)}})
	other.write(survey.Payload{Pictures: []survey.Picture{shot(3)}})
	elsewhere := newLog(t, kv, 3)
	elsewhere.job = journal.ID{0: 10}
	elsewhere.write(survey.Payload{Pictures: []survey.Picture{shot(4)}})

	sums := func() (out []byte) {
		for _, p := range l.load().Pictures() {
			if p.Stands() {
				out = append(out, p.Picture.Sum[0])
			}
		}
		return out
	}
	if got := sums(); !slices.Equal(got, []byte{1, 2, 3}) {
		t.Errorf("pictures %v, want those of this job: 1 2 3", got)
	}
	if got := l.load().PicturesOf(reading); len(got) != 1 || got[0].Ref != first {
		t.Errorf("pictures of the reading: %+v", got)
	}
	// Struck by another device, and before it arrives.
	other.strike(first)
	l.strike(journal.Ref{Device: other.device, Page: other.seq + 1, Item: 1})
	other.write(survey.Payload{Pictures: []survey.Picture{shot(5)}})
	if got := sums(); !slices.Equal(got, []byte{2, 3}) {
		t.Errorf("after two strikes %v stand, want 2 3", got)
	}
	book := l.load()
	if n := len(book.Pictures()); n != 4 {
		t.Errorf("%d pictures are listed, want all 4", n)
	}
	p, err := book.FindPicture(first.String())
	if err != nil || len(p.Struck) != 1 || p.Struck[0].Why != "wrong post" {
		t.Errorf("struck picture %+v, %v", p, err)
	}
	if got := book.PicturesOf(reading); len(got) != 0 {
		t.Errorf("a struck picture is still the reading's: %+v", got)
	}
	if !book.Entries[0].Stands() {
		t.Error("the reading was struck with its picture")
	}
}

func TestNewerPicture(t *testing.T) {
	l := newLog(t, buckets{}, 1)
	p := shot(1)
	p.Type = "image/of-tomorrow"
	l.write(survey.Payload{Pictures: []survey.Picture{p}})
	if got := l.load().Pictures(); len(got) != 1 || !got[0].Newer {
		t.Errorf("pictures %+v, want one marked newer", got)
	}
}
