package store

import (
	"bytes"
	"errors"
	"fmt"
	"maps"
	"math"
	"slices"
	"time"

	"pinchrod/store/journal"
)

// A Range is the pages from From to To, both in it.
type Range struct{ From, To uint64 }

// Count returns how many pages a range has.
func (r Range) Count() uint64 { return r.To - r.From + 1 }

// A Report is what Verify found.
type Report struct {
	Logs     []LogReport
	Forks    int     // kept evidence of logs that forked
	Problems []error // what does not verify, at most maxProblems
}

// LogReport counts one device's log.
type LogReport struct {
	Device    journal.ID
	Own       bool
	Pages     int     // that are here and are the ones their hashes name
	Withheld  int     // known by hash, as they came
	Lost      int     // known by hash, the page itself not recovered
	Gaps      []Range // lost with their hashes
	Heads     int     // signed heads that verified
	ClockBack int     // pages with an earlier time than the page before
	Head      journal.SignedHead
}

// maxProblems bounds what a thoroughly damaged file has to say.
const maxProblems = 100

// Verify checks everything: the file's structure, every page against its
// hash, every hash against the signed heads, every signature kept, the
// projection and the count of each job's pages against the log, and the margin
// by its checksums. The error names the first problem; the report
// has more.
func (s *Store) Verify() (Report, error) {
	v := verifier{}
	err := s.view(func(l *ledger) error {
		if err := s.checkStructure(true); err != nil {
			return err
		}
		v.ledger = l
		if err := v.all(s.self); err != nil {
			return err
		}
		fresh, err := l.projectionFresh(s.o.Projector)
		if err != nil {
			return err
		}
		if fresh && len(v.report.Problems) == 0 {
			if err := l.compareProjection(s.o.Projector); err != nil {
				v.problem(err)
			}
		}
		if len(v.report.Problems) == 0 {
			if err := v.beside(); err != nil {
				v.problem(err)
			}
		}
		if n := len(v.report.Problems); n > 0 {
			return fmt.Errorf("%d problems, the first: %w", n, v.report.Problems[0])
		}
		return nil
	})
	if err != nil && len(v.report.Problems) == 0 {
		v.report.Problems = []error{err}
	}
	if err != nil {
		err = fmt.Errorf("verifying: %w", err)
	}
	return v.report, err
}

type verifier struct {
	*ledger
	report  Report
	counted tally
}

func (v *verifier) problem(err error) {
	if len(v.report.Problems) < maxProblems {
		v.report.Problems = append(v.report.Problems, err)
	}
}

func (v *verifier) broken(device journal.ID, seq uint64, format string, args ...any) {
	v.problem(damaged(&journal.BreakError{Device: device, Seq: seq, Err: fmt.Errorf("%w: %s", journal.ErrBroken, fmt.Sprintf(format, args...))}))
}

// beside checks what is kept beside the logs.
func (v *verifier) beside() error {
	if v.ledger.tally == nil {
		return nil // a file from before there was anything
	}
	kept, err := v.readTally()
	if err != nil {
		return err
	}
	if !maps.Equal(kept, v.counted) {
		return fmt.Errorf("%w: the count of each job's pages is another", ErrProjection)
	}
	c := v.margin.Cursor()
	for name, b := c.First(); name != nil; name, b = c.Next() {
		if _, err := readNote(name, b); err != nil {
			return err
		}
	}
	gone, err := v.forgottenJobs()
	if err != nil {
		return err
	}
	for at := range kept {
		if slices.Contains(gone, at.job) {
			return badFile("pages of job %s are here, which is forgotten", at.job)
		}
	}
	return nil
}

func (v *verifier) all(self journal.Identity) error {
	v.counted = tally{}
	ids, err := v.devices()
	if err != nil {
		return err
	}
	known := map[journal.ID]bool{}
	for _, id := range ids {
		known[id.Device] = true
		r := v.log(id)
		r.Own = id.Device == self.Device
		if r.Own && (len(r.Gaps) > 0 || r.Lost > 0) {
			v.broken(id.Device, 0, "the device's own log has gaps")
		}
		v.report.Logs = append(v.report.Logs, r)
	}
	// Nothing is kept for a device that is not known.
	for _, b := range []interface {
		Seek(seek []byte) (key, value []byte)
	}{v.page.Cursor(), v.head.Cursor()} {
		for k, _ := b.Seek(nil); k != nil; {
			device, seq, err := splitKey(k)
			if err != nil {
				return err
			}
			if !known[device] {
				v.broken(device, seq, "pages of a device that is not known")
			}
			k, _ = b.Seek(append(key(device, math.MaxUint64), 0)) // above every key of its log
		}
	}
	c := v.fork.Cursor()
	for k, b := c.First(); k != nil; k, b = c.Next() {
		body, err := parseKind(kindFork, b)
		if err == nil {
			_, err = parseCommit(kindFork, body)
		}
		if err != nil {
			v.problem(fmt.Errorf("evidence of a fork: %w", err))
			continue
		}
		v.report.Forks++
	}
	return nil
}

// log verifies one device's log.
func (v *verifier) log(id journal.Identity) LogReport {
	r := LogReport{Device: id.Device, Head: id.Head()}
	if err := id.Verify(); err != nil {
		v.problem(damaged(err))
	}
	copies := [][]byte{v.device.Get(id.Device[:]), v.page.Get(key(id.Device, 0)), v.head.Get(key(id.Device, 0))}
	if !bytes.Equal(copies[0], copies[1]) || !bytes.Equal(copies[0], copies[2]) {
		v.broken(id.Device, 0, "the copies of its identity differ")
	}
	w := walk{verifier: v, LogReport: &r}
	pages := v.page.Cursor()
	w.next = func() (k, val []byte) { return pages.Next() }
	w.take(pages.Seek(key(id.Device, 1)))

	heads := v.head.Cursor()
	at := id.Head().Head
	for k, b := heads.Seek(key(id.Device, 1)); bytes.HasPrefix(k, id.Device[:]); k, b = heads.Next() {
		c, err := readCommit(k, b)
		if err == nil {
			if err = c.verify(id); err != nil {
				err = damaged(err)
			}
		}
		if err != nil {
			v.problem(err)
			continue // the commit after it will not join
		}
		r.Heads++
		if c.start() > at.Seq && w.gap(Range{at.Seq + 1, c.start()}) {
			at = journal.Head{Device: id.Device, Seq: c.start(), Hash: c.Prev}
		}
		if c.start() != at.Seq || c.Prev != at.Hash {
			v.broken(id.Device, at.Seq+1, "the signed heads %d and %d do not join", at.Seq, c.Head.Seq)
		}
		for i, h := range c.Hashes {
			w.page(c.start()+uint64(i)+1, h)
		}
		at, r.Head = c.Head.Head, c.Head
	}
	w.end()
	return r
}

// A walk steps through what the page bucket holds of one log.
type walk struct {
	*verifier
	*LogReport
	next func() (k, v []byte)
	have bool
	at   entry
	seq  uint64 // of at, even when it does not read
	err  error  // of reading it
	last time.Time
}

// take reads what the cursor stands on.
func (w *walk) take(k, val []byte) {
	if w.have = bytes.HasPrefix(k, w.Device[:]); w.have {
		w.at, w.err = readEntry(k, val)
		_, w.seq, _ = splitKey(k)
	}
}

// upTo steps over what lies before seq, which no signed head knows.
func (w *walk) upTo(seq uint64) bool {
	for w.have && w.seq < seq {
		w.broken(w.Device, w.seq, "no signed head vouches for this page")
		w.take(w.next())
	}
	return w.have && w.seq == seq
}

// gap steps over a gap, if just that one is noted.
func (w *walk) gap(r Range) bool {
	if !w.upTo(r.From) || w.err != nil || w.at.gapTo != r.To {
		return false
	}
	w.Gaps = append(w.Gaps, r)
	w.take(w.next())
	return true
}

// page steps over a page that has to have this hash.
func (w *walk) page(seq uint64, want journal.Hash) {
	if !w.upTo(seq) {
		w.broken(w.Device, seq, "the page is missing")
		return
	}
	switch e := w.at; {
	case w.err != nil:
		w.problem(w.err)
	case e.gapTo > 0 || e.Hash != want:
		w.broken(w.Device, seq, "the page is not the signed one")
	case e.lost:
		w.Lost++
	case e.Page == nil:
		w.Withheld++
	default:
		w.Pages++
		p, err := e.Decode()
		if err == nil && p.Time.Before(w.last) {
			w.ClockBack++
		}
		if job, ok := jobOf(e.Record); ok {
			w.counted[share{w.Device, job}]++
		}
		if err == nil {
			w.last = p.Time
		} else if !errors.Is(err, journal.ErrNewer) {
			w.problem(damaged(&journal.BreakError{Device: w.Device, Seq: seq, Err: err}))
		}
	}
	w.take(w.next())
}

func (w *walk) end() {
	for w.have {
		w.broken(w.Device, w.seq, "no signed head vouches for this page")
		w.take(w.next())
	}
}
