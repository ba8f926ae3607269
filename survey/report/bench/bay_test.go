package bench

import (
	"math"
	"slices"
	"strings"
	"testing"

	"golang.org/x/net/html"

	"pinchrod/calc/calctest"
	"pinchrod/survey"
	"pinchrod/survey/report/figure"
	"pinchrod/survey/report/lines"
)

// row is the row of a reading on a page.
func row(t *testing.T, page, name string) *html.Node {
	t.Helper()
	for _, e := range elements(page) {
		if e.Data == "tr" && e.attr["id"] == name {
			return e.Node
		}
	}
	t.Fatalf("no row of %s", name)
	return nil
}

// What became of each reading stands in its row: figures that do not count are
// struck through, and legible.
func TestReadingRows(t *testing.T) {
	t.Parallel()
	h := handler(t, demo(t))
	_, left := get(t, h, base+"/F1/left")
	_, slip := get(t, h, base+"/F2/left")
	for _, tt := range []struct {
		page, name string
		struck     bool
		says       []string
	}{
		{left, "HW-2.9", false, []string{"run at height 0 mm", "1612 mm ±1.2 mm", "tape", "MK, 2026-11-18", "used"}},
		{left, "HW-2.7", false, []string{"41 x 41 mm", "counts as it stands"}},
		{left, "HW-3.1", true, []string{"860 mm", "struck", "Struck: tape was hooked on the fillet, MK,"}},
		{left, "HW-2.22", true, []string{"806 mm", "corrected", "Corrected by HW-5.1 and HW-6.1."}},
		{left, "HW-5.1", false, []string{"805.5 mm", "Corrects HW-2.22."}},
		{left, "HW-2.35", false, []string{"kept", "Kept: read twice, MK,"}},
		{left, "HW-2.30", false, []string{"Picture: F1/left, gap at top"}},
		{slip, "HW-2.92", false, []string{"SUSPECT", "Probably wrong by +9.4 ±2.4 mm, a whole 10 mm misread; as likely it is HW-2.89", "read it again, then strike or keep it"}},
	} {
		n := row(t, tt.page, tt.name)
		got := words(n)
		for _, s := range tt.says {
			if !strings.Contains(got, s) {
				t.Errorf("%s: %q does not say %q", tt.name, got, s)
			}
		}
		through := slices.ContainsFunc(slices.Collect(n.Descendants()), func(d *html.Node) bool { return d.Data == "s" })
		if through != tt.struck {
			t.Errorf("%s: struck through %t, want %t", tt.name, through, tt.struck)
		}
	}
	if !strings.Contains(left, "Both answers stand until somebody strikes one") {
		t.Error("the disagreement is not told")
	}
}

// Of what was tried on the stair the page says by how much it was foretold, and
// W in units of the difference's own u:
//
//	W = (found − foretold)/√(u² found + u² foretold),
//
// which is the normalised residual of the adjustment (the leave-one-out identity
// of least squares); the two are worked out apart from each other.
func TestForetold(t *testing.T) {
	t.Parallel()
	m := demo(t)
	w, err := m.Work(t.Context(), demoID.String(), "F1/left", nil)
	if err != nil {
		t.Fatal(err)
	}
	lines := foretoldLines(w.Found.Bays[0].Readings)
	if len(lines) != 5 {
		t.Fatalf("%d trials, want the 5 trial pieces of the demo", len(lines))
	}
	i := 0
	for _, r := range w.Found.Bays[0].Readings {
		if r.Reading.What != survey.Trial {
			continue
		}
		p := r.Predicted()
		if got := (r.Value - p.Value) / math.Hypot(r.U, p.U); !calctest.Near(got, r.W, 1e-6) {
			t.Errorf("%s: the difference is %.9f of its u, W is %.9f", r.Ref.Short(), got, r.W)
		}
		if l := lines[i]; l.Name != r.Ref.Short() || l.Difference == "" || l.Says != "As good as the uncertainties say." {
			t.Errorf("%+v", l)
		}
		i++
	}
}

func TestFigure(t *testing.T) {
	t.Parallel()
	for _, tt := range []struct{ got, want string }{
		{figure.Of(figure.Known(805.76, 0.21), "mm"), "805.8 ±0.4 mm"},
		{figure.Of(figure.Known(41.293, 0.02), "°"), "41.29 ±0.04°"},
		{figure.Of(figure.Known(-0.04, 0.3), "mm"), "0.0 ±0.6 mm"},
		{figure.Signed(figure.Known(-0.04, 0), "mm"), "+0.0 mm"},
		{figure.Signed(figure.Known(-1.5, 0.5), "mm/m"), "-1.5 ±1.0 mm/m"},
		{figure.Of(figure.Known(1, 0), ""), "1.0"},
		{lines.Sentence("the gap opens."), "The gap opens."},
		{lines.Sentence(""), ""},
	} {
		if tt.got != tt.want {
			t.Errorf("%q, want %q", tt.got, tt.want)
		}
	}
}
