package nearby

import (
	"context"
	"errors"
	"fmt"
	"math/rand/v2"
	"net"
	"net/netip"
	"time"
)

// A Line carries packets to and from the local network, and from nowhere else.
type Line interface {
	// Send sends a packet to an address; to everyone listening, if that is the
	// zero AddrPort.
	Send(b []byte, to netip.AddrPort) error
	// Receive waits for a packet, of which it may drop what does not fit b.
	// After Close it fails.
	Receive(b []byte) (n int, from netip.AddrPort, err error)
	Close() error
}

// Options say how to announce or to find. The zero value does on all
// interfaces.
type Options struct {
	Interfaces []net.Interface // those that are up and multicast when nil
	// Wait bounds how long Find waits, beside its context; 3 s when 0. Answers
	// come within a fraction of a second, and a lost one after the second
	// asking.
	Wait time.Duration
	// Want, if set, is the fingerprint of the hub that is looked for: Find
	// returns as soon as it has an answer with that.
	Want Fingerprint
	// Line carries the packets; it is closed at the end. Multicast on real
	// sockets when nil.
	Line Line
}

// mdnsPort is multicast DNS's; who asks from another port speaks plain DNS.
const mdnsPort = 5353

// A packet that has come, or the end of the line.
type packet struct {
	b    []byte
	from netip.AddrPort
	err  error
}

// listen hands on what comes by a line until it is closed.
func listen(l Line, done <-chan struct{}) <-chan packet {
	out := make(chan packet)
	go func() {
		defer close(out)
		buf := make([]byte, maxPacket+1)
		for {
			n, from, err := l.Receive(buf)
			p := packet{append([]byte(nil), buf[:n]...), netip.AddrPortFrom(from.Addr().Unmap(), from.Port()), err}
			select {
			case out <- p:
			case <-done:
				return
			}
			if err != nil {
				return
			}
		}
	}()
	return out
}

// Rates and delays of answering.
const (
	// everyone is the least time between two answers to everyone, RFC 6762
	// section 6; so is the time between the two first announcements, 8.3.
	everyone = time.Second
	// An answer to everyone waits a random time within these, lest all who
	// answer do so at once; section 6.
	minDelay, maxDelay = 20 * time.Millisecond, 120 * time.Millisecond
	// Answers to one asker: so many at once, as when the devices of a workshop
	// are all switched on, and then one each single, which is too little to
	// flood anybody with. Common practice, no source.
	burst  = 32
	single = 20 * time.Millisecond
)

// Announce lets a hub be found until ctx ends, and then says that it is gone.
// It returns nil then, or what is wrong with the line.
func Announce(ctx context.Context, s Service, o Options) (err error) {
	defer func() {
		if err != nil {
			err = fmt.Errorf("announcing the hub: %w", err)
		}
	}()
	hello, err := s.announcement(false)
	if err != nil {
		return err
	}
	bye, err := s.announcement(true)
	if err != nil {
		return err
	}
	line := o.Line
	if line == nil {
		if line, err = open(o.Interfaces, true); err != nil {
			return err
		}
	}
	done := make(chan struct{})
	packets := listen(line, done)
	defer func() {
		close(done)
		err = errors.Join(err, line.Close())
		for range packets {
		}
	}()
	var toAll time.Time // the last answer to everyone
	ones := allowance{left: burst, at: time.Now()}
	var waiting []byte // an answer to everyone that is due soon
	var due <-chan time.Time
	if err := line.Send(hello, netip.AddrPort{}); err != nil {
		return err
	}
	again := time.After(everyone)
	for {
		select {
		case <-ctx.Done():
			return line.Send(bye, netip.AddrPort{})
		case <-again:
			if err := line.Send(hello, netip.AddrPort{}); err != nil {
				return err
			}
			again = nil
		case <-due:
			// A network that is down for a moment is no reason to end.
			_ = line.Send(waiting, netip.AddrPort{})
			toAll, waiting, due = time.Now(), nil, nil
		case p := <-packets:
			if p.err != nil {
				return p.err
			}
			q, err := parse(p.b)
			if err != nil || q.response {
				continue
			}
			b, direct, err := s.answer(q, p.from.Port() != mdnsPort)
			switch {
			case err != nil:
				return err
			case b == nil:
			case direct:
				if ones.take(time.Now()) {
					_ = line.Send(b, p.from)
				}
			case waiting != nil:
				waiting = hello // which has what either has asked for
			case time.Since(toAll) >= everyone:
				waiting, due = b, time.After(minDelay+rand.N(maxDelay-minDelay))
			}
		}
	}
}

// An allowance of answers, that grows by one each single up to a burst.
type allowance struct {
	left int
	at   time.Time
}

func (a *allowance) take(now time.Time) bool {
	if n := int(now.Sub(a.at) / single); n > 0 {
		a.left, a.at = min(burst, a.left+n), a.at.Add(time.Duration(n)*single)
	}
	if a.left == 0 {
		return false
	}
	a.left--
	return true
}

// Find asks who is there, and returns what can be dialled when ctx or the wait
// ends, or when the hub that is wanted has answered. There may be none, and
// none of it is to be trusted. A ctx that is cancelled is an error; one whose
// time is up is not.
func Find(ctx context.Context, o Options) (out []Candidate, err error) {
	defer func() {
		if err != nil {
			err = fmt.Errorf("looking for a hub nearby: %w", err)
		}
	}()
	line := o.Line
	if line == nil {
		if line, err = open(o.Interfaces, false); err != nil {
			return nil, err
		}
	}
	done := make(chan struct{})
	packets := listen(line, done)
	defer func() {
		close(done)
		err = errors.Join(err, line.Close())
		for range packets {
		}
	}()
	wait := o.Wait
	if wait <= 0 {
		wait = 3 * time.Second
	}
	end := time.After(wait)
	id := uint16(rand.Uint32())
	ask, err := query(id)
	if err != nil {
		return nil, err
	}
	// The first interval is a second, and each the double of the last: RFC 6762
	// section 5.2.
	interval := time.Second
	if err := line.Send(ask, netip.AddrPort{}); err != nil {
		return nil, err
	}
	again := time.After(interval)
	f := newFound()
	for {
		select {
		case <-ctx.Done():
			if errors.Is(ctx.Err(), context.DeadlineExceeded) {
				return f.candidates(o.Want), nil
			}
			return f.candidates(o.Want), ctx.Err()
		case <-end:
			return f.candidates(o.Want), nil
		case <-again:
			if err := line.Send(ask, netip.AddrPort{}); err != nil {
				return f.candidates(o.Want), err
			}
			interval *= 2
			again = time.After(interval)
		case p := <-packets:
			if p.err != nil {
				return f.candidates(o.Want), p.err
			}
			m, err := parse(p.b)
			// An answer to us alone has our number (RFC 6762 section 6.7); one
			// to everyone has none.
			if err != nil || m.id != id && m.id != 0 {
				continue
			}
			f.add(m, p.from.Addr())
			if c := f.candidates(o.Want); o.Want != (Fingerprint{}) && len(c) > 0 && c[0].Fingerprint == o.Want {
				return c, nil
			}
		}
	}
}
