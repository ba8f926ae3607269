package bench

import (
	"net/http"
	"net/url"
	"strings"
	"testing"

	"pinchrod/calc/unit"
	"pinchrod/survey"
	"pinchrod/survey/fieldbook"
	"pinchrod/survey/report/figure"
)

// A spindle that was cut again is an entry and a reading on one page of the log,
// and both are struck together.
func TestRecut(t *testing.T) {
	t.Parallel()
	m := demo(t)
	h := handler(t, m)
	_, page := get(t, h, base+"/F1/left")
	form := filled(t, page, "recut", map[string]string{"number": "S05", "length": "806.4", "note": "post was packed out"})
	if form.Get("part") != "spindle" || form.Get("by") != "Ann" || form.Get("when") != "2026-11-20" {
		t.Errorf("offers %q by %q on %q, want a spindle by Ann, today", form.Get("part"), form.Get("by"), form.Get("when"))
	}
	sh := m.sheet(t, "F1/left")
	set, err := sh.PartSet(survey.PartSpindle)
	if err != nil {
		t.Fatal(err)
	}
	want, read, err := sh.Recut(set, 5, unit.FromMM(806.4))
	if err != nil {
		t.Fatal(err)
	}
	res, body := post(t, h, base+"/F1/left/recut", form)
	to := res.Header.Get("Location")
	if res.StatusCode != http.StatusSeeOther || !strings.HasPrefix(to, base+"/F1/left?noted=") {
		t.Fatalf("%d to %q: %s", res.StatusCode, to, body)
	}
	all := m.entries(t)
	e := all[len(all)-1]
	if got := e.Made; !got.Recut || got.Pieces[0] != 5 || got.Length != want.Length || got.Line != want.Line || got.Sheet != sh.Code || got.By != "Ann" || got.When != "2026-11-20" || got.Note != "post was packed out" {
		t.Errorf("written down %+v, want %+v", got, want)
	}
	book, err := m.load(demoID.String())
	if err != nil {
		t.Fatal(err)
	}
	x := book.TrialOf(&e)
	if x == nil {
		t.Fatal("no reading goes with it")
	}
	if got := x.Reading; x.Ref.Item+1 != e.Ref.Item || got.At != read[0].At || got.Value != read[0].Value || got.By != "Ann" || got.When != "2026-11-20" || got.Note != read[0].Note {
		t.Errorf("%s with the reading %s %+v, want %+v", e.Ref.Short(), x.Ref.Short(), got, read[0])
	}
	first := to
	to, _, _ = strings.Cut(to, "#")
	_, body = get(t, h, to)
	for _, s := range []string{
		"Written down as " + e.Ref.Short(), "spindle 5; cut again on site", "It is a reading as well", "Strike " + e.Ref.Short() + " and its reading " + x.Ref.Short(),
		"this says how well it was foreseen",
	} {
		if !strings.Contains(body, s) {
			t.Errorf("the bay does not say %q", s)
		}
	}
	for _, w := range accessible(body) {
		t.Error(w)
	}

	// The sheet is another by then, and the form sent twice leads where it led before.
	if !strings.Contains(body, "The cutting sheet has another code by it: it was "+sh.Code+" and is "+m.sheet(t, "F1/left").Code+" now") {
		t.Error("the page does not say that the sheet has another code")
	}
	res, body = post(t, h, base+"/F1/left/recut", form)
	if got := res.Header.Get("Location"); res.StatusCode != http.StatusSeeOther || got != first {
		t.Errorf("sent twice: %d to %q, want 303 to %q: %s", res.StatusCode, got, first, body)
	}
	// With another length it is another form; and of the new sheet the piece is
	// written down already.
	form.Set("length", "806.5")
	res, body = post(t, h, base+"/F1/left/recut", form)
	if res.StatusCode != http.StatusUnprocessableEntity || !strings.Contains(body, "The sheet has changed") {
		t.Errorf("of the old sheet: %d", res.StatusCode)
	}
	res, body = post(t, h, base+"/F1/left/recut", filled(t, body, "recut", map[string]string{"length": "806.6"}))
	if res.StatusCode != http.StatusUnprocessableEntity || !strings.Contains(body, "already, in "+e.Ref.Short()) || !strings.Contains(body, "strike that entry first") {
		t.Errorf("the same piece again: %d", res.StatusCode)
	}

	if res, _ = post(t, h, base+"/made/"+e.Ref.String()+"/strike", url.Values{"why": {"another spindle"}}); res.StatusCode != http.StatusSeeOther {
		t.Errorf("strike: %d", res.StatusCode)
	}
	if book, err = m.load(demoID.String()); err != nil {
		t.Fatal(err)
	}
	if e := book.Made[len(book.Made)-1]; len(e.Struck) != 1 || book.TrialOf(&e) != nil {
		t.Errorf("struck %+v, and its reading stands: %t", e.Struck, book.TrialOf(&e) != nil)
	}
	if _, body = get(t, h, base+"/F1/left"); !strings.Contains(body, "Cutting sheet "+sh.Code) {
		t.Error("the sheet is not what it was before")
	}
}

// A fillet that was cut again says nothing of the bay's plane: it is no reading.
func TestRecutFillet(t *testing.T) {
	t.Parallel()
	m := demo(t)
	h := handler(t, m)
	_, page := get(t, h, base+"/F1/left")
	form := filled(t, page, "recut", map[string]string{"part": "rail-fillet", "number": "13", "length": "118", "by": ""})
	if res, body := post(t, h, base+"/F1/left/recut", form); res.StatusCode != http.StatusSeeOther {
		t.Fatalf("%d %s", res.StatusCode, body)
	}
	book, err := m.load(demoID.String())
	if err != nil {
		t.Fatal(err)
	}
	if e := book.Made[len(book.Made)-1]; !e.Made.Recut || e.Made.Part != survey.PartRailFillet || e.Ref.Item != 1 || book.TrialOf(&e) != nil {
		t.Errorf("written down %+v as %s", e.Made, e.Ref.Short())
	}
	// The same form twice, of the same sheet; and the same on a new page.
	if res, body := post(t, h, base+"/F1/left/recut", form); res.StatusCode != http.StatusSeeOther {
		t.Errorf("sent twice: %d %s", res.StatusCode, body)
	}
	form.Set("entries", "3")
	res, body := post(t, h, base+"/F1/left/recut", form)
	if res.StatusCode != http.StatusUnprocessableEntity || !strings.Contains(body, "written down already") {
		t.Errorf("on a new page: %d", res.StatusCode)
	}
	if n := len(m.entries(t)); n != 3 {
		t.Errorf("%d entries, want the 2 of the demo and one", n)
	}
}

// What is wrong comes back beside its field, the rest as it was sent, and nothing
// is written.
func TestRecutWrong(t *testing.T) {
	t.Parallel()
	m := demo(t)
	h := handler(t, m)
	_, page := get(t, h, base+"/F1/left")
	sh := m.sheet(t, "F1/left")
	set, err := sh.PartSet(survey.PartSpindle)
	if err != nil {
		t.Fatal(err)
	}
	code, s05 := sh.Code, &set.Pieces[4]
	for name, tt := range map[string]struct{ field, value, says string }{
		"no part":          {"part", "newel", "give spindle, base-fillet or rail-fillet"},
		"no number":        {"number", "", "Write the number of one piece"},
		"two numbers":      {"number", "5, 6", "Write the number of one piece"},
		"in words":         {"number", "five", "Not piece numbers"},
		"one there is not": {"number", "13", "they are numbered 1 to 12 from the lower post"},
		"no length":        {"length", "", "Measure the piece that fitted"},
		"two commas":       {"length", "8,06,4", "8,06,4"},
		"a comma and unit": {"length", "806,4 mm", "806.4"},
		"the last century": {"when", "1999-12-31", "1999-12-31 is before 2000"},
		"in two days":      {"when", "2026-11-22", "has not come: it is 2026-11-20"},
		"far off":          {"length", "840", figure.Fixed(840-s05.Expected, 1) + " mm off what S05 needs, " + set.Expect(s05) + " mm: measure again"},
		"a long name":      {"by", strings.Repeat("n", 65), "too long"},
		"no date":          {"when", "yesterday", "write 2026-11-25"},
		"a long note":      {"note", strings.Repeat("n", 2001), "too long"},
		"another sheet":    {"code", "222222", "it was 222222 and is " + code + " now"},
		"markup":           {"length", `"><script>alert(1)</script>`, "&lt;script&gt;"},
		"out of reason":    {"length", "1e99", "1e99"},
	} {
		if raced && tt.field != "length" {
			continue // the other fields come back the same way
		}
		t.Run(name, func(t *testing.T) {
			form := filled(t, page, "recut", map[string]string{"number": "5", "length": "806.4", "note": "kept as sent", tt.field: tt.value})
			res, body := post(t, h, base+"/F1/left/recut", form)
			if res.StatusCode != http.StatusUnprocessableEntity || !strings.Contains(body, tt.says) {
				t.Errorf("status %d, want 422; says %q: %t", res.StatusCode, tt.says, strings.Contains(body, tt.says))
			}
			for _, w := range accessible(body) {
				t.Error(w)
			}
			back := filled(t, body, "recut", nil)
			for k := range form {
				want := form.Get(k)
				switch {
				case k == "code":
					want = code
				case k == "part": // there is no such part to choose
					want = "spindle"
				}
				if got := back.Get(k); got != want {
					t.Errorf("%s comes back as %q, want %q", k, got, want)
				}
			}
			var focus, invalid []string
			for _, e := range elements(body) {
				if _, ok := e.attr["autofocus"]; ok {
					focus = append(focus, e.attr["name"])
				}
				if e.attr["aria-invalid"] == "true" {
					invalid = append(invalid, e.attr["name"])
				}
			}
			want := tt.field
			if want == "code" {
				want = ""
			}
			if got := strings.Join(focus, " ") + "|" + strings.Join(invalid, " "); got != want+"|"+want {
				t.Errorf("the focus, and the mark, is at %q, want %q", got, want)
			}
		})
	}
	if n := len(m.entries(t)); n != 2 {
		t.Errorf("%d entries, want the 2 of the demo", n)
	}
}

// Where nothing can be cut yet nothing was cut again, and a what-if is not cut
// from.
func TestNoRecut(t *testing.T) {
	t.Parallel()
	little := newMemory(t, "14 Weir Street", "where,what,at,height,value\nF1/left,gap,bottom,,812\n")
	h := handler(t, little)
	if _, body := get(t, h, base+"/F1/left"); strings.Contains(body, `id="recut"`) {
		t.Error("a bay without a layout has the form")
	}
	if res, body := post(t, h, base+"/F1/left/recut", url.Values{"part": {"spindle"}, "number": {"1"}, "length": {"812"}}); res.StatusCode != http.StatusConflict || !strings.Contains(body, "what to read first") {
		t.Errorf("%d, want 409", res.StatusCode)
	}
	if _, body := get(t, handler(t, demo(t)), base+"/F1/left?joint=1.5"); strings.Contains(body, `id="recut"`) {
		t.Error("a what-if has the form")
	}
	// Spindles of F2/left are not to be cut yet; its fillets are.
	_, body := get(t, handler(t, demo(t)), base+"/F2/left")
	if form := filled(t, body, "recut", nil); form.Get("part") != "base-fillet" {
		t.Errorf("offers a %q first, want what can be cut", form.Get("part"))
	}
	// A page of another device may hold an entry that is none.
	if x := (&fieldbook.Book{}).TrialOf(&fieldbook.Made{Made: survey.Made{Recut: true}}); x != nil {
		t.Errorf("%+v", x)
	}
}
