package hub

import (
	"container/list"
	"context"
	"crypto/ed25519"
	"crypto/tls"
	"errors"
	"net"
	"net/netip"
	"sync"
	"sync/atomic"
	"time"

	"pinchrod/sync/hub/door"
)

// A gate is the listener in front of the HTTP server. It does the handshakes,
// and lets through only who has proved a key; how many there can be of each
// kind is bounded, so that those who prove nothing cost little and push out
// nobody but each other.
type gate struct {
	inner    net.Listener
	config   *tls.Config
	limits   Limits
	enrolled func(ed25519.PublicKey) bool
	refused  func(reason string)
	traffic  traffic

	ready  chan net.Conn
	closed chan struct{}
	once   sync.Once

	mu        sync.Mutex
	pending   list.List             // of *link, the oldest first
	addresses map[netip.Addr]int    // pending ones of each
	strangers list.List             // of *link
	devices   map[string]*list.List // by key, of *link
	entered   int                   // devices' links
	handlers  sync.WaitGroup
}

// traffic counts bytes on the wire, TLS among them.
type traffic struct{ in, out, accepted atomic.Int64 }

// The kinds of links; each is in one list.
type linkKind int

const (
	linkPending linkKind = iota
	linkStranger
	linkDevice
	linkGone
)

// A link is one connection, from its first byte on.
type link struct {
	net.Conn
	gate *gate
	addr netip.Addr
	once sync.Once

	// Guarded by the gate's mutex.
	kind  linkKind
	where *list.Element
	life  *time.Timer // of a stranger

	// Set before the link is let through.
	key      ed25519.PublicKey // proved
	stranger bool
	open     bool // past the handshake

	taken int64        // bytes in the handshake
	asked atomic.Int64 // requests, of a stranger
}

// maxHandshake is how many bytes a handshake can bring. An honest one has under
// 4 kB, and the TLS library reads on, up to a record of 16 KiB, into what comes
// after; it would itself hold a quarter of a MiB of certificates.
const maxHandshake = 32 << 10

func (l *link) Read(b []byte) (int, error) {
	n, err := l.Conn.Read(b)
	l.gate.traffic.in.Add(int64(n))
	if !l.open {
		if l.taken += int64(n); l.taken > maxHandshake {
			return 0, errors.New("too large a handshake")
		}
	}
	return n, err
}

func (l *link) Write(b []byte) (int, error) {
	n, err := l.Conn.Write(b)
	l.gate.traffic.out.Add(int64(n))
	return n, err
}

// Close closes the connection and takes it off the gate's lists.
func (l *link) Close() error {
	err := net.ErrClosed
	l.once.Do(func() {
		l.gate.mu.Lock()
		l.gate.unlist(l)
		l.kind = linkGone
		if l.life != nil {
			l.life.Stop()
		}
		l.gate.mu.Unlock()
		err = l.Conn.Close()
	})
	return err
}

func newGate(inner net.Listener, config *tls.Config, limits Limits, enrolled func(ed25519.PublicKey) bool, refused func(string)) *gate {
	g := &gate{
		inner: inner, config: config, limits: limits, enrolled: enrolled, refused: refused,
		ready: make(chan net.Conn), closed: make(chan struct{}),
		addresses: map[netip.Addr]int{}, devices: map[string]*list.List{},
	}
	g.handlers.Go(g.listen)
	return g
}

// Accept returns the next connection whose handshake is done.
func (g *gate) Accept() (net.Conn, error) {
	select {
	case c := <-g.ready:
		return c, nil
	case <-g.closed:
		return nil, net.ErrClosed
	}
}

func (g *gate) Addr() net.Addr { return g.inner.Addr() }

// Close stops listening, and ends the connections that nobody has been let
// through on. The others go on.
func (g *gate) Close() error {
	err := net.ErrClosed
	g.once.Do(func() {
		close(g.closed)
		err = g.inner.Close()
		g.mu.Lock()
		var waiting []*link
		for e := g.pending.Front(); e != nil; e = e.Next() {
			waiting = append(waiting, e.Value.(*link))
		}
		g.mu.Unlock()
		for _, l := range waiting {
			l.Close()
		}
		g.handlers.Wait()
	})
	return err
}

// listen takes connections in until the listener is closed. An error of one
// (the system is out of files, say) is waited out.
func (g *gate) listen() {
	const longest = time.Second
	pause := time.Millisecond
	for {
		c, err := g.inner.Accept()
		switch {
		case err == nil:
			pause = time.Millisecond
			g.traffic.accepted.Add(1)
			g.take(c)
		case errors.Is(err, net.ErrClosed):
			return
		default:
			g.refused("accept: " + errorKind(err))
			select {
			case <-time.After(pause):
			case <-g.closed:
				return
			}
			pause = min(2*pause, longest)
		}
	}
}

// errorKind names a listener's error without its particulars.
func errorKind(err error) string {
	var op *net.OpError
	if errors.As(err, &op) {
		return op.Op
	}
	return "failed"
}

// take starts a connection's handshake, and makes room for it.
func (g *gate) take(c net.Conn) {
	l := &link{Conn: c, gate: g, addr: addressOf(c)}
	g.mu.Lock()
	var out *link
	switch {
	case g.addresses[l.addr] >= g.limits.PendingPerAddress:
		out = oldest(&g.pending, l.addr)
	case g.pending.Len() >= g.limits.Pending:
		out = oldest(&g.pending, netip.Addr{})
	}
	l.where = g.pending.PushBack(l)
	g.addresses[l.addr]++
	g.mu.Unlock()
	if out != nil {
		g.refused("too many pending connections")
		out.Close()
	}
	select {
	case <-g.closed: // closing, and may have missed this one
		l.Close()
		return
	default:
	}
	g.handlers.Go(func() { g.handshake(l) })
}

// addressOf returns what counts as one address.
func addressOf(c net.Conn) netip.Addr {
	at, err := netip.ParseAddrPort(c.RemoteAddr().String())
	if err != nil {
		return netip.Addr{}
	}
	return place(at.Addr())
}

// place returns what stands for the place that an address is at: of IPv6 the
// /64, which is what one place is given.
func place(a netip.Addr) netip.Addr {
	a = a.Unmap().WithZone("")
	if a.Is6() {
		p, _ := a.Prefix(64) // an IPv6 address has 64 bits
		return p.Addr()
	}
	return a
}

// oldest finds the oldest link of an address, or of any; nil if there is none.
func oldest(links *list.List, of netip.Addr) *link {
	for e := links.Front(); e != nil; e = e.Next() {
		if l := e.Value.(*link); !of.IsValid() || l.addr == of {
			return l
		}
	}
	return nil
}

// unlist takes a link off its list.
func (g *gate) unlist(l *link) {
	switch l.kind {
	case linkPending:
		g.pending.Remove(l.where)
		if g.addresses[l.addr]--; g.addresses[l.addr] <= 0 {
			delete(g.addresses, l.addr)
		}
	case linkStranger:
		g.strangers.Remove(l.where)
	case linkDevice:
		own := g.devices[string(l.key)]
		own.Remove(l.where)
		if own.Len() == 0 {
			delete(g.devices, string(l.key))
		}
		g.entered--
	}
}

// handshake brings a connection to where its key is proved, and hands it on.
func (g *gate) handshake(l *link) {
	if err := l.SetDeadline(time.Now().Add(g.limits.Handshake)); err != nil {
		l.Close()
		return
	}
	c := tls.Server(l, g.config)
	err := c.HandshakeContext(context.Background())
	if err == nil && c.ConnectionState().NegotiatedProtocol != door.ALPN {
		err = errors.New("no HTTP/2") // a client that names no protocol at all
	}
	if err == nil {
		l.key, err = door.KeyOf(c.ConnectionState())
	}
	if err == nil {
		err = l.SetDeadline(time.Time{})
	}
	if err != nil {
		g.refused("handshake failed")
		l.Close()
		return
	}
	l.open = true
	if !g.admit(l) {
		g.refused("too many connections")
		c.Close()
		return
	}
	select {
	case g.ready <- c:
	case <-g.closed:
		c.Close()
	}
}

// admit moves a link from the pending to those of its kind, and makes room.
func (g *gate) admit(l *link) bool {
	enrolled := g.enrolled(l.key)
	g.mu.Lock()
	if l.kind != linkPending { // pushed out meanwhile
		g.mu.Unlock()
		return false
	}
	var out *link
	if enrolled {
		own := g.devices[string(l.key)]
		switch {
		case own != nil && own.Len() >= g.limits.PerDevice:
			out = own.Front().Value.(*link)
		case g.entered >= g.limits.Connections:
			g.mu.Unlock()
			return false
		}
		g.unlist(l)
		if own == nil {
			own = list.New()
			g.devices[string(l.key)] = own
		}
		l.kind, l.where = linkDevice, own.PushBack(l)
		g.entered++
	} else {
		if g.strangers.Len() >= g.limits.Strangers {
			// Many from one place push out each other; else the oldest goes.
			if out = oldest(&g.strangers, l.addr); out == nil {
				out = oldest(&g.strangers, netip.Addr{})
			}
		}
		g.unlist(l)
		l.kind, l.where, l.stranger = linkStranger, g.strangers.PushBack(l), true
		l.life = time.AfterFunc(g.limits.StrangerLife, func() { l.Close() })
	}
	g.mu.Unlock()
	if out != nil {
		if out.stranger {
			g.refused("too many strangers")
		}
		out.Close()
	}
	return true
}

// drop ends a key's connections.
func (g *gate) drop(key ed25519.PublicKey) {
	g.mu.Lock()
	var out []*link
	if own := g.devices[string(key)]; own != nil {
		for e := own.Front(); e != nil; e = e.Next() {
			out = append(out, e.Value.(*link))
		}
	}
	g.mu.Unlock()
	for _, l := range out {
		l.Close()
	}
}

// counts returns how many links of each kind there are.
func (g *gate) counts() (pending, strangers, devices int) {
	g.mu.Lock()
	defer g.mu.Unlock()
	return g.pending.Len(), g.strangers.Len(), g.entered
}
