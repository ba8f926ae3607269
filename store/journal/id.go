package journal

import (
	"bytes"
	"encoding/hex"
	"fmt"
	"io"
	"time"

	"github.com/google/uuid"
)

// An ID names a device, a job or a kit: a UUID (RFC 9562). The zero ID means
// none.
type ID [16]byte

// NewID makes a version 7 UUID (RFC 9562 section 5.7): 48 bits of now in
// milliseconds since 1970, then 74 bits from random.
func NewID(now time.Time, random io.Reader) (ID, error) {
	ms := now.UnixMilli()
	if ms < 0 || ms >= 1<<48 {
		return ID{}, fmt.Errorf("making an id: the clock says %s, outside what a UUID holds", now.Format(time.RFC3339))
	}
	var id ID
	if _, err := io.ReadFull(random, id[6:]); err != nil {
		return ID{}, fmt.Errorf("making an id: reading random bytes: %w", err)
	}
	for i := range 6 {
		id[i] = byte(ms >> (40 - 8*i))
	}
	id[6] = id[6]&0x0f | 0x70 // version 7
	id[8] = id[8]&0x3f | 0x80 // variant 0b10
	return id, nil
}

// Compare orders ids by their bytes: those made as version 7 by their time.
func (id ID) Compare(other ID) int { return bytes.Compare(id[:], other[:]) }

// IsZero reports whether id is the zero ID.
func (id ID) IsZero() bool { return id == ID{} }

// String returns the 36-character form, in lower case.
func (id ID) String() string { return uuid.UUID(id).String() }

// ParseID reads the 36-character form, in either case (RFC 9562 section 4).
// The zero ID names nothing and is refused.
func ParseID(s string) (ID, error) {
	if len(s) != 36 {
		return ID{}, fmt.Errorf("id %q: %w: want the form xxxxxxxx-xxxx-xxxx-xxxx-xxxxxxxxxxxx", s, ErrSyntax)
	}
	u, err := uuid.Parse(s)
	if err != nil || ID(u).IsZero() {
		return ID{}, fmt.Errorf("id %q: %w: want the form xxxxxxxx-xxxx-xxxx-xxxx-xxxxxxxxxxxx, in hex", s, ErrSyntax)
	}
	return ID(u), nil
}

// MarshalText writes the 36-character form; the zero ID is empty.
func (id ID) MarshalText() ([]byte, error) {
	if id.IsZero() {
		return nil, nil
	}
	return []byte(id.String()), nil
}

// UnmarshalText reads what MarshalText writes.
func (id *ID) UnmarshalText(b []byte) (err error) {
	if len(b) == 0 {
		*id = ID{}
		return nil
	}
	*id, err = ParseID(string(b))
	return err
}

// MarshalCBOR writes a byte string of 16 bytes, empty for the zero ID.
func (id ID) MarshalCBOR() ([]byte, error) {
	if id.IsZero() {
		return []byte{majorBytes << 5}, nil
	}
	return append([]byte{majorBytes<<5 | 16}, id[:]...), nil
}

// UnmarshalCBOR reads what MarshalCBOR writes.
func (id *ID) UnmarshalCBOR(b []byte) error {
	if len(b) == 1 && b[0] == majorBytes<<5 {
		*id = ID{}
		return nil
	}
	if len(b) != 17 || b[0] != majorBytes<<5|16 || ID(b[1:]).IsZero() {
		return fmt.Errorf("id: %w: want 16 bytes", ErrNotCanonical)
	}
	*id = ID(b[1:])
	return nil
}

// A Hash is a SHA-256 value of one of the kinds the package comment lists.
type Hash [32]byte

// String returns the hash in hex.
func (h Hash) String() string { return hex.EncodeToString(h[:]) }

// MarshalCBOR writes a byte string of 32 bytes.
func (h Hash) MarshalCBOR() ([]byte, error) {
	return append([]byte{majorBytes<<5 | 24, 32}, h[:]...), nil
}

// UnmarshalCBOR reads what MarshalCBOR writes.
func (h *Hash) UnmarshalCBOR(b []byte) error {
	if len(b) != 34 || b[0] != majorBytes<<5|24 || b[1] != 32 {
		return fmt.Errorf("hash: %w: want 32 bytes", ErrNotCanonical)
	}
	*h = Hash(b[2:])
	return nil
}

// Unread stands, where pages are counted by job, for those whose job this
// version cannot read. It is no UUID (RFC 9562 section 5.10 reserves it).
var Unread = ID{0xff, 0xff, 0xff, 0xff, 0xff, 0xff, 0xff, 0xff, 0xff, 0xff, 0xff, 0xff, 0xff, 0xff, 0xff, 0xff}
