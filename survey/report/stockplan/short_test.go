package stockplan

import (
	"fmt"
	"strings"
	"testing"

	"github.com/google/go-cmp/cmp"
	"pgregory.net/rapid"

	"pinchrod/calc/pieces"
	"pinchrod/calc/stock"
	"pinchrod/survey/report/cutting"
)

// Bars that are counted and too few are sawn as far as they go, and the plan says
// how many more would do.
func TestShort(t *testing.T) {
	thirteen := plainSheet("F1/left", 13, 900)
	spared := plainSheet("F1/left", 3, 900)
	spared.Sets[0].Spares, spared.Sets[0].Settings[0].Spares = 2, 2
	two := []*cutting.Sheet{plainSheet("F1/left", 3, 900), plainSheet("F2/left", 3, 800)}
	for _, c := range []struct {
		name   string
		sheets []*cutting.Sheet
		bars   []stock.Bar
		bars2  string // that are sawn
		left   []string
		claim  string
	}{
		{"of one length", []*cutting.Sheet{thirteen}, []stock.Bar{{Length: 2400, Count: 4}}, "41 x 41 mm: 4 x 2400",
			[]string{"F1/left S09-S13: the bars of 41 x 41 mm there are do not hold them; 3 more of 2400 mm would do"},
			"8 of 13 pieces from the bars there are; 3 more of 2400 mm would do for the rest"},
		{"with prices", []*cutting.Sheet{thirteen}, []stock.Bar{{Length: 2400, Count: 4, Price: 5}}, "41 x 41 mm: 4 x 2400",
			[]string{"F1/left S09-S13: the bars of 41 x 41 mm there are do not hold them; 3 more of 2400 mm would do"},
			"8 of 13 pieces from the bars there are; 3 more of 2400 mm would do for the rest"},
		{"two lengths", []*cutting.Sheet{thirteen}, []stock.Bar{{Length: 2400, Count: 2}, {Length: 1000, Count: 3}, {Length: 2400, Count: 1}}, "41 x 41 mm: 3 x 2400; 41 x 41 mm: 3 x 1000",
			[]string{"F1/left S10-S13: the bars of 41 x 41 mm there are do not hold them; 2 more of 2400 mm would do"},
			"9 of 13 pieces from the bars there are; 2 more of 2400 mm would do for the rest"},
		{"the bar with fewer pieces waits", []*cutting.Sheet{plainSheet("F1/left", 3, 900)}, []stock.Bar{{Length: 2400, Count: 1}}, "41 x 41 mm: 1 x 2400",
			[]string{"F1/left S03: the bars of 41 x 41 mm there are do not hold them; 1 more of 2400 mm would do"},
			"2 of 3 pieces from the bars there are; 1 more of 2400 mm would do for the rest"},
		{"spares wait", []*cutting.Sheet{spared}, []stock.Bar{{Length: 1000, Count: 3}}, "41 x 41 mm: 3 x 1000",
			[]string{"F1/left SX1-SX2: the bars of 41 x 41 mm there are do not hold them; 2 more of 1000 mm would do"},
			"3 of 5 pieces from the bars there are; 2 more of 1000 mm would do for the rest"},
		{"nothing but offcuts", []*cutting.Sheet{thirteen}, []stock.Bar{{Length: 1000, Count: 3, Offcut: true}}, "41 x 41 mm: 3 x 1000 offcut",
			[]string{"F1/left S04-S13: the bars of 41 x 41 mm there are do not hold them; 5 more of 2400 mm would do"},
			"3 of 13 pieces from the bars there are; 5 more of 2400 mm would do for the rest"},
		{"of two bays", two, []stock.Bar{{Length: 1000, Count: 1}}, "41 x 41 mm: 1 x 1000",
			[]string{
				"F1/left S02-S03: the bars of 41 x 41 mm there are do not hold them; 5 more of 1000 mm would do for all that is left of 41 x 41 mm",
				"F2/left S01-S03: the bars of 41 x 41 mm there are do not hold them; 5 more of 1000 mm would do for all that is left of 41 x 41 mm",
			}, "1 of 6 pieces from the bars there are; 5 more of 1000 mm would do for the rest"},
	} {
		p := mustPlan(t, c.sheets, options(c.bars...))
		if got := bought(p); got != c.bars2 {
			t.Errorf("%s: sawn from %s, want %s", c.name, got, c.bars2)
		}
		var left []string
		for _, l := range p.Left {
			left = append(left, l.String())
		}
		if diff := cmp.Diff(c.left, left); diff != "" {
			t.Errorf("%s: left (-want +got):\n%s", c.name, diff)
		}
		s := p.Sections[0]
		if s.Claim != c.claim || s.Proven || s.WasteBound != 0 || strings.Contains(s.Result(), "least") {
			t.Errorf("%s: %q, proven %t; want %q, and nothing proven", c.name, s.Result(), s.Proven, c.claim)
		}
	}
	p := mustPlan(t, []*cutting.Sheet{thirteen}, options(stock.Bar{Length: 2400, Count: 4, Price: 5}))
	if !p.Sections[0].Priced || p.Total.Cost != 20 || p.Complete() {
		t.Errorf("cost %g, complete %t; want 20 for the bars there are", p.Total.Cost, p.Complete())
	}
	if got := write(t, p, "json"); !strings.Contains(got, "\"short\": [\n    {\n     \"length\": 2400,\n     \"count\": 3\n    }\n   ]") {
		t.Errorf("what is missing is not in the JSON:\n%s", got)
	}
}

// With as many more as a plan says, all is planned; and what it saws meanwhile is
// sawn of bars that are there, each piece once or left out.
func TestShortOfAnySheets(t *testing.T) {
	rapid.Check(t, func(rt *rapid.T) {
		n := rapid.IntRange(2, 14).Draw(rt, "pieces")
		long := float64(rapid.IntRange(300, 1100).Draw(rt, "long"))
		sheets := []*cutting.Sheet{plainSheet("F1/left", n, long), plainSheet("F1/right", rapid.IntRange(1, 9).Draw(rt, "more"), 0.7*long)}
		bars := []stock.Bar{{Length: float64(rapid.IntRange(1200, 3000).Draw(rt, "bar")), Count: rapid.IntRange(1, 4).Draw(rt, "count")}}
		if rapid.Bool().Draw(rt, "second") {
			bars = append(bars, stock.Bar{Length: 1150, Count: rapid.IntRange(1, 2).Draw(rt, "second count")})
		}
		p, err := New(sheets, options(bars...))
		if err != nil {
			rt.Fatal(err)
		}
		wanted, there := map[string]int{}, 0
		for _, s := range sheets {
			for _, q := range s.Set(pieces.Spindle).Pieces {
				wanted[fmt.Sprintf("%s %s", s.Bay, q.ID)]++
			}
		}
		for _, b := range p.Bars {
			for _, c := range b.Cuts {
				wanted[c.Name()]--
			}
		}
		left := 0
		for name, n := range wanted {
			if left += n; n < 0 || n > 1 {
				rt.Errorf("%s is sawn %d times", name, 1-n)
			}
		}
		for _, b := range bars {
			there += b.Count
		}
		if len(p.Bars) > there {
			rt.Errorf("%d bars are sawn of %d", len(p.Bars), there)
		}
		if (left > 0) == p.Complete() {
			rt.Errorf("%d pieces are not on a bar, complete %t", left, p.Complete())
		}
		if p.Complete() {
			return
		}
		for _, more := range p.Sections[0].Short {
			bars = append(bars, stock.Bar{Length: more.Length, Count: more.Count})
		}
		if whole, err := New(sheets, options(bars...)); err != nil || !whole.Complete() {
			rt.Errorf("with %v more: %v, %v", p.Sections[0].Short, whole.Left, err)
		}
	})
}
