package exchange

import (
	"context"
	"errors"
	"fmt"
	"io"
	"iter"

	"pinchrod/store/journal"
)

// The two requests of the protocol.
const (
	VerbMeet  = "meet"
	VerbFetch = "fetch"
)

// A Line carries one request and its answer, both of them streams: HTTP does,
// and so does a pipe.
type Line interface {
	// Round sends a request and returns the answer. send writes the request's
	// body; it may go on while the answer is read, and is done, or has failed,
	// when the answer ends. Its writer hands on what is written at once.
	Round(ctx context.Context, verb string, send func(io.Writer) error) (io.ReadCloser, error)
}

// Over returns the peer at the other end of a line, where Serve answers.
func Over(line Line, self, hub journal.Identity) Peer {
	return &linePeer{line: line, self: self, hub: hub}
}

type linePeer struct {
	line      Line
	self, hub journal.Identity
}

func (p *linePeer) Hub() journal.Identity { return p.hub }

func (p *linePeer) Meet(ctx context.Context, offer Offer, batches iter.Seq2[Batch, error], acked func(journal.Head)) (State, error) {
	ctx, cancel := context.WithCancelCause(ctx)
	defer cancel(nil)
	answer, err := p.line.Round(ctx, VerbMeet, func(to io.Writer) error {
		w := NewWriter(to)
		w.log = p.self.Device // it knows who is calling
		if err := w.offer(offer); err != nil {
			return err
		}
		for b, err := range batches {
			if err != nil {
				cancel(err)
				return err
			}
			// If the hub does not take it, its answer says why.
			if err := errors.Join(w.Batch(b), w.Flush()); err != nil {
				if errors.Is(err, errTooLarge) || errors.Is(err, errNoPages) {
					cancel(err)
				}
				return err
			}
		}
		return errors.Join(w.End(), w.Flush())
	})
	if err != nil {
		return State{}, fmt.Errorf("meeting the hub: %w", cause(ctx, err))
	}
	defer answer.Close()
	r := NewFrameReader(answer, p.self)
	for {
		kind, body, err := r.next()
		if err == io.EOF {
			err = io.ErrUnexpectedEOF
		}
		if err != nil {
			return State{}, fmt.Errorf("meeting the hub: %w", cause(ctx, err))
		}
		switch kind {
		case kindAck:
			var a wireAck
			if err := decode(body, &a); err != nil {
				return State{}, fmt.Errorf("meeting the hub: %w", err)
			}
			if acked != nil {
				acked(journal.Head{Device: p.self.Device, Seq: a.Seq})
			}
		case kindState:
			return readState(body)
		case kindRefusal:
			return State{}, cause(ctx, readRefusal(body, p.self.Device))
		default:
			return State{}, fmt.Errorf("meeting the hub: %w: a frame of kind %d", ErrProtocol, kind)
		}
	}
}

func (p *linePeer) Fetch(ctx context.Context, wants []Want) iter.Seq2[Batch, error] {
	return func(yield func(Batch, error) bool) {
		ctx, cancel := context.WithCancel(ctx)
		defer cancel()
		answer, err := p.line.Round(ctx, VerbFetch, func(to io.Writer) error {
			w := NewWriter(to)
			return errors.Join(w.wants(wants), w.Flush())
		})
		if err != nil {
			yield(Batch{}, fmt.Errorf("fetching from the hub: %w", cause(ctx, err)))
			return
		}
		defer answer.Close()
		for b, err := range NewFrameReader(answer, p.self).Batches() {
			if err != nil {
				err = fmt.Errorf("fetching from the hub: %w", cause(ctx, err))
			}
			if !yield(b, err) {
				return
			}
		}
	}
}

// cause prefers what stopped our own side to what followed from that: a broken
// line, or a refusal of what was broken off.
func cause(ctx context.Context, err error) error {
	if c := context.Cause(ctx); c != nil {
		return c
	}
	return err
}

// Serve answers one request of the device who, whose right to ask has been
// checked. What is refused is answered, with the reason; the error says so
// too, for the host's log. flush, if set, hands on what out has been given;
// what comes last is handed on by whoever called. When the host stops before the
// end of a device's batches, it closes in, if that is an io.Closer.
func Serve(ctx context.Context, h *Host, who Reader, verb string, in io.Reader, out io.Writer, flush func()) error {
	w := NewWriter(out)
	hand := func() error {
		err := w.Flush()
		if flush != nil {
			flush()
		}
		return err
	}
	var err error
	switch verb {
	case VerbMeet:
		err = serveMeet(ctx, h, who, in, w, hand)
	case VerbFetch:
		err = serveFetch(ctx, h, who, in, w, hand)
	default:
		err = fmt.Errorf("%w: no request is called %q", ErrProtocol, verb)
	}
	if err != nil {
		return errors.Join(err, w.refuse(err), w.Flush())
	}
	return w.Flush()
}

// open reads the frame that opens a request, which is a small one of the given
// kind, and returns the reader of what follows.
func (h *Host) open(ctx context.Context, who Reader, in io.Reader, want byte) (*FrameReader, []byte, error) {
	r := NewFrameReader(in, who.Identity)
	r.limit = smallFrame
	kind, body, err := r.next()
	if err == nil && kind != want {
		err = fmt.Errorf("%w: a frame of kind %d where one of kind %d was due", ErrProtocol, kind, want)
	}
	r.limit = MaxFrame
	if h.Admit != nil {
		r.admit = func(size int) (func(), error) { return h.Admit(ctx, size) }
	}
	return r, body, err
}

func serveMeet(ctx context.Context, h *Host, who Reader, in io.Reader, w *Writer, hand func() error) error {
	r, body, err := h.open(ctx, who, in, kindOffer)
	if err != nil {
		return err
	}
	offer, err := readOffer(body, who.Identity.Device)
	if err != nil {
		return err
	}
	s, err := h.Meet(ctx, who, offer, ahead(r, in), func(head journal.Head) error {
		return errors.Join(w.ack(head), hand())
	})
	if err != nil {
		return err
	}
	return w.state(s)
}

func serveFetch(ctx context.Context, h *Host, who Reader, in io.Reader, w *Writer, hand func() error) error {
	_, body, err := h.open(ctx, who, in, kindWants)
	if err != nil {
		return err
	}
	wants, err := readWants(body)
	if err != nil {
		return err
	}
	for b, err := range h.Fetch(ctx, who, wants) {
		if err == nil {
			err = w.Batch(b)
		}
		if err == nil {
			err = hand()
		}
		if err != nil {
			return err
		}
	}
	return w.End()
}
