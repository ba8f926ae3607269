package remote_test

import (
	"crypto/ed25519"
	"crypto/tls"
	"fmt"
	"net"
	"sync"
	"sync/atomic"
	"testing"

	"pinchrod/store"
	"pinchrod/sync/exchange"
	"pinchrod/sync/hub/door"
)

// A tap stands between a device and its hub, with both their keys, and counts
// what they say to each other inside TLS. It can hold back what the hub says.
type tap struct {
	address string
	out, in atomic.Int64
	hold    atomic.Int64 // the device hears nothing until the hub has said as much
}

func newTap(t testing.TB, hub, device *store.Store, address string) *tap {
	t.Helper()
	hubCert, err := door.Certificate(hub.Signer())
	if err != nil {
		t.Fatal(err)
	}
	deviceCert, err := door.Certificate(device.Signer())
	if err != nil {
		t.Fatal(err)
	}
	l := tls.NewListener(listen(t), door.HubTLS(hubCert))
	x := &tap{address: l.Addr().String()}
	config := door.ClientTLS(deviceCert, func(ed25519.PublicKey) error { return nil })
	var pumps sync.WaitGroup
	pumps.Go(func() {
		for {
			from, err := l.Accept()
			if err != nil {
				return
			}
			to, err := tls.Dial("tcp", address, config)
			if err != nil {
				from.Close()
				continue
			}
			pumps.Go(func() { pump(to, from, &x.out, new(atomic.Int64)) })
			pumps.Go(func() { pump(from, to, &x.in, &x.hold) })
		}
	})
	t.Cleanup(func() {
		l.Close()
		pumps.Wait()
	})
	return x
}

func pump(to, from net.Conn, count, hold *atomic.Int64) {
	defer to.Close()
	defer from.Close()
	b := make([]byte, 64<<10)
	var held []byte
	for {
		n, err := from.Read(b)
		held = append(held, b[:n]...)
		if count.Add(int64(n)) >= hold.Load() && len(held) > 0 {
			if _, err := to.Write(held); err != nil {
				return
			}
			held = nil
		}
		if err != nil {
			return
		}
	}
}

// readings are as a device writes them: about 130 bytes a page.
func readings(n int) []store.Draft {
	var out []store.Draft
	for i := range n {
		p := fmt.Sprintf("\xa6\x01\x19\x04\xe6\x02dgap \x03\x1a%c%c%c%c\x04e%d.%d\x05fbottom\x06x", byte(i>>24), byte(i>>16), byte(i>>8), byte(i), 88+i*7%25, i*13%10)
		out = append(out, store.Draft{Payload: []byte(p)})
	}
	return out
}

// A sync with nothing new takes one round trip and under 600 bytes inside TLS,
// on a fresh connection; with ten readings more, under 1.2 kB. The figures are
// targets of this project's own.
func TestBytes(t *testing.T) {
	t.Parallel()
	w := newWorkshop(t, nil)
	d := w.join(door.Surveyor)
	job := newJob(t)
	write := func(n int) {
		t.Helper()
		for _, draft := range readings(n) {
			draft.Job = job
			if _, err := d.book.Append(draft); err != nil {
				t.Fatal(err)
			}
		}
	}
	measure := func(hold int64) int64 {
		t.Helper()
		x := newTap(t, w.book, d.book, w.address)
		x.hold.Store(hold)
		client := w.client(d.book, redirect(x.address))
		if _, err := exchange.Run(t.Context(), d.book, client.Peer(), exchange.Progress{}); err != nil {
			t.Fatal(err)
		}
		t.Logf("%d bytes out, %d in", x.out.Load(), x.in.Load())
		return x.out.Load() + x.in.Load()
	}
	write(30)
	measure(0)
	if got := measure(0); got >= 600 {
		t.Errorf("nothing new: %d bytes, want under 600", got)
	}
	// The hub's preface has some 70 bytes and its receipt 170. That the device
	// is through although it has heard nothing before both are there shows that
	// it had said all it had to.
	measure(200)
	write(10)
	if got := measure(200); got >= 1200 {
		t.Errorf("ten more: %d bytes, want under 1200", got)
	}
}
