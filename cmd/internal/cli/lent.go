package cli

import (
	"errors"
	"iter"
	"sync/atomic"
	"time"

	"pinchrod/store"
	"pinchrod/store/journal"
)

// lentIdle is how long a lent book stays open unused. The line is far slower
// than the disk, so while a sync waits for it another window can write; bbolt
// looks for the lock every 50 ms, and gives up after a second.
const lentIdle = 5 * time.Millisecond

// lentChunk is how many records one look into a lent book takes out.
const lentChunk = 512

// A lent book is the store as an exchange, or the bench's pages, use it: opened
// when it is needed, and let go of while the exchange waits for the line.
type lent struct {
	open func() (*store.Store, error)
	self journal.Identity

	late atomic.Uint64 // how often another window has held the book too long

	turn chan struct{} // full while somebody has what follows
	s    *store.Store
	due  int   // which of the timers set so far may still let go
	busy error // of the last time that late counts
}

// lend opens a book to learn who it is.
func lend(open func() (*store.Store, error)) (*lent, error) {
	l := &lent{open: open, turn: make(chan struct{}, 1)}
	err := l.do(func(s *store.Store) error {
		l.self = s.Identity()
		return nil
	})
	return l, err
}

// do runs what needs the book. When another window holds it for too long, all
// who wait here are told so together: a page is several requests, and one after
// the other would each wait a second more than the one before.
func (l *lent) do(what func(*store.Store) error) (err error) {
	late := l.late.Load()
	l.turn <- struct{}{}
	defer func() { <-l.turn }()
	if l.s == nil {
		if l.late.Load() != late {
			return l.busy
		}
		if l.s, err = l.open(); err != nil {
			l.s = nil
			if errors.Is(err, store.ErrInUse) {
				l.busy = err
				l.late.Add(1)
			}
			return err
		}
	}
	l.due++
	mine := l.due
	defer time.AfterFunc(lentIdle, func() {
		l.turn <- struct{}{}
		defer func() { <-l.turn }()
		if l.due == mine {
			l.letGo()
		}
	})
	err = what(l.s)
	if errors.Is(err, store.ErrDamaged) {
		// Whoever comes next looks at the file anew: a backup may be in its place.
		err = errors.Join(err, l.letGo())
	}
	return err
}

// letGo is for who has the turn.
func (l *lent) letGo() error {
	s := l.s
	l.s = nil
	if s == nil {
		return nil
	}
	return s.Close()
}

// Close lets go of the book; it can be used again.
func (l *lent) Close() error {
	l.turn <- struct{}{}
	defer func() { <-l.turn }()
	l.due++
	return l.letGo()
}

func (l *lent) Identity() journal.Identity { return l.self }

func (l *lent) Devices() (ids []journal.Identity, err error) {
	err = l.do(func(s *store.Store) error { ids, err = s.Devices(); return err })
	return ids, err
}

func (l *lent) Heads() (h map[journal.ID]journal.SignedHead, err error) {
	err = l.do(func(s *store.Store) error { h, err = s.Heads(); return err })
	return h, err
}

func (l *lent) Jobs() (jobs map[journal.ID]map[journal.ID]uint64, err error) {
	err = l.do(func(s *store.Store) error { jobs, err = s.Jobs(); return err })
	return jobs, err
}

func (l *lent) SignedFrom(device journal.ID, seq uint64) (h journal.SignedHead, err error) {
	err = l.do(func(s *store.Store) error { h, err = s.SignedFrom(device, seq); return err })
	return h, err
}

func (l *lent) Ingest(id journal.Identity, r []journal.Record, h journal.SignedHead) (t journal.Taken, err error) {
	err = l.do(func(s *store.Store) error { t, err = s.Ingest(id, r, h); return err })
	return t, err
}

func (l *lent) Forget(job journal.ID) (n int, err error) {
	err = l.do(func(s *store.Store) error { n, err = s.Forget(job); return err })
	return n, err
}

func (l *lent) Forgotten() (ids []journal.ID, err error) {
	err = l.do(func(s *store.Store) error { ids, err = s.Forgotten(); return err })
	return ids, err
}

func (l *lent) Margin(prefix string) (m map[string][]byte, err error) {
	err = l.do(func(s *store.Store) error { m, err = s.Margin(prefix); return err })
	return m, err
}

func (l *lent) SetMargin(m map[string][]byte) error {
	return l.do(func(s *store.Store) error { return s.SetMargin(m) })
}

// Scan takes records out some at a time: whoever reads them may wait for the
// line in between.
func (l *lent) Scan(device journal.ID, from uint64) iter.Seq2[journal.Record, error] {
	return func(yield func(journal.Record, error) bool) {
		for next := from; ; {
			chunk := make([]journal.Record, 0, lentChunk)
			err := l.do(func(s *store.Store) error {
				for r, err := range s.Scan(device, next) {
					if err != nil {
						return err
					}
					chunk = append(chunk, r)
					if len(chunk) == lentChunk {
						break
					}
				}
				return nil
			})
			for _, r := range chunk {
				if !yield(r, nil) {
					return
				}
				next = r.Seq + 1
			}
			if err != nil {
				yield(journal.Record{}, err)
				return
			}
			if len(chunk) < lentChunk {
				return
			}
		}
	}
}
