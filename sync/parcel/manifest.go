package parcel

import (
	"bytes"
	"crypto"
	"crypto/ed25519"
	"crypto/sha256"
	"errors"
	"fmt"
	"time"

	"filippo.io/age"

	"pinchrod/store/journal"
)

// Prefixes of what is signed and hashed here.
const (
	manifestDomain = "pinchrod parcel v1\x00"
	setDomain      = "pinchrod parcel set v1\x00"
)

// A Manifest says what is in a parcel.
type Manifest struct {
	Writer    journal.Identity // whose key has signed it
	Time      time.Time        // the writer's clock, to the millisecond, in UTC
	Pieces    []Piece          // one in each part
	Stream    int64            // bytes of the frames, unpacked
	Logs      []Log            // in the order in which they come
	Recipient string           // the age recipient that it is sealed to; empty when open
	For       journal.ID       // the device that a hub answers; else zero

	answer []byte // what the hub says to that device: frames of package exchange
}

// A Piece is a part's share of the packed stream.
type Piece struct {
	Size int64
	Hash [sha256.Size]byte
}

// A Log says which pages of a device's log are in a parcel.
type Log struct {
	Base journal.Head // the head that the first page comes after
	To   uint64       // the last page; Base.Seq when there is none
	Full uint64       // pages in full; the others are there as their hashes
}

// Pages counts the log's pages in the parcel.
func (l Log) Pages() uint64 { return l.To - l.Base.Seq }

// Pages counts the pages in the parcel.
func (m Manifest) Pages() (n uint64) {
	for _, l := range m.Logs {
		n += l.Pages()
	}
	return n
}

// Set returns the parcel's name. It does not depend on when it was written.
func (m Manifest) Set() (Set, error) {
	w, err := m.wire()
	if err != nil {
		return Set{}, err
	}
	b, err := journal.Marshal(wireSet{Writer: w.Writer, Pieces: w.Pieces, Logs: w.Logs, Recipient: w.Recipient, For: m.For, Answer: append([]byte{}, m.answer...)})
	if err != nil {
		return Set{}, err
	}
	sum := sha256.Sum256(append([]byte(setDomain), b...))
	return Set(sum[:]), nil
}

type wireSet struct {
	_         struct{} `cbor:",toarray"`
	Writer    []byte
	Pieces    []wirePiece
	Logs      []wireLog
	Recipient string
	For       journal.ID
	Answer    []byte
}

type wireManifest struct {
	Version   uint64      `cbor:"1,keyasint"`
	Writer    []byte      `cbor:"2,keyasint"`
	Time      int64       `cbor:"3,keyasint"`
	Pieces    []wirePiece `cbor:"4,keyasint"`
	Stream    uint64      `cbor:"5,keyasint"`
	Logs      []wireLog   `cbor:"6,keyasint"`
	Recipient string      `cbor:"7,keyasint,omitempty"`
	For       []byte      `cbor:"8,keyasint,omitempty"`
	Answer    []byte      `cbor:"9,keyasint,omitempty"`
}

type wirePiece struct {
	_    struct{} `cbor:",toarray"`
	Size uint64
	Hash journal.Hash
}

type wireLog struct {
	_      struct{} `cbor:",toarray"`
	Device journal.ID
	Base   uint64
	Hash   journal.Hash
	To     uint64
	Full   uint64
}

type wireSigned struct {
	_         struct{} `cbor:",toarray"`
	Body      []byte
	Signature []byte
}

func (m Manifest) wire() (wireManifest, error) {
	id, err := m.Writer.Encode()
	if err != nil {
		return wireManifest{}, err
	}
	w := wireManifest{
		Version: version, Writer: id, Time: m.Time.UnixMilli(), Pieces: []wirePiece{}, Stream: uint64(m.Stream),
		Logs: []wireLog{}, Recipient: m.Recipient, Answer: m.answer,
	}
	if !m.For.IsZero() {
		w.For = m.For[:]
	}
	for _, p := range m.Pieces {
		w.Pieces = append(w.Pieces, wirePiece{Size: uint64(p.Size), Hash: p.Hash})
	}
	for _, l := range m.Logs {
		w.Logs = append(w.Logs, wireLog{Device: l.Base.Device, Base: l.Base.Seq, Hash: l.Base.Hash, To: l.To, Full: l.Full})
	}
	return w, nil
}

// sign encodes the manifest and signs it.
func (m Manifest) sign(key crypto.Signer) ([]byte, error) {
	w, err := m.wire()
	if err != nil {
		return nil, fmt.Errorf("encoding the manifest: %w", err)
	}
	body, err := journal.Marshal(w)
	if err != nil {
		return nil, fmt.Errorf("encoding the manifest: %w", err)
	}
	sig, err := key.Sign(nil, append([]byte(manifestDomain), body...), crypto.Hash(0))
	if err != nil {
		return nil, fmt.Errorf("signing the manifest: %w", err)
	}
	b, err := journal.Marshal(wireSigned{Body: body, Signature: sig})
	if err == nil && len(b) > maxManifest {
		err = fmt.Errorf("%w: its manifest has %d KiB, and %d are the most", ErrTooLarge, len(b)>>10, maxManifest>>10)
	}
	return b, err
}

// readManifest reads a manifest and verifies who signed it.
func readManifest(b []byte) (m Manifest, err error) {
	bad := func(format string, args ...any) (Manifest, error) {
		return Manifest{}, fmt.Errorf("its manifest: %w: %w", journal.ErrInvalid, fmt.Errorf(format, args...))
	}
	var signed wireSigned
	if err := journal.Unmarshal(b, &signed); err != nil {
		return bad("%w", err)
	}
	var w wireManifest
	// What a later version has added is passed over.
	if err := journal.Unmarshal(signed.Body, &w); err != nil && !errors.Is(err, journal.ErrNewer) {
		return bad("%w", err)
	}
	if w.Version != version {
		return Manifest{}, fmt.Errorf("%w: manifest version %d", ErrNewer, w.Version)
	}
	if m.Writer, err = journal.DecodeIdentity(w.Writer); err != nil {
		return bad("%w", err)
	}
	if err := m.Writer.Verify(); err != nil {
		return bad("its writer: %w", err)
	}
	if !ed25519.Verify(m.Writer.Key, append([]byte(manifestDomain), signed.Body...), signed.Signature) {
		return bad("%w", journal.ErrSignature)
	}
	// The years 0 to 9999, as of a page.
	if m.Time = time.UnixMilli(w.Time).UTC(); m.Time.Year() < 0 || m.Time.Year() > 9999 {
		return bad("the year %d", m.Time.Year())
	}
	if len(w.Pieces) == 0 || len(w.Pieces) > maxParts {
		return bad("%d parts", len(w.Pieces))
	}
	if w.Stream > MaxStream {
		return Manifest{}, fmt.Errorf("%w: it says that it unpacks to %d MiB, and %d are the most", ErrTooLarge, w.Stream>>20, MaxStream>>20)
	}
	packed := uint64(0)
	for _, p := range w.Pieces {
		if p.Size == 0 || p.Size > MaxStream {
			return bad("a piece of %d bytes", p.Size)
		}
		packed += p.Size
		m.Pieces = append(m.Pieces, Piece{int64(p.Size), p.Hash})
	}
	if packed > w.Stream+zstdExtra {
		return bad("%d bytes that unpack to %d", packed, w.Stream)
	}
	seen := map[journal.ID]bool{}
	for _, l := range w.Logs {
		// A page takes more than a byte.
		if l.Device.IsZero() || seen[l.Device] || l.To < l.Base || l.To-l.Base > w.Stream || l.Full > l.To-l.Base {
			return bad("pages %d to %d, %d in full, of log %s", l.Base+1, l.To, l.Full, l.Device)
		}
		seen[l.Device] = true
		m.Logs = append(m.Logs, Log{journal.Head{Device: l.Device, Seq: l.Base, Hash: l.Hash}, l.To, l.Full})
	}
	if w.Recipient != "" {
		if r, err := age.ParseX25519Recipient(w.Recipient); err != nil || r.String() != w.Recipient {
			return bad("no recipient: %q", w.Recipient)
		}
	}
	if w.For != nil {
		if len(w.For) != len(m.For) || bytes.Equal(w.For, make([]byte, len(m.For))) {
			return bad("no addressee: %x", w.For)
		}
		m.For = journal.ID(w.For)
	}
	if (w.Answer != nil) != (w.For != nil) {
		return bad("an answer to nobody, or none to %s", m.For)
	}
	m.Stream, m.Recipient, m.answer = int64(w.Stream), w.Recipient, w.Answer
	return m, nil
}
