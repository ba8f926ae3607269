package exchange_test

import (
	"bytes"
	"context"
	"crypto/ed25519"
	"errors"
	"fmt"
	"iter"
	"slices"
	"strings"
	"testing"
	"time"

	"pinchrod/store/journal"
	"pinchrod/sync/exchange"
	"pinchrod/sync/synctest"
)

// A place is a hub in memory and its devices.
type place struct {
	*testing.T
	host  *exchange.Host
	hub   *synctest.Book
	made  uint64
	clock time.Time
}

func newPlace(t *testing.T) *place {
	p := &place{T: t, clock: time.UnixMilli(1645557742000).UTC()}
	p.hub = p.book()
	p.host = &exchange.Host{Book: p.hub, Signer: p.hub.Signer(), Now: p.now}
	return p
}

func (p *place) now() time.Time {
	p.clock = p.clock.Add(time.Second)
	return p.clock
}

func (p *place) book() *synctest.Book {
	p.made++
	return synctest.NewBook(p.made, p.now)
}

// all is the hub to a device that reads everything.
func (p *place) all(d *synctest.Book) exchange.Peer {
	return synctest.Direct(p.host, func() exchange.Reader { return exchange.Reader{Identity: d.Identity(), All: true} })
}

func (p *place) write(d *synctest.Book, n int) {
	p.Helper()
	for range n {
		if _, err := d.Append(synctest.Draft{Job: job('a'), Payload: []byte(p.now().String())}); err != nil {
			p.Fatal(err)
		}
	}
}

func (p *place) run(d *synctest.Book, peer exchange.Peer) exchange.Outcome {
	p.Helper()
	out, err := exchange.Run(p.Context(), d, peer, exchange.Progress{})
	if err != nil {
		p.Fatal(err)
	}
	return out
}

func (p *place) head(b, of *synctest.Book) uint64 {
	p.Helper()
	heads, err := b.Heads()
	if err != nil {
		p.Fatal(err)
	}
	return heads[of.Identity().Device].Seq
}

// batches collects a log's batches.
func (p *place) batches(b, of *synctest.Book) (out []exchange.Batch) {
	p.Helper()
	for x, err := range exchange.Batches(b, of.Identity(), 1, exchange.Reader{All: true}) {
		if err != nil {
			p.Fatal(err)
		}
		out = append(out, x)
	}
	return out
}

// bent is a peer whose answers are not its own.
type bent struct {
	exchange.Peer
	meet  func(exchange.State, error, func(journal.Head)) (exchange.State, error)
	fetch func(wants []exchange.Want, batches iter.Seq2[exchange.Batch, error]) iter.Seq2[exchange.Batch, error]
}

func (b bent) Meet(ctx context.Context, offer exchange.Offer, batches iter.Seq2[exchange.Batch, error], acked func(journal.Head)) (exchange.State, error) {
	s, err := b.Peer.Meet(ctx, offer, batches, acked)
	if b.meet != nil {
		return b.meet(s, err, acked)
	}
	return s, err
}

func (b bent) Fetch(ctx context.Context, wants []exchange.Want) iter.Seq2[exchange.Batch, error] {
	x := b.Peer.Fetch(ctx, wants)
	if b.fetch != nil {
		return b.fetch(wants, x)
	}
	return x
}

// TestBatchesDoNotGrow passes a log from hand to hand: a batch is kept as one
// signed step, and must not make the next one larger, or one day it would not
// fit into a frame.
func TestBatchesDoNotGrow(t *testing.T) {
	p := newPlace(t)
	from := p.book()
	for i := range 40 {
		drafts := make([]synctest.Draft, 1+i%7*90)
		for j := range drafts {
			drafts[j].Payload = bytes.Repeat([]byte{byte(i)}, 1200)
		}
		if i%9 == 0 {
			drafts[0].Payload = make([]byte, 700<<10) // larger than a batch by itself
		}
		if _, err := from.Append(drafts...); err != nil {
			t.Fatal(err)
		}
	}
	largest := 0
	at := from
	for hand := range 6 {
		next := p.book()
		for _, x := range p.batches(at, from) {
			size, steps := 0, 0
			for _, r := range x.Records {
				size += len(r.Page)
				if h, err := from.SignedFrom(from.Identity().Device, r.Seq); err != nil {
					t.Fatal(err)
				} else if h.Seq == r.Seq {
					steps++
				}
			}
			if steps > 1 && (size > 512<<10 || len(x.Records) > 2048) {
				t.Errorf("hand %d: %d pages and %d bytes in %d steps", hand, len(x.Records), size, steps)
			}
			if hand == 0 {
				largest = max(largest, size)
			} else if size > largest {
				t.Errorf("hand %d: %d bytes, above the %d of the first", hand, size, largest)
			}
			if _, err := next.Ingest(x.Identity, x.Records, x.Head); err != nil {
				t.Fatal(err)
			}
		}
		if got, want := p.head(next, from), p.head(from, from); got != want {
			t.Fatalf("hand %d: %d pages, want %d", hand, got, want)
		}
		at = next
	}
}

// TestTooLarge has a signed step that no frame holds, which a program before
// this one could save, refused before it is sent, and says so.
func TestTooLarge(t *testing.T) {
	p := newPlace(t)
	d := p.book()
	self := d.Identity()
	chain := journal.NewChain(self.Head().Head)
	var records []journal.Record
	for seq := range uint64(2) {
		page, err := journal.Page{Device: self.Device, Seq: seq + 1, Time: p.now(), Payload: make([]byte, 9<<20)}.Encode()
		if err != nil {
			t.Fatal(err)
		}
		records = append(records, journal.NewRecord(seq+1, page))
		chain.AddHash(records[seq].Hash)
	}
	head, err := journal.Sign(chain.Head(), d.Signer().(ed25519.PrivateKey))
	if err != nil {
		t.Fatal(err)
	}
	if _, err := d.Ingest(self, records, head); err != nil {
		t.Fatal(err)
	}
	line := &synctest.Line{Host: p.host, Who: func() exchange.Reader { return exchange.Reader{Identity: d.Identity()} }}
	_, err = exchange.Run(t.Context(), d, exchange.Over(line, d.Identity(), p.hub.Identity()), exchange.Progress{})
	if err == nil || !strings.Contains(err.Error(), "in one step") {
		t.Errorf("%v, want to be told that the step is too large", err)
	}
}

// TestOldAnswer takes in what the hub said before, as a parcel brings it: what
// was confirmed since stays confirmed.
func TestOldAnswer(t *testing.T) {
	p := newPlace(t)
	d, other := p.book(), p.book()
	p.write(d, 2)
	p.write(other, 1)
	p.run(other, p.all(other))
	old := p.run(d, p.all(d)).State
	p.write(d, 3)
	p.write(other, 1)
	p.run(other, p.all(other))
	p.run(d, p.all(d))
	gone := bent{p.all(d), func(exchange.State, error, func(journal.Head)) (exchange.State, error) { return old, nil }, nil}
	for range 2 {
		if out := p.run(d, gone); out.Sent+out.Received+out.Own > 0 {
			t.Errorf("%+v", out)
		}
		if r, ok, err := exchange.Confirmed(d, p.hub.Identity()); !ok || err != nil || r.Head.Seq != 5 {
			t.Errorf("confirmed up to page %d, %v, %v; want 5", r.Head.Seq, ok, err)
		}
	}
	if out := p.run(d, p.all(d)); out.Sent > 0 {
		t.Errorf("%d pages were sent again", out.Sent)
	}
}

// TestContradictions has hubs that contradict themselves be found out.
func TestContradictions(t *testing.T) {
	p := newPlace(t)
	d, other := p.book(), p.book()
	p.write(d, 1)
	first := p.run(d, p.all(d)).State
	p.write(d, 1)
	p.write(other, 1)
	p.run(other, p.all(other))
	for name, tc := range map[string]struct {
		meet func(exchange.State, error, func(journal.Head)) (exchange.State, error)
		want error
	}{
		"confirms less than it acknowledged": {func(s exchange.State, err error, _ func(journal.Head)) (exchange.State, error) {
			s.Receipt = first.Receipt
			return s, err
		}, exchange.ErrReceipt},
		"a receipt for another device": {func(s exchange.State, err error, _ func(journal.Head)) (exchange.State, error) {
			s.Receipt, _ = exchange.SignReceipt(other.Identity().Head().Head, p.now(), p.hub.Signer())
			return s, err
		}, exchange.ErrReceipt},
		"a receipt for another log": {func(s exchange.State, err error, _ func(journal.Head)) (exchange.State, error) {
			s.Receipt.Head.Hash[0] ^= 1
			s.Receipt, _ = exchange.SignReceipt(s.Receipt.Head, p.now(), p.hub.Signer())
			return s, err
		}, journal.ErrFork},
		"a job slipped in": {func(s exchange.State, err error, _ func(journal.Head)) (exchange.State, error) {
			s.Forgotten = []journal.ID{job('a')}
			return s, err
		}, exchange.ErrProtocol},
		"a gap that is none": {func(exchange.State, error, func(journal.Head)) (exchange.State, error) {
			return exchange.State{}, &exchange.GapError{Have: journal.Head{Device: d.Identity().Device, Seq: 2}}
		}, exchange.ErrProtocol},
		"gaps without an end": {func(exchange.State, error, func(journal.Head)) (exchange.State, error) {
			return exchange.State{}, &exchange.GapError{Have: d.Identity().Head().Head}
		}, exchange.ErrProtocol},
		"the device's own log among the others": {func(s exchange.State, err error, _ func(journal.Head)) (exchange.State, error) {
			return mine(t, d, p), err
		}, exchange.ErrProtocol},
	} {
		book := p.copied(d)
		if out, err := exchange.Run(t.Context(), book, bent{p.all(d), tc.meet, nil}, exchange.Progress{}); !errors.Is(err, tc.want) {
			t.Errorf("%s: %+v, %v; want %v", name, out, err, tc.want)
		}
		if jobs, err := book.Forgotten(); err != nil || len(jobs) > 0 {
			t.Errorf("%s: %d jobs were forgotten", name, len(jobs))
		}
		if got := p.head(book, d); got != 2 {
			t.Errorf("%s: %d own pages", name, got)
		}
	}
	p.run(d, p.all(d))
}

// mine is a state that shows the device's own log, as the hub shows it to
// another device.
func mine(t *testing.T, d *synctest.Book, p *place) exchange.State {
	t.Helper()
	own := p.copied(d)
	s, err := p.all(own).Meet(t.Context(), exchange.Offer{Base: d.Identity().Head().Head}, func(yield func(exchange.Batch, error) bool) {
		for _, x := range p.batches(d, d) {
			if !yield(x, nil) {
				return
			}
		}
	}, nil)
	if err != nil {
		t.Fatal(err)
	}
	other := p.book()
	x, err := p.all(other).Meet(t.Context(), exchange.Offer{Base: other.Identity().Head().Head}, func(func(exchange.Batch, error) bool) {}, nil)
	if err != nil {
		t.Fatal(err)
	}
	x.Receipt = s.Receipt
	x.Own = s.Own
	return x
}

// copied is a copy of a book, to be spoilt.
func (p *place) copied(b *synctest.Book) *synctest.Book {
	c := b.Twin()
	c.Restore(b.Backup())
	return c
}

// TestShortAnswer has a hub's answer end too soon, and well: what is lacking is
// asked for again.
func TestShortAnswer(t *testing.T) {
	p := newPlace(t)
	d, a, b := p.book(), p.book(), p.book()
	for _, x := range []*synctest.Book{a, b} {
		p.write(x, 3)
		p.run(x, p.all(x))
	}
	short := bent{p.all(d), nil, func(_ []exchange.Want, all iter.Seq2[exchange.Batch, error]) iter.Seq2[exchange.Batch, error] {
		return func(yield func(exchange.Batch, error) bool) {
			for x, err := range all {
				yield(x, err)
				return
			}
		}
	}}
	if out := p.run(d, short); out.Received != 3 {
		t.Errorf("%d pages, want those of one log", out.Received)
	}
	if out := p.run(d, p.all(d)); out.Received != 3 {
		t.Errorf("%d pages, want those of the other log", out.Received)
	}
}

// TestOneBadLog has a hub spoil one log: the others come all the same, and the
// error is said.
func TestOneBadLog(t *testing.T) {
	p := newPlace(t)
	d, a, b := p.book(), p.book(), p.book()
	for _, x := range []*synctest.Book{a, b} {
		p.write(x, 3)
		p.run(x, p.all(x))
	}
	for _, bad := range []*synctest.Book{a, b} {
		d := p.copied(d)
		spoilt := bent{p.all(d), nil, func(_ []exchange.Want, all iter.Seq2[exchange.Batch, error]) iter.Seq2[exchange.Batch, error] {
			return func(yield func(exchange.Batch, error) bool) {
				for x, err := range all {
					if x.Identity.Device == bad.Identity().Device {
						x.Records = slices.Clone(x.Records)
						x.Records[1].Page = nil
						x.Records[1].Hash[0] ^= 1
					}
					if !yield(x, err) {
						return
					}
				}
			}
		}}
		out, err := exchange.Run(t.Context(), d, spoilt, exchange.Progress{})
		if !errors.Is(err, journal.ErrBroken) || out.Received != 3 {
			t.Errorf("%d pages, %v; want the other log, and to be told", out.Received, err)
		}
		if out := p.run(d, p.all(d)); out.Received != 3 {
			t.Errorf("%d pages, want the log that was spoilt", out.Received)
		}
	}
}

// damagedBook finds that its own bytes are not those that were written.
type damagedBook struct{ *synctest.Book }

func (damagedBook) Ingest(id journal.Identity, records []journal.Record, _ journal.SignedHead) (journal.Taken, error) {
	return journal.Taken{}, &journal.BreakError{Device: id.Device, Seq: records[0].Seq, Err: fmt.Errorf("%w: %w", journal.ErrDamaged, journal.ErrBroken)}
}

// TestOwnDamage has a device's book be damaged: that is not taken for a fault of
// the log that comes, which would be fetched again from its start.
func TestOwnDamage(t *testing.T) {
	p := newPlace(t)
	d, a, b := p.book(), p.book(), p.book()
	for _, x := range []*synctest.Book{a, b} {
		p.write(x, 3)
		p.run(x, p.all(x))
	}
	p.run(d, p.all(d))
	p.write(a, 1)
	p.write(b, 1)
	p.run(a, p.all(a))
	p.run(b, p.all(b))
	fetches := 0
	counted := bent{p.all(d), nil, func(_ []exchange.Want, all iter.Seq2[exchange.Batch, error]) iter.Seq2[exchange.Batch, error] {
		fetches++
		return all
	}}
	if _, err := exchange.Run(t.Context(), damagedBook{d}, counted, exchange.Progress{}); !errors.Is(err, journal.ErrDamaged) || fetches != 1 {
		t.Errorf("%v after %d fetches, want to be told of the damage after one", err, fetches)
	}
}

// TestAheadOfTheHub has a device hold pages, from a parcel, that the hub has
// not, and lack one that it has.
func TestAheadOfTheHub(t *testing.T) {
	p := newPlace(t)
	d, a := p.book(), p.book()
	p.write(a, 3)
	p.run(a, p.all(a))
	p.write(a, 3)
	for _, x := range p.batches(a, a) {
		x.Records[1].Page = nil
		if _, err := d.Ingest(x.Identity, x.Records, x.Head); err != nil {
			t.Fatal(err)
		}
	}
	var asked []exchange.Want
	hub := bent{p.all(d), nil, func(wants []exchange.Want, all iter.Seq2[exchange.Batch, error]) iter.Seq2[exchange.Batch, error] {
		asked = wants
		return all
	}}
	if out := p.run(d, hub); out.Received != 1 {
		t.Errorf("%d pages, want the one that was withheld", out.Received)
	}
	if want := []exchange.Want{{Device: a.Identity().Device, From: 2}}; !slices.Equal(asked, want) {
		t.Errorf("asked for %v, want %v: what is there is not sent again", asked, want)
	}
	if out := p.run(d, p.all(d)); out.Received != 0 || len(out.State.Logs) > 0 {
		t.Errorf("%+v", out)
	}
}

// TestOwnHashes has a device that is an older copy of itself get its own pages
// as hashes, from somebody who may not read them, before it meets the hub.
func TestOwnHashes(t *testing.T) {
	p := newPlace(t)
	d := p.book()
	p.write(d, 2)
	p.run(d, p.all(d))
	old := d.Backup()
	p.write(d, 3)
	p.run(d, p.all(d))
	upTo := func(n int) []exchange.Batch {
		d.Restore(old)
		h, err := p.hub.SignedFrom(d.Identity().Device, uint64(n))
		if err != nil {
			t.Fatal(err)
		}
		if h.Seq > uint64(n) {
			t.Fatalf("no signed head %d", n)
		}
		x := p.batches(p.hub, d)[0]
		x.Records, x.Head = slices.Clone(x.Records[:n]), h
		for i := range x.Records {
			x.Records[i].Page = nil
		}
		return []exchange.Batch{x}
	}
	bring := func(batches []exchange.Batch) {
		for _, x := range batches {
			if _, err := d.Ingest(x.Identity, x.Records, x.Head); err != nil {
				t.Fatal(err)
			}
		}
	}
	whole := func() (n int) {
		for r, err := range d.Scan(d.Identity().Device, 1) {
			if err != nil {
				t.Fatal(err)
			}
			if r.Page != nil {
				n++
			}
		}
		return n
	}
	bring(upTo(5))
	// A parcel answers what it was asked: it has no page before the end.
	past := bent{p.all(d), nil, func(wants []exchange.Want, all iter.Seq2[exchange.Batch, error]) iter.Seq2[exchange.Batch, error] {
		return func(yield func(exchange.Batch, error) bool) {
			yield(exchange.Batch{}, fmt.Errorf("pages from %d: %w", wants[0].From, journal.ErrGap))
		}
	}}
	for range 2 {
		if out := p.run(d, past); out.Own != 0 || whole() != 2 {
			t.Errorf("%d own pages back, %d in full", out.Own, whole())
		}
	}
	for _, want := range []int{3, 0} {
		if out := p.run(d, p.all(d)); out.Own != want || whole() != 5 {
			t.Errorf("%d own pages back, want %d; %d in full", out.Own, want, whole())
		}
	}
	// What it has forgotten by itself it does not fetch back.
	if _, err := d.Forget(job('a')); err != nil {
		t.Fatal(err)
	}
	if out := p.run(d, p.all(d)); out.Own != 0 || whole() != 0 {
		t.Errorf("%d own pages back, %d in full", out.Own, whole())
	}
}

// TestSpoiltReceipt has a receipt in the margin that does not verify: it
// confirms nothing, and does not stand in the way.
func TestSpoiltReceipt(t *testing.T) {
	p := newPlace(t)
	d := p.book()
	p.write(d, 2)
	p.run(d, p.all(d))
	notes, err := d.Margin("hub/")
	if err != nil || len(notes) != 2 {
		t.Fatalf("%d notes of the hub, %v", len(notes), err)
	}
	for name, v := range notes {
		if strings.HasSuffix(name, "/receipt") {
			v[len(v)-1] ^= 1
		}
		if err := d.SetMargin(map[string][]byte{name: v}); err != nil {
			t.Fatal(err)
		}
	}
	if _, ok, err := exchange.Confirmed(d, p.hub.Identity()); ok || !errors.Is(err, exchange.ErrReceipt) {
		t.Errorf("confirmed: %v, %v", ok, err)
	}
	p.run(d, p.all(d))
	if _, ok, err := exchange.Confirmed(d, p.hub.Identity()); !ok || err != nil {
		t.Errorf("confirmed: %v, %v", ok, err)
	}
}

// TestWrote has the host be told of a device's jobs even if the meeting in
// which they came was cut.
func TestWrote(t *testing.T) {
	p := newPlace(t)
	d := p.book()
	p.write(d, 1)
	var told []string
	rights := exchange.Reader{Identity: d.Identity()}
	p.host.Wrote = func(who exchange.Reader, jobs []journal.ID) (exchange.Reader, error) {
		told = append(told, fmt.Sprint(jobs))
		who.Jobs = map[journal.ID]bool{}
		for _, job := range jobs {
			who.Jobs[job] = true
		}
		return who, nil
	}
	peer := synctest.Direct(p.host, func() exchange.Reader { return rights })
	cut := errors.New("cut")
	offer := exchange.Offer{Base: d.Identity().Head().Head}
	_, err := p.host.Meet(t.Context(), rights, offer, exchange.Batches(d, d.Identity(), 1, rights), func(journal.Head) error { return cut })
	if !errors.Is(err, cut) || len(told) > 0 {
		t.Fatalf("%v, told %v", err, told)
	}
	out := p.run(d, peer)
	if want := []string{fmt.Sprint([]journal.ID{job('a')})}; !slices.Equal(told, want) {
		t.Errorf("told %v, want %v", told, want)
	}
	if !slices.Equal(out.State.Jobs, []journal.ID{job('a')}) {
		t.Errorf("the state shows the rights of before: %v", out.State.Jobs)
	}
	p.run(d, peer)
	if len(told) != 1 {
		t.Errorf("told %d times though nothing came", len(told)-1)
	}
}

// TestAcks has a peer acknowledge twice, and less than before: what is told and
// counted as sent goes up only.
func TestAcks(t *testing.T) {
	p := newPlace(t)
	d := p.book()
	p.write(d, 5)
	device := d.Identity().Device
	peer := bent{p.all(d), func(s exchange.State, err error, acked func(journal.Head)) (exchange.State, error) {
		for _, seq := range []uint64{2, 2, 1, 0, 4, 3, 5, 5} {
			acked(journal.Head{Device: device, Seq: seq})
		}
		return s, err
	}, nil}
	peer.Peer = deaf{peer.Peer}
	var told []uint64
	out, err := exchange.Run(t.Context(), d, peer, exchange.Progress{Sent: func(h journal.Head) { told = append(told, h.Seq) }})
	if err != nil || out.Sent != 5 || !slices.Equal(told, []uint64{2, 4, 5}) {
		t.Errorf("sent %d, told %v, %v; want 5, told 2, 4 and 5", out.Sent, told, err)
	}
}

// deaf is a peer that acknowledges nothing.
type deaf struct{ exchange.Peer }

func (d deaf) Meet(ctx context.Context, offer exchange.Offer, batches iter.Seq2[exchange.Batch, error], _ func(journal.Head)) (exchange.State, error) {
	return d.Peer.Meet(ctx, offer, batches, nil)
}
