package nearby

import (
	"errors"
	"fmt"
	"net"
	"net/netip"
	"slices"
	"sync"
	"time"

	"golang.org/x/net/ipv4"
	"golang.org/x/net/ipv6"
)

// sockets is a Line of real sockets, one of each IP version that is there.
type sockets struct {
	conns []*conn
	in    chan packet
	quit  chan struct{}
	close func() error
	link  link
}

// A link knows which addresses are on the links that this machine is on (RFC
// 6762 section 11): what comes from elsewhere is not for us.
type link struct {
	addrs  func() ([]net.Addr, error) // net.InterfaceAddrs
	mu     sync.Mutex
	on     []netip.Prefix
	looked time.Time
}

// has tells whether an address is on a link. A machine's own addresses change,
// so before it says no it looks again, if it has not within the last second.
func (l *link) has(a netip.Addr) bool {
	if a = a.Unmap(); a.IsLinkLocalUnicast() {
		return true
	}
	a = a.WithZone("")
	l.mu.Lock()
	defer l.mu.Unlock()
	known := func() bool {
		return slices.ContainsFunc(l.on, func(p netip.Prefix) bool { return p.Contains(a) })
	}
	if known() {
		return true
	}
	if time.Since(l.looked) < time.Second {
		return false
	}
	l.looked = time.Now()
	addrs, err := l.addrs()
	if err != nil {
		return false
	}
	l.on = nil
	for _, x := range addrs {
		if p, err := netip.ParsePrefix(x.String()); err == nil {
			l.on = append(l.on, p)
		}
	}
	return known()
}

// A conn is a socket that reaches the group on some interfaces.
type conn struct {
	*net.UDPConn
	group *net.UDPAddr
	via   []net.Interface
	// use has the next packet to the group go by an interface.
	use func(*net.Interface) error
	mu  sync.Mutex
}

// A multicaster sets up one socket for one version of IP.
type multicaster interface {
	JoinGroup(*net.Interface, net.Addr) error
	SetMulticastInterface(*net.Interface) error
	SetMulticastLoopback(bool) error
}

// families are the two versions of IP, with the groups of RFC 6762 section 3.
// Its section 11 sets the hop limit to 255.
var families = []struct {
	network string
	group   net.IP
	setUp   func(*net.UDPConn) (multicaster, error)
}{
	{"udp4", net.IPv4(224, 0, 0, 251), func(c *net.UDPConn) (multicaster, error) {
		p := ipv4.NewPacketConn(c)
		return p, p.SetMulticastTTL(255)
	}},
	{"udp6", net.ParseIP("ff02::fb"), func(c *net.UDPConn) (multicaster, error) {
		p := ipv6.NewPacketConn(c)
		return p, p.SetMulticastHopLimit(255)
	}},
}

// open opens sockets on interfaces; those that are up and multicast when nil.
// One that is to hear questions is at the group's port, which it shares with
// whoever else is there (the system's own service, often); one that only asks
// is at a port of its own, and answers come to it alone.
func open(on []net.Interface, hear bool) (Line, error) {
	if on == nil {
		all, err := net.Interfaces()
		if err != nil {
			return nil, err
		}
		for _, i := range all {
			if i.Flags&(net.FlagUp|net.FlagMulticast|net.FlagLoopback) == net.FlagUp|net.FlagMulticast {
				on = append(on, i)
			}
		}
	}
	if len(on) == 0 {
		return nil, errors.New("there is no network to look on: connect to one, or give the hub's address")
	}
	s := &sockets{in: make(chan packet, 16), quit: make(chan struct{}), link: link{addrs: net.InterfaceAddrs}}
	s.close = sync.OnceValue(s.end)
	var failed []error
	for _, f := range families {
		c, err := openConn(f.network, &net.UDPAddr{IP: f.group, Port: mdnsPort}, on, hear, f.setUp)
		if err != nil {
			failed = append(failed, err)
			continue
		}
		s.conns = append(s.conns, c)
	}
	if len(s.conns) == 0 {
		return nil, errors.Join(failed...)
	}
	for _, c := range s.conns {
		go s.read(c)
	}
	return s, nil
}

func openConn(network string, group *net.UDPAddr, on []net.Interface, hear bool, setUp func(*net.UDPConn) (multicaster, error)) (*conn, error) {
	out := &conn{group: group}
	var err error
	if !hear {
		out.UDPConn, err = net.ListenUDP(network, nil)
		out.via = on
	}
	// The socket is made when the first interface takes part, and the others
	// join it there.
	var m multicaster
	for i := range on {
		var e error
		switch {
		case !hear:
			continue
		case out.UDPConn == nil:
			out.UDPConn, e = net.ListenMulticastUDP(network, &on[i], group)
			if e == nil {
				m, e = setUp(out.UDPConn)
			}
		default:
			e = m.JoinGroup(&on[i], group)
		}
		if e != nil {
			err = errors.Join(err, fmt.Errorf("%s on %s: %w", network, on[i].Name, e))
			continue
		}
		out.via = append(out.via, on[i])
	}
	if out.UDPConn == nil {
		return nil, err
	}
	if m == nil {
		m, err = setUp(out.UDPConn)
	} else {
		err = nil // where it cannot be, another interface is
	}
	// A hub and a device can be on one machine.
	if err = errors.Join(err, m.SetMulticastLoopback(true)); err != nil {
		return nil, errors.Join(err, out.UDPConn.Close())
	}
	out.use = m.SetMulticastInterface
	return out, nil
}

// badReads is how many reads in a row may fail before a socket is given up:
// some systems report there what became of a packet that was sent before.
// Common practice, no source.
const badReads = 16

// read hands on what comes by one socket.
func (s *sockets) read(c *conn) {
	buf := make([]byte, maxPacket+1)
	bad := 0
	for {
		n, from, err := c.ReadFromUDPAddrPort(buf)
		if bad++; err == nil {
			bad = 0
		} else if bad < badReads && !errors.Is(err, net.ErrClosed) {
			continue
		}
		if err == nil && !s.link.has(from.Addr()) {
			continue
		}
		select {
		case s.in <- packet{append([]byte(nil), buf[:n]...), from, err}:
		case <-s.quit:
			return
		}
		if err != nil {
			return
		}
	}
}

// Receive waits for a packet by any of the sockets.
func (s *sockets) Receive(b []byte) (int, netip.AddrPort, error) {
	select {
	case p := <-s.in:
		return copy(b, p.b), p.from, p.err
	case <-s.quit:
		return 0, netip.AddrPort{}, net.ErrClosed
	}
}

// Send sends a packet by the sockets that can reach the address.
func (s *sockets) Send(b []byte, to netip.AddrPort) error {
	var err error
	sent := false
	for _, c := range s.conns {
		if to.IsValid() {
			if to.Addr().Is4() != (c.group.IP.To4() != nil) {
				continue
			}
			_, err = c.WriteToUDPAddrPort(b, to)
			return err
		}
		n, e := c.sendAll(b)
		sent, err = sent || n > 0, errors.Join(err, e)
	}
	if sent {
		return nil
	}
	return err
}

// sendAll sends a packet to the group on every interface, and returns on how
// many that was possible.
func (c *conn) sendAll(b []byte) (n int, err error) {
	c.mu.Lock()
	defer c.mu.Unlock()
	for i := range c.via {
		to := *c.group
		if to.IP.To4() == nil {
			to.Zone = c.via[i].Name
		}
		e := c.use(&c.via[i])
		if e == nil {
			_, e = c.WriteToUDP(b, &to)
		}
		if e != nil {
			err = errors.Join(err, fmt.Errorf("%s: %w", c.via[i].Name, e))
			continue
		}
		n++
	}
	return n, err
}

// Close closes the sockets. Closing twice is nothing.
func (s *sockets) Close() error { return s.close() }

func (s *sockets) end() (err error) {
	close(s.quit)
	for _, c := range s.conns {
		err = errors.Join(err, c.UDPConn.Close())
	}
	return err
}
