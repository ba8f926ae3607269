package bench

import (
	"net/http"
	"net/url"
	"slices"
	"strings"
	"testing"

	"pinchrod/calc/stock"
)

// Where no bar is on the plan the form that takes bars stands open.
func TestShopOpens(t *testing.T) {
	t.Parallel()
	m := demo(t)
	for name, tt := range map[string]struct {
		bars []stock.Bar
		want bool
	}{
		"bars":                {m.bars, false},
		"none":                {nil, true},
		"none that is enough": {[]stock.Bar{{Section: "41 x 41 mm", Length: 100}}, true},
	} {
		m.bars = tt.bars
		_, page := get(t, handler(t, m), base+"/stock")
		i := slices.IndexFunc(elements(page), func(e element) bool {
			return e.Data == "details" && strings.HasPrefix(words(e.Node), "Plan with other bars")
		})
		if i < 0 {
			t.Fatalf("%s: no form of the shop", name)
		}
		if _, open := elements(page)[i].attr["open"]; open != tt.want {
			t.Errorf("%s: the form is open %t, want %t", name, open, tt.want)
		}
	}
	// And where there is nothing to cut no bar would help.
	if _, page := get(t, handler(t, newMemory(t, "14 Weir Street", "")), base+"/stock"); strings.Contains(page, "<details class=\"no-print\" open>") {
		t.Error("open where there is nothing to cut")
	}
}

// What a browser prints of a plan is told from another plan of the same pieces: the
// bars are named on the page and at the foot of each of its sheets of paper.
func TestStockPrinted(t *testing.T) {
	t.Parallel()
	h := handler(t, demo(t))
	feet := map[string]bool{}
	for _, query := range []string{"", "?bars=3000+mm&rack=leave"} {
		_, page := get(t, h, base+"/stock"+query)
		var name, css string
		for _, e := range elements(page) {
			switch {
			case e.Data == "h1":
				name = strings.TrimPrefix(words(e.Node), "Stock plan ")
			case e.Data == "link" && e.attr["media"] == "print":
				_, css = get(t, h, e.attr["href"])
			}
		}
		code, bars, ok := strings.Cut(name, ", bars ")
		if foot := code + quoted(",") + " bars " + bars; !ok || !strings.Contains(css, foot) {
			t.Errorf("%q: the plan is %q, and at the foot stands\n%s", query, name, css)
		}
		feet[css] = true
	}
	if len(feet) != 2 {
		t.Errorf("%d feet of two plans", len(feet))
	}
}

// The plan is made with the bars and the figures that are typed, and so are its
// files.
func TestShop(t *testing.T) {
	t.Parallel()
	m := demo(t)
	m.bars = slices.DeleteFunc(slices.Clone(m.bars), func(b stock.Bar) bool { return !b.Offcut })
	h := handler(t, m)
	// What takes seconds under the race detector, and differs from another in a word.
	dear := []string{"one for all", "of each section, so many, priced", "a kerf in metres", "a kerf with a comma", "a kerf with two", "a section turned"}
	const noBars = "no bar to saw from, for 41 x 41 mm and 41 x 8 mm"
	for _, tt := range []struct {
		name   string
		query  url.Values
		status int
		page   []string // said on the page
		not    []string
		files  int
	}{
		{"what cannot be bought is said", nil, 200, []string{"All 72 pieces of 41 x 8 mm: there is no such bar"}, []string{"Nothing to cut"}, 200},
		{"no bar at all", url.Values{"rack": {"leave"}}, 200, []string{noBars, "Write down below what can be bought"}, []string{"Print: PDF", "Bar by bar"}, 422},
		{"one for all", url.Values{"bars": {"2400 mm"}}, 200, []string{"buy 8 x 2400 mm", "buy 4 x 2400 mm"}, []string{"no such bar", noBars}, 200},
		{"of each section, so many, priced", url.Values{"bars": {"41 x 41: 3 x 4.2 m @ 11.50\r\n\r\n 41 x 41: 3 m @ 8\r\n41 x 8: 8 ft @ 2"}, "rack": {"leave"}}, 200,
			[]string{"x 4200 mm, 11.50 each", "x 2438.4 mm, 2.00 each"}, []string{"no such bar", "1120 mm"}, 200},
		{"the saw in its own unit", url.Values{"bars": {"2400 mm"}, "kerf": {"1/8 in"}, "trim": {"5"}, "offcut": {"0"}}, 200, []string{"Saw cut 3.175 mm; first 5 mm trimmed off"}, []string{"Onto the rack"}, 200},
		{"a line that is no bar", url.Values{"bars": {"2400 mm\n24oo\n3 x 2 x 1"}, "kerf": {"5"}}, 400,
			[]string{`"24oo"`, `"3 x 2 x 1"`, "None of these is taken meanwhile.", "All 72 pieces of 41 x 8 mm: there is no such bar"}, nil, 400},
		{"some with a price", url.Values{"bars": {"2400 mm @ 6\n3000 mm"}}, 400, []string{"give each of them one, or none", "None of these is taken meanwhile."}, nil, 400},
		{"a kerf in metres", url.Values{"bars": {"2400 mm"}, "kerf": {"3 m"}, "trim": {"5 mm"}}, 400, []string{"Give 0 to 20 mm. 3 mm is taken meanwhile.", "Saw cut 3 mm; first 5 mm trimmed off"}, nil, 400},
		{"a kerf with a comma", url.Values{"bars": {"2400 mm"}, "kerf": {"2,5"}, "trim": {"7,25"}}, 200, []string{"Saw cut 2.5 mm; first 7.25 mm trimmed off"}, nil, 200},
		{"a kerf with two", url.Values{"bars": {"2400 mm"}, "kerf": {"2,5,1"}}, 400, []string{"3 mm is taken meanwhile."}, nil, 400},
		{"a section of nothing", url.Values{"bars": {"2400 mm\n41 x 42 mm: 3000 mm"}}, 400,
			[]string{"No piece is cut from 41 x 42 mm; the job's sections are 41 x 41 mm and 41 x 8 mm. None of these is taken meanwhile.", "All 72 pieces of 41 x 8 mm: there is no such bar"}, nil, 400},
		{"a section turned", url.Values{"bars": {"41x41: 2400 mm\n8 x 41 mm: 2400 mm"}}, 200, []string{"buy 8 x 2400 mm", "buy 4 x 2400 mm"}, nil, 200},
		{"more bars than a shop has", url.Values{"bars": {strings.Repeat("2400\n", mostShopBars+1)}}, 400, []string{"More than 40 lines: give them to the server as a file, with --rack."}, nil, 400},
	} {
		if raced && slices.Contains(dear, tt.name) {
			continue
		}
		at := base + "/stock"
		if len(tt.query) > 0 {
			at += "?" + tt.query.Encode()
		}
		r, page := get(t, h, at)
		if r.StatusCode != tt.status {
			t.Errorf("%s: status %d, want %d", tt.name, r.StatusCode, tt.status)
		}
		said := words(elements(page)[0].Node)
		for _, s := range tt.page {
			if !strings.Contains(said, s) {
				t.Errorf("%s: the page does not say %q", tt.name, s)
			}
		}
		for _, s := range tt.not {
			if strings.Contains(said, s) {
				t.Errorf("%s: the page says %q", tt.name, s)
			}
		}
		for _, w := range accessible(page) {
			t.Errorf("%s: %s", tt.name, w)
		}
		// What was typed stands there again, and the files are of the same plan.
		for _, e := range elements(page) {
			if e.Data == "textarea" && words(e.Node) != strings.Join(strings.Fields(tt.query.Get("bars")), " ") {
				t.Errorf("%s: the bars were %q, and are %q", tt.name, tt.query.Get("bars"), words(e.Node))
			}
			if href := e.attr["href"]; e.Data == "a" && strings.Contains(href, "/stock.csv") {
				if r, csv := get(t, h, href); r.StatusCode != http.StatusOK || tt.status == 200 && tt.query.Get("bars") != "" && strings.Contains(csv, ",1120,") != strings.Contains(said, "1120 mm") {
					t.Errorf("%s: %s: status %d\n%s", tt.name, href, r.StatusCode, csv)
				}
			}
		}
		if r, _ := get(t, h, strings.Replace(at, "/stock", "/stock.csv", 1)); r.StatusCode != tt.files {
			t.Errorf("%s: the CSV's status is %d, want %d", tt.name, r.StatusCode, tt.files)
		}
	}
}
