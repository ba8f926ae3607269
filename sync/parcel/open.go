package parcel

import (
	"bytes"
	"cmp"
	"context"
	"crypto/sha256"
	"encoding/binary"
	"errors"
	"fmt"
	"io"
	"iter"
	"slices"
	"strings"

	"filippo.io/age"
	"github.com/klauspost/compress/zstd"

	"pinchrod/store/journal"
	"pinchrod/sync/exchange"
)

// An Accept says why a log is not taken in from whoever wrote the parcel; nil
// when it is. Both have proved that they hold their keys, and nothing else:
// anybody can make a device. What a log says is its own device's, whoever
// carries it.
type Accept func(writer, log journal.Identity) error

// Known accepts the logs of devices that a book knows already, from such
// devices: what a hub does.
func Known(b exchange.Book) Accept {
	ids, err := b.Devices()
	return func(writer, log journal.Identity) error {
		if err != nil {
			return err
		}
		for _, id := range []journal.Identity{writer, log} {
			if !slices.ContainsFunc(ids, id.Equal) {
				return fmt.Errorf("device %s (%s) is not known here", id.Device.Tag(), id.Device)
			}
		}
		return nil
	}
}

// From accepts whatever comes from one device: what a surveyor does with their
// hub's parcels.
func From(hub journal.Identity) Accept {
	return func(writer, _ journal.Identity) error {
		if !writer.Equal(hub) {
			return fmt.Errorf("written by device %s (%s), not by %s", writer.Device.Tag(), writer.Device, hub.Device.Tag())
		}
		return nil
	}
}

// Anyone accepts whatever verifies.
func Anyone(_, _ journal.Identity) error { return nil }

// ReadOptions say how a parcel is read.
type ReadOptions struct {
	// Keys open a sealed parcel.
	Keys []age.Identity
	// Accept has to accept every log. Nil: Known, and without a book Anyone.
	Accept Accept
	// Without names logs that are left out, after a fork perhaps.
	Without []journal.ID
	// Limit bounds what is taken in, unpacked; MaxStream when 0.
	Limit int64
	// Temp is where the parts are put together; the system's folder for such
	// when empty.
	Temp string
	// Progress, if set, is told of each step how many pages of how many are
	// done.
	Progress func(step Step, pages, of uint64)
	// Hub is who may answer for the hub: see Read.
	Hub *journal.Identity
}

// A Step of reading.
type Step int

// The steps.
const (
	Checking Step = iota
	Taking
)

func (o ReadOptions) limit() int64 {
	if o.Limit <= 0 || o.Limit > MaxStream {
		return MaxStream
	}
	return o.Limit
}

// A Parcel is one that is whole, and verified as far as it can be by itself:
// that the bytes are those that the writer has signed for, and of each log
// that its pages are chained from the first to the last and signed by their
// device. Its files are no longer needed.
type Parcel struct {
	m      Manifest
	set    Set
	packed *spool
	name   string // for errors
	o      ReadOptions
}

// Open reads all the parts of a parcel, in whatever order they are named, and
// verifies it. What is wrong is one of the errors of this package, or of
// package journal where a log does not verify.
func Open(ctx context.Context, files []string, o ReadOptions) (*Parcel, error) {
	return openFiles(ctx, files, nil, o)
}

func openFiles(ctx context.Context, files []string, book exchange.Book, o ReadOptions) (p *Parcel, err error) {
	var sources []source
	for _, file := range files {
		f, s, err := openSource(file, o.limit())
		if err != nil {
			return nil, fmt.Errorf("reading a parcel: %w", err)
		}
		defer f.Close()
		sources = append(sources, s)
	}
	p, err = open(ctx, sources, book, o)
	if err != nil {
		return nil, fmt.Errorf("reading a parcel: %w", err)
	}
	return p, nil
}

func open(ctx context.Context, parts []source, book exchange.Book, o ReadOptions) (*Parcel, error) {
	parts, err := arrange(parts)
	if err != nil {
		return nil, err
	}
	p := &Parcel{packed: &spool{dir: o.Temp}, set: parts[0].cover.Set, name: parts[0].name, o: o}
	for _, s := range parts {
		if err == nil {
			err = p.take(ctx, s)
		}
	}
	if err == nil {
		err = p.check(ctx, book)
	}
	if err != nil {
		return nil, errors.Join(err, p.Close())
	}
	return p, nil
}

// arrange puts parts in order, and finds what is missing.
func arrange(parts []source) ([]source, error) {
	if len(parts) == 0 {
		return nil, fmt.Errorf("%w: no file is named", ErrPart)
	}
	slices.SortStableFunc(parts, func(a, b source) int { return a.cover.Part - b.cover.Part })
	// A part that is here twice is here.
	parts = slices.CompactFunc(parts, func(a, b source) bool {
		return a.cover.Set == b.cover.Set && a.cover.Parts == b.cover.Parts && a.cover.Part == b.cover.Part
	})
	first := parts[0].cover
	var err error
	for _, s := range parts {
		if c := s.cover; c.Set != first.Set || c.Parts != first.Parts || c.Sealed != first.Sealed {
			err = &refusal{s.name, fmt.Errorf("%w: this is part %d of %d of parcel %s, and %s is of parcel %s",
				ErrPart, c.Part, c.Parts, c.Set, parts[0].name, first.Set), "read one parcel at a time"}
			break
		}
	}
	if err == nil && len(parts) != first.Parts {
		var missing []string
		for k := 1; k <= first.Parts; k++ {
			if !slices.ContainsFunc(parts, func(s source) bool { return s.cover.Part == k }) {
				missing = append(missing, fmt.Sprint(k))
			}
		}
		noun, verb := "part", "is"
		if len(missing) > 1 {
			noun, verb = "parts", "are"
		}
		err = &refusal{parts[0].name, fmt.Errorf("%w: %s %s of %d %s missing", ErrPart, noun, list(missing), first.Parts, verb),
			"bring what is missing, and name all the parts at once"}
	}
	if err == nil {
		return parts, nil
	}
	// It may be that a cover is damaged.
	for _, s := range parts {
		if err := s.whole(); err != nil {
			return nil, err
		}
	}
	return nil, err
}

// list writes "1", "1 and 2", "1, 2 and 3", and no more than ten.
func list(s []string) string {
	switch n := len(s); {
	case n == 1:
		return s[0]
	case n > 10:
		return strings.Join(s[:10], ", ") + " and others"
	default:
		return strings.Join(s[:n-1], ", ") + " and " + s[n-1]
	}
}

// take reads a part, the next in order: its manifest, and its piece into the
// spool.
func (p *Parcel) take(ctx context.Context, s source) error {
	h := sha256.New()
	r := io.TeeReader(&until{ctx, io.NewSectionReader(s.at, 0, int64(coverSize)+s.cover.Size)}, h)
	_, err := io.CopyN(io.Discard, r, int64(coverSize))
	if err == nil {
		err = p.takeInside(s, r)
	}
	// A part that is not whole explains everything else.
	if _, err := io.Copy(io.Discard, r); err != nil {
		if ctx.Err() != nil {
			return ctx.Err()
		}
		return &refusal{s.name, fmt.Errorf("reading it: %w", err), nextCopy}
	}
	return cmp.Or(s.closes(h), err)
}

// until reads until its context ends.
type until struct {
	ctx context.Context
	r   io.Reader
}

func (u *until) Read(b []byte) (int, error) {
	if err := u.ctx.Err(); err != nil {
		return 0, err
	}
	return u.r.Read(b)
}

// takeInside reads what is in a part's cover.
func (p *Parcel) takeInside(s source, r io.Reader) error {
	refuse := func(err error, next string) error { return &refusal{s.name, err, next} }
	r, err := unseal(s, r, p.o.Keys)
	if err != nil {
		return err
	}
	m, err := inside(s, r)
	if err != nil {
		return err
	}
	k := s.cover.Part - 1
	if k == 0 {
		p.m = m // the others of the set differ from it in their time at most
	}
	if limit := p.o.limit(); m.Stream > limit {
		return refuse(fmt.Errorf("%w: it says that it unpacks to %d bytes, and %d are the most", ErrTooLarge, m.Stream, limit), "have it written in smaller portions")
	}
	piece := m.Pieces[k]
	h := sha256.New()
	n, err := io.Copy(io.MultiWriter(p.packed, h), io.LimitReader(r, piece.Size))
	if errors.Is(err, errSpool) {
		return refuse(err, "make room for it, or name another folder for temporary files")
	}
	if err != nil {
		return refuse(fmt.Errorf("%w: %w", ErrFlipped, err), nextCopy)
	}
	if n < piece.Size {
		return refuse(fmt.Errorf("%w: its piece has %d bytes of %d", ErrCut, n, piece.Size), nextWrite)
	}
	switch n, err := io.CopyN(io.Discard, r, 1); {
	case n > 0:
		return refuse(fmt.Errorf("%w: its piece has more than %d bytes", ErrTooLarge, piece.Size), nextWrite)
	case err != io.EOF:
		return refuse(fmt.Errorf("%w: %w", ErrFlipped, err), nextCopy)
	}
	if !bytes.Equal(h.Sum(nil), piece.Hash[:]) {
		for i, other := range m.Pieces {
			if bytes.Equal(h.Sum(nil), other.Hash[:]) {
				return refuse(fmt.Errorf("%w: it has the piece of part %d", ErrOrder, i+1), nextWrite)
			}
		}
		return refuse(fmt.Errorf("%w: its piece is not the one that was signed for", ErrFlipped), nextWrite)
	}
	return nil
}

// unseal opens an age file, if it is one.
func unseal(s source, r io.Reader, keys []age.Identity) (io.Reader, error) {
	if !s.cover.Sealed {
		return r, nil
	}
	if len(keys) == 0 {
		return nil, &refusal{s.name, ErrSealed, "give the key that it was sealed for"}
	}
	g := &gate{r: r, left: maxSealExtra}
	out, err := age.Decrypt(g, keys...)
	if none := new(age.NoIdentityMatchError); errors.As(err, &none) {
		return nil, &refusal{s.name, fmt.Errorf("%w for another key", ErrSealed), "give the key that it was sealed for, or have it sealed for yours"}
	}
	if err != nil {
		return nil, &refusal{s.name, fmt.Errorf("%w: its seal: %w", ErrFlipped, err), nextCopy}
	}
	g.left = s.cover.Size
	return out, nil
}

// A gate bounds what is read for a seal's header.
type gate struct {
	r    io.Reader
	left int64
}

func (g *gate) Read(b []byte) (int, error) {
	if g.left <= 0 {
		return 0, fmt.Errorf("%w: the seal's header", ErrTooLarge)
	}
	n, err := g.r.Read(b[:min(int64(len(b)), g.left)])
	g.left -= int64(n)
	return n, err
}

// inside reads a part's manifest and holds the cover against it.
func inside(s source, r io.Reader) (Manifest, error) {
	refuse := func(err error, next string) (Manifest, error) { return Manifest{}, &refusal{s.name, err, next} }
	var size [4]byte
	if _, err := io.ReadFull(r, size[:]); err != nil {
		return refuse(fmt.Errorf("%w: reading its manifest: %w", ErrFlipped, err), nextCopy)
	}
	n := binary.BigEndian.Uint32(size[:])
	if n > maxManifest {
		return refuse(fmt.Errorf("%w: its manifest would have %d bytes", ErrTooLarge, n), nextWrite)
	}
	b, err := io.ReadAll(io.LimitReader(r, int64(n)))
	if err != nil || len(b) < int(n) {
		return refuse(fmt.Errorf("%w: its manifest has %d bytes of %d: %w", ErrFlipped, len(b), n, errors.Join(err, io.ErrUnexpectedEOF)), nextCopy)
	}
	m, err := readManifest(b)
	if errors.Is(err, ErrNewer) {
		return refuse(err, "update this program")
	}
	if err != nil {
		return refuse(err, nextWrite)
	}
	set, err := m.Set()
	if err != nil {
		return refuse(err, nextWrite)
	}
	if c := s.cover; c.Set != set || c.Parts != len(m.Pieces) || c.Sealed != (m.Recipient != "") {
		return refuse(fmt.Errorf("%w: its cover and its manifest contradict each other", ErrPart), nextWrite)
	}
	return m, nil
}

// Manifest returns what the writer says is in it; it has been found to be so.
func (p *Parcel) Manifest() Manifest { return p.m }

// Set returns the parcel's name.
func (p *Parcel) Set() Set { return p.set }

// Close gives up the temporary copy.
func (p *Parcel) Close() error { return p.packed.remove() }

// Batches returns what is in the parcel.
func (p *Parcel) Batches() iter.Seq2[exchange.Batch, error] {
	return func(yield func(exchange.Batch, error) bool) {
		r, err := p.stream()
		if err != nil {
			yield(exchange.Batch{}, err)
			return
		}
		defer r.z.Close()
		for b, err := range exchange.NewFrameReader(r, journal.Identity{}).Batches() {
			if err != nil {
				err = r.explain(err)
			}
			if !yield(b, err) || err != nil {
				return
			}
		}
		// A later version may have put more after the end, which is passed
		// over; but it has to be as long as it was said to be.
		if _, err := io.Copy(io.Discard, r); err != nil {
			yield(exchange.Batch{}, r.explain(err))
		} else if r.left > 0 {
			yield(exchange.Batch{}, r.explain(fmt.Errorf("%w: it unpacks to %d bytes less than it says", ErrCut, r.left)))
		}
	}
}

// A stream unpacks a parcel, and no more of it than it says there is.
type stream struct {
	z    *zstd.Decoder
	left int64
	name string
}

func (p *Parcel) stream() (*stream, error) {
	z, err := zstd.NewReader(p.packed.section(0, p.packed.n), zstd.WithDecoderConcurrency(1),
		zstd.WithDecoderMaxWindow(maxWindow), zstd.WithDecoderLowmem(true))
	if err != nil {
		return nil, err
	}
	return &stream{z, p.m.Stream, p.name}, nil
}

func (s *stream) Read(b []byte) (int, error) {
	// One byte more than is left shows that there is more.
	n, err := s.z.Read(b[:min(int64(len(b)), s.left+1)])
	if s.left -= int64(n); s.left < 0 {
		return 0, fmt.Errorf("%w: it unpacks to more than it says", ErrTooLarge)
	}
	return n, err
}

// explain says what is wrong with a stream that is whole: its writer has made
// it so.
func (s *stream) explain(err error) error {
	switch {
	case errors.Is(err, ErrTooLarge), errors.Is(err, ErrCut):
	case errors.Is(err, zstd.ErrWindowSizeExceeded), errors.Is(err, zstd.ErrDecoderSizeExceeded):
		err = fmt.Errorf("%w: %w", ErrTooLarge, err)
	case errors.Is(err, io.ErrUnexpectedEOF):
		err = fmt.Errorf("%w: %w", ErrCut, err)
	}
	return &refusal{s.name, err, nextWrite}
}
