package main

import (
	"bufio"
	"crypto/ecdsa"
	"crypto/elliptic"
	"crypto/rand"
	"crypto/tls"
	"crypto/x509"
	"crypto/x509/pkix"
	"encoding/pem"
	"io"
	"math/big"
	"net"
	"net/http"
	"net/http/cookiejar"
	"net/url"
	"os"
	"os/exec"
	"path/filepath"
	"regexp"
	"strings"
	"testing"
	"time"

	"golang.org/x/net/html"
)

// said starts a program and waits until it says something on its standard error,
// of which it gives the first group.
func said(t *testing.T, c *exec.Cmd, what string) []string {
	t.Helper()
	errs, err := c.StderrPipe()
	if err != nil {
		t.Fatal(err)
	}
	if err := c.Start(); err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { c.Process.Kill(); c.Wait() })
	found := make(chan []string, 1)
	all := new(strings.Builder)
	go func() {
		in := bufio.NewScanner(errs)
		for told := false; in.Scan(); {
			if told {
				continue
			}
			all.WriteString(in.Text() + "\n")
			if m := regexp.MustCompile(what).FindStringSubmatch(all.String()); m != nil {
				told = true
				found <- m
			}
		}
		close(found)
	}()
	select {
	case m := <-found:
		if m == nil {
			t.Fatalf("%v ended without saying %q", c.Args[1:], what)
		}
		return m
	case <-time.After(20 * time.Second):
		t.Fatalf("%v does not say %q", c.Args[1:], what)
	}
	return nil
}

// ended interrupts a program, which must then leave with 0.
func ended(t *testing.T, c *exec.Cmd) {
	t.Helper()
	if err := c.Process.Signal(os.Interrupt); err != nil {
		t.Fatal(err)
	}
	if err := c.Wait(); err != nil {
		t.Errorf("%v interrupted: %v, want no error", c.Args[1:], err)
	}
}

// A browser without a window: a client with cookies, at one site.
type browser struct {
	t    *testing.T
	base string
	http *http.Client
}

func newBrowser(t *testing.T, base string, trust *x509.CertPool) *browser {
	jar, err := cookiejar.New(nil)
	if err != nil {
		t.Fatal(err)
	}
	transport := &http.Transport{TLSClientConfig: &tls.Config{RootCAs: trust}}
	t.Cleanup(transport.CloseIdleConnections)
	return &browser{t, base, &http.Client{Jar: jar, Transport: transport, Timeout: 20 * time.Second}}
}

func (b *browser) answer(r *http.Response, err error) (int, string) {
	b.t.Helper()
	if err != nil {
		b.t.Fatal(err)
	}
	defer r.Body.Close()
	body, err := io.ReadAll(r.Body)
	if err != nil {
		b.t.Fatal(err)
	}
	return r.StatusCode, string(body)
}

func (b *browser) get(path string) string {
	b.t.Helper()
	code, body := b.answer(b.http.Get(b.base + path))
	if code != http.StatusOK {
		b.t.Fatalf("GET %s: %d\n%s", path, code, body)
	}
	return body
}

// send fills in the form with an id on a page and sends it.
func (b *browser) send(path, id string, fields map[string]string) (int, string) {
	b.t.Helper()
	doc, err := html.Parse(strings.NewReader(b.get(path)))
	if err != nil {
		b.t.Fatal(err)
	}
	attr := func(n *html.Node, key string) string {
		for _, a := range n.Attr {
			if a.Key == key {
				return a.Val
			}
		}
		return ""
	}
	for n := range doc.Descendants() {
		if n.Data != "form" || attr(n, "id") != id {
			continue
		}
		values := url.Values{}
		for in := range n.Descendants() {
			switch name := attr(in, "name"); {
			case name == "":
			case in.Data == "input" || in.Data == "textarea":
				values.Set(name, attr(in, "value"))
			case in.Data == "select": // its first
				for o := range in.ChildNodes() {
					if o.Data == "option" && !values.Has(name) {
						values.Set(name, attr(o, "value"))
					}
				}
			}
		}
		for name, v := range fields {
			if _, ok := values[name]; !ok {
				b.t.Fatalf("form %s of %s has no field %q", id, path, name)
			}
			values.Set(name, v)
		}
		return b.answer(b.http.PostForm(b.base+attr(n, "action"), values))
	}
	b.t.Fatalf("%s has no form %q", path, id)
	return 0, ""
}

// demoIn imports the demo's sheet into a device's book.
func demoIn(t *testing.T, dir string) {
	t.Helper()
	output(t, program(t, dir, "import", "../internal/cli/demo.csv", "--job", "Ropewalk"))
}

var jobLink = regexp.MustCompile(`href="(/job/[0-9a-f-]+)"`)

// The bench at its own machine: a page for the bay, what was cut written down on
// the sheet's, and the book free for other windows meanwhile.
func TestBenchServe(t *testing.T) {
	dir := t.TempDir()
	demoIn(t, dir)
	serve := program(t, dir, "bench", "serve", "--listen", "127.0.0.1:0")
	b := newBrowser(t, said(t, serve, `pages are at (http://\S+);`)[1], nil)
	job := jobLink.FindStringSubmatch(b.get("/"))
	if job == nil {
		t.Fatal("no job on the first page")
	}
	bay := job[1] + "/F1/left"
	if page := b.get(bay); !strings.Contains(page, "12") || !strings.Contains(page, "batch") {
		t.Errorf("the page of the bay says nothing of its 12 spindles\n%s", page)
	}
	// Another window writes, and the next page shows it.
	output(t, program(t, dir, "record", "F1/left", "gap", "--job", "Ropewalk", "--at", "700", "806.03"))
	if page := b.get(bay); !strings.Contains(page, "806.03") {
		t.Error("a reading taken in another window is not on the page")
	}
	code, page := b.send(bay+"/sheet", "spindle-A", map[string]string{"length": "806.1", "kept": "640", "by": "Ann"})
	if code != http.StatusOK || !strings.Contains(page, "806.1") || !strings.Contains(page, "Ann") {
		t.Errorf("what was cut, written down: %d\n%s", code, page)
	}
	if got := output(t, program(t, dir, "book", "--job", "Ropewalk")); !strings.Contains(got, "made: 12 spindles at 806.1 mm") {
		t.Errorf("the book does not have it:\n%s", got)
	}
	if code, _ := b.send(bay+"/sheet", "spindle-A", map[string]string{"length": "eight", "pieces": "1-3"}); code != http.StatusUnprocessableEntity {
		t.Errorf("a length in words: %d, want 422", code)
	}
	// What was cut again on site is an entry, and of a spindle a reading as well.
	code, page = b.send(bay, "recut", map[string]string{"number": "5", "length": "806.4", "by": "Ben"})
	noted := regexp.MustCompile(`Written down as (\S+-\d+)\.2\.`).FindStringSubmatch(page)
	if code != http.StatusOK || noted == nil {
		t.Fatalf("what was cut again, written down: %d\n%s", code, page)
	}
	if got := output(t, program(t, dir, "book", "--job", "Ropewalk")); !strings.Contains(got, "spindle 5 cut again at 806.4 mm") || !regexp.MustCompile(noted[1]+`\.1 .*trial piece`).MatchString(got) {
		t.Errorf("the book does not have %s.2 and its reading %s.1:\n%s", noted[1], noted[1], got)
	}
	// Whoever is at this machine is in, so nobody signs out.
	if strings.Contains(page, "Sign out") {
		t.Error("a page that needs no sign-in offers to sign out")
	}
	r, err := http.NewRequest(http.MethodGet, b.base, nil)
	if err != nil {
		t.Fatal(err)
	}
	r.Host = "bench.example"
	if code, _ := b.answer(b.http.Do(r)); code != http.StatusMisdirectedRequest {
		t.Errorf("as another site's name: %d, want 421", code)
	}
	ended(t, serve)
	output(t, program(t, dir, "verify"))
}

// The hub shows the same pages to who has signed in, and what is written down
// there reaches the devices.
func TestBenchAtTheHub(t *testing.T) {
	f := &fleet{t: t, dir: t.TempDir()}
	device := t.TempDir()
	output(t, f.program(f.dir, "hub", "create"))
	serve := f.program(f.dir, "hub", "serve", "--listen", "127.0.0.1:0", "--pages", "127.0.0.1:0")
	m := said(t, serve, `devices=(\S+)[\s\S]*where the pages are" address=(\S+)[\s\S]*the hub is open`)
	output(t, f.program(device, "join", strings.TrimSpace(output(t, f.program(f.dir, "hub", "invite", "--address", m[1])))))
	demoIn(t, device)
	output(t, f.program(device, "sync"))

	b := newBrowser(t, "http://"+m[2], nil)
	if page := b.get("/"); strings.Contains(page, "Ropewalk") || !strings.Contains(page, "code") {
		t.Errorf("who has not signed in is shown\n%s", page)
	}
	code := regexp.MustCompile(`[A-Z0-9]{4}[- ][A-Z0-9]{4}`).FindString(output(t, f.program(f.dir, "hub", "code", "Ben")))
	status, page := b.answer(b.http.PostForm(b.base+"/sign-in", url.Values{"code": {code}}))
	if status != http.StatusOK || !strings.Contains(page, "Ropewalk") {
		t.Fatalf("signed in with %q: %d\n%s", code, status, page)
	}
	bay := jobLink.FindStringSubmatch(page)[1] + "/F1/left"
	// Whose entry it is, the form knows.
	if status, page := b.send(bay+"/sheet", "base-fillet-A", map[string]string{"length": "114.4"}); status != http.StatusOK {
		t.Fatalf("what was cut, written down: %d\n%s", status, page)
	}
	output(t, f.program(device, "sync"))
	if got := output(t, f.program(device, "book", "--job", "Ropewalk")); !strings.Contains(got, "made: 12 base fillets at 114.4 mm") || !strings.Contains(got, "Ben") {
		t.Errorf("on the device after a sync:\n%s", got)
	}
	output(t, f.program(device, "verify"))
	if status, page := b.send("/", "sign-out", nil); status != http.StatusOK || strings.Contains(page, "Ropewalk") {
		t.Errorf("signed out: %d\n%s", status, page)
	}
	if page := b.get("/"); strings.Contains(page, "Ropewalk") || !strings.Contains(page, "code") {
		t.Errorf("who has signed out is shown\n%s", page)
	}
	ended(t, serve)
}

// Over HTTPS people sign in, each with a code of their own.
func TestBenchOverHTTPS(t *testing.T) {
	dir := t.TempDir()
	demoIn(t, dir)
	cert, key, pool := certificate(t, dir)
	serve := program(t, dir, "bench", "serve", "--listen", "127.0.0.1:0", "--cert", cert, "--key", key)
	names, err := serve.StdinPipe()
	if err != nil {
		t.Fatal(err)
	}
	if _, err := io.WriteString(names, "Cleo\n"); err != nil {
		t.Fatal(err)
	}
	m := said(t, serve, `pages are at (https://\S+);[\s\S]*bench signs in with the code (\S+)[\s\S]*Cleo signs in with the code (\S+)`)
	for _, code := range m[2:] {
		b := newBrowser(t, m[1], pool)
		if page := b.get("/"); strings.Contains(page, "Ropewalk") {
			t.Error("who has not signed in is shown the jobs")
		}
		for i, want := range []bool{true, false} {
			status, page := b.answer(b.http.PostForm(b.base+"/sign-in", url.Values{"code": {code}}))
			if got := status == http.StatusOK && strings.Contains(page, "Ropewalk"); got != want {
				t.Errorf("code %s, time %d: let in %t, want %t (%d)", code, i+1, got, want, status)
			}
		}
		if page := b.get("/"); !strings.Contains(page, "Ropewalk") {
			t.Error("who has signed in is not shown the jobs")
		}
		b.send("/", "sign-out", nil)
		if page := b.get("/"); strings.Contains(page, "Ropewalk") {
			t.Error("who has signed out is shown the jobs")
		}
	}
	ended(t, serve)
}

// certificate makes one for this machine that only the test trusts.
func certificate(t *testing.T, dir string) (cert, key string, pool *x509.CertPool) {
	t.Helper()
	k, err := ecdsa.GenerateKey(elliptic.P256(), rand.Reader)
	if err != nil {
		t.Fatal(err)
	}
	now := time.Now()
	template := &x509.Certificate{SerialNumber: big.NewInt(1), Subject: pkix.Name{CommonName: "bench"},
		NotBefore: now.Add(-time.Hour), NotAfter: now.Add(time.Hour), IPAddresses: []net.IP{net.IPv4(127, 0, 0, 1)}, IsCA: true, BasicConstraintsValid: true}
	der, err := x509.CreateCertificate(rand.Reader, template, template, k.Public(), k)
	if err != nil {
		t.Fatal(err)
	}
	raw, err := x509.MarshalPKCS8PrivateKey(k)
	if err != nil {
		t.Fatal(err)
	}
	cert, key = filepath.Join(dir, "cert.pem"), filepath.Join(dir, "key.pem")
	for name, b := range map[string]*pem.Block{cert: {Type: "CERTIFICATE", Bytes: der}, key: {Type: "PRIVATE KEY", Bytes: raw}} {
		if err := os.WriteFile(name, pem.EncodeToMemory(b), 0o600); err != nil {
			t.Fatal(err)
		}
	}
	pool = x509.NewCertPool()
	pool.AppendCertsFromPEM(pem.EncodeToMemory(&pem.Block{Type: "CERTIFICATE", Bytes: der}))
	return cert, key, pool
}
