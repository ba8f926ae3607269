package asfound

import (
	"math/rand/v2"
	"slices"
	"strings"
	"testing"

	"pinchrod/calc/calctest"
	"pinchrod/survey"
	"pinchrod/survey/fieldbook"
	"pinchrod/survey/sheet"
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
			if !q.Known || !calctest.Near(q.Value, r.Value.Value(), 0.1) {
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
	if flags, bay := site.Verdict("F1"); len(flags) == 0 || bay != nil {
		t.Errorf("a flight has the flags %v and the bay %v", flags, bay)
	}
}

func TestSiteDrop(t *testing.T) {
	book := bookOf(readSheet(t, "../../testdata/reference/bays/slip-in-top-gap.csv"))
	site, err := NewSite(book, Defaults())
	if err != nil {
		t.Fatal(err)
	}
	slip := func(f Flag) bool { return f.Name == "slip" }
	flags, bay := site.Verdict("F1/left")
	if bay == nil || !slices.ContainsFunc(flags, slip) {
		t.Fatalf("flags %v, want the slip", flags)
	}
	for i := range bay.Readings {
		if bay.Readings[i].Suspect {
			site.Drop(fieldbook.Entry{Ref: bay.Readings[i].Ref, Reading: bay.Readings[i].Reading})
		}
	}
	if flags, _ = site.Verdict("F1/left"); slices.ContainsFunc(flags, slip) {
		t.Errorf("flags %v after the suspect is dropped", flags)
	}
}

// Whatever is read first, there is an answer: of every kind and station, in an
// empty place and in one that holds a single other reading.
func TestExpectedOfAnything(t *testing.T) {
	for i := range survey.Kinds {
		for j := range survey.Kinds {
			site, err := NewSite(&fieldbook.Book{}, Defaults())
			if err != nil {
				t.Fatal(err)
			}
			first, then := anyReading(&survey.Kinds[i]), anyReading(&survey.Kinds[j])
			site.Odd(first)
			site.Add(fieldbook.Entry{Reading: first})
			site.Odd(then)
			site.Add(fieldbook.Entry{Reading: then})
			site.Verdict("F1")
			site.Verdict("F1/left")
		}
	}
}

// anyReading is a believable reading of a kind.
func anyReading(k *survey.Kind) survey.Reading {
	r := survey.Reading{Where: "F1", What: k.What, Value: survey.Quantity{Measure: k.Measure, N: [3]int64{int64((k.Low + k.High) / 2 * 1000), 900_000}}}
	if k.OfBay {
		r.Where = "F1/left"
	}
	switch k.Measure {
	case survey.Angle:
		r.Value.N = [3]int64{720_000}
	case survey.Walk:
		r.Value.N = [3]int64{10, 90_000, 2_000}
	case survey.Section:
		r.Value.N = [3]int64{41_000, 41_000}
	case survey.Lean:
		r.Value.N = [3]int64{1_000, 900_000}
	}
	for _, at := range []string{"", "top", "upper", "left", "rising", "1"} {
		if a, err := k.ParseAt(at); err == nil {
			r.At = a
		}
	}
	return r
}

// A station beyond the upper post is told while the surveyor stands there.
func TestOutside(t *testing.T) {
	rows, err := sheet.Read(strings.NewReader(leaning("")), survey.HouseKit)
	if err != nil {
		t.Fatal(err)
	}
	s, err := NewSite(bookOf(rows), Defaults())
	if err != nil {
		t.Fatal(err)
	}
	at := func(mm int64) survey.Reading {
		return survey.Reading{Where: "F1/left", What: survey.Gap, At: survey.At{Mark: survey.Distance, N: mm * 1000}}
	}
	if got, want := s.Odd(at(5000)), "5000 mm from the lower post, and the run is 1254 mm"; got != want {
		t.Errorf("got %q, want %q", got, want)
	}
	for _, r := range []survey.Reading{at(1270), at(0), {Where: "F1/left", What: survey.Access, At: at(5000).At}, {Where: "F2/left", What: survey.Gap, At: at(5000).At}, {Where: "F1", What: survey.Width}} {
		if got := s.outside(r); got != "" {
			t.Errorf("%s %s: %q, want nothing", r.Where, r.Title(), got)
		}
	}
}
