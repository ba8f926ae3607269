package fieldbook

import (
	"errors"
	"fmt"
	"slices"
	"strings"
	"time"

	"pinchrod/store/journal"
	"pinchrod/survey"
)

// ErrNoMade: nothing of that name was made for the job.
var ErrNoMade = errors.New("nothing made of that name")

// Made is what the book says was cut.
type Made struct {
	Ref    journal.Ref
	Made   survey.Made
	Time   time.Time // when its page was written
	Struck []Ruling  // empty while it is not struck
	Wrong  error     // why it cannot be worked with, from another device; nil when it can
}

// Stands tells whether it counts.
func (m *Made) Stands() bool { return len(m.Struck) == 0 && m.Wrong == nil }

type storedMade struct {
	Made survey.WireMade `cbor:"1,keyasint"`
	MS   int64           `cbor:"2,keyasint"`
	Zone int             `cbor:"3,keyasint"`
}

func (s storedMade) made(ref journal.Ref) Made {
	m := Made{Ref: ref, Made: s.Made.Made(), Time: unstamp(s.MS, s.Zone)}
	m.Wrong = m.Made.Check()
	return m
}

// loadMade reads what was made for the job.
func (b *Book) loadMade(kv KV) error {
	prefix := jobKey('M', b.Job.ID)
	for k, v := range kv.Scan(prefix) {
		if len(k) != len(prefix)+refLen {
			continue
		}
		var s storedMade
		if err := journal.Unmarshal(v, &s); err != nil {
			return err
		}
		b.Made = append(b.Made, s.made(keyRef(k[len(prefix):])))
	}
	return nil
}

// FindMade finds an entry of what was made by its full name or by its short one.
// The error wraps [ErrNoMade], or [ErrTwo] when two devices share the short name.
func (b *Book) FindMade(id string) (*Made, error) {
	i, err := find(len(b.Made), func(i int) journal.Ref { return b.Made[i].Ref }, id)
	switch {
	case err != nil:
		return nil, fmt.Errorf("entry %q: %w", id, err)
	case i < 0:
		return nil, fmt.Errorf("%w %q in job %q", ErrNoMade, strings.TrimSpace(id), b.Job.Name)
	}
	return &b.Made[i], nil
}

// TrialOf finds the reading that a piece cut again on site came to, while it is
// not struck: the trial piece that was written on the same page. Nil where there
// is none, as of a fillet.
func (b *Book) TrialOf(m *Made) *Entry {
	if !m.Made.Recut {
		return nil
	}
	for i := range b.Entries {
		e := &b.Entries[i]
		if e.Ref.Device == m.Ref.Device && e.Ref.Page == m.Ref.Page && e.Reading.What == survey.Trial && len(e.Struck) == 0 {
			return e
		}
	}
	return nil
}

// Before finds a piece that an entry would write down a second time, and the
// standing entry that has it: of a batch any, of what was cut again on site an
// earlier cutting again. Nil when there is none.
func (b *Book) Before(m *survey.Made) (piece uint32, in *Made) {
	for _, n := range m.Pieces {
		for i := range b.Made {
			e := &b.Made[i]
			if e.Stands() && e.Made.Where == m.Where && e.Made.Part == m.Part && (e.Made.Recut || !m.Recut) && slices.Contains(e.Made.Pieces, n) {
				return n, e
			}
		}
	}
	return 0, nil
}
