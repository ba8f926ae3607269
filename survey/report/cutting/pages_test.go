package cutting

import (
	"bytes"
	"fmt"
	"strings"
	"testing"

	"pgregory.net/rapid"

	"pinchrod/calc/fit"
	"pinchrod/calc/pieces"
	"pinchrod/survey/asfound"
	"pinchrod/survey/report/paper"
	"pinchrod/survey/report/scene"
	"pinchrod/survey/report/scene/scenetest"
)

func TestPagesOfAnyBook(t *testing.T) {
	rapid.Check(t, func(rt *rapid.T) {
		if raced && rapid.IntRange(0, 9).Draw(rt, "race") > 0 {
			return
		}
		set := anyHouse(rt)
		b := bookOf(t, anyBay(rt))
		b.Job.Name = rapid.SampledFrom([]string{"14 Weir Street", strings.Repeat("Long Name Lane ", 12), "Ærøskøbing \x1b[31m 10"}).Draw(rt, "job")
		for _, s := range sheets(t, b, set) {
			pages := s.Pages()
			for i, p := range pages {
				scenetest.LaidOut(rt, p, paper.Margin, paper.SmallHigh)
				var all strings.Builder
				for _, l := range scenetest.Texts(p) {
					all.WriteString(l.S + "\n")
				}
				for _, say := range []string{fmt.Sprintf("page %d of %d\n", i+1, len(pages)), s.Code + "\n", string(s.Bay)} {
					if !strings.Contains(all.String(), say) {
						rt.Errorf("page %d does not say %q", i+1, say)
					}
				}
			}
			labels, err := s.LabelPages()
			if err != nil {
				rt.Fatal(err)
			}
			n := 0
			for _, p := range labels {
				scenetest.LaidOut(rt, p, labelInset, paper.SmallHigh)
				here := scenetest.Blocks(p)
				for _, it := range p.Items {
					m, ok := it.(scene.Modules)
					if !ok {
						continue
					}
					n++
					// Smaller than 0.4 mm a label printer of 300 dpi has no five dots to a
					// module; common practice, no source. And nothing in the quiet zone.
					if m.Size < 0.4 {
						rt.Errorf("modules of %.2f mm", m.Size)
					}
					far := m.Size * float64(len(m.Dark)+quiet)
					for _, l := range here {
						if l.X1 > m.At.X-quiet*m.Size && l.X0 < m.At.X+far-0.01 && l.Y1 > m.At.Y-quiet*m.Size && l.Y0 < m.At.Y+far {
							rt.Errorf("%q stands in the quiet zone of a code", l.S)
						}
					}
				}
			}
			if n != len(s.Labels()) {
				rt.Errorf("%d codes for %d labels", n, len(s.Labels()))
			}
		}
	})
}

// Every figure of every setting is on the pages, the stops at least 4 mm high,
// and what cannot be cut is not.
func TestPagesSayTheCuts(t *testing.T) {
	for _, s := range sheets(t, bookOf(t, read(t, demoSheet)), asfound.Defaults()) {
		high := map[string]float64{}
		var all strings.Builder
		for _, p := range s.Pages() {
			all.WriteString(wholeText(p))
			for _, l := range scenetest.Texts(p) {
				high[l.S] = max(high[l.S], l.H)
			}
		}
		for i := range s.Sets {
			set := &s.Sets[i]
			if high[set.title()] == 0 {
				t.Errorf("%s: no %s", s.Bay, set.title())
			}
			for _, g := range set.Settings {
				figs := []string{set.StopText(&g)}
				if !set.oneEach() { // else bevels and the rest stand above the grid
					figs = append(figs, set.TipText(&g), fmt.Sprintf("%.1f°", g.Low.Dial), fmt.Sprintf("%.1f°", g.High.Dial), g.Count())
				}
				for _, fig := range figs {
					if high[fig] < 4 {
						t.Errorf("%s, %s %s: %q is %.1f mm high, want 4 mm", s.Bay, set.title(), g.Name, fig, high[fig])
					}
				}
			}
			if set.Cut == fit.MeasureMore && !strings.Contains(all.String(), "Do not cut yet: read again ") {
				t.Errorf("%s: nothing says that the %ss are not to be cut", s.Bay, set.Kind)
			}
		}
	}
}

// A bay has two pages at most, whatever the way of cutting and the paper, with as
// many spindles as a flight of sixteen steps has.
func TestTwoPages(t *testing.T) {
	csv := ofDemo(t, "F1/right") // whose gap drifts by 14 mm
	for _, units := range []string{"mm", "in"} {
		for way, change := range map[string]func(*asfound.Settings){
			"as it is":       func(*asfound.Settings) {},
			"one each":       func(s *asfound.Settings) { s.House.Minutes.Setting, s.House.Minutes.Sort, s.House.Short = 0, 0, 0.1 },
			"each fitted":    func(s *asfound.Settings) { s.House.Minutes.Fit, s.House.Minutes.Recut, s.House.Waviness = 0.5, 60, 1.2 },
			"narrow spaces":  func(s *asfound.Settings) { s.Target = 40 },
			"square fillets": func(s *asfound.Settings) { s.Fillets = asfound.SquareEnded },
		} {
			set := asfound.Defaults()
			if err := set.Set("units", units); err != nil {
				t.Fatal(err)
			}
			change(&set)
			s := one(t, csv, set)
			pages := s.Pages()
			if len(pages) > mostPages {
				t.Errorf("%s, %s: %d pages of %d spindles", units, way, len(pages), len(s.Set(pieces.Spindle).Pieces))
			}
			for _, p := range pages {
				if want := scene.PaperFor(units == "in"); p.W != want.Short || p.H != want.Long {
					t.Errorf("%s, %s: a page of %g x %g mm, want %g x %g", units, way, p.W, p.H, want.Short, want.Long)
				}
			}
		}
	}
}

// The same book gives the same bytes, in every format.
func TestSameBytes(t *testing.T) {
	print := func() []byte {
		var out bytes.Buffer
		for _, s := range sheets(t, bookOf(t, read(t, demoSheet)), asfound.Defaults()) {
			labels, err := s.LabelPages()
			if err != nil {
				t.Fatal(err)
			}
			if err := scene.PDF(&out, append(s.Pages(), labels...), scene.Meta{Title: string(s.Bay)}); err != nil {
				t.Fatal(err)
			}
			out.WriteString(write(t, s, "txt") + write(t, s, "csv") + write(t, s, "json"))
		}
		return out.Bytes()
	}
	if first := print(); !bytes.Equal(first, print()) {
		t.Error("two runs differ")
	}
}
