package store

import (
	"bytes"
	"fmt"
	"time"

	"pinchrod/store/journal"
)

// A Draft is a page to be.
type Draft struct {
	Job     journal.ID // zero for a page that belongs to no job
	Payload []byte
}

// A Receipt says what Append has put on disk.
type Receipt struct {
	Pages []journal.Page
	Head  journal.SignedHead // the log's head after them
	// ClockBack is how far the clock stands behind the time of the page
	// before; 0 when it does not. Order never comes from clocks, so this is
	// only worth a word to the surveyor.
	ClockBack time.Duration
}

// Append adds pages to the device's own log, all of them or none. When it
// returns nil they are on disk, with the signed head and the projection.
// [ErrForgotten] for a page of a job that has been forgotten, and
// [journal.ErrStep] for more than a step may have, which could never be sent.
func (s *Store) Append(drafts ...Draft) (Receipt, error) {
	now := s.o.now().Truncate(time.Millisecond)
	var out Receipt
	err := s.change(func(l *ledger) error {
		device := s.self.Device
		before, err := l.last(device)
		if err != nil {
			return err
		}
		out = Receipt{Head: before.Head}
		if len(drafts) == 0 {
			return errUnchanged
		}
		payload := 0
		for _, d := range drafts {
			payload += len(d.Payload)
		}
		if err := journal.CheckStep(len(drafts), payload); err != nil {
			return err
		}
		if out.ClockBack, err = l.clockBack(before.Head.Head, now); err != nil {
			return err
		}
		chain := journal.NewChain(before.Head.Head)
		c := commit{Prev: before.Head.Hash}
		added := tally{}
		for _, d := range drafts {
			if l.isForgotten(d.Job) {
				return fmt.Errorf("%w: job %s", ErrForgotten, d.Job)
			}
			seq := chain.Head().Seq + 1
			p := journal.Page{Device: device, Seq: seq, Time: now, Job: d.Job, Payload: bytes.Clone(d.Payload)}
			b, err := p.Encode()
			if err != nil {
				return err
			}
			r := journal.NewRecord(seq, b)
			if err := chain.Add(r); err != nil {
				return err
			}
			if err := l.putEntry(entry{device: device, Record: r}); err != nil {
				return err
			}
			c.Hashes = append(c.Hashes, r.Hash)
			added[share{device, d.Job}]++
			out.Pages = append(out.Pages, p)
		}
		if c.Head, err = journal.Sign(chain.Head(), s.key); err != nil {
			return err
		}
		out.Head = c.Head
		if err := l.putCommit(c); err != nil {
			return err
		}
		if err := l.addTally(added); err != nil {
			return err
		}
		return l.project(s.o.Projector, out.Pages)
	})
	if err != nil {
		return Receipt{}, fmt.Errorf("saving: %w", err)
	}
	return out, nil
}

// clockBack returns how far now lies before the page at head.
func (l *ledger) clockBack(head journal.Head, now time.Time) (time.Duration, error) {
	e, ok, err := l.entry(head.Device, head.Seq)
	if err != nil || !ok || e.Page == nil {
		return 0, err
	}
	p, err := e.Decode()
	if err != nil {
		return 0, err
	}
	return max(0, p.Time.Sub(now)), nil
}
