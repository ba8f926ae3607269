package exchange

import (
	"crypto/sha256"
	"encoding/binary"
	"errors"
	"slices"

	"pinchrod/store/journal"
)

// A Reader is a device as a host sees it: which log it may write, and which
// pages it may read.
type Reader struct {
	Identity journal.Identity
	All      bool                // every job, as the bench does
	Jobs     map[journal.ID]bool // else these
}

// may reports whether the reader may read a job's pages in another's log. A
// page without a job, such as a kit, is read by whoever reads the log; a page
// whose job cannot be read only by those who read all.
func (r Reader) may(job journal.ID) bool {
	return r.All || job.IsZero() || job != journal.Unread && r.Jobs[job]
}

// record returns a record as the reader may have it: in full, or as its hash.
func (r Reader) record(device journal.ID, rec journal.Record) journal.Record {
	if rec.Page == nil || r.All || device == r.Identity.Device {
		return rec
	}
	job := journal.Unread
	if p, err := rec.Decode(); err == nil {
		job = p.Job
	} else if !errors.Is(err, journal.ErrNewer) {
		// A host holds only what its store has checked, so this is a page that
		// it cannot judge; the careful answer is the hash.
		return journal.Record{Seq: rec.Seq, Hash: rec.Hash}
	}
	if r.may(job) {
		return rec
	}
	return journal.Record{Seq: rec.Seq, Hash: rec.Hash}
}

// full counts the pages that the reader may read in full among those of another
// device, and reports whether the log is shown at all: it is, if a page of
// one of the reader's jobs is in it.
func (r Reader) full(pages map[journal.ID]uint64) (n uint64, shown bool) {
	shown = r.All
	for job, count := range pages {
		if count > 0 && r.may(job) {
			n += count
			shown = shown || !job.IsZero()
		}
	}
	return n, shown
}

// state is what a book has to show to the reader, but its receipt.
func (r Reader) state(b Book) (State, error) {
	heads, err := b.Heads()
	if err != nil {
		return State{}, err
	}
	jobs, err := b.Jobs()
	if err != nil {
		return State{}, err
	}
	s := State{Own: pages(jobs[r.Identity.Device]), All: r.All}
	if s.Forgotten, err = b.Forgotten(); err != nil {
		return State{}, err
	}
	slices.SortFunc(s.Forgotten, journal.ID.Compare)
	for device, head := range heads {
		if device == r.Identity.Device {
			continue
		}
		if n, shown := r.full(jobs[device]); shown {
			s.Logs = append(s.Logs, Standing{Head: head.Head, Full: n})
		}
	}
	slices.SortFunc(s.Logs, func(a, b Standing) int { return a.Head.Device.Compare(b.Head.Device) })
	if !r.All {
		for job, may := range r.Jobs {
			if may {
				s.Jobs = append(s.Jobs, job)
			}
		}
		slices.SortFunc(s.Jobs, journal.ID.Compare)
	}
	s.Mark = s.mark()
	return s, nil
}

// mark = the first 16 bytes of SHA-256("pinchrod state v1" 00, the parts, each
// list after its length), numbers as 8 bytes, big-endian.
func (s State) mark() (m Mark) {
	h := sha256.New()
	h.Write([]byte("pinchrod state v1\x00"))
	number := func(n uint64) {
		var b [8]byte
		binary.BigEndian.PutUint64(b[:], n)
		h.Write(b[:])
	}
	ids := func(ids []journal.ID) {
		number(uint64(len(ids)))
		for _, id := range ids {
			h.Write(id[:])
		}
	}
	if s.All {
		number(1)
	} else {
		number(0)
	}
	ids(s.Jobs)
	number(uint64(len(s.Logs)))
	for _, l := range s.Logs {
		h.Write(l.Head.Device[:])
		number(l.Head.Seq)
		h.Write(l.Head.Hash[:])
		number(l.Full)
	}
	ids(s.Forgotten)
	copy(m[:], h.Sum(nil))
	return m
}
