package cutting

import (
	"errors"
	"math"
	"os"
	"strings"
	"testing"

	"pinchrod/calc/calctest"
	"pinchrod/calc/pieces"
	"pinchrod/calc/unit"
	"pinchrod/store/journal"
	"pinchrod/survey"
	"pinchrod/survey/asfound"
	"pinchrod/survey/fieldbook"
)

func demo(t *testing.T) *fieldbook.Book {
	t.Helper()
	csv, err := os.ReadFile("../../../cmd/internal/cli/demo.csv")
	if err != nil {
		t.Fatal(err)
	}
	return bookOf(t, string(csv))
}

// What a cut piece fills is off its needed length by what its stop is off the
// stop that would fit it exactly.
func TestMadeLine(t *testing.T) {
	for _, ends := range []asfound.FilletEnds{asfound.BothBevelled, asfound.OneBevelled, asfound.SquareEnded} {
		set := asfound.Defaults()
		set.Fillets = ends
		tried := 0
		for _, s := range sheets(t, demo(t), set) {
			for i := range s.Sets {
				k := &s.Sets[i]
				for j := range k.Settings {
					g := &k.Settings[j]
					m := s.Made(k, g, unit.FromMM(g.Stop))
					if err := m.Check(); err != nil {
						t.Errorf("%s, %ss %s: %v", s.Bay, k.Kind, g.Name, err)
					}
					for _, n := range g.Pieces {
						got, want := m.Line.MM()-k.line[n-1], g.Stop-k.Pieces[n-1].Needed
						// Lengths are kept to a micrometre. A square end meets the rail at a
						// pitch of each piece's own: over 41 mm, 0.1° of it are 0.07 mm.
						tol := 2e-3
						if k.square != [2]bool{} {
							tol = 0.08
						}
						if !calctest.Near(got, want, tol) {
							t.Errorf("%s, %s ends, %s %d: off by %.4f, want %.4f", s.Bay, ends, k.Kind, n, got, want)
						}
						tried++
					}
				}
			}
		}
		if tried < 50 {
			t.Errorf("%s ends: %d pieces, want 50 at least", ends, tried)
		}
	}
}

// A spindle that was cut again is a trial piece that just fits in its place: of the
// length that it has along the line that needed lengths count along.
func TestRecut(t *testing.T) {
	s := one(t, leaning, asfound.Defaults())
	k := s.Set(pieces.Spindle)
	for _, more := range []float64{0, 1, -2} {
		m, read, err := s.Recut(k, 5, unit.FromMM(k.Pieces[4].Needed+more))
		if err != nil || len(read) != 1 || !m.Recut || m.Check() != nil || read[0].Check() != nil {
			t.Fatalf("%+v, %+v, %v", m, read, err)
		}
		want := s.found.Layout.Spindles[4].Length + more
		piece, known, _, word := read[0].Value.Trial()
		if !known || word != survey.JustFits || !(math.Abs(piece.MM()-want) <= 0.006) { // the reading is kept to a hundredth
			t.Errorf("%+g mm: a piece of %s that %v, want one of %.3f mm that just fits", more, piece, word, want)
		}
		if want := s.found.Layout.Stations[4]; !(math.Abs(unit.Length(read[0].At.N).MM()-want) <= 0.05) {
			t.Errorf("at %s, want %.2f mm", read[0].At, want)
		}
	}
	f := s.Set(pieces.BaseFillet)
	if _, read, err := s.Recut(f, 1, unit.FromMM(100)); err != nil || len(read) != 0 {
		t.Errorf("a fillet gives %d readings, %v; want none", len(read), err)
	}
	for _, n := range []int{0, -1, len(k.Pieces) + 1} {
		if _, _, err := s.Recut(k, n, unit.FromMM(800)); !errors.Is(err, ErrMade) {
			t.Errorf("spindle %d: %v, want ErrMade", n, err)
		}
	}
}

// A sheet does not go stale because it was cut from.
func TestCodeOfWhatWasCut(t *testing.T) {
	book := demo(t)
	s := sheets(t, book, asfound.Defaults())[0]
	k := s.Set(pieces.Spindle)
	m := s.Made(k, &k.Settings[0], unit.FromMM(k.Settings[0].Stop+7))
	book.Made = []fieldbook.Made{{Ref: journal.Ref{Device: journal.ID{0: 1}, Page: 2, Item: 1}, Made: m}}
	after := sheets(t, book, asfound.Defaults())[0]
	if after.Code != s.Code {
		t.Errorf("code %s, want %s as before", after.Code, s.Code)
	}
	if all := strings.Join(after.Settle, "\n"); !strings.Contains(all, "as-made") {
		t.Errorf("7 mm too long, and the sheet says %q; want as-made", all)
	}
}

func TestNotOnTheSheet(t *testing.T) {
	for _, s := range sheets(t, demo(t), asfound.Defaults()) {
		for _, p := range survey.Parts {
			k, err := s.PartSet(p)
			switch {
			case err == nil && (!k.Final() || parts[k.Kind] != p):
				t.Errorf("%s: %s: %+v is not final, or another's", s.Bay, p, k)
			case err != nil && !errors.Is(err, ErrMade):
				t.Errorf("%s: %s: %v, want ErrMade", s.Bay, p, err)
			}
		}
	}
	s := sheets(t, demo(t), asfound.Defaults())[0]
	k := s.Set(pieces.Spindle)
	if _, err := k.Setting("Q"); !errors.Is(err, ErrMade) {
		t.Errorf("setting Q: %v, want ErrMade", err)
	}
	if err := s.Holds(k, &k.Settings[0], []uint32{99}); !errors.Is(err, ErrMade) {
		t.Errorf("piece 99: %v, want ErrMade", err)
	}
	empty := &Sheet{Bay: "F1/left", Missing: "nothing gives the run"}
	if _, err := empty.PartSet(survey.PartSpindle); !errors.Is(err, ErrMade) || !strings.Contains(err.Error(), "the run") {
		t.Errorf("an empty sheet: %v, want ErrMade and why", err)
	}
}
