package store

import (
	"bytes"
	"encoding/binary"
	"fmt"
	"maps"
	"slices"

	bolt "go.etcd.io/bbolt"

	"pinchrod/store/journal"
)

// Margin returns the notes in the margin whose names start with prefix; what
// it returns is the caller's own.
//
// The margin belongs to this file alone and is in no log: what a hub has
// confirmed, who is enrolled, how to sign in. It does not travel, Verify checks
// it by its checksums, and [Recover] leaves it behind, because a recovered
// book is a new device.
func (s *Store) Margin(prefix string) (map[string][]byte, error) {
	notes := map[string][]byte{}
	err := s.view(func(l *ledger) error {
		if l.margin == nil {
			return nil
		}
		c := l.margin.Cursor()
		for k, v := c.Seek([]byte(prefix)); k != nil && bytes.HasPrefix(k, []byte(prefix)); k, v = c.Next() {
			note, err := readNote(k, v)
			if err != nil {
				return err
			}
			notes[string(k)] = append([]byte{}, note...)
		}
		return nil
	})
	if err != nil {
		return nil, fmt.Errorf("reading the margin: %w", err)
	}
	return notes, nil
}

// SetMargin writes notes into the margin, and deletes those whose value is
// nil: all of them or none, on disk when it returns nil. Names have 1 to 32768
// bytes. What is deleted or written over can stay in unused room of the file
// for a time.
func (s *Store) SetMargin(changes map[string][]byte) error {
	err := s.change(func(l *ledger) error {
		changed := false
		for _, name := range slices.Sorted(maps.Keys(changes)) {
			if len(name) == 0 || len(name) > bolt.MaxKeySize {
				return fmt.Errorf("%w: a note's name of %d bytes", journal.ErrInvalid, len(name))
			}
			k, have := []byte(name), l.margin.Get([]byte(name))
			var err error
			if value := changes[name]; value == nil && have != nil {
				err, changed = l.margin.Delete(k), true
			} else if value != nil {
				if v := encodeNote(k, value); !bytes.Equal(have, v) {
					err, changed = l.margin.Put(k, v), true
				}
			}
			if err != nil {
				return err
			}
		}
		if !changed {
			return errUnchanged
		}
		return nil
	})
	if err != nil {
		return fmt.Errorf("writing in the margin: %w", err)
	}
	return nil
}

func encodeNote(name, value []byte) []byte {
	return frame(kindNote, binary.BigEndian.AppendUint16(nil, uint16(len(name))), name, value)
}

// readNote returns the value of the note kept under a name; it aliases v.
func readNote(name, v []byte) ([]byte, error) {
	body, err := parseKind(kindNote, v)
	if err != nil {
		return nil, fmt.Errorf("note %q: %w", name, err)
	}
	if len(body) < 2 || len(body)-2 < int(binary.BigEndian.Uint16(body)) {
		return nil, badFile("note %q is cut short", name)
	}
	n := 2 + int(binary.BigEndian.Uint16(body))
	if !bytes.Equal(body[2:n], name) {
		return nil, badFile("note %q is kept as note %q", body[2:n], name)
	}
	return body[n:], nil
}
