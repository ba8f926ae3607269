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
			if err == nil {
				err = w.Batch(b)
			}
			if err == nil {
				err = w.Flush()
			}
			if err != nil {
				cancel(err)
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
			var h wireHead
			if err := decode(body, &h); err != nil {
				return State{}, fmt.Errorf("meeting the hub: %w", err)
			}
			if acked != nil {
				acked(journal.Head{Device: p.self.Device, Seq: h.Seq, Hash: h.Hash})
			}
		case kindState:
			return readState(body)
		case kindRefusal:
			return State{}, readRefusal(body, p.self.Device)
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
			yield(Batch{}, fmt.Errorf("fetching from the hub: %w", err))
			return
		}
		defer answer.Close()
		for b, err := range NewFrameReader(answer, p.self).Batches() {
			if !yield(b, err) {
				return
			}
		}
	}
}

// cause prefers what stopped our own side to the broken line that followed.
func cause(ctx context.Context, err error) error {
	if c := context.Cause(ctx); c != nil && !errors.Is(c, context.Canceled) {
		return c
	}
	return err
}

// Serve answers one request of the device who, whose right to ask has been
// checked. What is refused is answered, with the reason; the error says so
// too, for the host's log. flush, if set, hands on what out has been given.
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
		err = serveMeet(ctx, h, who, NewFrameReader(in, who.Identity), w, hand)
	case VerbFetch:
		err = serveFetch(ctx, h, who, NewFrameReader(in, who.Identity), w, hand)
	default:
		err = fmt.Errorf("%w: no request is called %q", ErrProtocol, verb)
	}
	if err != nil {
		return errors.Join(err, w.refuse(err), hand())
	}
	return hand()
}

func serveMeet(ctx context.Context, h *Host, who Reader, r *FrameReader, w *Writer, hand func() error) error {
	kind, body, err := r.next()
	if err != nil {
		return err
	}
	if kind != kindOffer {
		return fmt.Errorf("%w: a frame of kind %d where an offer was due", ErrProtocol, kind)
	}
	offer, err := readOffer(body, who.Identity.Device)
	if err != nil {
		return err
	}
	s, err := h.Meet(ctx, who, offer, r.Batches(), func(head journal.Head) error {
		return errors.Join(w.ack(head), hand())
	})
	if err != nil {
		return err
	}
	return w.state(s)
}

func serveFetch(ctx context.Context, h *Host, who Reader, r *FrameReader, w *Writer, hand func() error) error {
	kind, body, err := r.next()
	if err != nil {
		return err
	}
	if kind != kindWants {
		return fmt.Errorf("%w: a frame of kind %d where a list of wants was due", ErrProtocol, kind)
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
