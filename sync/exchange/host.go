package exchange

import (
	"context"
	"crypto"
	"errors"
	"fmt"
	"iter"
	"slices"
	"time"

	"pinchrod/store/journal"
)

// A Host is the side that others meet: it takes in a device's own log, and
// shows it the logs that it may read.
type Host struct {
	Book   Book
	Signer crypto.Signer // the key of Book's own device
	Now    func() time.Time
	// Wrote, if set, is told which jobs a device has pages of, when more of its
	// log is here than was confirmed to it: none of that need be new, for a
	// meeting that was cut may have ended before Wrote was told. It may change
	// what the device may read, and returns that.
	Wrote func(who Reader, jobs []journal.ID) (Reader, error)
	// Admit, if set, is asked before memory is set aside for a large frame of a
	// request; it may wait. done is called when the frame is dealt with.
	Admit func(ctx context.Context, size int) (done func(), err error)
}

// Meet is a device's meeting with the host. Batches are those of the device's
// own log; each is on disk before acked is called. An error of acked ends the
// meeting. Errors: [ErrForeign], *[GapError], and those of [Book.Ingest].
func (h *Host) Meet(ctx context.Context, who Reader, offer Offer, batches iter.Seq2[Batch, error], acked func(journal.Head) error) (State, error) {
	s, err := h.meet(ctx, who, offer, batches, acked)
	if err != nil {
		return State{}, fmt.Errorf("meeting %s: %w", who.Identity.Device, err)
	}
	return s, nil
}

func (h *Host) meet(ctx context.Context, who Reader, offer Offer, batches iter.Seq2[Batch, error], acked func(journal.Head) error) (State, error) {
	if offer.Base.Device != who.Identity.Device {
		return State{}, ErrForeign
	}
	if err := h.joins(who.Identity, offer.Base); err != nil {
		return State{}, err
	}
	for b, err := range batches {
		if err == nil {
			err = ctx.Err()
		}
		if err != nil {
			return State{}, err
		}
		if !b.Identity.Equal(who.Identity) {
			return State{}, ErrForeign
		}
		if len(b.Records) == 0 {
			return State{}, errNoPages
		}
		_, err := h.Book.Ingest(b.Identity, b.Records, b.Head)
		if errors.Is(err, journal.ErrGap) && offer.Base.Seq > 0 {
			err = &GapError{Have: who.Identity.Head().Head} // one within what is held
		}
		if err != nil {
			return State{}, err
		}
		if acked != nil {
			if err := acked(b.Head.Head); err != nil {
				return State{}, err
			}
		}
	}
	head, err := h.head(who.Identity)
	if err != nil {
		return State{}, err
	}
	if head.Seq > offer.Base.Seq && h.Wrote != nil {
		jobs, err := h.jobsOf(who.Identity.Device)
		if err != nil {
			return State{}, err
		}
		if who, err = h.Wrote(who, jobs); err != nil {
			return State{}, err
		}
	}
	s, err := who.state(h.Book)
	if err != nil {
		return State{}, err
	}
	if s.Mark == offer.Seen {
		s = State{Own: s.Own, Mark: s.Mark}
	}
	s.Receipt, err = SignReceipt(head, h.Now(), h.Signer)
	return s, err
}

// joins checks that a device's log as it is held here leads through a head. If
// it does not, the answer is the place from which it surely goes on; that is
// the very start when the log here is another one, and what comes from there
// shows the fork.
func (h *Host) joins(id journal.Identity, base journal.Head) error {
	head, err := h.head(id)
	if err != nil {
		return err
	}
	if head.Seq < base.Seq {
		return &GapError{Have: head}
	}
	if head.Seq > base.Seq {
		head, err = headAt(h.Book, id, base.Seq)
	}
	if errors.Is(err, journal.ErrGap) || err == nil && head.Hash != base.Hash {
		return &GapError{Have: id.Head().Head}
	}
	return err
}

// head returns where a device's log stands here; head 0 when it is new.
func (h *Host) head(id journal.Identity) (journal.Head, error) {
	heads, err := h.Book.Heads()
	if err != nil {
		return journal.Head{}, err
	}
	if head, ok := heads[id.Device]; ok {
		return head.Head, nil
	}
	return id.Head().Head, nil
}

// jobsOf returns the jobs that a device has written to, in order.
func (h *Host) jobsOf(device journal.ID) ([]journal.ID, error) {
	jobs, err := h.Book.Jobs()
	if err != nil {
		return nil, err
	}
	var out []journal.ID
	for job := range jobs[device] {
		if !job.IsZero() && job != journal.Unread {
			out = append(out, job)
		}
	}
	slices.SortFunc(out, journal.ID.Compare)
	return out, nil
}

// Fetch yields the logs that are wanted, as far as the reader may have them.
// [ErrUnknown] for a log that the reader is not shown, whether it is there or
// not.
func (h *Host) Fetch(ctx context.Context, who Reader, wants []Want) iter.Seq2[Batch, error] {
	return func(yield func(Batch, error) bool) {
		ids, err := h.Book.Devices()
		if err != nil {
			yield(Batch{}, err)
			return
		}
		jobs, err := h.Book.Jobs()
		if err != nil {
			yield(Batch{}, err)
			return
		}
		for _, w := range wants {
			i := slices.IndexFunc(ids, func(id journal.Identity) bool { return id.Device == w.Device })
			_, shown := who.full(jobs[w.Device])
			if i < 0 || !shown && w.Device != who.Identity.Device {
				yield(Batch{}, fmt.Errorf("fetching the log of %s: %w", w.Device, ErrUnknown))
				return
			}
			for b, err := range Batches(h.Book, ids[i], max(w.From, 1), who) {
				if err = errors.Join(err, ctx.Err()); err != nil {
					yield(Batch{}, err)
					return
				}
				if !yield(b, nil) {
					return
				}
			}
		}
	}
}
