package bench

import (
	"errors"
	"fmt"
	"io/fs"
	"log/slog"
	"net/http"
	"net/http/httptest"
	"strings"
	"testing"

	"golang.org/x/image/font/gofont/gobold"
	"golang.org/x/image/font/gofont/goregular"

	"pinchrod/store/journal"
)

// What every answer says to the browser, and what is refused before any page.
func TestGuard(t *testing.T) {
	t.Parallel()
	m := demo(t)
	h := handler(t, m, func(o *Options) { o.Hosts = []string{"example.com", "localhost", "::1"} })
	form := "why=x"
	for name, tt := range map[string]struct {
		method, path, host string
		header             map[string]string
		body               string
		want               int
		says               string
	}{
		"a page":                   {method: "GET", path: "/", want: 200},
		"its head":                 {method: "HEAD", path: base + "/F1/left", want: 200},
		"another name":             {method: "GET", path: "/", host: "evil.test", want: 421, says: "printed when it was started"},
		"another name with a port": {method: "GET", path: "/", host: "evil.test:8080", want: 421},
		"ours with a port":         {method: "GET", path: "/", host: "LOCALHOST:8080", want: 200},
		"ours by number":           {method: "GET", path: "/", host: "[::1]:8080", want: 200},
		"no page":                  {method: "GET", path: "/nothing", want: 404, says: "follow the links"},
		"a job that is no id":      {method: "GET", path: "/job/1", want: 404, says: "no such job"},
		"no job":                   {method: "GET", path: "/job/01000000-0000-7000-8000-000000000001", want: 404, says: "no such job"},
		"a bay that is no name":    {method: "GET", path: base + "/F%201/left", want: 404},
		"no bay":                   {method: "GET", path: base + "/F9/left", want: 404, says: "lists the flights and bays"},
		"no sheet":                 {method: "GET", path: base + "/F9/left/sheet", want: 404},
		"no file":                  {method: "GET", path: base + "/F1/left/sheet.exe", want: 404},
		"no page of a file":        {method: "GET", path: base + "/F1/left/sheet.svg?page=9", want: 404},
		"page nought":              {method: "GET", path: base + "/F1/left/sheet.svg?page=0", want: 404},
		"no plan":                  {method: "GET", path: base + "/F9/plan.svg", want: 404},
		"no picture":               {method: "GET", path: "/picture/" + strings.Repeat("ab", 32), want: 404, says: "This picture has not arrived yet"},
		"a picture that is no sum": {method: "GET", path: "/picture/../bench.css", want: 404},
		"kerf out of reason":       {method: "GET", path: base + "/stock?kerf=-1", want: 400, says: "Give 0 to 20"},
		"a plan out of reason":     {method: "GET", path: base + "/stock.pdf?trim=x", want: 400},
		"a long address":           {method: "GET", path: "/?x=" + strings.Repeat("a", mostURL), want: 414},
		"another method":           {method: "PUT", path: "/", want: 405},
		"post to a page":           {method: "POST", path: base, body: form, want: 405},
		"get of a form":            {method: "GET", path: base + "/F1/left/made", want: 405},
		"post from another site":   {method: "POST", path: base + "/F1/left/made", body: form, header: map[string]string{"Sec-Fetch-Site": "cross-site"}, want: 403, says: "Nothing was written"},
		"post of a sister site":    {method: "POST", path: base + "/F1/left/made", body: form, header: map[string]string{"Sec-Fetch-Site": "same-site"}, want: 403},
		"post of another origin":   {method: "POST", path: base + "/F1/left/made", body: form, header: map[string]string{"Origin": "http://evil.test"}, want: 403},
		"post of our origin":       {method: "POST", path: base + "/F1/left/made", body: form, header: map[string]string{"Origin": "http://example.com"}, want: 400},
		"post of no origin":        {method: "POST", path: base + "/F1/left/made", body: form, header: map[string]string{"Origin": "null"}, want: 403, says: "Nothing was written"},
		"post of ours":             {method: "POST", path: base + "/F1/left/made", body: form, header: map[string]string{"Sec-Fetch-Site": "same-origin"}, want: 400},
		"a form too big":           {method: "POST", path: base + "/F1/left/made", body: "note=" + strings.Repeat("x", mostBody), want: 413, says: "shorten the note"},
		"a form that is none":      {method: "POST", path: base + "/F1/left/made", body: "%zz", want: 400},
		"get of a recut":           {method: "GET", path: base + "/F1/left/recut", want: 405},
		"recut of no bay":          {method: "POST", path: base + "/F9/left/recut", body: form, want: 404},
		"recut from another site":  {method: "POST", path: base + "/F1/left/recut", body: form, header: map[string]string{"Sec-Fetch-Site": "cross-site"}, want: 403},
		"strike of no entry":       {method: "POST", path: base + "/made/HW-99.1/strike", body: form, want: 404, says: "no such entry"},
	} {
		t.Run(name, func(t *testing.T) {
			r := httptest.NewRequest(tt.method, tt.path, strings.NewReader(tt.body))
			r.Header.Set("Content-Type", "application/x-www-form-urlencoded")
			if tt.host != "" {
				r.Host = tt.host
			}
			for k, v := range tt.header {
				r.Header.Set(k, v)
			}
			res, body := ask(t, h, r)
			if res.StatusCode != tt.want || !strings.Contains(body, tt.says) {
				t.Errorf("status %d, want %d and %q: %s", res.StatusCode, tt.want, tt.says, body)
			}
			for k, want := range map[string]string{
				"Content-Security-Policy": policy, "X-Content-Type-Options": "nosniff", "Referrer-Policy": "same-origin", "Cache-Control": "no-store",
			} {
				if got := res.Header.Get(k); got != want {
					t.Errorf("%s: %q, want %q", k, got, want)
				}
			}
			if tt.want == 405 && res.Header.Get("Allow") == "" {
				t.Error("does not say what is allowed")
			}
			if tt.want >= 400 {
				for _, w := range accessible(body) {
					t.Error(w)
				}
			}
		})
	}
	if n := len(m.entries(t)); n != 2 {
		t.Errorf("%d entries after what was refused, want the 2 of the demo", n)
	}
}

// What goes wrong inside is logged, and a person sees none of it.
func TestInside(t *testing.T) {
	t.Parallel()
	const secret = "disk /dev/sdq is gone"
	for name, m := range map[string]*memory{
		"an error": {kv: buckets{}, fault: errors.New(secret)},
		"a panic":  {kv: buckets{}, bang: true},
	} {
		var log strings.Builder
		h := handler(t, m, func(o *Options) { o.Log = slog.New(slog.NewTextHandler(&log, nil)) })
		res, body := get(t, h, base)
		if res.StatusCode != http.StatusInternalServerError || !strings.Contains(body, "the server’s log says why") && !strings.Contains(body, "the server&#39;s log says why") {
			t.Errorf("%s: %d %s", name, res.StatusCode, body)
		}
		if strings.Contains(body, secret) || strings.Contains(body, "bang") || strings.Contains(body, "goroutine") {
			t.Errorf("%s is shown: %s", name, body)
		}
		if !strings.Contains(log.String(), secret) && !strings.Contains(log.String(), "bang") {
			t.Errorf("%s is not logged: %s", name, log.String())
		}
	}
}

// A book that cannot be opened is told of with what to do about it, and a page of a
// busy one may be asked for again.
func TestNoBook(t *testing.T) {
	t.Parallel()
	good := demo(t)
	_, page := get(t, handler(t, good), base+"/F1/left/sheet")
	form := filled(t, page, "spindle-A", map[string]string{"length": "805.8"})
	for name, tt := range map[string]struct {
		fault  error
		status int
		says   []string
		retry  bool
		logged bool
	}{
		"busy":     {fmt.Errorf("opening d.book: %w", ErrBusy), 503, []string{"Another window is writing", "Wait a moment and load the page again"}, true, false},
		"missing":  {fmt.Errorf("d.book: %w: %w", ErrNoBook, fs.ErrNotExist), 503, []string{"The book is not there", "back where it was"}, false, true},
		"damaged":  {fmt.Errorf("d.book: %w", ErrDamaged), 500, []string{"The book is damaged", "pinchrod recover"}, false, true},
		"its page": {fmt.Errorf("d.book: %w", journal.ErrDamaged), 500, []string{"The book is damaged"}, false, true},
	} {
		var log strings.Builder
		h := handler(t, &memory{kv: buckets{}, fault: tt.fault}, func(o *Options) { o.Log = slog.New(slog.NewTextHandler(&log, nil)) })
		for _, at := range []string{"/", base, base + "/F1/left", base + "/stock", "/picture/" + strings.Repeat("ab", 32), "POST"} {
			var res *http.Response
			var body string
			if at == "POST" {
				res, body = post(t, h, base+"/F1/left/made", form)
			} else {
				res, body = get(t, h, at)
			}
			if res.StatusCode != tt.status || (res.Header.Get("Retry-After") != "") != tt.retry {
				t.Errorf("%s, %s: %d, retry after %q; want %d, retry %t", name, at, res.StatusCode, res.Header.Get("Retry-After"), tt.status, tt.retry)
			}
			for _, s := range tt.says {
				if !strings.Contains(body, s) {
					t.Errorf("%s, %s: does not say %q", name, at, s)
				}
			}
			if strings.Contains(body, "d.book") {
				t.Errorf("%s, %s: says where the book is", name, at)
			}
			for _, w := range accessible(body) {
				t.Errorf("%s, %s: %s", name, at, w)
			}
		}
		if got := strings.Contains(log.String(), "d.book"); got != tt.logged {
			t.Errorf("%s: logged %t, want %t", name, got, tt.logged)
		}
	}
}

// The files: what they are, and that a browser need not fetch them twice.
func TestFiles(t *testing.T) {
	t.Parallel()
	h := handler(t, demo(t))
	for _, tt := range []struct{ path, kind, begins string }{
		{base + "/F1/left/sheet.pdf", "application/pdf", "%PDF-"},
		{base + "/F1/left/sheet.svg?page=2", "image/svg+xml", "<svg "},
		{base + "/F1/left/sheet.png", "image/png", "\x89PNG"},
		{base + "/F1/left/sheet.csv", "text/csv; charset=utf-8", "job,bay,code"},
		{base + "/F1/left/sheet.json", "application/json", "{"},
		{base + "/F1/left/sheet.txt", "text/plain; charset=utf-8", demoName},
		{base + "/F1/left/labels.pdf", "application/pdf", "%PDF-"},
		{base + "/F1/left/errors.svg", "image/svg+xml", "<svg "},
		{base + "/F1/left/print.css", "text/css; charset=utf-8", "@page"},
		{base + "/F2/plan.svg", "image/svg+xml", "<svg "},
		{base + "/stock.csv", "text/csv; charset=utf-8", ""},
		{"/picture/01" + strings.Repeat("00", 31), "image/jpeg", "\xff\xd8"},
		{"/bench.css", "text/css; charset=utf-8", "/*"},
		{"/bench.js", "text/javascript; charset=utf-8", "//"},
		{"/regular.ttf", "font/ttf", string(goregular.TTF)},
		{"/bold.ttf", "font/ttf", string(gobold.TTF)},
	} {
		if raced && drawn(tt.path) {
			continue
		}
		res, body := get(t, h, tt.path)
		if res.StatusCode != 200 || res.Header.Get("Content-Type") != tt.kind || !strings.HasPrefix(body, tt.begins) {
			t.Errorf("%s: %d %q begins %.10q", tt.path, res.StatusCode, res.Header.Get("Content-Type"), body)
		}
		tag := res.Header.Get("ETag")
		if strings.Contains(tt.path, "/F1/left/") && !strings.HasPrefix(tag, `"`+leftCode(t)+"-") {
			t.Errorf("%s: tag %s does not begin with the code of the sheet", tt.path, tag)
		}
		r := httptest.NewRequest(http.MethodGet, tt.path, nil)
		r.Header.Set("If-None-Match", tag)
		if res, _ := ask(t, h, r); res.StatusCode != http.StatusNotModified {
			t.Errorf("%s again: %d, want 304", tt.path, res.StatusCode)
		}
	}
}

// Text of a page's foot ends no string of the style sheet.
func TestPrinted(t *testing.T) {
	t.Parallel()
	got := printed("AB3DEF", "F1/left", "x\"; } body { display: none } /* \\ \n\u202e", day)
	if strings.Count(got, "{") != 3 || strings.Count(got, "}") != 3 || strings.Count(got, `"`) != 6 || strings.Contains(got, "\\\\") {
		t.Errorf("the style sheet is broken out of:\n%s", got)
	}
	if !strings.Contains(got, `AB3DEF \b7 `) {
		t.Errorf("the code is not there:\n%s", got)
	}
}
