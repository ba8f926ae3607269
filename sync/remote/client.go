// Package remote is a device's side of the line to a hub: exchange's Line over
// HTTP/2 and TLS 1.3. Both sides prove the key that the other knows; see
// package door.
package remote

import (
	"bytes"
	"context"
	"crypto"
	"crypto/ed25519"
	"errors"
	"fmt"
	"io"
	"iter"
	"net"
	"net/http"
	"strconv"
	"time"

	"github.com/klauspost/compress/zstd"

	"pinchrod/store/journal"
	"pinchrod/sync/exchange"
	"pinchrod/sync/hub/door"
)

// A Config says who calls whom.
type Config struct {
	Addresses []string         // of the hub, host:port, the likeliest first
	Hub       journal.Identity // what joining returned
	Self      journal.Identity
	Signer    crypto.Signer // the key of Self
	Dial      DialFunc      // a net.Dialer's when nil
}

// A Client speaks to one hub. It is safe for use by several goroutines, and
// keeps a connection for a while after it was used.
type Client struct {
	hub, self journal.Identity
	http      *http.Transport
}

// New returns a client; it does not call yet.
func New(c Config) (*Client, error) {
	d, err := newDialer(c.Addresses, c.Signer, c.Dial, func(key ed25519.PublicKey) error {
		if !key.Equal(c.Hub.Key) {
			return ErrWrongHub
		}
		return nil
	})
	if err != nil {
		return nil, err
	}
	return &Client{hub: c.Hub, self: c.Self, http: d.transport()}, nil
}

func newDialer(addresses []string, signer crypto.Signer, dial DialFunc, known func(ed25519.PublicKey) error) (*dialer, error) {
	own, err := door.Certificate(signer)
	if err != nil {
		return nil, err
	}
	if dial == nil {
		dial = (&net.Dialer{}).DialContext
	}
	return &dialer{addresses: addresses, config: door.ClientTLS(own, known), dial: dial}, nil
}

// Close closes the connections that are kept.
func (c *Client) Close() { c.http.CloseIdleConnections() }

// Peer returns the hub as package exchange meets it. Its errors are the
// journal's, the exchange's and this package's.
func (c *Client) Peer() exchange.Peer { return peer{exchange.Over(c, c.self, c.hub)} }

type peer struct{ exchange.Peer }

func (p peer) Meet(ctx context.Context, offer exchange.Offer, batches iter.Seq2[exchange.Batch, error], acked func(journal.Head)) (exchange.State, error) {
	s, err := p.Peer.Meet(ctx, offer, batches, acked)
	return s, peerError(err)
}

func (p peer) Fetch(ctx context.Context, wants []exchange.Want) iter.Seq2[exchange.Batch, error] {
	return func(yield func(exchange.Batch, error) bool) {
		for b, err := range p.Peer.Fetch(ctx, wants) {
			if !yield(b, peerError(err)) {
				return
			}
		}
	}
}

// base is where requests go. What name it has is of no account: the dialer knows
// the addresses, and the key says who it is.
const base = "https://hub"

func newRequest(ctx context.Context, method, path string, body io.Reader) (*http.Request, error) {
	r, err := http.NewRequestWithContext(ctx, method, base+path, body)
	if err != nil {
		return nil, err
	}
	r.Header["User-Agent"] = []string{""} // is not sent
	return r, nil
}

// Round sends a request of the exchange; see exchange.Line.
func (c *Client) Round(ctx context.Context, verb string, send func(io.Writer) error) (io.ReadCloser, error) {
	path, ok := map[string]string{exchange.VerbMeet: door.Meet, exchange.VerbFetch: door.Fetch}[verb]
	if !ok {
		return nil, fmt.Errorf("%w: %q", ErrRequest, verb)
	}
	up := newUpload()
	s := newSender(up)
	sent := make(chan struct{})
	go func() {
		defer close(sent)
		s.end(send(s))
	}()
	<-s.decided // as soon as there is a little, or all
	fail := func(err error) (io.ReadCloser, error) {
		up.leave(errAnswered)
		<-sent
		if s.err != nil && !errors.Is(s.err, errAnswered) {
			return nil, s.err // our own doing
		}
		return nil, lineError(err)
	}
	r, err := newRequest(ctx, http.MethodPost, path, up)
	if err != nil {
		return fail(err)
	}
	if s.packer != nil {
		r.Header["Content-Encoding"] = []string{"zstd"}
	}
	w, err := c.http.RoundTrip(r)
	if err != nil {
		return fail(err)
	}
	if w.StatusCode != http.StatusOK {
		return fail(statusError(w))
	}
	a := &answer{body: &noting{ReadCloser: w.Body}, up: up, sent: sent}
	a.in = a.body
	switch e := w.Header.Get("Content-Encoding"); e {
	case "":
	case "zstd":
		a.packed, err = zstd.NewReader(a.body, zstd.WithDecoderConcurrency(1), zstd.WithDecoderLowmem(true), zstd.WithDecoderMaxWindow(door.Window))
		a.in = a.packed
	default:
		err = fmt.Errorf("%w: an answer in encoding %q", exchange.ErrProtocol, e)
	}
	if err != nil {
		a.Close()
		return nil, err
	}
	return a, nil
}

// noting keeps in mind what the line has said last.
type noting struct {
	io.ReadCloser
	err error
}

func (n *noting) Read(p []byte) (k int, err error) {
	k, n.err = n.ReadCloser.Read(p)
	return k, n.err
}

// An answer is the body of what the hub answers.
type answer struct {
	body   *noting
	in     io.Reader // body, or what is packed in it
	packed *zstd.Decoder
	up     *upload
	sent   chan struct{}
}

func (a *answer) Read(p []byte) (int, error) {
	n, err := a.in.Read(p)
	if err != nil {
		a.up.leave(errAnswered)
		<-a.sent
	}
	if err != nil && err != io.EOF && (a.body.err == nil || a.body.err == io.EOF) {
		return n, fmt.Errorf("%w: unpacking the answer: %w", exchange.ErrProtocol, err)
	}
	return n, lineError(err)
}

func (a *answer) Close() error {
	err := a.body.Close()
	a.up.leave(errAnswered)
	<-a.sent
	if a.packed != nil {
		a.packed.Close()
		a.packed = nil
	}
	return err
}

// maxTrouble bounds the words of a refusal.
const maxTrouble = 4 << 10

// statusError reads why the hub refuses, and closes the answer.
func statusError(w *http.Response) error {
	defer w.Body.Close()
	body, err := io.ReadAll(io.LimitReader(w.Body, maxTrouble))
	if err != nil {
		return lineError(err)
	}
	err = door.Err(w.StatusCode, body)
	if errors.Is(err, ErrBusy) {
		if n, e := strconv.ParseUint(w.Header.Get("Retry-After"), 10, 31); e == nil {
			return &busyError{err, time.Duration(n) * time.Second}
		}
	}
	return err
}

// ask sends a small request and returns the small answer, of at most limit
// bytes.
func ask(ctx context.Context, via *http.Transport, path string, body []byte, limit int64) ([]byte, error) {
	r, err := newRequest(ctx, http.MethodPost, path, bytes.NewReader(body))
	if err != nil {
		return nil, err
	}
	w, err := via.RoundTrip(r)
	if err != nil {
		return nil, lineError(err)
	}
	if w.StatusCode != http.StatusOK {
		return nil, statusError(w)
	}
	defer w.Body.Close()
	b, err := io.ReadAll(io.LimitReader(w.Body, limit+1))
	if err != nil {
		return nil, lineError(err)
	}
	if int64(len(b)) > limit {
		return nil, fmt.Errorf("%w: an answer of more than %d bytes", exchange.ErrProtocol, limit)
	}
	return b, nil
}
