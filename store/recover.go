package store

import (
	"errors"
	"fmt"
	"io/fs"
	"maps"
	"os"
	"slices"
	"time"

	"pinchrod/store/journal"
)

// A RecoverReport says what Recover has brought into the new file.
type RecoverReport struct {
	Damaged string // the damaged file, kept byte for byte
	Fresh   string
	Device  journal.ID // the new file's own device
	Logs    []RecoveredLog
	// Unknown counts pages of devices whose identity is lost: nothing says
	// whose they are.
	Unknown int
}

// RecoveredLog says what has become of one device's log.
type RecoveredLog struct {
	Device    journal.ID
	Recovered int     // pages, each vouched for by a signature
	Withheld  int     // known by hash only, as before the damage, or of a forgotten job
	Lost      []Range // pages that are vouched for, or counted, and not there
	Unvouched int     // pages found that no signature reaches; not taken
	Head      journal.SignedHead
}

// LostPages counts the pages in Lost.
func (r RecoveredLog) LostPages() (n uint64) {
	for _, l := range r.Lost {
		n += l.Count()
	}
	return n
}

// Recover makes a new file from what verifies in a damaged one, which is only
// read. It does not rely on the damaged file's structure: it looks for pages,
// hashes and signed heads in its bytes, and takes the pages a signature vouches
// for.
//
// The new file is a new device: going on with the old log after losing its
// end would fork it. The old device's log is in the new file as another
// device's, and so are those the old file kept; Ingest fills what is lost,
// from a hub or a parcel. What belonged to the old device alone, the margin,
// stays behind. Jobs that were forgotten stay forgotten, and nothing of them
// is brought back.
//
// [ErrNothing] when no page verifies, [ErrExists] when the new file is already
// there; then nothing is written.
func Recover(damaged, fresh string, o Options) (RecoverReport, error) {
	report, err := recoverFile(damaged, fresh, o)
	if err != nil {
		return RecoverReport{}, fmt.Errorf("recovering %s: %w", damaged, err)
	}
	return report, nil
}

func recoverFile(damaged, fresh string, o Options) (RecoverReport, error) {
	data, err := os.ReadFile(damaged)
	switch {
	case errors.Is(err, fs.ErrNotExist):
		return RecoverReport{}, fmt.Errorf("%w: name the damaged file", ErrMissing)
	case err != nil:
		return RecoverReport{}, err
	case len(data) == 0:
		return RecoverReport{}, fmt.Errorf("%w: %w: keep it, and start from the last backup, parcel or hub", ErrNothing, ErrEmpty)
	}
	report := RecoverReport{Damaged: damaged, Fresh: fresh}
	found := false
	left := carve(data)
	report.Unknown = left.unknown
	proofs := map[journal.ID]*proof{}
	for device, f := range left.logs {
		proofs[device] = f.vouch()
		found = found || len(proofs[device].steps) > 0
	}
	if !found {
		return RecoverReport{}, fmt.Errorf("%w: no page in it verifies; keep it, and start from the last backup, parcel or hub", ErrNothing)
	}
	err = build(fresh, o, func(l *ledger) error {
		ids, err := l.devices()
		if err != nil {
			return err
		}
		report.Device = ids[0].Device // the only one yet
		for job := range left.forgotten {
			if err := l.putForgotten(job); err != nil {
				return err
			}
		}
		for _, device := range slices.SortedFunc(maps.Keys(proofs), journal.ID.Compare) {
			log, err := proofs[device].restore(l, left.forgotten)
			if err != nil {
				return err
			}
			report.Logs = append(report.Logs, log)
		}
		return l.rebuild(o.Projector)
	})
	return report, err
}

// time returns the time of the page that leads to a head.
func (p *proof) time(n node) time.Time {
	page, err := p.pages[p.steps[n].page].Decode()
	if err != nil {
		return time.Time{}
	}
	return page.Time
}

// restore writes the log that is proved into a new file, without the pages of
// forgotten jobs.
func (p *proof) restore(l *ledger, forgotten map[journal.ID]bool) (RecoveredLog, error) {
	device := p.id.Device
	out := RecoveredLog{Device: device, Head: p.id.Head()}
	if err := l.putIdentity(p.id); err != nil {
		return out, err
	}
	lose := func(r Range) {
		if n := len(out.Lost); n > 0 && out.Lost[n-1].To+1 == r.From {
			out.Lost[n-1].To = r.To
		} else {
			out.Lost = append(out.Lost, r)
		}
	}
	taken := map[journal.Hash]bool{}
	end := uint64(0) // of the stretch before
	for _, s := range p.stretches() {
		if s.start.seq > end {
			if err := l.putEntry(entry{device: device, Record: journal.Record{Seq: end + 1}, gapTo: s.start.seq}); err != nil {
				return out, err
			}
			lose(Range{end + 1, s.start.seq})
		}
		c := commit{Prev: s.start.hash}
		heads := s.heads
		for i, h := range s.pages {
			seq := s.start.seq + 1 + uint64(i)
			e := entry{device: device, Record: journal.Record{Seq: seq, Hash: h}}
			switch r, ok := p.pages[h]; {
			case ok && r.Seq == seq:
				taken[h] = true
				if job, _ := jobOf(r); forgotten[job] {
					out.Withheld++ // a crash, or an old copy, has left it there
				} else {
					e.Page = r.Page
					out.Recovered++
				}
			case p.withheld[h]:
				out.Withheld++
			default:
				e.lost = true
				lose(Range{seq, seq})
			}
			if err := l.putEntry(e); err != nil {
				return out, err
			}
			c.Hashes = append(c.Hashes, h)
			if seq == heads[0].Seq {
				c.Head = heads[0]
				if err := l.putCommit(c); err != nil {
					return out, err
				}
				out.Head = c.Head
				c, heads = commit{Prev: c.Head.Hash}, heads[1:]
			}
		}
		end = s.start.seq + uint64(len(s.pages))
	}
	if last := p.last(); last > end {
		lose(Range{end + 1, last})
	}
	out.Unvouched = len(p.pages) - len(taken)
	return out, nil
}
