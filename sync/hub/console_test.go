package hub_test

import (
	"encoding/json"
	"errors"
	"io/fs"
	"net/http"
	"os"
	"regexp"
	"runtime"
	"strings"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"

	"pinchrod/store/journal"
	"pinchrod/sync/hub"
	"pinchrod/sync/hub/door"
	"pinchrod/sync/hub/invite"
	"pinchrod/sync/remote"
)

// The office of a running hub, through its console.
func TestConsole(t *testing.T) {
	t.Parallel()
	w := newWorkshop(t, nil)
	info, err := os.Stat(w.file)
	if err != nil {
		t.Fatal(err)
	}
	if runtime.GOOS != "windows" && info.Mode().Perm() != 0o600 {
		t.Errorf("the console's file has mode %v, want 0600", info.Mode())
	}
	i, err := w.office.Invite(t.Context(), hub.Terms{Role: door.Surveyor, Name: "van", Jobs: []journal.ID{newJob(1)}, Lasts: time.Hour}, nil)
	if err != nil {
		t.Fatal(err)
	}
	if d := cmp.Diff([]string{w.address}, i.Addresses); d != "" {
		t.Errorf("addresses (-want +got)\n%s", d)
	}
	open, err := w.office.Invitations(t.Context())
	if err != nil || len(open) != 1 || !open[0].Expires.Equal(i.Expires) {
		t.Errorf("open: %+v, %v", open, err)
	}
	// As it would be sent.
	text, err := i.Encode()
	if err != nil {
		t.Fatal(err)
	}
	if i, err = invite.Parse(invite.Grouped(text)); err != nil {
		t.Fatal(err)
	}
	d := w.newWorker()
	if _, err := remote.Join(t.Context(), i, d.book.Identity(), d.book.Signer(), "", nil); err != nil {
		t.Fatal(err)
	}
	d.write(newJob(1), 2)
	head := d.mustSync().Receipt.Head
	if err := w.office.Assign(t.Context(), d.book.Device(), newJob(3)); err != nil {
		t.Fatal(err)
	}
	if err := w.office.Unassign(t.Context(), d.book.Device(), newJob(1)); err != nil {
		t.Fatal(err)
	}
	want := hub.Device{
		Identity: d.book.Identity(), Name: "van", Role: door.Surveyor, Enrolled: w.clock.now(), Seen: w.clock.now(), Head: head,
		Jobs: []journal.ID{newJob(3)}, Began: []journal.ID{newJob(1)}, Off: []journal.ID{newJob(1)},
	}
	var got []hub.Device
	for got == nil || got[0].Seen.IsZero() { // it is noted after the answer
		if got, err = w.office.Devices(t.Context()); err != nil {
			t.Fatal(err)
		}
	}
	if d := cmp.Diff([]hub.Device{want}, got); d != "" {
		t.Errorf("devices (-want +got)\n%s", d)
	}
	s, err := w.office.Status(t.Context())
	if err != nil {
		t.Fatal(err)
	}
	if !s.Running || !s.Started.Equal(w.clock.now()) || s.Devices != 1 || s.Connections != 1 || s.Pages != 2 || s.Fingerprint != i.Hub {
		t.Errorf("status: %+v", s)
	}
	if err := w.office.Revoke(t.Context(), newJob(9)); !errors.Is(err, door.ErrNotFound) {
		t.Errorf("revoking nobody: got %v, want %v", err, door.ErrNotFound)
	}
	if _, err := w.office.Invite(t.Context(), hub.Terms{}, nil); err == nil || !strings.Contains(err.Error(), "surveyor or bench") {
		t.Errorf("an invitation to nothing: got %v", err)
	}

	if err := w.stop(); err != nil {
		t.Error(err)
	}
	if _, err := os.Stat(w.file); !errors.Is(err, fs.ErrNotExist) {
		t.Errorf("the file of a hub that has stopped: %v", err)
	}
	if _, err := w.office.Status(t.Context()); err == nil {
		t.Error("a hub that has stopped answers")
	}
}

// Only who has the token is the office.
func TestConsoleToken(t *testing.T) {
	t.Parallel()
	w := newWorkshop(t, nil)
	url := "http://" + w.console + "/office/code"
	for name, auth := range map[string]string{"none": "", "wrong": "Bearer " + strings.Repeat("0", 32), "empty": "Bearer "} {
		a, body := post(t, http.DefaultClient, url, nil, "Authorization", auth)
		if a.StatusCode != http.StatusForbidden || strings.Contains(body, "Code") {
			t.Errorf("%s: %d %q", name, a.StatusCode, body)
		}
	}
	// A file that is left over from another hub, or from none.
	var c struct{ Address, Token string }
	b, err := os.ReadFile(w.file)
	if err != nil {
		t.Fatal(err)
	}
	if err := json.Unmarshal(b, &c); err != nil {
		t.Fatal(err)
	}
	closed := listen(t)
	closed.Close()
	for name, x := range map[string]struct{ Address, Token string }{
		"another hub's": {c.Address, strings.Repeat("0", 32)},
		"no hub's":      {closed.Addr().String(), c.Token},
	} {
		b, err := json.Marshal(x)
		if err != nil {
			t.Fatal(err)
		}
		file := t.TempDir() + "/book.console"
		if err := os.WriteFile(file, b, 0o600); err != nil {
			t.Fatal(err)
		}
		if _, err := hub.Call(t.Context(), file); !errors.Is(err, hub.ErrNotRunning) {
			t.Errorf("%s: got %v, want %v", name, err, hub.ErrNotRunning)
		}
		if err := os.WriteFile(file, []byte(`{"Address":"192.0.2.1:80","Token":"x"}`), 0o600); err != nil {
			t.Fatal(err)
		}
		if _, err := hub.Call(t.Context(), file); err == nil || !strings.Contains(err.Error(), "not on this machine") {
			t.Errorf("a file that points elsewhere: got %v", err)
		}
	}
	if strings.Contains(w.log.String(), c.Token) {
		t.Error("the log holds the token")
	}
}

// The metrics are in the OpenMetrics text format, and count.
func TestMetrics(t *testing.T) {
	t.Parallel()
	w := newWorkshop(t, nil)
	d := w.join(door.Surveyor)
	d.write(newJob(1), 3)
	d.mustSync()
	status, _, err := w.request(w.transport(w.newWorker().book.Signer()), http.MethodPost, door.Meet, nil)
	if err != nil || status != http.StatusUnauthorized {
		t.Errorf("not enrolled: %d, %v", status, err)
	}
	w.clock.advance(90 * time.Second)
	var text string
	for !strings.Contains(text, "receipt_age_seconds{") { // it is noted after the answer
		var a *http.Response
		a, text = get(t, http.DefaultClient, "http://"+w.console+"/metrics")
		if a.StatusCode != http.StatusOK || a.Header.Get("Content-Type") != "application/openmetrics-text; version=1.0.0; charset=utf-8" {
			t.Fatalf("%d %q", a.StatusCode, a.Header.Get("Content-Type"))
		}
	}
	sample := regexp.MustCompile(`^[a-z_]+(\{[a-z]+="[^"]*"(,[a-z]+="[^"]*")*\})? [0-9.e+-]+$`)
	family := ""
	lines := strings.Split(text, "\n")
	for i, line := range lines[:len(lines)-2] {
		if name, ok := strings.CutPrefix(line, "# TYPE "); ok {
			family, _, _ = strings.Cut(name, " ")
			continue
		}
		if strings.HasPrefix(line, "# HELP "+family+" ") {
			continue
		}
		if !sample.MatchString(line) || !strings.HasPrefix(line, family) {
			t.Errorf("line %d of %s: %q", i+1, family, line)
		}
	}
	if got := lines[len(lines)-2:]; got[0] != "# EOF" || got[1] != "" {
		t.Errorf("it ends with %q", got)
	}
	device := d.book.Device()
	for _, want := range []string{
		`pinchrod_requests_total{route="meet",outcome="ok"} 1`,
		`pinchrod_requests_total{route="join",outcome="ok"} 1`,
		`pinchrod_requests_total{route="none",outcome="not enrolled"} 1`,
		`pinchrod_refusals_total{reason="none: not enrolled"} 1`,
		`pinchrod_pages_taken_total 3`,
		`pinchrod_devices_joined_total 1`,
		`pinchrod_connections{of="devices"} 1`,
		`pinchrod_receipt_age_seconds{device="` + device.String() + `",tag="` + device.Tag() + `"} 90`,
		`pinchrod_uptime_seconds 90`,
	} {
		if !strings.Contains(text, want+"\n") {
			t.Errorf("want %s in\n%s", want, text)
		}
	}
	if a, body := get(t, http.DefaultClient, "http://"+w.console+"/healthz"); a.StatusCode != http.StatusOK || body != "ok\n" {
		t.Errorf("healthz: %d %q", a.StatusCode, body)
	}
}
