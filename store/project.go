package store

import (
	"bytes"
	"cmp"
	"encoding/binary"
	"errors"
	"fmt"
	"iter"
	"slices"
	"strings"

	bolt "go.etcd.io/bbolt"

	"pinchrod/store/journal"
)

// KV is a projection: what a Projector keeps, in order of keys. What Get and
// Scan return is the caller's own. Get returns nil for a key that is not
// there. Put and Delete are refused when only reading, with [ErrReadOnly].
// Keys are not empty.
type KV interface {
	Get(key []byte) []byte
	Put(key, value []byte) error
	Delete(key []byte) error
	Scan(prefix []byte) iter.Seq2[[]byte, []byte]
}

// A Projector folds pages into a projection.
//
// Pages of one device come in order of their sequence; those of different
// devices come as they arrive, and in another order when the projection is
// rebuilt, so what Project leaves must not depend on that. Pages that are
// withheld, or written by a newer version, do not come.
type Projector interface {
	// Version changes when Project does: it makes the next read-write open
	// rebuild.
	Version() uint32
	Project(kv KV, page journal.Page) error
}

// View reads the projection, as of one moment. [ErrStale] when it is not of
// the version of the store's projector, or there is no projector.
func (s *Store) View(do func(KV) error) error {
	var own error // the caller's, handed back as it is
	err := s.view(func(l *ledger) error {
		fresh, err := l.projectionFresh(s.o.Projector)
		if err != nil {
			return err
		}
		if !fresh || s.o.Projector == nil {
			return fmt.Errorf("%w: open the book once for writing", ErrStale)
		}
		return calling(func() error {
			own = do(bucketKV{l.projection})
			return nil
		})
	})
	return cmp.Or(own, err)
}

// Rebuild makes the projection again from the log.
func (s *Store) Rebuild() error {
	return s.change(func(l *ledger) error { return l.rebuild(s.o.Projector) })
}

func (l *ledger) projectionFresh(p Projector) (bool, error) {
	v, err := l.setting(metaProjector)
	if err != nil || p == nil {
		return false, err
	}
	return len(v) == 4 && binary.BigEndian.Uint32(v) == p.Version(), nil
}

// markProjection notes whose projection is kept; nobody's when p is nil.
func (l *ledger) markProjection(p Projector) error {
	if p == nil {
		return l.meta.Delete(metaProjector)
	}
	return l.putSetting(metaProjector, binary.BigEndian.AppendUint32(nil, p.Version()))
}

// project folds new pages in. Without a projector the projection falls behind
// the log, and is marked so.
func (l *ledger) project(p Projector, pages []journal.Page) error {
	if p == nil {
		return l.markProjection(nil)
	}
	return calling(func() error {
		for _, page := range pages {
			if err := p.Project(bucketKV{l.projection}, page); err != nil {
				return fmt.Errorf("projecting page %d of %s: %w", page.Seq, page.Device, err)
			}
		}
		return nil
	})
}

func (l *ledger) rebuild(p Projector) error {
	if err := l.tx.DeleteBucket(bucketProjection); err != nil {
		return err
	}
	var err error
	if l.projection, err = l.tx.CreateBucket(bucketProjection); err != nil {
		return err
	}
	if p != nil {
		if err := l.replay(p, bucketKV{l.projection}); err != nil {
			return err
		}
	}
	return l.markProjection(p)
}

// replay folds the whole log into kv, device by device.
func (l *ledger) replay(p Projector, kv KV) error {
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
		if e.Page == nil {
			continue
		}
		e.Page = bytes.Clone(e.Page)
		page, err := e.Decode()
		if errors.Is(err, journal.ErrNewer) {
			continue
		}
		if err != nil {
			return damaged(err)
		}
		err = calling(func() error { return p.Project(kv, page) })
		if err != nil {
			return fmt.Errorf("projecting page %d of %s: %w", page.Seq, page.Device, err)
		}
	}
	return nil
}

// compareProjection makes the projection again in memory and compares.
func (l *ledger) compareProjection(p Projector) error {
	want := memoryKV{values: map[string][]byte{}}
	if err := l.replay(p, &want); err != nil {
		return err
	}
	n := 0
	c := l.projection.Cursor()
	for k, v := c.First(); k != nil; k, v = c.Next() {
		if w, ok := want.values[string(k)]; !ok || !bytes.Equal(v, w) {
			return fmt.Errorf("%w: at key %x", ErrProjection, k)
		}
		n++
	}
	if n != len(want.values) {
		return fmt.Errorf("%w: %d keys, want %d", ErrProjection, n, len(want.values))
	}
	return nil
}

// bucketKV is the projection in the file.
type bucketKV struct{ b *bolt.Bucket }

func (kv bucketKV) Get(key []byte) (value []byte) {
	reading(func() {
		if v := kv.b.Get(key); v != nil {
			value = append([]byte{}, v...)
		}
	})
	return value
}

func (kv bucketKV) Put(key, value []byte) (err error) {
	if !kv.b.Writable() {
		return ErrReadOnly
	}
	// bbolt keeps the slices until the commit.
	reading(func() { err = kv.b.Put(bytes.Clone(key), bytes.Clone(value)) })
	return err
}

func (kv bucketKV) Delete(key []byte) (err error) {
	if !kv.b.Writable() {
		return ErrReadOnly
	}
	reading(func() { err = kv.b.Delete(key) })
	return err
}

// Scan looks up its place again at every step, so what it is handed to may
// put and delete as it goes.
func (kv bucketKV) Scan(prefix []byte) iter.Seq2[[]byte, []byte] {
	return func(yield func(k, v []byte) bool) {
		at := bytes.Clone(prefix)
		for {
			var k, v []byte
			reading(func() {
				k, v = kv.b.Cursor().Seek(at)
				k, v = bytes.Clone(k), append([]byte{}, v...)
			})
			if k == nil || !bytes.HasPrefix(k, prefix) {
				return
			}
			at = append(bytes.Clone(k), 0) // the least key above k
			if !yield(k, v) {
				return
			}
		}
	}
}

// memoryKV is a projection that is thrown away.
type memoryKV struct {
	values map[string][]byte
	keys   []string // in order
}

func (kv *memoryKV) Get(key []byte) []byte {
	if v, ok := kv.values[string(key)]; ok {
		return append([]byte{}, v...)
	}
	return nil
}

func (kv *memoryKV) Put(key, value []byte) error {
	if len(key) == 0 {
		return errors.New("an empty key")
	}
	k := string(key)
	if _, ok := kv.values[k]; !ok {
		i, _ := slices.BinarySearch(kv.keys, k)
		kv.keys = slices.Insert(kv.keys, i, k)
	}
	kv.values[k] = bytes.Clone(value)
	return nil
}

func (kv *memoryKV) Delete(key []byte) error {
	k := string(key)
	if i, ok := slices.BinarySearch(kv.keys, k); ok {
		kv.keys = slices.Delete(kv.keys, i, i+1)
		delete(kv.values, k)
	}
	return nil
}

func (kv *memoryKV) Scan(prefix []byte) iter.Seq2[[]byte, []byte] {
	return func(yield func(k, v []byte) bool) {
		at := string(prefix)
		for {
			i, _ := slices.BinarySearch(kv.keys, at)
			if i == len(kv.keys) || !strings.HasPrefix(kv.keys[i], string(prefix)) {
				return
			}
			k := kv.keys[i]
			at = k + "\x00"
			if !yield([]byte(k), append([]byte{}, kv.values[k]...)) {
				return
			}
		}
	}
}
