package asfound

import (
	"math"
	"math/rand/v2"
	"strings"
	"testing"

	"pinchrod/survey"
	"pinchrod/survey/fieldbook"
)

// As a bay is read, each reading is predicted from those before: right within
// 3.29 of its uncertainty nearly always, and a slip of 10 mm is told at once.
func TestExpectedOnSite(t *testing.T) {
	rng := rand.New(rand.NewPCG(8, 8))
	predicted, odd, slips, told := 0, 0, 0, 0
	for range 60 {
		tr := randomBay(rng)
		site, err := NewSite(&fieldbook.Book{}, Defaults())
		if err != nil {
			t.Fatal(err)
		}
		for _, r := range tr.readings(rng, "F1/left") {
			if q := site.Expected(r); q.Known {
				predicted++
				if site.Odd(r) != "" {
					odd++
				}
				if r.What == survey.Run && q.U < 1.2 {
					slips++
					wrong := r
					wrong.Value.N[0] += 10_000
					if text := site.Odd(wrong); strings.Contains(text, "over") && strings.HasPrefix(text, "expected ") {
						told++
					}
				}
			}
			site.Add(fieldbook.Entry{Ref: bookOf([]survey.Reading{r}).Entries[0].Ref, Reading: r})
		}
	}
	if predicted < 300 || odd > predicted/100 {
		t.Errorf("%d predictions, %d of them call an honest reading odd; want 300 and at most 1 %%", predicted, odd)
	}
	if slips < 30 || told < slips*95/100 {
		t.Errorf("%d of %d slips of 10 mm are told, want 95 %%", told, slips)
	}
}

func TestExpectedOfAFlight(t *testing.T) {
	f := randomFlight(rand.New(rand.NewPCG(9, 9)))
	rows := f.readings(nil)
	site, err := NewSite(&fieldbook.Book{}, Defaults())
	if err != nil {
		t.Fatal(err)
	}
	for _, r := range rows {
		if r.What == survey.TotalRise {
			// Every rise was read, so the total is their sum.
			q := site.Expected(r)
			if !q.Known || math.Abs(q.Value-r.Value.Value()) > 0.1 {
				t.Errorf("total rise expected %+v, want %v", q, r.Value)
			}
			wrong := r
			wrong.Value.N[0] += 100_000
			if text := site.Odd(wrong); !strings.Contains(text, "100.0 mm over") {
				t.Errorf("a total 100 mm over: %q", text)
			}
		}
		site.Add(fieldbook.Entry{Reading: r})
	}
	if line, _ := site.Verdict("F1"); line == "" {
		t.Error("a flight has no verdict")
	}
}

func TestSiteDrop(t *testing.T) {
	book := bookOf(readSheet(t, "../../testdata/reference/bays/slip-in-top-gap.csv"))
	site, err := NewSite(book, Defaults())
	if err != nil {
		t.Fatal(err)
	}
	line, bay := site.Verdict("F1/left")
	if !strings.Contains(line, "slip") || bay == nil {
		t.Fatalf("verdict %q, want the slip", line)
	}
	for i := range bay.Readings {
		if bay.Readings[i].Suspect {
			site.Drop(fieldbook.Entry{Ref: bay.Readings[i].Ref, Reading: bay.Readings[i].Reading})
		}
	}
	if line, _ = site.Verdict("F1/left"); strings.Contains(line, "slip") {
		t.Errorf("verdict %q after the suspect is dropped", line)
	}
}
