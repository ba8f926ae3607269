package picture

import (
	"encoding/hex"
	"errors"
	"fmt"

	"pinchrod/store/journal"
)

// ErrSyntax: a text that is not a sum.
var ErrSyntax = errors.New("not a picture's sum")

// A Sum names a picture: SHA-256 (FIPS 180-4) of its bytes.
type Sum [32]byte

// String returns the sum in hex, in lower case: 64 characters.
func (s Sum) String() string { return hex.EncodeToString(s[:]) }

// Parse reads what String writes, and nothing else, so that a name which
// parses is safe as a file's name. The error wraps [ErrSyntax].
func Parse(text string) (Sum, error) {
	var s Sum
	if b, err := hex.DecodeString(text); err == nil && len(b) == len(s) {
		if copy(s[:], b); s.String() == text {
			return s, nil
		}
	}
	if len(text) > 80 {
		text = text[:80] + "…"
	}
	return Sum{}, fmt.Errorf("%w %q: want 64 characters of 0-9 and a-f", ErrSyntax, text)
}

// MarshalText writes what String gives.
func (s Sum) MarshalText() ([]byte, error) { return []byte(s.String()), nil }

// UnmarshalText reads what MarshalText writes.
func (s *Sum) UnmarshalText(b []byte) (err error) {
	*s, err = Parse(string(b))
	return err
}

// MarshalCBOR writes a byte string of 32 bytes, as a hash of the log.
func (s Sum) MarshalCBOR() ([]byte, error) { return journal.Hash(s).MarshalCBOR() }

// UnmarshalCBOR reads what MarshalCBOR writes.
func (s *Sum) UnmarshalCBOR(b []byte) error { return (*journal.Hash)(s).UnmarshalCBOR(b) }
