package parcel

import (
	"bytes"
	"crypto/sha256"
	"encoding/binary"
	"encoding/hex"
	"fmt"
	"hash"
	"io"
)

// magic starts every part. Its first byte is no text, and a carrier that
// changes line ends, or stops at an end-of-file mark, spoils it visibly.
const magic = "\x9bparcel\r\n\x1a\n"

const (
	version      = 1
	coverSize    = len(magic) + 1 + 16 + 2 + 2 + 1 + 8
	closingSize  = sha256.Size
	maxParts     = 999      // three digits in a file's name
	maxManifest  = 1 << 20  // a thousand parts and ten thousand logs fit
	maxSealExtra = 64 << 10 // an age header, and below; its body grows by 16 in 65536
	MaxStream    = 1 << 30  // see the package comment
	maxWindow    = 8 << 20  // what RFC 8878 section 3.1.1.1.2 asks of every decoder
	writeWindow  = 1 << 20  // pages repeat what was said a few pages before
	zstdExtra    = 1 << 20  // zstd adds 3 bytes to a block of up to 128 KiB, and little else
)

// A Set names a parcel, whole or in parts.
type Set [16]byte

// String returns the name in hex.
func (s Set) String() string { return hex.EncodeToString(s[:]) }

// A Cover is what a part says of itself without being opened.
type Cover struct {
	Set    Set
	Part   int // from 1
	Parts  int
	Sealed bool
	Size   int64 // of what is inside
}

func (c Cover) encode() []byte {
	b := make([]byte, 0, coverSize)
	b = append(b, magic...)
	b = append(b, version)
	b = append(b, c.Set[:]...)
	b = binary.BigEndian.AppendUint16(b, uint16(c.Part))
	b = binary.BigEndian.AppendUint16(b, uint16(c.Parts))
	seal := byte(0)
	if c.Sealed {
		seal = 1
	}
	b = append(b, seal)
	return binary.BigEndian.AppendUint64(b, uint64(c.Size))
}

// A source is a part to be read.
type source struct {
	name  string
	at    io.ReaderAt
	size  int64
	cover Cover
}

// readCover reads a part's cover and holds its size against it. With an error
// comes what could be read.
func readCover(name string, at io.ReaderAt, size int64, limit int64) (source, error) {
	s := source{name: name, at: at, size: size}
	refuse := func(err error, next string) (source, error) {
		return s, &refusal{name, err, next}
	}
	head := make([]byte, min(size, int64(coverSize)))
	if _, err := at.ReadAt(head, 0); err != nil && (err != io.EOF || len(head) > 0) {
		return refuse(fmt.Errorf("reading it: %w", err), "")
	}
	if n := min(len(head), len(magic)); string(head[:n]) != magic[:n] {
		return refuse(ErrNotParcel, "name the files that were written as parcels")
	}
	if len(head) > len(magic) && head[len(magic)] != version {
		// Every version ends in the hash of what comes before.
		if err := s.whole(); err != nil {
			return source{}, err
		}
		return refuse(fmt.Errorf("%w: parcel version %d", ErrNewer, head[len(magic)]), "update this program")
	}
	if size < int64(coverSize+closingSize) {
		return refuse(fmt.Errorf("%w: %d bytes of it", ErrCut, size), nextCopy)
	}
	b := head[len(magic)+1:]
	seal, inside := b[20], binary.BigEndian.Uint64(b[21:])
	s.cover = Cover{
		Set:    Set(b[:16]),
		Part:   int(binary.BigEndian.Uint16(b[16:])),
		Parts:  int(binary.BigEndian.Uint16(b[18:])),
		Sealed: seal == 1,
		Size:   int64(inside),
	}
	c := s.cover
	if c.Part < 1 || c.Part > c.Parts || c.Parts > maxParts || seal > 1 {
		return refuse(fmt.Errorf("%w: its cover says part %d of %d", ErrFlipped, c.Part, c.Parts), nextCopy)
	}
	whole := inside + uint64(coverSize+closingSize)
	switch {
	case inside > uint64(limit+limit/1024+maxManifest+maxSealExtra):
		return refuse(fmt.Errorf("%w: it says that it holds %d MiB, and %d are the most", ErrTooLarge, inside>>20, limit>>20),
			"have it written in smaller portions")
	case whole > uint64(size):
		return refuse(fmt.Errorf("%w: %d bytes of %d", ErrCut, size, whole), nextCopy)
	case whole < uint64(size):
		return refuse(fmt.Errorf("%w: %d bytes, and it says that it has %d", ErrTooLarge, size, whole), nextCopy)
	}
	return s, nil
}

// whole checks that a part's bytes are those that its closing hash is for.
func (s source) whole() error {
	if s.size < closingSize {
		return &refusal{s.name, ErrCut, nextCopy}
	}
	h := sha256.New()
	if _, err := io.Copy(h, io.NewSectionReader(s.at, 0, s.size-closingSize)); err != nil {
		return &refusal{s.name, fmt.Errorf("reading it: %w", err), nextCopy}
	}
	return s.closes(h)
}

// closes compares the closing hash with that of all that comes before it.
func (s source) closes(h hash.Hash) error {
	var want [closingSize]byte
	if _, err := s.at.ReadAt(want[:], s.size-closingSize); err != nil && err != io.EOF {
		return &refusal{s.name, fmt.Errorf("reading it: %w", err), nextCopy}
	}
	if !bytes.Equal(h.Sum(nil), want[:]) {
		return &refusal{s.name, ErrFlipped, nextCopy}
	}
	return nil
}
