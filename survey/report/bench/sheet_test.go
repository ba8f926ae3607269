package bench

import (
	"os"
	"strings"
	"testing"

	"pinchrod/survey"
)

// Where each piece is fitted on site its row has room for what it was cut to, and
// a bolt that has to stay within reach is told of.
func TestFitEach(t *testing.T) {
	t.Parallel()
	b, err := os.ReadFile(demoSheet)
	if err != nil {
		t.Fatal(err)
	}
	m := newMemory(t, demoName, string(b)+"F1/left,access,base,,200,MK,2026-11-18,\n")
	// The saw and the rails alone leave a piece in a few thousand to misfit.
	m.must(t, survey.Payload{Settings: []survey.Setting{{Name: "all-fit", Value: "0.9999"}}})
	_, page := get(t, handler(t, m), base+"/F1/left/sheet")
	for _, w := range accessible(page) {
		t.Error(w)
	}
	for _, s := range []string{"fit-each, over length, each trimmed on site", "Every blank is long enough with probability", "base rail, 200 mm from the lower post: under B02"} {
		if !strings.Contains(page, s) {
			t.Errorf("the sheet does not say %q", s)
		}
	}
	rows := 0
	for _, e := range elements(page) {
		if e.Data == "td" && e.attr["class"] == "write" {
			rows++
			if words(e.Node) != "" {
				t.Errorf("the place to write in says %q", words(e.Node))
			}
		}
	}
	if want := 12 + 13 + 13; rows != want {
		t.Errorf("%d places to write a length in, want %d: one for each piece", rows, want)
	}
}

// Readings that follow each other in one page of the log are one run.
func TestRuns(t *testing.T) {
	t.Parallel()
	_, page := get(t, handler(t, demo(t)), base+"/F1/left/sheet")
	const want = "32 readings: HW-2.5 to 17, HW-2.20 to 21, HW-2.23 to 37, HW-5.1, HW-6.1."
	if !strings.Contains(page, want) {
		t.Errorf("the sheet does not say %q", want)
	}
}
