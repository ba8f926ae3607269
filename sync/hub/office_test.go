package hub_test

import (
	"context"
	"errors"
	"io"
	"log/slog"
	"net"
	"net/http"
	"os"
	"path/filepath"
	"strings"
	"testing"

	"github.com/google/go-cmp/cmp"

	"pinchrod/store"
	"pinchrod/sync/hub"
	"pinchrod/sync/hub/door"
	"pinchrod/sync/parcel"
)

// The office says the same whether it is asked at the book or through the
// console.
func TestOfficeThroughConsole(t *testing.T) {
	t.Parallel()
	jobs := []hub.Job{{ID: newJob(1), Name: "the mill"}}
	var troubled error
	w := newWorkshop(t, func(o *hub.Options) { o.Jobs = func() ([]hub.Job, error) { return jobs, troubled } })
	anna := w.join(door.Surveyor, newJob(1))
	anna.write(newJob(1), 2)
	anna.mustSync()
	local, err := hub.LocalOffice(w.book, w.roster, nil, func() ([]hub.Job, error) { return jobs, troubled }, nil)
	if err != nil {
		t.Fatal(err)
	}
	if _, err := w.office.Invite(t.Context(), hub.Terms{Role: door.Bench, Name: "desk"}, []string{"hub.example:1"}); err != nil {
		t.Fatal(err)
	}
	for name, ask := range map[string]func(hub.Office) (any, error){
		"jobs":        func(o hub.Office) (any, error) { return o.Jobs(t.Context()) },
		"invitations": func(o hub.Office) (any, error) { return o.Invitations(t.Context()) },
		"no such":     func(o hub.Office) (any, error) { return nil, o.Assign(t.Context(), newJob(9), newJob(1)) },
		"no such off": func(o hub.Office) (any, error) { return nil, o.Unassign(t.Context(), newJob(9), newJob(1)) },
		"no parcel":   func(o hub.Office) (any, error) { return o.Answer(t.Context(), []string{"/no/such"}, "/no/answer") },
		"no address": func(o hub.Office) (any, error) {
			return o.Invite(t.Context(), hub.Terms{Role: door.Bench}, []string{"no port"})
		},
		"nothing to forget": func(o hub.Office) (any, error) { return o.Forget(t.Context(), newJob(7)) },
	} {
		want, err := ask(local)
		got, err2 := ask(w.office)
		if d := cmp.Diff(want, got); d != "" {
			t.Errorf("%s (-at the book +through the console)\n%s", name, d)
		}
		if (err == nil) != (err2 == nil) || err != nil && err.Error() != err2.Error() || errors.Is(err, door.ErrNotFound) != errors.Is(err2, door.ErrNotFound) {
			t.Errorf("%s: at the book %v, through the console %v", name, err, err2)
		}
	}
	troubled = errors.New("the jobs have no names")
	if _, err := w.office.Jobs(t.Context()); err == nil || err.Error() != troubled.Error() || errors.Is(err, door.ErrNotFound) {
		t.Errorf("got %v, want %v", err, troubled)
	}
	code, err := w.office.Code(t.Context(), "cleo")
	if err != nil || len(code.Code) != 9 || !code.Expires.After(w.clock.now()) {
		t.Errorf("a code: %+v, %v", code, err)
	}
	if s, err := local.Status(t.Context()); err != nil || s.Devices != 1 || s.Running || s.Connections != 0 {
		t.Errorf("status at the book: %+v, %v", s, err)
	}
	if err := w.office.Revoke(t.Context(), anna.book.Device()); err != nil {
		t.Fatal(err)
	}
	if s, err := w.office.Status(t.Context()); err != nil || s.Devices != 0 || s.Pages != 2 || !s.Running {
		t.Errorf("status: %+v, %v", s, err)
	}
	if log := w.log.String(); !strings.Contains(log, "a device is revoked") || !strings.Contains(log, anna.book.Device().String()) {
		t.Errorf("the log does not tell of the revoked device:\n%s", log)
	}
}

// What is no call of the office is refused, whoever makes it.
func TestConsoleRefuses(t *testing.T) {
	t.Parallel()
	w := newWorkshop(t, nil)
	b, err := os.ReadFile(w.file)
	if err != nil {
		t.Fatal(err)
	}
	_, token, _ := strings.Cut(string(b), `"Token":"`)
	token, _, _ = strings.Cut(token, `"`)
	for name, x := range map[string]struct {
		method, path, body string
		want               int
		says               string
	}{
		"what it does not do": {http.MethodPost, "/office/paint", "{}", http.StatusUnprocessableEntity, `"notFound":true`},
		"a device of nobody":  {http.MethodPost, "/office/revoke", "{}", http.StatusUnprocessableEntity, `"notFound":true`},
		"not JSON":            {http.MethodPost, "/office/status", "hello", http.StatusBadRequest, ""},
		"a huge call":         {http.MethodPost, "/office/code", `{"name":"` + strings.Repeat("x", 64<<10) + `"}`, http.StatusBadRequest, ""},
		"by another method":   {http.MethodGet, "/office/status", "", http.StatusMethodNotAllowed, ""},
		"another path":        {http.MethodPost, "/offices", "{}", http.StatusNotFound, ""},
		"status":              {http.MethodPost, "/office/status", "{}", http.StatusOK, `"Running":true`},
	} {
		r, err := http.NewRequestWithContext(t.Context(), x.method, "http://"+w.console+x.path, strings.NewReader(x.body))
		if err != nil {
			t.Fatal(err)
		}
		r.Header.Set("Authorization", "Bearer "+token)
		if a, body := do(t, http.DefaultClient, r); a.StatusCode != x.want || !strings.Contains(body, x.says) {
			t.Errorf("%s: %d %q, want %d and %q", name, a.StatusCode, body, x.want, x.says)
		}
	}
	_, metrics := get(t, http.DefaultClient, "http://"+w.console+"/metrics")
	for _, want := range []string{`{route="console",outcome="ok"}`, `{route="console",outcome="not found"} 2`} {
		if !strings.Contains(metrics, want) {
			t.Errorf("want %s in\n%s", want, metrics)
		}
	}
	for name, file := range map[string]string{"not JSON": "x", "no port": `{"Address":"127.0.0.1","Token":"x"}`, "a name": `{"Address":"localhost:1","Token":"x"}`} {
		path := t.TempDir() + "/book.console"
		if err := os.WriteFile(path, []byte(file), 0o600); err != nil {
			t.Fatal(err)
		}
		if _, err := hub.Call(t.Context(), path); err == nil || errors.Is(err, hub.ErrNotRunning) || !strings.Contains(err.Error(), path) {
			t.Errorf("a console's file with %s: got %v", name, err)
		}
	}
	if _, err := hub.Call(t.Context(), t.TempDir()); err == nil || errors.Is(err, hub.ErrNotRunning) {
		t.Errorf("a folder for a console's file: got %v", err)
	}
}

// Pages without a hub: for this machine, or by HTTPS behind a sign-in.
func TestServePages(t *testing.T) {
	t.Parallel()
	pages := http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) { _, _ = io.WriteString(w, "the bench, "+hub.SignedIn(r)) })
	quiet := slog.New(slog.DiscardHandler)
	c := newClock()
	sessions := hub.NewSessions(c.now, strings.NewReader(strings.Repeat("random bytes ", 100)))
	config, err := hub.PagesTLS(newBook(t, c.now), "", "", []string{"127.0.0.1"}, c.now())
	if err != nil {
		t.Fatal(err)
	}
	for name, serve := range map[string]func(net.Listener) error{
		"plain":             func(l net.Listener) error { return hub.ServePages(t.Context(), l, nil, sessions, pages, quiet) },
		"without a sign-in": func(l net.Listener) error { return hub.ServePages(t.Context(), l, config, nil, pages, quiet) },
	} {
		l := listen(t)
		if err := serve(elsewhere{l}); err == nil || !strings.Contains(err.Error(), "HTTPS and a sign-in") {
			t.Errorf("%s, for all to see: got %v", name, err)
		}
		if conn, err := l.Accept(); err == nil {
			conn.Close()
			t.Errorf("%s: it still listens", name)
		}
	}
	for name, x := range map[string]struct {
		sessions *hub.Sessions
		status   int
		body     string
	}{"whoever is here": {nil, http.StatusOK, "the bench, "}, "signed in": {sessions, http.StatusSeeOther, ""}} {
		l := listen(t)
		ctx, cancel := context.WithCancel(t.Context())
		done := make(chan error, 1)
		go func() { done <- hub.ServePages(ctx, l, nil, x.sessions, pages, quiet) }()
		base := "http://" + l.Addr().String()
		if a, body := get(t, newBrowser(t, nil), base+"/"); a.StatusCode != x.status || x.body != "" && body != x.body {
			t.Errorf("%s: %d %q, want %d %q", name, a.StatusCode, body, x.status, x.body)
		}
		for host, want := range map[string]int{
			"localhost": x.status, "localhost:80": x.status, "127.0.0.2:1": x.status, "[::1]:80": x.status,
			"192.0.2.1": http.StatusMisdirectedRequest, "evil.example:80": http.StatusMisdirectedRequest,
		} {
			r, err := http.NewRequestWithContext(t.Context(), http.MethodGet, base+"/", nil)
			if err != nil {
				t.Fatal(err)
			}
			r.Host = host
			if a, _ := do(t, newBrowser(t, nil), r); a.StatusCode != want {
				t.Errorf("%s, asked for as %q: %d, want %d", name, host, a.StatusCode, want)
			}
		}
		cancel()
		if err := <-done; err != nil {
			t.Errorf("%s: stopped: %v", name, err)
		}
		l = listen(t)
		l.Close()
		if err := hub.ServePages(t.Context(), l, nil, nil, pages, quiet); err == nil || !strings.Contains(err.Error(), "serving") {
			t.Errorf("%s: a listener that fails: got %v", name, err)
		}
	}
}

// The office takes in a parcel that is sealed for its hub, from a device that is
// let in, and writes an answer for it.
func TestAnswer(t *testing.T) {
	t.Parallel()
	c := newClock()
	book, d := newBook(t, c.now), newBook(t, c.now)
	r := openRoster(t, book, c)
	office, err := hub.LocalOffice(book, r, nil, nil, nil)
	if err != nil {
		t.Fatal(err)
	}
	key, err := hub.ParcelIdentity(book)
	if err != nil {
		t.Fatal(err)
	}
	if _, err := d.Append(store.Draft{Job: newJob(1), Payload: []byte{0xa0}}, store.Draft{Job: newJob(1), Payload: []byte{0xa1, 1, 1}}); err != nil {
		t.Fatal(err)
	}
	dir := t.TempDir()
	sent, err := parcel.Write(t.Context(), filepath.Join(dir, "sent"), d, d.Signer(), c.now(), parcel.Contents{Own: true}, parcel.Options{Seal: key.Recipient().String()})
	if err != nil {
		t.Fatal(err)
	}
	name := filepath.Join(dir, "answer")
	if _, err := office.Answer(t.Context(), sent.Files, name); !errors.Is(err, door.ErrNotEnrolled) || !strings.Contains(err.Error(), d.Device().Tag()) {
		t.Errorf("from a stranger: got %v, want %v", err, door.ErrNotEnrolled)
	}
	if _, err := r.Join(invited(t, r, hub.Terms{Role: door.Surveyor}), d.Identity(), d.Identity().Key, ""); err != nil {
		t.Fatal(err)
	}
	for range 2 { // the second takes the place of the first
		got, err := office.Answer(t.Context(), sent.Files, name)
		if err != nil {
			t.Fatal(err)
		}
		want := hub.Answered{Device: d.Device(), Pages: 2, Head: 2, Files: got.Files}
		if diff := cmp.Diff(want, got); diff != "" || len(got.Files) == 0 {
			t.Errorf("(-want +got)\n%s", diff)
		}
		for _, f := range got.Files {
			if _, err := os.Stat(f); err != nil || filepath.Dir(f) != dir {
				t.Errorf("the answer %s: %v", f, err)
			}
		}
	}
	if reader, err := r.Rights(d.Identity().Key); err != nil || !reader.Jobs[newJob(1)] {
		t.Errorf("the job that came by parcel is not the device's: %v, %v", reader.Jobs, err)
	}
	if err := office.Revoke(t.Context(), d.Device()); err != nil {
		t.Fatal(err)
	}
	if _, err := office.Answer(t.Context(), sent.Files, name); !errors.Is(err, door.ErrRevoked) {
		t.Errorf("from one that is revoked: got %v, want %v", err, door.ErrRevoked)
	}
}
