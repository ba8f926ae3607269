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
// filled in. [journal.ErrFork] means that the device has signed something else
// than what is held: nothing is taken, and the evidence is kept. Other errors
// are [journal.ErrGap], [journal.ErrBroken], [journal.ErrSignature],
// [journal.ErrUnsigned]; then nothing is kept.
func (s *Store) Ingest(id journal.Identity, records []journal.Record, head journal.SignedHead) (journal.Taken, error) {
	var taken journal.Taken
	var fork error
	err := s.change(func(l *ledger) (err error) {
		taken, err = l.ingest(id, records, head, s.o.Projector)
		if errors.Is(err, journal.ErrFork) {
			fork = s.fail(err)
			return nil // commit the evidence, and only that
		}
		return err
	})
	if err = errors.Join(err, fork); err != nil {
		return journal.Taken{}, fmt.Errorf("taking in pages of %s: %w", id.Device, err)
	}
	return taken, nil
}

func (l *ledger) ingest(id journal.Identity, records []journal.Record, head journal.SignedHead, p Projector) (journal.Taken, error) {
	if err := id.Verify(); err != nil {
		return journal.Taken{}, err
	}
	if err := head.Verify(id.Key); err != nil {
		return journal.Taken{}, err
	}
	held, known, err := l.identity(id.Device)
	if err != nil {
		return journal.Taken{}, err
	}
	if known && !held.Equal(id) {
		return journal.Taken{}, fmt.Errorf("%w: another key is known for this device", journal.ErrSignature)
	}
	if !known {
		if err := l.putIdentity(id); err != nil {
			return journal.Taken{}, err
		}
	}

	// The batch holds by itself, from a head that we hold.
	first := head.Seq + 1
	if len(records) > 0 {
		first = records[0].Seq
	}
	if first == 0 {
		return journal.Taken{}, fmt.Errorf("%w: pages count from 1", journal.ErrBroken)
	}
	from, ok, err := l.headAt(id.Device, first-1)
	if err != nil {
		return journal.Taken{}, err
	}
	if !ok {
		last, err := l.last(id.Device)
		if err != nil {
			return journal.Taken{}, err
		}
		return journal.Taken{}, fmt.Errorf("%w: pages from %d do not join what is held, up to %d", journal.ErrGap, first, last.Head.Seq)
	}
	b := batch{ledger: l, id: id, records: records, head: head, from: from}
	chain := journal.NewChain(from)
	for _, r := range records {
		if err := chain.Add(r); err != nil {
			return journal.Taken{}, err
		}
		b.heads = append(b.heads, chain.Head().Hash)
	}
	// Two signed heads of one sequence are a fork, wherever it began.
	if ours, ok, err := l.headAt(id.Device, head.Seq); err != nil {
		return journal.Taken{}, err
	} else if ok && ours.Hash != head.Hash {
		return journal.Taken{}, b.fork(head.Seq)
	}
	if err := chain.Close(head, id.Key); err != nil {
		return journal.Taken{}, err
	}
	if fork, err := b.findFork(); err != nil || fork > 0 {
		if fork > 0 {
			err = b.fork(fork)
		}
		return journal.Taken{}, err
	}
	taken, err := b.keep(p)
	if err == nil && known && taken.Added+taken.Filled == 0 {
		err = errUnchanged
	}
	return taken, err
}

// A batch is what is taken in at once, verified.
type batch struct {
	*ledger
	id      journal.Identity
	records []journal.Record
	heads   []journal.Hash // after each record
	head    journal.SignedHead
	from    journal.Head
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

// findFork returns the first page that is held with another hash, or whose
// head is; 0 when there is none.
func (b *batch) findFork() (uint64, error) {
	for i, r := range b.records {
		e, ok, err := b.entry(b.id.Device, r.Seq)
		if err != nil {
			return 0, err
		}
		if ok && e.Hash != r.Hash {
			return r.Seq, nil
		}
		// A log may join again on the far side of a gap only where it left.
		if !ok {
			if h, ok, err := b.headAt(b.id.Device, r.Seq); err != nil {
				return 0, err
			} else if ok && h.Hash != b.heads[i] {
				return r.Seq, nil
			}
		}
	}
	return 0, nil
}

// keep writes what is new in the batch.
func (b *batch) keep(p Projector) (taken journal.Taken, err error) {
	device := b.id.Device
	before, err := b.last(device)
	if err != nil {
		return journal.Taken{}, err
	}
	var added []journal.Page
	for _, r := range b.records {
		e, ok, err := b.entry(device, r.Seq)
		if err != nil {
			return journal.Taken{}, err
		}
		if ok && (r.Page == nil || e.Page != nil) {
			taken.Known++
			continue
		}
		if r.Seq > before.Head.Seq {
			taken.Added++
			// One that is withheld, or a newer version's, is not projected.
			if page, err := r.Decode(); err == nil {
				added = append(added, page)
			}
		} else {
			taken.Filled++
			if !ok {
				if err := b.fillGap(r.Seq); err != nil {
					return journal.Taken{}, err
				}
			}
		}
		if err := b.putEntry(entry{device: device, Record: r}); err != nil {
			return journal.Taken{}, err
		}
	}
	if b.head.Seq > before.Head.Seq {
		c := commit{Prev: before.Head.Hash, Head: b.head}
		for _, r := range b.records[before.Head.Seq-b.from.Seq:] {
			c.Hashes = append(c.Hashes, r.Hash)
		}
		if err := b.putCommit(c); err != nil {
			return journal.Taken{}, err
		}
	}
	if taken.Filled > 0 && p != nil {
		return taken, b.rebuild(p) // pages of a device come to the projector in order
	}
	if taken.Added+taken.Filled == 0 {
		return taken, nil
	}
	return taken, b.project(p, added)
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
