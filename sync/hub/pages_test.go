package hub_test

import (
	"crypto/sha256"
	"crypto/tls"
	"crypto/x509"
	"encoding/base64"
	"io"
	"net"
	"net/http"
	"net/http/cookiejar"
	"net/http/httptest"
	"net/url"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"pinchrod/sync/hub"
)

// A browser keeps cookies, and follows no redirect by itself.
func newBrowser(t *testing.T, via http.RoundTripper) *http.Client {
	t.Helper()
	jar, err := cookiejar.New(nil)
	if err != nil {
		t.Fatal(err)
	}
	return &http.Client{Jar: jar, Transport: via, CheckRedirect: func(*http.Request, []*http.Request) error { return http.ErrUseLastResponse }}
}

func do(t *testing.T, c *http.Client, r *http.Request) (*http.Response, string) {
	t.Helper()
	w, err := c.Do(r)
	if err != nil {
		t.Fatal(err)
	}
	defer w.Body.Close()
	b, err := io.ReadAll(w.Body)
	if err != nil {
		t.Fatal(err)
	}
	return w, string(b)
}

func get(t *testing.T, c *http.Client, url string) (*http.Response, string) {
	t.Helper()
	r, err := http.NewRequestWithContext(t.Context(), http.MethodGet, url, nil)
	if err != nil {
		t.Fatal(err)
	}
	return do(t, c, r)
}

func post(t *testing.T, c *http.Client, to string, form url.Values, headers ...string) (*http.Response, string) {
	t.Helper()
	r, err := http.NewRequestWithContext(t.Context(), http.MethodPost, to, strings.NewReader(form.Encode()))
	if err != nil {
		t.Fatal(err)
	}
	r.Header.Set("Content-Type", "application/x-www-form-urlencoded")
	for i := 0; i+1 < len(headers); i += 2 {
		r.Header.Set(headers[i], headers[i+1])
	}
	return do(t, c, r)
}

func TestPages(t *testing.T) {
	t.Parallel()
	w := newWorkshop(t, func(o *hub.Options) {
		o.Pages = http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
			w.Header().Set("Content-Security-Policy", "default-src 'self'")
			_, _ = io.WriteString(w, "the bench "+r.URL.Path)
		})
	})
	base := "http://" + w.pages
	c := newBrowser(t, nil)
	if a, _ := get(t, c, base+"/jobs"); a.StatusCode != http.StatusSeeOther || a.Header.Get("Location") != "/sign-in?next=%2Fjobs" {
		t.Errorf("not signed in: %d to %q", a.StatusCode, a.Header.Get("Location"))
	}
	if a, body := post(t, c, base+"/jobs", nil); a.StatusCode != http.StatusUnauthorized || strings.Contains(body, "bench") {
		t.Errorf("a form of one who is not signed in: %d %q", a.StatusCode, body)
	}

	// The page shows its one style, which its policy lets it, and nothing else.
	a, body := get(t, c, base+"/sign-in")
	_, css, _ := strings.Cut(body, "<style>")
	css, _, _ = strings.Cut(css, "</style>")
	sum := sha256.Sum256([]byte(css))
	policy := a.Header.Get("Content-Security-Policy")
	if !strings.HasPrefix(policy, "default-src 'none';") || !strings.Contains(policy, "'sha256-"+base64.StdEncoding.EncodeToString(sum[:])+"'") || len(css) < 100 {
		t.Errorf("policy %q for\n%s", policy, body)
	}
	if strings.Contains(body, "<script") || !strings.Contains(body, `<label for="code">`) {
		t.Errorf("the page:\n%s", body)
	}

	code, err := w.office.Code(t.Context(), "<anna>")
	if err != nil {
		t.Fatal(err)
	}
	if a, body := post(t, c, base+"/sign-in", url.Values{"code": {"AAAA-AAAA"}}); a.StatusCode != http.StatusForbidden || !strings.Contains(body, "not valid") {
		t.Errorf("a wrong code: %d\n%s", a.StatusCode, body)
	}
	if a, _ := post(t, c, base+"/sign-in", url.Values{"code": {code.Code}}, "Sec-Fetch-Site", "cross-site"); a.StatusCode != http.StatusForbidden || len(a.Cookies()) > 0 {
		t.Errorf("a form of another site: %d", a.StatusCode)
	}
	if a, _ := post(t, c, base+"/sign-in", url.Values{"code": {strings.Repeat("A", 5000)}}); a.StatusCode != http.StatusBadRequest {
		t.Errorf("a huge form: %d", a.StatusCode)
	}
	a, _ = post(t, c, base+"/sign-in", url.Values{"code": {strings.ToLower(code.Code)}})
	if a.StatusCode != http.StatusSeeOther || a.Header.Get("Location") != "/" || len(a.Cookies()) != 1 {
		t.Fatalf("the right code: %d to %q, %v", a.StatusCode, a.Header.Get("Location"), a.Cookies())
	}
	if k := a.Cookies()[0]; !k.HttpOnly || k.SameSite != http.SameSiteStrictMode || k.Secure || len(k.Value) != 43 {
		t.Errorf("the cookie: %+v", k)
	}
	if a, body := get(t, c, base+"/jobs"); a.StatusCode != http.StatusOK || body != "the bench /jobs" || a.Header.Get("Content-Security-Policy") != "default-src 'self'" || a.Header.Get("X-Content-Type-Options") != "nosniff" {
		t.Errorf("signed in: %d %q %v", a.StatusCode, body, a.Header)
	}
	if _, body := get(t, c, base+"/sign-in"); !strings.Contains(body, "&lt;anna&gt;") || !strings.Contains(body, "/sign-out") {
		t.Errorf("signed in:\n%s", body)
	}
	if a, body := post(t, newBrowser(t, nil), base+"/sign-in", url.Values{"code": {code.Code}}); a.StatusCode != http.StatusForbidden {
		t.Errorf("the code again: %d\n%s", a.StatusCode, body)
	}
	if a, body := post(t, newBrowser(t, nil), base+"/sign-in", url.Values{"code": {"AAAA-AAAA"}}); a.StatusCode != http.StatusForbidden {
		t.Errorf("wrong again: %d\n%s", a.StatusCode, body)
	}
	for range 3 { // the fifth try of this minute, and two more
		a, body = post(t, newBrowser(t, nil), base+"/sign-in", url.Values{"code": {"AAAA-AAAA"}})
	}
	if a.StatusCode != http.StatusTooManyRequests || a.Header.Get("Retry-After") != "12" || !strings.Contains(body, "Wait 12 seconds") {
		t.Errorf("guessing: %d, %q\n%s", a.StatusCode, a.Header.Get("Retry-After"), body)
	}
	if a, _ := post(t, c, base+"/sign-out", nil); a.StatusCode != http.StatusSeeOther {
		t.Errorf("signing out: %d", a.StatusCode)
	}
	if a, _ := get(t, c, base+"/jobs"); a.StatusCode != http.StatusSeeOther {
		t.Errorf("signed out: %d", a.StatusCode)
	}
	// A name of another site that has been pointed here.
	r, err := http.NewRequestWithContext(t.Context(), http.MethodGet, base+"/sign-in", nil)
	if err != nil {
		t.Fatal(err)
	}
	r.Host = "evil.example"
	if a, _ := do(t, c, r); a.StatusCode != http.StatusMisdirectedRequest {
		t.Errorf("another host's name: %d", a.StatusCode)
	}
	if strings.Contains(w.log.String(), code.Code) || strings.Contains(w.log.String(), strings.ReplaceAll(code.Code, "-", "")) {
		t.Error("the log holds the code")
	}
}

func TestNoPages(t *testing.T) {
	t.Parallel()
	w := newWorkshop(t, nil)
	c := newBrowser(t, nil)
	code, err := w.office.Code(t.Context(), "")
	if err != nil {
		t.Fatal(err)
	}
	post(t, c, "http://"+w.pages+"/sign-in", url.Values{"code": {code.Code}})
	if a, body := get(t, c, "http://"+w.pages+"/"); a.StatusCode != http.StatusOK || !strings.Contains(body, "no pages") {
		t.Errorf("got %d %q", a.StatusCode, body)
	}
}

// Over HTTPS the cookie travels over HTTPS only, by the workshop's certificate
// or by one of the hub's own making, which stays the same.
func TestPagesTLS(t *testing.T) {
	t.Parallel()
	c := newClock()
	book := newBook(t, c.now)
	hosts := []string{"127.0.0.1", "hub.example"}
	config, err := hub.PagesTLS(book, "", "", hosts, c.now())
	if err != nil {
		t.Fatal(err)
	}
	leaf := func(config *tls.Config) *x509.Certificate {
		t.Helper()
		x, err := x509.ParseCertificate(config.Certificates[0].Certificate[0])
		if err != nil {
			t.Fatal(err)
		}
		return x
	}
	first := leaf(config)
	for _, x := range []struct {
		name  string
		hosts []string
		now   time.Time
		same  bool
	}{
		{"the same", hosts, c.now(), true},
		{"fewer", hosts[:1], c.now(), true},
		{"one more", append(hosts, "10.0.0.1"), c.now(), false},
		{"two years later", hosts, c.now().AddDate(2, 3, 0), false},
		{"a clock that was ahead", hosts, c.now(), false},
	} {
		config, err := hub.PagesTLS(book, "", "", x.hosts, x.now)
		if err != nil {
			t.Fatal(err)
		}
		if got := leaf(config).Equal(first); got != x.same {
			t.Errorf("%s: the same certificate %v, want %v", x.name, got, x.same)
		}
		if first = leaf(config); first.NotAfter.Sub(first.NotBefore) > 825*24*time.Hour {
			t.Errorf("%s: good from %v to %v", x.name, first.NotBefore, first.NotAfter)
		}
	}
	if _, err := hub.PagesTLS(book, filepath.Join(t.TempDir(), "none"), "", hosts, c.now()); err == nil {
		t.Error("a certificate that is not there: got none")
	}

	config, err = hub.PagesTLS(book, "", "", hosts, time.Now())
	if err != nil {
		t.Fatal(err)
	}
	sessions := hub.NewSessions(c.now, strings.NewReader(strings.Repeat("random bytes ", 100)))
	server := httptest.NewUnstartedServer(hub.Behind(sessions, http.NotFoundHandler()))
	server.TLS = config
	server.StartTLS()
	defer server.Close()
	roots := x509.NewCertPool()
	roots.AddCert(leaf(config))
	browser := newBrowser(t, &http.Transport{TLSClientConfig: &tls.Config{RootCAs: roots}})
	code, err := sessions.Code("")
	if err != nil {
		t.Fatal(err)
	}
	a, _ := post(t, browser, server.URL+"/sign-in", url.Values{"code": {code.Code}})
	if k := a.Cookies(); a.StatusCode != http.StatusSeeOther || len(k) != 1 || !k[0].Secure || k[0].Name != "__Host-session" {
		t.Errorf("%d, cookies %v", a.StatusCode, k)
	}
	if a, _ := get(t, browser, server.URL+"/"); a.StatusCode != http.StatusNotFound {
		t.Errorf("signed in: %d, want the handler's %d", a.StatusCode, http.StatusNotFound)
	}
}

// The console and plain pages are for this machine only; a hub that does not
// start leaves nothing behind.
func TestListenersRefused(t *testing.T) {
	t.Parallel()
	c := newClock()
	book := newBook(t, c.now)
	everywhere := func() net.Listener { return elsewhere{listen(t)} }
	for name, l := range map[string]hub.Listeners{
		"no devices":                   {},
		"a console that all can reach": {Devices: listen(t), Console: everywhere()},
		"plain pages that all can see": {Devices: listen(t), Pages: everywhere()},
	} {
		l.ConsoleFile = hub.ConsoleFile(book.Path())
		s, err := hub.New(hub.Options{Book: book, Roster: openRoster(t, book, c)})
		if err != nil {
			t.Fatal(err)
		}
		if err := s.Run(t.Context(), l); err == nil {
			t.Errorf("%s: it runs", name)
		}
		if _, err := os.Stat(l.ConsoleFile); err == nil {
			t.Errorf("%s: it left %s behind", name, l.ConsoleFile)
		}
		for _, x := range []net.Listener{l.Devices, l.Console, l.Pages} {
			if x != nil {
				if c, err := x.Accept(); err == nil {
					c.Close()
					t.Errorf("%s: it still listens", name)
				}
			}
		}
	}
}

// elsewhere is a listener that says it is not on loopback.
type elsewhere struct{ net.Listener }

func (elsewhere) Addr() net.Addr { return &net.TCPAddr{IP: net.IPv4(192, 0, 2, 1), Port: 7443} }
