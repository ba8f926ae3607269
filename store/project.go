package store

import (
	"bytes"
	"cmp"
	"encoding/binary"
	"errors"
	"fmt"
	"iter"
	"maps"
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

// View reads the projection, as of one moment. It never shows less than the
// log has: what was taken in many pages at a time is folded in first, and where
// pages have been filled in or forgotten, which a projection cannot follow, it
// is made again. A store opened for looking only
// cannot, and says [ErrStale]; so does one without a projector, or with one of
// another version than the projection's.
func (s *Store) View(do func(KV) error) error {
	for {
		var own error // the caller's, handed back as it is
		stale := false
		err := s.view(func(l *ledger) error {
			fresh, err := l.projectionFresh(s.o.Projector)
			if err != nil {
				return err
			}
			if !fresh {
				stale = true
				return nil
			}
			return calling(func() error {
				own = do(bucketKV{l.projection})
				return nil
			})
		})
		if err != nil || !stale {
			return cmp.Or(own, err)
		}
		if s.o.ReadOnly || s.o.Projector == nil {
			return s.fail(fmt.Errorf("%w: open the book once for writing", ErrStale))
		}
		if err := s.exclusive(s.catchUp); err != nil {
			return err
		}
	}
}

// remake makes the projection again if it is another projector's. What it is
// only behind with waits for the next View.
func (s *Store) remake() error {
	if s.o.Projector == nil {
		return nil
	}
	return s.update(func(l *ledger) error {
		ours, err := l.projectionOf(s.o.Projector)
		if err == nil && ours {
			err = errUnchanged
		}
		if err != nil {
			return err
		}
		return l.rebuild(s.o.Projector)
	})
}

// catchUp folds in what the projection is behind with, or makes it again.
func (s *Store) catchUp() error {
	if s.o.Projector == nil {
		return nil
	}
	return s.update(func(l *ledger) error {
		ours, err := l.projectionOf(s.o.Projector)
		if err != nil {
			return err
		}
		if !ours {
			return l.rebuild(s.o.Projector)
		}
		behind, err := l.behind()
		if err == nil && len(behind) == 0 {
			err = errUnchanged
		}
		if err != nil {
			return err
		}
		return l.follow(s.o.Projector, behind)
	})
}

// Rebuild makes the projection again from the log, and the count of each job's
// pages.
func (s *Store) Rebuild() error {
	return s.change(func(l *ledger) error { return l.rebuild(s.o.Projector) })
}

// projectionFresh reports whether the projection is p's, and up to date.
func (l *ledger) projectionFresh(p Projector) (bool, error) {
	ours, err := l.projectionOf(p)
	if err != nil || !ours {
		return false, err
	}
	behind, err := l.behind()
	return len(behind) == 0, err
}

// projectionOf reports whether the projection is p's, up to the marks of those
// devices that it is behind with.
func (l *ledger) projectionOf(p Projector) (bool, error) {
	v, err := l.setting(metaProjector)
	if err != nil || p == nil {
		return false, err
	}
	return len(v) == 4 && binary.BigEndian.Uint32(v) == p.Version(), nil
}

// markProjection notes whose projection is kept; nobody's when p is nil, and
// then it is made again before it is looked at.
func (l *ledger) markProjection(p Projector) error {
	if p == nil {
		return l.meta.Delete(metaProjector)
	}
	return l.putSetting(metaProjector, binary.BigEndian.AppendUint32(nil, p.Version()))
}

// projectAtOnce is how many pages are folded in as they are taken in. More is a
// first sync or a large parcel: folding them in would double the time that it
// takes, perhaps at a hub where nobody looks, so it is left to the next View.
const projectAtOnce = 128

// project folds new pages of a device in. Without a projector the projection
// falls behind the log, and is marked so. What is marked already stays behind.
func (l *ledger) project(p Projector, pages []journal.Page) error {
	if p == nil {
		return l.markProjection(nil)
	}
	ours, err := l.projectionOf(p)
	if err != nil || !ours || len(pages) == 0 {
		return err
	}
	mark := behindKey(pages[0].Device)
	if l.meta.Get(mark) != nil {
		return nil
	}
	if len(pages) > projectAtOnce {
		return l.putSetting(mark, binary.BigEndian.AppendUint64(nil, pages[0].Seq))
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

// metaBehind and a device's id name the setting that holds the first of the
// device's pages that the projection does not have.
var metaBehind = []byte("behind ")

func behindKey(device journal.ID) []byte { return append(bytes.Clone(metaBehind), device[:]...) }

// behind returns the devices that the projection is behind with, and from which
// page on.
func (l *ledger) behind() (map[journal.ID]uint64, error) {
	var out map[journal.ID]uint64
	c := l.meta.Cursor()
	for k, _ := c.Seek(metaBehind); bytes.HasPrefix(k, metaBehind); k, _ = c.Next() {
		v, err := l.setting(k)
		if err != nil {
			return nil, err
		}
		if len(k) != len(metaBehind)+len(journal.ID{}) || len(v) != 8 {
			return nil, fmt.Errorf("%w: how far the projection is", ErrDamaged)
		}
		if out == nil {
			out = map[journal.ID]uint64{}
		}
		out[journal.ID(k[len(metaBehind):])] = binary.BigEndian.Uint64(v)
	}
	return out, nil
}

// follow folds in what the projection is behind with.
func (l *ledger) follow(p Projector, behind map[journal.ID]uint64) error {
	for _, device := range slices.SortedFunc(maps.Keys(behind), journal.ID.Compare) {
		c := l.page.Cursor()
		for k, v := c.Seek(key(device, behind[device])); bytes.HasPrefix(k, device[:]); k, v = c.Next() {
			e, err := readEntry(k, v)
			if err != nil {
				return err
			}
			if e.gapTo > 0 || e.Page == nil {
				continue
			}
			page, err := e.Decode()
			if errors.Is(err, journal.ErrNewer) {
				continue
			}
			if err != nil {
				return damaged(err)
			}
			page.Payload = bytes.Clone(page.Payload)
			if err := calling(func() error { return p.Project(bucketKV{l.projection}, page) }); err != nil {
				return fmt.Errorf("projecting page %d of %s: %w", page.Seq, page.Device, err)
			}
		}
		if err := l.meta.Delete(behindKey(device)); err != nil {
			return err
		}
	}
	return nil
}

func (l *ledger) rebuild(p Projector) (err error) {
	behind, err := l.behind()
	if err != nil {
		return err
	}
	for device := range behind {
		if err := l.meta.Delete(behindKey(device)); err != nil {
			return err
		}
	}
	if l.projection, err = l.emptied(bucketProjection); err != nil {
		return err
	}
	t, err := l.replay(p, bucketKV{l.projection})
	if err != nil {
		return err
	}
	return errors.Join(l.writeTally(t), l.markProjection(p))
}

// replay folds the whole log into kv, device by device, and counts its pages.
// Without a projector it only counts.
func (l *ledger) replay(p Projector, kv KV) (tally, error) {
	t := tally{}
	return t, l.entries(func(e entry) error {
		if e.Page == nil {
			return nil
		}
		page, err := e.Decode()
		if errors.Is(err, journal.ErrNewer) {
			t[share{e.device, journal.Unread}]++
			return nil
		}
		if err != nil {
			return damaged(err)
		}
		t[share{e.device, page.Job}]++
		if p == nil {
			return nil
		}
		err = calling(func() error { return p.Project(kv, page) })
		if err != nil {
			return fmt.Errorf("projecting page %d of %s: %w", page.Seq, page.Device, err)
		}
		return nil
	})
}

// compareProjection makes the projection again in memory and compares.
func (l *ledger) compareProjection(p Projector) error {
	want := memoryKV{values: map[string][]byte{}}
	if _, err := l.replay(p, &want); err != nil {
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
