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
	Sent     int // pages that the hub has acknowledged
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
// device's name; *[GapError], [ErrReceipt] and [ErrProtocol] when the peer
// contradicts itself; the peer's and the book's own. A log of another device
// that cannot be taken in does not keep the others from it.
func Run(ctx context.Context, b Book, p Peer, report Progress) (Outcome, error) {
	r := run{book: b, peer: p, hub: p.Hub(), report: report}
	err := r.all(ctx)
	return r.out, err
}

type run struct {
	book   Book
	peer   Peer
	hub    journal.Identity
	report Progress
	seen   Mark // the mark of what was wholly taken in before
	out    Outcome

	confirmed uint64 // up to where the last receipt goes, as far as this book does
}

// A want is what the peer shows and the book lacks.
type want struct {
	Want
	to   uint64 // where the log ends at the peer
	anew bool   // it is asked for from the first page on
}

func (r *run) all(ctx context.Context) (err error) {
	if r.seen, err = seenMark(r.book, r.hub.Device); err != nil {
		return err
	}
	state, err := r.meet(ctx)
	if err != nil {
		return err
	}
	r.out.Receipt, r.out.State = state.Receipt, state
	if err := r.catchUp(ctx, state); err != nil {
		return err
	}
	if state.Mark == r.seen {
		return nil
	}
	wants, err := lacking(r.book, state)
	if err != nil {
		return err
	}
	whole, err := r.take(ctx, wants)
	if err != nil || !whole {
		return err // what is still lacking is asked for again
	}
	return r.book.SetMargin(map[string][]byte{marginKey(r.hub.Device, marginSeen): state.Mark[:]})
}

// meetings bounds how often one run begins again: the hub was restored from an
// older copy; then its log turns out to be another; or it has lost pages within
// what it holds.
const meetings = 4

// meet gives the peer what it lacks of the book's own log, and learns what the
// peer has to show. Jobs to be forgotten are erased by then.
func (r *run) meet(ctx context.Context) (State, error) {
	base, err := heldBase(r.book, r.hub)
	if err != nil {
		return State{}, err
	}
	r.confirmed = base.Seq
	for try := 1; ; try++ {
		acked := base
		state, err := r.peer.Meet(ctx, Offer{Base: base, Seen: r.seen}, Batches(r.book, r.book.Identity(), base.Seq+1, Reader{Identity: r.book.Identity()}), func(h journal.Head) {
			if h.Seq <= acked.Seq {
				return
			}
			r.out.Sent += int(h.Seq - acked.Seq)
			acked = h
			if r.report.Sent != nil {
				r.report.Sent(h)
			}
		})
		if gap := (*GapError)(nil); errors.As(err, &gap) && try < meetings {
			// The hub was restored from an older copy. It says what it has, and
			// gets the rest again.
			if base, err = rejoin(r.book, gap.Have, base); err != nil {
				return State{}, err
			}
			continue
		}
		if err != nil {
			return State{}, err
		}
		if err := r.check(state, acked, base); err != nil {
			return State{}, err
		}
		if state.Mark != r.seen {
			n, err := forget(r.book, state.Forgotten)
			r.out.Forgot += n
			if err != nil {
				return State{}, err
			}
		}
		lost, err := r.hasLost(state)
		if err != nil {
			return State{}, err
		}
		if !lost || base.Seq == 0 || try == meetings {
			return state, nil
		}
		// The hub was recovered from a damaged file, and some of the pages it
		// has confirmed are gone, or are hashes. It gets all of them again.
		base = r.book.Identity().Head().Head
	}
}

// check checks a state before anything is done by it.
func (r *run) check(s State, acked, base journal.Head) error {
	if err := checkReceipt(r.book, r.hub, s.Receipt); err != nil {
		return err
	}
	// A parcel acknowledges nothing, and its receipt may be an older one.
	if acked.Seq > base.Seq && s.Receipt.Head.Seq < acked.Seq {
		return fmt.Errorf("%w: it confirms less than was acknowledged", ErrReceipt)
	}
	if s.Mark != r.seen && s.Mark != s.mark() {
		return fmt.Errorf("%w: a state that is not the one its mark stands for", ErrProtocol)
	}
	return nil
}

// hasLost reports whether the peer holds fewer of the book's own pages than the
// book does, of those that it confirms.
func (r *run) hasLost(s State) (bool, error) {
	jobs, err := r.book.Jobs() // before the head, lest a page added meanwhile is missed there
	if err != nil {
		return false, err
	}
	own, err := ownHead(r.book)
	if err != nil || own.Seq < s.Receipt.Head.Seq {
		return false, err
	}
	return pages(jobs[own.Device]) > s.Own+own.Seq-s.Receipt.Head.Seq, nil
}

// pages adds up the pages of a log that are held in full.
func pages(jobs map[journal.ID]uint64) (n uint64) {
	for _, count := range jobs {
		n += count
	}
	return n
}

// confirm notes a receipt, unless it is for less than is confirmed already: a
// parcel can be older than the last word from the hub.
func (r *run) confirm(receipt Receipt) error {
	if receipt.Head.Seq < r.confirmed {
		return nil
	}
	v, err := receipt.Encode()
	if err != nil {
		return err
	}
	return r.book.SetMargin(map[string][]byte{marginKey(r.hub.Device, marginReceipt): v})
}

// catchUp notes the receipt. If the peer has pages of the book's own log that
// the book has not, the book is an older copy of itself: it takes them back
// first, and has to before it writes any more, or its log would fork.
func (r *run) catchUp(ctx context.Context, s State) error {
	jobs, err := r.book.Jobs()
	if err != nil {
		return err
	}
	own, err := ownHead(r.book)
	if err != nil {
		return err
	}
	end, from := s.Receipt.Head.Seq, own.Seq+1
	if pages(jobs[own.Device]) < s.Own+max(own.Seq, end)-end {
		// Since it became an older copy somebody's parcel has brought pages as
		// hashes. Those before the last receipt may be so on purpose.
		if from, err = firstWithheld(r.book, own.Device, r.confirmed+1, from); err != nil {
			return err
		}
	}
	if from > end {
		return r.confirm(s.Receipt)
	}
	fetch := func(from uint64) error {
		_, err := r.take(ctx, []want{{Want: Want{own.Device, from}, to: end}})
		return err
	}
	err = fetch(from)
	hashes := errors.Is(err, journal.ErrGap) && from <= own.Seq
	if hashes {
		// A parcel has the pages that were lacking when it was asked for, and these
		// may have come as hashes since. They will do until the next answer; until
		// then the older receipt stands.
		if err = nil; own.Seq < end {
			err = fetch(own.Seq + 1)
		}
	}
	if err != nil {
		return err
	}
	if own, err = ownHead(r.book); err != nil {
		return err
	}
	if own.Seq < end {
		return fmt.Errorf("fetching this device's own pages back: %w: it has confirmed %d, and gives %d", journal.ErrGap, end, own.Seq)
	}
	if err := checkReceipt(r.book, r.hub, s.Receipt); err != nil || hashes {
		return err
	}
	return r.confirm(s.Receipt)
}

// take fetches what is wanted, and reports whether all of it came. A log that
// cannot be taken in does not keep the others from it.
func (r *run) take(ctx context.Context, wants []want) (whole bool, err error) {
	var bad []error
	for rest := wants; len(rest) > 0; {
		i, err := r.fetch(ctx, rest)
		switch {
		case err == nil:
			rest = nil
		case i < 0 || rest[i].Device == r.book.Identity().Device || !ofLog(err):
			return false, errors.Join(append(bad, err)...)
		case !errors.Is(err, journal.ErrFork) && !rest[i].anew:
			// What came does not go on from what is held. From its first page on,
			// the log shows where it parts from the one here.
			rest = rest[i:]
			rest[0].From, rest[0].anew = 1, true
		case errors.Is(err, journal.ErrFork):
			r.out.Forked = append(r.out.Forked, err)
			rest = rest[i+1:]
		default:
			bad = append(bad, err)
			rest = rest[i+1:]
		}
	}
	whole = true
	for _, w := range wants {
		whole = whole && w.From > w.to
	}
	return whole, errors.Join(bad...)
}

// fetch takes in what is wanted, and moves the wants on as it comes. When the
// book does not take a batch, it says to which of the wants that belongs; for
// other errors that is -1.
func (r *run) fetch(ctx context.Context, wants []want) (int, error) {
	asked := make([]Want, len(wants))
	for i, w := range wants {
		asked[i] = w.Want
	}
	for batch, err := range r.peer.Fetch(ctx, asked) {
		if err != nil {
			return -1, err
		}
		i := slices.IndexFunc(wants, func(w want) bool { return w.Device == batch.Identity.Device })
		if i < 0 {
			return -1, fmt.Errorf("%w: a log that was not asked for", ErrProtocol)
		}
		if len(batch.Records) == 0 {
			return -1, errNoPages
		}
		taken, err := r.book.Ingest(batch.Identity, batch.Records, batch.Head)
		if err != nil {
			return i, err
		}
		if batch.Records[0].Seq <= wants[i].From {
			wants[i].From = max(wants[i].From, batch.Head.Seq+1)
		}
		if batch.Identity.Device == r.book.Identity().Device {
			r.out.Own += taken.Added + taken.Filled
		} else {
			r.out.Received += taken.Added + taken.Filled
		}
		if r.report.Received != nil {
			r.report.Received(batch, taken)
		}
	}
	return -1, nil
}

// ofLog reports whether an error is about a log that was offered, rather than
// the book that would take it in.
func ofLog(err error) bool {
	if errors.Is(err, journal.ErrDamaged) {
		return false
	}
	for _, of := range []error{
		journal.ErrFork, journal.ErrGap, journal.ErrBroken, journal.ErrSignature,
		journal.ErrUnsigned, journal.ErrNotCanonical, journal.ErrInvalid,
	} {
		if errors.Is(err, of) {
			return true
		}
	}
	return false
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
// book still has it. A receipt that does not verify confirms nothing.
func heldBase(b Book, hub journal.Identity) (journal.Head, error) {
	zero := b.Identity().Head().Head
	r, ok, err := Confirmed(b, hub)
	if errors.Is(err, ErrReceipt) || errors.Is(err, ErrProtocol) || errors.Is(err, ErrVersion) {
		return zero, nil
	}
	if err != nil || !ok {
		return zero, err
	}
	own, err := ownHead(b)
	if err != nil || own.Seq < r.Head.Seq {
		return zero, err
	}
	return r.Head, nil
}

// rejoin returns the head from which the log goes on at a hub that holds less
// than it has confirmed. If what it holds is another log, that is the start:
// what comes from there proves it.
func rejoin(b Book, have, base journal.Head) (journal.Head, error) {
	if have.Device != base.Device || have.Seq >= base.Seq {
		return base, fmt.Errorf("%w: a gap that is none", ErrProtocol)
	}
	h, err := headAt(b, b.Identity(), have.Seq)
	if err == nil && h.Hash != have.Hash {
		h = b.Identity().Head().Head
	}
	return h, err
}

// headAt returns the head of a log that is held, at a sequence up to its end.
// journal.ErrGap when hashes before it are lost.
func headAt(b Book, id journal.Identity, seq uint64) (journal.Head, error) {
	h := id.Head().Head
	if seq == 0 {
		return h, nil
	}
	if s, err := b.SignedFrom(id.Device, seq); err != nil || s.Seq == seq {
		return s.Head, err
	}
	chain := journal.NewChain(h)
	for r, err := range b.Scan(id.Device, 1) {
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
// the very head that it holds at that place. A book that is an older copy of
// itself checks that when it has caught up.
func checkReceipt(b Book, hub journal.Identity, r Receipt) error {
	if err := r.Verify(hub); err != nil {
		return err
	}
	own, err := ownHead(b)
	if err != nil {
		return err
	}
	if r.Head.Device != own.Device {
		return fmt.Errorf("%w: for device %s", ErrReceipt, r.Head.Device.Tag())
	}
	if r.Head.Seq > own.Seq {
		return nil
	}
	if r.Head.Seq < own.Seq {
		if own, err = headAt(b, b.Identity(), r.Head.Seq); err != nil {
			return err
		}
	}
	if r.Head.Hash != own.Hash {
		return &journal.BreakError{Device: own.Device, Seq: r.Head.Seq, Err: journal.ErrFork}
	}
	return nil
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
func lacking(b Book, s State) ([]want, error) {
	ids, err := b.Devices()
	if err != nil {
		return nil, err
	}
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
	var out []want
	for _, l := range s.Logs {
		device := l.Head.Device
		if device == b.Identity().Device {
			return nil, fmt.Errorf("%w: this device's own log among the others", ErrProtocol)
		}
		from := uint64(1)
		if i := slices.IndexFunc(ids, func(id journal.Identity) bool { return id.Device == device }); i >= 0 {
			full, _ := shown.full(jobs[device])
			if from, err = lacks(b, ids[i], heads[device].Head, full, l); err != nil {
				return nil, err
			}
		}
		if from <= l.Head.Seq {
			out = append(out, want{Want{device, from}, l.Head.Seq, from == 1})
		}
	}
	return out, nil
}

// lacks returns the page from which a log has to be asked for; one past what
// the peer shows when there is nothing to ask for.
func lacks(b Book, id journal.Identity, held journal.Head, full uint64, shown Standing) (uint64, error) {
	// Pages past the peer's head, from a parcel, count here and not there.
	if full < shown.Full || held.Seq > shown.Head.Seq {
		from, err := firstWithheld(b, id.Device, 1, held.Seq+1)
		if err != nil || from <= shown.Head.Seq {
			return from, err
		}
	}
	if held.Seq < shown.Head.Seq {
		return held.Seq + 1, nil
	}
	if held.Seq > shown.Head.Seq {
		var err error
		if held, err = headAt(b, id, shown.Head.Seq); err != nil {
			return 0, err
		}
	}
	if held.Hash != shown.Head.Hash {
		return 1, nil // another log: from its start, it shows where they part
	}
	return shown.Head.Seq + 1, nil
}

// firstWithheld returns the first page of a log, from a sequence on, that is
// not here in full; end when all are.
func firstWithheld(b Book, device journal.ID, next, end uint64) (uint64, error) {
	for r, err := range b.Scan(device, next) {
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
