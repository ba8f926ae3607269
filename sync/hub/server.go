package hub

import (
	"context"
	"crypto"
	"crypto/ed25519"
	"crypto/rand"
	"crypto/tls"
	"errors"
	"fmt"
	"io"
	"log"
	"log/slog"
	"net"
	"net/http"
	"runtime/debug"
	"strconv"
	"sync"
	"sync/atomic"
	"time"

	"pinchrod/store/journal"
	"pinchrod/sync/exchange"
	"pinchrod/sync/hub/door"
)

// A Book is where a hub keeps everything. The store is one.
type Book interface {
	exchange.Book
	Signer() crypto.Signer
}

// Options make a hub. Book and Roster are needed; the rest can be zero.
type Options struct {
	Book      Book
	Roster    *Roster // of that book
	Pictures  Pictures
	Jobs      Jobs
	Pages     http.Handler // the bench's pages, behind the hub's sign-in
	Addresses []string     // host:port, what invitations name if they are not told
	Log       *slog.Logger
	Limits    Limits // DefaultLimits when zero
	Now       func() time.Time
	Rand      io.Reader
}

// A Server is a running hub.
type Server struct {
	book     Book
	roster   *Roster
	pictures Pictures
	pages    http.Handler
	log      *slog.Logger
	limits   Limits
	now      func() time.Time
	started  time.Time

	host     *exchange.Host
	coders   *coders
	office   *office
	sessions *Sessions
	watch    *watch
	counters counters
	rates    buckets[journal.ID]
	gate     atomic.Pointer[gate]

	streams   chan struct{}
	frames    chan struct{}
	large     chan struct{}
	transfers chan struct{}

	handlers   sync.WaitGroup // added to while not closed
	background sync.WaitGroup // added to by handlers

	mu       sync.Mutex
	stopping bool // no meeting or fetch begins any more
	closed   bool // no request is answered any more
	running  map[*stream]struct{}
	sending  map[[32]byte]bool  // pictures that are coming in
	moving   map[journal.ID]int // pictures that are on their way, by device
}

// A stream is a meeting or a fetch that is under way.
type stream struct {
	device journal.ID
	cancel context.CancelFunc
	in     *incoming
}

// New makes a hub; it does not listen yet.
func New(o Options) (*Server, error) {
	if o.Limits == (Limits{}) {
		o.Limits = DefaultLimits()
	}
	if o.Now == nil {
		o.Now = time.Now
	}
	if o.Rand == nil {
		o.Rand = rand.Reader
	}
	if o.Log == nil {
		o.Log = slog.New(slog.DiscardHandler)
	}
	s := &Server{
		book: o.Book, roster: o.Roster, pictures: o.Pictures, pages: o.Pages,
		log: o.Log, limits: o.Limits, now: o.Now, started: o.Now(),
		coders:    newCoders(o.Limits.Streams),
		sessions:  NewSessions(o.Now, o.Rand),
		watch:     &watch{log: o.Log, now: o.Now, quiet: o.Limits.Quiet},
		rates:     buckets[journal.ID]{rate: o.Limits.Rate, burst: o.Limits.Burst, most: 1 << 10},
		streams:   make(chan struct{}, o.Limits.Streams),
		frames:    make(chan struct{}, o.Limits.Frames),
		large:     make(chan struct{}, 1),
		transfers: make(chan struct{}, o.Limits.Transfers),
		running:   map[*stream]struct{}{},
		sending:   map[[32]byte]bool{},
		moving:    map[journal.ID]int{},
	}
	s.host = &exchange.Host{
		Book: counted{o.Book, &s.counters}, Signer: o.Book.Signer(), Now: o.Now,
		Wrote: o.Roster.Wrote, Admit: s.admitFrame,
	}
	key, err := door.FingerprintOf(o.Book.Identity().Key)
	if err != nil {
		return nil, fmt.Errorf("making a hub: %w", err)
	}
	s.office = &office{book: o.Book, roster: o.Roster, pictures: o.Pictures, jobs: o.Jobs, key: key, addresses: o.Addresses, running: s}
	return s, nil
}

// Listeners are where a hub listens. Devices is needed.
type Listeners struct {
	Devices net.Listener
	// Console is on a loopback address: the office's requests (see [Call]),
	// /healthz and /metrics.
	Console net.Listener
	// ConsoleFile is where the console's address and token are written.
	ConsoleFile string
	// Pages are for browsers. On a loopback address they may be plain HTTP;
	// anywhere else PagesTLS has to be there, see [PagesTLS].
	Pages    net.Listener
	PagesTLS *tls.Config
}

// Run serves until the context ends, then stops: it takes no more requests,
// lets the batch that each device is sending become durable and be confirmed,
// and returns when all are done, or Limits.Stop later. It closes the listeners.
func (s *Server) Run(ctx context.Context, l Listeners) error {
	servers, err := s.servers(l)
	if err != nil {
		for _, listener := range []net.Listener{l.Devices, l.Console, l.Pages} {
			if listener != nil {
				listener.Close()
			}
		}
		return fmt.Errorf("starting the hub: %w", err)
	}
	failed := make(chan error, len(servers))
	for _, x := range servers {
		go func() { failed <- x.http.Serve(x.listener) }()
	}
	s.log.Info("the hub is open", "hub", s.book.Identity().Device.Tag(), "devices", l.Devices.Addr().String())
	select {
	case err = <-failed: // one that is not meant to end
		err = fmt.Errorf("serving: %w", err)
	case <-ctx.Done():
	}
	s.log.Info("the hub is stopping")
	err = errors.Join(err, s.shutdown(servers))
	if l.ConsoleFile != "" {
		err = errors.Join(err, removeConsole(l.ConsoleFile))
	}
	s.watch.rest()
	err = errors.Join(err, s.roster.Flush())
	s.log.Info("the hub is closed")
	return err
}

// A server is one listener and what answers there.
type server struct {
	http     *http.Server
	listener net.Listener
}

func (s *Server) servers(l Listeners) (out []server, err error) {
	if l.Devices == nil {
		return nil, errors.New("no listener for the devices")
	}
	own, err := door.Certificate(s.book.Signer())
	if err != nil {
		return nil, err
	}
	config := door.HubTLS(own)
	pages, err := s.pagesServer(l)
	if err != nil {
		return nil, err
	}
	console, err := s.consoleServer(l)
	if err != nil {
		return nil, err
	}
	gate := newGate(l.Devices, config, s.limits, func(key ed25519.PublicKey) bool {
		_, err := s.roster.Rights(key)
		return err == nil
	}, func(reason string) { s.watch.refused(reason) })
	s.gate.Store(gate)
	if len(s.office.addresses) == 0 {
		s.office.addresses = addressesOf(l.Devices.Addr())
	}
	only2 := new(http.Protocols)
	only2.SetHTTP2(true)
	out = append(out, server{&http.Server{
		Handler:        s.guarded(s.deviceRoutes),
		TLSConfig:      config.Clone(), // which the server makes its own
		Protocols:      only2,
		MaxHeaderBytes: s.limits.Header,
		IdleTimeout:    s.limits.Idle,
		ErrorLog:       log.New(s.watch, "", 0),
		HTTP2: &http.HTTP2Config{
			MaxConcurrentStreams:          s.limits.HTTP2Streams,
			MaxReadFrameSize:              16 << 10, // the least there is
			MaxReceiveBufferPerConnection: s.limits.Receive,
			MaxReceiveBufferPerStream:     s.limits.Receive,
			SendPingTimeout:               s.limits.Window, // a line that is dead is noticed
			PingTimeout:                   s.limits.Window,
			WriteByteTimeout:              s.limits.Window,
		},
		ConnContext: func(ctx context.Context, c net.Conn) context.Context {
			if t, ok := c.(interface{ NetConn() net.Conn }); ok {
				ctx = context.WithValue(ctx, linkKey{}, t.NetConn())
			}
			return ctx
		},
	}, gate})
	if pages != nil {
		out = append(out, *pages)
	}
	if console != nil {
		out = append(out, *console)
	}
	return out, nil
}

// addressesOf returns where a listener is to be found from elsewhere: at its own
// address, or, when it listens at all of this machine's, at those, IPv4 first.
func addressesOf(a net.Addr) (out []string) {
	t, ok := a.(*net.TCPAddr)
	if !ok || !t.IP.IsUnspecified() {
		return []string{a.String()}
	}
	own, err := net.InterfaceAddrs()
	if err != nil {
		return nil // then an invitation has to be told
	}
	var six []string
	for _, x := range own {
		n, ok := x.(*net.IPNet)
		if !ok || !n.IP.IsGlobalUnicast() {
			continue
		}
		at := net.JoinHostPort(n.IP.String(), strconv.Itoa(t.Port))
		if n.IP.To4() != nil {
			out = append(out, at)
		} else {
			six = append(six, at)
		}
	}
	out = append(out, six...)
	return out[:min(len(out), maxOwnAddresses)]
}

// maxOwnAddresses keeps the QR code of an invitation small.
const maxOwnAddresses = 3

type linkKey struct{}

// guarded answers requests with a handler, and keeps a panic in it from being
// more than that request's.
func (s *Server) guarded(h http.HandlerFunc) http.Handler {
	return http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
		if !s.enter() {
			panic(http.ErrAbortHandler) // the connection is being closed
		}
		defer s.handlers.Done()
		defer func() {
			if p := recover(); p != nil && p != http.ErrAbortHandler {
				s.watch.refused("panic", "panic", fmt.Sprint(p), "stack", string(debug.Stack()))
				panic(http.ErrAbortHandler)
			}
		}()
		h(w, r)
	})
}

func (s *Server) enter() bool {
	s.mu.Lock()
	defer s.mu.Unlock()
	if s.closed {
		return false
	}
	s.handlers.Add(1)
	return true
}

// shutdown stops all servers, and waits for what they are at: a while for it
// to end by itself, and a while after it was cut off.
func (s *Server) shutdown(servers []server) error {
	s.mu.Lock()
	s.stopping = true
	for x := range s.running {
		x.in.abort(errStopping)
	}
	s.mu.Unlock()
	ctx, cancel := context.WithTimeout(context.Background(), s.limits.Stop)
	defer cancel()
	var done sync.WaitGroup
	errs := make([]error, len(servers))
	for i, x := range servers {
		done.Go(func() {
			if errs[i] = x.http.Shutdown(ctx); errs[i] != nil {
				errs[i] = fmt.Errorf("stopping: some requests were cut off: %w", errors.Join(errs[i], x.http.Close()))
			}
		})
	}
	done.Wait()
	s.mu.Lock()
	s.closed = true
	s.mu.Unlock()
	ended := make(chan struct{})
	go func() {
		s.handlers.Wait()
		s.background.Wait()
		close(ended)
	}()
	select {
	case <-ended:
	case <-time.After(s.limits.Stop):
		errs = append(errs, errors.New("stopping: some requests have not ended"))
	}
	return errors.Join(errs...)
}

// begin notes a stream that begins, and refuses it when the hub is stopping or
// its device has enough of them. end has to be called when it is over.
func (s *Server) begin(x *stream) (end func(), err error) {
	s.mu.Lock()
	defer s.mu.Unlock()
	if s.stopping {
		return nil, errStopping
	}
	n := 0
	for other := range s.running {
		if other.device == x.device {
			n++
		}
	}
	if n >= s.limits.StreamsPerDevice {
		return nil, fmt.Errorf("%w: this device has another sync under way", door.ErrBusy)
	}
	s.running[x] = struct{}{}
	return func() {
		s.mu.Lock()
		defer s.mu.Unlock()
		delete(s.running, x)
	}, nil
}

// expel ends what a device has under way, and its connections.
func (s *Server) expel(id journal.Identity) {
	s.mu.Lock()
	for x := range s.running {
		if x.device == id.Device {
			x.cancel()
			x.in.abort(door.ErrRevoked)
		}
	}
	s.mu.Unlock()
	if g := s.gate.Load(); g != nil {
		g.drop(id.Key)
	}
}

// turn waits for one of the places in a room; leave gives it back.
func turn(ctx context.Context, room chan struct{}) (leave func(), err error) {
	select {
	case room <- struct{}{}:
		return func() { <-room }, nil
	case <-ctx.Done():
		return nil, context.Cause(ctx)
	}
}

// admitFrame makes a frame wait until there is room for it.
func (s *Server) admitFrame(ctx context.Context, size int) (done func(), err error) {
	if size >= s.limits.LargeFrame {
		return turn(ctx, s.large)
	}
	return turn(ctx, s.frames)
}

// counted is a book that counts what it takes in.
type counted struct {
	exchange.Book
	counters *counters
}

func (c counted) Ingest(id journal.Identity, records []journal.Record, head journal.SignedHead) (journal.Taken, error) {
	taken, err := c.Book.Ingest(id, records, head)
	if n := taken.Added + taken.Filled; n > 0 {
		c.counters.pages.Add(int64(n))
		size := 0
		for _, r := range records {
			size += len(r.Page)
		}
		c.counters.pageBytes.Add(int64(size))
	}
	return taken, err
}
