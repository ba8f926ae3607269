package hub_test

import (
	"bytes"
	"crypto/ed25519"
	"crypto/tls"
	"errors"
	"io"
	"net"
	"net/http"
	"strconv"
	"strings"
	"testing"
	"testing/synctest"
	"time"

	"pinchrod/store"
	"pinchrod/sync/hub"
	"pinchrod/sync/hub/door"
	"pinchrod/sync/remote"
)

// A body that comes too slowly is given up, others are served meanwhile, and
// one that keeps coming is not.
func TestHostileSlow(t *testing.T) {
	t.Parallel()
	synctest.Test(t, func(t *testing.T) {
		w := newStillWorkshop(t, func(o *hub.Options) {
			o.Limits.Window, o.Limits.Progress = 20*time.Second, 100
		})
		anna, ben := w.join(door.Surveyor), w.join(door.Surveyor)
		anna.write(newJob(1), 2)
		ben.write(newJob(2), 2)
		// trickle begins a frame of 16 MiB, of which so many bytes come every five
		// seconds, and returns how long the hub takes them in.
		trickle := func(bytes int) (took time.Duration) {
			t.Helper()
			start := time.Now()
			body, feed := io.Pipe()
			given := make(chan struct{})
			go func() {
				defer close(given)
				_, answer, err := w.request(anna.raw, http.MethodPost, door.Meet, body)
				if code, refused := refusal(t, answer); err != nil || !refused || code != 0 {
					t.Errorf("%d bytes at a time: refusal %d (%v), %v", bytes, code, refused, err)
				}
			}()
			words := append(offerFrame(t, anna.book.Identity()), 3, 0x80, 0x80, 0x80, 0x08)
			for _, err := feed.Write(words); err == nil; _, err = feed.Write(make([]byte, bytes)) {
				if took = time.Since(start); took >= 5*time.Minute {
					feed.Close()
				}
				ben.mustSync() // the hub is not kept from the others
				time.Sleep(5 * time.Second)
			}
			<-given
			return took
		}
		if got := trickle(1); got < 15*time.Second || got > 40*time.Second {
			t.Errorf("a byte at a time is given up after %v, want 20 s and a window that was begun", got)
		}
		if got := trickle(40); got < 5*time.Minute {
			t.Errorf("40 bytes at a time, which is enough, are given up after %v", got)
		}

		// Nothing at all comes.
		body, feed := io.Pipe()
		defer feed.Close()
		start := time.Now()
		_, answer, err := w.request(anna.raw, http.MethodPost, door.Meet, body)
		if code, refused := refusal(t, answer); err != nil || !refused || code != 0 {
			t.Errorf("an empty body that does not end: refusal %d (%v), %v", code, refused, err)
		}
		if got := time.Since(start); got != 20*time.Second {
			t.Errorf("it is given up after %v, want 20 s", got)
		}
		if !strings.Contains(w.log.String(), `reason="meet: slow"`) {
			t.Errorf("the log does not say that it was slow")
		}
		anna.mustSync()
	})
}

// What a device has under way ends when it is revoked, by that and not because
// nothing more comes.
func TestHostileRevokedMeanwhile(t *testing.T) {
	t.Parallel()
	w := newWorkshop(t, func(o *hub.Options) { o.Limits.Window = time.Hour })
	anna := w.join(door.Surveyor)
	anna.write(newJob(1), 2)
	body, feed := io.Pipe()
	ended := make(chan bool, 1)
	go func() {
		_, answer, err := w.request(anna.raw, http.MethodPost, door.Meet, body)
		_, refused := refusal(t, answer)
		ended <- err != nil || refused // by whichever word is first
	}()
	if _, err := feed.Write(join(offerFrame(t, anna.book.Identity()), batchFrame(t, anna.book))); err != nil {
		t.Fatal(err)
	}
	for pages := 0; pages < 2; { // until what she sent is there
		heads, err := w.book.Heads()
		if err != nil {
			t.Fatal(err)
		}
		pages = int(heads[anna.book.Device()].Seq)
	}
	if err := w.office.Revoke(t.Context(), anna.book.Device()); err != nil {
		t.Fatal(err)
	}
	select {
	case cut := <-ended:
		if !cut {
			t.Error("the meeting went on to its end")
		}
	case <-time.After(10 * time.Second):
		t.Error("the meeting goes on after its device is revoked")
	}
	feed.Close()
	if _, err := anna.sync(); !errors.Is(err, remote.ErrRevoked) {
		t.Errorf("got %v, want %v", err, remote.ErrRevoked)
	}
	if pages, _ := held(t, w.book, anna.book.Device()); pages != 2 {
		t.Errorf("the hub holds %d pages, want what she gave before", pages)
	}
}

// A device that asks all the time is told to wait, and the others are not.
func TestHostileRate(t *testing.T) {
	t.Parallel()
	w := newWorkshop(t, func(o *hub.Options) { o.Limits.Rate, o.Limits.Burst = 0.5, 5 })
	anna, ben := w.join(door.Surveyor), w.join(door.Surveyor)
	for range 5 {
		anna.mustSync()
	}
	_, err := anna.sync()
	if !errors.Is(err, remote.ErrBusy) || remote.After(err) != 2*time.Second {
		t.Errorf("got %v, after %v, want %v after 2 s", err, remote.After(err), remote.ErrBusy)
	}
	ben.mustSync()
	w.clock.advance(2 * time.Second)
	anna.mustSync()
}

// A device can have two meetings under way, and a hub so many in all; the next
// one is told to come back.
func TestHostileStreams(t *testing.T) {
	t.Parallel()
	w := newWorkshop(t, func(o *hub.Options) {
		o.Limits.StreamsPerDevice, o.Limits.Streams, o.Limits.Queue = 2, 3, time.Millisecond
		// Anna asks again and again at the end, while the hub's clock stands.
		o.Limits.Rate, o.Limits.Burst = 1e6, 1e9
	})
	anna, ben := w.join(door.Surveyor), w.join(door.Surveyor)
	anna.write(newJob(1), 1)
	ben.write(newJob(2), 1)
	// hold begins a meeting, and returns what ends it; it has got through when
	// its batch is confirmed.
	hold := func(d *worker) (end func()) {
		t.Helper()
		body, feed := io.Pipe()
		r, err := http.NewRequestWithContext(t.Context(), http.MethodPost, "https://"+w.address+door.Meet, body)
		if err != nil {
			t.Fatal(err)
		}
		go func() { _, _ = feed.Write(join(offerFrame(t, d.book.Identity()), batchFrame(t, d.book))) }()
		a, err := d.raw.RoundTrip(r)
		if err != nil {
			t.Fatal(err)
		}
		if _, err := io.ReadFull(a.Body, make([]byte, 1)); err != nil || a.StatusCode != http.StatusOK {
			t.Fatalf("%d, %v", a.StatusCode, err)
		}
		return func() {
			feed.Close()
			if _, err := io.Copy(io.Discard, a.Body); err != nil {
				t.Error(err)
			}
			a.Body.Close()
		}
	}
	busy := func(d *worker) {
		t.Helper()
		if _, err := d.sync(); !errors.Is(err, remote.ErrBusy) {
			t.Errorf("got %v, want %v", err, remote.ErrBusy)
		}
	}
	first, second := hold(anna), hold(anna)
	busy(anna)
	ben.mustSync()
	third := hold(ben)
	busy(ben)
	for _, end := range []func(){first, second, third} {
		end()
	}
	for { // the hub gives a place back after it has answered
		_, err := anna.sync()
		if err == nil {
			break
		}
		if !errors.Is(err, remote.ErrBusy) {
			t.Fatal(err)
		}
	}
}

// Hundreds of connections that do nothing, or half of a handshake, or are
// strangers', are each bounded, and honest devices are served meanwhile.
func TestHostileConnections(t *testing.T) {
	t.Parallel()
	w := newWorkshop(t, func(o *hub.Options) {
		o.Limits.Pending, o.Limits.PendingPerAddress, o.Limits.Strangers = 32, 32, 8
	})
	anna := w.join(door.Surveyor)
	anna.write(newJob(1), 1)
	anna.mustSync()
	var open []net.Conn
	defer func() {
		for _, c := range open {
			c.Close()
		}
	}()
	dialer := net.Dialer{Timeout: 5 * time.Second}
	own, err := door.Certificate(w.newWorker().book.Signer())
	if err != nil {
		t.Fatal(err)
	}
	for i := range 300 {
		c, err := dialer.DialContext(t.Context(), "tcp", w.address)
		if err != nil {
			t.Fatal(err)
		}
		open = append(open, c)
		switch i % 3 {
		case 1:
			if _, err := c.Write([]byte{22, 3, 1, 2, 0, 1}); err != nil {
				t.Logf("half a hello: %v", err) // it has been dropped already
			}
		case 2:
			if i%30 == 2 {
				// A stranger, who may be pushed out in the middle.
				_ = tls.Client(c, door.ClientTLS(own, func(ed25519.PublicKey) error { return nil })).HandshakeContext(t.Context())
			}
		}
		if i%60 == 0 {
			anna.write(newJob(1), 1)
			anna.client.Close() // a new connection each time
			anna.mustSync()
		}
	}
	status, err := w.office.Status(t.Context())
	if err != nil || status.Connections > 2 {
		t.Errorf("%+v, %v", status, err)
	}
	_, metrics := get(t, http.DefaultClient, "http://"+w.console+"/metrics")
	for line := range strings.Lines(metrics) {
		if s, ok := strings.CutPrefix(line, `pinchrod_connections{of="pending"} `); ok {
			if n, err := strconv.Atoi(strings.TrimSpace(s)); err != nil || n > 32 {
				t.Errorf("%q pending, want at most 32", s)
			}
		}
	}
	if n := strings.Count(w.log.String(), "\n"); n > 20 {
		t.Errorf("%d lines in the log:\n%s", n, w.log)
	}
}

// Room for one frame is enough for all to get through, one after the other, and
// is given back by those that are refused.
func TestFramesTakeTurns(t *testing.T) {
	t.Parallel()
	w := newWorkshop(t, func(o *hub.Options) { o.Limits.Frames, o.Limits.LargeFrame = 1, 200<<10 })
	workers := []*worker{w.join(door.Surveyor), w.join(door.Surveyor), w.join(door.Surveyor)}
	for i, d := range workers {
		for n := range 6 {
			page := bytes.Repeat([]byte{byte(i), byte(n)}, 50<<10+n%2*60<<10) // 100 or 220 kB
			if _, err := d.book.Append(store.Draft{Payload: page}); err != nil {
				t.Fatal(err)
			}
		}
	}
	bad := join(offerFrame(t, workers[0].book.Identity()), frame(3, bytes.Repeat([]byte("x"), 100<<10)))
	large := join(offerFrame(t, workers[0].book.Identity()), frame(3, bytes.Repeat([]byte("x"), 300<<10)))
	for range 3 {
		w.refusedAs("a bad frame", workers[0], bad, 6)
		w.refusedAs("a large bad frame", workers[0], large, 6)
		w.refusedAs("a frame that is cut", workers[0], bad[:len(bad)-10], 0)
	}
	errs := make(chan error, len(workers))
	for _, d := range workers {
		go func() {
			_, err := d.sync()
			errs <- err
		}()
	}
	for range workers {
		if err := <-errs; err != nil {
			t.Error(err)
		}
	}
	for _, d := range workers {
		if pages, full := held(t, w.book, d.book.Device()); pages != 6 || full != 6 {
			t.Errorf("%d pages, %d in full, want 6", pages, full)
		}
	}
}

// A hub that is stopped lets what has come become durable and says so; the
// device is told to come back, and goes on where it was.
func TestStop(t *testing.T) {
	t.Parallel()
	w := newWorkshop(t, nil)
	anna := w.join(door.Surveyor)
	anna.write(newJob(1), 3)
	body, feed := io.Pipe()
	defer feed.Close()
	type answer struct {
		body []byte
		err  error
	}
	answered := make(chan answer, 1)
	go func() {
		_, b, err := w.request(anna.raw, http.MethodPost, door.Meet, body)
		answered <- answer{b, err}
	}()
	if _, err := feed.Write(join(offerFrame(t, anna.book.Identity()), batchFrame(t, anna.book))); err != nil {
		t.Fatal(err)
	}
	for pages := 0; pages < 3; {
		heads, err := w.book.Heads()
		if err != nil {
			t.Fatal(err)
		}
		pages = int(heads[anna.book.Device()].Seq)
	}
	if err := w.stop(); err != nil {
		t.Error(err)
	}
	a := <-answered
	if a.err != nil {
		t.Fatal(a.err)
	}
	kinds, _ := readFrames(t, a.body)
	if code, refused := refusal(t, a.body); !bytes.Equal(kinds, []byte{5, 8}) || !refused || code != 0 {
		t.Errorf("frames %v, refusal %d, want an ack and a refusal to go on", kinds, code)
	}
	if _, err := anna.sync(); !errors.Is(err, remote.ErrOffline) {
		t.Errorf("after it: got %v, want %v", err, remote.ErrOffline)
	}
}
