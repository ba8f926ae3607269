package bench

import (
	"os"
	"slices"
	"strings"
	"testing"

	"pinchrod/survey"
	"pinchrod/survey/report/lines"
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
	// The saw and the rails alone leave most pieces farther off than this.
	m.must(t, survey.Payload{Settings: []survey.Setting{
		{Name: "all-fit", Value: "0.9999"}, {Name: "short", Value: "0.05"}, {Name: "long", Value: "0.05"}, {Name: "play", Value: "0"},
	}})
	_, page := get(t, handler(t, m), base+"/F1/left/sheet")
	for _, w := range accessible(page) {
		t.Error(w)
	}
	for _, s := range []string{"over length, fit each", "All blanks are long enough ", "base rail, 200 mm from the lower post: under B02"} {
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
	if want := 12; rows != want {
		t.Errorf("%d places to write a length in, want %d: one for each piece", rows, want)
	}
}

// The page of a sheet says in words what its paper says.
func TestSheetSays(t *testing.T) {
	t.Parallel()
	m := demo(t)
	h := handler(t, m)
	for _, place := range []survey.Place{"F1/left", "F1/right", "F2/left"} {
		_, page := get(t, h, base+"/"+string(place)+"/sheet")
		said := words(elements(page)[0].Node)
		sh := m.sheet(t, place)
		sh.Office = true
		want := slices.Concat(sh.Banners(), sh.How(), []string{sh.AsOf(), sh.Caution})
		for _, f := range sh.Facts() {
			want = append(want, f[0]+" "+lines.Sentence(f[1]))
		}
		for i := range sh.Sets {
			s := &sh.Sets[i]
			want = append(want, s.Count(), s.Way())
			if !s.Final() {
				want = append(want, s.NotYet())
				continue
			}
			want = append(want, s.Chance(), s.Common())
			for j := range s.Settings {
				g := &s.Settings[j]
				want = append(want, g.Name+" "+s.StopText(g)+" "+g.Count()+" "+s.Names(g.Pieces), g.Low.String()+" "+g.High.String(), lines.Sentence(s.Remark(g)))
			}
		}
		for _, c := range sh.Card() {
			want = append(want, c.Title)
			want = append(want, c.Steps...)
		}
		for _, s := range want {
			if !strings.Contains(said, s) {
				t.Errorf("%s: the page does not say %q", place, s)
			}
		}
	}
}

// The page of the stock plan says what is left out, what was cut before, and what
// goes onto the rack.
func TestStockSays(t *testing.T) {
	t.Parallel()
	_, page := get(t, handler(t, demo(t)), base+"/stock")
	said := words(elements(page)[0].Node)
	for _, s := range []string{
		"Not on this plan: F2/left spindles: not to be cut yet; read again gap at middle, 815 mm", "Cut before F1/left S01-S08, and not on this plan.", "buy 8 x 2400 mm",
		"bars 1-2 of 12: 2 x 2400 mm of 41 x 41 mm", "2 of each bar", "keep the bar as it lies", "Onto the rack Of 41 x 41 mm: ",
	} {
		if !strings.Contains(said, s) {
			t.Errorf("the page does not say %q", s)
		}
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

// The template of the bevels leaves out the ends that the sheet has square.
func TestTemplateOfSquareEnds(t *testing.T) {
	t.Parallel()
	for ends, want := range map[string]bool{"both": true, "square": false} {
		m := demo(t)
		m.must(t, survey.Payload{Settings: []survey.Setting{{Name: "fillet-ends", Value: ends}}})
		_, svg := get(t, handler(t, m), base+"/F1/left/template.svg")
		if got := strings.Contains(svg, "base fillet"); got != want {
			t.Errorf("fillet-ends %s: the template names base fillets: %t, want %t", ends, got, want)
		}
	}
}
