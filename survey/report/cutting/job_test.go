package cutting

import (
	"bytes"
	"os"
	"slices"
	"strings"
	"testing"

	"github.com/google/go-cmp/cmp"

	"pinchrod/survey/asfound"
	"pinchrod/survey/report"
	"pinchrod/survey/report/paper"
	"pinchrod/survey/report/scene/scenetest"
)

// The job's summary and the sheets of the demo in inches, as they are printed.
func TestJobGolden(t *testing.T) {
	for _, units := range []string{"mm", "in"} {
		set := asfound.Defaults()
		if err := set.Set("units", units); err != nil {
			t.Fatal(err)
		}
		job := Job(sheets(t, bookOf(t, read(t, demoSheet)), set))
		var b bytes.Buffer
		if err := job.Text(&b, report.Style{Width: 80}); err != nil {
			t.Fatal(err)
		}
		got, path := b.String(), "testdata/job-"+units+".txt"
		if units == "mm" { // the sheets have files of their own
			got, _, _ = strings.Cut(got, ": cutting sheet ")
		}
		if *update {
			if err := os.WriteFile(path, []byte(got), 0o666); err != nil {
				t.Fatal(err)
			}
		}
		if diff := cmp.Diff(read(t, path), got); diff != "" {
			t.Errorf("%s (-want +got):\n%s", path, diff)
		}
	}
}

// A job has one page before its sheets, which says what each bay is cut to and what
// is not to be cut; a bay by itself has none.
func TestJobPages(t *testing.T) {
	job := Job(sheets(t, bookOf(t, read(t, demoSheet)), asfound.Defaults()))
	n := 0
	for _, s := range job {
		n += len(s.Pages())
	}
	pages := job.Pages()
	if len(pages) != n+1 {
		t.Fatalf("%d pages, want %d of the sheets and 1 before them", len(pages), n)
	}
	scenetest.LaidOut(t, pages[0], paper.Margin, paper.SmallHigh)
	front := wholeText(pages[0])
	for _, s := range job {
		for _, want := range []string{string(s.Bay), s.Code} {
			if !strings.Contains(front, want) {
				t.Errorf("the front does not say %q", want)
			}
		}
		for i := range s.Sets {
			k := &s.Sets[i]
			want := "Do not cut yet: read again "
			if k.Final() {
				want = k.summary()
			}
			if !strings.Contains(front, want) {
				t.Errorf("%s, %ss: the front does not say %q", s.Bay, k.Kind, want)
			}
		}
	}
	if !strings.Contains(front, "Caution") {
		t.Error("the front bears no caution")
	}
	if got := len(job[:1].Pages()); got != len(job[0].Pages()) {
		t.Errorf("a bay by itself has %d pages, want those of its sheet, %d", got, len(job[0].Pages()))
	}
}

// Stops are said one by one while they are few.
func TestStopsInFewWords(t *testing.T) {
	set := func(stops ...float64) *Set {
		k := &Set{Cut: "graded"}
		for i, s := range stops {
			k.Settings = append(k.Settings, Setting{Stop: s, Step: 0.5, Pieces: []int{i + 1}})
			k.Pieces = append(k.Pieces, Piece{})
		}
		return k
	}
	each := set(811)
	each.Settings[0].ToFit, each.Settings[0].Step = true, 1
	for _, tt := range []struct {
		set       *Set
		stops, as string
	}{
		{set(805.5), "805.5", "all to one stop"},
		{set(805.5, 807), "805.5, 807.0", "2 lengths, one for each no piece"},
		{set(1, 2, 3, 4, 5), "5 lengths, 1.0 to 5.0", "5 lengths, one for each no piece"},
		{each, "fit each, from 811", "over length, fit each"},
		{&Set{Cut: "measure-more"}, "not yet", "do not cut yet"},
	} {
		if got := tt.set.summary(); got != tt.stops {
			t.Errorf("stops %q, want %q", got, tt.stops)
		}
		if got := tt.set.Way(); got != tt.as {
			t.Errorf("way %q, want %q", got, tt.as)
		}
	}
}

// While nobody can tell the last space the fillets are headed by the walk, on paper
// and in text; the spindles are not. Where it is clear, nothing is.
func TestWalkFirst(t *testing.T) {
	const say = "Walk the spacer first: 4 min."
	for bay, want := range map[string]int{"F1/left": 0, "F2/left": 2} {
		s := one(t, ofDemo(t, bay), asfound.Defaults())
		if got := slices.Contains(s.Unsure, lastSpace); got != (want > 0) || s.WalkFirst != got {
			t.Fatalf("%s: the last space is unsure %t, to be walked first %t; the test wants %t", bay, got, s.WalkFirst, want > 0)
		}
		if n := strings.Count(text(t, s, 200), say); n != want {
			t.Errorf("%s: the text says %d times %q, want %d", bay, n, say, want)
		}
		if n := strings.Count(wholeText(s.Pages()[0]), say); n != want {
			t.Errorf("%s: the page says %d times %q, want %d", bay, n, say, want)
		}
	}
}
