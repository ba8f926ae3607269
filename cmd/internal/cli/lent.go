package cli

import (
	"iter"
	"sync"
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

// A lent book is the store as an exchange uses it: opened when it is needed,
// and let go of while the exchange waits for the line.
type lent struct {
	open func() (*store.Store, error)
	self journal.Identity

	mu  sync.Mutex
	s   *store.Store
	due int // which of the timers set so far may still let go
}

// lend opens a book to learn who it is.
func lend(open func() (*store.Store, error)) (*lent, error) {
	l := &lent{open: open}
	err := l.do(func(s *store.Store) error {
		l.self = s.Identity()
		return nil
	})
	return l, err
}

func (l *lent) do(what func(*store.Store) error) error {
	l.mu.Lock()
	defer l.mu.Unlock()
	if l.s == nil {
		s, err := l.open()
		if err != nil {
			return err
		}
		l.s = s
	}
	l.due++
	mine := l.due
	defer time.AfterFunc(lentIdle, func() {
		l.mu.Lock()
		defer l.mu.Unlock()
		if l.due == mine {
			l.letGo()
		}
	})
	return what(l.s)
}

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
	l.mu.Lock()
	defer l.mu.Unlock()
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
