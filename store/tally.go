package store

import (
	"bytes"
	"encoding/binary"
	"fmt"

	"pinchrod/store/journal"
)

// A tally counts the pages held in full.
type tally map[share]uint64

// A share is one job's part of one device's log.
type share struct{ device, job journal.ID }

// Jobs counts the pages that are held in full, by device and job, without
// reading the logs. Pages that belong to no job count under the zero ID, and
// those of a newer version, whose job this one cannot read, under
// [journal.Unread]. A page of which only the hash is here counts nowhere, nor
// is a device listed that has no other.
func (s *Store) Jobs() (map[journal.ID]map[journal.ID]uint64, error) {
	jobs := map[journal.ID]map[journal.ID]uint64{}
	err := s.view(func(l *ledger) error {
		t, err := l.readTally()
		if l.tally == nil { // a file from before the tally, which we may not write
			t, err = l.recount()
		}
		for at, n := range t {
			if jobs[at.device] == nil {
				jobs[at.device] = map[journal.ID]uint64{}
			}
			jobs[at.device][at.job] = n
		}
		return err
	})
	if err != nil {
		return nil, fmt.Errorf("counting the pages of each job: %w", err)
	}
	return jobs, nil
}

// jobOf returns the job a record's page counts under; false when the page is
// not here.
func jobOf(r journal.Record) (journal.ID, bool) {
	if r.Page == nil {
		return journal.ID{}, false
	}
	p, err := r.Decode()
	if err != nil {
		return journal.Unread, true // checked when it was read, so it is newer
	}
	return p.Job, true
}

// recount makes the tally again from the log.
func (l *ledger) recount() (tally, error) { return l.replay(nil, nil) }

// entries calls do with everything the logs hold but gaps, device by device.
// Pages alias the file.
func (l *ledger) entries(do func(entry) error) error {
	c := l.page.Cursor()
	for k, v := c.First(); k != nil; k, v = c.Next() {
		if _, seq, err := splitKey(k); err != nil {
			return err
		} else if seq == 0 {
			continue // the identity
		}
		e, err := readEntry(k, v)
		if err != nil {
			return err
		}
		if e.gapTo > 0 {
			continue
		}
		if err := do(e); err != nil {
			return err
		}
	}
	return nil
}

// readTally reads the tally that is kept; it is empty in an old file.
func (l *ledger) readTally() (tally, error) {
	t := tally{}
	if l.tally == nil {
		return t, nil
	}
	c := l.tally.Cursor()
	for k, v := c.First(); k != nil; k, v = c.Next() {
		at, n, err := readShare(k, v)
		if err != nil {
			return nil, err
		}
		t[at] = n
	}
	return t, nil
}

// addTally adds to the tally that is kept.
func (l *ledger) addTally(t tally) error {
	for at, n := range t {
		if v := l.tally.Get(at.key()); v != nil {
			_, have, err := readShare(at.key(), v)
			if err != nil {
				return err
			}
			n += have
		}
		if err := l.putShare(at, n); err != nil {
			return err
		}
	}
	return nil
}

// writeTally puts a tally in place of the one that is kept.
func (l *ledger) writeTally(t tally) error {
	var err error
	if l.tally, err = l.emptied(bucketTally); err != nil {
		return err
	}
	for at, n := range t {
		if err := l.putShare(at, n); err != nil {
			return err
		}
	}
	return nil
}

func (at share) key() []byte { return append(at.device[:len(at.device):len(at.device)], at.job[:]...) }

func (l *ledger) putShare(at share, n uint64) error {
	k := at.key()
	return l.tally.Put(k, frame(kindTally, k, binary.BigEndian.AppendUint64(nil, n)))
}

func readShare(k, v []byte) (share, uint64, error) {
	body, err := parseKind(kindTally, v)
	if err != nil {
		return share{}, 0, fmt.Errorf("the tally: %w", err)
	}
	if len(body) != 2*len(journal.ID{})+8 || !bytes.Equal(body[:32], k) {
		return share{}, 0, badFile("the tally has %d bytes in the place of a count", len(body))
	}
	return share{journal.ID(body[:16]), journal.ID(body[16:32])}, binary.BigEndian.Uint64(body[32:]), nil
}
