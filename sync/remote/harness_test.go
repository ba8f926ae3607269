package remote_test

import (
	"context"
	"log/slog"
	"net"
	"path/filepath"
	"sync"
	"testing"
	"time"

	"pinchrod/store"
	"pinchrod/store/journal"
	"pinchrod/sync/exchange"
	"pinchrod/sync/hub"
	"pinchrod/sync/hub/door"
	"pinchrod/sync/hub/invite"
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

// A workshop is a hub that runs on loopback, at its store.
type workshop struct {
	t       testing.TB
	clock   *clock
	book    *store.Store
	roster  *hub.Roster
	address string
	console string
	stop    func()
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

func newWorkshop(t testing.TB, change func(*hub.Options)) *workshop {
	t.Helper()
	w := &workshop{t: t, clock: newClock()}
	w.book = newBook(t, w.clock.now)
	w.console = hub.ConsoleFile(w.book.Path())
	var err error
	if w.roster, err = hub.OpenRoster(w.book, w.clock.now, nil); err != nil {
		t.Fatal(err)
	}
	w.start(change)
	return w
}

func (w *workshop) start(change func(*hub.Options)) {
	w.t.Helper()
	o := hub.Options{Book: w.book, Roster: w.roster, Now: w.clock.now, Log: slog.New(slog.NewTextHandler(w.t.Output(), nil)), Limits: hub.DefaultLimits()}
	o.Limits.Stop = 2 * time.Second
	if change != nil {
		change(&o)
	}
	s, err := hub.New(o)
	if err != nil {
		w.t.Fatal(err)
	}
	l := hub.Listeners{Devices: listen(w.t), Console: listen(w.t), ConsoleFile: w.console}
	w.address = l.Devices.Addr().String()
	ctx, cancel := context.WithCancel(context.Background())
	done := make(chan error, 1)
	go func() { done <- s.Run(ctx, l) }()
	w.stop = sync.OnceFunc(func() {
		cancel()
		if err := <-done; err != nil {
			w.t.Errorf("stopping the hub: %v", err)
		}
	})
	w.t.Cleanup(w.stop)
}

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
	book   *store.Store
	joined remote.Joined
	client *remote.Client
}

func (w *workshop) invite(terms hub.Terms) invite.Invitation {
	w.t.Helper()
	secret, expires, err := w.roster.Invite(terms)
	if err != nil {
		w.t.Fatal(err)
	}
	key, err := door.FingerprintOf(w.book.Identity().Key)
	if err != nil {
		w.t.Fatal(err)
	}
	return invite.Invitation{Addresses: []string{w.address}, Hub: key, Secret: secret, Expires: expires}
}

// join makes a device and lets it join.
func (w *workshop) join(role door.Role, jobs ...journal.ID) *worker {
	w.t.Helper()
	d := &worker{book: newBook(w.t, w.clock.now)}
	var err error
	d.joined, err = remote.Join(context.Background(), w.invite(hub.Terms{Role: role, Jobs: jobs}), d.book.Identity(), d.book.Signer(), "", nil)
	if err != nil {
		w.t.Fatal(err)
	}
	d.client = w.client(d.book, nil)
	return d
}

func (w *workshop) client(book *store.Store, dial remote.DialFunc) *remote.Client {
	w.t.Helper()
	c, err := remote.New(remote.Config{
		Addresses: []string{w.address}, Hub: w.book.Identity(), Self: book.Identity(), Signer: book.Signer(), Dial: dial,
	})
	if err != nil {
		w.t.Fatal(err)
	}
	w.t.Cleanup(c.Close)
	return c
}

func (d *worker) sync() (exchange.Outcome, error) {
	return exchange.Run(context.Background(), d.book, d.client.Peer(), exchange.Progress{})
}

func newJob(t testing.TB) journal.ID {
	t.Helper()
	var random [16]byte
	jobs.Lock()
	defer jobs.Unlock()
	jobs.n++
	random[15], random[14] = byte(jobs.n), byte(jobs.n>>8)
	id, err := journal.NewID(time.Date(2026, 3, 4, 5, 6, 7, 0, time.UTC), reader(random[:]))
	if err != nil {
		t.Fatal(err)
	}
	return id
}

var jobs struct {
	sync.Mutex
	n int
}

type reader []byte

func (r reader) Read(p []byte) (int, error) { return copy(p, r[len(r)-len(p):]), nil }

// redirect dials an address whatever it is told to.
func redirect(address string) remote.DialFunc {
	return func(ctx context.Context, network, _ string) (net.Conn, error) {
		return (&net.Dialer{}).DialContext(ctx, network, address)
	}
}
