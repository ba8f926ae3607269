package store

import (
	"errors"
	"fmt"

	"pinchrod/store/journal"
)

// Ingest takes in pages of a device's log: consecutive records, and the signed
// head they end at. They have to join what is held of that log (all of it or
// any part; nothing for a log not seen before, whose first page is then 1),
// and are kept only if the chain from there leads to the head and the device's
// key signed it. What is held already is success. No records and head 0
// introduce a device.
//
// Pages that are held as a hash only, or that a recovered log has lost, are
// filled in; the projection is then made again at the next [Store.View]. Pages
// of a forgotten job are kept as their hash: past what is held they count as
// added, else as known, and none is filled.
//
// [journal.ErrFork] means that the device has signed something else than what
// is held: nothing is taken, and the evidence is kept. Other errors are
// [journal.ErrGap], [journal.ErrBroken], [journal.ErrSignature],
// [journal.ErrUnsigned]; then nothing is kept.
//
// Pages are checked before the store is locked, so several goroutines verify
// what they bring at the same time.
func (s *Store) Ingest(id journal.Identity, records []journal.Record, head journal.SignedHead) (journal.Taken, error) {
	var taken journal.Taken
	var fork error
	// What can be verified without the file is, before anyone has to wait.
	b, err := newBatch(id, records, head)
	if err == nil {
		err = s.change(func(l *ledger) (err error) {
			b.ledger = l
			taken, err = b.take(s.o.Projector)
			if errors.Is(err, journal.ErrFork) {
				fork = s.fail(err)
				return nil // commit the evidence, and only that
			}
			return err
		})
	}
	if err = errors.Join(err, fork); err != nil {
		return journal.Taken{}, fmt.Errorf("taking in pages of %s: %w", id.Device, err)
	}
	return taken, nil
}

// A batch is what is taken in at once.
type batch struct {
	*ledger
	id      journal.Identity
	records []journal.Record
	pages   []journal.Page // of the records, where they can be read
	jobs    []journal.ID   // that the records' pages count under
	head    journal.SignedHead
	from    journal.Head   // where the records start
	heads   []journal.Hash // after each record
	held    []holding      // of each record up to the last that is held
}

// A holding is what is held in a record's place.
type holding byte

const (
	heldNot   holding = iota // it lies in a gap
	heldLost                 // its hash, the page was lost
	heldHash                 // its hash
	heldWhole                // the page
)

// newBatch checks the records by themselves.
func newBatch(id journal.Identity, records []journal.Record, head journal.SignedHead) (*batch, error) {
	if err := id.Verify(); err != nil {
		return nil, err
	}
	if err := head.Verify(id.Key); err != nil {
		return nil, err
	}
	b := &batch{
		id: id, records: records, head: head,
		pages: make([]journal.Page, len(records)), jobs: make([]journal.ID, len(records)),
	}
	for i, r := range records {
		if want := records[0].Seq + uint64(i); want == 0 || r.Seq != want {
			return nil, &journal.BreakError{Device: id.Device, Seq: want, Err: fmt.Errorf("%w: page %d comes next", journal.ErrBroken, r.Seq)}
		}
		p, err := r.Open(id.Device)
		switch {
		case err == nil:
			b.pages[i], b.jobs[i] = p, p.Job
		case errors.Is(err, journal.ErrNewer):
			b.jobs[i] = journal.Unread
		case !errors.Is(err, journal.ErrWithheld):
			return nil, err
		}
	}
	return b, nil
}

// take checks a batch against what is held, and keeps what is new.
func (b *batch) take(p Projector) (journal.Taken, error) {
	held, known, err := b.identity(b.id.Device)
	if err != nil {
		return journal.Taken{}, err
	}
	if known && !held.Equal(b.id) {
		return journal.Taken{}, fmt.Errorf("%w: another key is known for this device", journal.ErrSignature)
	}
	if !known {
		if err := b.putIdentity(b.id); err != nil {
			return journal.Taken{}, err
		}
	}
	last, err := b.last(b.id.Device)
	if err != nil {
		return journal.Taken{}, err
	}

	// The batch leads from a head that we hold to the signed one.
	first := b.head.Seq + 1
	if len(b.records) > 0 {
		first = b.records[0].Seq
	}
	var ok bool
	if b.from, ok, err = b.headAt(b.id.Device, first-1); err != nil {
		return journal.Taken{}, err
	} else if !ok {
		return journal.Taken{}, fmt.Errorf("%w: pages from %d do not join what is held, up to %d", journal.ErrGap, first, last.Head.Seq)
	}
	chain := journal.NewChain(b.from)
	b.heads = make([]journal.Hash, len(b.records))
	for i, r := range b.records {
		chain.AddHash(r.Hash)
		b.heads[i] = chain.Head().Hash
	}
	// Two signed heads of one sequence are a fork, wherever it began.
	if ours, ok, err := b.headAt(b.id.Device, b.head.Seq); err != nil {
		return journal.Taken{}, err
	} else if ok && ours.Hash != b.head.Hash {
		return journal.Taken{}, b.fork(b.head.Seq)
	}
	if err := chain.Ends(b.head.Head); err != nil {
		return journal.Taken{}, err
	}
	if fork, err := b.compare(last.Head.Seq); err != nil {
		return journal.Taken{}, err
	} else if fork > 0 {
		return journal.Taken{}, b.fork(fork)
	}
	taken, changed, err := b.keep(last.Head.Head, p)
	if err == nil && known && !changed {
		err = errUnchanged
	}
	return taken, err
}

// fork keeps what contradicts the log, and names it.
func (b *batch) fork(seq uint64) error {
	c := commit{Prev: b.from.Hash, Head: b.head}
	for _, r := range b.records {
		c.Hashes = append(c.Hashes, r.Hash)
	}
	v, err := c.encode(kindFork)
	if err != nil {
		return err
	}
	if err := b.ledger.fork.Put(append(key(b.id.Device, b.head.Seq), b.head.Hash[:]...), v); err != nil {
		return err
	}
	return &journal.BreakError{Device: b.id.Device, Seq: seq, Err: fmt.Errorf(
		"%w: this device has signed two logs; both heads are kept as evidence", journal.ErrFork)}
}

// compare looks at what is held of the batch, up to the last page that is. It
// returns the first page that is held with another hash, or whose head is; 0
// when there is none.
func (b *batch) compare(last uint64) (fork uint64, err error) {
	gapTo := uint64(0)
	for i, r := range b.records {
		if r.Seq > last {
			break
		}
		at := heldNot
		if r.Seq > gapTo {
			k := key(b.id.Device, r.Seq)
			e, err := readEntry(k, b.page.Get(k))
			switch {
			case err != nil:
				return 0, err
			case e.gapTo > 0:
				gapTo = e.gapTo
			case e.Hash != r.Hash:
				return r.Seq, nil
			case e.lost:
				at = heldLost
			case e.Page == nil:
				at = heldHash
			default:
				at = heldWhole
			}
		}
		// A log may join again on the far side of a gap only where it left.
		if r.Seq == gapTo {
			if h, ok, err := b.headAt(b.id.Device, r.Seq); err != nil {
				return 0, err
			} else if ok && h.Hash != b.heads[i] {
				return r.Seq, nil
			}
		}
		b.held = append(b.held, at)
	}
	return 0, nil
}

// keep writes what is new in the batch, after the last head that is held.
func (b *batch) keep(last journal.Head, p Projector) (taken journal.Taken, changed bool, err error) {
	device := b.id.Device
	records, err := b.without(b.records, b.jobs)
	if err != nil {
		return journal.Taken{}, false, err
	}
	counts := tally{}
	var added []journal.Page
	behind := false // the projection is, for pages of a device come to it in order
	for i, r := range records {
		forgotten := r.Page == nil && b.records[i].Page != nil
		readable := r.Page != nil && b.pages[i].Seq > 0
		switch {
		case i >= len(b.held):
			taken.Added++
			if readable && p != nil {
				page := b.pages[i]
				page.Payload = append([]byte{}, page.Payload...)
				added = append(added, page)
			}
		case b.held[i] == heldWhole, b.held[i] == heldHash && r.Page == nil, b.held[i] == heldLost && r.Page == nil && !forgotten:
			taken.Known++
			continue
		default: // something better than what is held; that a lost page is forgotten is
			if forgotten {
				taken.Known++
			} else {
				taken.Filled++
			}
			behind = behind || readable
			if b.held[i] == heldNot {
				if err := b.fillGap(r.Seq); err != nil {
					return journal.Taken{}, false, err
				}
			}
		}
		if err := b.putEntry(entry{device: device, Record: r}); err != nil {
			return journal.Taken{}, false, err
		}
		changed = true
		if r.Page != nil {
			counts[share{device, b.jobs[i]}]++
		}
	}
	if b.head.Seq > last.Seq {
		c := commit{Prev: last.Hash, Head: b.head}
		for _, r := range b.records[last.Seq-b.from.Seq:] {
			c.Hashes = append(c.Hashes, r.Hash)
		}
		if err := b.putCommit(c); err != nil {
			return journal.Taken{}, false, err
		}
	}
	if err := b.addTally(counts); err != nil {
		return journal.Taken{}, false, err
	}
	switch {
	case behind:
		err = b.markProjection(nil)
	case taken.Added > 0:
		err = b.project(p, added)
	}
	return taken, changed, err
}

// fillGap closes the part of a gap, starting at seq, that the batch reaches,
// and keeps the proof for it. The batch comes from before the gap, so seq is
// the gap's first page.
func (b *batch) fillGap(seq uint64) error {
	device := b.id.Device
	k := key(device, seq)
	v := b.page.Get(k)
	if v == nil {
		return nil // further on in a gap that is dealt with
	}
	e, err := readEntry(k, v)
	if err != nil {
		return err
	}
	last := min(e.gapTo, b.head.Seq)
	i := seq - b.from.Seq - 1 // of the gap's first page in the batch
	prev := b.from.Hash
	if i > 0 {
		prev = b.heads[i-1]
	}
	var hashes []journal.Hash
	for _, r := range b.records[i : last-b.from.Seq] {
		hashes = append(hashes, r.Hash)
	}
	if last < e.gapTo || last == b.head.Seq {
		if last < e.gapTo {
			e.Seq = last + 1
			if err := b.putEntry(e); err != nil {
				return err
			}
		}
		return b.putCommit(commit{Prev: prev, Hashes: hashes, Head: b.head})
	}
	// No signed head of ours ends at the gap's end: the commit after it
	// answers for these pages too.
	after, ok, err := b.commitAt(device, e.gapTo+1)
	if err != nil {
		return err
	}
	if !ok || after.start() != e.gapTo {
		return fmt.Errorf("%w: log of %s: nothing follows the gap up to page %d", ErrDamaged, device, e.gapTo)
	}
	after.Prev, after.Hashes = prev, append(hashes, after.Hashes...)
	return b.putCommit(after)
}
