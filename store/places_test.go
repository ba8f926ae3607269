package store

import (
	"errors"
	"io"
	"iter"
	"strings"
	"testing"

	"github.com/google/go-cmp/cmp"

	bolt "go.etcd.io/bbolt"

	"pinchrod/store/journal"
)

// payloads is a projection of what the pages say.
type payloads struct{}

func (payloads) Version() uint32 { return 7 }
func (payloads) Project(kv KV, p journal.Page) error {
	return kv.Put(key(p.Device, p.Seq), p.Payload)
}

// A worked book is an open book with something in every bucket, and what can
// still be brought to it.
type worked struct {
	*Store
	peer, fork, newcomer *fake
}

var (
	workedJob  = journal.ID{4}
	goneBefore = journal.ID{5}
)

func work(t *testing.T) worked {
	t.Helper()
	w := worked{Store: emptyBook(t), peer: newFake(t, 7).write("1", "2", "3", "4", "5", "6"), newcomer: newFake(t, 9).write("1", "2")}
	w.o.Projector = payloads{}
	w.fork = w.peer.fork(2).write("other 3", "other 4")
	_, first := w.Append(Draft{Job: workedJob, Payload: []byte("a")}, Draft{Payload: []byte("b")})
	_, second := w.Append(Draft{Payload: []byte("c")})
	_, forgot := w.Forget(goneBefore)
	err := errors.Join(first, second, forgot, w.bring(w.peer, 0, 2), w.bring(w.peer, 2, 4),
		w.SetMargin(map[string][]byte{"note": []byte("says")}), w.View(func(KV) error { return nil }))
	if err != nil {
		t.Fatal(err)
	}
	return w
}

// bring takes in the pages of a device after first up to last.
func (w worked) bring(f *fake, first, last int) error {
	_, err := w.Ingest(f.id, f.pages[first:last], f.commit(first, last).Head)
	return err
}

func ended(seq iter.Seq2[journal.Record, error]) (err error) {
	for _, err = range seq {
	}
	return err
}

// uses is all that can be asked of a book, the looks first.
var uses = []struct {
	name string
	do   func(w worked) error
}{
	{"Verify", func(w worked) error { _, err := w.Verify(); return err }},
	{"Backup", func(w worked) error { _, err := w.Backup(io.Discard); return err }},
	{"Jobs", func(w worked) error { _, err := w.Jobs(); return err }},
	{"Margin", func(w worked) error { _, err := w.Margin(""); return err }},
	{"Forgotten", func(w worked) error { _, err := w.Forgotten(); return err }},
	{"Scan own", func(w worked) error { return ended(w.Scan(w.Device(), 1)) }},
	{"Scan peer", func(w worked) error { return ended(w.Scan(w.peer.id.Device, 1)) }},
	{"Page", func(w worked) error { _, err := w.Page(w.peer.id.Device, 1); return err }},
	{"Devices", func(w worked) error { _, err := w.Devices(); return err }},
	{"Heads", func(w worked) error { _, err := w.Heads(); return err }},
	{"SignedFrom", func(w worked) error { _, err := w.SignedFrom(w.peer.id.Device, 1); return err }},
	{"View", func(w worked) error { return w.View(func(KV) error { return nil }) }},
	{"SetMargin", func(w worked) error { return w.SetMargin(map[string][]byte{"new": {1}, "note": nil}) }},
	{"Append", func(w worked) error { _, err := w.Append(Draft{Job: workedJob}, Draft{}); return err }},
	{"Ingest known", func(w worked) error { return w.bring(w.peer, 0, 4) }},
	{"Ingest more", func(w worked) error { return w.bring(w.peer, 4, 6) }},
	{"Ingest newcomer", func(w worked) error { return w.bring(w.newcomer, 0, 2) }},
	{"Ingest fork", func(w worked) error {
		if err := w.bring(w.fork, 2, 4); !errors.Is(err, journal.ErrFork) {
			return err
		}
		return nil
	}},
	{"Rebuild", func(w worked) error { return w.Rebuild() }},
	{"Forget", func(w worked) error { _, err := w.Forget(workedJob); return err }},
}

// Wherever something is kept that is not what was written, or something new
// cannot be written, each use that meets it says so, and none else.
func TestDamagedPlaces(t *testing.T) {
	t.Parallel()
	peer, newcomer := journal.ID{7}, journal.ID{9}
	junk := []byte("junk")
	behind := func(n int) []byte { return frame(kindMeta, make([]byte, n)) }
	for _, tc := range []struct {
		name   string
		bucket string
		key    func(w worked) []byte
		value  []byte // nil for a place that nothing can be written to
		want   string // the uses that fail
	}{
		{"whose projection it is", "meta", func(worked) []byte { return []byte("projector") }, junk, "Verify, View, Append, Ingest more, Ingest newcomer"},
		{"how far the projection is", "meta", func(worked) []byte { return behindKey(peer) }, junk, "Verify, View, Rebuild"},
		{"how far it is, in too few bytes", "meta", func(worked) []byte { return behindKey(peer) }, behind(7), "Verify, View, Rebuild"},
		{"how far it is, for no device", "meta", func(worked) []byte { return metaBehind }, behind(8), "Verify, View, Rebuild"},
		{"what is to be written anew", "meta", func(worked) []byte { return []byte("rewrite") }, junk, "Forget"},
		{"the own identity", "device", func(w worked) []byte { d := w.Device(); return d[:] }, junk, "Verify, Devices, Heads, Forget"},
		{"a peer's identity", "device", func(worked) []byte { return peer[:] }, junk, "Verify, Devices, Heads, Ingest known, Ingest more, Ingest fork, Forget"},
		{"an identity of no device", "device", func(worked) []byte { return []byte("abc") }, junk, "Verify, Devices, Heads, Forget"},
		{"the own last page", "page", func(w worked) []byte { return key(w.Device(), 3) }, junk, "Verify, Scan own, Append, Rebuild, Forget"},
		{"a peer's first page", "page", func(worked) []byte { return key(peer, 1) }, junk, "Verify, Scan peer, Page, Ingest known, Rebuild, Forget"},
		{"a peer's last page", "page", func(worked) []byte { return key(peer, 4) }, junk, "Verify, Scan peer, Ingest known, Rebuild, Forget"},
		{"a page of no log", "page", func(worked) []byte { return []byte("abc") }, junk, "Verify, Rebuild, Forget"},
		{"the own last head", "head", func(w worked) []byte { return key(w.Device(), 3) }, junk, "Verify, Heads, Append, Forget"},
		{"a peer's first head", "head", func(worked) []byte { return key(peer, 2) }, junk, "Verify, SignedFrom, Ingest fork, Forget"},
		{"a peer's last head", "head", func(worked) []byte { return key(peer, 4) }, junk, "Verify, Heads, Ingest known, Ingest more, Ingest fork, Forget"},
		{"a head of no log", "head", func(worked) []byte { return []byte("abc") }, junk, "Verify, Forget"},
		{"a count", "tally", func(w worked) []byte { return share{w.Device(), workedJob}.key() }, junk, "Verify, Jobs, Append"},
		{"a count in too few bytes", "tally", func(w worked) []byte { return share{w.Device(), workedJob}.key() }, frame(kindTally, make([]byte, 39)), "Verify, Jobs, Append"},
		{"a note", "margin", func(worked) []byte { return []byte("note") }, junk, "Verify, Margin"},
		{"a note of one byte", "margin", func(worked) []byte { return []byte("note") }, frame(kindNote, []byte{0}), "Verify, Margin"},
		{"a forgotten job", "forgotten", func(worked) []byte { return goneBefore[:] }, junk, "Verify, Forgotten, Ingest known, Ingest more, Ingest newcomer"},
		{"evidence", "fork", func(worked) []byte { return []byte("abc") }, junk, "Verify, Forget"},
		{"no room for whose projection it is", "meta", func(worked) []byte { return []byte("projector") }, nil, "Verify, Backup, View, Rebuild, Forget"},
		{"no room for the next page", "page", func(w worked) []byte { return key(w.Device(), 4) }, nil, "Verify, Backup, Scan own, Append, Rebuild, Forget"},
		{"no room for the page after it", "page", func(w worked) []byte { return key(w.Device(), 5) }, nil, "Verify, Backup, Scan own, Append, Rebuild, Forget"},
		{"no room for a peer's next page", "page", func(worked) []byte { return key(peer, 5) }, nil, "Verify, Backup, Scan peer, Ingest more, Rebuild, Forget"},
		{"no room for a newcomer", "device", func(worked) []byte { return newcomer[:] }, nil, "Verify, Backup, Devices, Heads, Ingest newcomer, Forget"},
		{"no room for a newcomer beside the pages", "page", func(worked) []byte { return key(newcomer, 0) }, nil, "Verify, Backup, Ingest newcomer, Forget"},
		{"no room for a newcomer beside the heads", "head", func(worked) []byte { return key(newcomer, 0) }, nil, "Verify, Backup, Ingest newcomer, Forget"},
		{"no room for a newcomer's second page", "page", func(worked) []byte { return key(newcomer, 2) }, nil, "Verify, Backup, Ingest newcomer, Rebuild, Forget"},
		{"no room for a newcomer's count", "tally", func(worked) []byte { return share{newcomer, journal.ID{}}.key() }, nil, "Verify, Backup, Jobs, Ingest newcomer"},
		{"no room for evidence", "fork", func(w worked) []byte {
			h := w.fork.heads[4].Hash
			return append(key(peer, 4), h[:]...)
		}, nil, "Verify, Backup, Ingest fork, Forget"},
		{"no room for a note", "margin", func(worked) []byte { return []byte("new") }, nil, "Verify, Backup, Margin, SetMargin, Forget"},
		{"no room for a forgotten job", "forgotten", func(worked) []byte { return workedJob[:] }, nil, "Verify, Backup, Forgotten, Ingest known, Ingest more, Ingest newcomer, Forget"},
	} {
		t.Run(tc.name, func(t *testing.T) {
			t.Parallel()
			w := work(t)
			err := w.db.Update(func(tx *bolt.Tx) error {
				b, k := tx.Bucket([]byte(tc.bucket)), tc.key(w)
				if tc.value != nil {
					return b.Put(k, tc.value)
				}
				gone := b.Delete(k)
				_, err := b.CreateBucket(k) // bbolt puts no value where a bucket is
				return errors.Join(gone, err)
			})
			if err != nil {
				t.Fatal(err)
			}
			var got []string
			for _, u := range uses {
				err := u.do(w)
				if err == nil {
					continue
				}
				got = append(got, u.name)
				if tc.value != nil && !errors.Is(err, ErrDamaged) && !errors.Is(err, ErrProjection) {
					t.Errorf("%s: %v, want ErrDamaged", u.name, err)
				}
			}
			if d := cmp.Diff(strings.Split(tc.want, ", "), got); d != "" {
				t.Errorf("what fails (-want +got)\n%s\n%s", d, strings.Join(got, ", "))
			}
		})
	}
}
