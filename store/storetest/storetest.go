// Package storetest has what tests of and on stores share: a store that
// verifies itself when the test ends, and the suite that every store passes.
package storetest

import (
	"bytes"
	"crypto/ed25519"
	"crypto/sha256"
	"encoding/binary"
	"errors"
	"fmt"
	"iter"
	"math/rand/v2"
	"path/filepath"
	"strings"
	"sync"
	"sync/atomic"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"

	"pinchrod/store"
	"pinchrod/store/journal"
)

// made counts the stores of each test, so that no two have one device.
var made sync.Map // test name -> *atomic.Uint64

// Options returns options with a clock that starts on 2022-02-22 and goes on a
// second at every look, and random bytes that follow from the test's name: ids
// and keys that differ between calls, and are the same on every run.
func Options(t testing.TB) store.Options {
	n, _ := made.LoadOrStore(t.Name(), new(atomic.Uint64))
	seed := sha256.Sum256(fmt.Appendf(nil, "%s %d", t.Name(), n.(*atomic.Uint64).Add(1)))
	start := time.Date(2022, 2, 22, 14, 22, 22, 0, time.FixedZone("", -5*60*60))
	var looks atomic.Int64
	return store.Options{
		Now:  func() time.Time { return start.Add(time.Duration(looks.Add(1)) * time.Second) },
		Rand: rand.NewChaCha8(seed),
	}
}

// New creates a store in a folder of the test's. When the test ends, the whole
// log is verified, and the store closed.
func New(t testing.TB, o store.Options) *store.Store {
	t.Helper()
	s, err := store.Create(filepath.Join(t.TempDir(), "book"), o)
	if err != nil {
		t.Fatal(err)
	}
	return Check(t, s)
}

// Check has an open store verified and closed when the test ends.
func Check(t testing.TB, s *store.Store) *store.Store {
	t.Helper()
	t.Cleanup(func() {
		if _, err := s.Verify(); err != nil && !errors.Is(err, store.ErrClosed) {
			t.Errorf("at the test's end: %v", err)
		}
		if err := s.Close(); err != nil {
			t.Error(err)
		}
	})
	return s
}

// Records collects a device's records.
func Records(t testing.TB, s *store.Store, device journal.ID, from uint64) []journal.Record {
	t.Helper()
	var out []journal.Record
	for r, err := range s.Scan(device, from) {
		if err != nil {
			t.Fatal(err)
		}
		out = append(out, r)
	}
	return out
}

// A Projection is a projector for tests: it keeps a count of pages, and the
// payload of each under its place.
type Projection struct{ V uint32 }

// Version returns V.
func (p Projection) Version() uint32 { return p.V }

// Project keeps the page.
func (p Projection) Project(kv store.KV, page journal.Page) error {
	key := append([]byte{'p'}, page.Device[:]...)
	key = binary.BigEndian.AppendUint64(key, page.Seq)
	if err := kv.Put(key, page.Payload); err != nil {
		return err
	}
	n := uint64(0)
	if b := kv.Get([]byte("count")); b != nil {
		n = binary.BigEndian.Uint64(b)
	}
	return kv.Put([]byte("count"), binary.BigEndian.AppendUint64(nil, n+1))
}

// Count returns the projection's count of pages.
func Count(t testing.TB, s *store.Store) (n uint64) {
	t.Helper()
	err := s.View(func(kv store.KV) error {
		if b := kv.Get([]byte("count")); b != nil {
			n = binary.BigEndian.Uint64(b)
		}
		return nil
	})
	if err != nil {
		t.Fatal(err)
	}
	return n
}

// Drafts makes n drafts with payloads that differ.
func Drafts(r *rand.Rand, n int) []store.Draft {
	out := make([]store.Draft, n)
	for i := range out {
		p := make([]byte, 40+r.IntN(200))
		for j := range p {
			p[j] = byte(r.Uint32())
		}
		out[i].Payload = p
		if r.IntN(2) == 0 {
			out[i].Job = journal.ID{1, byte(r.IntN(3))}
		}
	}
	return out
}

// Peer is a device without a store, for what it signs.
type Peer struct {
	ID      journal.Identity
	Key     ed25519.PrivateKey
	Records []journal.Record
	Heads   []journal.SignedHead // Heads[n] after n records
}

// NewPeer makes a device with n pages, each signed.
func NewPeer(t testing.TB, seed byte, n int) *Peer {
	t.Helper()
	key := ed25519.NewKeyFromSeed(bytes.Repeat([]byte{seed}, ed25519.SeedSize))
	device, err := journal.NewID(time.UnixMilli(1645557742000), rand.NewChaCha8([32]byte{seed, 1}))
	if err != nil {
		t.Fatal(err)
	}
	id, err := journal.NewIdentity(device, key)
	if err != nil {
		t.Fatal(err)
	}
	p := &Peer{ID: id, Key: key, Heads: []journal.SignedHead{id.Head()}}
	for i := range n {
		p.Write(t, fmt.Sprintf("page %d of peer %d", i+1, seed))
	}
	return p
}

// Write adds a page of no job.
func (p *Peer) Write(t testing.TB, payload string) {
	t.Helper()
	p.WriteMany(t, 1, journal.ID{}, payload)
}

// WriteMany adds n pages of a job, with one payload, each signed.
func (p *Peer) WriteMany(t testing.TB, n int, job journal.ID, payload string) {
	t.Helper()
	for range n {
		chain := journal.NewChain(p.Heads[len(p.Records)].Head)
		seq := chain.Head().Seq + 1
		b, err := journal.Page{
			Device: p.ID.Device, Seq: seq, Time: time.UnixMilli(1645557742000 + int64(seq)).UTC(), Job: job, Payload: []byte(payload),
		}.Encode()
		if err != nil {
			t.Fatal(err)
		}
		r := journal.NewRecord(seq, b)
		if err := chain.Add(r); err != nil {
			t.Fatal(err)
		}
		h, err := journal.Sign(chain.Head(), p.Key)
		if err != nil {
			t.Fatal(err)
		}
		p.Records, p.Heads = append(p.Records, r), append(p.Heads, h)
	}
}

// Fork returns a peer with the same device and key, and the first n pages.
func (p *Peer) Fork(n int) *Peer {
	return &Peer{p.ID, p.Key, append([]journal.Record(nil), p.Records[:n]...), append([]journal.SignedHead(nil), p.Heads[:n+1]...)}
}

// Offer gives a store the peer's pages from one to another.
func (p *Peer) Offer(s *store.Store, from, to int) (journal.Taken, error) {
	return s.Ingest(p.ID, p.Records[from-1:to], p.Heads[to])
}

// Withheld returns the pages from one to another as hashes only.
func (p *Peer) Withheld(from, to int) []journal.Record {
	out := append([]journal.Record(nil), p.Records[from-1:to]...)
	for i := range out {
		out[i].Page = nil
	}
	return out
}

// Run is the suite every store passes. open makes an empty store with a
// [Projection], and has it checked by Check or New.
func Run(t *testing.T, open func(t *testing.T) *store.Store) {
	t.Run("append and scan", func(t *testing.T) { testAppend(t, open(t)) })
	t.Run("all or nothing", func(t *testing.T) { testAllOrNothing(t, open(t)) })
	t.Run("scan leaves no transaction", func(t *testing.T) { testScanWrites(t, open(t)) })
	t.Run("own copies", func(t *testing.T) { testCopies(t, open(t)) })
	t.Run("projection", func(t *testing.T) { testProjection(t, open(t)) })
	t.Run("ingest", func(t *testing.T) { testIngest(t, open(t)) })
	t.Run("ingest refused", func(t *testing.T) { testIngestRefused(t, open(t)) })
	t.Run("fork", func(t *testing.T) { testFork(t, open(t)) })
	t.Run("margin", func(t *testing.T) { testMargin(t, open(t)) })
	t.Run("jobs", func(t *testing.T) { testJobs(t, open(t)) })
	t.Run("forget", func(t *testing.T) { testForget(t, open(t)) })
	t.Run("closed", func(t *testing.T) { testClosed(t, open(t)) })
}

func testAppend(t *testing.T, s *store.Store) {
	job := journal.ID{7}
	first, err := s.Append(store.Draft{Job: job, Payload: []byte("one")})
	if err != nil {
		t.Fatal(err)
	}
	second, err := s.Append(store.Draft{Payload: []byte("two")}, store.Draft{Job: job})
	if err != nil {
		t.Fatal(err)
	}
	pages := append(first.Pages, second.Pages...)
	if len(pages) != 3 {
		t.Fatalf("%d pages, want 3", len(pages))
	}
	chain := journal.NewChain(s.Identity().Head().Head)
	for i, r := range Records(t, s, s.Device(), 0) {
		if err := chain.Add(r); err != nil {
			t.Fatal(err)
		}
		got, err := r.Decode()
		if err != nil {
			t.Fatal(err)
		}
		want := pages[i]
		if want.Payload == nil {
			want.Payload = []byte{}
		}
		if d := cmp.Diff(want, got); d != "" {
			t.Errorf("page %d: %s", i+1, d)
		}
		if got.Seq != uint64(i+1) || got.Device != s.Device() {
			t.Errorf("page %d says it is %s-%d", i+1, got.Device, got.Seq)
		}
		if got, err := s.Page(s.Device(), got.Seq); err != nil || !cmp.Equal(got, want) {
			t.Errorf("Page(%d) = %v, %v", i+1, got, err)
		}
	}
	if err := chain.Close(second.Head, s.Identity().Key); err != nil {
		t.Error(err)
	}
	heads, err := s.Heads()
	if err != nil {
		t.Fatal(err)
	}
	if d := cmp.Diff(map[journal.ID]journal.SignedHead{s.Device(): second.Head}, heads); d != "" {
		t.Error(d)
	}
	for seq, want := range []journal.SignedHead{s.Identity().Head(), first.Head, second.Head, second.Head} {
		if got, err := s.SignedFrom(s.Device(), uint64(seq)); err != nil || got != want {
			t.Errorf("SignedFrom(%d) = head %d, %v; want head %d", seq, got.Seq, err, want.Seq)
		}
	}
	if _, err := s.SignedFrom(s.Device(), 4); !errors.Is(err, store.ErrNoPage) {
		t.Errorf("SignedFrom past the end: %v", err)
	}
	if got := Records(t, s, s.Device(), 3); len(got) != 1 || got[0].Seq != 3 {
		t.Errorf("scan from 3: %v", got)
	}
	if got := Records(t, s, journal.ID{9}, 1); len(got) != 0 {
		t.Errorf("scan of an unknown device: %v", got)
	}
	for _, seq := range []uint64{0, 4} {
		if p, err := s.Page(s.Device(), seq); !errors.Is(err, store.ErrNoPage) {
			t.Errorf("Page(%d) = %v, %v", seq, p, err)
		}
	}
	if r, err := s.Append(); err != nil || r.Head != second.Head {
		t.Errorf("appending nothing: head %d, %v", r.Head.Seq, err)
	}
}

func testAllOrNothing(t *testing.T, s *store.Store) {
	big := store.Draft{Payload: make([]byte, journal.MaxPayload+1)}
	if _, err := s.Append(store.Draft{Payload: []byte("fits")}, big); !errors.Is(err, journal.ErrInvalid) {
		t.Errorf("too large a page: %v", err)
	}
	if got := Records(t, s, s.Device(), 1); len(got) != 0 {
		t.Errorf("%d pages were kept", len(got))
	}
	if n := Count(t, s); n != 0 {
		t.Errorf("the projection has %d pages", n)
	}
	if r, err := s.Append(store.Draft{}); err != nil || r.Head.Seq != 1 {
		t.Errorf("afterwards: head %d, %v", r.Head.Seq, err)
	}
}

func testScanWrites(t *testing.T, s *store.Store) {
	r := rand.New(rand.NewPCG(1, 2))
	if _, err := s.Append(Drafts(r, 600)...); err != nil {
		t.Fatal(err)
	}
	n := 0
	for rec, err := range s.Scan(s.Device(), 1) {
		if err != nil {
			t.Fatal(err)
		}
		n++
		if rec.Seq%200 == 0 && rec.Seq <= 600 { // what is appended while scanning is met too
			if _, err := s.Append(Drafts(r, 1)...); err != nil {
				t.Fatal(err)
			}
		}
	}
	if n != 603 {
		t.Errorf("met %d pages, want 603", n)
	}
	for range s.Scan(s.Device(), 1) {
		break
	}
}

// What a store returns does not change when the store does, and a store does
// not change when what it was given does.
func testCopies(t *testing.T, s *store.Store) {
	given := []byte("as it was")
	if _, err := s.Append(store.Draft{Payload: given}); err != nil {
		t.Fatal(err)
	}
	copy(given, "CHANGED!!")
	recs := Records(t, s, s.Device(), 1)
	before := bytes.Clone(recs[0].Page)
	r := rand.New(rand.NewPCG(3, 4))
	for range 50 {
		if _, err := s.Append(Drafts(r, 20)...); err != nil {
			t.Fatal(err)
		}
	}
	if !bytes.Equal(recs[0].Page, before) {
		t.Error("a record changed after it was returned")
	}
	recs[0].Page[len(before)-1] ^= 1
	p, err := s.Page(s.Device(), 1)
	if err != nil || string(p.Payload) != "as it was" {
		t.Errorf("payload %q, %v", p.Payload, err)
	}
}

func keys(seq iter.Seq2[[]byte, []byte]) (out []string) {
	for k, v := range seq {
		out = append(out, string(k)+"="+string(v))
	}
	return out
}

func testProjection(t *testing.T, s *store.Store) {
	for _, p := range []string{"a", "", "c"} {
		if _, err := s.Append(store.Draft{Payload: []byte(p)}); err != nil {
			t.Fatal(err)
		}
	}
	if n := Count(t, s); n != 3 {
		t.Errorf("count %d, want 3", n)
	}
	place := func(seq byte) string {
		d := s.Device()
		return "p" + string(d[:]) + "\x00\x00\x00\x00\x00\x00\x00" + string(seq)
	}
	check := func() {
		t.Helper()
		err := s.View(func(kv store.KV) error {
			if got, want := keys(kv.Scan([]byte("p"))), []string{place(1) + "=a", place(2) + "=", place(3) + "=c"}; !cmp.Equal(got, want) {
				t.Errorf("scan: %q, want %q", got, want)
			}
			for range kv.Scan(nil) {
				break
			}
			if v := kv.Get([]byte("none")); v != nil {
				t.Errorf("a missing key has %q", v)
			}
			if v := kv.Get([]byte(place(2))); v == nil || len(v) != 0 {
				t.Errorf("an empty value comes as %v", v)
			}
			if err := kv.Put([]byte("x"), nil); !errors.Is(err, store.ErrReadOnly) {
				t.Errorf("Put in View: %v", err)
			}
			if err := kv.Delete([]byte("x")); !errors.Is(err, store.ErrReadOnly) {
				t.Errorf("Delete in View: %v", err)
			}
			return nil
		})
		if err != nil {
			t.Error(err)
		}
	}
	check()
	if err := s.Rebuild(); err != nil {
		t.Fatal(err)
	}
	check()
	own := errors.New("the caller's")
	if err := s.View(func(store.KV) error { return own }); err != own {
		t.Errorf("View returned %v", err)
	}
	func() {
		defer func() {
			if r := recover(); r != own {
				t.Errorf("a panic of the caller's came as %v", r)
			}
		}()
		_ = s.View(func(store.KV) error { panic(own) })
	}()
	check() // and the store is none the worse
}

func testIngest(t *testing.T, s *store.Store) {
	if _, err := s.Append(store.Draft{Payload: []byte("own")}); err != nil {
		t.Fatal(err)
	}
	p := NewPeer(t, 1, 9)
	offer := func(want journal.Taken, recs []journal.Record, head journal.SignedHead) {
		t.Helper()
		if got, err := s.Ingest(p.ID, recs, head); err != nil || got != want {
			t.Errorf("taken %+v, %v; want %+v", got, err, want)
		}
	}
	offer(journal.Taken{}, nil, p.Heads[0])
	offer(journal.Taken{Added: 3}, p.Records[:3], p.Heads[3])
	offer(journal.Taken{Known: 3}, p.Records[:3], p.Heads[3])
	offer(journal.Taken{Known: 1, Added: 2}, p.Records[2:5], p.Heads[5])
	offer(journal.Taken{Added: 2}, p.Withheld(6, 7), p.Heads[7])
	offer(journal.Taken{Known: 7}, p.Withheld(1, 7), p.Heads[7])
	offer(journal.Taken{}, nil, p.Heads[4])
	if n := Count(t, s); n != 6 {
		t.Errorf("the projection has %d pages, want 6", n)
	}
	if _, err := s.Page(p.ID.Device, 6); !errors.Is(err, journal.ErrWithheld) {
		t.Errorf("page 6: %v, want withheld", err)
	}
	offer(journal.Taken{Filled: 2, Added: 1}, p.Records[5:8], p.Heads[8])
	if n := Count(t, s); n != 9 {
		t.Errorf("the projection has %d pages, want 9", n)
	}
	if d := cmp.Diff(p.Records[:8], Records(t, s, p.ID.Device, 1)); d != "" {
		t.Error(d)
	}
	ids, err := s.Devices()
	if err != nil || len(ids) != 2 {
		t.Errorf("devices %v, %v", ids, err)
	}
	rep, err := s.Verify()
	if err != nil || len(rep.Logs) != 2 {
		t.Fatalf("%+v, %v", rep, err)
	}
	// A head that falls in the middle of what came as one batch is not kept.
	for _, l := range rep.Logs {
		if want := 4; !l.Own && (l.Heads != want || l.Pages != 8 || l.Withheld != 0) {
			t.Errorf("report %+v, want %d heads, 8 pages", l, want)
		}
	}
	// The device's own pages, come back from elsewhere.
	h, err := s.SignedFrom(s.Device(), 1)
	if err != nil {
		t.Fatal(err)
	}
	if got, err := s.Ingest(s.Identity(), Records(t, s, s.Device(), 1), h); err != nil || got != (journal.Taken{Known: 1}) {
		t.Errorf("own pages: %+v, %v", got, err)
	}
	// A page only a newer version can read is kept, and not projected.
	b, err := journal.Marshal([]any{2, p.ID.Device, 9, "what comes"})
	if err != nil {
		t.Fatal(err)
	}
	newer := journal.NewRecord(9, b)
	chain := journal.NewChain(p.Heads[8].Head)
	if err := chain.Add(newer); err != nil {
		t.Fatal(err)
	}
	if h, err = journal.Sign(chain.Head(), p.Key); err != nil {
		t.Fatal(err)
	}
	offer(journal.Taken{Added: 1}, []journal.Record{newer}, h)
	if n := Count(t, s); n != 9 {
		t.Errorf("the projection has %d pages, want 9", n)
	}
	if err := s.Rebuild(); err != nil {
		t.Error(err)
	}
	if _, err := s.Page(p.ID.Device, 9); !errors.Is(err, journal.ErrNewer) {
		t.Errorf("page 9: %v", err)
	}
}

func testIngestRefused(t *testing.T, s *store.Store) {
	p, other := NewPeer(t, 1, 6), NewPeer(t, 2, 6)
	if _, err := p.Offer(s, 1, 3); err != nil {
		t.Fatal(err)
	}
	flipped := append([]journal.Record(nil), p.Records...)
	flipped[4].Page = bytes.Clone(flipped[4].Page)
	flipped[4].Page[len(flipped[4].Page)-1] ^= 1
	rehashed := append([]journal.Record(nil), p.Records...)
	rehashed[4] = journal.NewRecord(5, flipped[4].Page)
	impostor := p.ID
	impostor.Key = other.ID.Key
	rekeyed, err := journal.NewIdentity(p.ID.Device, other.Key)
	if err != nil {
		t.Fatal(err)
	}
	rekeyedHead, err := journal.Sign(p.Heads[6].Head, other.Key)
	if err != nil {
		t.Fatal(err)
	}
	forged, err := journal.Sign(p.Heads[6].Head, other.Key)
	if err != nil {
		t.Fatal(err)
	}
	for name, tc := range map[string]struct {
		id   journal.Identity
		recs []journal.Record
		head journal.SignedHead
		want error
	}{
		"a gap":              {p.ID, p.Records[4:], p.Heads[6], journal.ErrGap},
		"a head alone":       {p.ID, nil, p.Heads[5], journal.ErrGap},
		"flipped byte":       {p.ID, flipped[3:], p.Heads[6], journal.ErrBroken},
		"another page":       {p.ID, rehashed[3:], p.Heads[6], journal.ErrBroken},
		"out of order":       {p.ID, []journal.Record{p.Records[3], p.Records[5]}, p.Heads[6], journal.ErrBroken},
		"page 0":             {p.ID, []journal.Record{{}}, p.Heads[6], journal.ErrBroken},
		"another's head":     {p.ID, p.Records[3:], other.Heads[6], journal.ErrSignature},
		"forged head":        {p.ID, p.Records[3:], forged, journal.ErrSignature},
		"no signature":       {p.ID, p.Records[3:], journal.SignedHead{Head: p.Heads[6].Head}, journal.ErrUnsigned},
		"more than signed":   {p.ID, p.Records[3:], p.Heads[5], journal.ErrUnsigned},
		"less than signed":   {p.ID, p.Records[3:5], p.Heads[6], journal.ErrBroken},
		"unproved identity":  {impostor, p.Records[3:], p.Heads[6], journal.ErrSignature},
		"another key":        {rekeyed, p.Records[3:], rekeyedHead, journal.ErrSignature},
		"new, from middle":   {other.ID, other.Records[2:], other.Heads[6], journal.ErrGap},
		"another's identity": {other.ID, p.Records[3:], p.Heads[6], journal.ErrSignature},
	} {
		if got, err := s.Ingest(tc.id, tc.recs, tc.head); !errors.Is(err, tc.want) {
			t.Errorf("%s: %+v, %v; want %v", name, got, err, tc.want)
		}
	}
	if got := Records(t, s, p.ID.Device, 1); len(got) != 3 {
		t.Errorf("%d pages are held, want 3", len(got))
	}
	if ids, err := s.Devices(); err != nil || len(ids) != 2 {
		t.Errorf("devices %v, %v", ids, err)
	}
}

func testFork(t *testing.T, s *store.Store) {
	p := NewPeer(t, 1, 6)
	if _, err := p.Offer(s, 1, 5); err != nil {
		t.Fatal(err)
	}
	fork := p.Fork(3)
	for _, w := range []string{"something", "else", "was", "signed"} {
		fork.Write(t, w)
	}
	for i, offer := range []func() (journal.Taken, error){
		func() (journal.Taken, error) { return fork.Offer(s, 4, 4) },
		func() (journal.Taken, error) { return fork.Offer(s, 3, 7) },
		func() (journal.Taken, error) { return fork.Offer(s, 1, 5) },
	} {
		_, err := offer()
		var at *journal.BreakError
		if !errors.Is(err, journal.ErrFork) || !errors.As(err, &at) || at.Seq < 4 || at.Seq > 5 {
			t.Errorf("%d: %v, want a fork from page 4 on", i, err)
		}
	}
	rep, err := s.Verify()
	if err != nil || rep.Forks != 3 {
		t.Errorf("%d forks are kept, want 3: %v", rep.Forks, err)
	}
	if d := cmp.Diff(p.Records[:5], Records(t, s, p.ID.Device, 1)); d != "" {
		t.Error(d)
	}
	if got, err := p.Offer(s, 6, 6); err != nil || got.Added != 1 {
		t.Errorf("the log that is held goes on: %+v, %v", got, err)
	}
}

func testMargin(t *testing.T, s *store.Store) {
	want := map[string][]byte{}
	set := func(changes map[string][]byte) {
		t.Helper()
		if err := s.SetMargin(changes); err != nil {
			t.Fatal(err)
		}
		for name, v := range changes {
			if v == nil {
				delete(want, name)
			} else {
				want[name] = bytes.Clone(v)
			}
		}
	}
	check := func() {
		t.Helper()
		for _, prefix := range []string{"", "hub", "hub/a", "none"} {
			some := map[string][]byte{}
			for name, v := range want {
				if strings.HasPrefix(name, prefix) {
					some[name] = v
				}
			}
			if got, err := s.Margin(prefix); err != nil || !cmp.Equal(got, some) {
				t.Errorf("margin %q: %q, %v; want %q", prefix, got, err, some)
			}
		}
	}
	check()
	given := []byte("1")
	set(map[string][]byte{"hub/a": given, "hub/b": {}, "hub": []byte("x"), "other\x00\xff": bytes.Repeat([]byte{7}, 9000)})
	given[0] = '?'
	check()
	set(map[string][]byte{"hub/a": []byte("2"), "hub": nil, "never": nil, "new": {0}})
	set(nil)
	check()
	got, err := s.Margin("hub/a")
	if err != nil {
		t.Fatal(err)
	}
	got["hub/a"][0] = '?' // the caller's own
	check()
	if err := s.SetMargin(map[string][]byte{"fine": {1}, "": {1}}); !errors.Is(err, journal.ErrInvalid) {
		t.Errorf("a note without a name: %v", err)
	}
	if err := s.SetMargin(map[string][]byte{"fine": {1}, strings.Repeat("n", 32769): {1}}); !errors.Is(err, journal.ErrInvalid) {
		t.Errorf("a name too long: %v", err)
	}
	check() // all of it or none
	if heads, err := s.Heads(); err != nil || heads[s.Device()].Seq != 0 {
		t.Errorf("the margin is in the log: %v, %v", heads, err)
	}
}

func testJobs(t *testing.T, s *store.Store) {
	a, b, none := journal.ID{1}, journal.ID{2}, journal.ID{}
	p := NewPeer(t, 1, 2)
	p.WriteMany(t, 3, a, "for a")
	p.WriteMany(t, 2, b, "for b")
	peer := p.ID.Device
	check := func(own, theirs map[journal.ID]uint64) {
		t.Helper()
		want := map[journal.ID]map[journal.ID]uint64{}
		if own != nil {
			want[s.Device()] = own
		}
		if theirs != nil {
			want[peer] = theirs
		}
		if got, err := s.Jobs(); err != nil || !cmp.Equal(got, want) {
			t.Errorf("jobs %v, %v; want %v", got, err, want)
		}
		if _, err := s.Verify(); err != nil {
			t.Error(err)
		}
	}
	check(nil, nil)
	if _, err := s.Append(store.Draft{Job: a}, store.Draft{}, store.Draft{Job: a}); err != nil {
		t.Fatal(err)
	}
	check(map[journal.ID]uint64{none: 1, a: 2}, nil)
	if _, err := s.Append(store.Draft{Job: b}, store.Draft{Payload: make([]byte, journal.MaxPayload+1)}); err == nil {
		t.Error("too large a page was taken")
	}
	check(map[journal.ID]uint64{none: 1, a: 2}, nil)
	own := map[journal.ID]uint64{none: 1, a: 2}
	ingest := func(recs []journal.Record, head journal.SignedHead) {
		t.Helper()
		if _, err := s.Ingest(p.ID, recs, head); err != nil {
			t.Fatal(err)
		}
	}
	ingest(p.Withheld(1, 4), p.Heads[4])
	check(own, nil)
	ingest(p.Records[2:6], p.Heads[6]) // two filled, two added
	check(own, map[journal.ID]uint64{a: 3, b: 1})
	ingest(p.Records[2:6], p.Heads[6])
	check(own, map[journal.ID]uint64{a: 3, b: 1})
	ingest(p.Records, p.Heads[7])
	check(own, map[journal.ID]uint64{none: 2, a: 3, b: 2})
	page, err := journal.Marshal([]any{2, peer, 8, "what comes"})
	if err != nil {
		t.Fatal(err)
	}
	newer := journal.NewRecord(8, page)
	chain := journal.NewChain(p.Heads[7].Head)
	chain.AddHash(newer.Hash)
	head, err := journal.Sign(chain.Head(), p.Key)
	if err != nil {
		t.Fatal(err)
	}
	ingest([]journal.Record{newer}, head)
	check(own, map[journal.ID]uint64{none: 2, a: 3, b: 2, journal.Unread: 1})
	if err := s.Rebuild(); err != nil {
		t.Fatal(err)
	}
	check(own, map[journal.ID]uint64{none: 2, a: 3, b: 2, journal.Unread: 1})
	if n, err := s.Forget(a); err != nil || n != 5 {
		t.Errorf("forgot %d pages, %v", n, err)
	}
	check(map[journal.ID]uint64{none: 1}, map[journal.ID]uint64{none: 2, b: 2, journal.Unread: 1})
}

func testForget(t *testing.T, s *store.Store) {
	gone, kept := journal.ID{1}, journal.ID{2}
	p := NewPeer(t, 1, 1)
	p.WriteMany(t, 2, gone, "gone")
	p.WriteMany(t, 2, kept, "kept")
	p.WriteMany(t, 1, gone, "gone")
	if _, err := s.Append(store.Draft{Job: gone, Payload: []byte("own")}, store.Draft{Job: kept}, store.Draft{Job: gone}); err != nil {
		t.Fatal(err)
	}
	if _, err := p.Offer(s, 1, 4); err != nil {
		t.Fatal(err)
	}
	before := Records(t, s, s.Device(), 1)
	if n, err := s.Forget(gone); err != nil || n != 4 {
		t.Errorf("forgot %d pages, %v; want 4", n, err)
	}
	if n := Count(t, s); n != 3 {
		t.Errorf("the projection has %d pages, want 3", n)
	}
	before[0].Page, before[2].Page = nil, nil
	if d := cmp.Diff(before, Records(t, s, s.Device(), 1)); d != "" {
		t.Error(d)
	}
	if _, err := s.Page(s.Device(), 1); !errors.Is(err, journal.ErrWithheld) {
		t.Errorf("Page: %v, want withheld", err)
	}
	if _, err := s.Append(store.Draft{}, store.Draft{Job: gone}); !errors.Is(err, store.ErrForgotten) {
		t.Errorf("Append: %v", err)
	}
	for _, tc := range []struct {
		from, to int
		want     journal.Taken
	}{
		{1, 4, journal.Taken{Known: 4}},
		{2, 6, journal.Taken{Known: 3, Added: 2}},
		{1, 6, journal.Taken{Known: 6}},
	} {
		if got, err := p.Offer(s, tc.from, tc.to); err != nil || got != tc.want {
			t.Errorf("pages %d to %d: taken %+v, %v; want %+v", tc.from, tc.to, got, err, tc.want)
		}
	}
	want := append(p.Records[:1:1], p.Withheld(2, 3)...)
	want = append(append(want, p.Records[3:5]...), p.Withheld(6, 6)...)
	if d := cmp.Diff(want, Records(t, s, p.ID.Device, 1)); d != "" {
		t.Error(d)
	}
	if p.Records[1].Page == nil || p.Records[5].Page == nil {
		t.Error("what was offered was changed")
	}
	if n := Count(t, s); n != 4 {
		t.Errorf("the projection has %d pages, want 4", n)
	}
	// Withheld pages of another job are still filled.
	q := NewPeer(t, 2, 0)
	q.WriteMany(t, 2, gone, "gone")
	q.WriteMany(t, 2, kept, "kept")
	if _, err := s.Ingest(q.ID, q.Withheld(1, 4), q.Heads[4]); err != nil {
		t.Fatal(err)
	}
	if got, err := q.Offer(s, 1, 4); err != nil || got != (journal.Taken{Known: 2, Filled: 2}) {
		t.Errorf("taken %+v, %v", got, err)
	}
	if n, err := s.Forget(gone); err != nil || n != 0 {
		t.Errorf("forgot %d pages again, %v", n, err)
	}
	// A job can be forgotten before anything of it comes.
	later := journal.ID{3}
	if n, err := s.Forget(later); err != nil || n != 0 {
		t.Errorf("forgot %d pages, %v", n, err)
	}
	q.WriteMany(t, 1, later, "later")
	if got, err := q.Offer(s, 5, 5); err != nil || got != (journal.Taken{Added: 1}) {
		t.Errorf("taken %+v, %v", got, err)
	}
	if jobs, err := s.Jobs(); err != nil || jobs[q.ID.Device][later] != 0 {
		t.Errorf("jobs %v, %v", jobs, err)
	}
	if got, err := s.Forgotten(); err != nil || !cmp.Equal(got, []journal.ID{gone, later}) {
		t.Errorf("forgotten %v, %v", got, err)
	}
	if r, err := s.Append(store.Draft{Job: kept}); err != nil || r.Head.Seq != 4 {
		t.Errorf("afterwards: head %d, %v", r.Head.Seq, err)
	}
}

func testClosed(t *testing.T, s *store.Store) {
	if err := s.Close(); err != nil {
		t.Fatal(err)
	}
	if err := s.Close(); err != nil {
		t.Errorf("closing twice: %v", err)
	}
	_, appended := s.Append(store.Draft{})
	_, verified := s.Verify()
	_, backedUp := s.Backup(&bytes.Buffer{})
	_, noted := s.Margin("")
	_, counted := s.Jobs()
	_, forgot := s.Forget(journal.ID{1})
	_, forgotten := s.Forgotten()
	var scanned error
	for _, err := range s.Scan(s.Device(), 1) {
		scanned = err
	}
	for name, err := range map[string]error{
		"Append": appended, "Verify": verified, "Backup": backedUp, "Scan": scanned, "Rebuild": s.Rebuild(),
		"Margin": noted, "SetMargin": s.SetMargin(map[string][]byte{"a": {1}}), "Jobs": counted, "Forget": forgot, "Forgotten": forgotten,
		"View": s.View(func(store.KV) error { return nil }),
	} {
		if !errors.Is(err, store.ErrClosed) {
			t.Errorf("%s: %v, want ErrClosed", name, err)
		}
	}
}
