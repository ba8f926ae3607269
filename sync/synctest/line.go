package synctest

import (
	"bytes"
	"context"
	"errors"
	"io"
	"time"

	"pinchrod/sync/exchange"
)

// ErrLine: the line is dead, or broke.
var ErrLine = errors.New("the line broke")

// A Line is an exchange.Line to a host in the same process, with faults by a
// script. A round is a request, wholly sent, and then its answer, wholly made:
// one thing happens after another, and the same every time.
type Line struct {
	Host *exchange.Host
	Who  func() exchange.Reader // the calling device, as the host sees it
	// Fault, if set, is asked what happens to a round.
	Fault func(verb string) Fault
	// Dead, if set, reports that the host's process has died; it then says
	// nothing more.
	Dead func() bool
	// Sleep, if set, is told of every delay.
	Sleep func(time.Duration)
	// Sent are the requests that were sent, to be replayed.
	Sent []Request
	// Passed are the bytes of the last round that got through, and Hit tells
	// whether a fault came about.
	Passed struct{ Request, Answer int }
	Hit    struct{ Request, Answer bool }

	held []Request
}

// A Request is one that was sent, as its bytes.
type Request struct {
	Verb string
	Body []byte
	end  error // how the body ends: io.EOF when it is whole
}

// A Fault is what happens to one round; the zero value is a round without a
// fault.
type Fault struct {
	Down            bool // nothing gets through
	Request, Answer Harm
	Hold            bool // the request arrives later, when it is released; the device hears nothing
	Twice           bool // the request arrives twice, one after the other
	Delay           time.Duration
}

// A Harm is done to the bytes of one direction: they end before the byte At,
// or that byte is changed.
type Harm struct {
	Cut  bool
	Flip byte // what is flipped of it; 0 for nothing
	At   int
}

// Round sends a request, and returns the answer.
func (l *Line) Round(ctx context.Context, verb string, send func(io.Writer) error) (io.ReadCloser, error) {
	var f Fault
	if l.Fault != nil {
		f = l.Fault(verb)
	}
	l.Passed.Request, l.Passed.Answer = 0, 0
	l.Hit.Request, l.Hit.Answer = false, false
	if f.Delay > 0 && l.Sleep != nil {
		l.Sleep(f.Delay)
	}
	if err := ctx.Err(); err != nil {
		return nil, err
	}
	if f.Down {
		return nil, ErrLine
	}
	out := &harmed{harm: f.Request}
	r := Request{Verb: verb, end: io.EOF}
	if err := send(out); err != nil {
		r.end = io.ErrUnexpectedEOF
	}
	r.Body = out.Bytes()
	l.Passed.Request, l.Hit.Request = len(r.Body), out.hit
	l.Sent = append(l.Sent, r)
	if f.Hold {
		l.held = append(l.held, r)
		return nil, ErrLine
	}
	answer := &harmed{harm: f.Answer}
	l.arrive(ctx, r, answer)
	if f.Twice {
		l.arrive(ctx, r, &harmed{})
	}
	l.Passed.Answer, l.Hit.Answer = answer.Len(), answer.hit
	end := io.EOF
	if answer.broke {
		end = ErrLine
	}
	return io.NopCloser(&ending{answer.Bytes(), end}), nil
}

// arrive has the host answer a request.
func (l *Line) arrive(ctx context.Context, r Request, answer *harmed) {
	answer.dead = l.Dead
	// What goes wrong at the host is in the answer, or is the host's.
	_ = exchange.Serve(ctx, l.Host, l.Who(), r.Verb, &ending{r.Body, r.end}, answer, nil)
}

// Replay has an old request arrive once more; nobody waits for the answer.
func (l *Line) Replay(ctx context.Context, r Request) { l.arrive(ctx, r, &harmed{}) }

// Release has the requests arrive that were held back, the latest first, and
// returns how many there were.
func (l *Line) Release(ctx context.Context) (n int) {
	for n = len(l.held); len(l.held) > 0; l.held = l.held[:len(l.held)-1] {
		l.Replay(ctx, l.held[len(l.held)-1])
	}
	return n
}

// harmed is one direction of a line.
type harmed struct {
	bytes.Buffer
	harm  Harm
	dead  func() bool
	broke bool
	hit   bool // by the harm
}

func (h *harmed) Write(p []byte) (int, error) {
	at := h.harm.At - h.Len() // in p
	switch {
	case h.broke || h.dead != nil && h.dead():
		h.broke = true
		return 0, ErrLine
	case h.harm.Cut && at < len(p):
		h.broke, h.hit = true, true
		n, _ := h.Buffer.Write(p[:max(at, 0)])
		return n, ErrLine
	case h.harm.Flip != 0 && at >= 0 && at < len(p):
		h.hit = true
		p = bytes.Clone(p)
		p[at] ^= h.harm.Flip
	}
	return h.Buffer.Write(p)
}

// ending reads bytes, and ends in its own way.
type ending struct {
	rest []byte
	end  error
}

func (e *ending) Read(p []byte) (int, error) {
	n := copy(p, e.rest)
	e.rest = e.rest[n:]
	if n == 0 && len(p) > 0 {
		return 0, e.end
	}
	return n, nil
}
