package journal

import (
	"crypto/ed25519"
	"crypto/sha256"
	"errors"
	"fmt"
)

// Prefixes that keep one kind of hashed or signed bytes from being taken for
// another. Each ends in a zero byte, so none is a prefix of another.
const (
	pageDomain    = "pinchrod page v1\x00"
	genesisDomain = "pinchrod genesis v1\x00"
	chainDomain   = "pinchrod chain v1\x00"
	headDomain    = "pinchrod head v1\x00"
	tagDomain     = "pinchrod tag v1\x00"
)

func sum(domain string, parts ...[]byte) (out Hash) {
	// What is hashed is mostly short: a page of a few readings, two hashes.
	// In one piece on the stack it costs no allocation.
	var room [512]byte
	n := len(domain)
	for _, p := range parts {
		n += len(p)
	}
	if n <= len(room) {
		b := append(room[:0], domain...)
		for _, p := range parts {
			b = append(b, p...)
		}
		return sha256.Sum256(b)
	}
	h := sha256.New()
	h.Write([]byte(domain))
	for _, p := range parts {
		h.Write(p)
	}
	h.Sum(out[:0])
	return out
}

// PageHash = SHA-256("pinchrod page v1" 00, page): the hash of a page's bytes
// as received.
func PageHash(page []byte) Hash { return sum(pageDomain, page) }

// Genesis = SHA-256("pinchrod genesis v1" 00, device, key): head 0, which
// binds the device's id to its public key.
func Genesis(device ID, key ed25519.PublicKey) Hash { return sum(genesisDomain, device[:], key) }

// Next = SHA-256("pinchrod chain v1" 00, prev, page): the head after a page
// with hash page. It needs the page's hash only, so a page can be withheld.
func Next(prev, page Hash) Hash { return sum(chainDomain, prev[:], page[:]) }

// A Record is a page as it is kept and as it travels.
type Record struct {
	Seq  uint64
	Hash Hash   // PageHash of the page
	Page []byte // the page's bytes; nil when the page is withheld
}

// NewRecord makes the record of an encoded page.
func NewRecord(seq uint64, page []byte) Record {
	return Record{Seq: seq, Hash: PageHash(page), Page: page}
}

// Decode reads the record's page; [ErrWithheld] when it is not there.
func (r Record) Decode() (Page, error) {
	if r.Page == nil {
		return Page{}, fmt.Errorf("page %d: %w", r.Seq, ErrWithheld)
	}
	return DecodePage(r.Page)
}

// Check reports whether the record's page is the one its hash names, is a page
// (of this version, or one that is at least newer), and lies at this place in
// this device's log.
func (r Record) Check(device ID) error {
	if r.Page == nil {
		return nil
	}
	_, err := r.Open(device)
	if errors.Is(err, ErrNewer) {
		return nil
	}
	return err
}

// Open checks the record as Check does, and returns its page, whose payload
// aliases the record's. The record is good, and its page cannot be read, when
// the error is [ErrWithheld] or [ErrNewer].
func (r Record) Open(device ID) (Page, error) {
	if r.Page == nil {
		return Page{}, fmt.Errorf("page %d: %w", r.Seq, ErrWithheld)
	}
	if PageHash(r.Page) != r.Hash {
		return Page{}, &BreakError{device, r.Seq, fmt.Errorf("%w: the page is not the one its hash names", ErrBroken)}
	}
	var p Page
	var newer error
	if w, ok := quickPage(r.Page); ok {
		p = w.page()
	} else if p, newer = longPage(r.Page); newer != nil {
		if !errors.Is(newer, ErrNewer) {
			return Page{}, &BreakError{device, r.Seq, newer}
		}
		env, err := PeekPage(r.Page)
		if err != nil {
			return Page{}, &BreakError{device, r.Seq, err}
		}
		p.Device, p.Seq = env.Device, env.Seq
	}
	if p.Device != device || p.Seq != r.Seq {
		return Page{}, &BreakError{device, r.Seq, fmt.Errorf("%w: the page says it is %s-%d", ErrBroken, p.Device, p.Seq)}
	}
	return p, newer
}

// A BreakError says at which page a log does not hold.
type BreakError struct {
	Device ID
	Seq    uint64
	Err    error
}

func (e *BreakError) Error() string {
	return fmt.Sprintf("log of %s breaks at page %d: %v", e.Device, e.Seq, e.Err)
}

func (e *BreakError) Unwrap() error { return e.Err }

// A Chain walks a device's log from a head that is trusted, and says where
// the log breaks.
type Chain struct{ head Head }

// NewChain starts at a trusted head.
func NewChain(trusted Head) *Chain { return &Chain{trusted} }

// Head returns the head reached so far.
func (c *Chain) Head() Head { return c.head }

// Add checks the next record and steps over it. After an error, which is a
// [*BreakError], the chain stays where it was.
func (c *Chain) Add(r Record) error {
	if r.Seq != c.head.Seq+1 {
		return &BreakError{c.head.Device, c.head.Seq + 1, fmt.Errorf("%w: page %d comes next", ErrBroken, r.Seq)}
	}
	if err := r.Check(c.head.Device); err != nil {
		return err
	}
	c.step(r.Hash)
	return nil
}

// AddHash steps over the next page knowing its hash only.
func (c *Chain) AddHash(page Hash) { c.step(page) }

func (c *Chain) step(page Hash) {
	c.head.Seq++
	c.head.Hash = Next(c.head.Hash, page)
}

// Close checks that a signed head ends the walk: every record added is then
// vouched for. Records past the signed head are [ErrUnsigned]; a different
// head is [ErrBroken].
func (c *Chain) Close(h SignedHead, key ed25519.PublicKey) error {
	if err := h.Verify(key); err != nil {
		return &BreakError{c.head.Device, h.Seq, err}
	}
	return c.Ends(h.Head)
}

// Ends is Close with a head whose signature has been verified.
func (c *Chain) Ends(h Head) error {
	switch {
	case h.Device != c.head.Device:
		return &BreakError{c.head.Device, c.head.Seq, fmt.Errorf("%w: the signed head is of %s", ErrBroken, h.Device)}
	case h.Seq < c.head.Seq:
		return &BreakError{c.head.Device, h.Seq + 1, ErrUnsigned}
	case h.Seq > c.head.Seq:
		return &BreakError{c.head.Device, c.head.Seq + 1, fmt.Errorf("%w: pages up to %d are signed, and missing", ErrBroken, h.Seq)}
	case h.Hash != c.head.Hash:
		return &BreakError{c.head.Device, h.Seq, fmt.Errorf("%w: the pages do not lead to the signed head", ErrBroken)}
	}
	return nil
}
