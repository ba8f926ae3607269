package hub

import (
	"crypto/ed25519"
	"crypto/tls"
	"errors"
	"io"
	"net"
	"sync"
	"sync/atomic"
	"testing"
	"time"

	"pinchrod/sync/hub/door"
)

// A fakeListener hands out connections that say they come from an address.
type fakeListener struct {
	conns  chan net.Conn
	closed chan struct{}
	once   sync.Once
}

func newFakeListener() *fakeListener {
	return &fakeListener{conns: make(chan net.Conn), closed: make(chan struct{})}
}

func (l *fakeListener) Accept() (net.Conn, error) {
	select {
	case c := <-l.conns:
		return c, nil
	case <-l.closed:
		return nil, net.ErrClosed
	}
}

func (l *fakeListener) Close() error {
	l.once.Do(func() { close(l.closed) })
	return nil
}

func (l *fakeListener) Addr() net.Addr { return &net.TCPAddr{IP: net.IPv4(127, 0, 0, 1), Port: 1} }

type fakeConn struct {
	net.Conn
	from     string
	deadline *atomic.Pointer[time.Time] // the last that was set for both ways
}

func (c fakeConn) SetDeadline(at time.Time) error {
	c.deadline.Store(&at)
	return c.Conn.SetDeadline(at)
}

func (c fakeConn) RemoteAddr() net.Addr {
	a, err := net.ResolveTCPAddr("tcp", c.from)
	if err != nil {
		panic(err)
	}
	return a
}

// dial makes a connection from an address, and returns the client's end.
func (l *fakeListener) dial(from string) net.Conn {
	client, server := net.Pipe()
	l.conns <- fakeConn{server, from, new(atomic.Pointer[time.Time])}
	return client
}

type gateBench struct {
	*gate
	listener *fakeListener
	mu       sync.Mutex
	enrolled map[string]bool
	reasons  map[string]int
}

func newGateBench(t *testing.T, change func(*Limits)) *gateBench {
	limits := DefaultLimits()
	change(&limits)
	b := &gateBench{listener: newFakeListener(), enrolled: map[string]bool{}, reasons: map[string]int{}}
	own, err := door.Certificate(key(0))
	if err != nil {
		t.Fatal(err)
	}
	b.gate = newGate(b.listener, door.HubTLS(own), limits, func(k ed25519.PublicKey) bool {
		b.mu.Lock()
		defer b.mu.Unlock()
		return b.enrolled[string(k)]
	}, func(reason string) {
		b.mu.Lock()
		defer b.mu.Unlock()
		b.reasons[reason]++
	})
	t.Cleanup(func() { b.gate.Close() })
	return b
}

func key(n byte) ed25519.PrivateKey {
	seed := make([]byte, ed25519.SeedSize)
	seed[0] = n
	return ed25519.NewKeyFromSeed(seed)
}

func (b *gateBench) enrol(n byte) {
	b.mu.Lock()
	defer b.mu.Unlock()
	b.enrolled[string(key(n).Public().(ed25519.PublicKey))] = true
}

func (b *gateBench) reason(name string) int {
	b.mu.Lock()
	defer b.mu.Unlock()
	return b.reasons[name]
}

// enter does a handshake by key n, and returns both ends as they come out.
func (b *gateBench) enter(t *testing.T, n byte, from string) (client, server net.Conn) {
	t.Helper()
	own, err := door.Certificate(key(n))
	if err != nil {
		t.Fatal(err)
	}
	client = tls.Client(b.listener.dial(from), door.ClientTLS(own, func(ed25519.PublicKey) error { return nil }))
	done := make(chan error, 1)
	go func() { done <- client.(*tls.Conn).Handshake() }()
	if server, err = b.gate.Accept(); err != nil {
		t.Fatal(err)
	}
	if err := <-done; err != nil {
		t.Fatal(err)
	}
	return client, server
}

// ended waits for the end of a connection.
func ended(t *testing.T, c net.Conn) {
	t.Helper()
	if err := c.SetReadDeadline(time.Now().Add(5 * time.Second)); err != nil {
		return // it has ended
	}
	_, err := c.Read(make([]byte, 1))
	if e, ok := err.(net.Error); err == nil || ok && e.Timeout() {
		t.Fatalf("the connection lives: %v", err)
	}
}

func TestGatePendingOldestGoes(t *testing.T) {
	b := newGateBench(t, func(l *Limits) { l.Pending, l.PendingPerAddress = 3, 3 })
	var conns []net.Conn
	for range 5 {
		conns = append(conns, b.listener.dial("192.0.2.1:1"))
	}
	for _, c := range conns[:2] {
		if _, err := c.Read(make([]byte, 1)); err != io.EOF {
			t.Errorf("one of the oldest: got %v, want %v", err, io.EOF)
		}
	}
	if p, _, _ := b.counts(); p != 3 {
		t.Errorf("%d pending, want 3", p)
	}
	// One that proves its key comes through all the same.
	b.enrol(1)
	b.enter(t, 1, "192.0.2.2:1")
	if p, s, d := b.counts(); s != 0 || d != 1 || p > 3 {
		t.Errorf("%d pending, %d strangers, %d devices", p, s, d)
	}
}

// A flood from one place pushes out its own.
func TestGatePendingPerAddress(t *testing.T) {
	b := newGateBench(t, func(l *Limits) { l.Pending, l.PendingPerAddress = 4, 2 })
	honest := b.listener.dial("198.51.100.7:1")
	var flood []net.Conn
	for _, from := range []string{"[2001:db8::1]:1", "[2001:db8::2]:1", "[2001:db8::ffff:3]:1", "[2001:db8::4]:1"} {
		flood = append(flood, b.listener.dial(from))
	}
	for _, c := range flood[:2] {
		if _, err := c.Read(make([]byte, 1)); err != io.EOF {
			t.Errorf("of the flood: got %v, want %v", err, io.EOF)
		}
	}
	if p, _, _ := b.counts(); p != 3 {
		t.Errorf("%d pending, want the honest one and two of the flood", p)
	}
	b.enrol(1)
	own, err := door.Certificate(key(1))
	if err != nil {
		t.Fatal(err)
	}
	c := tls.Client(honest, door.ClientTLS(own, func(ed25519.PublicKey) error { return nil }))
	go func() { _ = c.Handshake() }()
	if _, err := b.Accept(); err != nil {
		t.Error(err)
	}
}

func TestGateDevicesAndStrangers(t *testing.T) {
	b := newGateBench(t, func(l *Limits) {
		l.PerDevice, l.Connections, l.Strangers, l.StrangerLife = 2, 3, 2, time.Hour
	})
	b.enrol(1)
	b.enrol(2)
	first, _ := b.enter(t, 1, "192.0.2.1:1")
	b.enter(t, 1, "192.0.2.1:1")
	b.enter(t, 1, "192.0.2.1:1")
	ended(t, first) // the oldest of the device's
	b.enter(t, 2, "192.0.2.1:1")
	if _, _, d := b.counts(); d != 3 {
		t.Errorf("%d of devices, want 3", d)
	}
	stranger, _ := b.enter(t, 7, "192.0.2.1:1")
	b.enter(t, 8, "192.0.2.1:1")
	b.enter(t, 9, "192.0.2.1:1")
	ended(t, stranger)
	if _, s, d := b.counts(); s != 2 || d != 3 {
		t.Errorf("%d strangers, %d of devices, want 2, 3", s, d)
	}
	// Full: the handshake is done, and then the line is closed.
	own, err := door.Certificate(key(2))
	if err != nil {
		t.Fatal(err)
	}
	full := tls.Client(b.listener.dial("192.0.2.1:1"), door.ClientTLS(own, func(ed25519.PublicKey) error { return nil }))
	if err := full.Handshake(); err == nil {
		ended(t, full)
	}
	b.drop(key(1).Public().(ed25519.PublicKey))
	if _, _, d := b.counts(); d != 1 {
		t.Errorf("%d of devices after one's were dropped, want 1", d)
	}
	if b.reason("too many strangers") != 1 || b.reason("too many connections") != 1 {
		t.Errorf("reasons: %v", b.reasons)
	}
}

// Strangers from one place push out each other.
func TestGateStrangersPerAddress(t *testing.T) {
	b := newGateBench(t, func(l *Limits) { l.Strangers, l.StrangerLife = 2, time.Hour })
	_, honest := b.enter(t, 1, "198.51.100.7:1")
	for n := range byte(5) {
		b.enter(t, 10+n, "192.0.2.1:1")
	}
	if _, s, _ := b.counts(); s != 2 {
		t.Errorf("%d strangers, want 2", s)
	}
	if !b.listed(honest) {
		t.Error("the one from elsewhere was pushed out")
	}
}

func (b *gateBench) listed(c net.Conn) bool {
	b.gate.mu.Lock()
	defer b.gate.mu.Unlock()
	return c.(*tls.Conn).NetConn().(*link).kind != linkGone
}

func TestGateStrangerLife(t *testing.T) {
	b := newGateBench(t, func(l *Limits) { l.StrangerLife = 10 * time.Millisecond })
	c, _ := b.enter(t, 7, "192.0.2.1:1")
	ended(t, c)
}

func TestGateHandshake(t *testing.T) {
	b := newGateBench(t, func(l *Limits) { l.Handshake = 50 * time.Millisecond })
	for name, say := range map[string]func(net.Conn) error{
		"nothing": func(net.Conn) error { return nil },
		"not TLS": func(c net.Conn) error { _, err := io.WriteString(c, "GET / HTTP/1.1\r\n\r\n"); return err },
		"no end of it": func(c net.Conn) error {
			_, err := c.Write(append([]byte{22, 3, 1, 0x40, 0}, make([]byte, 60<<10)...))
			return err
		},
	} {
		t.Run(name, func(t *testing.T) {
			c := b.listener.dial("192.0.2.1:1")
			_ = say(c) // may be cut off in the middle
			if err := c.SetReadDeadline(time.Now().Add(5 * time.Second)); err == nil {
				_, err = io.Copy(io.Discard, c)
				if e, ok := err.(net.Error); ok && e.Timeout() {
					t.Error("the connection lives")
				}
			}
		})
	}
	if p, s, d := b.counts(); p+s+d != 0 {
		t.Errorf("%d pending, %d strangers, %d of devices are left", p, s, d)
	}
	for name, change := range map[string]func(*tls.Config){
		"no certificate": func(c *tls.Config) { c.Certificates = nil },
		"TLS 1.2":        func(c *tls.Config) { c.MinVersion, c.MaxVersion = tls.VersionTLS12, tls.VersionTLS12 },
		"HTTP/1.1":       func(c *tls.Config) { c.NextProtos = []string{"http/1.1"} },
		"no protocol":    func(c *tls.Config) { c.NextProtos = nil },
	} {
		t.Run(name, func(t *testing.T) {
			own, err := door.Certificate(key(1))
			if err != nil {
				t.Fatal(err)
			}
			config := door.ClientTLS(own, func(ed25519.PublicKey) error { return nil })
			change(config)
			c := tls.Client(b.listener.dial("192.0.2.1:1"), config)
			if err := c.Handshake(); err == nil {
				ended(t, c)
			}
		})
	}
}

// The handshake's deadline ends with it: what is let through lives on.
func TestGateClearsDeadline(t *testing.T) {
	b := newGateBench(t, func(*Limits) {})
	for n, kind := range []string{"a device", "a stranger"} {
		if n == 0 {
			b.enrol(1)
		}
		_, server := b.enter(t, byte(1+n), "192.0.2.1:1")
		conn := server.(*tls.Conn).NetConn().(*link).Conn.(fakeConn)
		if at := conn.deadline.Load(); at == nil || !at.IsZero() {
			t.Errorf("%s is let through with the deadline %v, want none", kind, at)
		}
	}
}

// Closing the gate ends who waits at it, and nobody who is through.
func TestGateClose(t *testing.T) {
	b := newGateBench(t, func(*Limits) {})
	b.enrol(1)
	client, server := b.enter(t, 1, "192.0.2.1:1")
	pending := b.listener.dial("192.0.2.1:1")
	b.Close()
	if _, err := pending.Read(make([]byte, 1)); err != io.EOF {
		t.Errorf("pending: got %v, want %v", err, io.EOF)
	}
	if _, err := b.Accept(); !errors.Is(err, net.ErrClosed) {
		t.Errorf("accepting: got %v, want %v", err, net.ErrClosed)
	}
	go func() { _, _ = server.Write([]byte("x")) }()
	if n, err := client.Read(make([]byte, 1)); n != 1 {
		t.Errorf("who is through: %v", err)
	}
}
