package store

import (
	"bytes"
	"fmt"
	"iter"

	"pinchrod/store/journal"
)

// One read of Scan: enough to be worth a transaction, little enough to hold.
const (
	scanRecords = 512
	scanBytes   = 1 << 20
)

// Scan returns a device's records from a sequence on, as they are kept. A
// page that is withheld has only its hash; numbers that a recovered log has
// lost are left out. Every page is checked against its hash. What is yielded
// is the caller's own, and no transaction is open meanwhile: the caller may
// take its time, and append.
func (s *Store) Scan(device journal.ID, from uint64) iter.Seq2[journal.Record, error] {
	return func(yield func(journal.Record, error) bool) {
		next := max(from, 1)
		for {
			batch, err := s.some(device, next)
			for _, r := range batch {
				if !yield(r, nil) {
					return
				}
			}
			if err != nil {
				yield(journal.Record{}, err)
				return
			}
			if len(batch) == 0 {
				return
			}
			next = batch[len(batch)-1].Seq + 1
		}
	}
}

// some copies out some records from a sequence on; none at the end.
func (s *Store) some(device journal.ID, from uint64) (out []journal.Record, err error) {
	size := 0
	err = s.view(func(l *ledger) error {
		c := l.page.Cursor()
		for k, v := c.Seek(key(device, from)); bytes.HasPrefix(k, device[:]); k, v = c.Next() {
			e, err := readEntry(k, v)
			if err != nil {
				return err
			}
			if e.gapTo > 0 {
				continue
			}
			e.Page = bytes.Clone(e.Page)
			out = append(out, e.Record)
			if size += len(e.Page); len(out) >= scanRecords || size >= scanBytes {
				return nil
			}
		}
		return nil
	})
	return out, err
}

// Page returns one page; [ErrNoPage] when there is none, or
// [journal.ErrWithheld] when only its hash is here.
func (s *Store) Page(device journal.ID, seq uint64) (p journal.Page, err error) {
	err = s.view(func(l *ledger) error {
		e, ok, err := l.entry(device, seq)
		if err != nil {
			return err
		}
		if !ok {
			return fmt.Errorf("%w: page %d of %s", ErrNoPage, seq, device)
		}
		e.Page = bytes.Clone(e.Page)
		p, err = e.Decode()
		return err
	})
	return p, err
}

// Devices returns the identities of the logs that are kept, in order of their
// ids: this device's own, and those of others.
func (s *Store) Devices() (ids []journal.Identity, err error) {
	err = s.view(func(l *ledger) error {
		ids, err = l.devices()
		return err
	})
	return ids, err
}

// Heads returns the newest signed head of every log.
func (s *Store) Heads() (map[journal.ID]journal.SignedHead, error) {
	heads := map[journal.ID]journal.SignedHead{}
	err := s.view(func(l *ledger) error {
		ids, err := l.devices()
		if err != nil {
			return err
		}
		for _, id := range ids {
			c, err := l.last(id.Device)
			if err != nil {
				return err
			}
			heads[id.Device] = c.Head
		}
		return nil
	})
	if err != nil {
		return nil, err
	}
	return heads, nil
}

// SignedFrom returns the first signed head at or after a sequence: where a
// batch of pages may end. [ErrNoPage] past the log's end.
func (s *Store) SignedFrom(device journal.ID, seq uint64) (h journal.SignedHead, err error) {
	err = s.view(func(l *ledger) error {
		c, ok, err := l.commitAt(device, seq)
		if err == nil && !ok {
			err = fmt.Errorf("%w: page %d of %s", ErrNoPage, seq, device)
		}
		h = c.Head
		return err
	})
	return h, err
}
