package stockplan

import (
	"fmt"
	"slices"
	"strings"
	"testing"

	"pinchrod/calc/stock"
	"pinchrod/survey/report/cutting"
	"pinchrod/survey/report/paper"
	"pinchrod/survey/report/scene"
	"pinchrod/survey/report/scene/scenetest"
)

// Every bar's stops, pieces and rest are on the pages, in the heights that are read
// at a saw; job, code, sheets and caution too.
func TestPagesSayTheCuts(t *testing.T) {
	o := options(stock.Bar{Length: 2400, Price: 6.5})
	o.Job = strings.Repeat("Long Name Lane ", 12) + "\x1b[31m"
	p := mustPlan(t, demo(t, false), o)
	high := map[string]float64{}
	var all strings.Builder
	pages := p.Pages()
	for i, page := range pages {
		scenetest.LaidOut(t, page, paper.Margin, paper.SmallHigh)
		var here []string
		for _, l := range scenetest.Texts(page) {
			high[l.S] = max(high[l.S], l.H)
			for _, word := range strings.Fields(l.S) { // of what is wrapped
				high[word] = max(high[word], l.H)
			}
			here = append(here, l.S)
		}
		for _, say := range []string{p.Code, fmt.Sprintf("page %d of %d", i+1, len(pages))} {
			if !slices.Contains(here, say) {
				t.Errorf("page %d does not say %q", i+1, say)
			}
		}
		all.WriteString(strings.Join(here, " ") + " ")
	}
	for _, g := range p.Groups {
		b := p.Bars[g.Bars[0]]
		for _, r := range g.Runs {
			for _, s := range append(strings.Fields(p.Makes(g, r)), b.Cuts[r.From].Stop, b.Cuts[r.From].Low.Degrees(), r.Numbers()) {
				if high[s] < 4 {
					t.Errorf("%s: %q is %.1f mm high, want 4", p.Numbers(g), s, high[s])
				}
			}
		}
		if high[b.Left()] < 4 {
			t.Errorf("%s: %q is %.1f mm high", p.Numbers(g), b.Left(), high[b.Left()])
		}
	}
	for _, s := range p.Sheets {
		if !strings.Contains(all.String(), string(s.Bay)+" "+s.Code) {
			t.Errorf("the pages do not name sheet %s", s.Code)
		}
	}
	if !strings.Contains(all.String(), "Caution") {
		t.Error("no caution")
	}
}

// Bars of one job are drawn to one scale, and one that holds its names bears them.
func TestPictureOfABar(t *testing.T) {
	p := mustPlan(t, []*cutting.Sheet{plainSheet("F1/left", 3, 900)}, options(stock.Bar{Length: 2000, Count: 1}, stock.Bar{Length: 1000}))
	if len(p.Bars) != 2 {
		t.Fatalf("%d bars", len(p.Bars))
	}
	for i, b := range p.Bars {
		page := p.alone(i, true)
		var said []string
		for _, l := range scenetest.Texts(page) {
			said = append(said, l.S)
		}
		for _, c := range b.Cuts {
			if !slices.Contains(said, c.Name()) || !strings.Contains(page.Desc, c.Name()) {
				t.Errorf("bar %d: %q and %q do not name %s", b.Number, said, page.Desc, c.Name())
			}
		}
		outline := page.Items[0].(scene.Poly).Points
		if got, want := outline[1].X-outline[0].X, paper.TextWide*b.Length/2000; got < want-1e-9 || got > want+1e-9 {
			t.Errorf("bar %d is drawn %.2f mm long, want %.2f", b.Number, got, want)
		}
	}
}

// Of bars that are cut alike none's pieces are named in the picture that stands
// for all.
func TestGroupPage(t *testing.T) {
	p := mustPlan(t, []*cutting.Sheet{plainSheet("F1/left", 5, 900)}, options(stock.Bar{Length: 2000}))
	var got []string
	for _, g := range p.Groups {
		page := p.GroupPage(g)
		for _, l := range scenetest.Texts(page) {
			got = append(got, l.S)
		}
		if named := strings.Contains(page.Desc, "S0"); named != (len(g.Bars) == 1) {
			t.Errorf("%s: %q", p.Numbers(g), page.Desc)
		}
	}
	if want := []string{"1", "2", "keep 1087", "F1/left S05"}; !slices.Equal(got, want) {
		t.Errorf("%q, want %q", got, want)
	}
}
