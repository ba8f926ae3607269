package cutting

import (
	"bytes"
	"fmt"
	"io"
	"strings"
	"testing"

	"pgregory.net/rapid"

	"pinchrod/calc/fit"
	"pinchrod/survey/asfound"
	"pinchrod/survey/report/scene"
)

// texts are the lines of lettering on a page.
func texts(p scene.Page) []scene.Text {
	var out []scene.Text
	for _, it := range p.Items {
		if t, ok := it.(scene.Text); ok {
			out = append(out, t)
		}
	}
	return out
}

// block is what a text fills, without the room for accents and tails.
type block struct {
	scene.Text
	x0, y0, x1, y1 float64
}

func blocks(p scene.Page) []block {
	var out []block
	for _, t := range texts(p) {
		c := t.Corners()
		out = append(out, block{t, c[0].X, t.At.Y - t.H, c[1].X, t.At.Y})
	}
	return out
}

// laidOut checks that a page can be written, that all its lettering is on the
// paper and large enough to read, and that no two lines lie on each other.
func laidOut(t interface{ Errorf(string, ...any) }, p scene.Page, inset float64) {
	if err := scene.SVG(io.Discard, p); err != nil {
		t.Errorf("%s: %v", p.Title, err)
	}
	all := blocks(p)
	for i, a := range all {
		if a.x0 < inset-0.01 || a.x1 > p.W-inset+0.01 || a.y0 < inset-0.01 || a.y1 > p.H-inset+0.01 {
			t.Errorf("%s: %q reaches to %.1f, %.1f and %.1f, %.1f", p.Title, a.S, a.x0, a.y0, a.x1, a.y1)
		}
		if a.H < smallHigh {
			t.Errorf("%s: %q is %.1f mm high", p.Title, a.S, a.H)
		}
		for _, b := range all[:i] {
			if min(a.x1, b.x1)-max(a.x0, b.x0) > 0.05 && min(a.y1, b.y1)-max(a.y0, b.y0) > 0.05 {
				t.Errorf("%s: %q lies on %q at %.1f, %.1f", p.Title, a.S, b.S, a.x0, a.y1)
			}
		}
	}
}

func TestPagesOfAnyBook(t *testing.T) {
	rapid.Check(t, func(rt *rapid.T) {
		if raced && rapid.IntRange(0, 9).Draw(rt, "race") > 0 {
			return
		}
		set := asfound.Defaults()
		set.Accuracy.MaxPoints = 256 // quicker: which verdict it is does not matter here
		set.Fillets = rapid.SampledFrom([]asfound.FilletEnds{asfound.BothBevelled, asfound.OneBevelled, asfound.SquareEnded}).Draw(rt, "ends")
		if rapid.IntRange(0, 4).Draw(rt, "wavy") == 0 {
			set.House.Waviness = 0.8
		}
		b := bookOf(t, anyBay(rt))
		b.Job.Name = rapid.SampledFrom([]string{"14 Weir Street", strings.Repeat("Long Name Lane ", 12), "Ærøskøbing \x1b[31m 10"}).Draw(rt, "job")
		for _, s := range sheets(t, b, set) {
			pages := s.Pages()
			for i, p := range pages {
				laidOut(rt, p, margin)
				var all strings.Builder
				for _, l := range texts(p) {
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
				laidOut(rt, p, labelInset)
				here := blocks(p)
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
						if l.x1 > m.At.X-quiet*m.Size && l.x0 < m.At.X+far-0.01 && l.y1 > m.At.Y-quiet*m.Size && l.y0 < m.At.Y+far {
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
		for _, p := range s.Pages() {
			for _, l := range texts(p) {
				high[l.S] = max(high[l.S], l.H)
			}
		}
		for i := range s.Sets {
			set := &s.Sets[i]
			if high[set.title()] == 0 {
				t.Errorf("%s: no %s", s.Bay, set.title())
			}
			for _, g := range set.Settings {
				for _, fig := range []string{set.StopText(&g), fmt.Sprintf("%.1f", g.Long()), fmt.Sprintf("%.1f", g.Short()), fmt.Sprintf("%.1f°", g.Low.Dial), fmt.Sprintf("%.1f°", g.High.Dial), g.Count()} {
					if high[fig] < 4 {
						t.Errorf("%s, %s %s: %q is %.1f mm high, want 4 mm", s.Bay, set.title(), g.Name, fig, high[fig])
					}
				}
			}
			if set.Cut == fit.MeasureMore && high["NOT TO BE CUT YET. Read first:"] == 0 {
				t.Errorf("%s: nothing says that the %ss are not to be cut", s.Bay, set.Kind)
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
