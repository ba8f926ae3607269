package asfound

import (
	"context"
	"encoding/json"
	"os"
	"path/filepath"
	"strings"
	"testing"

	"pinchrod/calc/calctest"
	"pinchrod/store/journal"
	"pinchrod/survey"
	"pinchrod/survey/fieldbook"
	"pinchrod/survey/sheet"
)

// bookOf makes a book of rows, as an import would.
func bookOf(rows []survey.Reading) *fieldbook.Book {
	b := &fieldbook.Book{Job: fieldbook.Job{Name: "worked bay"}}
	for i, r := range rows {
		b.Entries = append(b.Entries, fieldbook.Entry{Ref: journal.Ref{Device: journal.ID{0: 1}, Page: 1, Item: uint32(i + 1)}, Reading: r})
	}
	return b
}

func mustWork(book *fieldbook.Book, s Settings) *Findings {
	f, err := Work(context.Background(), book, s)
	if err != nil {
		panic(err)
	}
	return f
}

func readSheet(t testing.TB, path string) []survey.Reading {
	t.Helper()
	f, err := os.Open(path)
	if err != nil {
		t.Fatal(err)
	}
	defer f.Close()
	rows, err := sheet.Read(f, survey.HouseKit)
	if err != nil {
		t.Fatal(err)
	}
	return rows
}

// The worked bays of testdata/reference/bays, from the sheet to the findings, against the independent adjustment of
// these tests; which reading is set aside there, and for what slip, is the README's own answer. The trial pieces of
// the last were held plumb.
func TestWorkedBays(t *testing.T) {
	files, err := filepath.Glob("../../testdata/reference/bays/*.csv")
	if err != nil || len(files) != 5 {
		t.Fatalf("%d worked bays, %v; want 5", len(files), err)
	}
	for _, file := range files {
		name := strings.TrimSuffix(filepath.Base(file), ".csv")
		raw, err := os.ReadFile(strings.TrimSuffix(file, ".csv") + ".json")
		if err != nil {
			t.Fatal(err)
		}
		var want struct {
			SetAside []struct {
				What        survey.What
				At          string
				LikelyError float64 `json:"likely_error"`
			} `json:"set_aside"`
		}
		if err := json.Unmarshal(raw, &want); err != nil {
			t.Fatal(err)
		}
		rows := readSheet(t, file)
		set := Defaults()
		set.Plumb = name == "with-trial-pieces"
		b := &mustWork(bookOf(rows), set).Bays[0]
		agree(t, name, b, rows, set.Plumb)
		var suspects []Result
		for _, r := range b.Readings {
			if r.Suspect {
				suspects = append(suspects, r)
			}
		}
		if len(suspects) != len(want.SetAside) {
			t.Errorf("%s: suspects %+v, want %+v", name, suspects, want.SetAside)
			continue
		}
		for i, w := range want.SetAside {
			// The priors that always stand move what the others say by less than half a mm, a third of its u.
			s := suspects[i]
			if s.Reading.What != w.What || s.Reading.At.String() != w.At || !calctest.Near(s.Error.Value, w.LikelyError, 0.5) || !strings.HasPrefix(s.Slip, "a whole 10 mm") {
				t.Errorf("%s: suspect %s by %.2f (%s), want %+v, a whole 10 mm", name, s.Reading.Title(), s.Error.Value, s.Slip, w)
			}
		}
	}
	// The same pieces taken as standing with the posts, which lean: another equation, the same independent answer.
	rows := readSheet(t, "../../testdata/reference/bays/with-trial-pieces.csv")
	b := &mustWork(bookOf(rows), Defaults()).Bays[0]
	agree(t, "trial pieces that stand with the posts", b, rows, false)
}
