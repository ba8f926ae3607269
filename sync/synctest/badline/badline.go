// Package badline is a TCP line that can be slow, narrow, cut and noisy, and
// that counts what goes over it. Tests and measurements put it between a device
// and a hub.
package badline

import (
	"context"
	"encoding/binary"
	"io"
	"math/rand/v2"
	"net"
	"sync"
	"sync/atomic"
	"time"
)

// Trouble says how bad a line is. The zero value is a good one.
type Trouble struct {
	Delay   time.Duration // of each piece that is carried
	Rate    int           // bytes a second each way; 0 for as fast as it goes
	Cut     float64       // chance of each piece that the connection ends in it
	Corrupt float64       // chance of each piece that one of its bits is flipped
	Seed    uint64
}

// Count says what went over a line.
type Count struct {
	Connections int64
	Up, Down    int64 // bytes of TCP payload, to and from the far end
	// Of these, what was inside TLS 1.3 records of application data, without
	// the records' own framing. The handshake's encrypted records are left out:
	// they are the first of each side, as many as Hello says.
	InsideUp, InsideDown int64
}

// The encrypted records of a TLS 1.3 handshake with both certificates, as
// crypto/tls writes them, one a message: certificate, its proof and finished;
// on the other side extensions and the request for a certificate come before.
// A hub that issues no tickets writes none after.
const (
	helloUp   = 3
	helloDown = 5
)

// A Line listens on loopback and carries connections to an address.
type Line struct {
	net.Listener
	to   string
	live sync.WaitGroup
	stop context.CancelFunc
	ctx  context.Context

	mu      sync.Mutex
	trouble Trouble
	random  *rand.Rand

	connections, up, down, insideUp, insideDown atomic.Int64
}

// New begins a line to an address.
func New(to string, t Trouble) (*Line, error) {
	l, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		return nil, err
	}
	ctx, stop := context.WithCancel(context.Background())
	x := &Line{Listener: l, to: to, ctx: ctx, stop: stop}
	x.Set(t)
	x.live.Go(x.serve)
	return x, nil
}

// Set makes the line better or worse, for what is carried from now on.
func (x *Line) Set(t Trouble) {
	x.mu.Lock()
	defer x.mu.Unlock()
	x.trouble, x.random = t, rand.New(rand.NewPCG(t.Seed, 1))
}

// To moves the far end: the hub came up again elsewhere.
func (x *Line) To(to string) {
	x.mu.Lock()
	defer x.mu.Unlock()
	x.to = to
}

// Count returns what has gone over the line so far.
func (x *Line) Count() Count {
	return Count{
		Connections: x.connections.Load(), Up: x.up.Load(), Down: x.down.Load(),
		InsideUp: x.insideUp.Load(), InsideDown: x.insideDown.Load(),
	}
}

// Close cuts the line and ends what is on it.
func (x *Line) Close() error {
	x.stop()
	err := x.Listener.Close()
	x.live.Wait()
	return err
}

func (x *Line) serve() {
	for {
		near, err := x.Accept()
		if err != nil {
			return
		}
		x.connections.Add(1)
		x.live.Go(func() { x.join(near) })
	}
}

func (x *Line) join(near net.Conn) {
	defer near.Close()
	x.mu.Lock()
	to := x.to
	x.mu.Unlock()
	far, err := net.Dial("tcp", to)
	if err != nil {
		return
	}
	defer far.Close()
	undo := context.AfterFunc(x.ctx, func() { near.Close(); far.Close() })
	defer undo()
	var both sync.WaitGroup
	both.Go(func() { x.carry(far, near, &x.up, &records{skip: helloUp, inside: &x.insideUp}) })
	both.Go(func() { x.carry(near, far, &x.down, &records{skip: helloDown, inside: &x.insideDown}) })
	both.Wait()
}

// carry copies one way, with the line's trouble. When it ends, so does that way
// of the connection, or all of it if it was cut.
func (x *Line) carry(to, from net.Conn, n *atomic.Int64, r *records) {
	b := make([]byte, 16<<10)
	for {
		k, err := from.Read(b)
		piece := b[:k]
		if k > 0 {
			n.Add(int64(k))
			r.see(piece)
			cut, wait := x.spoil(&piece)
			if wait > 0 {
				select {
				case <-time.After(wait):
				case <-x.ctx.Done():
				}
			}
			_, werr := to.Write(piece)
			if cut || werr != nil {
				to.Close()
				from.Close()
				return
			}
		}
		if err != nil {
			if half, ok := to.(*net.TCPConn); ok && err == io.EOF {
				_ = half.CloseWrite() // gone already, then
				return
			}
			to.Close()
			return
		}
	}
}

// spoil does to a piece what the line's trouble does.
func (x *Line) spoil(piece *[]byte) (cut bool, wait time.Duration) {
	x.mu.Lock()
	defer x.mu.Unlock()
	t := x.trouble
	wait = t.Delay
	if t.Rate > 0 {
		wait += time.Duration(len(*piece)) * time.Second / time.Duration(t.Rate)
	}
	if t.Corrupt > 0 && x.random.Float64() < t.Corrupt {
		(*piece)[x.random.IntN(len(*piece))] ^= 1 << x.random.IntN(8)
	}
	if t.Cut > 0 && x.random.Float64() < t.Cut {
		*piece = (*piece)[:x.random.IntN(len(*piece)+1)]
		return true, wait
	}
	return false, wait
}

// records follows TLS records (RFC 8446 section 5.1) and counts what is inside
// those of application data.
type records struct {
	skip   int // of application data, that belong to the handshake
	inside *atomic.Int64
	head   []byte
	left   int // of the record's body
}

// Inside a record are the content, its type (1) and the AEAD's tag (16).
const recordOver = 17

func (r *records) see(b []byte) {
	for len(b) > 0 {
		if r.left > 0 {
			k := min(r.left, len(b))
			r.left -= k
			b = b[k:]
			continue
		}
		k := min(5-len(r.head), len(b))
		r.head = append(r.head, b[:k]...)
		b = b[k:]
		if len(r.head) < 5 {
			return
		}
		const applicationData = 23
		r.left = int(binary.BigEndian.Uint16(r.head[3:]))
		if r.head[0] == applicationData {
			if r.skip > 0 {
				r.skip--
			} else {
				r.inside.Add(int64(max(0, r.left-recordOver)))
			}
		}
		r.head = r.head[:0]
	}
}
