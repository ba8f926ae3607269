package bench

import (
	"net/http"
	"net/url"
	"slices"
	"strings"
	"testing"

	"pinchrod/calc/stock"
)

// The plan is made with the bars and the figures that are typed, and so are its
// files.
func TestShop(t *testing.T) {
	t.Parallel()
	m := demo(t)
	m.bars = slices.DeleteFunc(slices.Clone(m.bars), func(b stock.Bar) bool { return !b.Offcut })
	h := handler(t, m)
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
		{"the saw in its own unit", url.Values{"bars": {"2400 mm"}, "kerf": {"1/8 in"}, "trim": {"5"}, "offcut": {"0"}}, 200, []string{"Kerf 3.175, 5 lost at the ends"}, []string{"Onto the rack"}, 200},
		{"a line that is no bar", url.Values{"bars": {"2400 mm\n24oo\n3 x 2 x 1"}, "kerf": {"5"}}, 400,
			[]string{`"24oo"`, `"3 x 2 x 1"`, "None of these is taken meanwhile.", "All 72 pieces of 41 x 8 mm: there is no such bar"}, nil, 400},
		{"some with a price", url.Values{"bars": {"2400 mm @ 6\n3000 mm"}}, 400, []string{"give each of them one, or none", "None of these is taken meanwhile."}, nil, 400},
		{"a kerf in metres", url.Values{"bars": {"2400 mm"}, "kerf": {"3 m"}, "trim": {"5 mm"}}, 400, []string{"Give 0 to 20 mm. 3 mm is taken meanwhile.", "Kerf 3, 5 lost"}, nil, 400},
		{"a kerf with a comma", url.Values{"bars": {"2400 mm"}, "kerf": {"2,5"}}, 400, []string{"3 mm is taken meanwhile."}, nil, 400},
		{"more bars than a shop has", url.Values{"bars": {strings.Repeat("2400\n", mostShopBars+1)}}, 400, []string{"More than 40 lines: give them to the server as a file, with --rack."}, nil, 400},
	} {
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
