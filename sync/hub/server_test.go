package hub_test

import (
	"context"
	"io"
	"net"
	"net/http"
	"net/netip"
	"net/url"
	"strings"
	"testing"
	"time"

	"pinchrod/sync/hub"
	"pinchrod/sync/hub/door"
)

// What is answered before a device has joined, and by which methods.
func TestBeforeJoining(t *testing.T) {
	t.Parallel()
	w := newWorkshop(t, nil)
	for _, x := range []struct {
		method, path string
		want         int
		body         string
	}{
		{http.MethodGet, door.Health, http.StatusOK, "ok\n"},
		{http.MethodHead, door.Health, http.StatusOK, ""},
		{http.MethodPost, door.Health, http.StatusBadRequest, ""},
		{http.MethodGet, door.Join, http.StatusBadRequest, ""},
		{http.MethodPut, door.Join, http.StatusBadRequest, ""},
		{http.MethodGet, door.Meet, http.StatusUnauthorized, ""},
		{http.MethodGet, "/healthz%2f", http.StatusNotFound, ""},
	} {
		status, body, err := w.request(w.transport(w.newWorker().book.Signer()), x.method, x.path, nil)
		if err != nil || status != x.want || x.want == http.StatusOK && string(body) != x.body {
			t.Errorf("%s %s: %d %q, %v, want %d %q", x.method, x.path, status, body, err, x.want, x.body)
		}
	}
}

// A page that panics is that request's trouble only, and whoever runs the hub is
// told of it.
func TestPanic(t *testing.T) {
	t.Parallel()
	w := newWorkshop(t, func(o *hub.Options) {
		o.Pages = http.HandlerFunc(func(_ http.ResponseWriter, r *http.Request) {
			if r.URL.Path == "/bad" {
				panic("a bad page")
			}
		})
	})
	c := newBrowser(t, nil)
	code, err := w.office.Code(t.Context(), "")
	if err != nil {
		t.Fatal(err)
	}
	post(t, c, "http://"+w.pages+"/sign-in", url.Values{"code": {code.Code}})
	if a, err := c.Get("http://" + w.pages + "/bad"); err == nil {
		a.Body.Close()
		t.Errorf("it is answered: %d", a.StatusCode)
	}
	if a, _ := get(t, c, "http://"+w.pages+"/good"); a.StatusCode != http.StatusOK {
		t.Errorf("another page: %d", a.StatusCode)
	}
	if log := w.log.String(); !strings.Contains(log, "reason=panic") || !strings.Contains(log, "a bad page") || !strings.Contains(log, "server_test.go") {
		t.Errorf("the log does not say what and where:\n%s", log)
	}
}

// A stop waits a while for what is under way, and a while after it was cut off;
// then it says what has not ended.
func TestStopGivesUp(t *testing.T) {
	t.Parallel()
	begun, let := make(chan bool, 1), make(chan struct{})
	defer close(let)
	w, s := newShutWorkshop(t, func(o *hub.Options) {
		o.Limits.Stop = 20 * time.Millisecond
		o.Pages = http.HandlerFunc(func(http.ResponseWriter, *http.Request) {
			begun <- true
			<-let
		})
	})
	l := hub.Listeners{Devices: listen(t), Console: listen(t), ConsoleFile: w.file, Pages: listen(t)}
	base := "http://" + l.Pages.Addr().String()
	ctx, cancel := context.WithCancel(t.Context())
	done := make(chan error, 1)
	go func() { done <- s.Run(ctx, l) }()
	w.reach()
	code, err := w.office.Code(t.Context(), "")
	if err != nil {
		t.Fatal(err)
	}
	c := newBrowser(t, nil)
	post(t, c, base+"/sign-in", url.Values{"code": {code.Code}})
	ended := make(chan error, 1)
	go func() {
		a, err := c.Get(base + "/slow")
		if err == nil {
			_, err = io.Copy(io.Discard, a.Body)
			a.Body.Close()
		}
		ended <- err
	}()
	<-begun
	cancel()
	if err := <-done; err == nil || !strings.Contains(err.Error(), "some requests were cut off") || !strings.Contains(err.Error(), "some requests have not ended") {
		t.Errorf("stopped: %v, want to be told that a request was cut off and has not ended", err)
	}
	if err := <-ended; err == nil {
		t.Error("who asked is answered")
	}
}

// A hub that listens at all of this machine's addresses names them in its
// invitations, a few of them, IPv4 first; one that listens at one names that.
func TestOwnAddresses(t *testing.T) {
	t.Parallel()
	for _, everywhere := range []bool{false, true} {
		w, s := newShutWorkshop(t, nil)
		l := hub.Listeners{Devices: listen(t), Console: listen(t), ConsoleFile: w.file}
		if everywhere {
			l.Devices = unspecified{l.Devices}
		}
		w.open(s, l)
		w.reach()
		status, err := w.office.Status(t.Context())
		if err != nil {
			t.Fatal(err)
		}
		if !everywhere {
			if len(status.Addresses) != 1 || status.Addresses[0] != l.Devices.Addr().String() {
				t.Errorf("addresses %v, want %v", status.Addresses, l.Devices.Addr())
			}
			continue
		}
		own, err := net.InterfaceAddrs()
		if err != nil {
			t.Fatal(err)
		}
		six, global := false, 0
		for _, a := range own {
			if n, ok := a.(*net.IPNet); ok && n.IP.IsGlobalUnicast() {
				global++
			}
		}
		if want := min(global, 3); len(status.Addresses) != want {
			t.Errorf("addresses %v, want %d", status.Addresses, want)
		}
		for _, a := range status.Addresses {
			at, err := netip.ParseAddrPort(a)
			if err != nil || at.Port() != 7443 || !at.Addr().IsGlobalUnicast() || six && at.Addr().Is4() {
				t.Errorf("addresses %v: %v of port 7443, IPv4 first", status.Addresses, err)
			}
			six = six || at.Addr().Is6()
		}
	}
}

// unspecified is a listener that says that it is at every address.
type unspecified struct{ net.Listener }

func (unspecified) Addr() net.Addr { return &net.TCPAddr{IP: net.IPv4zero, Port: 7443} }
