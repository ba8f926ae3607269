package nearby

import (
	"context"
	"errors"
	"net"
	"net/netip"
	"strings"
	"sync"
	"testing"
	"testing/synctest"
	"time"

	"github.com/google/go-cmp/cmp"
	"golang.org/x/net/dns/dnsmessage"
)

var workshop = Service{
	Instance:    "Werkstatt Süd",
	Port:        4711,
	Addrs:       []netip.Addr{netip.MustParseAddr("192.168.7.2"), netip.MustParseAddr("fe80::2")},
	Fingerprint: Fingerprint{0xde, 0xad, 0xbe, 0xef, 1, 2, 3, 4},
}

// A network carries packets between the lines on it.
type network struct {
	mu    sync.Mutex
	lines map[netip.AddrPort]*line
	log   []string // of what went to everyone
}

// said returns what went to everyone since it was last asked.
func (n *network) said() string {
	n.mu.Lock()
	defer n.mu.Unlock()
	out := strings.Join(n.log, " ")
	n.log = nil
	return out
}

type line struct {
	net  *network
	addr netip.AddrPort
	in   chan packet
	quit chan struct{}
	down bool // what it sends does not get through
}

func newNetwork() *network { return &network{lines: map[netip.AddrPort]*line{}} }

func (n *network) line(addr string) *line {
	l := &line{net: n, addr: netip.MustParseAddrPort(addr), in: make(chan packet, 64), quit: make(chan struct{})}
	n.mu.Lock()
	defer n.mu.Unlock()
	n.lines[l.addr] = l
	return l
}

func (l *line) Send(b []byte, to netip.AddrPort) error {
	l.net.mu.Lock()
	defer l.net.mu.Unlock()
	if l.down {
		return errors.New("the network is down")
	}
	if !to.IsValid() {
		m, err := parse(b)
		if err != nil {
			return err
		}
		kind := "question"
		if m.response {
			kind = "answer"
			if m.records[0].Header.TTL == 0 {
				kind = "goodbye"
			}
		}
		l.net.log = append(l.net.log, kind)
	}
	for addr, other := range l.net.lines {
		if other != l && (addr == to || !to.IsValid() && addr.Port() == mdnsPort) {
			other.in <- packet{b: append([]byte(nil), b...), from: l.addr}
		}
	}
	return nil
}

func (l *line) Receive(b []byte) (int, netip.AddrPort, error) {
	select {
	case p := <-l.in:
		return copy(b, p.b), p.from, nil
	case <-l.quit:
		return 0, netip.AddrPort{}, net.ErrClosed
	}
}

func (l *line) Close() error {
	l.net.mu.Lock()
	defer l.net.mu.Unlock()
	delete(l.net.lines, l.addr)
	close(l.quit)
	return nil
}

// announce lets a service be found until the returned function is called.
func announce(t *testing.T, s Service, l Line) (stop func()) {
	t.Helper()
	ctx, cancel := context.WithCancel(t.Context())
	done := make(chan error, 1)
	go func() { done <- Announce(ctx, s, Options{Line: l}) }()
	return func() {
		t.Helper()
		cancel()
		if err := <-done; err != nil {
			t.Error(err)
		}
	}
}

func TestFind(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		n := newNetwork()
		other := Service{Instance: "Nebenan", Port: 80, Fingerprint: Fingerprint{9}}
		stop1 := announce(t, workshop, n.line("[fe80::7%eth0]:5353"))
		stop2 := announce(t, other, n.line("10.0.0.9:5353"))
		synctest.Wait()
		want := []Candidate{
			{Instance: "Nebenan 09000000", Version: 1, Fingerprint: Fingerprint{9}, Addrs: []netip.AddrPort{netip.MustParseAddrPort("10.0.0.9:80")}},
			{Instance: "Werkstatt Süd deadbeef", Version: 1, Fingerprint: workshop.Fingerprint, Addrs: []netip.AddrPort{
				netip.MustParseAddrPort("192.168.7.2:4711"), netip.MustParseAddrPort("[fe80::2%eth0]:4711")}},
		}
		start := time.Now()
		got, err := Find(t.Context(), Options{Line: n.line("10.0.0.1:40000")})
		if d := cmp.Diff(want, got, cmp.Comparer(func(a, b netip.AddrPort) bool { return a == b })); d != "" || err != nil {
			t.Error(d, err)
		}
		if d := time.Since(start); d != 3*time.Second {
			t.Errorf("it took %v", d)
		}
		// The one that is wanted comes at once, and first.
		start = time.Now()
		got, err = Find(t.Context(), Options{Line: n.line("10.0.0.1:40000"), Want: workshop.Fingerprint})
		if err != nil || len(got) == 0 || got[0].Fingerprint != workshop.Fingerprint || time.Since(start) > 200*time.Millisecond {
			t.Errorf("%v, %v after %v", got, err, time.Since(start))
		}
		// A context whose time is up is no error; one that is cancelled is.
		ctx, cancel := context.WithTimeout(t.Context(), 100*time.Millisecond)
		defer cancel()
		if got, err = Find(ctx, Options{Line: n.line("10.0.0.1:40000"), Want: Fingerprint{1}}); err != nil || len(got) != 2 {
			t.Errorf("%v, %v", got, err)
		}
		ctx, cancel = context.WithCancel(t.Context())
		cancel()
		if _, err = Find(ctx, Options{Line: n.line("10.0.0.1:40000")}); !errors.Is(err, context.Canceled) {
			t.Errorf("cancelled: %v", err)
		}
		stop1()
		stop2()
		if got, err = Find(t.Context(), Options{Line: n.line("10.0.0.1:40000")}); err != nil || len(got) != 0 {
			t.Errorf("when they are gone: %v, %v", got, err)
		}
	})
}

// A question or an answer that is lost is made up for.
func TestLost(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		n := newNetwork()
		hub := n.line("10.0.0.9:5353")
		stop := announce(t, workshop, hub)
		synctest.Wait()
		hub.net.mu.Lock()
		hub.down = true
		hub.net.mu.Unlock()
		time.AfterFunc(900*time.Millisecond, func() {
			hub.net.mu.Lock()
			hub.down = false
			hub.net.mu.Unlock()
		})
		start := time.Now()
		got, err := Find(t.Context(), Options{Line: n.line("10.0.0.1:40000"), Want: workshop.Fingerprint})
		if err != nil || len(got) != 1 || time.Since(start) < time.Second || time.Since(start) > 1200*time.Millisecond {
			t.Errorf("%v, %v after %v", got, err, time.Since(start))
		}
		stop()
	})
}

// TestAnnounce looks at what goes to everyone, and how often.
func TestAnnounce(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		n := newNetwork()
		peer := n.line("10.0.0.5:5353") // one that speaks multicast DNS
		stop := announce(t, workshop, n.line("10.0.0.9:5353"))
		time.Sleep(10 * time.Second)
		if got := n.said(); got != "answer answer" {
			t.Errorf("at first: %q", got)
		}
		// Many questions for everyone are answered once, and not again at once.
		ask := func(class dnsmessage.Class) {
			t.Helper()
			m := dnsmessage.Message{Questions: []dnsmessage.Question{{Name: dnsmessage.MustNewName(serviceName), Type: dnsmessage.TypePTR, Class: class}}}
			b, err := m.Pack()
			if err == nil {
				err = peer.Send(b, netip.AddrPort{})
			}
			if err != nil {
				t.Fatal(err)
			}
		}
		for range 5 {
			ask(dnsmessage.ClassINET)
		}
		time.Sleep(10 * time.Millisecond)
		if got := n.said(); got != "question question question question question" {
			t.Errorf("before 20 ms: %q", got)
		}
		time.Sleep(490 * time.Millisecond)
		ask(dnsmessage.ClassINET)
		time.Sleep(300 * time.Millisecond)
		if got := n.said(); got != "answer question" {
			t.Errorf("within a second: %q", got)
		}
		time.Sleep(time.Second)
		ask(dnsmessage.ClassINET)
		time.Sleep(200 * time.Millisecond)
		if got := n.said(); got != "question answer" {
			t.Errorf("after a second: %q", got)
		}
		// Who wants it alone gets it alone, and not without end.
		synctest.Wait()
		for len(peer.in) > 0 {
			<-peer.in
		}
		for range 50 {
			ask(dnsmessage.ClassINET | topBit)
			time.Sleep(2 * time.Millisecond)
		}
		if got := len(peer.in); got != burst+5 && got != burst+4 {
			t.Errorf("%d answers in 100 ms, want %d and one more each 20 ms", got, burst)
		}
		n.said()
		stop()
		if got := n.said(); got != "goodbye" {
			t.Errorf("at the end: %q", got)
		}
	})
}

// A line that fails ends it; packets that are nothing do not.
func TestNonsense(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		n := newNetwork()
		hub := n.line("10.0.0.9:5353")
		stop := announce(t, workshop, hub)
		synctest.Wait()
		for _, b := range [][]byte{nil, {0}, make([]byte, 12), make([]byte, maxPacket+5), []byte(strings.Repeat("\xc0\x0c", 300))} {
			hub.in <- packet{b: b, from: netip.MustParseAddrPort("10.0.0.1:1")}
		}
		l := n.line("10.0.0.1:40000")
		for _, b := range [][]byte{nil, make([]byte, maxPacket+5)} {
			l.in <- packet{b: b, from: hub.addr}
		}
		if got, err := Find(t.Context(), Options{Line: l, Want: workshop.Fingerprint}); err != nil || len(got) != 1 {
			t.Errorf("%v, %v", got, err)
		}
		stop()
		for _, do := range []func(Line) error{
			func(l Line) error { return Announce(t.Context(), workshop, Options{Line: l}) },
			func(l Line) error { _, err := Find(t.Context(), Options{Line: l}); return err },
		} {
			l := n.line("10.0.0.1:40000")
			time.AfterFunc(100*time.Millisecond, func() { close(l.quit) })
			if err := do(noClose{l}); !errors.Is(err, net.ErrClosed) {
				t.Errorf("a line that fails: %v", err)
			}
			l = n.line("10.0.0.1:40000")
			l.down = true
			if err := do(l); err == nil {
				t.Error("a line that sends nothing")
			}
		}
	})
}

// noClose is a line that is closed already.
type noClose struct{ *line }

func (noClose) Close() error { return nil }

func TestAnnounceRefused(t *testing.T) {
	for name, change := range map[string]func(*Service){
		"no name":     func(s *Service) { s.Instance = "" },
		"a long name": func(s *Service) { s.Instance = strings.Repeat("x", 55) },
		"a dot":       func(s *Service) { s.Instance = "a.b" },
		"an escape":   func(s *Service) { s.Instance = "\x1b[31mred" },
		"no UTF-8":    func(s *Service) { s.Instance = "S\xfcd" },
		"no port":     func(s *Service) { s.Port = 0 },
		"addresses":   func(s *Service) { s.Addrs = make([]netip.Addr, maxAddrs+1) },
	} {
		s := workshop
		change(&s)
		if err := Announce(t.Context(), s, Options{Line: newNetwork().line("10.0.0.9:5353")}); err == nil {
			t.Errorf("%s is announced", name)
		}
	}
}

// TestSockets does it with real sockets, on the loopback interface.
func TestSockets(t *testing.T) {
	all, err := net.Interfaces()
	if err != nil {
		t.Fatal(err)
	}
	var lo []net.Interface
	for _, i := range all {
		if i.Flags&net.FlagLoopback != 0 {
			lo = append(lo, i)
		}
	}
	hear, err := open(lo, true)
	if err != nil {
		t.Fatal(err)
	}
	ask, err := open(lo, false)
	if err != nil {
		t.Fatal(err)
	}
	stop := announce(t, workshop, hear)
	got, err := Find(t.Context(), Options{Line: ask, Want: workshop.Fingerprint})
	if err != nil || len(got) == 0 || got[0].Fingerprint != workshop.Fingerprint || got[0].Addrs[0] != netip.AddrPortFrom(workshop.Addrs[0], 4711) {
		t.Errorf("%v, %v", got, err)
	}
	stop()
	for _, l := range []Line{hear, ask} {
		if err := l.Close(); err != nil {
			t.Errorf("closing twice: %v", err)
		}
		if _, _, err := l.Receive(make([]byte, 1)); !errors.Is(err, net.ErrClosed) {
			t.Errorf("after closing: %v", err)
		}
	}
	if _, err := open([]net.Interface{}, true); err == nil {
		t.Error("opened on no interface")
	}
}

func TestLink(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		looks := 0
		addrs := []net.Addr{&net.IPNet{IP: net.IPv4(192, 168, 7, 2), Mask: net.CIDRMask(24, 32)}}
		l := link{addrs: func() ([]net.Addr, error) { looks++; return addrs, nil }}
		for a, want := range map[string]bool{
			"192.168.7.99": true, "::ffff:192.168.7.9": true, "192.168.8.1": false, "fe80::1%eth0": true, "169.254.1.1": true, "2001:db8::1": false, "8.8.8.8": false,
		} {
			if got := l.has(netip.MustParseAddr(a)); got != want && looks == 1 {
				t.Errorf("%s is on the link: %t", a, got)
			}
		}
		if looks != 1 {
			t.Errorf("it looked %d times in no time", looks)
		}
		addrs = append(addrs, &net.IPNet{IP: net.ParseIP("2001:db8::5"), Mask: net.CIDRMask(64, 128)})
		time.Sleep(time.Second)
		if !l.has(netip.MustParseAddr("2001:db8::1")) || l.has(netip.MustParseAddr("8.8.8.8")) || looks != 2 {
			t.Errorf("another network: %v after %d looks", l.on, looks)
		}
	})
}
