package store

import (
	"bytes"
	"encoding/binary"
	"fmt"
	"hash/crc32"

	"pinchrod/store/journal"
)

// Kinds of frame.
const (
	kindMeta     = 'M' // a setting of this file
	kindDevice   = 'D' // an identity
	kindPage     = 'P' // a page
	kindWithheld = 'W' // a page that came as its hash only, or is forgotten
	kindLost     = 'L' // a page of which only the hash could be recovered
	kindGap      = 'G' // pages of which not even the hash could be recovered
	kindCommit   = 'C' // a signed head, with the hashes that lead to it
	kindFork     = 'F' // a commit that contradicts the log: evidence

	kindNote      = 'N' // a note in the margin
	kindTally     = 'T' // how many pages of a job a device's log holds in full
	kindForgotten = 'J' // a job that is forgotten
)

const (
	magic       = "\x9bprd"
	frameHeader = len(magic) + 1 + 4 + 4
)

var castagnoli = crc32.MakeTable(crc32.Castagnoli)

// frame wraps parts as one value, so that it can be found in a file nothing
// else can read.
func frame(kind byte, parts ...[]byte) []byte {
	n := 0
	for _, p := range parts {
		n += len(p)
	}
	b := make([]byte, frameHeader, frameHeader+n)
	copy(b, magic)
	b[4] = kind
	binary.BigEndian.PutUint32(b[5:], uint32(n))
	for _, p := range parts {
		b = append(b, p...)
	}
	binary.BigEndian.PutUint32(b[9:], frameSum(b))
	return b
}

// frameSum is CRC-32C over kind, length and body.
func frameSum(b []byte) uint32 {
	return crc32.Update(crc32.Checksum(b[4:9], castagnoli), castagnoli, b[frameHeader:])
}

// splitFrame reads the frame that b starts with. When the checksum does not
// match, it still returns what the header says, with sound false.
func splitFrame(b []byte) (kind byte, body []byte, sound, ok bool) {
	if len(b) < frameHeader || string(b[:4]) != magic {
		return 0, nil, false, false
	}
	n := binary.BigEndian.Uint32(b[5:])
	if uint64(n) > uint64(len(b)-frameHeader) {
		return 0, nil, false, false
	}
	b = b[:frameHeader+int(n)]
	return b[4], b[frameHeader:], frameSum(b) == binary.BigEndian.Uint32(b[9:]), true
}

// parseFrame reads a value that must be one frame and nothing more.
func parseFrame(b []byte) (kind byte, body []byte, err error) {
	kind, body, sound, ok := splitFrame(b)
	if !ok || !sound || len(body) != len(b)-frameHeader {
		return 0, nil, fmt.Errorf("%w: a stored value's frame does not hold", ErrDamaged)
	}
	return kind, body, nil
}

// parseKind reads a frame of one kind.
func parseKind(want byte, b []byte) ([]byte, error) {
	kind, body, err := parseFrame(b)
	if err == nil && kind != want {
		err = fmt.Errorf("%w: a frame of kind %q where %q is kept", ErrDamaged, kind, want)
	}
	return body, err
}

// key is a place in a device's log: the device, then the sequence.
func key(device journal.ID, seq uint64) []byte {
	return binary.BigEndian.AppendUint64(device[:len(device):len(device)], seq)
}

func splitKey(k []byte) (device journal.ID, seq uint64, err error) {
	if len(k) != 24 {
		return device, 0, fmt.Errorf("%w: a key of %d bytes in the log", ErrDamaged, len(k))
	}
	return journal.ID(k[:16]), binary.BigEndian.Uint64(k[16:]), nil
}

// An entry is what the log holds at one place: a record, or a gap from there.
type entry struct {
	device journal.ID
	journal.Record
	lost  bool   // only the hash could be recovered
	gapTo uint64 // for a gap: the last page of it
}

func (e entry) encode() []byte {
	switch {
	case e.gapTo > 0:
		return frame(kindGap, key(e.device, e.Seq), binary.BigEndian.AppendUint64(nil, e.gapTo))
	case e.lost:
		return frame(kindLost, key(e.device, e.Seq), e.Hash[:])
	case e.Page == nil:
		return frame(kindWithheld, key(e.device, e.Seq), e.Hash[:])
	}
	return frame(kindPage, key(e.device, e.Seq), e.Hash[:], e.Page)
}

// parseEntry reads a frame's body as an entry. It does not check the page
// against its hash.
func parseEntry(kind byte, body []byte) (entry, error) {
	e, ok := splitEntry(kind, body)
	if !ok {
		return entry{}, badFile("an entry of kind %q and %d bytes", kind, len(body))
	}
	return e, nil
}

func splitEntry(kind byte, body []byte) (e entry, ok bool) {
	if len(body) < 24 {
		return e, false
	}
	e.device, e.Seq = journal.ID(body[:16]), binary.BigEndian.Uint64(body[16:])
	if body = body[24:]; kind == kindGap {
		if len(body) != 8 {
			return e, false
		}
		if e.gapTo = binary.BigEndian.Uint64(body); e.gapTo < e.Seq {
			return e, false
		}
	} else {
		if len(body) < 32 {
			return e, false
		}
		e.Hash, body = journal.Hash(body[:32]), body[32:]
		switch {
		case kind == kindPage && len(body) > 0:
			e.Page = body
		case kind == kindLost && len(body) == 0:
			e.lost = true
		case kind == kindWithheld && len(body) == 0:
		default:
			return e, false
		}
	}
	return e, !e.device.IsZero() && e.Seq > 0
}

// readEntry reads the entry kept under a key. The page's bytes alias v.
func readEntry(k, v []byte) (entry, error) {
	device, seq, err := splitKey(k)
	if err != nil {
		return entry{}, err
	}
	fail := func(err error) (entry, error) {
		return entry{}, &journal.BreakError{Device: device, Seq: seq, Err: err}
	}
	kind, body, err := parseFrame(v)
	if err != nil {
		return fail(err)
	}
	e, err := parseEntry(kind, body)
	if err != nil {
		return fail(err)
	}
	if e.device != device || e.Seq != seq {
		return fail(fmt.Errorf("%w: page %d of %s is kept in its place", ErrDamaged, e.Seq, e.device))
	}
	if err := e.Check(device); err != nil {
		return entry{}, damaged(err)
	}
	return e, nil
}

// damaged marks an error found in stored bytes.
func damaged(err error) error { return fmt.Errorf("%w: %w", ErrDamaged, err) }

// A commit is a signed head with all that proves which pages it vouches for,
// whatever else is lost.
type commit struct {
	Prev   journal.Hash   // the head before
	Hashes []journal.Hash // of the pages from there to Head
	Head   journal.SignedHead
}

// start is the sequence of the head before.
func (c commit) start() uint64 { return c.Head.Seq - uint64(len(c.Hashes)) }

func (c commit) encode(kind byte) ([]byte, error) {
	head, err := c.Head.Encode()
	if err != nil {
		return nil, err
	}
	parts := [][]byte{head, c.Prev[:]}
	for i := range c.Hashes {
		parts = append(parts, c.Hashes[i][:])
	}
	return frame(kind, parts...), nil
}

// parseCommit reads a frame's body as a commit; verify checks it. Evidence of a
// fork can be a signed head alone, without a page that leads to it.
func parseCommit(kind byte, body []byte) (commit, error) {
	n, err := journal.ItemLen(body)
	if err != nil {
		return commit{}, damaged(err)
	}
	head, err := journal.DecodeSignedHead(body[:n])
	if err != nil {
		return commit{}, damaged(err)
	}
	rest, least := body[n:], 2
	if kind == kindFork {
		least = 1
	}
	count := uint64(len(rest)/32) - 1
	if len(rest) < 32*least || len(rest)%32 != 0 || count > head.Seq {
		return commit{}, fmt.Errorf("%w: head %d of %s comes with %d bytes of hashes", ErrDamaged, head.Seq, head.Device, len(rest))
	}
	c := commit{Prev: journal.Hash(rest[:32]), Head: head, Hashes: make([]journal.Hash, count)}
	for i := range c.Hashes {
		c.Hashes[i] = journal.Hash(rest[32+32*i:])
	}
	return c, nil
}

// verify checks that the hashes lead from the head before to the signed one,
// and that the key signed it.
func (c commit) verify(id journal.Identity) error {
	chain := journal.NewChain(journal.Head{Device: id.Device, Seq: c.start(), Hash: c.Prev})
	for _, h := range c.Hashes {
		chain.AddHash(h)
	}
	return chain.Close(c.Head, id.Key)
}

// readIdentity reads an identity kept under a device's id.
func readIdentity(device journal.ID, v []byte) (journal.Identity, error) {
	body, err := parseKind(kindDevice, v)
	if err != nil {
		return journal.Identity{}, err
	}
	id, err := journal.DecodeIdentity(bytes.Clone(body))
	if err != nil {
		return journal.Identity{}, damaged(err)
	}
	if id.Device != device {
		return journal.Identity{}, fmt.Errorf("%w: the identity of %s is kept for %s", ErrDamaged, id.Device, device)
	}
	return id, nil
}
