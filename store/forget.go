package store

import (
	"bytes"
	"fmt"
	"slices"

	"pinchrod/store/journal"
)

// Forget erases every page of a job from every log in the file, this device's
// own among them, and returns how many there were. Each stays as its hash, so
// the logs verify as before; the projection is made again without them, at the
// next [Store.View]; and the job is noted as forgotten, for good: Append refuses
// it with [ErrForgotten], and Ingest keeps its pages as their hash only. A job
// without a page here is only noted. Forgetting a job twice is nothing.
//
// bbolt leaves old bytes behind in unused room, where Recover would find them.
// So the file is written anew, with what is live in it, beside the old one,
// and then takes its place: after Forget the pages' bytes are nowhere in the
// file. Other goroutines wait meanwhile; a Scan that is under way goes on with
// hashes; a View is waited for. Another process that waits for the file gets
// the new one. None can be looking into the old one, except where locks do
// not hold, as on some network drives: that one goes on seeing the old file.
// A crash leaves the old file or the new one, whole, and the next
// read-write Open finishes what is left to do. The logs are verified first: a
// damaged file is not written, and nothing is forgotten.
//
// When an error comes with a count above 0, the pages are out of the log, and
// their bytes may still be in the file: forget the job again, or open the file
// again. On Windows, where a file in use cannot be replaced, the file is let
// go for that moment: if another program takes hold of it just then, the error
// says so, and this store is closed.
//
// What Forget cannot reach: the disk's own memory of the old file, until it
// writes over it; backups, other names of the file (hard links), and copies in
// other books; the margin, which is the caller's; and pages of a newer version,
// whose job this one cannot read.
func (s *Store) Forget(job journal.ID) (pages int, err error) {
	if job.IsZero() || job == journal.Unread {
		return 0, fmt.Errorf("forgetting: %w: no job is named", journal.ErrInvalid)
	}
	err = s.exclusive(func() error {
		known, due := false, false
		err := s.look(func(l *ledger) (err error) {
			known = l.isForgotten(job)
			due, err = l.rewriteDue()
			return err
		})
		if err != nil || known && !due {
			return err
		}
		if err := s.sound(); err != nil {
			return err
		}
		if !known {
			if err := s.canRewrite(); err != nil {
				return err
			}
			if err := s.update(func(l *ledger) error {
				pages, err = l.forget(job)
				return err
			}); err != nil {
				pages = 0
				return err
			}
			if pages == 0 && !due {
				return nil
			}
		}
		if err := s.rewrite(); err != nil {
			return fmt.Errorf("its pages are out of the log, and their bytes may still be in the file; forget it again, or open the file again, to finish: %w", err)
		}
		return nil
	})
	if err != nil {
		return pages, fmt.Errorf("forgetting job %s: %w", job, err)
	}
	return pages, nil
}

// Forgotten returns the jobs that are forgotten, in order of their ids.
func (s *Store) Forgotten() (jobs []journal.ID, err error) {
	err = s.view(func(l *ledger) error {
		jobs, err = l.forgottenJobs()
		return err
	})
	if err != nil {
		return nil, fmt.Errorf("reading which jobs are forgotten: %w", err)
	}
	return jobs, nil
}

func (l *ledger) forgottenJobs() (jobs []journal.ID, err error) {
	if l.forgotten == nil {
		return nil, nil
	}
	c := l.forgotten.Cursor()
	for k, v := c.First(); k != nil; k, v = c.Next() {
		body, err := parseKind(kindForgotten, v)
		if err != nil {
			return nil, fmt.Errorf("a forgotten job: %w", err)
		}
		if !bytes.Equal(body, k) || len(k) != len(journal.ID{}) {
			return nil, badFile("forgotten job %x is kept as %x", body, k)
		}
		jobs = append(jobs, journal.ID(k))
	}
	return jobs, nil
}

func (l *ledger) isForgotten(job journal.ID) bool {
	return l.forgotten != nil && l.forgotten.Get(job[:]) != nil
}

func (l *ledger) putForgotten(job journal.ID) error {
	return l.forgotten.Put(bytes.Clone(job[:]), frame(kindForgotten, job[:]))
}

// forget takes a job's pages out of the logs, and notes that the file has to
// be written anew.
func (l *ledger) forget(job journal.ID) (pages int, err error) {
	if err := l.putForgotten(job); err != nil {
		return 0, err
	}
	var erased []entry
	err = l.entries(func(e entry) error {
		if j, ok := jobOf(e.Record); ok && j == job {
			e.Page = nil
			erased = append(erased, e)
		}
		return nil
	})
	if err != nil || len(erased) == 0 {
		return 0, err
	}
	for _, e := range erased {
		if err := l.putEntry(e); err != nil {
			return 0, err
		}
	}
	t, err := l.readTally()
	if err != nil {
		return 0, err
	}
	for at := range t {
		if at.job == job {
			delete(t, at)
		}
	}
	if err := l.writeTally(t); err != nil {
		return 0, err
	}
	if l.projection, err = l.emptied(bucketProjection); err != nil {
		return 0, err
	}
	if err := l.markProjection(nil); err != nil {
		return 0, err
	}
	return len(erased), l.putSetting(metaRewrite, nil)
}

// without returns records with the pages of forgotten jobs left out.
func (l *ledger) without(records []journal.Record, jobs []journal.ID) ([]journal.Record, error) {
	gone, err := l.forgottenJobs()
	if err != nil || len(gone) == 0 {
		return records, err
	}
	out := slices.Clone(records)
	for i := range out {
		if _, ok := slices.BinarySearchFunc(gone, jobs[i], journal.ID.Compare); ok {
			out[i].Page = nil
		}
	}
	return out, nil
}
