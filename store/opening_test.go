package store

import (
	"crypto/ed25519"
	"errors"
	"slices"
	"strings"
	"testing"
	"time"

	bolt "go.etcd.io/bbolt"

	"pinchrod/store/journal"
)

// What Open looks at is told by what is wrong with it: the settings, and the end
// of every log. The middle of a log it leaves to Verify.
func TestOpenTells(t *testing.T) {
	t.Parallel()
	peer, newcomer := journal.ID{7}, journal.ID{9}
	junk := []byte("junk")
	setting := func(name, value []byte) func(worked, *ledger) error {
		return func(_ worked, l *ledger) error { return l.putSetting(name, value) }
	}
	without := func(name []byte) func(worked, *ledger) error {
		return func(_ worked, l *ledger) error { return l.meta.Delete(name) }
	}
	put := func(bucket []byte, key, value []byte) func(worked, *ledger) error {
		return func(_ worked, l *ledger) error { return l.tx.Bucket(bucket).Put(key, value) }
	}
	dropped := func(name []byte) func(worked, *ledger) error {
		return func(_ worked, l *ledger) error { return l.tx.DeleteBucket(name) }
	}
	for _, tc := range []struct {
		name string
		harm func(w worked, l *ledger) error
		want string // empty where it opens
		err  error
	}{
		{"nothing", func(worked, *ledger) error { return nil }, "", nil},
		{"no format", without(metaFormat), "the file says no format", ErrDamaged},
		{"a format that does not hold", put(bucketMeta, metaFormat, junk), "setting format: damaged", ErrDamaged},
		{"a later format", setting(metaFormat, []byte("2")), "file format 2, this one reads 1: update this program", ErrNewer},
		{"no device", without(metaDevice), "the device's id or key is missing", ErrDamaged},
		{"a device that does not hold", put(bucketMeta, metaDevice, junk), "setting device: damaged", ErrDamaged},
		{"half a device", setting(metaDevice, make([]byte, 15)), "the device's id or key is missing", ErrDamaged},
		{"another device, which is not here", setting(metaDevice, make([]byte, 16)), "the device's key is not the one in its identity", ErrDamaged},
		{"a peer for the device", setting(metaDevice, peer[:]), "the device's key is not the one in its identity", ErrDamaged},
		{"no key", without(metaSeed), "the device's id or key is missing", ErrDamaged},
		{"a key that does not hold", put(bucketMeta, metaSeed, junk), "setting seed: damaged", ErrDamaged},
		{"half a key", setting(metaSeed, make([]byte, ed25519.SeedSize-1)), "the device's id or key is missing", ErrDamaged},
		{"another key", setting(metaSeed, make([]byte, ed25519.SeedSize)), "the device's key is not the one in its identity", ErrDamaged},
		{"no settings", dropped(bucketMeta), `bucket "meta" is missing`, ErrDamaged},
		{"no devices", dropped(bucketDevice), `bucket "device" is missing`, ErrDamaged},
		{"no pages", dropped(bucketPage), `bucket "page" is missing`, ErrDamaged},
		{"no heads", dropped(bucketHead), `bucket "head" is missing`, ErrDamaged},
		{"no evidence", dropped(bucketFork), `bucket "fork" is missing`, ErrDamaged},
		{"no projection", dropped(bucketProjection), `bucket "projection" is missing`, ErrDamaged},
		{"no margin", dropped(bucketMargin), "a bucket is missing", ErrDamaged},
		{"no tally", dropped(bucketTally), "a bucket is missing", ErrDamaged},
		{"no forgotten jobs", dropped(bucketForgotten), "a bucket is missing", ErrDamaged},
		{"no margin, of a layout that does not hold", func(_ worked, l *ledger) error {
			return errors.Join(l.tx.DeleteBucket(bucketMargin), l.meta.Put(metaLayout, junk))
		}, "setting layout: damaged", ErrDamaged},
		{"no margin, from before there was one", func(_ worked, l *ledger) error {
			return errors.Join(l.tx.DeleteBucket(bucketMargin), l.meta.Delete(metaLayout))
		}, "", nil},
		{"a mark of a rewrite that does not hold", put(bucketMeta, metaRewrite, junk), "setting rewrite: damaged", ErrDamaged},
		{"a rewrite to be done", setting(metaRewrite, nil), "", nil},
		{"another projector's", setting(metaProjector, []byte{0, 0, 0, 9}), "", nil},

		{"an identity that its key did not sign", func(w worked, l *ledger) error {
			id := w.peer.id
			id.Signature[5] ^= 1
			return l.putIdentity(id)
		}, "the signature does not match", ErrDamaged},
		{"an identity without a log", func(w worked, l *ledger) error {
			b, err := w.newcomer.id.Encode()
			return errors.Join(err, l.device.Put(newcomer[:], frame(kindDevice, b)))
		}, "no head of " + newcomer.String() + " is kept", ErrDamaged},
		{"an identity and no page yet", func(w worked, l *ledger) error { return l.putIdentity(w.newcomer.id) }, "", nil},
		{"two identities of one device", func(w worked, l *ledger) error {
			other, err := journal.NewIdentity(newcomer, ed25519.NewKeyFromSeed(make([]byte, 32)))
			b, encoded := other.Encode()
			return errors.Join(err, encoded, l.putIdentity(w.newcomer.id), l.head.Put(key(newcomer, 0), frame(kindDevice, b)))
		}, "two identities of " + newcomer.String() + " are kept", ErrDamaged},
		{"a last head that does not read", put(bucketHead, key(peer, 4), junk), "head 4 of " + peer.String() + ": damaged", ErrDamaged},
		{"a head before it that does not read", put(bucketHead, key(peer, 2), junk), "head 2 of " + peer.String() + ": damaged", ErrDamaged},
		{"a last head with another's signature", func(w worked, l *ledger) error {
			c := w.peer.commit(2, 4)
			c.Head.Signature[9] ^= 1
			return l.putCommit(c)
		}, "the signature does not match", ErrDamaged},
		{"a last head of the other fork, with its pages", func(w worked, l *ledger) error {
			return errors.Join(l.putCommit(w.fork.commit(2, 4)), l.putEntry(w.fork.entry(3)), l.putEntry(w.fork.entry(4)))
		}, "", nil}, // it is signed, and joins: the device's word against its own
		{"a last head that does not follow on the one before", func(w worked, l *ledger) error {
			alone := newFake(w.peer.t, 7).write("else 1", "else 2", "else 3", "else 4")
			return errors.Join(l.putCommit(alone.commit(2, 4)), l.putEntry(alone.entry(3)), l.putEntry(alone.entry(4)))
		}, "breaks at page 2: the chain is broken", ErrDamaged},
		{"a last head cut out", func(_ worked, l *ledger) error { return l.head.Delete(key(peer, 4)) },
			"the last page is not the one the last head signs", ErrDamaged},
		{"a page after the last head", func(w worked, l *ledger) error { return l.putEntry(w.peer.entry(5)) },
			"the last page is not the one the last head signs", ErrDamaged},
		{"the last page cut out", func(_ worked, l *ledger) error { return l.page.Delete(key(peer, 4)) },
			"the last page is not the one the last head signs", ErrDamaged},
		{"a page before it cut out", func(_ worked, l *ledger) error { return l.page.Delete(key(peer, 3)) }, "breaks at page 3: the chain is broken", ErrDamaged},
		{"a page that does not read", put(bucketPage, key(peer, 3), junk), "breaks at page 3: damaged", ErrDamaged},
		{"a page of the other fork", func(w worked, l *ledger) error { return l.putEntry(w.fork.entry(3)) }, "breaks at page 3: the chain is broken", ErrDamaged},
		{"a gap in place of a page", func(w worked, l *ledger) error { return l.putEntry(gapFrom(w.peer, 3, 3)) }, "breaks at page 3: the chain is broken", ErrDamaged},
		{"a page of the commit before", put(bucketPage, key(peer, 1), junk), "breaks at page 1: damaged", ErrDamaged},
		{"the oldest of 64 pages of a commit", func(w worked, l *ledger) error {
			return errors.Join(long(w, l, 64), l.page.Put(key(newcomer, 1), junk))
		}, "breaks at page 1: damaged", ErrDamaged},
		{"the oldest of 65 pages of a commit", func(w worked, l *ledger) error {
			return errors.Join(long(w, l, 65), l.page.Put(key(newcomer, 1), junk))
		}, "", nil},
		{"a key of no log", put(bucketDevice, []byte("abc"), junk), "a device's id of 3 bytes", ErrDamaged},
	} {
		t.Run(tc.name, func(t *testing.T) {
			t.Parallel()
			w := work(t)
			path := w.Path()
			err := errors.Join(w.change(func(l *ledger) error { return tc.harm(w, l) }), w.Close())
			if err != nil {
				t.Fatal(err)
			}
			for _, readOnly := range []bool{true, false} {
				o := w.o
				o.ReadOnly, o.Timeout = readOnly, time.Minute
				s, err := Open(path, o)
				if (err == nil) != (tc.want == "") || err != nil && (!errors.Is(err, tc.err) || !strings.Contains(err.Error(), tc.want) || !strings.Contains(err.Error(), path)) {
					t.Errorf("read-only %t: %v, want %q", readOnly, err, tc.want)
				}
				if err == nil && (s.Device() != w.Device() || s.Path() != path || !s.Identity().Equal(w.self)) {
					t.Errorf("read-only %t: it is another device's", readOnly)
				}
				if err == nil {
					err = s.Close()
				}
				if tc.want == "" && err != nil {
					t.Errorf("closing: %v", err)
				}
			}
			// Whoever was refused holds nothing of the file.
			db, err := bolt.Open(path, 0o600, &bolt.Options{Timeout: time.Minute})
			if err != nil {
				t.Fatalf("it is still held: %v", err)
			}
			if err := db.Close(); err != nil {
				t.Error(err)
			}
		})
	}
}

// long puts a newcomer's log of n pages in one commit.
func long(w worked, l *ledger, n int) error {
	f := newFake(w.peer.t, 9).write(slices.Repeat([]string{"page"}, n)...)
	err := errors.Join(l.putIdentity(f.id), l.putCommit(f.commit(0, n)))
	for seq := range n {
		err = errors.Join(err, l.putEntry(f.entry(seq+1)))
	}
	return err
}
