package parcel

import (
	"context"
	"crypto"
	"crypto/ed25519"
	"crypto/sha256"
	"errors"
	"fmt"
	"io"
	"iter"
	"slices"
	"time"

	"filippo.io/age"
	"github.com/klauspost/compress/zstd"

	"pinchrod/store/journal"
	"pinchrod/sync/exchange"
)

// Contents say what goes into a parcel.
type Contents struct {
	// Own: only the log of the book's own device, in full.
	Own bool
	// Reader is for whom it is, when it is not Own: what they may not read
	// goes as hashes, and logs that they are not shown do not go at all. Their
	// own log they have. The zero Reader is shown nothing.
	Reader exchange.Reader
	// From is the first page that goes, by device; page 1 where it is not
	// named. One past the log's end is right, and sends none.
	From map[journal.ID]uint64
}

// Options say how a parcel is written.
type Options struct {
	// Seal is an age X25519 recipient, "age1...", the only one who will be
	// able to read it. Empty: whoever holds the parcel can.
	Seal string
	// PartSize bounds each file; 0 makes one file of any size.
	PartSize int64
	// Replace lets another parcel of the same name go.
	Replace bool
	// Temp is where the packed stream is put together; the system's folder
	// for such when empty.
	Temp string
	// Progress, if set, is told how many pages are packed.
	Progress func(pages uint64)

	noSync bool // for tests, of many small parcels
}

// Written says what a parcel has become.
type Written struct {
	Manifest
	Set   Set
	Files []string // in order of the parts
	Kept  int      // of these, how many were there already, whole
	Size  int64    // of all of them
}

// Write writes a parcel: NAME.parcel, or NAME.1of3.parcel and so on, in name's
// folder. Each file is whole when it appears. Parts that are there already are
// checked and kept, so that a writing that was cut off goes on when it is
// called again with the same book; a file of that name that is no part of this
// parcel is [ErrExists].
//
// key is that of the book's own device.
func Write(ctx context.Context, name string, book exchange.Book, key crypto.Signer, now time.Time, c Contents, o Options) (Written, error) {
	self := book.Identity()
	var wants []exchange.Want
	if c.Own {
		c.Reader = exchange.Reader{Identity: self}
		wants = []exchange.Want{{Device: self.Device, From: 1}}
	} else {
		host := &exchange.Host{Book: book, Signer: key, Now: func() time.Time { return now }}
		s, err := host.Meet(ctx, c.Reader, exchange.Offer{Base: c.Reader.Identity.Head().Head}, none, nil)
		if err != nil {
			return Written{}, fmt.Errorf("writing a parcel: %w", err)
		}
		for _, l := range s.Logs {
			wants = append(wants, exchange.Want{Device: l.Head.Device, From: 1})
		}
	}
	for i, w := range wants {
		if from := c.From[w.Device]; from > 0 {
			wants[i].From = from
		}
	}
	d, err := gather(book, c.Reader, wants)
	if err != nil {
		return Written{}, fmt.Errorf("writing a parcel: %w", err)
	}
	d.key, d.now = key, now
	return d.write(ctx, name, o)
}

// none is no batches.
func none(func(exchange.Batch, error) bool) {}

// A draft is a parcel to be.
type draft struct {
	self    journal.Identity
	key     crypto.Signer
	now     time.Time
	logs    []Log // To and Full are what has been packed
	batches iter.Seq2[exchange.Batch, error]
	to      journal.ID
	answer  []byte
}

// gather takes logs from a book, as a reader may have them.
func gather(book exchange.Book, r exchange.Reader, wants []exchange.Want) (*draft, error) {
	ids, err := book.Devices()
	if err != nil {
		return nil, err
	}
	heads, err := book.Heads()
	if err != nil {
		return nil, err
	}
	d := &draft{self: book.Identity()}
	var logs []journal.Identity
	for _, w := range wants {
		i := slices.IndexFunc(ids, func(id journal.Identity) bool { return id.Device == w.Device })
		if i < 0 {
			return nil, fmt.Errorf("log of %s: %w", w.Device, exchange.ErrUnknown)
		}
		if last := heads[w.Device].Seq; w.From > last+1 {
			return nil, fmt.Errorf("log of %s: pages from %d, and it ends at %d: %w", w.Device, w.From, last, journal.ErrGap)
		}
		base, err := headAt(book, ids[i], w.From-1)
		if err != nil {
			return nil, err
		}
		d.logs, logs = append(d.logs, Log{Base: base, To: base.Seq}), append(logs, ids[i])
	}
	d.batches = func(yield func(exchange.Batch, error) bool) {
		for i, id := range logs {
			for b, err := range exchange.Batches(book, id, wants[i].From, r) {
				if !yield(b, err) || err != nil {
					return
				}
			}
		}
	}
	return d, nil
}

// headAt returns the head of a log in a book at a sequence; [journal.ErrGap]
// where the book cannot say.
func headAt(book exchange.Book, id journal.Identity, seq uint64) (journal.Head, error) {
	if seq == 0 {
		return id.Head().Head, nil
	}
	if h, err := book.SignedFrom(id.Device, seq); err == nil && h.Seq == seq {
		return h.Head, nil
	}
	chain := journal.NewChain(id.Head().Head)
	for r, err := range book.Scan(id.Device, 1) {
		if err != nil {
			return journal.Head{}, err
		}
		if r.Seq != chain.Head().Seq+1 {
			break
		}
		chain.AddHash(r.Hash)
		if r.Seq == seq {
			return chain.Head(), nil
		}
	}
	return journal.Head{}, fmt.Errorf("log of %s up to page %d: %w", id.Device, seq, journal.ErrGap)
}

// write packs a draft and writes its files.
func (d *draft) write(ctx context.Context, name string, o Options) (Written, error) {
	w, err := d.writeParts(ctx, name, o)
	if err != nil {
		return Written{}, fmt.Errorf("writing a parcel: %w", err)
	}
	return w, nil
}

func (d *draft) writeParts(ctx context.Context, name string, o Options) (Written, error) {
	if k, ok := d.key.Public().(ed25519.PublicKey); !ok || !k.Equal(d.self.Key) {
		return Written{}, errors.New("the key is not that of the book's device")
	}
	var to age.Recipient
	if o.Seal != "" {
		r, err := age.ParseX25519Recipient(o.Seal)
		if err != nil {
			return Written{}, fmt.Errorf("the key to seal it to: %w", err)
		}
		to, o.Seal = r, r.String()
	}
	packed := &spool{dir: o.Temp}
	defer packed.remove()
	m := Manifest{Writer: d.self, Time: d.now.UTC().Truncate(time.Millisecond), Recipient: o.Seal, For: d.to, answer: d.answer}
	var err error
	if m.Stream, err = d.pack(ctx, packed, MaxStream, o.Progress); err != nil {
		return Written{}, err
	}
	m.Logs = d.logs
	if err := m.cut(packed, o.PartSize); err != nil {
		return Written{}, err
	}
	signed, err := m.sign(d.key)
	if err != nil {
		return Written{}, err
	}
	return m.store(ctx, name, signed, packed, to, o)
}

// pack writes the frames, packed, to w, and returns how many bytes they are;
// no more than limit.
func (d *draft) pack(ctx context.Context, w io.Writer, limit int64, progress func(uint64)) (int64, error) {
	// One at a time, so that the same pages are packed to the same bytes. Slower
	// levels gain two bytes a page of twelve.
	z, err := zstd.NewWriter(w, zstd.WithEncoderConcurrency(1), zstd.WithEncoderLevel(zstd.SpeedFastest), zstd.WithWindowSize(writeWindow), zstd.WithZeroFrames(true))
	if err != nil {
		return 0, err
	}
	defer z.Close()
	stream := &counter{w: z}
	frames := exchange.NewWriter(stream)
	at, pages := 0, uint64(0)
	for b, err := range d.batches {
		if err == nil {
			err = ctx.Err()
		}
		if err != nil {
			return 0, err
		}
		for at < len(d.logs) && d.logs[at].Base.Device != b.Identity.Device {
			at++
		}
		switch {
		case at == len(d.logs):
			return 0, fmt.Errorf("packing the log of %s: %w", b.Identity.Device, exchange.ErrForeign)
		case len(b.Records) == 0 || b.Records[0].Seq != d.logs[at].To+1:
			return 0, fmt.Errorf("packing the log of %s: page %d does not come next: %w", b.Identity.Device, d.logs[at].To+1, journal.ErrGap)
		}
		if err := frames.Batch(b); err != nil {
			return 0, err
		}
		d.logs[at].add(b)
		if pages += uint64(len(b.Records)); progress != nil {
			progress(pages)
		}
		if stream.n > limit {
			break
		}
	}
	if err := errors.Join(frames.End(), frames.Flush(), z.Close()); err != nil {
		return 0, err
	}
	if stream.n > limit {
		return 0, fmt.Errorf("%w: more than %d MiB: write the logs from a later page on, or one at a time", ErrTooLarge, limit>>20)
	}
	return stream.n, nil
}

// add counts a batch that follows.
func (l *Log) add(b exchange.Batch) {
	l.To = b.Head.Seq
	for _, r := range b.Records {
		if r.Page != nil {
			l.Full++
		}
	}
}

// cut shares the packed stream out to parts of no more than size.
func (m *Manifest) cut(packed *spool, size int64) error {
	share := packed.n
	if size > 0 {
		for n := int64(1); ; {
			over, err := m.overhead(int(n), size)
			if err != nil {
				return err
			}
			if share = size - over; n == 1 && packed.n <= share {
				share = packed.n
				break
			}
			if share < size/2 {
				return fmt.Errorf("parts of %d bytes would be more table than pages: allow larger ones", size)
			}
			need := (packed.n + share - 1) / share
			if need > maxParts {
				return fmt.Errorf("%w: it would be %d parts of %d bytes, and %d are the most: allow larger ones", ErrTooLarge, need, size, maxParts)
			}
			if need <= n {
				break
			}
			n = need
		}
	}
	for at := int64(0); at < packed.n; at += share {
		p := Piece{Size: min(share, packed.n-at)}
		h := sha256.New()
		if _, err := io.Copy(h, packed.section(at, p.Size)); err != nil {
			return err
		}
		h.Sum(p.Hash[:0])
		m.Pieces = append(m.Pieces, p)
	}
	return nil
}

// overhead is what a part has beside its piece, when there are n parts, at most.
func (m *Manifest) overhead(n int, size int64) (int64, error) {
	full := *m
	full.Pieces = slices.Repeat([]Piece{{Size: size}}, n)
	w, err := full.wire()
	if err != nil {
		return 0, err
	}
	b, err := journal.Marshal(w)
	if err != nil {
		return 0, err
	}
	// 80 bytes: the signature's 64, and the heads of three CBOR items.
	over := int64(coverSize + 4 + len(b) + 80 + closingSize)
	if m.Recipient != "" {
		// The header of an age file for one X25519 recipient has 184 bytes,
		// its nonce 16, and each block of 64 KiB 16 more.
		over += 256 + 16*(size>>16+1)
	}
	return over, nil
}

// A counter counts what goes through.
type counter struct {
	w io.Writer
	n int64
}

func (c *counter) Write(b []byte) (int, error) {
	n, err := c.w.Write(b)
	c.n += int64(n)
	return n, err
}
