package hub_test

import (
	"bytes"
	"context"
	"crypto"
	"crypto/ed25519"
	"errors"
	"io"
	"log/slog"
	"net"
	"net/http"
	"path/filepath"
	"sync"
	"testing"
	"time"

	"pinchrod/store"
	"pinchrod/store/journal"
	"pinchrod/store/picture"
	"pinchrod/sync/exchange"
	"pinchrod/sync/hub"
	"pinchrod/sync/hub/door"
	"pinchrod/sync/remote"
)

// A clock is moved by hand.
type clock struct {
	mu sync.Mutex
	t  time.Time
}

func newClock() *clock { return &clock{t: time.Date(2026, 3, 4, 5, 6, 7, 0, time.UTC)} }

func (c *clock) now() time.Time {
	c.mu.Lock()
	defer c.mu.Unlock()
	return c.t
}

func (c *clock) advance(d time.Duration) {
	c.mu.Lock()
	defer c.mu.Unlock()
	c.t = c.t.Add(d)
}

// logged keeps what the hub logs.
type logged struct {
	mu sync.Mutex
	b  bytes.Buffer
}

func (l *logged) Write(p []byte) (int, error) {
	l.mu.Lock()
	defer l.mu.Unlock()
	return l.b.Write(p)
}

func (l *logged) String() string {
	l.mu.Lock()
	defer l.mu.Unlock()
	return l.b.String()
}

// folder is a picture folder as the hub wants it.
type folder struct{ *picture.Folder }

func (f folder) Has(sum [32]byte) bool               { return f.Folder.Has(sum) }
func (f folder) Partial(sum [32]byte) (int64, error) { return f.Folder.Partial(sum) }
func (f folder) Remove(sum [32]byte) error           { return f.Folder.Remove(sum) }

func (f folder) Resume(sum [32]byte, size, from int64, r io.Reader) (bool, error) {
	return f.Folder.Resume(sum, size, from, r)
}

func (f folder) Get(sum [32]byte) (io.ReadSeekCloser, int64, error) {
	b, err := f.Folder.Get(sum)
	return nopCloser{bytes.NewReader(b)}, int64(len(b)), err
}

type nopCloser struct{ io.ReadSeeker }

func (nopCloser) Close() error { return nil }

// A workshop is a hub that runs on loopback, at its store.
type workshop struct {
	t        testing.TB
	clock    *clock
	book     *store.Store
	roster   *hub.Roster
	pictures *picture.Folder
	log      *logged
	address  string // the devices'
	console  string // the console's address
	file     string // the console's file
	pages    string // the pages' address
	office   hub.Office
	dial     remote.DialFunc // how devices call it; nil for TCP
	stop     func() error
}

func newBook(t testing.TB, now func() time.Time) *store.Store {
	t.Helper()
	s, err := store.Create(filepath.Join(t.TempDir(), "book"), store.Options{Now: now})
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { s.Close() })
	return s
}

func openRoster(t testing.TB, b exchange.Book, c *clock) *hub.Roster {
	t.Helper()
	r, err := hub.OpenRoster(b, c.now, nil)
	if err != nil {
		t.Fatal(err)
	}
	return r
}

func newWorkshop(t testing.TB, change func(*hub.Options)) *workshop {
	t.Helper()
	w, s := newShutWorkshop(t, change)
	l := hub.Listeners{Devices: listen(t), Console: listen(t), ConsoleFile: w.file, Pages: listen(t)}
	w.address, w.console, w.pages = l.Devices.Addr().String(), l.Console.Addr().String(), l.Pages.Addr().String()
	w.open(s, l)
	w.reach()
	return w
}

// reach gets hold of the office: the hub is up when its console answers.
func (w *workshop) reach() {
	w.t.Helper()
	for w.office == nil {
		var err error
		w.office, err = hub.Call(w.t.Context(), w.file)
		if err != nil && !errors.Is(err, hub.ErrNotRunning) {
			w.t.Fatal(err)
		}
	}
}

// newShutWorkshop makes a hub that does not listen yet.
func newShutWorkshop(t testing.TB, change func(*hub.Options)) (*workshop, *hub.Server) {
	t.Helper()
	w := &workshop{t: t, clock: newClock(), log: &logged{}}
	w.book = newBook(t, w.clock.now)
	w.file = hub.ConsoleFile(w.book.Path())
	w.roster = openRoster(t, w.book, w.clock)
	var err error
	if w.pictures, err = picture.Open(picture.Beside(w.book.Path())); err != nil {
		t.Fatal(err)
	}
	o := hub.Options{
		Book: w.book, Roster: w.roster, Pictures: folder{w.pictures}, Now: w.clock.now,
		Log: slog.New(slog.NewTextHandler(w.log, nil)), Limits: hub.DefaultLimits(),
	}
	o.Limits.Stop = 2 * time.Second
	if change != nil {
		change(&o)
	}
	s, err := hub.New(o)
	if err != nil {
		t.Fatal(err)
	}
	return w, s
}

// open lets the hub listen until it is stopped.
func (w *workshop) open(s *hub.Server, l hub.Listeners) {
	ctx, cancel := context.WithCancel(context.Background())
	done := make(chan error, 1)
	go func() { done <- s.Run(ctx, l) }()
	w.stop = sync.OnceValue(func() error {
		cancel()
		return <-done
	})
	w.t.Cleanup(func() {
		if err := w.stop(); err != nil {
			w.t.Errorf("stopping the hub: %v", err)
		}
		if w.t.Failed() {
			w.t.Logf("the hub's log:\n%s", w.log)
		}
	})
}

// newStillWorkshop is a hub in a bubble of package testing/synctest: its lines
// are in memory, so time stands while anybody is at work. It has no console.
func newStillWorkshop(t testing.TB, change func(*hub.Options)) *workshop {
	t.Helper()
	w, s := newShutWorkshop(t, change)
	l := &pipeListener{conns: make(chan net.Conn), closed: make(chan struct{})}
	w.address, w.dial = "hub.example:7443", l.dial
	var err error
	if w.office, err = hub.LocalOffice(w.book, w.roster, folder{w.pictures}, nil, []string{w.address}); err != nil {
		t.Fatal(err)
	}
	w.open(s, hub.Listeners{Devices: l})
	return w
}

// A pipeListener hands out the other ends of the lines that are dialed.
type pipeListener struct {
	conns  chan net.Conn
	closed chan struct{}
	once   sync.Once
}

func (l *pipeListener) dial(ctx context.Context, _, _ string) (net.Conn, error) {
	client, server := net.Pipe()
	select {
	case l.conns <- server:
		return client, nil
	case <-l.closed:
		return nil, net.ErrClosed
	case <-ctx.Done():
		return nil, ctx.Err()
	}
}

func (l *pipeListener) Accept() (net.Conn, error) {
	select {
	case c := <-l.conns:
		return c, nil
	case <-l.closed:
		return nil, net.ErrClosed
	}
}

func (l *pipeListener) Close() error {
	l.once.Do(func() { close(l.closed) })
	return nil
}

func (l *pipeListener) Addr() net.Addr { return &net.TCPAddr{IP: net.IPv4(127, 0, 0, 1), Port: 1} }

func listen(t testing.TB) net.Listener {
	t.Helper()
	l, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		t.Fatal(err)
	}
	return l
}

// A worker is a device with its book.
type worker struct {
	t      testing.TB
	book   *store.Store
	client *remote.Client
	raw    *http.Transport
}

// newWorker makes a device that has not joined.
func (w *workshop) newWorker() *worker {
	w.t.Helper()
	d := &worker{t: w.t, book: newBook(w.t, w.clock.now)}
	var err error
	d.client, err = remote.New(remote.Config{
		Addresses: []string{w.address}, Hub: w.book.Identity(), Self: d.book.Identity(), Signer: d.book.Signer(), Dial: w.dial,
	})
	if err != nil {
		w.t.Fatal(err)
	}
	w.t.Cleanup(d.client.Close)
	d.raw = w.transport(d.book.Signer())
	return d
}

// join makes a device and lets it join.
func (w *workshop) join(role door.Role, jobs ...journal.ID) *worker {
	w.t.Helper()
	d := w.newWorker()
	i, err := w.office.Invite(w.t.Context(), hub.Terms{Role: role, Jobs: jobs}, nil)
	if err != nil {
		w.t.Fatal(err)
	}
	if _, err := remote.Join(w.t.Context(), i, d.book.Identity(), d.book.Signer(), "", w.dial); err != nil {
		w.t.Fatal(err)
	}
	return d
}

// transport speaks HTTP/2 to whoever listens, by a key, and says what it likes.
func (w *workshop) transport(signer crypto.Signer) *http.Transport {
	w.t.Helper()
	own, err := door.Certificate(signer)
	if err != nil {
		w.t.Fatal(err)
	}
	t := &http.Transport{
		TLSClientConfig:    door.ClientTLS(own, func(ed25519.PublicKey) error { return nil }),
		ForceAttemptHTTP2:  true,
		DialContext:        w.dial,
		DisableCompression: true,
	}
	w.t.Cleanup(t.CloseIdleConnections)
	return t
}

// request sends a raw request, and returns the status and the body.
func (w *workshop) request(via *http.Transport, method, path string, body io.Reader, headers ...string) (int, []byte, error) {
	w.t.Helper()
	r, err := http.NewRequestWithContext(w.t.Context(), method, "https://"+w.address+path, body)
	if err != nil {
		w.t.Fatal(err)
	}
	for i := 0; i+1 < len(headers); i += 2 {
		r.Header.Set(headers[i], headers[i+1])
	}
	a, err := via.RoundTrip(r)
	if err != nil {
		return 0, nil, err
	}
	defer a.Body.Close()
	b, err := io.ReadAll(a.Body)
	return a.StatusCode, b, err
}

// write appends pages of a job to a device's book.
func (d *worker) write(job journal.ID, n int) {
	d.t.Helper()
	for i := range n {
		if _, err := d.book.Append(store.Draft{Job: job, Payload: []byte{0xa1, 0x01, byte(i % 24)}}); err != nil {
			d.t.Fatal(err)
		}
	}
}

func (d *worker) sync() (exchange.Outcome, error) {
	return exchange.Run(d.t.Context(), d.book, d.client.Peer(), exchange.Progress{})
}

// mustSync syncs and reports what came.
func (d *worker) mustSync() exchange.Outcome {
	d.t.Helper()
	out, err := d.sync()
	if err != nil {
		d.t.Fatal(err)
	}
	return out
}

// held counts the pages of another device's log that a book holds, and how many
// of them in full.
func held(t testing.TB, b *store.Store, device journal.ID) (pages, full int) {
	t.Helper()
	for r, err := range b.Scan(device, 1) {
		if errors.Is(err, store.ErrNoPage) {
			return pages, full
		}
		if err != nil {
			t.Fatal(err)
		}
		pages++
		if r.Page != nil {
			full++
		}
	}
	return pages, full
}

// newJob returns a job's id; each n gives another.
func newJob(n byte) journal.ID {
	return journal.ID{0x01, 0x91, 0x08, 0xf7, 0x52, 0xd1, 0x73, 0x20, 0x9b, 0xac, 0xf8, 0x47, 0xdb, 0x41, 0x48, n}
}

func frame(kind byte, body []byte) []byte {
	out := []byte{kind}
	n := len(body)
	for ; n >= 0x80; n >>= 7 {
		out = append(out, byte(n)|0x80)
	}
	return append(append(out, byte(n)), body...)
}

func encode(t testing.TB, v any) []byte {
	t.Helper()
	b, err := journal.Marshal(v)
	if err != nil {
		t.Fatal(err)
	}
	return b
}

// offerFrame is a device's first words in a meeting where nothing of it is held.
func offerFrame(t testing.TB, id journal.Identity) []byte {
	return frame(1, encode(t, map[uint64]any{1: 1, 3: id.Head().Hash}))
}

// batchFrame is the device's log from the start, as one batch.
func batchFrame(t testing.TB, b *store.Store) []byte {
	t.Helper()
	var out bytes.Buffer
	w := exchange.NewWriter(&out)
	for batch, err := range exchange.Batches(b, b.Identity(), 1, exchange.Reader{Identity: b.Identity()}) {
		if err == nil {
			err = w.Batch(batch)
		}
		if err != nil {
			t.Fatal(err)
		}
	}
	if err := w.Flush(); err != nil {
		t.Fatal(err)
	}
	return out.Bytes()
}

var endFrame = frame(4, []byte{0xa0})

// readFrames takes an answer apart.
func readFrames(t testing.TB, b []byte) (kinds []byte, bodies [][]byte) {
	t.Helper()
	for len(b) > 0 {
		kind, n, at := b[0], 0, 1
		for shift := 0; ; shift += 7 {
			n |= int(b[at]&0x7f) << shift
			at++
			if b[at-1] < 0x80 {
				break
			}
		}
		kinds, bodies, b = append(kinds, kind), append(bodies, b[at:at+n]), b[at+n:]
	}
	return kinds, bodies
}

// refusal returns the code of the refusal that an answer ends with; 0 and false
// when it ends otherwise.
func refusal(t testing.TB, answer []byte) (code uint64, refused bool) {
	t.Helper()
	kinds, bodies := readFrames(t, answer)
	if len(kinds) == 0 || kinds[len(kinds)-1] != 8 {
		return 0, false
	}
	var x struct {
		Code uint64 `cbor:"1,keyasint"`
	}
	if err := journal.Unmarshal(bodies[len(bodies)-1], &x); err != nil && !errors.Is(err, journal.ErrNewer) {
		t.Fatal(err)
	}
	return x.Code, true
}
