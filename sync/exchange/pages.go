package exchange

import (
	"encoding/binary"
	"errors"
	"iter"

	"pinchrod/store/journal"
)

// wirePages is a batch's list of pages as it is encoded: an array of byte
// strings. It is taken apart page by page, so that a list of a million bytes
// costs no more than what is in it, and its pages lie in one piece of memory.
type wirePages []byte

// Initial bytes of RFC 8949 section 3.
const (
	cborBytes = 2 << 5
	cborArray = 4 << 5
)

// newPages encodes the pages of records; an empty one stands for one that is
// withheld.
func newPages(records []journal.Record) wirePages {
	if len(records) == 0 {
		return nil
	}
	size := 5
	for _, r := range records {
		size += 5 + len(r.Page)
	}
	p := cborHead(make([]byte, 0, size), cborArray, len(records))
	for _, r := range records {
		p = append(cborHead(p, cborBytes, len(r.Page)), r.Page...)
	}
	return p
}

// cborHead appends the shortest head for a length (RFC 8949 section 3).
func cborHead(b []byte, major byte, n int) []byte {
	switch {
	case n < 24:
		return append(b, major|byte(n))
	case n < 1<<8:
		return append(b, major|24, byte(n))
	case n < 1<<16:
		return binary.BigEndian.AppendUint16(append(b, major|25), uint16(n))
	}
	return binary.BigEndian.AppendUint32(append(b, major|26), uint32(n))
}

// headLen returns the length of a head with this initial byte.
func headLen(initial byte) int {
	switch initial & 0x1f {
	case 24:
		return 2
	case 25:
		return 3
	case 26:
		return 5
	case 27:
		return 9
	}
	return 1
}

var errPages = errors.New("the pages are not a list of byte strings")

// all yields the pages, which alias the list. The list is canonical CBOR, as
// journal.Unmarshal has seen.
func (p wirePages) all() iter.Seq2[[]byte, error] {
	return func(yield func([]byte, error) bool) {
		if len(p) == 0 {
			return
		}
		if p[0]&0xe0 != cborArray {
			yield(nil, errPages)
			return
		}
		for rest := p[headLen(p[0]):]; len(rest) > 0; {
			n, err := journal.ItemLen(rest)
			if err != nil || rest[0]&0xe0 != cborBytes {
				yield(nil, errPages)
				return
			}
			if head := headLen(rest[0]); !yield(rest[head:n:n], nil) {
				return
			}
			rest = rest[n:]
		}
	}
}

// MarshalCBOR returns the list.
func (p wirePages) MarshalCBOR() ([]byte, error) { return p, nil }

// UnmarshalCBOR keeps a copy of the list.
func (p *wirePages) UnmarshalCBOR(b []byte) error {
	*p = append([]byte(nil), b...)
	return nil
}
