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
	// Wrote, if set, is told which jobs a device has pages of, after it wrote.
	// It may change what the device may read, and returns that.
	Wrote func(who Reader, jobs []journal.ID) (Reader, error)
}

// Meet is a device's meeting with the host. Batches are those of the device's
// own log; each is on disk before acked is called. An error of acked ends the
// meeting. Errors: [ErrForeign], *[GapError], and those of [Book.Ingest].
func (h *Host) Meet(ctx context.Context, who Reader, offer Offer, batches iter.Seq2[Batch, error], acked func(journal.Head) error) (State, error) {
	device := who.Identity.Device
	if offer.Base.Device != device {
		return State{}, fmt.Errorf("meeting %s: %w", device, ErrForeign)
	}
	head, err := h.head(who.Identity)
	if err != nil {
		return State{}, fmt.Errorf("meeting %s: %w", device, err)
	}
	if head.Seq < offer.Base.Seq {
		return State{}, fmt.Errorf("meeting %s: %w", device, &GapError{Have: head})
	}
	wrote := false
	for b, err := range batches {
		if err == nil {
			err = ctx.Err()
		}
		if err != nil {
			return State{}, err
		}
		if b.Identity.Device != device || !b.Identity.Equal(who.Identity) {
			return State{}, fmt.Errorf("meeting %s: %w", device, ErrForeign)
		}
		taken, err := h.Book.Ingest(b.Identity, b.Records, b.Head)
		if err != nil {
			return State{}, err
		}
		wrote = wrote || taken.Added > 0
		if acked != nil {
			if err := acked(b.Head.Head); err != nil {
				return State{}, err
			}
		}
	}
	if head, err = h.head(who.Identity); err != nil {
		return State{}, err
	}
	// A log that stands at the offered place with another hash has forked,
	// even if no page shows it.
	if head.Seq == offer.Base.Seq && head.Hash != offer.Base.Hash {
		return State{}, &journal.BreakError{Device: device, Seq: head.Seq, Err: journal.ErrFork}
	}
	if wrote && h.Wrote != nil {
		jobs, err := h.Book.Jobs()
		if err != nil {
			return State{}, err
		}
		var wrote []journal.ID
		for job := range jobs[device] {
			if !job.IsZero() && job != journal.Unread {
				wrote = append(wrote, job)
			}
		}
		slices.SortFunc(wrote, journal.ID.Compare)
		if who, err = h.Wrote(who, wrote); err != nil {
			return State{}, err
		}
	}
	s, err := who.state(h.Book)
	if err != nil {
		return State{}, err
	}
	if s.Mark == offer.Seen {
		s = State{Mark: s.Mark}
	}
	s.Receipt, err = SignReceipt(head, h.Now(), h.Signer)
	return s, err
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
			_, shown := who.full(w.Device, jobs[w.Device])
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
