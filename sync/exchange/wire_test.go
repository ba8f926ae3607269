package exchange

import (
	"bufio"
	"bytes"
	"crypto/ed25519"
	"encoding/binary"
	"errors"
	"fmt"
	"io"
	"io/fs"
	"slices"
	"strings"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"
	"pgregory.net/rapid"

	"pinchrod/store/journal"
)

// A pen signs batches without a book.
type pen struct {
	id  journal.Identity
	key ed25519.PrivateKey
}

func newPen(t testing.TB, seed byte) pen {
	t.Helper()
	key := ed25519.NewKeyFromSeed(bytes.Repeat([]byte{seed}, ed25519.SeedSize))
	id, err := journal.NewIdentity(journal.ID{1, seed}, key)
	if err != nil {
		t.Fatal(err)
	}
	return pen{id, key}
}

// batch makes pages 1 to n, every third of them withheld.
func (p pen) batch(t testing.TB, n int) Batch {
	t.Helper()
	b := Batch{Identity: p.id}
	chain := journal.NewChain(p.id.Head().Head)
	for i := range n {
		page, err := journal.Page{Device: p.id.Device, Seq: uint64(i + 1), Time: time.UnixMilli(1645557742000).UTC(), Payload: []byte{byte(i)}}.Encode()
		if err != nil {
			t.Fatal(err)
		}
		r := journal.NewRecord(uint64(i+1), page)
		chain.AddHash(r.Hash)
		if i%3 == 2 {
			r.Page = nil
		}
		b.Records = append(b.Records, r)
	}
	var err error
	if b.Head, err = journal.Sign(chain.Head(), p.key); err != nil {
		t.Fatal(err)
	}
	return b
}

// written is what a writer has written.
func written(t testing.TB, write func(*Writer) error) []byte {
	t.Helper()
	var out bytes.Buffer
	w := NewWriter(&out)
	if err := errors.Join(write(w), w.Flush()); err != nil {
		t.Fatal(err)
	}
	return out.Bytes()
}

// body takes one frame out of its head.
func body(t testing.TB, frame []byte, kind byte) []byte {
	t.Helper()
	r := NewFrameReader(bytes.NewReader(frame), journal.Identity{})
	k, b, err := r.next()
	if err != nil || k != kind {
		t.Fatalf("a frame of kind %d, %v; want %d", k, err, kind)
	}
	if _, _, err := r.next(); err != io.EOF {
		t.Fatalf("after the frame: %v", err)
	}
	return b
}

// TestRefusals has every refusal say the same on the other side.
func TestRefusals(t *testing.T) {
	device := journal.ID{1}
	have := journal.Head{Device: device, Seq: 7, Hash: journal.Hash{7}}
	gap := &GapError{Have: have}
	text := map[uint64]string{}
	for _, r := range refusals {
		if text[r.code] != "" || r.code == 0 {
			t.Errorf("code %d is there twice", r.code)
		}
		text[r.code] = r.err.Error()
		for name, err := range map[string]error{
			"plain":    r.err,
			"wrapped":  fmt.Errorf("/srv/hub/book: %w", r.err),
			"at page":  fmt.Errorf("/srv/hub/book: %w", &journal.BreakError{Device: device, Seq: 42, Err: r.err}),
			"with gap": errors.Join(gap, r.err),
		} {
			if name == "with gap" && r.code != 1 {
				continue
			}
			got := readRefusal(body(t, written(t, func(w *Writer) error { return w.refuse(err) }), kindRefusal), device)
			for _, other := range refusals {
				if want := other == r; errors.Is(got, other.err) != want {
					t.Errorf("code %d, %s: is %q: %v, want %v", r.code, name, other.err, !want, want)
				}
			}
			// What is wrong with a log is said without what the host's book says
			// beside it; what is wrong with a request is said in full.
			if told := strings.Contains(got.Error(), "/srv"); told != (name == "wrapped" && r.code >= 8) {
				t.Errorf("code %d, %s: tells the host's words: %v, in %v", r.code, name, told, got)
			}
			if name == "at page" && !strings.Contains(got.Error(), "42") {
				t.Errorf("code %d: does not say where: %v", r.code, got)
			}
			var at *GapError
			if errors.As(got, &at) != (name == "with gap") || at != nil && at.Have != have {
				t.Errorf("code %d, %s: %+v", r.code, name, at)
			}
		}
	}
	for code := range uint64(12) {
		if text[code+1] == "" {
			t.Errorf("no refusal has the code %d", code+1)
		}
	}
	for _, err := range []error{fs.ErrPermission, io.ErrUnexpectedEOF} {
		got := readRefusal(body(t, written(t, func(w *Writer) error { return w.refuse(fmt.Errorf("/srv/hub/book: %w", err)) }), kindRefusal), device)
		if !errors.Is(got, ErrRefused) || errors.Is(got, err) || strings.Contains(got.Error(), "/srv") {
			t.Errorf("the host's own trouble: %v", got)
		}
	}
	// What is damaged in the host's book is not said of what it was given.
	for _, r := range refusals {
		err := fmt.Errorf("/srv/hub/book: %w", &journal.BreakError{Device: device, Seq: 42, Err: fmt.Errorf("%w: %w", journal.ErrDamaged, r.err)})
		got := readRefusal(body(t, written(t, func(w *Writer) error { return w.refuse(err) }), kindRefusal), device)
		if !errors.Is(got, ErrDamaged) || r.err != ErrDamaged && errors.Is(got, r.err) || errors.Is(got, journal.ErrDamaged) || strings.Contains(got.Error(), "/srv") || strings.Contains(got.Error(), "42") {
			t.Errorf("damaged, code %d: %v", r.code, got)
		}
	}
	for _, x := range []wireRefusal{{Code: 99, Text: "closed on Sundays"}, {Code: 99}, {}} {
		b, err := journal.Marshal(x)
		if err != nil {
			t.Fatal(err)
		}
		if got := readRefusal(b, device); !errors.Is(got, ErrRefused) || !strings.Contains(got.Error(), x.Text) {
			t.Errorf("code %d: %v", x.Code, got)
		}
	}
}

// collect reads batches to their end.
func collect(r *FrameReader) (out []Batch, err error) {
	for b, err := range r.Batches() {
		if err != nil {
			return out, err
		}
		out = append(out, b)
	}
	return out, nil
}

func TestFrames(t *testing.T) {
	a, b := newPen(t, 1), newPen(t, 2)
	want := []Batch{a.batch(t, 3), a.batch(t, 1), b.batch(t, 1), a.batch(t, 1)}
	stream := written(t, func(w *Writer) error {
		for _, x := range want {
			if err := w.Batch(x); err != nil {
				return err
			}
		}
		return w.End()
	})
	got, err := collect(NewFrameReader(bytes.NewReader(stream), journal.Identity{}))
	if d := cmp.Diff(want, got); d != "" || err != nil {
		t.Error(err, d)
	}
	for n := range stream {
		r := &FrameReader{r: bufio.NewReaderSize(bytes.NewReader(stream[:n]), 512), limit: MaxFrame} // a small buffer, for speed
		got, err := collect(r)
		if !errors.Is(err, io.ErrUnexpectedEOF) {
			t.Fatalf("cut at byte %d: %v", n, err)
		}
		if d := cmp.Diff(want[:len(got)], got); d != "" && len(got) > 0 {
			t.Fatalf("cut at byte %d: %s", n, d)
		}
	}
	if err := NewWriter(io.Discard).Batch(Batch{Identity: a.id, Head: a.id.Head()}); !errors.Is(err, ErrProtocol) {
		t.Errorf("a batch without pages: %v", err)
	}
}

// TestNotFrames has bytes that are no frames of the protocol be refused.
func TestNotFrames(t *testing.T) {
	p := newPen(t, 1)
	good := p.batch(t, 3)
	frame := func(kind byte, v any) []byte {
		return written(t, func(w *Writer) error { return w.frame(kind, v) })
	}
	hash, sig := good.Head.Hash[:], good.Head.Signature[:]
	page, _ := journal.Marshal([]any{good.Records[0].Page})
	none, _ := journal.Marshal([]any{})
	withheld, _ := journal.Marshal([]any{[]byte{}})
	number, _ := journal.Marshal([]any{1})
	for name, b := range map[string][]byte{
		"a frame too large":    binary.AppendUvarint([]byte{kindBatch}, MaxFrame+1),
		"a length too long":    append([]byte{kindBatch}, bytes.Repeat([]byte{0xff}, 11)...),
		"an unknown kind":      frame(9, struct{}{}),
		"a state":              frame(kindState, struct{}{}),
		"not CBOR":             {kindBatch, 1, 0xff},
		"not a map":            frame(kindBatch, 1),
		"no head":              frame(kindBatch, wireBatch{First: 1, Pages: page, Signature: sig}),
		"a short signature":    frame(kindBatch, wireBatch{First: 1, Pages: page, Hash: hash, Signature: sig[1:]}),
		"page 0":               frame(kindBatch, wireBatch{Pages: page, Hash: hash, Signature: sig}),
		"past the last number": frame(kindBatch, wireBatch{First: 1<<64 - 1, Pages: page, Hash: hash, Signature: sig}),
		"no pages":             frame(kindBatch, wireBatch{First: 1, Pages: none, Hash: hash, Signature: sig}),
		"a hash missing":       frame(kindBatch, wireBatch{First: 1, Pages: withheld, Hash: hash, Signature: sig}),
		"a hash too many":      frame(kindBatch, wireBatch{First: 1, Pages: page, Hashes: hash, Hash: hash, Signature: sig}),
		"a hash cut short":     frame(kindBatch, wireBatch{First: 1, Pages: withheld, Hashes: hash[1:], Hash: hash, Signature: sig}),
		"pages that are none":  frame(kindBatch, wireBatch{First: 1, Pages: number, Hash: hash, Signature: sig}),
		"no list of pages":     frame(kindBatch, wireBatch{First: 1, Pages: wirePages{0xf6}, Hash: hash, Signature: sig}),
		"an identity":          frame(kindLog, []byte{0x80}),
	} {
		if got, err := collect(NewFrameReader(bytes.NewReader(b), p.id)); !errors.Is(err, ErrProtocol) || len(got) > 0 {
			t.Errorf("%s: %d batches, %v", name, len(got), err)
		}
	}
	for name, read := range map[string]error{
		"an offer of version 2": func() error { _, err := readOffer(marshal(t, wireOffer{Version: 2}), p.id.Device); return err }(),
		"wants of version 2":    func() error { _, err := readWants(marshal(t, wireWants{Version: 2, Wants: []wireWant{}})); return err }(),
		"a receipt of version 2": func() error {
			_, err := DecodeReceipt(marshal(t, wireReceipt{Version: 2, Signature: sig}))
			return err
		}(),
	} {
		if !errors.Is(read, ErrVersion) {
			t.Errorf("%s: %v", name, read)
		}
	}
	for name, read := range map[string]error{
		"a mark too short": func() error {
			_, err := readOffer(marshal(t, wireOffer{Version: 1, Seen: hash[:15]}), p.id.Device)
			return err
		}(),
		"a mark too long": func() error {
			_, err := readOffer(marshal(t, wireOffer{Version: 1, Seen: hash[:17]}), p.id.Device)
			return err
		}(),
		"a state of no mark": func() error {
			_, err := readState(marshal(t, wireState{Receipt: wireReceipt{Version: 1, Signature: sig}}))
			return err
		}(),
		"a short receipt": func() error {
			_, err := DecodeReceipt(marshal(t, wireReceipt{Version: 1, Signature: sig[1:]}))
			return err
		}(),
		"a receipt cut": func() error { _, err := DecodeReceipt(nil); return err }(),
	} {
		if !errors.Is(read, ErrProtocol) {
			t.Errorf("%s: %v", name, read)
		}
	}
}

func marshal(t testing.TB, v any) []byte {
	t.Helper()
	b, err := journal.Marshal(v)
	if err != nil {
		t.Fatal(err)
	}
	return b
}

// TestLaterKeys has a later version add keys to every map: they are passed
// over.
func TestLaterKeys(t *testing.T) {
	p := newPen(t, 1)
	x := p.batch(t, 1)
	later := func(fields map[int]any) []byte {
		fields[99] = "something new"
		return marshal(t, fields)
	}
	hash := x.Head.Hash[:]
	receipt := []any{1, p.id.Device, 3, hash, 1645557742000, x.Head.Signature[:]}
	if o, err := readOffer(later(map[int]any{1: 1, 2: 5, 3: hash}), p.id.Device); err != nil || o.Base.Seq != 5 || o.Base.Hash != x.Head.Hash {
		t.Errorf("offer %+v, %v", o, err)
	}
	if s, err := readState(later(map[int]any{1: receipt, 2: hash[:16], 7: 8})); err != nil || s.Receipt.Head.Seq != 3 || s.Own != 8 {
		t.Errorf("state %+v, %v", s, err)
	}
	if w, err := readWants(later(map[int]any{1: 1, 2: []any{[]any{p.id.Device, 4}}})); err != nil || !slices.Equal(w, []Want{{p.id.Device, 4}}) {
		t.Errorf("wants %+v, %v", w, err)
	}
	r := NewFrameReader(nil, p.id)
	if b, err := r.batch(later(map[int]any{1: 1, 2: [][]byte{x.Records[0].Page}, 4: hash, 5: x.Head.Signature[:]})); err != nil || cmp.Diff(b, x) != "" {
		t.Errorf("batch %+v, %v", b, err)
	}
	if err := readRefusal(later(map[int]any{1: 2}), p.id.Device); !errors.Is(err, journal.ErrFork) {
		t.Errorf("refusal %v", err)
	}
}

func anyID(t *rapid.T, label string) (id journal.ID) {
	copy(id[:], rapid.SliceOfN(rapid.Byte(), 16, 16).Draw(t, label))
	id[0] |= 1 // the zero ID names nothing
	return id
}

func anyHead(t *rapid.T, device journal.ID) journal.Head {
	h := journal.Head{Device: device, Seq: rapid.Uint64().Draw(t, "seq")}
	copy(h.Hash[:], rapid.SliceOfN(rapid.Byte(), 32, 32).Draw(t, "hash"))
	return h
}

func anyIDs(t *rapid.T, label string) (out []journal.ID) {
	for range rapid.IntRange(0, 3).Draw(t, label) {
		out = append(out, anyID(t, label))
	}
	return out
}

// TestRoundTrip has offers, states, wants and receipts come as they were sent.
func TestRoundTrip(t *testing.T) {
	rapid.Check(t, func(rt *rapid.T) {
		device := anyID(rt, "device")
		o := Offer{Base: anyHead(rt, device)}
		copy(o.Seen[:], rapid.SliceOfN(rapid.Byte(), 16, 16).Draw(rt, "seen"))
		if got, err := readOffer(body(t, written(t, func(w *Writer) error { return w.offer(o) }), kindOffer), device); err != nil || got != o {
			rt.Errorf("offer %+v, %v; want %+v", got, err, o)
		}
		s := State{
			Receipt: Receipt{Head: anyHead(rt, device), Time: time.UnixMilli(rapid.Int64().Draw(rt, "time")).UTC()},
			Own:     rapid.Uint64().Draw(rt, "own"), All: rapid.Bool().Draw(rt, "all"),
			Jobs: anyIDs(rt, "jobs"), Forgotten: anyIDs(rt, "forgotten"),
		}
		copy(s.Receipt.Signature[:], rapid.SliceOfN(rapid.Byte(), 64, 64).Draw(rt, "signature"))
		for range rapid.IntRange(0, 3).Draw(rt, "logs") {
			s.Logs = append(s.Logs, Standing{anyHead(rt, anyID(rt, "log")), rapid.Uint64().Draw(rt, "full")})
		}
		s.Mark = s.mark()
		if got, err := readState(body(t, written(t, func(w *Writer) error { return w.state(s) }), kindState)); err != nil || cmp.Diff(s, got) != "" {
			rt.Errorf("state %+v, %v; want %+v", got, err, s)
		} else if got.mark() != s.Mark {
			rt.Error("another mark")
		}
		var wants []Want
		for range rapid.IntRange(0, 4).Draw(rt, "wants") {
			wants = append(wants, Want{anyID(rt, "want"), rapid.Uint64().Draw(rt, "from")})
		}
		if got, err := readWants(body(t, written(t, func(w *Writer) error { return w.wants(wants) }), kindWants)); err != nil || !slices.Equal(got, wants) {
			rt.Errorf("wants %+v, %v; want %+v", got, err, wants)
		}
		b, err := s.Receipt.Encode()
		if err != nil {
			rt.Fatal(err)
		}
		if got, err := DecodeReceipt(b); err != nil || got != s.Receipt {
			rt.Errorf("receipt %+v, %v; want %+v", got, err, s.Receipt)
		}
	})
}

// TestMark has every part of a state count in its mark, but the receipt and
// the device's own pages.
func TestMark(t *testing.T) {
	id := func(c byte) journal.ID { return journal.ID{c} }
	base := State{
		All: false, Jobs: []journal.ID{id(1), id(2)}, Forgotten: []journal.ID{id(3)},
		Logs: []Standing{{journal.Head{Device: id(4), Seq: 5, Hash: journal.Hash{6}}, 4}, {journal.Head{Device: id(7), Seq: 8}, 0}},
	}
	seen := map[Mark]string{base.mark(): "the state itself"}
	for name, change := range map[string]func(*State){
		"all":               func(s *State) { s.All = true },
		"a job less":        func(s *State) { s.Jobs = s.Jobs[:1] },
		"a job moved":       func(s *State) { s.Jobs, s.Forgotten = s.Jobs[:1], append(s.Jobs[1:2:2], s.Forgotten...) },
		"another job":       func(s *State) { s.Jobs = []journal.ID{id(1), id(9)} },
		"a log less":        func(s *State) { s.Logs = s.Logs[:1] },
		"another seq":       func(s *State) { s.Logs = slices.Clone(s.Logs); s.Logs[0].Head.Seq++ },
		"another hash":      func(s *State) { s.Logs = slices.Clone(s.Logs); s.Logs[0].Head.Hash[31]++ },
		"another device":    func(s *State) { s.Logs = slices.Clone(s.Logs); s.Logs[0].Head.Device[15]++ },
		"more pages":        func(s *State) { s.Logs = slices.Clone(s.Logs); s.Logs[1].Full++ },
		"nothing forgotten": func(s *State) { s.Forgotten = nil },
	} {
		s := base
		change(&s)
		if other, ok := seen[s.mark()]; ok {
			t.Errorf("%s: the mark of %s", name, other)
		}
		seen[s.mark()] = name
	}
	same := base
	same.Own, same.Receipt.Head.Seq = 9, 9
	if same.mark() != base.mark() {
		t.Error("the mark depends on the device's own log")
	}
}

// fuzzed adds what is written, and a few bytes of it changed, to a target.
func fuzzed(f *testing.F, streams ...[]byte) {
	for _, s := range streams {
		f.Add(s)
		for _, at := range []int{0, 1, len(s) / 2, len(s) - 1} {
			b := bytes.Clone(s)
			b[at] ^= 0x41
			f.Add(b)
			f.Add(s[:at])
		}
	}
}

// FuzzFrameReader reads batches; those that are read are written and read
// again the same.
func FuzzFrameReader(f *testing.F) {
	a, b := newPen(f, 1), newPen(f, 2)
	fuzzed(f,
		written(f, func(w *Writer) error { return errors.Join(w.Batch(a.batch(f, 4)), w.Batch(b.batch(f, 1)), w.End()) }),
		written(f, func(w *Writer) error { return errors.Join(w.Log(b.id), w.End()) }),
		written(f, func(w *Writer) error { return w.refuse(&GapError{Have: a.id.Head().Head}) }))
	f.Fuzz(func(t *testing.T, in []byte) {
		got, _ := collect(NewFrameReader(bytes.NewReader(in), a.id))
		if len(got) == 0 {
			return
		}
		stream := written(t, func(w *Writer) error {
			for _, x := range got {
				// Two logs of one device are told apart by those who keep them.
				if err := errors.Join(w.Log(x.Identity), w.Batch(x)); err != nil {
					return err
				}
			}
			return w.End()
		})
		again, err := collect(NewFrameReader(bytes.NewReader(stream), journal.Identity{}))
		if d := cmp.Diff(got, again); d != "" || err != nil {
			t.Fatal(err, d)
		}
	})
}

// FuzzBatch reads the body of a batch.
func FuzzBatch(f *testing.F) {
	p := newPen(f, 1)
	one := func(n int) []byte {
		s := written(f, func(w *Writer) error { w.log = p.id.Device; return w.Batch(p.batch(f, n)) })
		return body(f, s, kindBatch)
	}
	fuzzed(f, one(1), one(3), one(7))
	f.Fuzz(func(t *testing.T, in []byte) {
		r := NewFrameReader(nil, p.id)
		x, err := r.batch(in)
		if err != nil {
			return
		}
		for i, rec := range x.Records {
			if rec.Seq != x.Records[0].Seq+uint64(i) || rec.Page != nil && journal.PageHash(rec.Page) != rec.Hash {
				t.Fatalf("record %d: %+v", i, rec)
			}
		}
		if x.Head.Seq != x.Records[len(x.Records)-1].Seq || x.Head.Device != p.id.Device {
			t.Fatalf("head %+v", x.Head)
		}
	})
}

// FuzzBodies reads the small frames; what is read is written and read again
// the same.
func FuzzBodies(f *testing.F) {
	p := newPen(f, 1)
	r, err := SignReceipt(p.batch(f, 2).Head.Head, time.UnixMilli(1645557742000), p.key)
	if err != nil {
		f.Fatal(err)
	}
	s := State{
		Receipt: r, Own: 2, Jobs: []journal.ID{{1}}, Forgotten: []journal.ID{{2}},
		Logs: []Standing{{Head: journal.Head{Device: journal.ID{3}, Seq: 4}, Full: 1}},
	}
	s.Mark = s.mark()
	receipt, err := r.Encode()
	if err != nil {
		f.Fatal(err)
	}
	fuzzed(f, receipt,
		body(f, written(f, func(w *Writer) error { return w.offer(Offer{Base: p.id.Head().Head, Seen: s.Mark}) }), kindOffer),
		body(f, written(f, func(w *Writer) error { return w.state(s) }), kindState),
		body(f, written(f, func(w *Writer) error { return w.wants([]Want{{p.id.Device, 1}, {journal.ID{2}, 300}}) }), kindWants),
		body(f, written(f, func(w *Writer) error { return w.refuse(&GapError{}) }), kindRefusal))
	device := p.id.Device
	f.Fuzz(func(t *testing.T, in []byte) {
		if x, err := readOffer(in, device); err == nil {
			b := body(t, written(t, func(w *Writer) error { return w.offer(x) }), kindOffer)
			if y, err := readOffer(b, device); err != nil || x != y {
				t.Fatalf("offer %+v, then %+v, %v", x, y, err)
			}
		}
		if x, err := readState(in); err == nil {
			b := body(t, written(t, func(w *Writer) error { return w.state(x) }), kindState)
			if y, err := readState(b); err != nil || x.mark() != y.mark() || x.Receipt != y.Receipt || x.Own != y.Own {
				t.Fatalf("state %+v, then %+v, %v", x, y, err)
			}
		}
		if x, err := readWants(in); err == nil {
			b := body(t, written(t, func(w *Writer) error { return w.wants(x) }), kindWants)
			if y, err := readWants(b); err != nil || !slices.Equal(x, y) {
				t.Fatalf("wants %+v, then %+v, %v", x, y, err)
			}
		}
		if x, err := DecodeReceipt(in); err == nil {
			b, err := x.Encode()
			if err != nil || !bytes.Equal(b, in) {
				t.Fatalf("receipt %x, %v", b, err)
			}
		}
		if err := readRefusal(in, device); err == nil {
			t.Fatal("a refusal is no error")
		}
	})
}
