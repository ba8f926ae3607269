package bench

import (
	"context"
	"maps"
	"math"
	"net/http"
	"net/url"
	"slices"
	"strings"
	"testing"

	"pinchrod/survey"
	"pinchrod/survey/asfound"
)

// listening notes the settings that it is asked to work with.
type listening struct {
	*memory
	sets []map[string]string
}

func (l *listening) Work(ctx context.Context, id string, place survey.Place, set map[string]string) (*Work, error) {
	l.sets = append(l.sets, maps.Clone(set))
	return l.memory.Work(ctx, id, place, set)
}

func TestWhatIf(t *testing.T) {
	t.Parallel()
	code := leftCode(t)
	for name, tt := range map[string]struct {
		query  string
		status int
		set    map[string]string // that the book is worked out with
		on     bool
		says   []string
	}{
		"the book":            {"", 200, nil, false, []string{"Cutting sheet " + code}},
		"the book's values":   {"?joint=0.5&all-fit=0.95&target=90.0", 200, nil, false, nil},
		"a joint":             {"?joint=1.5&all-fit=0.95&target=90", 200, map[string]string{"joint": "1.5"}, true, []string{"this is not the book", "joint 1.5 mm, in the book 0.5 mm"}},
		"shorter fits":        {"?short=0.3", 200, map[string]string{"short": "0.3"}, true, []string{"short 0.3 mm, in the book 2 mm"}},
		"longer fits":         {"?long=1.5&short=1", 200, map[string]string{"long": "1.5", "short": "1"}, true, []string{"long 1.5 mm, in the book 0.5 mm"}},
		"longer than a joint": {"?long=11", 400, nil, false, []string{"give 0.05 to 10"}},
		"a gap":               {"?target=60", 200, map[string]string{"target": "60"}, true, []string{"12 spindles, clear gap 86.1 ±0.3 mm", "15 spindles, clear gap 62.3 ±0.4 mm"}},
		"nothing of it":       {"?joint=0.55", 200, map[string]string{"joint": "0.55"}, true, []string{"It would change nothing."}},
		"no number":           {"?joint=wide", 400, nil, false, []string{"Cutting sheet " + code, "give 0.05 to 10"}},
		"beyond its bounds":   {"?joint=1e9", 400, nil, false, []string{"give 0.05 to 10"}},
		"not a number":        {"?joint=NaN", 400, nil, false, []string{"give 0.05 to 10"}},
		"one good, one bad":   {"?joint=-3&target=60", 400, map[string]string{"target": "60"}, true, []string{"give 0.05 to 10", "this is not the book"}},
		"beyond the slider":   {"?joint=9", 200, map[string]string{"joint": "9"}, true, []string{`max="9"`}},
		"between its steps":   {"?joint=0.333", 200, map[string]string{"joint": "0.333"}, true, []string{`step="any"`}},
		"what is no knob":     {"?opening=500&profile=none&units=in", 200, nil, false, nil},
		"markup":              {"?joint=%3Cscript%3E", 400, nil, false, []string{"&lt;script&gt;"}},
		"a broken query":      {"?joint=%zz", 200, nil, false, nil},
		"a setting given two": {"?joint=1&joint=2", 200, map[string]string{"joint": "1"}, true, nil},
	} {
		if raced && !tt.on {
			continue // the page is as without a query
		}
		t.Run(name, func(t *testing.T) {
			src := &listening{memory: demo(t)}
			src.sets = nil
			res, body := get(t, handler(t, src), base+"/F1/left"+tt.query)
			if res.StatusCode != tt.status {
				t.Errorf("status %d, want %d", res.StatusCode, tt.status)
			}
			want := []map[string]string{nil}
			if tt.set != nil {
				want = append(want, tt.set)
			}
			if !slices.EqualFunc(src.sets, want, maps.Equal) {
				t.Errorf("worked out with %v, want %v", src.sets, want)
			}
			if got := strings.Contains(body, "this is not the book"); got != tt.on {
				t.Errorf("says that it is a what-if: %t, want %t", got, tt.on)
			}
			if tt.on && (strings.Contains(body, "Cutting sheet "+code) || strings.Contains(body, "drawing.svg")) {
				t.Error("a what-if offers what is of the book")
			}
			for _, s := range tt.says {
				if !strings.Contains(body, s) {
					t.Errorf("does not say %q", s)
				}
			}
			for _, w := range accessible(body) {
				t.Error(w)
			}
		})
	}
}

// A what-if says on every sheet of paper that it is none of the book.
func TestWhatIfPrinted(t *testing.T) {
	t.Parallel()
	const not = "WHAT IF, not the book"
	code := leftCode(t)
	h := handler(t, demo(t), func(o *Options) { o.Prefix = "/bench" })
	at := "/bench" + base + "/F1/left"
	for query, want := range map[string]bool{"": false, "?joint=1.5&target=60": true, "?joint=0.5": false, "?joint=wide": false, "?joint=1.5&long=x": true} {
		_, page := get(t, h, at+query)
		paper := ""
		for _, e := range elements(page) {
			switch e.Data {
			case "title", "h1":
				if got := strings.Contains(words(e.Node), not); got != want {
					t.Errorf("%q: <%s> is %q", query, e.Data, words(e.Node))
				}
			case "link":
				if e.attr["media"] == "print" {
					paper = e.attr["href"]
				}
			}
		}
		res, css := get(t, h, paper)
		foot := "WHAT IF" + quoted(",") + " not the book"
		if got := strings.Contains(css, foot); res.StatusCode != http.StatusOK || got != want {
			t.Errorf("%q: the foot of %s is\n%s", query, paper, css)
		}
		if got := strings.Contains(css, code); got == want {
			t.Errorf("%q: the foot has the code of the sheet %t", query, got)
		}
	}
}

// A sheet is of the book, whatever is asked of it.
func TestNoSheetOfWhatIf(t *testing.T) {
	t.Parallel()
	src := &listening{memory: demo(t)}
	h := handler(t, src)
	_, want := get(t, h, base+"/F1/left/sheet")
	_, got := get(t, h, base+"/F1/left/sheet?joint=5&target=60")
	if got != want {
		t.Error("the sheet hears a what-if")
	}
	for _, set := range src.sets {
		if len(set) > 0 {
			t.Errorf("worked out with %v", set)
		}
	}
}

// Each knob turns a setting that a job can have, and the book takes whatever its
// slider can be moved to.
func TestKnobs(t *testing.T) {
	t.Parallel()
	if len(knobs) != 9 {
		t.Errorf("%d knobs, want 9", len(knobs))
	}
	book := asfound.Defaults()
	_, sliders, _ := turned(nil, book)
	for i, k := range knobs {
		for _, v := range []float64{k.low, k.low + k.step, k.high} {
			try := book
			if err := try.Set(k.name, number(v)); err != nil || k.now(&try) != v {
				t.Errorf("%s at %g: %v; it is %g", k.name, v, err, k.now(&try))
			}
		}
		if sl := sliders[i]; sl.Step != number(k.step) || sl.Min != number(k.low) || sl.Max != number(k.high) {
			t.Errorf("%s: the default %s is between the steps of %g, or beyond %g to %g: %+v", k.name, sl.Value, k.step, k.low, k.high, sl)
		}
	}
}

// Whatever a query says, each setting that comes of it is one that the book
// would take, and each slider holds its value.
func FuzzTurned(f *testing.F) {
	for _, q := range []string{"", "joint=1.5", "joint=NaN&target=Inf", "all-fit=0.95&all-fit=2", "joint=0x1p-2", "target=%31%30", "joint=1_0", "joint= 1 ", "opening=1"} {
		f.Add(q)
	}
	book := asfound.Defaults()
	f.Fuzz(func(t *testing.T, query string) {
		q, _ := url.ParseQuery(query) // what can be read of it, as of a request
		set, sliders, bad := turned(q, book)
		if len(sliders) != len(knobs) {
			t.Fatalf("%d sliders, want %d", len(sliders), len(knobs))
		}
		wrong := false
		for i, sl := range sliders {
			wrong = wrong || sl.Problem != ""
			v, turned := set[sl.Name]
			if turned != sl.Turned {
				t.Errorf("%s: in the set %t, turned %t", sl.Name, turned, sl.Turned)
			}
			try := book
			if turned {
				if err := try.Set(sl.Name, v); err != nil {
					t.Errorf("%s %q is refused: %v", sl.Name, v, err)
				}
			}
			now := knobs[i].now(&try)
			if number(now) != sl.Value || math.IsNaN(now) || math.IsInf(now, 0) || (now == knobs[i].now(&book)) == turned {
				t.Errorf("%s: %g, shown %s, turned %t", sl.Name, now, sl.Value, turned)
			}
		}
		if wrong != bad {
			t.Errorf("bad %t, problems %t", bad, wrong)
		}
	})
}

// BenchmarkWhatIf is the page of one bay with one setting turned: the book and the
// what-if are both worked out.
func BenchmarkWhatIf(b *testing.B) {
	m := demo(b)
	m.shared = nil // what the tests share would be no work
	h := handler(b, m)
	for b.Loop() {
		if res, _ := get(b, h, base+"/F1/left?joint=0.8"); res.StatusCode != 200 {
			b.Fatal(res.StatusCode)
		}
	}
}
