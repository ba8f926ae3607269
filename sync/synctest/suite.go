package synctest

import (
	"bytes"
	"context"
	"errors"
	"fmt"
	"iter"
	"slices"
	"sync"
	"testing"
	"time"

	"pinchrod/store/journal"
	"pinchrod/sync/exchange"
)

// A Dial enrols a device at a hub, with what it may read, and returns the peer
// by which it meets the hub. It is called again when the rights change, and
// after the hub's book was restored from a backup.
type Dial func(device *Book, rights exchange.Reader) exchange.Peer

// Suite is what every peer passes. open starts a hub on a book that is empty
// but for the hub's own device; the suite keeps its hands on that book, as a
// backup or a full disk would.
func Suite(t *testing.T, open func(t *testing.T, hub *Book) Dial) {
	for _, tc := range []struct {
		name string
		run  func(*site)
	}{
		{"nothing to do", testNothing},
		{"first sync", testFirst},
		{"push", testPush},
		{"withheld, then filled", testWithheld},
		{"repeat", testRepeat},
		{"nothing new", testNothingNew},
		{"fork", testFork},
		{"fork under a receipt", testForkUnderReceipt},
		{"fork of another device", testForkOfAnother},
		{"refused", testRefused},
		{"hub restored", testHubRestored},
		{"hub has lost pages", testHubLost},
		{"hub has a gap", testHubGap},
		{"device restored", testDeviceRestored},
		{"newer pages", testNewer},
		{"forgotten", testForgotten},
		{"receipt", testReceipt},
		{"unknown log", testUnknown},
		{"large", testLarge},
		{"cancelled", testCancelled},
		{"disk full", testFull},
	} {
		t.Run(tc.name, func(t *testing.T) {
			s := &site{T: t, clock: time.UnixMilli(1645557742000).UTC()}
			s.hub = NewBook(1, s.now)
			s.dial = open(t, s.hub)
			tc.run(s)
		})
	}
}

// Jobs of the suite.
var jobA, jobB, jobC = suiteJob('a'), suiteJob('b'), suiteJob('c')

func suiteJob(c byte) journal.ID {
	return journal.ID{1, 0x7f, 0x22, 0xe2, 0x79, 0xb0, 0x7c, 0xc3, 0x98, 0xc4, 0xdc, 0x0c, 0x0c, 0x07, 0x39, c}
}

// A site is a hub and its devices in one test.
type site struct {
	*testing.T
	hub   *Book
	dial  Dial
	mu    sync.Mutex
	clock time.Time
	made  uint64
}

func (s *site) now() time.Time {
	s.mu.Lock() // a hub's clock may be looked at by its own goroutines
	defer s.mu.Unlock()
	s.clock = s.clock.Add(time.Second)
	return s.clock
}

func (s *site) device() *Book {
	s.made++
	return NewBook(100+s.made, s.now)
}

// all are the rights of a device that reads every job.
func all(d *Book) exchange.Reader { return exchange.Reader{Identity: d.Identity(), All: true} }

// only are the rights of a device that reads these jobs.
func only(d *Book, jobs ...journal.ID) exchange.Reader {
	r := exchange.Reader{Identity: d.Identity(), Jobs: map[journal.ID]bool{}}
	for _, job := range jobs {
		r.Jobs[job] = true
	}
	return r
}

func (s *site) write(d *Book, job journal.ID, n int) {
	s.Helper()
	for i := range n {
		if _, err := d.Append(Draft{job, fmt.Appendf(nil, "page %d, written at %s", i, s.now())}); err != nil {
			s.Fatal(err)
		}
	}
}

// run syncs, which has to succeed.
func (s *site) run(d *Book, p exchange.Peer) exchange.Outcome {
	s.Helper()
	out, err := exchange.Run(s.Context(), d, p, exchange.Progress{})
	if err != nil {
		s.Fatal(err)
	}
	if len(out.Forked) > 0 {
		s.Fatalf("forked: %v", out.Forked)
	}
	return out
}

// fails syncs, which has to fail so.
func (s *site) fails(d *Book, p exchange.Peer, want error) {
	s.Helper()
	if out, err := exchange.Run(s.Context(), d, p, exchange.Progress{}); !errors.Is(err, want) {
		s.Fatalf("%+v, %v; want %v", out, err, want)
	}
}

func (s *site) records(b *Book, device journal.ID) (out []journal.Record) {
	s.Helper()
	for r, err := range b.Scan(device, 1) {
		if err != nil {
			s.Fatal(err)
		}
		out = append(out, r)
	}
	return out
}

func (s *site) head(b *Book, device journal.ID) journal.Head {
	s.Helper()
	heads, err := b.Heads()
	if err != nil {
		s.Fatal(err)
	}
	return heads[device].Head
}

// same checks that two books hold the same of a device's log, page by page.
func (s *site) same(a, b *Book, device journal.ID) {
	s.Helper()
	if got, want := s.head(a, device), s.head(b, device); got != want {
		s.Errorf("heads %d and %d, %s and %s", got.Seq, want.Seq, got.Hash, want.Hash)
	}
	x, y := s.records(a, device), s.records(b, device)
	if len(x) != len(y) {
		s.Errorf("%d and %d pages", len(x), len(y))
		return
	}
	for i := range x {
		if x[i].Hash != y[i].Hash || !bytes.Equal(x[i].Page, y[i].Page) {
			s.Errorf("page %d: %x and %x", i+1, x[i].Page, y[i].Page)
		}
	}
}

// whole tells which pages of a device's log are here in full: "1" or "-" each.
func (s *site) whole(b *Book, device journal.ID) string {
	s.Helper()
	var out []byte
	for _, r := range s.records(b, device) {
		if r.Page == nil {
			out = append(out, '-')
		} else {
			out = append(out, '1')
		}
	}
	return string(out)
}

func (s *site) wholeIs(b *Book, device journal.ID, want string) {
	s.Helper()
	if got := s.whole(b, device); got != want {
		s.Errorf("in full are %q, want %q", got, want)
	}
}

func id(b *Book) journal.ID { return b.Identity().Device }

func testNothing(s *site) {
	d := s.device()
	out := s.run(d, s.dial(d, all(d)))
	if out.Sent != 0 || out.Received != 0 || out.Own != 0 || out.Receipt.Head != d.Identity().Head().Head {
		s.Errorf("%+v", out)
	}
	if err := out.Receipt.Verify(s.hub.Identity()); err != nil {
		s.Error(err)
	}
}

func testFirst(s *site) {
	a, b := s.device(), s.device()
	s.write(a, jobA, 3)
	s.write(b, jobB, 2)
	s.write(s.hub, jobC, 1)
	pa, pb := s.dial(a, all(a)), s.dial(b, all(b))
	if out := s.run(a, pa); out.Received != 1 {
		s.Errorf("%d received, want the hub's page", out.Received)
	}
	if out := s.run(b, pb); out.Received != 4 {
		s.Errorf("%d received, want 4", out.Received)
	}
	if out := s.run(a, pa); out.Received != 2 {
		s.Errorf("%d received, want 2", out.Received)
	}
	for _, device := range []journal.ID{id(a), id(b), id(s.hub)} {
		s.same(a, s.hub, device)
		s.same(b, s.hub, device)
	}
}

func testPush(s *site) {
	d := s.device()
	s.write(d, jobA, 5)
	p := s.dial(d, all(d))
	if _, ok, err := exchange.Confirmed(d, s.hub.Identity()); ok || err != nil {
		s.Errorf("confirmed before anything was: %v, %v", ok, err)
	}
	s.run(d, p)
	for n := range 3 {
		s.write(d, jobA, n)
		var acked []uint64
		out, err := exchange.Run(s.Context(), d, p, exchange.Progress{Sent: func(h journal.Head) {
			acked = append(acked, h.Seq)
			if at := s.head(s.hub, id(d)); h.Device != at.Device || h.Seq > at.Seq {
				s.Errorf("page %d of %s is acknowledged, and the hub is at %d", h.Seq, h.Device, at.Seq)
			}
		}})
		if err != nil || out.Sent != n || out.Receipt.Head != s.head(d, id(d)) {
			s.Errorf("%+v, %v; want %d pages sent", out, err, n)
		}
		if n > 0 && !slices.Equal(acked, []uint64{s.head(d, id(d)).Seq}) {
			s.Errorf("acknowledged %v", acked)
		}
	}
	s.same(s.hub, d, id(d))
	r, ok, err := exchange.Confirmed(d, s.hub.Identity())
	if !ok || err != nil || r.Head != s.head(d, id(d)) || r.Time.IsZero() {
		s.Errorf("confirmed %+v, %v, %v", r, ok, err)
	}
}

func testWithheld(s *site) {
	w, other, d := s.device(), s.device(), s.device()
	s.write(w, jobA, 2)
	s.write(w, jobB, 1)
	s.write(w, journal.ID{}, 1)
	s.write(w, jobA, 1)
	s.write(other, jobC, 2)
	s.run(w, s.dial(w, only(w, jobA, jobB)))
	s.run(other, s.dial(other, only(other, jobC)))

	p := s.dial(d, only(d, jobA))
	if out := s.run(d, p); out.Received != 5 {
		s.Errorf("received %d, want 5", out.Received)
	}
	s.wholeIs(d, id(w), "11-11")
	if len(s.records(d, id(other))) > 0 {
		s.Error("a log without any page of the reader's jobs was shown")
	}
	p = s.dial(d, only(d, jobA, jobB, jobC))
	if out := s.run(d, p); out.Received != 3 {
		s.Errorf("received %d, want 3: one filled, two new", out.Received)
	}
	s.same(d, s.hub, id(w))
	s.same(d, s.hub, id(other))
	// What was read stays read.
	s.run(d, s.dial(d, only(d)))
	s.wholeIs(d, id(w), "11111")
	s.write(w, jobB, 1)
	s.run(w, s.dial(w, only(w, jobA, jobB)))
	s.run(d, s.dial(d, only(d, jobA)))
	s.wholeIs(d, id(w), "11111-")
}

// batches collects the batches of a device's log that a book has.
func (s *site) batches(in, d *Book, from uint64) (out []exchange.Batch) {
	s.Helper()
	for b, err := range exchange.Batches(in, d.Identity(), from, all(d)) {
		if err != nil {
			s.Fatal(err)
		}
		out = append(out, b)
	}
	return out
}

func given(batches ...exchange.Batch) iter.Seq2[exchange.Batch, error] {
	return func(yield func(exchange.Batch, error) bool) {
		for _, b := range batches {
			if !yield(b, nil) {
				return
			}
		}
	}
}

func testRepeat(s *site) {
	d := s.device()
	s.write(d, jobA, 4)
	p := s.dial(d, all(d))
	offer := exchange.Offer{Base: d.Identity().Head().Head}
	for range 3 {
		var acked []journal.Head
		state, err := p.Meet(s.Context(), offer, given(s.batches(d, d, 1)...), func(h journal.Head) { acked = append(acked, h) })
		if err != nil || state.Receipt.Head != s.head(d, id(d)) || state.Own != 4 {
			s.Fatalf("%+v, %v", state, err)
		}
		if len(acked) == 0 || acked[len(acked)-1].Seq != state.Receipt.Head.Seq {
			s.Errorf("acknowledged %v", acked)
		}
	}
	s.same(s.hub, d, id(d))
}

// counting counts what a peer is asked for.
type counting struct {
	exchange.Peer
	meets, fetches int
}

func (c *counting) Meet(ctx context.Context, offer exchange.Offer, batches iter.Seq2[exchange.Batch, error], acked func(journal.Head)) (exchange.State, error) {
	c.meets++
	return c.Peer.Meet(ctx, offer, batches, acked)
}

func (c *counting) Fetch(ctx context.Context, wants []exchange.Want) iter.Seq2[exchange.Batch, error] {
	c.fetches++
	return c.Peer.Fetch(ctx, wants)
}

func testNothingNew(s *site) {
	a, b := s.device(), s.device()
	s.write(a, jobA, 2)
	s.run(a, s.dial(a, all(a)))
	p := &counting{Peer: s.dial(b, all(b))}
	before := s.run(b, p).State
	*p = counting{Peer: p.Peer}
	out := s.run(b, p)
	if p.meets != 1 || p.fetches != 0 {
		s.Errorf("%d meetings and %d fetches, want one round", p.meets, p.fetches)
	}
	if out.State.Mark != before.Mark || out.Received+out.Sent+out.Own+out.Forgot > 0 {
		s.Errorf("%+v", out)
	}
	// What is the device's own makes no difference to its mark; else it would.
	s.write(b, jobA, 1)
	if out := s.run(b, p); out.State.Mark != before.Mark {
		s.Error("another mark for the device's own page")
	}
	s.write(a, jobA, 1)
	s.run(a, s.dial(a, all(a)))
	if out := s.run(b, p); out.State.Mark == before.Mark || out.Received != 1 {
		s.Errorf("the same mark for a new page: %+v", out)
	}
}

// evidence checks that the hub holds evidence that a device's log has forked:
// a head that its key signed, and that is not the log's.
func (s *site) evidence(b, device *Book) {
	s.Helper()
	forks := b.Forks(id(device))
	if len(forks) == 0 {
		s.Error("no evidence of the fork is kept")
	}
	for _, h := range forks {
		if err := h.Verify(device.Identity().Key); err != nil {
			s.Errorf("evidence: %v", err)
		}
	}
}

func testFork(s *site) {
	for _, n := range []int{1, 2, 3, 5} { // shorter than the log at the hub, as long, longer
		d, other := s.device(), s.device()
		s.write(other, jobA, 1)
		s.write(d, jobA, 2)
		s.run(d, s.dial(d, all(d)))
		old := d.Backup()
		s.write(d, jobA, 3)
		s.run(d, s.dial(d, all(d)))
		held := s.records(s.hub, id(d))

		d.Restore(old)
		s.write(d, jobA, n)
		p := s.dial(d, all(d))
		for range 2 {
			s.fails(d, p, journal.ErrFork)
		}
		s.evidence(s.hub, d)
		if got := s.records(s.hub, id(d)); !slices.EqualFunc(got, held, func(a, b journal.Record) bool { return a.Hash == b.Hash && bytes.Equal(a.Page, b.Page) }) {
			s.Errorf("the log at the hub has %d pages now, of %d", len(got), len(held))
		}
		s.run(other, s.dial(other, all(other)))
	}
}

// A hub that was restored, and took in a stale copy of the device since, does
// not go through the head that it has confirmed. There is nothing in the
// offered pages that shows why, so the device has to start over.
func testForkUnderReceipt(s *site) {
	for _, n := range []int{1, 2, 3} {
		d := s.device()
		s.write(d, jobA, 1)
		s.run(d, s.dial(d, all(d)))
		stale, before := d.Backup(), s.hub.Backup()
		s.write(d, jobA, 2)
		s.run(d, s.dial(d, all(d)))
		good := d.Backup()

		s.hub.Restore(before)
		d.Restore(stale)
		s.write(d, jobA, n)
		s.run(d, s.dial(d, all(d)))
		d.Restore(good)
		for more := range 2 {
			s.write(d, jobA, more)
			s.fails(d, s.dial(d, all(d)), journal.ErrFork)
		}
		s.evidence(s.hub, d)
	}
}

func testForkOfAnother(s *site) {
	for _, n := range []int{1, 2, 4} { // what the reader holds is shorter than the hub's, as long, longer
		a, b, d := s.device(), s.device(), s.device()
		if id(a).Compare(id(b)) > 0 {
			a, b = b, a // the log that forks comes first
		}
		s.write(a, jobA, 2)
		old := a.Backup()
		s.write(a, jobA, 2)
		s.run(a, s.dial(a, all(a)))
		a.Restore(old)
		s.write(a, jobA, n)
		for _, x := range s.batches(a, a, 1) {
			if _, err := d.Ingest(x.Identity, x.Records, x.Head); err != nil {
				s.Fatal(err)
			}
		}
		s.write(b, jobB, 2)
		s.run(b, s.dial(b, all(b)))
		p := s.dial(d, all(d))
		for range 2 {
			out, err := exchange.Run(s.Context(), d, p, exchange.Progress{})
			if err != nil || len(out.Forked) != 1 || !errors.Is(out.Forked[0], journal.ErrFork) {
				s.Fatalf("%+v, %v; want to be told of the fork", out, err)
			}
		}
		s.same(d, s.hub, id(b))
		s.evidence(d, a)
	}
}

func testRefused(s *site) {
	d, other := s.device(), s.device()
	s.write(d, jobA, 2)
	s.write(other, jobA, 3)
	p := s.dial(d, all(d))
	s.run(d, p)
	base := s.head(d, id(d))
	s.write(d, jobA, 3)
	good := s.batches(d, d, 3)[0]
	change := func(do func(*exchange.Batch)) exchange.Batch {
		b := good
		b.Records = slices.Clone(b.Records)
		do(&b)
		return b
	}
	// own signs pages with the device's own key, whatever they are.
	own := func(pages ...[]byte) exchange.Batch {
		b := exchange.Batch{Identity: d.Identity()}
		chain := journal.NewChain(base)
		for i, page := range pages {
			r := journal.NewRecord(base.Seq+1+uint64(i), page)
			chain.AddHash(r.Hash)
			b.Records = append(b.Records, r)
		}
		var err error
		if b.Head, err = journal.Sign(chain.Head(), d.key); err != nil {
			s.Fatal(err)
		}
		return b
	}
	foreign := s.batches(other, other, 1)[0]
	for _, tc := range []struct {
		name  string
		offer exchange.Offer
		batch exchange.Batch
		want  error
	}{
		{"another's signature", exchange.Offer{Base: base}, change(func(b *exchange.Batch) { b.Head.Signature = foreign.Head.Signature }), journal.ErrSignature},
		{"no signature", exchange.Offer{Base: base}, change(func(b *exchange.Batch) { b.Head.Signature = [64]byte{} }), journal.ErrUnsigned},
		{"another page", exchange.Offer{Base: base}, change(func(b *exchange.Batch) {
			r := &b.Records[1]
			r.Page = bytes.Clone(r.Page)
			r.Page[len(r.Page)-1] ^= 1
		}), journal.ErrBroken},
		{"another hash", exchange.Offer{Base: base}, change(func(b *exchange.Batch) { b.Records[1] = journal.Record{Seq: b.Records[1].Seq} }), journal.ErrBroken},
		{"a page left out", exchange.Offer{Base: base}, own(good.Records[0].Page, good.Records[2].Page), journal.ErrBroken},
		{"not from where it says", exchange.Offer{Base: base}, change(func(b *exchange.Batch) { b.Records = b.Records[1:] }), journal.ErrGap},
		{"another device's log", exchange.Offer{Base: base}, foreign, exchange.ErrForeign},
		{"not canonical", exchange.Offer{Base: base}, own([]byte{0x18, 0x01}), journal.ErrNotCanonical},
		{"no page", exchange.Offer{Base: base}, own([]byte{0xa0}), journal.ErrInvalid},
		{"past what is there", exchange.Offer{Base: journal.Head{Device: id(d), Seq: 4, Hash: base.Hash}}, good, journal.ErrGap},
	} {
		if state, err := p.Meet(s.Context(), tc.offer, given(tc.batch), nil); !errors.Is(err, tc.want) {
			s.Errorf("%s: %+v, %v; want %v", tc.name, state, err, tc.want)
		}
		if got := s.head(s.hub, id(d)); got != base {
			s.Fatalf("%s: the log at the hub is at %d", tc.name, got.Seq)
		}
	}
	if len(s.records(s.hub, id(other))) > 0 {
		s.Error("another device's pages were taken in")
	}
	s.run(d, p)
	s.same(s.hub, d, id(d))
}

func testHubRestored(s *site) {
	a, b := s.device(), s.device()
	s.write(a, jobA, 2)
	s.run(a, s.dial(a, all(a)))
	old := s.hub.Backup()
	s.write(a, jobA, 3)
	s.run(a, s.dial(a, all(a)))
	s.run(b, s.dial(b, all(b)))
	s.hub.Restore(old)
	s.write(a, jobA, 1)
	if out := s.run(a, s.dial(a, all(a))); out.Sent != 4 {
		s.Errorf("%d pages sent again, want 4", out.Sent)
	}
	s.same(s.hub, a, id(a))
	s.run(b, s.dial(b, all(b)))
	s.same(b, a, id(a))
	// And to before it knew the device at all.
	s.hub.Restore(OpenBook(s.hub.Identity(), s.hub.key, s.now).Backup())
	s.run(a, s.dial(a, all(a)))
	s.same(s.hub, a, id(a))
}

// A hub can hold a log to its end and yet lack pages of it: it was restored,
// and has the rest from someone who had only hashes.
func testHubLost(s *site) {
	a := s.device()
	s.write(a, jobA, 2)
	s.run(a, s.dial(a, all(a)))
	old := s.hub.Backup()
	s.write(a, jobB, 3)
	s.run(a, s.dial(a, all(a)))
	s.hub.Restore(old)
	for _, x := range s.batches(a, a, 1) {
		for i := range x.Records {
			x.Records[i].Page = nil
		}
		if _, err := s.hub.Ingest(x.Identity, x.Records, x.Head); err != nil {
			s.Fatal(err)
		}
	}
	s.wholeIs(s.hub, id(a), "11---")
	p := &counting{Peer: s.dial(a, all(a))}
	s.run(a, p)
	s.same(s.hub, a, id(a))
	if p.meets != 2 {
		s.Errorf("%d meetings, want 2", p.meets)
	}
}

func testHubGap(s *site) {
	a, b := s.device(), s.device()
	s.write(a, jobA, 6)
	pa, pb := s.dial(a, all(a)), s.dial(b, all(b))
	for seq := range uint64(6) { // step by step, so that the hub keeps every head
		x := s.batches(a, a, 1)[0]
		h, err := a.SignedFrom(id(a), seq+1)
		if err != nil {
			s.Fatal(err)
		}
		if _, err := s.hub.Ingest(x.Identity, x.Records[:seq+1], h); err != nil {
			s.Fatal(err)
		}
	}
	s.run(a, pa)
	if err := s.hub.Lose(id(a), 3, 4); err != nil {
		s.Fatal(err)
	}
	// Whoever reads gets what lies before, and asks again.
	s.run(b, pb)
	if got := s.head(b, id(a)).Seq; got != 2 {
		s.Errorf("the reader is at %d, want 2", got)
	}
	s.write(a, jobA, 1)
	s.run(a, pa)
	s.same(s.hub, a, id(a))
	s.run(b, pb)
	s.same(b, a, id(a))
	// The device's base can lie within the gap.
	if err := s.hub.Lose(id(a), 3, 4); err == nil {
		s.Error("the steps filled in are still two")
	}
	c := s.device()
	for range 4 {
		s.write(c, jobA, 1)
		s.run(c, s.dial(c, all(c)))
	}
	old := c.Backup()
	for range 4 {
		s.write(c, jobA, 1)
		s.run(c, s.dial(c, all(c)))
	}
	c.Restore(old)
	if err := s.hub.Lose(id(c), 3, 6); err != nil {
		s.Fatal(err)
	}
	// The hub has pages 7 and 8 only, so the older copy cannot catch up, and
	// must not be told that it has.
	s.fails(c, s.dial(c, all(c)), journal.ErrGap)
}

func testDeviceRestored(s *site) {
	d, other := s.device(), s.device()
	s.write(d, jobA, 2)
	s.run(d, s.dial(d, only(d, jobA)))
	old := d.Backup()
	s.write(d, jobB, 2) // a job that it may not read of others
	s.run(d, s.dial(d, only(d, jobA)))
	want := s.records(d, id(d))
	s.write(other, jobA, 1)
	s.run(other, s.dial(other, only(other, jobA)))

	d.Restore(old)
	if out := s.run(d, s.dial(d, only(d, jobA))); out.Own != 2 || out.Received != 1 {
		s.Errorf("%+v; want 2 own pages back", out)
	}
	if got := s.records(d, id(d)); len(got) != len(want) || got[3].Page == nil || got[3].Hash != want[3].Hash {
		s.Errorf("%d own pages, want %d", len(got), len(want))
	}
	if r, ok, err := exchange.Confirmed(d, s.hub.Identity()); !ok || err != nil || r.Head.Seq != 4 {
		s.Errorf("confirmed up to %d, %v, %v", r.Head.Seq, ok, err)
	}
	s.write(d, jobA, 1)
	s.run(d, s.dial(d, only(d, jobA)))
	s.same(s.hub, d, id(d))
	// Restored to before it met anybody.
	d.Restore(OpenBook(d.Identity(), d.key, s.now).Backup())
	if out := s.run(d, s.dial(d, only(d, jobA))); out.Own != 5 {
		s.Errorf("%d own pages back, want 5", out.Own)
	}
	s.same(d, s.hub, id(d))
}

func testNewer(s *site) {
	d, reader, partial := s.device(), s.device(), s.device()
	s.write(d, jobA, 1)
	// Two pages of a version to come, as a later program would write them.
	x := exchange.Batch{Identity: d.Identity()}
	chain := journal.NewChain(s.head(d, id(d)))
	for seq := uint64(2); seq <= 3; seq++ {
		page, err := journal.Marshal([]any{2, id(d), seq, map[string]string{"what": "comes"}})
		if err != nil {
			s.Fatal(err)
		}
		r := journal.NewRecord(seq, page)
		if err := chain.Add(r); err != nil {
			s.Fatal(err)
		}
		x.Records = append(x.Records, r)
	}
	var err error
	if x.Head, err = journal.Sign(chain.Head(), d.key); err != nil {
		s.Fatal(err)
	}
	if _, err := d.Ingest(x.Identity, x.Records, x.Head); err != nil {
		s.Fatal(err)
	}
	s.run(d, s.dial(d, only(d, jobA)))
	s.same(s.hub, d, id(d))
	s.run(reader, s.dial(reader, all(reader)))
	s.same(reader, d, id(d))
	s.run(partial, s.dial(partial, only(partial, jobA)))
	s.wholeIs(partial, id(d), "1--")
	// And back to their own device.
	d.Restore(OpenBook(d.Identity(), d.key, s.now).Backup())
	s.run(d, s.dial(d, only(d, jobA)))
	s.same(d, reader, id(d))
}

func testForgotten(s *site) {
	a, b := s.device(), s.device()
	s.write(a, jobA, 1)
	s.write(a, jobB, 2)
	s.write(b, jobB, 1)
	pa, pb := s.dial(a, only(a, jobA, jobB)), s.dial(b, only(b, jobA, jobB))
	s.run(a, pa)
	s.run(b, pb)
	s.write(b, jobB, 1) // not yet sent
	if n, err := s.hub.Forget(jobB); n != 3 || err != nil {
		s.Fatalf("forgot %d pages, %v", n, err)
	}
	if out := s.run(a, pa); out.Forgot != 2 {
		s.Errorf("%d pages erased, want 2", out.Forgot)
	}
	if out := s.run(b, pb); out.Forgot != 4 {
		s.Errorf("%d pages erased, want 4", out.Forgot)
	}
	s.wholeIs(s.hub, id(b), "--")
	s.wholeIs(a, id(a), "1--")
	s.wholeIs(b, id(a), "1--")
	s.wholeIs(b, id(b), "--")
	for _, d := range []*Book{a, b} {
		if jobs, err := d.Forgotten(); err != nil || !slices.Equal(jobs, []journal.ID{jobB}) {
			s.Errorf("forgotten %v, %v", jobs, err)
		}
		if _, err := d.Append(Draft{Job: jobB}); !errors.Is(err, ErrForgotten) {
			s.Errorf("appending to a forgotten job: %v", err)
		}
		s.write(d, jobA, 1)
	}
	// It is over with: nothing of it is asked for, or sent, again.
	for d, p := range map[*Book]exchange.Peer{a: pa, b: pb} {
		c := &counting{Peer: p}
		s.run(d, c)
		if c.meets != 1 {
			s.Errorf("%d meetings, want 1", c.meets)
		}
		s.same(s.hub, d, id(d))
	}
}

// impostor says that another hub is at the end of the line.
type impostor struct {
	exchange.Peer
	hub journal.Identity
}

func (i impostor) Hub() journal.Identity { return i.hub }

func testReceipt(s *site) {
	d, other := s.device(), s.device()
	s.write(d, jobA, 2)
	p := s.dial(d, all(d))
	s.fails(d, impostor{p, other.Identity()}, exchange.ErrReceipt)
	for _, hub := range []*Book{s.hub, other} {
		if _, ok, err := exchange.Confirmed(d, hub.Identity()); ok || err != nil {
			s.Errorf("confirmed by %s: %v, %v", id(hub), ok, err)
		}
	}
	r := s.run(d, p).Receipt
	if err := r.Verify(s.hub.Identity()); err != nil {
		s.Error(err)
	}
	b, err := r.Encode()
	if err != nil {
		s.Fatal(err)
	}
	if back, err := exchange.DecodeReceipt(b); err != nil || back != r {
		s.Errorf("%+v, %v; want %+v", back, err, r)
	}
	for _, change := range []func(*exchange.Receipt){
		func(r *exchange.Receipt) { r.Head.Seq++ },
		func(r *exchange.Receipt) { r.Head.Hash[0] ^= 1 },
		func(r *exchange.Receipt) { r.Head.Device[0] ^= 1 },
		func(r *exchange.Receipt) { r.Time = r.Time.Add(time.Millisecond) },
		func(r *exchange.Receipt) { r.Signature[0] ^= 1 },
	} {
		x := r
		change(&x)
		if err := x.Verify(s.hub.Identity()); !errors.Is(err, exchange.ErrReceipt) {
			s.Errorf("%+v: %v", x, err)
		}
	}
}

func testUnknown(s *site) {
	d, other := s.device(), s.device()
	s.write(other, jobB, 1)
	s.run(other, s.dial(other, only(other, jobB)))
	p := s.dial(d, only(d, jobA))
	s.run(d, p)
	for _, device := range []journal.ID{id(other), {1, 2, 3}} {
		var got error
		for b, err := range p.Fetch(s.Context(), []exchange.Want{{Device: device, From: 1}}) {
			if got = err; err == nil {
				s.Errorf("%d pages of a log that is not shown", len(b.Records))
			}
		}
		if !errors.Is(got, exchange.ErrUnknown) {
			s.Errorf("%v, want ErrUnknown", got)
		}
	}
}

func testLarge(s *site) {
	a, b := s.device(), s.device()
	append := func(n, size int) {
		s.Helper()
		drafts := make([]Draft, n)
		for i := range drafts {
			drafts[i] = Draft{jobA, bytes.Repeat([]byte{byte(i)}, size)}
		}
		if _, err := a.Append(drafts...); err != nil {
			s.Fatal(err)
		}
	}
	for range 5 {
		append(900, 20) // as an import of many sheets
	}
	for range 4 {
		append(1, 300<<10) // photographs
	}
	append(3000, 1) // one step above what a batch holds
	append(1, 2<<20)
	append(1, 1)
	var acked []uint64
	out, err := exchange.Run(s.Context(), a, s.dial(a, all(a)), exchange.Progress{Sent: func(h journal.Head) { acked = slices.Concat(acked, []uint64{h.Seq}) }})
	if err != nil || out.Sent != 7506 || len(acked) < 6 || !slices.IsSorted(acked) {
		s.Errorf("%d sent, in batches up to %v; %v", out.Sent, acked, err)
	}
	received, batches := 0, 0
	out, err = exchange.Run(s.Context(), b, s.dial(b, all(b)), exchange.Progress{Received: func(x exchange.Batch, n journal.Taken) {
		batches++
		received += n.Added
	}})
	if err != nil || out.Received != 7506 || received != 7506 || batches < 6 {
		s.Errorf("%d received, %d told in %d batches; %v", out.Received, received, batches, err)
	}
	s.same(a, s.hub, id(a))
	s.same(b, s.hub, id(a))
}

func testCancelled(s *site) {
	a, b := s.device(), s.device()
	for _, d := range []*Book{a, b} {
		for range 5 {
			s.write(d, jobA, 1)
			if _, err := d.Append(Draft{jobA, make([]byte, 600<<10)}); err != nil {
				s.Fatal(err)
			}
		}
	}
	s.run(b, s.dial(b, all(b)))
	p := s.dial(a, all(a))
	for _, when := range []string{"sent", "received"} {
		ctx, cancel := context.WithCancel(s.Context())
		_, err := exchange.Run(ctx, a, p, exchange.Progress{
			Sent: func(journal.Head) { cancel() },
			Received: func(exchange.Batch, journal.Taken) {
				if when == "received" {
					cancel()
				}
			},
		})
		cancel()
		// A peer that had sent all when it was cancelled may be done; what is
		// done then is a whole step.
		if err != nil && !errors.Is(err, context.Canceled) {
			s.Errorf("cancelled when %s: %v", when, err)
		}
		if when == "sent" && err == nil {
			s.Error("the run went on when it was cancelled")
		}
	}
	// A hub may be busy yet with what was broken off.
	for try := 1; ; try++ {
		_, err := exchange.Run(s.Context(), a, p, exchange.Progress{})
		if err == nil {
			break
		}
		if try == 1000 {
			s.Fatal(err)
		}
	}
	for _, device := range []journal.ID{id(a), id(b)} {
		s.same(a, s.hub, device)
	}
}

func testFull(s *site) {
	a, b := s.device(), s.device()
	s.write(a, jobA, 3)
	s.write(b, jobB, 3)
	s.run(b, s.dial(b, all(b)))
	p := s.dial(a, all(a))
	for n := range 3 { // the device writes down its receipt, a batch, and the mark
		a.Disk().Full(n)
		if _, err := exchange.Run(s.Context(), a, p, exchange.Progress{}); !errors.Is(err, ErrFull) {
			s.Errorf("room for %d writes: %v", n, err)
		}
		a.Disk().Clear()
	}
	s.write(a, jobA, 1)
	s.hub.Disk().Full(0)
	if _, err := exchange.Run(s.Context(), a, p, exchange.Progress{}); err == nil {
		s.Error("the hub's disk is full, and nothing was said")
	}
	if got := s.head(s.hub, id(a)).Seq; got != 3 {
		s.Errorf("the hub is at %d, want 3", got)
	}
	s.hub.Disk().Clear()
	s.run(a, p)
	s.same(a, s.hub, id(a))
	s.same(a, s.hub, id(b))
}
