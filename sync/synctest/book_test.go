package synctest

import (
	"bytes"
	"crypto/ed25519"
	"errors"
	"fmt"
	"math/rand/v2"
	"path/filepath"
	"slices"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"

	"pinchrod/store"
	"pinchrod/store/journal"
	"pinchrod/sync/exchange"
)

var (
	_ exchange.Book = (*Book)(nil)
	_ exchange.Book = (*store.Store)(nil)
)

// twins makes a store and a book of one device.
func twins(t *testing.T, seed byte, now func() time.Time) (*store.Store, *Book) {
	t.Helper()
	s, err := store.Create(filepath.Join(t.TempDir(), "book"), store.Options{Now: now, Rand: rand.NewChaCha8([32]byte{seed})})
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { s.Close() })
	// As the store does it: the id, then the secret.
	random := rand.NewChaCha8([32]byte{seed})
	if _, err := journal.NewID(now(), random); err != nil {
		t.Fatal(err)
	}
	var secret [ed25519.SeedSize]byte
	if _, err := random.Read(secret[:]); err != nil {
		t.Fatal(err)
	}
	return s, OpenBook(s.Identity(), ed25519.NewKeyFromSeed(secret[:]), now)
}

// sentinels are what a caller can tell apart; the store's first.
var sentinels = [][2]error{
	{journal.ErrFork, journal.ErrFork}, {journal.ErrGap, journal.ErrGap}, {journal.ErrBroken, journal.ErrBroken},
	{journal.ErrSignature, journal.ErrSignature}, {journal.ErrUnsigned, journal.ErrUnsigned},
	{journal.ErrNotCanonical, journal.ErrNotCanonical}, {journal.ErrInvalid, journal.ErrInvalid},
	{store.ErrNoPage, ErrNoPage}, {store.ErrForgotten, ErrForgotten}, {journal.ErrStep, journal.ErrStep},
}

// alike compares what the store and the book said.
func alike(t *testing.T, what string, s, b error) {
	t.Helper()
	if (s == nil) != (b == nil) {
		t.Fatalf("%s: the store says %v, the book %v", what, s, b)
	}
	known := s == nil
	for _, x := range sentinels {
		if errors.Is(s, x[0]) != errors.Is(b, x[1]) {
			t.Fatalf("%s: the store says %v, the book %v", what, s, b)
		}
		known = known || errors.Is(s, x[0])
	}
	var at, bt *journal.BreakError
	if errors.As(s, &at) && errors.As(b, &bt) && at.Seq != bt.Seq {
		t.Fatalf("%s: the store says %v, the book %v", what, s, b)
	}
	if !known {
		t.Fatalf("%s: the store says %v", what, s)
	}
}

// TestBookIsAsStore does the same to a store and to a book of one device, and
// has the same come of it.
func TestBookIsAsStore(t *testing.T) {
	t.Parallel()
	seeds, steps := byte(12), 150
	if raceDetector {
		seeds, steps = 2, 80
	}
	counts := map[string]int{}
	for seed := range seeds {
		asStore(t, seed, steps, counts)
	}
	t.Log(counts)
	if raceDetector {
		return // too few steps for everything to come up
	}
	for _, want := range []string{
		"append", "append refused", "forgotten", "margin", "taken", "known", "filled", "withheld", "newer",
		journal.ErrFork.Error(), journal.ErrGap.Error(), journal.ErrBroken.Error(), journal.ErrSignature.Error(),
		journal.ErrUnsigned.Error(), journal.ErrNotCanonical.Error(), journal.ErrInvalid.Error(),
	} {
		if counts[want] == 0 {
			t.Errorf("%q never came up", want)
		}
	}
}

// TestBookStep has a book save as much in one step as a store, and no more.
func TestBookStep(t *testing.T) {
	t.Parallel()
	s, b := twins(t, 99, func() time.Time { return time.UnixMilli(1645557742000) })
	for _, n := range []int{journal.MaxStep/2 - journal.PageRoom, journal.MaxStep/2 - journal.PageRoom + 1} {
		p := make([]byte, n)
		_, err := s.Append(store.Draft{Payload: p}, store.Draft{Payload: p})
		_, err2 := b.Append(Draft{Payload: p}, Draft{Payload: p})
		alike(t, fmt.Sprint(n, " bytes a page"), err, err2)
		if errors.Is(err, journal.ErrStep) != (n > journal.MaxStep/2-journal.PageRoom) {
			t.Errorf("%d bytes a page: %v", n, err)
		}
	}
}

func asStore(t *testing.T, seed byte, steps int, counts map[string]int) {
	r := rand.New(rand.NewPCG(uint64(seed), 1))
	clock := time.UnixMilli(1645557742000)
	now := func() time.Time { return clock }
	s, b := twins(t, seed, now)
	jobs := []journal.ID{{}, jobA, jobB, jobC}
	peers := []*Book{}
	for i := range uint64(3) {
		peers = append(peers, NewBook(uint64(seed)<<8|i, now))
	}
	copies := make([]Copy, len(peers)+1)
	for i := range peers {
		copies[i] = peers[i].Backup()
	}
	own := OpenBook(b.self, b.key, now) // what comes back of the device's own, or of a copy of it
	for step := range steps {
		clock = clock.Add(time.Duration(r.IntN(2000)-500) * time.Millisecond)
		what := fmt.Sprintf("seed %d, step %d", seed, step)
		switch n := r.IntN(20); n {
		case 0, 1:
			var drafts []store.Draft
			var same []Draft
			for range r.IntN(4) {
				d := Draft{jobs[r.IntN(4)], fmt.Appendf(nil, "own, step %d", step)}
				drafts, same = append(drafts, store.Draft(d)), append(same, d)
			}
			rec, err := s.Append(drafts...)
			head, err2 := b.Append(same...)
			alike(t, what+": append", err, err2)
			if rec.Head != head {
				t.Fatalf("%s: append: %v and %v", what, rec.Head, head)
			}
			if err != nil {
				counts["append refused"]++
			}
			counts["append"]++
		case 2:
			notes := map[string][]byte{}
			for range 1 + r.IntN(3) {
				name := fmt.Sprintf("note/%d", r.IntN(5))
				notes[name] = nil
				if r.IntN(3) > 0 {
					notes[name] = fmt.Append(nil, r.IntN(3))
				}
			}
			if r.IntN(10) == 0 {
				notes[""] = []byte("no name")
			}
			alike(t, what+": margin", s.SetMargin(notes), b.SetMargin(notes))
			counts["margin"]++
		case 3:
			if r.IntN(4) > 0 {
				continue
			}
			job := jobs[r.IntN(4)]
			x, err := s.Forget(job)
			y, err2 := b.Forget(job)
			alike(t, what+": forget", err, err2)
			if x != y {
				t.Fatalf("%s: forgot %d and %d pages", what, x, y)
			}
			counts["forgotten"] += x
		case 4, 5, 6, 7: // a peer writes
			p := peers[r.IntN(len(peers))]
			for range 1 + r.IntN(3) {
				drafts := make([]Draft, 1+r.IntN(3))
				for i := range drafts {
					drafts[i] = Draft{jobs[r.IntN(4)], fmt.Appendf(nil, "step %d", step)}
				}
				if r.IntN(6) == 0 {
					later(t, p)
					counts["newer"]++
				} else if _, err := p.Append(drafts...); err != nil {
					t.Fatal(err)
				}
			}
		case 8: // a peer is an older copy of itself, or was copied
			i := r.IntN(len(peers))
			if r.IntN(3) == 0 {
				peers[i].Restore(copies[i])
			} else {
				copies[i] = peers[i].Backup()
			}
		default: // pages are offered
			p := peers[r.IntN(len(peers))]
			if n == 9 {
				p = own
				if r.IntN(4) == 0 {
					if _, err := own.Append(Draft{Payload: fmt.Appendf(nil, "a copy, step %d", step)}); err != nil {
						t.Fatal(err)
					}
				}
			}
			x := offered(t, r, p, peers)
			got, err := s.Ingest(x.Identity, x.Records, x.Head)
			want, err2 := b.Ingest(x.Identity, x.Records, x.Head)
			alike(t, what+": ingest", err, err2)
			if got != want {
				t.Fatalf("%s: the store took %+v, the book %+v", what, got, want)
			}
			for _, e := range sentinels {
				if errors.Is(err, e[0]) {
					counts[e[0].Error()]++
				}
			}
			counts["taken"] += got.Added
			counts["filled"] += got.Filled
			counts["known"] += got.Known
			for _, rec := range x.Records {
				if rec.Page == nil && err == nil {
					counts["withheld"]++
				}
			}
		}
		if step%10 == 9 || step == steps-1 {
			equalBooks(t, what, s, b)
		}
	}
	rep, err := s.Verify()
	if err != nil || rep.Forks != len(b.disk.forks) {
		t.Errorf("seed %d: the store has evidence of %d forks, the book of %d: %v", seed, rep.Forks, len(b.disk.forks), err)
	}
}

// later adds a page of a version to come to a book's own log.
func later(t *testing.T, b *Book) {
	t.Helper()
	heads, err := b.Heads()
	if err != nil {
		t.Fatal(err)
	}
	h := heads[id(b)].Head
	page, err := journal.Marshal([]any{3, id(b), h.Seq + 1, []byte("later")})
	if err != nil {
		t.Fatal(err)
	}
	rec := journal.NewRecord(h.Seq+1, page)
	chain := journal.NewChain(h)
	chain.AddHash(rec.Hash)
	signed, err := journal.Sign(chain.Head(), b.key)
	if err != nil {
		t.Fatal(err)
	}
	if _, err := b.Ingest(b.self, []journal.Record{rec}, signed); err != nil {
		t.Fatal(err)
	}
}

// offered makes a batch of a peer's log, from anywhere to anywhere, with some
// pages withheld, and often enough not what it should be.
func offered(t *testing.T, r *rand.Rand, p *Book, peers []*Book) exchange.Batch {
	t.Helper()
	records := slices.Collect(func(yield func(journal.Record) bool) {
		for rec, err := range p.Scan(id(p), 1) {
			if err != nil {
				t.Fatal(err)
			}
			if !yield(rec) {
				return
			}
		}
	})
	from, to := 0, 0
	if n := len(records); n > 0 {
		from = r.IntN(n + 1)
		if r.IntN(3) > 0 {
			from = r.IntN(from + 1) // more often near the start
		}
		to = from + r.IntN(n-from+1)
		if from == to && to > 0 {
			from-- // an exchange offers no head alone
		}
	}
	chain := journal.NewChain(p.self.Head().Head)
	for _, rec := range records[:to] {
		chain.AddHash(rec.Hash)
	}
	head, err := journal.Sign(chain.Head(), p.key)
	if to == 0 {
		head, err = p.self.Head(), nil
	}
	if err != nil {
		t.Fatal(err)
	}
	x := exchange.Batch{Identity: p.self, Records: slices.Clone(records[from:to]), Head: head}
	for i := range x.Records {
		if r.IntN(3) == 0 {
			x.Records[i].Page = nil
		}
	}
	if r.IntN(3) > 0 {
		return x
	}
	n := len(x.Records)
	page := func(b []byte) { // signed by the device, whatever it is
		if n == 0 {
			return
		}
		x.Records[n-1] = journal.NewRecord(x.Records[n-1].Seq, b)
		chain := journal.NewChain(p.self.Head().Head)
		for _, rec := range append(slices.Clone(records[:from]), x.Records...) {
			chain.AddHash(rec.Hash)
		}
		if x.Head, err = journal.Sign(chain.Head(), p.key); err != nil {
			t.Fatal(err)
		}
	}
	other := peers[r.IntN(len(peers))]
	switch r.IntN(14) {
	case 0:
		x.Head.Signature[r.IntN(64)] ^= 1
	case 1:
		x.Head.Signature = [64]byte{}
	case 2:
		x.Head.Hash[3] ^= 1
	case 3:
		x.Head.Seq += uint64(r.IntN(3))
	case 4:
		x.Identity = other.self
	case 5:
		x.Identity.Signature[1] ^= 1
	case 6:
		x.Identity.Key = other.self.Key
	case 7:
		if x.Identity, err = journal.NewIdentity(p.self.Device, other.key); err == nil {
			x.Head, err = journal.Sign(x.Head.Head, other.key)
		}
	case 8:
		if n > 1 {
			x.Records = slices.Delete(x.Records, n/2, n/2+1)
		}
	case 9:
		if n > 1 {
			x.Records = x.Records[:n-1]
		}
	case 10:
		if n > 0 && x.Records[n-1].Page != nil {
			x.Records[n-1].Page = append(bytes.Clone(x.Records[n-1].Page), 0)
		}
	case 11:
		page([]byte{0x18, 1})
	case 12:
		page([]byte{0xa0})
	case 13:
		if n > 0 {
			x.Records[0].Seq = 0
		}
	}
	if err != nil {
		t.Fatal(err)
	}
	return x
}

// equalBooks compares all that an exchange.Book shows.
func equalBooks(t *testing.T, what string, s, b exchange.Book) {
	t.Helper()
	both := func(name string, of func(exchange.Book) (any, error)) any {
		t.Helper()
		x, err := of(s)
		y, err2 := of(b)
		alike(t, what+": "+name, err, err2)
		if d := cmp.Diff(x, y); d != "" {
			t.Fatalf("%s: %s, store and book: %s", what, name, d)
		}
		return x
	}
	both("identity", func(b exchange.Book) (any, error) { return b.Identity(), nil })
	both("jobs", func(b exchange.Book) (any, error) { return b.Jobs() })
	both("forgotten", func(b exchange.Book) (any, error) {
		jobs, err := b.Forgotten()
		return append([]journal.ID{}, jobs...), err
	})
	for _, prefix := range []string{"", "note/1", "x"} {
		both("margin", func(b exchange.Book) (any, error) { return b.Margin(prefix) })
	}
	heads := both("heads", func(b exchange.Book) (any, error) { return b.Heads() }).(map[journal.ID]journal.SignedHead)
	ids := both("devices", func(b exchange.Book) (any, error) { return b.Devices() }).([]journal.Identity)
	for _, id := range append(ids, journal.Identity{Device: journal.ID{9}}) {
		end := heads[id.Device].Seq
		for seq := uint64(0); seq <= end+1; seq++ {
			both("signed head", func(b exchange.Book) (any, error) { return b.SignedFrom(id.Device, seq) })
		}
		for _, from := range []uint64{0, 1, end/2 + 1, end + 1} {
			both("scan", func(b exchange.Book) (any, error) {
				var out []journal.Record
				for r, err := range b.Scan(id.Device, from) {
					if err != nil {
						return nil, err
					}
					out = append(out, r)
				}
				return out, nil
			})
		}
	}
}
