package bench

import (
	"net/http"
	"net/url"
	"slices"
	"strings"
	"testing"

	"golang.org/x/net/html"
)

// article is where an entry stands on the page of its bay.
func article(t *testing.T, page, entry string) *html.Node {
	t.Helper()
	for _, e := range elements(page) {
		if e.Data == "article" && e.attr["id"] == "made-"+entry {
			return e.Node
		}
	}
	t.Fatalf("no article of %s", entry)
	return nil
}

// What became of an entry is said where it stands, and where the address leads;
// never of one of another bay, nor that one stands which was struck since.
func TestNoted(t *testing.T) {
	t.Parallel()
	m := demo(t)
	h := handler(t, m)
	_, sheet := get(t, h, base+"/F1/left/sheet")
	res, _ := post(t, h, base+"/F1/left/made", filled(t, sheet, "spindle-A", map[string]string{"length": "805,8", "by": ""}))
	noted := res.Header.Get("Location")
	e := m.entries(t)[2]
	name := e.Ref.Short()
	if want := base + "/F1/left?noted=" + name + "#made-" + name; noted != want {
		t.Fatalf("led to %q, want %q", noted, want)
	}
	if e.Made.Length != 805800 {
		t.Errorf("805,8 is written down as %s", e.Made.Length)
	}
	noted, _, _ = strings.Cut(noted, "#")
	_, page := get(t, h, noted)
	for _, s := range []string{"Written down as " + name + ".", "Cut 2026-11-20"} {
		if got := words(article(t, page, name)); !strings.Contains(got, s) {
			t.Errorf("the entry does not say %q: %q", s, got)
		}
	}
	for _, w := range accessible(page) {
		t.Error(w)
	}
	if _, page := get(t, h, base+"/F1/right?noted="+name); strings.Contains(page, "Written down as") {
		t.Error("another bay says that it was written down there")
	}

	res, _ = post(t, h, base+"/made/"+e.Ref.String()+"/strike", url.Values{"why": {"split"}})
	struck := res.Header.Get("Location")
	if want := base + "/F1/left?struck=" + name + "#made-" + name; res.StatusCode != http.StatusSeeOther || struck != want {
		t.Fatalf("%d to %q, want %q", res.StatusCode, struck, want)
	}
	struck, _, _ = strings.Cut(struck, "#")
	if _, page := get(t, h, struck); !strings.Contains(words(article(t, page, name)), name+" is struck. It stays legible.") {
		t.Error("the entry does not say that it is struck")
	}
	if _, page := get(t, h, noted); strings.Contains(page, "Written down as") {
		t.Error("what was struck since is said to be written down")
	}
}

// A batch that was sent when its setting was there, and again when the sheet has no
// such setting any more, is written down once and said to be.
func TestSentTwiceOfAnotherSheet(t *testing.T) {
	t.Parallel()
	m := demo(t)
	h := handler(t, m)
	_, page := get(t, h, base+"/F1/left/sheet")
	form := filled(t, page, "spindle-A", map[string]string{"length": "805.8"})
	res, _ := post(t, h, base+"/F1/left/made", form)
	first := res.Header.Get("Location")
	form.Set("setting", "Q")
	form.Set("code", "222222")
	if res, body := post(t, h, base+"/F1/left/made", form); res.Header.Get("Location") != first {
		t.Errorf("%d, want to be led to %q: %s", res.StatusCode, first, body)
	}
	// Each thing that a person writes makes it another form.
	for field, value := range map[string]string{"length": "805.9", "pieces": "9-11", "spares": "7", "kept": "500", "used": "1120", "by": "Jo", "when": "2026-11-19", "note": "x"} {
		other := url.Values{}
		for k, v := range form {
			other[k] = slices.Clone(v)
		}
		other.Set(field, value)
		if res, _ := post(t, h, base+"/F1/left/made", other); res.StatusCode != http.StatusConflict {
			t.Errorf("with another %s: %d, want 409", field, res.StatusCode)
		}
	}
	if n := len(m.entries(t)); n != 3 {
		t.Errorf("%d entries, want the 2 of the demo and one", n)
	}
}

func TestDecimal(t *testing.T) {
	t.Parallel()
	for in, want := range map[string]string{
		"805,8": "805.8", " 805,8 ": "805.8", "805.8": "805.8", "1,2,3": "1,2,3", "805,8 mm": "805,8 mm", "1, 2": "1, 2", ",5": ",5", "5,": "5,", "": "", "1,000.5": "1,000.5",
	} {
		if got := decimal(in); got != want {
			t.Errorf("%q is %q, want %q", in, got, want)
		}
	}
}
