package parcel

import (
	"bytes"
	"crypto"
	"crypto/sha256"
	"encoding/binary"
	"errors"
	"io"
	"runtime"
	"slices"
	"strings"
	"testing"

	"filippo.io/age"
	"github.com/klauspost/compress/zstd"

	"pinchrod/store/journal"
	"pinchrod/store/storetest"
	"pinchrod/sync/exchange"
)

// A forgery is a parcel by somebody who has a key, and knows how it is done.
type forgery struct {
	writer *storetest.Peer
	stream []byte
	packed []byte // the stream, packed, when nil
	m      Manifest
}

// pack packs a stream.
func pack(t testing.TB, stream []byte) []byte {
	t.Helper()
	var b bytes.Buffer
	z, err := zstd.NewWriter(&b, zstd.WithEncoderConcurrency(1), zstd.WithEncoderLevel(zstd.SpeedFastest), zstd.WithWindowSize(writeWindow), zstd.WithZeroFrames(true))
	if err != nil {
		t.Fatal(err)
	}
	if _, err := z.Write(stream); err != nil {
		t.Fatal(err)
	}
	if err := z.Close(); err != nil {
		t.Fatal(err)
	}
	return b.Bytes()
}

// frames writes batches, and what ends them.
func frames(t testing.TB, batches ...exchange.Batch) []byte {
	t.Helper()
	var b bytes.Buffer
	w := exchange.NewWriter(&b)
	for _, x := range batches {
		if err := w.Batch(x); err != nil {
			t.Fatal(err)
		}
	}
	if err := errors.Join(w.End(), w.Flush()); err != nil {
		t.Fatal(err)
	}
	return b.Bytes()
}

func batch(p *storetest.Peer, from, to int) exchange.Batch {
	return exchange.Batch{Identity: p.ID, Records: p.Records[from-1 : to], Head: p.Heads[to]}
}

// forge begins with a good one: two logs, in two batches each.
func forge(t testing.TB) (f *forgery, a, b *storetest.Peer) {
	w, a, b := storetest.NewPeer(t, 9, 0), storetest.NewPeer(t, 1, 4), storetest.NewPeer(t, 2, 4)
	return &forgery{
		writer: w,
		stream: frames(t, batch(a, 1, 2), batch(a, 3, 4), batch(b, 1, 2), batch(b, 3, 4)),
		m:      Manifest{Writer: w.ID, Time: now, Logs: []Log{{a.Heads[0].Head, 4, 4}, {b.Heads[0].Head, 4, 4}}},
	}, a, b
}

// seal fills in what the manifest says of the stream.
func (f *forgery) close(t testing.TB, n int) {
	if f.packed == nil {
		f.packed = pack(t, f.stream)
		f.m.Stream = int64(len(f.stream))
	}
	share := (len(f.packed) + n - 1) / n
	f.m.Pieces = nil
	for p := range slices.Chunk(f.packed, share) {
		f.m.Pieces = append(f.m.Pieces, Piece{int64(len(p)), sha256.Sum256(p)})
	}
}

// part makes part k, from 0; change makes changes to its cover and manifest.
func (f *forgery) part(t testing.TB, k int, change func(*Cover, *[]byte)) []byte {
	t.Helper()
	signed, err := f.m.sign(f.writer.Key)
	if err != nil {
		t.Fatal(err)
	}
	set, err := f.m.Set()
	if err != nil {
		t.Fatal(err)
	}
	at := int64(0)
	for _, p := range f.m.Pieces[:k] {
		at += p.Size
	}
	c := Cover{Set: set, Part: k + 1, Parts: len(f.m.Pieces)}
	inside := slices.Concat(binary.BigEndian.AppendUint32(nil, uint32(len(signed))), signed, f.packed[at:at+f.m.Pieces[k].Size])
	c.Size = int64(len(inside))
	if change != nil {
		change(&c, &inside)
	}
	b := slices.Concat(c.encode(), inside)
	sum := sha256.Sum256(b)
	return append(b, sum[:]...)
}

func TestForged(t *testing.T) {
	t.Parallel()
	good, a, b := forge(t)
	good.close(t, 1)
	if out, err := try(t, newBook(t), ReadOptions{}, good.part(t, 0, nil)); err != nil || out.Added != 8 {
		t.Fatalf("%+v, %v", out, err)
	}
	withheld := exchange.Batch{Identity: a.ID, Records: a.Withheld(1, 2), Head: a.Heads[2]}
	broken := batch(a, 3, 4)
	broken.Records = []journal.Record{broken.Records[0], journal.NewRecord(4, append(bytes.Clone(broken.Records[1].Page[:len(broken.Records[1].Page)-1]), 'X'))}
	unsigned := batch(a, 3, 4)
	unsigned.Head.Signature[5] ^= 1
	forged := batch(a, 3, 4)
	forged.Head = a.Heads[3]
	stranger := batch(a, 1, 2)
	stranger.Identity.Signature[7] ^= 1
	state := []byte{6, 1, 0xa0} // a frame that belongs to a meeting
	empty, err := journal.Marshal(map[int]any{1: 5, 4: a.Heads[4].Hash[:], 5: a.Heads[4].Signature[:]})
	if err != nil {
		t.Fatal(err)
	}
	empty = slices.Concat([]byte{3, byte(len(empty))}, empty)
	end := func(s []byte) []byte { return s[:len(s)-3] }
	logFrame := bytes.Index(good.stream, frames(t, batch(a, 1, 2))[:2]) + 2 + 121 // kind, length, and body: an identity, as bytes
	for name, tc := range map[string]struct {
		forge func(f *forgery)
		want  error
	}{
		"batches in another order":    {func(f *forgery) { f.stream = frames(t, batch(a, 3, 4), batch(a, 1, 2), batch(b, 1, 4)) }, ErrOrder},
		"logs in another order":       {func(f *forgery) { f.stream = frames(t, batch(b, 1, 4), batch(a, 1, 4)) }, exchange.ErrProtocol},
		"a log that comes twice":      {func(f *forgery) { f.stream = frames(t, batch(a, 1, 4), batch(b, 1, 4), batch(a, 1, 4)) }, ErrOrder},
		"a batch that comes twice":    {func(f *forgery) { f.stream = frames(t, batch(a, 1, 4), batch(a, 1, 4), batch(b, 1, 4)) }, ErrOrder},
		"a batch that is missing":     {func(f *forgery) { f.stream = frames(t, batch(a, 1, 2), batch(b, 1, 4)) }, exchange.ErrProtocol},
		"a gap":                       {func(f *forgery) { f.stream = frames(t, batch(a, 1, 2), batch(a, 4, 4), batch(b, 1, 4)) }, ErrOrder},
		"a log that is missing":       {func(f *forgery) { f.stream = frames(t, batch(a, 1, 4)) }, exchange.ErrProtocol},
		"a log that is not listed":    {func(f *forgery) { f.m.Logs = f.m.Logs[:1] }, ErrOrder},
		"a log that is listed twice":  {func(f *forgery) { f.m.Logs[1] = f.m.Logs[0] }, journal.ErrInvalid},
		"pages that are withheld":     {func(f *forgery) { f.stream = frames(t, withheld, batch(a, 3, 4), batch(b, 1, 4)) }, exchange.ErrProtocol},
		"another page":                {func(f *forgery) { f.stream = frames(t, batch(a, 1, 2), broken, batch(b, 1, 4)) }, journal.ErrBroken},
		"another signature":           {func(f *forgery) { f.stream = frames(t, batch(a, 1, 2), unsigned, batch(b, 1, 4)) }, journal.ErrSignature},
		"another head":                {func(f *forgery) { f.stream = frames(t, batch(a, 1, 2), forged, batch(b, 1, 4)) }, journal.ErrSignature},
		"an unproved identity":        {func(f *forgery) { f.stream = frames(t, stranger, batch(b, 1, 4)) }, journal.ErrSignature},
		"another base":                {func(f *forgery) { f.m.Logs[0].Base.Hash[0] ^= 1 }, journal.ErrBroken},
		"a base within":               {func(f *forgery) { f.m.Logs[0].Base = a.Heads[1].Head; f.m.Logs[0].Full = 3 }, journal.ErrGap},
		"more pages than it says":     {func(f *forgery) { f.m.Logs[0].To, f.m.Logs[0].Full = 2, 2 }, exchange.ErrProtocol},
		"fewer pages than it says":    {func(f *forgery) { f.m.Logs[1].To = 9 }, exchange.ErrProtocol},
		"more in full than there are": {func(f *forgery) { f.m.Logs[0].Full = 5 }, journal.ErrInvalid},
		"an empty batch": {func(f *forgery) {
			f.stream = slices.Concat(end(frames(t, batch(a, 1, 4))), empty, frames(t, batch(b, 1, 4)))
		}, exchange.ErrProtocol},
		"no log announced":       {func(f *forgery) { f.stream = f.stream[logFrame:] }, ErrOrder},
		"no end":                 {func(f *forgery) { f.stream = end(f.stream) }, ErrCut},
		"an end that is cut":     {func(f *forgery) { f.stream = f.stream[:len(f.stream)-1] }, ErrCut},
		"nothing":                {func(f *forgery) { f.stream, f.m.Logs = nil, nil }, ErrCut},
		"another frame":          {func(f *forgery) { f.stream = slices.Concat(end(f.stream), state, []byte{4, 1, 0xa0}) }, exchange.ErrProtocol},
		"a frame without bounds": {func(f *forgery) { f.stream = slices.Concat(end(f.stream), []byte{3, 0xff, 0xff, 0xff, 0xff, 0x7f}) }, exchange.ErrProtocol},
		"no zstd":                {func(f *forgery) { f.m.Stream, f.packed = int64(len(f.stream)), f.stream }, zstd.ErrMagicMismatch},
		"a packed stream that is cut": {func(f *forgery) {
			p := pack(t, f.stream)
			f.m.Stream, f.packed = int64(len(f.stream)), p[:len(p)-5]
		}, ErrCut},
		"more after the packed stream": {func(f *forgery) {
			f.m.Stream, f.packed = int64(len(f.stream)), append(pack(t, f.stream), pack(t, []byte("more"))...)
		}, ErrTooLarge},
		"less than it says": {func(f *forgery) { f.m.Stream, f.packed = int64(len(f.stream))+1, pack(t, f.stream) }, ErrCut},
		"more than it says": {func(f *forgery) { f.m.Stream, f.packed = int64(len(f.stream))-1, pack(t, f.stream) }, ErrTooLarge},
		"more than any":     {func(f *forgery) { f.m.Stream, f.packed = MaxStream+1, pack(t, f.stream) }, ErrTooLarge},
		"pieces of nothing": {func(f *forgery) { f.m.Stream, f.m.Logs, f.packed = 0, nil, pack(t, f.stream) }, ErrTooLarge},
		"no recipient":      {func(f *forgery) { f.m.Recipient = "age1nobody" }, journal.ErrInvalid},
		"sealed, but open":  {func(f *forgery) { f.m.Recipient = sealKey(t).Recipient().String() }, ErrPart},
		"an answer to none": {func(f *forgery) { f.m.answer = []byte{1} }, journal.ErrInvalid},
		"no answer to one":  {func(f *forgery) { f.m.For = a.ID.Device }, journal.ErrInvalid},
		"another's name":    {func(f *forgery) { f.m.Writer = a.ID }, journal.ErrSignature},
		"an unproved name":  {func(f *forgery) { f.m.Writer.Signature[3] ^= 1 }, journal.ErrSignature},
	} {
		f, _, _ := forge(t)
		tc.forge(f)
		f.close(t, 1)
		book := newBook(t)
		check := unchanged(t, book)
		_, err := try(t, book, ReadOptions{}, f.part(t, 0, nil))
		if !errors.Is(err, tc.want) || err == nil {
			t.Errorf("%s: %v; want %v", name, err, tc.want)
		}
		check()
	}
}

func TestForgedParts(t *testing.T) {
	f, _, _ := forge(t)
	f.close(t, 3)
	other, _, _ := forge(t)
	other.m.Logs[1].To = 9 // signed, and another
	other.close(t, 3)
	one, two, three := f.part(t, 0, nil), f.part(t, 1, nil), f.part(t, 2, nil)
	if out, err := try(t, newBook(t), ReadOptions{}, three, one, two); err != nil || out.Added != 8 {
		t.Fatalf("%+v, %v", out, err)
	}
	piece := func(b []byte, k int) []byte {
		n := int(f.m.Pieces[k].Size)
		return bytes.Clone(b[len(b)-closingSize-n : len(b)-closingSize])
	}
	exchanged := func(k int, p []byte) []byte {
		return f.part(t, k, func(c *Cover, inside *[]byte) {
			keep := len(*inside) - int(f.m.Pieces[k].Size)
			*inside = append((*inside)[:keep:keep], p...)
			c.Size = int64(len(*inside))
		})
	}
	book := newBook(t)
	check := unchanged(t, book)
	for name, tc := range map[string]struct {
		parts [][]byte
		want  error
	}{
		"pieces exchanged": {[][]byte{exchanged(0, piece(two, 1)), exchanged(1, piece(one, 0)), three}, ErrOrder},
		"another piece":    {[][]byte{one, exchanged(1, bytes.Repeat([]byte{7}, int(f.m.Pieces[1].Size))), three}, ErrFlipped},
		"a shorter piece":  {[][]byte{one, exchanged(1, piece(two, 1)[1:]), three}, ErrCut},
		"a longer piece":   {[][]byte{one, exchanged(1, append(piece(two, 1), 0)), three}, ErrTooLarge},
		"covers exchanged": {[][]byte{f.part(t, 0, func(c *Cover, _ *[]byte) { c.Part = 2 }), f.part(t, 1, func(c *Cover, _ *[]byte) { c.Part = 1 }), three}, ErrOrder},
		"another's part under this set": {[][]byte{one, other.part(t, 1, func(c *Cover, _ *[]byte) {
			c.Set, _ = f.m.Set()
		}), three}, ErrPart},
		"another number of parts": {[][]byte{f.part(t, 0, func(c *Cover, _ *[]byte) { c.Parts = 1 })}, ErrPart},
		"part 0":                  {[][]byte{f.part(t, 0, func(c *Cover, _ *[]byte) { c.Part = 0 }), two, three}, ErrFlipped},
		"part 4 of 3":             {[][]byte{one, two, f.part(t, 2, func(c *Cover, _ *[]byte) { c.Part = 4 })}, ErrFlipped},
		"sealed, it says":         {[][]byte{f.part(t, 0, func(c *Cover, _ *[]byte) { c.Sealed = true })}, ErrPart},
		"a manifest of no size":   {[][]byte{f.part(t, 0, func(_ *Cover, b *[]byte) { copy(*b, "\xff\xff\xff\xff") }), two, three}, ErrTooLarge},
		"a manifest cut":          {[][]byte{f.part(t, 0, func(_ *Cover, b *[]byte) { copy(*b, "\x00\x0f\x00\x00") }), two, three}, ErrFlipped},
		"no room for a manifest":  {[][]byte{f.part(t, 0, func(c *Cover, b *[]byte) { c.Size, *b = 2, (*b)[:2] }), two, three}, ErrFlipped},
	} {
		if _, err := try(t, book, ReadOptions{}, tc.parts...); !errors.Is(err, tc.want) {
			t.Errorf("%s: %v; want %v", name, err, tc.want)
		}
	}
	check()
}

func TestNewer(t *testing.T) {
	f, _, _ := forge(t)
	f.close(t, 1)
	whole := f.part(t, 0, nil)
	book := newBook(t)
	check := unchanged(t, book)
	later := bytes.Clone(whole)
	later[len(magic)] = 2
	if _, err := try(t, book, ReadOptions{}, later); !errors.Is(err, ErrFlipped) {
		t.Errorf("a version by accident: %v", err)
	}
	sum := sha256.Sum256(later[:len(later)-closingSize])
	copy(later[len(later)-closingSize:], sum[:])
	if _, err := try(t, book, ReadOptions{}, later); !errors.Is(err, ErrNewer) {
		t.Errorf("a later version: %v", err)
	}
	// A body that says more, or is of another version.
	body := func(v uint64, more bool) []byte {
		w, err := f.m.wire()
		if err != nil {
			t.Fatal(err)
		}
		fields := map[int]any{1: v, 2: w.Writer, 3: w.Time, 4: w.Pieces, 5: w.Stream, 6: w.Logs}
		if more {
			fields[10] = "what comes"
		}
		b, err := journal.Marshal(fields)
		if err != nil {
			t.Fatal(err)
		}
		sig, err := f.writer.Key.Sign(nil, append([]byte(manifestDomain), b...), crypto.Hash(0))
		if err != nil {
			t.Fatal(err)
		}
		signed, err := journal.Marshal(wireSigned{Body: b, Signature: sig})
		if err != nil {
			t.Fatal(err)
		}
		return f.part(t, 0, func(c *Cover, inside *[]byte) {
			*inside = slices.Concat(binary.BigEndian.AppendUint32(nil, uint32(len(signed))), signed, f.packed)
			c.Size = int64(len(*inside))
		})
	}
	if _, err := try(t, book, ReadOptions{}, body(2, true)); !errors.Is(err, ErrNewer) {
		t.Errorf("a later manifest: %v", err)
	}
	check()
	if out, err := try(t, book, ReadOptions{}, body(1, true)); err != nil || out.Added != 8 {
		t.Errorf("a manifest that says more: %+v, %v", out, err)
	}
	f, _, _ = forge(t)
	f.stream = append(f.stream, "what a later version adds"...)
	f.close(t, 1)
	if out, err := try(t, newBook(t), ReadOptions{}, f.part(t, 0, nil)); err != nil || out.Added != 8 {
		t.Errorf("a stream that says more: %+v, %v", out, err)
	}
}

// TestBomb unpacks to much more than it is, or asks for much memory.
func TestBomb(t *testing.T) {
	f, _, _ := forge(t)
	long := func(n int64) []byte { // with zeros after its end
		var b bytes.Buffer
		z, err := zstd.NewWriter(&b, zstd.WithEncoderConcurrency(1), zstd.WithEncoderLevel(zstd.SpeedFastest))
		if err != nil {
			t.Fatal(err)
		}
		if _, err := io.CopyN(z, io.MultiReader(bytes.NewReader(f.stream), zero{}), n); err != nil {
			t.Fatal(err)
		}
		if err := z.Close(); err != nil {
			t.Fatal(err)
		}
		return b.Bytes()
	}
	// RFC 8878 section 3.1.1: magic; no checksum, no content size, not a single
	// segment; a window of 2^(10+17) bytes; then one last raw block of 1 byte.
	window := []byte{0x28, 0xb5, 0x2f, 0xfd, 0x00, 17 << 3, 1<<3 | 1, 0, 0, 4}
	for name, tc := range map[string]struct {
		packed []byte
		says   int64
		want   error
	}{
		"more than it says":   {long(64 << 20), 1 << 20, ErrTooLarge},
		"what it says":        {long(64 << 20), 64 << 20, nil},
		"a window of 128 MiB": {window, 1 << 10, ErrTooLarge},
	} {
		f, _, _ := forge(t)
		f.packed, f.m.Stream = tc.packed, tc.says
		f.close(t, 1)
		b := f.part(t, 0, nil)
		book := newBook(t)
		check := unchanged(t, book)
		if tc.want == nil {
			check = func() {}
		}
		var before, after runtime.MemStats
		runtime.ReadMemStats(&before)
		_, err := try(t, book, ReadOptions{}, b)
		runtime.ReadMemStats(&after)
		if !errors.Is(err, tc.want) {
			t.Errorf("%s: %v", name, err)
		}
		// The decoder holds a window and a block or two.
		if n := after.TotalAlloc - before.TotalAlloc; n > 24<<20 {
			t.Errorf("%s: it took %d MiB", name, n>>20)
		}
		check()
	}
}

type zero struct{}

func (zero) Read(b []byte) (int, error) { clear(b); return len(b), nil }

// A seal whose header does not end.
func TestSealWithoutEnd(t *testing.T) {
	b := []byte("age-encryption.org/v1\n")
	for len(b) < 1<<20 {
		b = append(b, "-> X25519 "+strings.Repeat("A", 43)+"\n"+strings.Repeat("A", 43)+"\n"...)
	}
	c := Cover{Part: 1, Parts: 1, Sealed: true, Size: int64(len(b))}
	b = append(c.encode(), b...)
	sum := sha256.Sum256(b)
	_, err := try(t, newBook(t), ReadOptions{Keys: []age.Identity{sealKey(t)}}, append(b, sum[:]...))
	if !errors.Is(err, ErrFlipped) || !errors.Is(err, ErrTooLarge) {
		t.Error(err)
	}
}
