//go:build browser

package bench

import (
	"bytes"
	"context"
	"regexp"
	"slices"
	"strings"
	"testing"
	"time"

	"github.com/chromedp/cdproto/cdp"
	"github.com/chromedp/cdproto/dom"
	"github.com/chromedp/cdproto/emulation"
	"github.com/chromedp/chromedp"
	"github.com/chromedp/chromedp/kb"
)

// audit looks at a page as it is drawn: whether each text stands out from what is
// behind it (WCAG 2.1, 1.4.3: 4.5, or 3 where it is 24 px high, or 18.66 px and
// bold), whether a glove finds each control (44 px, 2.5.5), and whether each input
// has a name.
const audit = `(() => {
	const wrong = [];
	const rgba = (c) => { const n = c.match(/[\d.]+/g).map(Number); return n.length < 4 ? [...n, 1] : n; };
	const light = (c) => {
		const [r, g, b] = c.slice(0, 3).map((v) => { v /= 255; return v <= 0.04045 ? v / 12.92 : ((v + 0.055) / 1.055) ** 2.4; });
		return 0.2126 * r + 0.7152 * g + 0.0722 * b;
	};
	const behind = (e) => {
		for (; e; e = e.parentElement) { const c = rgba(getComputedStyle(e).backgroundColor); if (c[3] > 0) return c; }
		return [255, 255, 255, 1];
	};
	const drawn = (e) => e.checkVisibility({ visibilityProperty: true }) && e.getClientRects().length > 0;
	const texts = document.createTreeWalker(document.body, NodeFilter.SHOW_TEXT);
	for (let n; (n = texts.nextNode()); ) {
		const e = n.parentElement;
		if (!n.data.trim() || !drawn(e) || e.closest("svg, .hidden, .skip")) continue;
		const style = getComputedStyle(e), size = parseFloat(style.fontSize);
		const a = light(rgba(style.color)), b = light(behind(e));
		const ratio = (Math.max(a, b) + 0.05) / (Math.min(a, b) + 0.05);
		if (ratio < (size >= 24 || size >= 18.66 && style.fontWeight >= 700 ? 3 : 4.5)) wrong.push("contrast " + ratio.toFixed(1) + ": " + n.data.trim().slice(0, 40));
		if (size < 12) wrong.push(size + " px: " + n.data.trim().slice(0, 40));
	}
	for (const e of document.querySelectorAll("a, button, input:not([type=hidden]), select, textarea, summary")) {
		if (!drawn(e) || e.closest(".skip")) continue;
		const r = e.getBoundingClientRect();
		if (r.width < 43.5 || r.height < 43.5) wrong.push("small " + e.tagName + " " + r.width.toFixed(0) + "x" + r.height.toFixed(0) + ": " + (e.textContent || e.name).trim().slice(0, 40));
		if (e.matches("input, select, textarea") && ![...e.labels].some((l) => l.textContent.trim())) wrong.push("no name: " + e.name);
	}
	if (document.documentElement.scrollWidth > innerWidth) wrong.push("scrolls sideways: " + document.documentElement.scrollWidth + " over " + innerWidth);
	return wrong.join("\n");
})()`

// unfold opens what is folded away, so that all of a page is looked at.
const unfold = `document.querySelectorAll("details").forEach((d) => { d.open = true; })`

// Every page opens without a complaint of the browser, at a desk and on a phone,
// and can be read and used there.
func TestBrowserPages(t *testing.T) {
	b := open(t, demo(t))
	for name, path := range seen() {
		for _, phone := range []bool{false, true} {
			if phone {
				b.phone()
			} else {
				b.do(chromedp.EmulateViewport(1280, 900))
			}
			b.see(path)
			b.do(chromedp.Evaluate(unfold, nil))
			if wrong := eval[string](b, audit); wrong != "" {
				t.Errorf("%s, phone %t:\n%s", name, phone, wrong)
			}
			if said := b.complaints(); said != "" {
				t.Errorf("%s, phone %t: the browser says:\n%s", name, phone, said)
			}
		}
	}
}

// Bad text in a book runs no script, and pushes nothing off a phone.
func TestBrowserHostile(t *testing.T) {
	b := open(t, hostile(t))
	b.phone()
	for _, path := range []string{"/", base, base + "/F1/left", base + "/F1/left?joint=1.5", base + "/F1/left/sheet", base + "/stock"} {
		b.see(path)
		b.do(chromedp.Evaluate(unfold, nil))
		if title := eval[string](b, "document.title"); title == "owned" {
			t.Errorf("%s: a script of the book ran", path)
		}
		if wrong := eval[string](b, audit); wrong != "" {
			t.Errorf("%s:\n%s", path, wrong)
		}
		if said := b.complaints(); said != "" {
			t.Errorf("%s: the browser says:\n%s", path, said)
		}
	}
}

// The policy is in force: what it forbids does not run. Without this the tests
// above could not fail.
func TestBrowserPolicy(t *testing.T) {
	b := open(t, demo(t))
	b.see("/")
	b.do(chromedp.Evaluate(`{ const s = document.createElement("script"); s.textContent = "document.title = 'owned'"; document.body.append(s); }`, nil))
	if title := eval[string](b, "document.title"); title == "owned" {
		t.Error("a script within the page ran")
	}
	if said := b.complaints(); !strings.Contains(said, "Content Security Policy") {
		t.Errorf("the browser says %q, want that the policy refused it", said)
	}
}

// tabbed is where the focus goes by the tab key, from the head of the page round to
// it again.
func (b *tab) tabbed() (stops []string) {
	b.t.Helper()
	const here = `(() => { const e = document.activeElement; return e === document.body ? "" : String([...document.querySelectorAll("*")].indexOf(e)); })()`
	for range 400 {
		b.do(chromedp.KeyEvent(kb.Tab))
		at := eval[string](b, here)
		if at == "" || len(stops) > 0 && at == stops[0] {
			return stops
		}
		stops = append(stops, at)
	}
	b.t.Fatal("the tab key comes to no end")
	return nil
}

// inView tells whether the first element of a selector is on the screen. A page is scrolled by whole pixels, and its
// elements stand between them.
const inView = `((sel) => { const e = document.querySelector(sel); if (!e) return false; const r = e.getBoundingClientRect(); return r.top > -1 && r.bottom < innerHeight + 1; })`

// On a phone what was written down, and struck, is in view with the word that it was.
func TestBrowserNoted(t *testing.T) {
	m := demo(t)
	b := open(t, m)
	b.phone()
	b.see(base + "/F1/left/sheet")
	b.do(chromedp.Evaluate(unfold, nil), chromedp.SetValue("#spindle-A-length", "805,8", chromedp.ByQuery), chromedp.Click("#spindle-A button", chromedp.ByQuery),
		chromedp.WaitReady("article .box.good", chromedp.ByQuery), chromedp.Poll(`document.readyState === "complete"`, nil))
	if got := eval[[]bool](b, `["article:target h3", "article:target .box.good"].map(`+inView+`)`); !got[0] || !got[1] {
		t.Errorf("of the entry and its word that it is written down, in view are %v; the page is at %s", got, eval[string](b, "location.hash + ' ' + scrollY"))
	}
	name := m.entries(t)[2].Ref.Short()
	if got := eval[string](b, `document.querySelector("article:target").textContent`); !strings.Contains(got, "Written down as "+name) {
		t.Errorf("led to %q, want %s", got, name)
	}
	b.do(chromedp.Evaluate(unfold, nil), chromedp.SetValue("article:target input[name=why]", "split", chromedp.ByQuery), chromedp.Click("article:target button", chromedp.ByQuery),
		chromedp.WaitReady(`//article//p[contains(., "is struck")]`, chromedp.BySearch), chromedp.Poll(`document.readyState === "complete"`, nil))
	if got := eval[[]bool](b, `["article:target h3", "article:target .box.good"].map(`+inView+`)`); !got[0] || !got[1] {
		t.Errorf("of the struck entry and the word of it, in view are %v", got)
	}
	if wrong := eval[string](b, audit); wrong != "" {
		t.Error(wrong)
	}
}

// The way back from what was written down leads to a sheet that can be used, and
// offers what is left.
func TestBrowserBack(t *testing.T) {
	b := open(t, demo(t))
	const button = `document.querySelector("#spindle-A button")`
	write := func() {
		b.do(chromedp.Evaluate(unfold, nil), chromedp.SetValue("#spindle-A-length", "805.8", chromedp.ByQuery), chromedp.Click("#spindle-A button", chromedp.ByQuery))
	}
	b.see(base + "/F1/left/sheet")
	write()
	b.do(chromedp.WaitReady("article .box.good", chromedp.ByQuery), chromedp.Evaluate("history.back()", nil))
	b.until(`document.readyState === "complete" && !` + button + `.disabled && document.getElementById("spindle-A-pieces").value === "" && document.getElementById("spindle-A-length").value === ""`)

	// A browser that shows a page as it was left says so with an event. Whether this
	// one kept the page is its own choice, so that the event is made here as well.
	b.see(base + "/F1/left/sheet")
	b.do(chromedp.Evaluate(`{ const f = document.getElementById("spindle-A"); f.addEventListener("submit", (e) => e.preventDefault()); f.requestSubmit(); window.old = true; }`, nil))
	b.until(button + `.disabled`)
	b.do(chromedp.Evaluate(`void dispatchEvent(new PageTransitionEvent("pageshow", { persisted: true }))`, nil))
	b.until(`!window.old && document.readyState === "complete" && !` + button + `.disabled`)
	if said := b.complaints(); said != "" {
		t.Errorf("the browser says:\n%s", said)
	}
}

// Where a picture has not arrived its words stand in its place, and lead to the page
// that says so.
func TestBrowserPicture(t *testing.T) {
	m := demo(t)
	m.pictures = nil
	b := open(t, m)
	b.see(base + "/F1/left")
	b.do(chromedp.Poll(`document.querySelectorAll(".pictures img").length === 0`, nil))
	if got := eval[string](b, `document.querySelector(".pictures a").textContent`); got != "This picture is not here yet: look why" {
		t.Errorf("in place of the picture stands %q", got)
	}
	b.do(chromedp.Click(".pictures a", chromedp.ByQuery), chromedp.WaitVisible(`//h1[contains(., "has not arrived yet")]`, chromedp.BySearch))
}

// All that can be used is reached by the tab key, in the order of the page, and
// each stop is seen.
func TestBrowserTabs(t *testing.T) {
	b := open(t, demo(t))
	for _, path := range []string{base + "/F1/left/sheet", base + "/F1/left"} {
		b.see(path)
		b.do(chromedp.Evaluate(unfold, nil))
		want := eval[[]string](b, `(() => { const all = [...document.querySelectorAll("*")];
			return all.filter((e) => e.matches("a[href], button, input:not([type=hidden]), select, textarea, summary") && e.checkVisibility()).map((e) => String(all.indexOf(e))); })()`)
		got := b.tabbed()
		// A region that scrolls, and the parts of a date, are stops of the browser's
		// own; a date stops more than once.
		got = slices.Compact(slices.DeleteFunc(got, func(s string) bool { return !slices.Contains(want, s) }))
		if !slices.Equal(got, want) {
			t.Errorf("%s: the tab key stops at %v, want %v", path, got, want)
		}
	}
	b.see(base + "/F1/left/sheet")
	b.do(chromedp.KeyEvent(kb.Tab))
	if got := eval[string](b, `getComputedStyle(document.activeElement).outlineStyle + " " + document.activeElement.className`); got != "solid skip" {
		t.Errorf("the first stop is drawn %q, want a solid outline round the link past the head", got)
	}
	b.do(chromedp.KeyEvent(kb.Enter))
	if got := eval[string](b, `document.activeElement.id`); got != "main" {
		t.Errorf("the link past the head leads to %q", got)
	}
}

// A batch is written down by keyboard alone.
func TestBrowserRecord(t *testing.T) {
	m := demo(t)
	b := open(t, m)
	b.see(base + "/F1/left/sheet")
	b.do(
		chromedp.Focus(`//summary[contains(., "Spindles, setting A")]`, chromedp.BySearch), chromedp.KeyEvent(kb.Enter),
		chromedp.KeyEvent(kb.Tab), chromedp.KeyEvent("8o5.8"), chromedp.KeyEvent(kb.Enter),
		chromedp.WaitVisible(".box.wrong", chromedp.ByQuery),
	)
	if said := b.complaints(); !strings.Contains(said, "422") {
		t.Errorf("the browser says %q, want the status", said)
	}
	if got := eval[string](b, `document.activeElement.name + " " + document.activeElement.value`); got != "length 8o5.8" {
		t.Errorf("the focus is at %q, want the field that is wrong, as it was sent", got)
	}
	if n := len(m.entries(t)); n != 2 {
		t.Fatalf("%d entries, want the 2 of the demo", n)
	}
	b.do(
		chromedp.Evaluate(`document.activeElement.select()`, nil), chromedp.KeyEvent("805,8"), chromedp.KeyEvent(kb.Enter),
		chromedp.WaitVisible(".box.good", chromedp.ByQuery),
	)
	all := m.entries(t)
	if len(all) != 3 || all[2].Made.Length != 805800 || all[2].Made.By != "Ann" || !slices.Equal(all[2].Made.Pieces, []uint32{9, 10, 11, 12}) {
		t.Errorf("written down %+v", all[len(all)-1].Made)
	}
	if got := eval[string](b, `document.querySelector(".box.good").textContent`); !strings.Contains(got, all[2].Ref.Short()) {
		t.Errorf("the page says %q", got)
	}
}

// A piece that was cut again is written down by keyboard alone, and struck.
func TestBrowserRecut(t *testing.T) {
	m := demo(t)
	b := open(t, m)
	b.phone()
	b.see(base + "/F1/left")
	b.do(
		chromedp.Focus(`//summary[contains(., "Cut again on site")]`, chromedp.BySearch), chromedp.KeyEvent(kb.Enter),
		chromedp.KeyEvent(kb.Tab), chromedp.KeyEvent("s"), chromedp.KeyEvent(kb.Tab), chromedp.KeyEvent("5"),
		chromedp.KeyEvent(kb.Tab), chromedp.KeyEvent("860.4"), chromedp.KeyEvent(kb.Enter), chromedp.WaitVisible(".box.wrong", chromedp.ByQuery),
	)
	if said := b.complaints(); !strings.Contains(said, "422") {
		t.Errorf("the browser says %q, want the status", said)
	}
	if got := eval[string](b, `document.activeElement.name + " " + document.activeElement.value + " " + document.activeElement.checkVisibility()`); got != "length 860.4 true" {
		t.Errorf("the focus is at %q, want the field that is wrong, as it was sent", got)
	}
	if wrong := eval[string](b, audit); wrong != "" {
		t.Errorf("with what is wrong:\n%s", wrong)
	}
	b.do(chromedp.Evaluate(`document.activeElement.select()`, nil), chromedp.KeyEvent("806.4"), chromedp.KeyEvent(kb.Enter), chromedp.WaitVisible(".box.good", chromedp.ByQuery))
	all := m.entries(t)
	e := all[len(all)-1]
	if len(all) != 3 || !e.Made.Recut || e.Made.Part != "spindle" || e.Made.Length != 806400 || e.Ref.Item != 2 {
		t.Fatalf("written down %+v as %s", e.Made, e.Ref.Short())
	}
	// The reading is reached from its entry, though it is folded away.
	b.do(chromedp.Click(`//article[contains(., "cut again on site")]//a[contains(@href, "#")]`, chromedp.BySearch))
	if got := eval[bool](b, `document.querySelector(location.hash.replace(".", "\\.")).checkVisibility()`); !got {
		t.Errorf("the reading stays folded away")
	}
	b.do(
		chromedp.Focus(`//summary[contains(., "and its reading")]`, chromedp.BySearch), chromedp.KeyEvent(kb.Enter),
		chromedp.KeyEvent(kb.Tab), chromedp.KeyEvent("another spindle"), chromedp.KeyEvent(kb.Enter),
		chromedp.WaitVisible(`//p[contains(@class, "good")][contains(., "is struck")]`, chromedp.BySearch),
	)
	if e := m.entries(t)[2]; len(e.Struck) != 1 {
		t.Errorf("struck %+v", e.Struck)
	}
}

// A bay's page is no longer on a phone than a thumb can bear: the demo's readings
// are folded away, and each of them is three lines at most unless more was said of
// it.
func TestBrowserPhone(t *testing.T) {
	b := open(t, demo(t))
	b.phone()
	b.see(base + "/F1/left")
	const most = 6000 // pixels, 8 times the phone's height
	if high := eval[int](b, `document.documentElement.scrollHeight`); high > most {
		t.Errorf("%d px high, want up to %d", high, most)
	}
	b.do(chromedp.Evaluate(unfold, nil))
	if wrong := eval[string](b, `[...document.querySelectorAll(".readings tbody tr")].filter((e) => !e.querySelector("p") && e.getBoundingClientRect().height > 80).map((e) => e.id).join(" ")`); wrong != "" {
		t.Errorf("more than three lines: %s", wrong)
	}
	if high := eval[float64](b, `Math.max(...[...document.querySelectorAll(".knob")].map((e) => e.getBoundingClientRect().height))`); high > 110 {
		t.Errorf("a knob is %.0f px high, want up to 110", high)
	}
}

// Who is signed in signs out.
func TestBrowserSignOut(t *testing.T) {
	b := open(t, demo(t))
	b.see(base)
	b.do(chromedp.Click("#sign-out button", chromedp.ByQuery), chromedp.WaitVisible(`//h1[contains(., "no such page")]`, chromedp.BySearch))
	if got := eval[string](b, "location.pathname"); got != "/sign-out" { // which is the hub's to answer
		t.Errorf("sent to %s", got)
	}
}

// A slider shows its figure while it moves, and sends the form when it rests.
func TestBrowserSlider(t *testing.T) {
	b := open(t, demo(t))
	b.phone()
	b.see(base + "/F1/left")
	b.do(chromedp.Focus("#knob-joint", chromedp.ByQuery), chromedp.KeyEvent(kb.ArrowRight), chromedp.KeyEvent(kb.ArrowRight))
	if got := eval[string](b, `document.getElementById("knob-joint-now").value`); got != "0.6" {
		t.Errorf("the figure beside the slider is %s, want 0.6", got)
	}
	b.do(chromedp.WaitVisible(".box.what-if", chromedp.ByQuery))
	b.do(chromedp.Poll(`document.activeElement.id === "knob-joint"`, nil))
	if got := eval[string](b, `new URLSearchParams(location.search).get("joint") + " " + document.activeElement.id`); got != "0.6 knob-joint" {
		t.Errorf("sent, and come back to %q", got)
	}
	if top := eval[float64](b, `document.getElementById("what-if").getBoundingClientRect().top`); top < -1 || top > 700 {
		t.Errorf("what would change is %g px down the page", top)
	}
	if said := b.complaints(); said != "" {
		t.Errorf("the browser says:\n%s", said)
	}
}

// Without script a knob is a number that is seen and typed, and the button sends the
// form.
func TestBrowserNoScript(t *testing.T) {
	b := open(t, demo(t))
	b.scripts(false)
	b.see(base + "/F1/left")
	var shown struct{ Type, Value, Figure string }
	b.do(chromedp.AttributeValue("#knob-target", "type", &shown.Type, nil, chromedp.ByQuery), chromedp.AttributeValue("#knob-target", "value", &shown.Value, nil, chromedp.ByQuery),
		chromedp.WaitVisible("#knob-target", chromedp.ByQuery), chromedp.WaitNotVisible("#knob-target-now", chromedp.ByQuery))
	if shown.Type != "number" || shown.Value != "90" {
		t.Errorf("a knob is a %s of %s, want a number that shows 90", shown.Type, shown.Value)
	}
	b.do(focus("#knob-target"), chromedp.KeyEvent(kb.ArrowDown), focus("form.knobs button"), chromedp.KeyEvent(kb.Enter))
	var url string
	for end := time.Now().Add(20 * time.Second); !strings.Contains(url, "target=89") && time.Now().Before(end); {
		b.do(chromedp.Location(&url))
	}
	b.do(chromedp.WaitReady(".box.what-if", chromedp.ByQuery))
	if !strings.Contains(url, "target=89") || !strings.Contains(url, "joint=0.5") {
		t.Errorf("sent to %s", url)
	}
	b.scripts(true)
	if got := eval[string](b, `document.querySelector(".box.what-if").textContent`); !strings.Contains(got, "target 89 mm, in the book 90 mm") || strings.Contains(got, "all-fit") {
		t.Errorf("the page says %q", got)
	}
}

// focus gives the focus to an element without the page's script.
func focus(sel string) chromedp.Action {
	var nodes []*cdp.Node
	return chromedp.Tasks{
		chromedp.Nodes(sel, &nodes, chromedp.ByQuery),
		chromedp.ActionFunc(func(ctx context.Context) error { return dom.Focus().WithNodeID(nodes[0].NodeID).Do(ctx) }),
	}
}

var (
	pdfPage = regexp.MustCompile(`/Type /Page\b[^s]`)
	pdfSize = regexp.MustCompile(`/MediaBox \[0 0 ([\d.]+) ([\d.]+)\]`)
)

// On paper: A4, no way about, what is to be cut, and nothing cut in two.
func TestBrowserPrint(t *testing.T) {
	b := open(t, demo(t))
	for path, want := range map[string]struct {
		pages int
		says  []string
	}{
		base + "/F1/left/sheet":  {3, []string{leftCode(t), "805.5", "114.7", "Fitting card", "child's head"}},
		base + "/F1/right/sheet": {0, []string{rightStop(t), "Mark the foot"}},
		base + "/F2/left/sheet":  {3, []string{"Do not cut yet", "gap at top"}},
		base + "/stock":          {0, []string{"Bar by bar", "Onto the rack", "Cut before", "S01-S08"}},
		base + "/F1/left":        {0, []string{"two-answers", "plumb-lower", "All 8 fit", "As good as", "HW-2.9", "1612 mm", "Corrected by HW-5.1", "tape was hooked"}},
	} {
		b.see(path)
		var pdf []byte
		b.do(print(&pdf))
		sizes := pdfSize.FindAllSubmatch(pdf, -1)
		if n := len(pdfPage.FindAll(pdf, -1)); n != len(sizes) || n == 0 || want.pages > 0 && n != want.pages {
			t.Errorf("%s: %d pages with %d sizes, want %d", path, n, len(sizes), want.pages)
		}
		for _, s := range sizes {
			// 210 x 297 mm at 72 points to the inch, to the whole point.
			if !bytes.HasPrefix(s[1], []byte("59")) || !bytes.HasPrefix(s[2], []byte("84")) {
				t.Errorf("%s: a page of %s x %s points", path, s[1], s[2])
			}
		}
		b.do(emulation.SetEmulatedMedia().WithMedia("print"))
		for _, sel := range []string{".top", ".skip", ".links", "form", "details.no-print"} {
			if n := eval[int](b, `[...document.querySelectorAll("`+sel+`")].filter((e) => e.checkVisibility()).length`); n > 0 {
				t.Errorf("%s: %s is printed", path, sel)
			}
		}
		text := eval[string](b, "document.body.innerText")
		for _, s := range want.says {
			if !strings.Contains(text, s) {
				t.Errorf("%s: %q is not printed", path, s)
			}
		}
		if got := eval[string](b, `[...new Set([...document.querySelectorAll("tbody tr, .set, .bar")].map((e) => getComputedStyle(e).breakInside))].join()`); got != "avoid" {
			t.Errorf("%s: rows and settings break %q", path, got)
		}
		if got := eval[string](b, `[...new Set([...document.querySelectorAll("main *")].filter((e) => !e.closest("svg") && e.checkVisibility()).map((e) => getComputedStyle(e).color))].join()`); got != "rgb(0, 0, 0)" {
			t.Errorf("%s: printed in %s", path, got)
		}
		b.do(emulation.SetEmulatedMedia().WithMedia(""))
	}
	// A browser that does not know how the style sheet unfolds is told by script.
	b.see(base + "/F1/left")
	const opened = `[...document.querySelectorAll("details[open]")].map((e) => e.className).join() + document.querySelectorAll(".no-print[open]").length`
	for _, tt := range []struct{ event, want string }{{"beforeprint", ",fold0"}, {"afterprint", "0"}} {
		if got := eval[string](b, `dispatchEvent(new Event("`+tt.event+`")), `+opened); got != tt.want {
			t.Errorf("after %s, open is %q, want %q", tt.event, got, tt.want)
		}
	}
}
