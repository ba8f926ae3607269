package store

import (
	"bytes"
	"fmt"
	"math"

	bolt "go.etcd.io/bbolt"

	"pinchrod/store/journal"
)

// Buckets.
var (
	bucketMeta       = []byte("meta")
	bucketDevice     = []byte("device")
	bucketPage       = []byte("page")
	bucketHead       = []byte("head")
	bucketFork       = []byte("fork")
	bucketProjection = []byte("projection")

	// Files that were made before these lack them.
	bucketMargin    = []byte("margin")
	bucketTally     = []byte("tally")
	bucketForgotten = []byte("forgotten")
)

// Settings of a file.
var (
	metaFormat    = []byte("format")
	metaDevice    = []byte("device")
	metaSeed      = []byte("seed")
	metaProjector = []byte("projector")
	metaLayout    = []byte("layout")  // which buckets there are
	metaRewrite   = []byte("rewrite") // to be done, when it is there
)

// layout is the value of metaLayout: all buckets above are there. Files that
// were made before there were more than six have none.
const layout = "2"

// logFill is how full bbolt leaves a page of the log when it splits one. The
// log grows at its end only, so half-full pages, bbolt's default, would stay
// half full for ever.
const logFill = 0.95

// A ledger is the log within one transaction.
type ledger struct {
	tx                                         *bolt.Tx
	meta, device, page, head, fork, projection *bolt.Bucket
	margin, tally, forgotten                   *bolt.Bucket // nil in an old file that may not be written
}

func openLedger(tx *bolt.Tx) (*ledger, error) {
	l := &ledger{tx: tx}
	for _, b := range []struct {
		name []byte
		at   **bolt.Bucket
	}{
		{bucketMeta, &l.meta}, {bucketDevice, &l.device}, {bucketPage, &l.page},
		{bucketHead, &l.head}, {bucketFork, &l.fork}, {bucketProjection, &l.projection},
	} {
		if *b.at = tx.Bucket(b.name); *b.at == nil {
			return nil, fmt.Errorf("%w: bucket %q is missing", ErrDamaged, b.name)
		}
	}
	l.page.FillPercent, l.head.FillPercent = logFill, logFill
	l.margin, l.tally, l.forgotten = tx.Bucket(bucketMargin), tx.Bucket(bucketTally), tx.Bucket(bucketForgotten)
	if l.margin == nil || l.tally == nil || l.forgotten == nil {
		if v, err := l.setting(metaLayout); err != nil {
			return nil, err
		} else if v != nil {
			return nil, fmt.Errorf("%w: a bucket is missing", ErrDamaged)
		}
		l.margin, l.tally, l.forgotten = nil, nil, nil
	}
	return l, nil
}

// addBuckets adds the buckets that files of the first programs lack.
func (l *ledger) addBuckets() (err error) {
	for _, b := range []struct {
		name []byte
		at   **bolt.Bucket
	}{{bucketMargin, &l.margin}, {bucketTally, &l.tally}, {bucketForgotten, &l.forgotten}} {
		if *b.at, err = l.tx.CreateBucketIfNotExists(b.name); err != nil {
			return err
		}
	}
	t, err := l.recount()
	if err != nil {
		return err
	}
	if err := l.writeTally(t); err != nil {
		return err
	}
	return l.putSetting(metaLayout, []byte(layout))
}

// emptied empties a bucket.
func (l *ledger) emptied(name []byte) (*bolt.Bucket, error) {
	if err := l.tx.DeleteBucket(name); err != nil {
		return nil, err
	}
	return l.tx.CreateBucket(name)
}

// setting returns a framed setting, nil when it is not there.
func (l *ledger) setting(name []byte) ([]byte, error) {
	v := l.meta.Get(name)
	if v == nil {
		return nil, nil
	}
	body, err := parseKind(kindMeta, v)
	if err != nil {
		return nil, fmt.Errorf("setting %s: %w", name, err)
	}
	return bytes.Clone(body), nil
}

func (l *ledger) putSetting(name, value []byte) error {
	return l.meta.Put(name, frame(kindMeta, value))
}

// devices returns the identities of all logs, in order of their ids.
func (l *ledger) devices() ([]journal.Identity, error) {
	var out []journal.Identity
	c := l.device.Cursor()
	for k, v := c.First(); k != nil; k, v = c.Next() {
		if len(k) != 16 {
			return nil, fmt.Errorf("%w: a device's id of %d bytes", ErrDamaged, len(k))
		}
		id, err := readIdentity(journal.ID(k), v)
		if err != nil {
			return nil, err
		}
		out = append(out, id)
	}
	return out, nil
}

// identity returns a device's identity, and whether there is one.
func (l *ledger) identity(device journal.ID) (journal.Identity, bool, error) {
	v := l.device.Get(device[:])
	if v == nil {
		return journal.Identity{}, false, nil
	}
	id, err := readIdentity(device, v)
	return id, err == nil, err
}

// putIdentity keeps an identity three times, in buckets that soon lie in
// different pages of the file: without it nothing of a log can be verified.
func (l *ledger) putIdentity(id journal.Identity) error {
	b, err := id.Encode()
	if err != nil {
		return err
	}
	v := frame(kindDevice, b)
	if err := l.device.Put(id.Device[:], v); err != nil {
		return err
	}
	if err := l.page.Put(key(id.Device, 0), v); err != nil {
		return err
	}
	return l.head.Put(key(id.Device, 0), v)
}

func (l *ledger) putEntry(e entry) error { return l.page.Put(key(e.device, e.Seq), e.encode()) }

func (l *ledger) putCommit(c commit) error {
	b, err := c.encode(kindCommit)
	if err != nil {
		return err
	}
	return l.head.Put(key(c.Head.Device, c.Head.Seq), b)
}

// readCommit reads what the head bucket keeps under a key. Under sequence 0
// that is the identity, which gives head 0 and no pages.
func readCommit(k, v []byte) (commit, error) {
	device, seq, err := splitKey(k)
	if err != nil {
		return commit{}, err
	}
	if seq == 0 {
		id, err := readIdentity(device, v)
		return commit{Head: id.Head()}, err
	}
	body, err := parseKind(kindCommit, v)
	if err != nil {
		return commit{}, fmt.Errorf("head %d of %s: %w", seq, device, err)
	}
	c, err := parseCommit(kindCommit, body)
	if err == nil && (c.Head.Device != device || c.Head.Seq != seq) {
		err = fmt.Errorf("%w: head %d of %s is kept as head %d of %s", ErrDamaged, c.Head.Seq, c.Head.Device, seq, device)
	}
	return c, err
}

// lastKey moves a cursor to the last key of a device's log.
func lastKey(c *bolt.Cursor, device journal.ID) (k, v []byte) {
	if k, _ = c.Seek(key(device, math.MaxUint64)); k == nil {
		k, v = c.Last()
	} else {
		k, v = c.Prev()
	}
	if !bytes.HasPrefix(k, device[:]) {
		return nil, nil
	}
	return k, v
}

// last returns a device's newest commit.
func (l *ledger) last(device journal.ID) (commit, error) {
	k, v := lastKey(l.head.Cursor(), device)
	if k == nil {
		return commit{}, fmt.Errorf("%w: no head of %s is kept", ErrDamaged, device)
	}
	return readCommit(k, v)
}

// commitAt returns the first commit that ends at seq or later.
func (l *ledger) commitAt(device journal.ID, seq uint64) (c commit, ok bool, err error) {
	k, v := l.head.Cursor().Seek(key(device, seq))
	if !bytes.HasPrefix(k, device[:]) {
		return commit{}, false, nil
	}
	c, err = readCommit(k, v)
	return c, err == nil, err
}

// headAt returns head seq of a device, and false when it is beyond the log or
// in a gap.
func (l *ledger) headAt(device journal.ID, seq uint64) (journal.Head, bool, error) {
	c, ok, err := l.commitAt(device, seq)
	if err != nil || !ok || seq < c.start() {
		return journal.Head{}, false, err
	}
	if seq == c.Head.Seq {
		return c.Head.Head, true, nil
	}
	chain := journal.NewChain(journal.Head{Device: device, Seq: c.start(), Hash: c.Prev})
	for _, h := range c.Hashes[:seq-c.start()] {
		chain.AddHash(h)
	}
	return chain.Head(), true, nil
}

// entry returns what is kept at a place; false when that is nothing or a gap.
func (l *ledger) entry(device journal.ID, seq uint64) (entry, bool, error) {
	k := key(device, seq)
	v := l.page.Get(k)
	if v == nil || seq == 0 {
		return entry{}, false, nil
	}
	e, err := readEntry(k, v)
	return e, err == nil && e.gapTo == 0, err
}

// tailPages bounds how many pages of a commit are read when a file is opened;
// a whole import may be one commit.
const tailPages = 64

// checkTail checks the end of a device's log: the newest commit and the one
// before it, their signatures, and their last pages.
func (l *ledger) checkTail(id journal.Identity) error {
	if err := id.Verify(); err != nil {
		return damaged(err)
	}
	heads := l.head.Cursor()
	k, v := lastKey(heads, id.Device)
	var after *commit
	for range 2 {
		if k == nil || !bytes.HasPrefix(k, id.Device[:]) {
			return fmt.Errorf("%w: no head of %s is kept", ErrDamaged, id.Device)
		}
		c, err := readCommit(k, v)
		if err != nil {
			return err
		}
		if c.Head.Seq == 0 {
			if c.Head != id.Head() {
				return fmt.Errorf("%w: two identities of %s are kept", ErrDamaged, id.Device)
			}
		} else if err := c.verify(id); err != nil {
			return damaged(err)
		}
		if after == nil {
			pk, _ := lastKey(l.page.Cursor(), id.Device)
			if !bytes.Equal(pk, k) {
				return fmt.Errorf("%w: log of %s: the last page is not the one the last head signs", ErrDamaged, id.Device)
			}
		} else if after.start() == c.Head.Seq && after.Prev != c.Head.Hash {
			return damaged(&journal.BreakError{Device: id.Device, Seq: c.Head.Seq, Err: journal.ErrBroken})
		}
		for i := max(0, len(c.Hashes)-tailPages); i < len(c.Hashes); i++ {
			seq := c.start() + uint64(i) + 1
			e, ok, err := l.entry(id.Device, seq)
			if err != nil {
				return err
			}
			if !ok || e.Hash != c.Hashes[i] {
				return damaged(&journal.BreakError{Device: id.Device, Seq: seq, Err: journal.ErrBroken})
			}
		}
		if c.Head.Seq == 0 {
			return nil
		}
		after = &c
		k, v = heads.Prev()
	}
	return nil
}
