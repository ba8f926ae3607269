package bench

import (
	"errors"
	"flag"
	"io"
	"net/http"
	"net/http/httptest"
	"net/url"
	"os"
	"path"
	"slices"
	"strings"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"
	"golang.org/x/net/html"
)

// handler serves a source.
func handler(t testing.TB, src Source, change ...func(*Options)) http.Handler {
	t.Helper()
	o := Options{Source: src, Now: func() time.Time { return day }, Who: func(*http.Request) string { return "Ann" }, SignOut: "/sign-out"}
	for _, c := range change {
		c(&o)
	}
	h, err := New(o)
	if err != nil {
		t.Fatal(err)
	}
	return h
}

// ask sends a request.
func ask(t testing.TB, h http.Handler, r *http.Request) (*http.Response, string) {
	t.Helper()
	w := httptest.NewRecorder()
	h.ServeHTTP(w, r)
	b, err := io.ReadAll(w.Result().Body)
	if err != nil {
		t.Fatal(err)
	}
	return w.Result(), string(b)
}

// get asks for a page.
func get(t testing.TB, h http.Handler, path string) (*http.Response, string) {
	t.Helper()
	return ask(t, h, httptest.NewRequest(http.MethodGet, path, nil))
}

// post sends a form.
func post(t testing.TB, h http.Handler, path string, form url.Values) (*http.Response, string) {
	t.Helper()
	r := httptest.NewRequest(http.MethodPost, path, strings.NewReader(form.Encode()))
	r.Header.Set("Content-Type", "application/x-www-form-urlencoded")
	return ask(t, h, r)
}

const base = "/job/01000000-0000-7000-8000-000000000009"

var update = flag.Bool("update", false, "write the golden files anew")

func TestOptions(t *testing.T) {
	t.Parallel()
	m := newMemory(t, "x", "")
	for name, tt := range map[string]struct {
		o    Options
		want error
	}{
		"no source":     {Options{}, ErrOptions},
		"bare prefix":   {Options{Source: m, Prefix: "bench"}, ErrOptions},
		"odd prefix":    {Options{Source: m, Prefix: "/a\"b"}, ErrOptions},
		"source":        {Options{Source: m}, nil},
		"prefix":        {Options{Source: m, Prefix: "/bench"}, nil},
		"ending prefix": {Options{Source: m, Prefix: "/bench/"}, nil},
		"sign-out":      {Options{Source: m, SignOut: "/sign-out"}, nil},
		"of another":    {Options{Source: m, SignOut: "//evil.test/"}, ErrOptions},
		"bare sign-out": {Options{Source: m, SignOut: "sign-out"}, ErrOptions},
	} {
		if _, err := New(tt.o); !errors.Is(err, tt.want) {
			t.Errorf("%s: %v, want %v", name, err, tt.want)
		}
	}
}

// Who is signed in is told so, and can sign out, where that leads anywhere.
func TestSignOut(t *testing.T) {
	t.Parallel()
	for name, tt := range map[string]struct {
		who, path string
		told, out bool
	}{
		"signed in":    {"Ann", "/sign-out", true, true},
		"for good":     {"Ann", "", true, false},
		"nobody":       {"", "/sign-out", false, false},
		"a name of it": {"<b>Ann", "/sign-out", true, true},
	} {
		h := handler(t, newMemory(t, "x", ""), func(o *Options) {
			o.Who, o.SignOut, o.Prefix = func(*http.Request) string { return tt.who }, tt.path, "/bench"
		})
		for _, at := range []string{"/bench/", "/bench" + base, "/bench/nothing"} {
			_, body := get(t, h, at)
			out := false
			for _, e := range elements(body) {
				if e.Data == "form" && e.attr["action"] == "/sign-out" {
					out = e.attr["method"] == "post" && words(e.Node) == "Sign out"
				}
			}
			if told := strings.Contains(body, "Signed in"); told != tt.told || out != tt.out {
				t.Errorf("%s, %s: told %t, want %t; can sign out %t, want %t", name, at, told, tt.told, out, tt.out)
			}
			for _, w := range accessible(body) {
				t.Errorf("%s, %s: %s", name, at, w)
			}
		}
	}
}

// drawn tells whether a file takes long to make.
func drawn(at string) bool {
	at, _, _ = strings.Cut(at, "?")
	return strings.Contains(at, "/stock.") || slices.Contains([]string{".pdf", ".png", ".svg"}, path.Ext(at))
}

// crawl follows every link of the site from its first page, and gives the pages by
// their address.
func crawl(t *testing.T, h http.Handler, first string) map[string]string {
	t.Helper()
	pages := map[string]string{}
	todo := []string{first}
	seen := map[string]bool{first: true}
	for len(todo) > 0 {
		at := todo[0]
		todo = todo[1:]
		res, body := get(t, h, at)
		if res.StatusCode != http.StatusOK {
			t.Errorf("%s: status %d", at, res.StatusCode)
			continue
		}
		ext := path.Ext(strings.SplitN(at, "?", 2)[0])
		kind := res.Header.Get("Content-Type")
		if want := types[ext]; want != "" && kind != want {
			t.Errorf("%s: type %q, want %q", at, kind, want)
		}
		if len(body) == 0 {
			t.Errorf("%s is empty", at)
		}
		if kind != "text/html; charset=utf-8" {
			continue
		}
		pages[at] = body
		for _, e := range elements(body) {
			for _, to := range []string{e.attr["href"], e.attr["src"]} {
				to, _, _ = strings.Cut(to, "#")
				if to == "" || seen[to] || raced && drawn(to) {
					continue
				}
				if !strings.HasPrefix(to, first) {
					t.Errorf("%s links to %q, which is not of the site", at, to)
					continue
				}
				seen[to] = true
				todo = append(todo, to)
			}
		}
	}
	return pages
}

// Every link leads to something, and every page is fit to be read by anyone.
func TestWholeSite(t *testing.T) {
	t.Parallel()
	const prefix = "/bench"
	h := handler(t, demo(t), func(o *Options) { o.Prefix = prefix + "/" })
	pages := crawl(t, h, prefix+"/")
	for _, want := range []string{"/", base, base + "/F1/left", base + "/F2/left", base + "/F1/left/sheet", base + "/stock"} {
		if pages[prefix+want] == "" {
			t.Errorf("no link leads to %s", want)
		}
	}
	for at, page := range pages {
		for _, w := range accessible(page) {
			t.Errorf("%s: %s", at, w)
		}
	}
	if res, _ := get(t, h, "/bench"); res.StatusCode != http.StatusMovedPermanently || res.Header.Get("Location") != "/bench/" {
		t.Errorf("the prefix alone: %d to %q", res.StatusCode, res.Header.Get("Location"))
	}
	for _, at := range []string{"/", base, "/benches/", "/bench//", "/bench/job/../"} {
		if res, _ := get(t, h, at); res.StatusCode != http.StatusNotFound {
			t.Errorf("%s under a prefix: %d, want 404", at, res.StatusCode)
		}
	}
}

// A book with next to nothing in it: each page says what to do next.
func TestEmpty(t *testing.T) {
	t.Parallel()
	none := &memory{kv: buckets{}}
	job := newMemory(t, "14 Weir Street", "")
	little := newMemory(t, "14 Weir Street", "where,what,at,height,value\nF1/left,gap,bottom,,812\nF3,width,bottom,,840\n")
	for _, tt := range []struct {
		m          *memory
		path, want string
	}{
		{none, "/", "The book holds no job yet"},
		{job, base, "Nothing of this job has been read yet"},
		{job, base + "/stock", "Nothing to cut"},
		{little, base + "/F1/left", "No piece is known yet"},
		{little, base + "/F1/left", "Nothing of this bay is written down as cut yet"},
		{little, base + "/F1/left", "No picture of this bay"},
		{little, base + "/F1/left", "No trial piece and no spacer walk"},
		{little, base + "/F1/left/sheet", "Nothing to cut: "},
		{little, base, "No bay of this flight has a reading yet"},
		{little, base, "Nothing can be judged yet: read its width at the bottom and at the top, the rise and the going of each step"},
		{little, base + "/F1/left", "Nothing can be judged yet: take the readings named under “missing”."},
	} {
		res, body := get(t, handler(t, tt.m), tt.path)
		if res.StatusCode != http.StatusOK || !strings.Contains(body, tt.want) {
			t.Errorf("%s: %d, does not say %q", tt.path, res.StatusCode, tt.want)
		}
		for _, w := range accessible(body) {
			t.Errorf("%s: %s", tt.path, w)
		}
	}
}

// What the job's page says in words, held still.
func TestGoldenJob(t *testing.T) {
	t.Parallel()
	_, body := get(t, handler(t, demo(t)), base)
	root, err := html.Parse(strings.NewReader(body))
	if err != nil {
		t.Fatal(err)
	}
	var lines []string
	for n := range root.Descendants() {
		switch n.Data {
		case "h1", "h2", "h3", "caption", "tr", "summary", "li":
			if s := words(n); s != "" && n.Type == html.ElementNode {
				lines = append(lines, n.Data+": "+s)
			}
		}
	}
	got := strings.Join(lines, "\n") + "\n"
	const file = "testdata/job.txt"
	if *update {
		if err := os.WriteFile(file, []byte(got), 0o666); err != nil {
			t.Fatal(err)
		}
	}
	want, err := os.ReadFile(file)
	if err != nil {
		t.Fatal(err)
	}
	if d := cmp.Diff(string(want), got); d != "" {
		t.Errorf("the job's page (-want +got):\n%s", d)
	}
}
