package exchange

import (
	"bufio"
	"crypto/ed25519"
	"encoding/binary"
	"errors"
	"fmt"
	"io"

	"pinchrod/store/journal"
)

// The kinds of frames. The package comment specifies their bodies.
const (
	kindOffer   = 1
	kindLog     = 2
	kindBatch   = 3
	kindEnd     = 4
	kindAck     = 5
	kindState   = 6
	kindWants   = 7
	kindRefusal = 8
)

// MaxFrame bounds a frame's body: one page of the largest size, and what goes
// with it. A batch closes at a signed head, so what one head signs has to fit,
// which is at most journal.MaxStep, in a frame of batchRoom more; pages as they
// are written are a few kilobytes, and a large import two megabytes. More is
// refused before memory is set aside for it.
const MaxFrame = journal.MaxPayload + 1<<20

// batchRoom is what a batch has beside its pages and hashes, at most: the map and
// its five keys 6, the first sequence 9, the number of pages 5, the length of the
// hashes 5, the head's hash 34, its signature 66.
const batchRoom = 6 + 9 + 5 + 5 + 34 + 66

const _ = uint(MaxFrame - journal.MaxStep - batchRoom) // does not compile below zero

// A Writer writes frames.
type Writer struct {
	w   *bufio.Writer
	log journal.ID // the log last announced
}

// NewWriter returns a writer of frames to w.
func NewWriter(w io.Writer) *Writer { return &Writer{w: bufio.NewWriterSize(w, 64<<10)} }

// Flush hands on what has been written.
func (w *Writer) Flush() error { return w.w.Flush() }

// errTooLarge: a signed step that cannot travel, of a program that did not yet
// refuse to save it.
var errTooLarge = errors.New("too much was saved in one step to be sent")

func (w *Writer) frame(kind byte, v any) error {
	b, err := journal.Marshal(v)
	if err != nil {
		return fmt.Errorf("writing a frame: %w", err)
	}
	if len(b) > MaxFrame {
		return fmt.Errorf("writing a frame: %w: %d MiB, the most is %d", errTooLarge, len(b)>>20, MaxFrame>>20)
	}
	var head [1 + binary.MaxVarintLen64]byte
	head[0] = kind
	n := binary.PutUvarint(head[1:], uint64(len(b)))
	if _, err := w.w.Write(head[:1+n]); err != nil {
		return err
	}
	_, err = w.w.Write(b)
	return err
}

// A FrameReader reads frames. It keeps the identity of the log announced last.
type FrameReader struct {
	r     *bufio.Reader
	log   journal.Identity
	limit uint64                                  // of a frame's body
	admit func(size int) (done func(), err error) // asked about large frames, if set
	done  func()                                  // of the frame read last
}

// NewFrameReader returns a reader of frames from r. Batches that come before
// any log is announced belong to log.
func NewFrameReader(r io.Reader, log journal.Identity) *FrameReader {
	return &FrameReader{r: bufio.NewReaderSize(r, smallFrame), log: log, limit: MaxFrame}
}

// minPage is the least that a page of any version has: an array of three or
// more, which are a version, a device and a sequence. With it, what a list of
// pages takes in memory is in proportion to what has come.
const minPage = 1 + 1 + 17 + 1

// smallFrame is the size up to which nobody is asked about a frame's memory:
// the reader's own buffer is as large.
const smallFrame = 64 << 10

// release lets go of the memory that the last frame was admitted for; done
// hands that duty on.
func (r *FrameReader) release() { r.handOn()() }

func (r *FrameReader) handOn() (done func()) {
	if done, r.done = r.done, nil; done == nil {
		return func() {}
	}
	return done
}

// next reads a frame. An end of the stream between frames is io.EOF; within
// one it is io.ErrUnexpectedEOF.
func (r *FrameReader) next() (kind byte, body []byte, err error) {
	r.release()
	if kind, err = r.r.ReadByte(); err != nil {
		return 0, nil, err
	}
	n, err := readLength(r.r)
	if err != nil {
		if errors.Is(err, io.EOF) {
			err = io.ErrUnexpectedEOF
		}
		return 0, nil, fmt.Errorf("reading a frame: %w", err)
	}
	if n > r.limit {
		return 0, nil, fmt.Errorf("reading a frame: %w: it claims %d bytes", ErrProtocol, n)
	}
	if n > smallFrame && r.admit != nil {
		if r.done, err = r.admit(int(n)); err != nil {
			return 0, nil, fmt.Errorf("reading a frame: %w", err)
		}
	}
	if body, err = readBody(r.r, int(n)); errors.Is(err, io.EOF) {
		err = io.ErrUnexpectedEOF
	}
	if err != nil {
		return 0, nil, fmt.Errorf("reading a frame: %w", err)
	}
	return kind, body, nil
}

// readLength reads an unsigned LEB128, of as many bytes as MaxFrame can need.
func readLength(r io.ByteReader) (n uint64, err error) {
	for shift := 0; shift < 28; shift += 7 {
		c, err := r.ReadByte()
		if err != nil {
			return 0, err
		}
		if n |= uint64(c&0x7f) << shift; c < 0x80 {
			return n, nil
		}
	}
	return 0, fmt.Errorf("%w: a length without an end", ErrProtocol)
}

// readBody reads n bytes. Memory grows with what has really come, not with
// what is claimed.
func readBody(r io.Reader, n int) ([]byte, error) {
	body := make([]byte, min(n, 4*smallFrame))
	for at := 0; ; {
		m, err := io.ReadFull(r, body[at:])
		if at += m; err != nil || at == n {
			return body[:at], err
		}
		body = append(body, make([]byte, min(n-at, at))...)
	}
}

// decode reads a frame's body. Keys that a later version has added are passed
// over: what they say must not be needed to understand the rest.
func decode(body []byte, v any) error {
	if err := journal.Unmarshal(body, v); err != nil && !errors.Is(err, journal.ErrNewer) {
		return fmt.Errorf("%w: %w", ErrProtocol, err)
	}
	return nil
}

type wireOffer struct {
	Version uint64       `cbor:"1,keyasint"`
	Seq     uint64       `cbor:"2,keyasint,omitempty"`
	Hash    journal.Hash `cbor:"3,keyasint"`
	Seen    []byte       `cbor:"4,keyasint,omitempty"`
}

type wireBatch struct {
	First     uint64    `cbor:"1,keyasint"`
	Pages     wirePages `cbor:"2,keyasint"`
	Hashes    []byte    `cbor:"3,keyasint,omitempty"`
	Hash      []byte    `cbor:"4,keyasint"`
	Signature []byte    `cbor:"5,keyasint"`
}

type wireHead struct {
	Seq  uint64       `cbor:"1,keyasint"`
	Hash journal.Hash `cbor:"2,keyasint"`
}

type wireStanding struct {
	_      struct{} `cbor:",toarray"`
	Device journal.ID
	Seq    uint64
	Hash   journal.Hash
	Full   uint64
}

type wireState struct {
	Receipt   wireReceipt    `cbor:"1,keyasint"`
	Mark      []byte         `cbor:"2,keyasint"`
	All       bool           `cbor:"3,keyasint,omitempty"`
	Jobs      []journal.ID   `cbor:"4,keyasint,omitempty"`
	Logs      []wireStanding `cbor:"5,keyasint,omitempty"`
	Forgotten []journal.ID   `cbor:"6,keyasint,omitempty"`
	Own       uint64         `cbor:"7,keyasint,omitempty"`
}

type wireWant struct {
	_      struct{} `cbor:",toarray"`
	Device journal.ID
	From   uint64
}

type wireWants struct {
	Version uint64     `cbor:"1,keyasint"`
	Wants   []wireWant `cbor:"2,keyasint"`
}

// offer writes an offer; the log is known to both sides.
func (w *Writer) offer(o Offer) error {
	x := wireOffer{Version: 1, Seq: o.Base.Seq, Hash: o.Base.Hash}
	if o.Seen != (Mark{}) {
		x.Seen = o.Seen[:]
	}
	return w.frame(kindOffer, x)
}

func readOffer(body []byte, device journal.ID) (o Offer, err error) {
	var x wireOffer
	if err := decode(body, &x); err != nil {
		return o, fmt.Errorf("reading an offer: %w", err)
	}
	if x.Version != 1 {
		return o, fmt.Errorf("reading an offer: %w: version %d", ErrVersion, x.Version)
	}
	o.Base = journal.Head{Device: device, Seq: x.Seq, Hash: x.Hash}
	if n := copy(o.Seen[:], x.Seen); x.Seen != nil && (n != len(o.Seen) || n != len(x.Seen)) {
		return o, fmt.Errorf("reading an offer: %w: a mark of %d bytes", ErrProtocol, len(x.Seen))
	}
	return o, nil
}

// Log announces whose log the batches after it are.
func (w *Writer) Log(id journal.Identity) error {
	b, err := id.Encode()
	if err != nil {
		return err
	}
	w.log = id.Device
	return w.frame(kindLog, b)
}

// Batch writes a batch, and announces its log if it is another than before.
func (w *Writer) Batch(b Batch) error {
	if len(b.Records) == 0 {
		return errNoPages
	}
	if b.Identity.Device != w.log {
		if err := w.Log(b.Identity); err != nil {
			return err
		}
	}
	x := wireBatch{First: b.Records[0].Seq, Pages: newPages(b.Records), Hash: b.Head.Hash[:], Signature: b.Head.Signature[:]}
	for _, r := range b.Records {
		if r.Page == nil {
			x.Hashes = append(x.Hashes, r.Hash[:]...)
		}
	}
	return w.frame(kindBatch, x)
}

func (r *FrameReader) batch(body []byte) (b Batch, err error) {
	var x wireBatch
	if err := decode(body, &x); err != nil {
		return b, fmt.Errorf("reading a batch: %w", err)
	}
	bad := func(what string) (Batch, error) {
		return Batch{}, fmt.Errorf("reading a batch: %w: %s", ErrProtocol, what)
	}
	if len(x.Hash) != len(journal.Hash{}) || len(x.Signature) != ed25519.SignatureSize {
		return bad("a head that is not of the right size")
	}
	if x.First == 0 || x.First+uint64(len(x.Pages)) < x.First {
		return bad("pages count from 1")
	}
	b = Batch{Identity: r.log}
	for page, err := range x.Pages.all() {
		if err != nil {
			return bad(err.Error())
		}
		rec := journal.Record{Seq: x.First + uint64(len(b.Records))}
		switch {
		case len(page) >= minPage:
			rec = journal.NewRecord(rec.Seq, page)
		case len(page) > 0:
			_, err := journal.PeekPage(page) // says what is wrong with it
			return Batch{}, fmt.Errorf("reading a batch: page %d: %w", rec.Seq, err)
		case len(x.Hashes) < len(rec.Hash):
			return bad("a hash is missing")
		default:
			rec.Hash = journal.Hash(x.Hashes[:len(rec.Hash)])
			x.Hashes = x.Hashes[len(rec.Hash):]
		}
		b.Records = append(b.Records, rec)
	}
	if len(x.Hashes) > 0 {
		return bad("a hash too many")
	}
	if len(b.Records) == 0 {
		return Batch{}, fmt.Errorf("reading a batch: %w", errNoPages)
	}
	b.Head = journal.SignedHead{
		Head:      journal.Head{Device: r.log.Device, Seq: x.First + uint64(len(b.Records)) - 1, Hash: journal.Hash(x.Hash)},
		Signature: [ed25519.SignatureSize]byte(x.Signature),
	}
	return b, nil
}

func (r *FrameReader) readLog(body []byte) error {
	var enc []byte
	if err := decode(body, &enc); err != nil {
		return fmt.Errorf("reading whose log it is: %w", err)
	}
	id, err := journal.DecodeIdentity(enc)
	if err != nil {
		return fmt.Errorf("reading whose log it is: %w: %w", ErrProtocol, err)
	}
	r.log = id
	return nil
}

// End closes a list of batches.
func (w *Writer) End() error { return w.frame(kindEnd, struct{}{}) }

// Batches returns the batches up to the frame that ends them. A stream that
// breaks off before is io.ErrUnexpectedEOF; a refusal is the error it stands
// for.
func (r *FrameReader) Batches() func(yield func(Batch, error) bool) {
	return func(yield func(Batch, error) bool) {
		for {
			kind, body, err := r.next()
			if err == io.EOF {
				err = fmt.Errorf("reading batches: %w", io.ErrUnexpectedEOF)
			}
			var b Batch
			if err == nil {
				switch kind {
				case kindEnd:
					return
				case kindLog:
					if err = r.readLog(body); err == nil {
						continue
					}
				case kindBatch:
					b, err = r.batch(body)
				case kindRefusal:
					err = readRefusal(body, r.log.Device)
				default:
					err = fmt.Errorf("reading batches: %w: a frame of kind %d", ErrProtocol, kind)
				}
			}
			if !yield(b, err) || err != nil {
				return
			}
		}
	}
}

type wireAck struct {
	Seq uint64 `cbor:"1,keyasint"`
}

func (w *Writer) ack(h journal.Head) error { return w.frame(kindAck, wireAck{h.Seq}) }

func (w *Writer) state(s State) error {
	x := wireState{Receipt: s.Receipt.wire(), Mark: s.Mark[:], All: s.All, Jobs: s.Jobs, Forgotten: s.Forgotten, Own: s.Own}
	for _, l := range s.Logs {
		x.Logs = append(x.Logs, wireStanding{Device: l.Head.Device, Seq: l.Head.Seq, Hash: l.Head.Hash, Full: l.Full})
	}
	return w.frame(kindState, x)
}

func readState(body []byte) (s State, err error) {
	var x wireState
	if err := decode(body, &x); err != nil {
		return s, fmt.Errorf("reading a state: %w", err)
	}
	if s.Receipt, err = x.Receipt.receipt(); err != nil {
		return s, fmt.Errorf("reading a state: %w", err)
	}
	if len(x.Mark) != len(s.Mark) {
		return s, fmt.Errorf("reading a state: %w: a mark of %d bytes", ErrProtocol, len(x.Mark))
	}
	s.Own, s.Mark, s.All, s.Jobs, s.Forgotten = x.Own, Mark(x.Mark), x.All, x.Jobs, x.Forgotten
	for _, l := range x.Logs {
		s.Logs = append(s.Logs, Standing{Head: journal.Head{Device: l.Device, Seq: l.Seq, Hash: l.Hash}, Full: l.Full})
	}
	return s, nil
}

func (w *Writer) wants(wants []Want) error {
	x := wireWants{Version: 1, Wants: []wireWant{}}
	for _, want := range wants {
		x.Wants = append(x.Wants, wireWant{Device: want.Device, From: want.From})
	}
	return w.frame(kindWants, x)
}

func readWants(body []byte) (wants []Want, err error) {
	var x wireWants
	if err := decode(body, &x); err != nil {
		return nil, fmt.Errorf("reading what is wanted: %w", err)
	}
	if x.Version != 1 {
		return nil, fmt.Errorf("reading what is wanted: %w: version %d", ErrVersion, x.Version)
	}
	for _, want := range x.Wants {
		wants = append(wants, Want{want.Device, want.From})
	}
	return wants, nil
}
