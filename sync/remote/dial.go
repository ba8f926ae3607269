package remote

import (
	"context"
	"crypto/tls"
	"errors"
	"fmt"
	"net"
	"net/http"
	"sync/atomic"
	"time"

	"pinchrod/sync/hub/door"
)

// DialFunc makes a connection, as net.Dialer's DialContext does.
type DialFunc func(ctx context.Context, network, address string) (net.Conn, error)

const (
	// dialEvery is how long one address has before the next is tried beside it:
	// the time that RFC 8305 section 5 recommends.
	dialEvery = 250 * time.Millisecond
	// dialMost bounds one address, to the end of the handshake: three round
	// trips over a poor mobile line, and one lost packet.
	dialMost = 10 * time.Second
	// keepIdle is how long a connection is kept for a next request; under the
	// hub's own patience, so that none is used that the hub is just closing.
	keepIdle = 30 * time.Second
	// silence is how long the line is silent before the hub is asked whether it
	// is there, and how long it has to answer.
	silence = 15 * time.Second
)

// A dialer finds a hub at one of its addresses.
type dialer struct {
	addresses []string
	config    *tls.Config
	dial      DialFunc
	last      atomic.Int64 // the address that worked last
}

// transport speaks HTTP/2 with the hub that the dialer finds.
func (d *dialer) transport() *http.Transport {
	only2 := new(http.Protocols)
	only2.SetHTTP2(true)
	return &http.Transport{
		DialTLSContext:         func(ctx context.Context, _, _ string) (net.Conn, error) { return d.connect(ctx) },
		Protocols:              only2,
		DisableCompression:     true, // what is worth it is packed already
		IdleConnTimeout:        keepIdle,
		MaxResponseHeaderBytes: 4 << 10, // ours have under 200
		HTTP2: &http.HTTP2Config{
			MaxReceiveBufferPerConnection: 1 << 20, // 20 MB/s at a round trip of 50 ms
			MaxReceiveBufferPerStream:     1 << 20,
			SendPingTimeout:               silence,
			PingTimeout:                   silence,
			WriteByteTimeout:              2 * silence,
		},
	}
}

// connect tries the addresses, the one that worked last first, and each a
// little after the one before.
func (d *dialer) connect(ctx context.Context) (net.Conn, error) {
	if len(d.addresses) == 0 {
		return nil, fmt.Errorf("%w: no address is known", ErrOffline)
	}
	ctx, cancel := context.WithTimeout(ctx, dialMost+time.Duration(len(d.addresses))*dialEvery)
	defer cancel()
	type result struct {
		at   int
		conn net.Conn
		err  error
	}
	results := make(chan result, len(d.addresses))
	first, started, ended := int(d.last.Load()), 0, 0
	start := func() {
		at := (first + started) % len(d.addresses)
		started++
		go func() {
			c, err := d.one(ctx, d.addresses[at])
			results <- result{at, c, err}
		}()
	}
	next := time.NewTicker(dialEvery)
	defer next.Stop()
	start()
	var errs []error
	for ended < len(d.addresses) {
		select {
		case r := <-results:
			ended++
			if r.err == nil {
				d.last.Store(int64(r.at))
				go func(left int) { // those that are still at it
					for range left {
						if r := <-results; r.conn != nil {
							r.conn.Close()
						}
					}
				}(started - ended)
				return r.conn, nil
			}
			errs = append(errs, fmt.Errorf("%s: %w", d.addresses[r.at], r.err))
		case <-next.C:
		}
		if started < len(d.addresses) { // one has failed, or has had its time
			start()
		}
	}
	err := errors.Join(errs...)
	if errors.Is(err, ErrWrongHub) {
		return nil, err
	}
	return nil, fmt.Errorf("%w: %w", ErrOffline, err)
}

// one connects to one address, to the end of the handshake.
func (d *dialer) one(ctx context.Context, address string) (net.Conn, error) {
	raw, err := d.dial(ctx, "tcp", address)
	if err != nil {
		return nil, err
	}
	c := tls.Client(raw, d.config)
	if err := c.HandshakeContext(ctx); err != nil {
		raw.Close()
		return nil, err
	}
	if p := c.ConnectionState().NegotiatedProtocol; p != door.ALPN {
		raw.Close()
		return nil, fmt.Errorf("%w: it speaks %q", ErrWrongHub, p)
	}
	return c, nil
}
