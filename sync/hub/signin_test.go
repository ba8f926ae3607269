package hub_test

import (
	"crypto/sha256"
	"fmt"
	"io"
	"math/rand/v2"
	"net/http"
	"net/http/httptest"
	"net/url"
	"strings"
	"testing"
	"time"

	"golang.org/x/net/html"

	"pinchrod/sync/hub"
)

// behind serves pages behind a sign-in, over a line of this machine.
func behind(t *testing.T) (*hub.Sessions, *clock, string) {
	t.Helper()
	c := newClock()
	sessions := hub.NewSessions(c.now, rand.NewChaCha8([32]byte{'s'}))
	server := httptest.NewServer(hub.Behind(sessions, http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
		_, _ = io.WriteString(w, r.Method+" "+r.URL.RequestURI()+" of "+hub.SignedIn(r))
	})))
	t.Cleanup(server.Close)
	return sessions, c, server.URL
}

func newCode(t *testing.T, s *hub.Sessions) string {
	t.Helper()
	code, err := s.Code("Ben")
	if err != nil {
		t.Fatal(err)
	}
	return code.Code
}

// fields are the inputs of a page that have a value, and the targets of its links.
func fields(t *testing.T, page string) (inputs map[string]string, links []string) {
	t.Helper()
	doc, err := html.Parse(strings.NewReader(page))
	if err != nil {
		t.Fatal(err)
	}
	inputs = map[string]string{}
	for n := range doc.Descendants() {
		a := map[string]string{}
		for _, x := range n.Attr {
			a[x.Key] = x.Val
		}
		switch {
		case n.Data == "input" && a["value"] != "":
			inputs[a["name"]] = a["value"]
		case n.Data == "a":
			links = append(links, a["href"])
		}
	}
	return inputs, links
}

// Who asks for a page and signs in gets that page, with a wrong code in between.
func TestSignInLeadsBack(t *testing.T) {
	t.Parallel()
	sessions, _, base := behind(t)
	b := newBrowser(t, nil)
	const want = "/job/3f/F1/left?fillet=5&what=%3Cb%3E%26%2f"
	a, _ := get(t, b, base+want)
	to := a.Header.Get("Location")
	if a.StatusCode != http.StatusSeeOther || !strings.HasPrefix(to, "/sign-in?next=") {
		t.Fatalf("not signed in: %d to %q", a.StatusCode, to)
	}
	_, page := get(t, b, base+to)
	inputs, _ := fields(t, page)
	if inputs["next"] != want {
		t.Errorf("the form leads to %q, want %q", inputs["next"], want)
	}
	_, page = post(t, b, base+"/sign-in", url.Values{"code": {"AAAA-AAAA"}, "next": {inputs["next"]}})
	if inputs, _ = fields(t, page); inputs["next"] != want {
		t.Errorf("after a wrong code the form leads to %q, want %q", inputs["next"], want)
	}
	a, _ = post(t, b, base+"/sign-in", url.Values{"code": {newCode(t, sessions)}, "next": {inputs["next"]}})
	if got := a.Header.Get("Location"); a.StatusCode != http.StatusSeeOther || got != want {
		t.Errorf("signed in: %d to %q, want %q", a.StatusCode, got, want)
	}
	if _, body := get(t, b, base+a.Header.Get("Location")); body != "GET "+want+" of Ben" {
		t.Errorf("there: %q", body)
	}
	_, page = get(t, b, base+to)
	if _, links := fields(t, page); len(links) != 1 || links[0] != want {
		t.Errorf("signed in already, the page leads to %q, want %q", links, want)
	}
}

// Nobody is led to another site, by whatever the address or the form says.
func TestSignInLeadsNowhereElse(t *testing.T) {
	t.Parallel()
	sessions, c, base := behind(t)
	for _, next := range []string{
		"", "/", "//evil.example", "///evil.example", "/\\evil.example", "\\\\evil.example", "\\/evil.example",
		"https://evil.example/", "https:evil.example", "evil.example", ".//evil.example", "javascript:alert(1)",
		"/\t/evil.example", "/\n/evil.example", "\t//evil.example", " //evil.example", "/ /evil.example",
		"/.//evil.example", "/job/..//evil.example", "/x//evil.example", "/\x00", "/\u2215evil.example", "/%",
		"?next=/", "@evil.example", "/" + strings.Repeat("a", 2000), "/job\r\nSet-Cookie: a=b",
	} {
		c.advance(time.Minute) // one address tries so often only
		b := newBrowser(t, nil)
		_, page := get(t, b, base+"/sign-in?next="+url.QueryEscape(next))
		if inputs, _ := fields(t, page); inputs["next"] != "" {
			t.Errorf("%q: the form leads to %q", next, inputs["next"])
		}
		a, _ := post(t, b, base+"/sign-in", url.Values{"code": {newCode(t, sessions)}, "next": {next}})
		if got := a.Header.Get("Location"); a.StatusCode != http.StatusSeeOther || got != "/" {
			t.Errorf("%q: signed in, %d to %q, want the first page", next, a.StatusCode, got)
		}
		_, page = get(t, b, base+"/sign-in?next="+url.QueryEscape(next))
		if _, links := fields(t, page); len(links) != 1 || links[0] != "/" {
			t.Errorf("%q: signed in already, the page leads to %q", next, links)
		}
	}
	// What is asked for before the sign-in is not trusted either.
	here := &url.URL{Scheme: "https", Host: "bench.example", Path: "/"}
	for path, want := range map[string]string{
		"//evil.example/x":  "/evil.example/x", // a path of ours, cleaned
		"/x//evil.example":  "/x/evil.example",
		"/\\evil.example":   "/sign-in",
		"/sign-out":         "/sign-in",
		"/job/3f/F1%2Fleft": "/sign-in",
	} {
		r := httptest.NewRequest(http.MethodGet, "/", nil)
		r.URL = &url.URL{Path: path}
		w := httptest.NewRecorder()
		hub.Behind(sessions, http.NotFoundHandler()).ServeHTTP(w, r)
		to, err := here.Parse(w.Header().Get("Location"))
		if err != nil || to.Host != here.Host || to.Path != want {
			t.Errorf("%s: leads to %v, %v; want %s", path, to, err, want)
		}
	}
}

// A form that comes after the session has ended is answered with what to do; after
// that it can be sent again.
func TestSignInEnded(t *testing.T) {
	t.Parallel()
	sessions, c, base := behind(t)
	b := newBrowser(t, nil)
	post(t, b, base+"/sign-in", url.Values{"code": {newCode(t, sessions)}})
	form := url.Values{"length": {"806.1"}}
	if a, body := post(t, b, base+"/made", form); a.StatusCode != http.StatusOK || body != "POST /made of Ben" {
		t.Fatalf("signed in: %d %q", a.StatusCode, body)
	}
	c.advance(24 * time.Hour)
	a, page := post(t, b, base+"/made", form)
	if a.StatusCode != http.StatusUnauthorized || !strings.HasPrefix(a.Header.Get("Content-Type"), "text/html") {
		t.Fatalf("a day later: %d, %q", a.StatusCode, a.Header.Get("Content-Type"))
	}
	for _, want := range []string{"Nothing was written down", `target="_blank"`, "another tab", "send the form again"} {
		if !strings.Contains(page, want) {
			t.Errorf("the page does not say %q:\n%s", want, page)
		}
	}
	_, links := fields(t, page)
	if len(links) != 1 {
		t.Fatalf("the page has links %q, want one", links)
	}
	_, page = get(t, b, base+links[0])
	inputs, _ := fields(t, page)
	a, _ = post(t, b, base+"/sign-in", url.Values{"code": {newCode(t, sessions)}, "next": {inputs["next"]}})
	if _, page = get(t, b, base+a.Header.Get("Location")); !strings.Contains(page, "go back to that tab") {
		t.Errorf("signed in, the other tab does not say where the form is:\n%s", page)
	}
	if _, links := fields(t, page); len(links) != 1 || links[0] != "/" {
		t.Errorf("from there it goes to %q, want the first page", links)
	}
	if a, body := post(t, b, base+"/made", form); a.StatusCode != http.StatusOK || body != "POST /made of Ben" {
		t.Errorf("sent again: %d %q", a.StatusCode, body)
	}
}

// A form of another site's page is refused with a page, signed in or not.
func TestSignInForeignForm(t *testing.T) {
	t.Parallel()
	sessions, _, base := behind(t)
	b := newBrowser(t, nil)
	for range 2 {
		for _, path := range []string{"/made", "/sign-out"} {
			a, page := post(t, b, base+path, url.Values{"length": {"1"}}, "Sec-Fetch-Site", "cross-site")
			if a.StatusCode != http.StatusForbidden || !strings.HasPrefix(a.Header.Get("Content-Type"), "text/html") || !strings.Contains(page, "Nothing was done") {
				t.Errorf("%s: %d, %q\n%s", path, a.StatusCode, a.Header.Get("Content-Type"), page)
			}
			if _, links := fields(t, page); len(links) != 1 || links[0] != "/" {
				t.Errorf("%s: the page leads to %q", path, links)
			}
		}
		post(t, b, base+"/sign-in", url.Values{"code": {newCode(t, sessions)}})
	}
}

// The page says where a code is to be had at this program.
func TestSignInSaysWhere(t *testing.T) {
	t.Parallel()
	sessions, _, base := behind(t)
	b := newBrowser(t, nil)
	look := func(want, not string) {
		t.Helper()
		_, page := get(t, b, base+"/sign-in")
		_, wrong := post(t, b, base+"/sign-in", url.Values{"code": {"AAAA-AAAA"}})
		for _, p := range []string{page, wrong} {
			if !strings.Contains(p, want) || not != "" && strings.Contains(p, not) {
				t.Errorf("want %q and not %q:\n%s", want, not, p)
			}
		}
		if !strings.Contains(wrong, "not valid") {
			t.Errorf("a wrong code:\n%s", wrong)
		}
	}
	look("pinchrod hub code", "")
	sessions.SetWhere("Ask <Cleo>.")
	look("Ask &lt;Cleo&gt;.", "hub")
}

func TestFingerprint(t *testing.T) {
	t.Parallel()
	c := newClock()
	config, err := hub.PagesTLS(newBook(t, c.now), "", "", []string{"hub.example"}, c.now())
	if err != nil {
		t.Fatal(err)
	}
	// As browsers show it: 32 bytes in hexadecimal, with colons.
	sum := sha256.Sum256(config.Certificates[0].Certificate[0])
	var pairs []string
	for _, b := range sum {
		pairs = append(pairs, fmt.Sprintf("%02X", b))
	}
	if got, want := hub.Fingerprint(config), strings.Join(pairs, ":"); got != want {
		t.Errorf("got %q, want %q", got, want)
	}
	if got := hub.Fingerprint(nil); got != "" {
		t.Errorf("without a certificate: %q", got)
	}
}
