package asfound

import (
	"context"
	"encoding/json"
	"math"
	"os"
	"path/filepath"
	"strings"
	"testing"

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

// answer is an adjusted bay of testdata/reference/bays.
type answer struct {
	Adjusted map[string]struct{ Value, U float64 } `json:"adjusted"`
	Chi2     float64                               `json:"chi2_with_priors"`
	DOF      int                                   `json:"dof"`
	Readings []struct {
		What       string
		At         *string
		Residual   float64
		Redundancy float64
		W          float64
	} `json:"readings"`
}

// The worked bays of testdata/reference/bays, computed by an independent
// implementation (see the README there), from the sheet to the findings.
// Agreement: 1e-3 mm, 1e-4°, 1e-3 in w, as stated there.
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
			All      answer          `json:"all_readings"`
			SetAside json.RawMessage `json:"set_aside"`
			Without  *answer         `json:"without"`
		}
		if err := json.Unmarshal(raw, &want); err != nil {
			t.Fatal(err)
		}
		f := mustWork(bookOf(readSheet(t, file)), Defaults())
		if len(f.Bays) != 1 {
			t.Fatalf("%s: %d bays, want 1", name, len(f.Bays))
		}
		b := &f.Bays[0]
		final := &want.All
		if want.Without != nil {
			final = want.Without
		}
		compare(t, name, b, final, want.Without != nil)
		var suspects []string
		for i := range b.Readings {
			if r := &b.Readings[i]; r.Suspect {
				suspects = append(suspects, r.Reading.Title()+": "+r.Slip)
			}
		}
		switch {
		case want.Without == nil && len(suspects) > 0:
			t.Errorf("%s: suspects %v, want none", name, suspects)
		case want.Without != nil && (len(suspects) != 1 || !strings.HasPrefix(suspects[0], "gap at top: a whole 10 mm")):
			t.Errorf("%s: suspects %v, want the gap at top by a whole 10 mm", name, suspects)
		}
	}
}

func compare(t *testing.T, name string, b *Bay, want *answer, aside bool) {
	t.Helper()
	a := b.Adjusted
	for key, got := range map[string]Quantity{
		"run": a.Run, "lean_lower": a.LeanLower, "lean_upper": a.LeanUpper, "base_angle": a.BaseAngle, "rail_angle": a.RailAngle,
		"gap_bottom": a.GapBottom, "gap_middle": a.GapMiddle, "gap_top": a.GapTop, "bow_base": a.BowBase, "bow_rail": a.BowRail,
	} {
		tol := 1e-3
		if strings.HasSuffix(key, "angle") {
			tol = 1e-4
		}
		w := want.Adjusted[key]
		if !got.Known || math.Abs(got.Value-w.Value) > tol || math.Abs(got.U-w.U) > tol {
			t.Errorf("%s: %s = %.5f, u %.5f; want %.5f, u %.5f", name, key, got.Value, got.U, w.Value, w.U)
		}
	}
	// chi2 and w are compared to 1e-3 of themselves as well: near 7, a weight
	// rounded in the sheet's fourth digit shows.
	if math.Abs(b.Chi2.Value-want.Chi2) > 1e-3*max(1, want.Chi2) || b.Chi2.DOF != want.DOF {
		t.Errorf("%s: chi2 %.4f on %d, want %.4f on %d", name, b.Chi2.Value, b.Chi2.DOF, want.Chi2, want.DOF)
	}
	k := 0
	for i := range b.Readings {
		r := &b.Readings[i]
		if aside && r.Suspect {
			continue
		}
		if k >= len(want.Readings) {
			break
		}
		w := want.Readings[k]
		k++
		if k, err := survey.KindOf(w.What); err != nil || k.What != r.Reading.What || math.Abs(r.Residual-w.Residual) > 1e-3 || math.Abs(r.Redundancy-w.Redundancy) > 1e-3 || math.Abs(r.W-w.W) > 1e-3 {
			t.Errorf("%s: %s residual %.4f r %.4f w %.4f; want %s %.4f %.4f %.4f", name, r.Reading.Title(), r.Residual, r.Redundancy, r.W, w.What, w.Residual, w.Redundancy, w.W)
		}
	}
	if k != len(want.Readings) {
		t.Errorf("%s: %d readings compared, want %d", name, k, len(want.Readings))
	}
}
