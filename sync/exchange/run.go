package exchange

import (
	"context"
	"errors"
	"fmt"
	"slices"

	"pinchrod/store/journal"
)

// What a device remembers of a hub, in its book's margin, under "hub/", the
// hub's id and one of these.
const (
	marginReceipt = "/receipt" // the last receipt
	marginSeen    = "/seen"    // the mark of the state that was wholly taken in
)

func marginKey(hub journal.ID, what string) string { return "hub/" + hub.String() + what }

// Confirmed returns the hub's last receipt for the book's own log; ok is false
// when there is none yet. Its signature is checked again.
func Confirmed(b Book, hub journal.Identity) (r Receipt, ok bool, err error) {
	key := marginKey(hub.Device, marginReceipt)
	notes, err := b.Margin(key)
	if err != nil || notes[key] == nil {
		return Receipt{}, false, err
	}
	if r, err = DecodeReceipt(notes[key]); err == nil {
		err = r.Verify(hub)
	}
	if err == nil && r.Head.Device != b.Identity().Device {
		err = fmt.Errorf("%w: for device %s", ErrReceipt, r.Head.Device.Tag())
	}
	if err != nil {
		return Receipt{}, false, fmt.Errorf("reading the last receipt: %w", err)
	}
	return r, true, nil
}

// Progress is told how a run goes on; any field may be nil.
type Progress struct {
	Sent     func(upTo journal.Head)    // the hub has these on disk
	Received func(Batch, journal.Taken) // this book has these on disk
}

// An Outcome is what a run has done.
type Outcome struct {
	Receipt  Receipt
	Sent     int // pages that the hub had not confirmed before
	Received int // pages taken in, or filled in
	Forgot   int // pages of forgotten jobs that were erased here
	Own      int // pages of this device's own log that had to be fetched back
	State    State
	// Forked names the logs that could not be taken in because they contradict
	// what is held; the evidence is kept.
	Forked []error
}

// Run brings a book and a peer to the same: the peer gets what it lacks of the
// book's own log, and the book gets what the peer may show. What was done
// stays done whatever ends it, and the next run goes on from there.
//
// Errors: journal.ErrFork, when the peer holds another log under this
// device's name; *[GapError] and [ErrReceipt] when the peer contradicts
// itself; the peer's and the book's own.
func Run(ctx context.Context, b Book, p Peer, report Progress) (Outcome, error) {
	var out Outcome
	hub := p.Hub()
	base, err := heldBase(b, hub)
	if err != nil {
		return out, err
	}
	seen, err := seenMark(b, hub.Device)
	if err != nil {
		return out, err
	}
	var state State
	for try := 0; ; try++ {
		before := base
		state, err = p.Meet(ctx, Offer{Base: base, Seen: seen}, Batches(b, b.Identity(), base.Seq+1, Reader{Identity: b.Identity()}), func(h journal.Head) {
			out.Sent += int(h.Seq - before.Seq)
			before = h
			if report.Sent != nil {
				report.Sent(h)
			}
		})
		var gap *GapError
		if try > 0 || !errors.As(err, &gap) {
			break
		}
		// The hub was restored from an older copy. It says what it has, and
		// gets the rest again.
		if base, err = rejoin(b, gap.Have, base); err != nil {
			return out, err
		}
	}
	if err != nil {
		return out, err
	}
	if err := checkReceipt(b, hub, state.Receipt); err != nil {
		return out, err
	}
	out.Receipt, out.State = state.Receipt, state
	var wants []Want
	own, err := ownHead(b)
	if err != nil {
		return out, err
	}
	if state.Receipt.Head.Seq > own.Seq {
		// This book is an older copy of itself: it takes its own pages back
		// before it writes any more, or its log would fork.
		wants = append(wants, Want{own.Device, own.Seq + 1})
	} else if err := remember(b, hub.Device, marginReceipt, state.Receipt); err != nil {
		return out, err
	}
	if state.Mark != seen {
		if out.Forgot, err = forget(b, state.Forgotten); err != nil {
			return out, err
		}
		more, err := lacking(b, state)
		if err != nil {
			return out, err
		}
		wants = append(wants, more...)
	}
	if err := take(ctx, b, p, wants, report, &out); err != nil {
		return out, err
	}
	if own.Seq < state.Receipt.Head.Seq {
		if err := checkReceipt(b, hub, state.Receipt); err != nil {
			return out, err
		}
		if err := remember(b, hub.Device, marginReceipt, state.Receipt); err != nil {
			return out, err
		}
	}
	if state.Mark == seen || len(out.Forked) > 0 {
		return out, nil
	}
	return out, b.SetMargin(map[string][]byte{marginKey(hub.Device, marginSeen): state.Mark[:]})
}

// take fetches what is wanted. A log that has forked does not keep the others
// from being taken in: the wants after it are fetched anew.
func take(ctx context.Context, b Book, p Peer, wants []Want, report Progress, out *Outcome) error {
	self := b.Identity().Device
	for len(wants) > 0 {
		at := 0
		var failed error
		for batch, err := range p.Fetch(ctx, wants) {
			if err != nil {
				return err
			}
			i := slices.IndexFunc(wants, func(w Want) bool { return w.Device == batch.Identity.Device })
			if i < 0 {
				return fmt.Errorf("%w: a log that was not asked for", ErrProtocol)
			}
			at = i
			taken, err := b.Ingest(batch.Identity, batch.Records, batch.Head)
			if err != nil {
				failed = err
				break
			}
			if batch.Identity.Device == self {
				out.Own += taken.Added + taken.Filled
			} else {
				out.Received += taken.Added + taken.Filled
			}
			if report.Received != nil {
				report.Received(batch, taken)
			}
		}
		switch {
		case failed == nil:
			return nil
		case wants[at].Device == self || !errors.Is(failed, journal.ErrFork):
			return failed
		}
		out.Forked = append(out.Forked, failed)
		wants = wants[at+1:]
	}
	return nil
}

// ownHead returns where the book's own log stands.
func ownHead(b Book) (journal.Head, error) {
	heads, err := b.Heads()
	if err != nil {
		return journal.Head{}, err
	}
	return heads[b.Identity().Device].Head, nil
}

// heldBase returns the head that the hub has confirmed last, as far as this
// book still has it.
func heldBase(b Book, hub journal.Identity) (journal.Head, error) {
	zero := b.Identity().Head().Head
	r, ok, err := Confirmed(b, hub)
	if err != nil || !ok {
		return zero, err
	}
	own, err := ownHead(b)
	if err != nil {
		return zero, err
	}
	if r.Head.Seq > own.Seq {
		return zero, nil
	}
	return r.Head, nil
}

// rejoin returns the head from which the log goes on at a hub that holds less
// than it has confirmed, having checked that it is this log's.
func rejoin(b Book, have, base journal.Head) (journal.Head, error) {
	if have.Device != base.Device || have.Seq >= base.Seq {
		return base, fmt.Errorf("%w: a gap that is none", ErrProtocol)
	}
	h, err := headAt(b, have.Seq)
	if err == nil && h.Hash != have.Hash {
		err = &journal.BreakError{Device: have.Device, Seq: have.Seq, Err: journal.ErrFork}
	}
	return h, err
}

// headAt computes the head of the book's own log at a sequence.
func headAt(b Book, seq uint64) (journal.Head, error) {
	h := b.Identity().Head().Head
	if seq == 0 {
		return h, nil
	}
	chain := journal.NewChain(h)
	for r, err := range b.Scan(h.Device, 1) {
		if err != nil {
			return h, err
		}
		if r.Seq != chain.Head().Seq+1 {
			break
		}
		chain.AddHash(r.Hash)
		if r.Seq == seq {
			return chain.Head(), nil
		}
	}
	return h, fmt.Errorf("the head after page %d: %w", seq, journal.ErrGap)
}

// checkReceipt checks that the receipt is the hub's, and for this book's log:
// the very head that it holds at that place.
func checkReceipt(b Book, hub journal.Identity, r Receipt) error {
	if err := r.Verify(hub); err != nil {
		return err
	}
	own, err := ownHead(b)
	if err != nil {
		return err
	}
	switch {
	case r.Head.Device != own.Device:
		return fmt.Errorf("%w: for device %s", ErrReceipt, r.Head.Device.Tag())
	case r.Head.Seq > own.Seq:
		return nil // this book is an older copy; it is checked when it has caught up
	case r.Head.Seq == own.Seq:
		if r.Head.Hash != own.Hash {
			return &journal.BreakError{Device: own.Device, Seq: own.Seq, Err: journal.ErrFork}
		}
		return nil
	}
	h, err := headAt(b, r.Head.Seq)
	if err == nil && h.Hash != r.Head.Hash {
		err = &journal.BreakError{Device: own.Device, Seq: r.Head.Seq, Err: journal.ErrFork}
	}
	return err
}

func remember(b Book, hub journal.ID, what string, r Receipt) error {
	v, err := r.Encode()
	if err != nil {
		return err
	}
	return b.SetMargin(map[string][]byte{marginKey(hub, what): v})
}

func seenMark(b Book, hub journal.ID) (m Mark, err error) {
	key := marginKey(hub, marginSeen)
	notes, err := b.Margin(key)
	if err == nil {
		copy(m[:], notes[key])
	}
	return m, err
}

// forget erases the jobs that the hub has forgotten and this book has not.
func forget(b Book, jobs []journal.ID) (pages int, err error) {
	have, err := b.Forgotten()
	if err != nil {
		return 0, err
	}
	for _, job := range jobs {
		if slices.Contains(have, job) {
			continue
		}
		n, err := b.Forget(job)
		if err != nil {
			return pages, err
		}
		pages += n
	}
	return pages, nil
}

// lacking returns what the state shows and the book has not.
func lacking(b Book, s State) ([]Want, error) {
	heads, err := b.Heads()
	if err != nil {
		return nil, err
	}
	jobs, err := b.Jobs()
	if err != nil {
		return nil, err
	}
	shown := Reader{All: s.All, Jobs: map[journal.ID]bool{}}
	for _, job := range s.Jobs {
		shown.Jobs[job] = true
	}
	var out []Want
	for _, l := range s.Logs {
		device := l.Head.Device
		held, ok := heads[device]
		if device == b.Identity().Device {
			return nil, fmt.Errorf("%w: this device's own log among the others", ErrProtocol)
		}
		w := Want{device, held.Seq + 1}
		if !ok {
			w.From = 1
		}
		n, _ := shown.full(device, jobs[device])
		// Pages past the hub's head, from a parcel, count here and not there.
		if n < l.Full || held.Seq > l.Head.Seq {
			if w.From, err = firstWithheld(b, device, w.From); err != nil {
				return nil, err
			}
		}
		if w.From <= l.Head.Seq {
			out = append(out, w)
		}
	}
	return out, nil
}

// firstWithheld returns the first page of a log that is not here in full; end
// when all are.
func firstWithheld(b Book, device journal.ID, end uint64) (uint64, error) {
	next := uint64(1)
	for r, err := range b.Scan(device, 1) {
		if err != nil {
			return 0, err
		}
		if r.Page == nil || r.Seq != next {
			return next, nil
		}
		next++
	}
	return end, nil
}
