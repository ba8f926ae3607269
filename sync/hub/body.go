package hub

import (
	"errors"
	"fmt"
	"io"
	"net/http"
	"os"
	"sync"
	"time"

	"github.com/klauspost/compress/zstd"

	"pinchrod/sync/exchange"
	"pinchrod/sync/hub/door"
)

// Why a body is not read to its end.
var (
	errSlow     = errors.New("the body comes too slowly")
	errStopping = fmt.Errorf("%w: it is being stopped; try again in a minute", door.ErrBusy)
	errTooLarge = fmt.Errorf("%w: the body is too large", door.ErrRequest)
)

// An incoming is a request's body, as long as it keeps coming: in each window
// of time that it keeps us waiting, so many bytes have to come.
type incoming struct {
	body   io.Reader
	window time.Duration
	least  int64 // bytes in a window

	waited time.Duration // in this window
	came   int64

	mu   sync.Mutex
	ctl  *http.ResponseController // nil when the request is over
	stop error                    // why nobody reads on
}

func newIncoming(w http.ResponseWriter, r *http.Request, l Limits) *incoming {
	return &incoming{body: r.Body, window: l.Window, least: l.Progress, ctl: http.NewResponseController(w)}
}

func (in *incoming) Read(p []byte) (int, error) {
	start := time.Now()
	if err := in.deadline(start.Add(in.window - in.waited)); err != nil {
		return 0, err
	}
	n, err := in.body.Read(p)
	in.waited += time.Since(start)
	if in.came += int64(n); in.came >= in.least {
		in.waited, in.came = 0, 0
	}
	if err != nil && err != io.EOF {
		in.mu.Lock()
		defer in.mu.Unlock()
		if in.stop != nil {
			return n, in.stop
		}
		if errors.Is(err, os.ErrDeadlineExceeded) {
			return n, errSlow
		}
	}
	return n, err
}

func (in *incoming) deadline(at time.Time) error {
	in.mu.Lock()
	defer in.mu.Unlock()
	if in.stop != nil {
		return in.stop
	}
	if in.ctl == nil {
		return os.ErrClosed
	}
	return in.ctl.SetReadDeadline(at)
}

// abort ends the reading, also one that waits, with an error.
func (in *incoming) abort(err error) {
	in.mu.Lock()
	defer in.mu.Unlock()
	if in.stop == nil {
		in.stop = err
	}
	if in.ctl != nil {
		// The one error there can be is that the connection has gone, which
		// ends the reading too.
		_ = in.ctl.SetReadDeadline(time.Unix(1, 0))
	}
}

// Close ends the reading.
func (in *incoming) Close() error {
	in.abort(os.ErrClosed)
	return nil
}

// over says that the request is answered, and its controller not to be used.
func (in *incoming) over() {
	in.mu.Lock()
	defer in.mu.Unlock()
	in.ctl = nil
}

// limited reads at most left bytes, and says so when there are more.
type limited struct {
	r    io.Reader
	left int64
	err  error // what the reader has said last
}

func (l *limited) Read(p []byte) (n int, err error) {
	if l.left <= 0 { // the end may be just here
		var one [1]byte
		if n, err = l.r.Read(one[:]); n > 0 {
			err = errTooLarge
		}
		l.err = err
		return 0, err
	}
	n, err = l.r.Read(p[:min(int64(len(p)), l.left)])
	l.left -= int64(n)
	l.err = err
	return n, err
}

// An unpacker decompresses, and tells what is wrong with the bytes from what
// is wrong with where they come from.
type unpacker struct {
	d   *zstd.Decoder
	raw *limited
}

func (u unpacker) Read(p []byte) (int, error) {
	n, err := u.d.Read(p)
	if err != nil && err != io.EOF && (u.raw.err == nil || u.raw.err == io.EOF) {
		err = fmt.Errorf("%w: decompressing: %w", exchange.ErrProtocol, err)
	}
	return n, err
}

// An outgoing is an answer's body. A client that does not take it in, at the
// rate that a body has to come in with, is given up.
type outgoing struct {
	http.ResponseWriter
	ctl    *http.ResponseController
	window time.Duration
	least  int64
	wrote  int64
}

func newOutgoing(w http.ResponseWriter, l Limits) *outgoing {
	return &outgoing{ResponseWriter: w, ctl: http.NewResponseController(w), window: l.Window, least: l.Progress}
}

func (o *outgoing) allow(bytes int) error {
	windows := 1 + int64(bytes)/o.least
	return o.ctl.SetWriteDeadline(time.Now().Add(o.window * time.Duration(windows)))
}

func (o *outgoing) Write(p []byte) (int, error) {
	if err := o.allow(len(p)); err != nil {
		return 0, err
	}
	n, err := o.ResponseWriter.Write(p)
	o.wrote += int64(n)
	if err == nil {
		// Time in which nothing is written does not count.
		err = o.ctl.SetWriteDeadline(time.Time{})
	}
	return n, err
}

func (o *outgoing) flush() error {
	if err := o.allow(0); err != nil {
		return err
	}
	return errors.Join(o.ctl.Flush(), o.ctl.SetWriteDeadline(time.Time{}))
}

// coders are zstd decoders and encoders for later use: making one costs more
// than most requests.
type coders struct {
	decoders chan *zstd.Decoder
	encoders chan *zstd.Encoder
}

func newCoders(n int) *coders {
	return &coders{make(chan *zstd.Decoder, n), make(chan *zstd.Encoder, n)}
}

func (c *coders) decoder(r io.Reader) (*zstd.Decoder, error) {
	select {
	case d := <-c.decoders:
		return d, d.Reset(r)
	default:
		return zstd.NewReader(r, zstd.WithDecoderConcurrency(1), zstd.WithDecoderLowmem(true), zstd.WithDecoderMaxWindow(door.Window))
	}
}

func (c *coders) takeDecoder(d *zstd.Decoder) {
	if d.Reset(nil) != nil {
		return
	}
	select {
	case c.decoders <- d:
	default:
		d.Close()
	}
}

// encoder makes an encoder of the fastest level. The default one makes pages
// smaller by a tenth (measured), for four times the memory in each stream.
func (c *coders) encoder(w io.Writer) (*zstd.Encoder, error) {
	select {
	case e := <-c.encoders:
		e.Reset(w)
		return e, nil
	default:
		return zstd.NewWriter(w, zstd.WithEncoderConcurrency(1), zstd.WithLowerEncoderMem(true), zstd.WithWindowSize(door.Packing),
			zstd.WithEncoderLevel(zstd.SpeedFastest), zstd.WithEncoderCRC(false)) // the pages are hashed
	}
}

func (c *coders) takeEncoder(e *zstd.Encoder) {
	e.Reset(nil)
	select {
	case c.encoders <- e:
	default:
	}
}
