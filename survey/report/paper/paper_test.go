package paper

import (
	"fmt"
	"strings"
	"testing"

	"github.com/google/go-cmp/cmp"

	"pinchrod/survey/report/scene"
	"pinchrod/survey/report/scene/scenetest"
)

func newPaper() *Paper {
	p := New(scene.A4)
	p.Title, p.Head = "x", func(page *scene.Page) { page.Add(Say(Margin, Margin, "head", CardHigh, true)) }
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
			if s, ok := it.(scene.Text); ok && (s.At.Y > p.Bottom() || s.Width() > TextWide) {
				t.Errorf("page %d: %.20q at %.1f is %.1f wide", i+1, s.S, s.At.Y, s.Width())
			}
		}
	}
}

func TestTogether(t *testing.T) {
	full, bottom := newPaper().Full(), newPaper().Bottom()
	high := func(mm float64) func(*Paper) { return func(p *Paper) { p.Need(mm); p.Y += mm } }
	for _, tt := range []struct {
		name     string
		at, high float64
		most     float64
		pages    int
	}{
		{"there is room", Margin + HeadHigh, 100, full, 1},
		{"it goes on the next page", bottom - 50, 100, full, 2},
		{"too high to be kept together: it is parted where it likes", bottom - 50, 40, 30, 1},
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

// Every page bears its number and its foot inside the sheet that it is printed on.
func TestFootOfEachSize(t *testing.T) {
	for _, sheet := range []scene.Paper{scene.A4, scene.Letter} {
		p := New(sheet)
		p.Head = func(page *scene.Page) { p.Foot(page, "what it is\x1b") }
		p.Turn()
		p.Turn()
		p.Number()
		for i, page := range p.Pages {
			if page.W != sheet.Short || page.H != sheet.Long {
				t.Errorf("page of %g x %g mm, want %g x %g", page.W, page.H, sheet.Short, sheet.Long)
			}
			texts := scenetest.Texts(page)
			var got []string
			for _, l := range texts {
				got = append(got, l.S)
			}
			want := []string{"what it is ", fmt.Sprintf("page %d of 2", i+1)}
			if diff := cmp.Diff(want, got); diff != "" {
				t.Errorf("page %d (-want +got):\n%s", i+1, diff)
			}
			scenetest.LaidOut(t, page, Margin, SmallHigh)
			for _, l := range texts {
				if l.At.Y <= p.Bottom() {
					t.Errorf("%q stands at %.1f among the text, which ends at %.1f", l.S, l.At.Y, p.Bottom())
				}
			}
		}
	}
}
