package paper

import (
	"strings"
	"testing"

	"pinchrod/survey/report/scene"
)

func newPaper() *Paper {
	p := &Paper{Title: "x", Head: func(page *scene.Page) { page.Add(Say(Margin, Margin, "head", CardHigh, true)) }}
	p.Turn()
	return p
}

// Text that is longer than a page goes on on the next, under its head.
func TestParaTurns(t *testing.T) {
	p := newPaper()
	p.Para(Margin, strings.Repeat("a word and another ", 2000), BodyHigh, false)
	if len(p.Pages) < 2 {
		t.Fatalf("%d pages, want 2 at least", len(p.Pages))
	}
	for i, page := range p.Pages {
		if s, ok := page.Items[0].(scene.Text); !ok || s.S != "head" {
			t.Errorf("page %d begins with %+v, want its head", i+1, page.Items[0])
		}
		for _, it := range page.Items {
			if s, ok := it.(scene.Text); ok && (s.At.Y > Bottom || s.Width() > TextWide) {
				t.Errorf("page %d: %.20q at %.1f is %.1f wide", i+1, s.S, s.At.Y, s.Width())
			}
		}
	}
}

func TestTogether(t *testing.T) {
	high := func(mm float64) func(*Paper) { return func(p *Paper) { p.Need(mm); p.Y += mm } }
	for _, tt := range []struct {
		name     string
		at, high float64
		most     float64
		pages    int
	}{
		{"there is room", Margin + HeadHigh, 100, Full, 1},
		{"it goes on the next page", Bottom - 50, 100, Full, 2},
		{"too high to be kept together: it is parted where it likes", Bottom - 50, 40, 30, 1},
	} {
		p := newPaper()
		p.Y = tt.at
		p.Together(tt.most, high(tt.high))
		if len(p.Pages) != tt.pages {
			t.Errorf("%s: %d pages, want %d", tt.name, len(p.Pages), tt.pages)
		}
	}
}

func TestWithin(t *testing.T) {
	long := Within(Say(0, 0, strings.Repeat("long ", 40), StopHigh, true), 50)
	if long.Width() > 50+1e-9 || long.H < SmallHigh || !strings.HasSuffix(long.S, "…") {
		t.Errorf("%q is %.2f wide and %.2f high", long.S, long.Width(), long.H)
	}
	if short := Within(Say(0, 0, "A", StopHigh, true), 50); short.H != StopHigh || short.S != "A" {
		t.Errorf("short text became %q, %.2f high", short.S, short.H)
	}
	if e, m := Ends(9, 9, "x", 3, false), Amid(9, 9, "x", 3, false); e.Anchor != scene.End || m.Anchor != scene.Middle {
		t.Errorf("anchors %v and %v", e.Anchor, m.Anchor)
	}
}
