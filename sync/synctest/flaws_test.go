package synctest

import (
	"context"
	"errors"
	"iter"
	"slices"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"

	"pinchrod/store/journal"
	"pinchrod/sync/exchange"
)

// lateBook says that pages are on disk before they are: a crash takes the last
// batch with it.
type lateBook struct {
	*Book
	undo func() error
}

func (b *lateBook) Ingest(id journal.Identity, records []journal.Record, head journal.SignedHead) (journal.Taken, error) {
	undo, err := b.Copy()
	if err != nil {
		return journal.Taken{}, err
	}
	taken, err := b.Book.Ingest(id, records, head)
	if err == nil && taken.Added > 0 {
		b.undo = undo
	}
	return taken, err
}

func (b *lateBook) Restart() error {
	if b.Disk().Dead() && b.undo != nil {
		if err := b.undo(); err != nil {
			return err
		}
		b.undo = nil
	}
	return b.Book.Restart()
}

// force keeps records that Ingest has refused, at the end of the log.
func (b *Book) force(id journal.Identity, records []journal.Record, head journal.SignedHead) journal.Taken {
	b.mu.Lock()
	defer b.mu.Unlock()
	l := b.disk.logs[id.Device]
	if l == nil {
		l = newLog(id)
	}
	if len(records) == 0 || records[0].Seq != uint64(len(l.records))+1 {
		return journal.Taken{}
	}
	in := intake{records: records, head: head}
	chain := journal.NewChain(l.last().Head)
	for _, r := range records {
		job := journal.Unread
		if p, err := r.Decode(); err == nil {
			job = p.Job
		}
		chain.AddHash(r.Hash)
		in.jobs, in.heads = append(in.jobs, job), append(in.heads, chain.Head().Hash)
	}
	b.disk.logs[id.Device] = l
	l.keep(in)
	return journal.Taken{Added: len(records)}
}

// trustingBook keeps what it gets without verifying it.
type trustingBook struct{ *Book }

func (b trustingBook) Ingest(id journal.Identity, records []journal.Record, head journal.SignedHead) (journal.Taken, error) {
	taken, err := b.Book.Ingest(id, records, head)
	if errors.Is(err, journal.ErrBroken) || errors.Is(err, journal.ErrSignature) || errors.Is(err, journal.ErrInvalid) {
		return b.force(id, records, head), nil
	}
	return taken, err
}

// halfBook keeps half a batch when the disk is full.
type halfBook struct{ *Book }

func (b halfBook) Ingest(id journal.Identity, records []journal.Record, head journal.SignedHead) (journal.Taken, error) {
	taken, err := b.Book.Ingest(id, records, head)
	if n := len(records) / 2; errors.Is(err, ErrFull) && n > 0 {
		half := head
		half.Seq = records[n-1].Seq
		b.force(id, records[:n], half)
	}
	return taken, err
}

// lastWordBook lets a log that forks take the place of the one that is held.
type lastWordBook struct{ *Book }

func (b lastWordBook) Ingest(id journal.Identity, records []journal.Record, head journal.SignedHead) (journal.Taken, error) {
	taken, err := b.Book.Ingest(id, records, head)
	if !errors.Is(err, journal.ErrFork) || len(records) == 0 {
		return taken, err
	}
	b.mu.Lock()
	l := b.disk.logs[id.Device]
	n := min(int(records[0].Seq)-1, len(l.records))
	l.records, l.jobs, l.heads = l.records[:n], l.jobs[:n], l.heads[:n+1]
	l.signed = slices.DeleteFunc(l.signed, func(h journal.SignedHead) bool { return h.Seq > uint64(n) })
	b.mu.Unlock()
	return b.force(id, records, head), nil
}

// keepingBook forgets nothing.
type keepingBook struct{ *Book }

func (b keepingBook) Forget(job journal.ID) (int, error) {
	held := b.Backup()
	n, err := b.Book.Forget(job)
	if err == nil && !b.Disk().Dead() {
		b.mu.Lock()
		b.disk.logs = held.disk.logs
		b.mu.Unlock()
	}
	return n, err
}

// anxiousBook writes again what it was writing when it crashed.
type anxiousBook struct {
	*Book
	drafts []Draft
}

func (b *anxiousBook) Append(drafts ...Draft) (journal.SignedHead, error) {
	h, err := b.Book.Append(drafts...)
	if errors.Is(err, ErrCrashed) {
		b.drafts = drafts
	}
	return h, err
}

func (b *anxiousBook) Restart() error {
	err := b.Book.Restart()
	if drafts := b.drafts; drafts != nil {
		b.drafts = nil
		_, err = b.Book.Append(drafts...)
	}
	return err
}

// rashPeer takes for confirmed what was only sent, and begins after it the
// next time.
type rashPeer struct {
	exchange.Peer
	sent journal.Head
}

func (p *rashPeer) Meet(ctx context.Context, offer exchange.Offer, batches iter.Seq2[exchange.Batch, error], acked func(journal.Head)) (exchange.State, error) {
	if p.sent.Seq > offer.Base.Seq {
		offer.Base = p.sent
	}
	rest := func(yield func(exchange.Batch, error) bool) {
		for b, err := range batches {
			if err == nil && b.Head.Seq <= offer.Base.Seq {
				continue
			}
			if err == nil {
				p.sent = b.Head.Head
			}
			if !yield(b, err) {
				return
			}
		}
	}
	return p.Peer.Meet(ctx, offer, rest, acked)
}

// hastyPeer has its device note the mark before the pages are there.
type hastyPeer struct {
	exchange.Peer
	device Node
}

func (p hastyPeer) Meet(ctx context.Context, offer exchange.Offer, batches iter.Seq2[exchange.Batch, error], acked func(journal.Head)) (exchange.State, error) {
	s, err := p.Peer.Meet(ctx, offer, batches, acked)
	if err == nil {
		err = p.device.SetMargin(map[string][]byte{"hub/" + p.Hub().Device.String() + "/seen": s.Mark[:]})
	}
	return s, err
}

// vainPeer keeps from its device that a log has forked.
type vainPeer struct{ exchange.Peer }

func (p vainPeer) Meet(ctx context.Context, offer exchange.Offer, batches iter.Seq2[exchange.Batch, error], acked func(journal.Head)) (exchange.State, error) {
	s, err := p.Peer.Meet(ctx, offer, batches, acked)
	if errors.Is(err, journal.ErrFork) {
		return p.Peer.Meet(ctx, exchange.Offer{Base: offer.Base}, func(func(exchange.Batch, error) bool) {}, nil)
	}
	return s, err
}

// enough schedules find each of the planted defects; a submission runs many
// times as many. Under the race detector there are few, which find some.
const enough, few = 250, 10

// TestFlaws has the simulation find defects that are planted.
func TestFlaws(t *testing.T) {
	t.Parallel()
	books := func(wrap func(b *Book, hub bool) Node) func() rig {
		return func() rig {
			proved := map[proof]bool{}
			return rig{node: func(seed uint64, now func() time.Time, hub bool) (Node, error) {
				b := NewBook(seed, now)
				b.proved = proved
				return wrap(b, hub), nil
			}}
		}
	}
	peers := func(wrap func(Node, exchange.Peer) exchange.Peer) func() rig {
		return func() rig { return rig{peer: wrap} }
	}
	for _, tc := range []struct {
		name  string
		parts func() rig
	}{
		{"a hub acknowledges before it is on disk", books(func(b *Book, hub bool) Node {
			if hub {
				return &lateBook{Book: b}
			}
			return b
		})},
		{"a batch is kept without being verified", books(func(b *Book, _ bool) Node { return trustingBook{b} })},
		{"half a batch is kept when the disk is full", books(func(b *Book, _ bool) Node { return halfBook{b} })},
		{"a fork takes the place of the log", books(func(b *Book, _ bool) Node { return lastWordBook{b} })},
		{"a forgotten job stays", books(func(b *Book, _ bool) Node { return keepingBook{b} })},
		{"an entry is written again after a crash", books(func(b *Book, _ bool) Node { return &anxiousBook{Book: b} })},
		{"a device goes on after what it has only sent", peers(func(_ Node, p exchange.Peer) exchange.Peer { return &rashPeer{Peer: p} })},
		{"a mark is noted before the pages are there", peers(func(d Node, p exchange.Peer) exchange.Peer { return hastyPeer{p, d} })},
		{"a fork is kept from its device", peers(func(_ Node, p exchange.Peer) exchange.Peer { return vainPeer{p} })},
		{"a hub shows every page to everyone", func() rig {
			return rig{who: func(r exchange.Reader) exchange.Reader {
				r.All = true
				return r
			}}
		}},
	} {
		t.Run(tc.name, func(t *testing.T) {
			for seed := uint64(1); seed <= enough; seed++ {
				if raceDetector && seed > few {
					return
				}
				_, err := simulate(Generate(seed), tc.parts())
				if err == nil {
					continue
				}
				if !Violated(err) {
					t.Errorf("seed %d: %v", seed, err)
				}
				t.Logf("seed %d: %v", seed, err)
				return
			}
			t.Errorf("not found within %d seeds", enough)
		})
	}
}

// TestReplay has a trace be read and replayed, and a schedule that fails made
// short.
func TestReplay(t *testing.T) {
	t.Parallel()
	s := Generate(1)
	first, err := Replay(s)
	if err != nil {
		t.Fatal(err)
	}
	read, err := ParseSchedule(first.String())
	if err != nil || cmp.Diff(s, read) != "" {
		t.Fatalf("%v\n%s\nis read as\n%s", err, first, read)
	}
	again, err := Replay(read)
	if err != nil || again.String() != first.String() {
		t.Errorf("%v\n%s\nand then\n%s", err, first, again)
	}
	for _, text := range []string{
		"", "# nothing", "append 1 2 3 4", "devices 0 1", "devices 3 1\nappend 1 2 3", "devices 3 1\nfly 1 2 3 4", "devices x",
	} {
		if s, err := ParseSchedule(text); err == nil {
			t.Errorf("%q is read as %v", text, s)
		}
	}

	flawed := func() rig {
		return rig{node: func(seed uint64, now func() time.Time, _ bool) (Node, error) {
			return &anxiousBook{Book: NewBook(seed, now)}, nil
		}}
	}
	fails := func(s Schedule) bool {
		_, err := simulate(s, flawed())
		return err != nil
	}
	for seed := uint64(1); ; seed++ {
		s := Generate(seed)
		if !fails(s) {
			continue
		}
		short := Shrink(s, fails)
		trace, err := simulate(short, flawed())
		// One write that crashes is all it takes.
		if err == nil || len(short.Steps) != 1 {
			t.Errorf("%d steps of %d are left: %v\n%s", len(short.Steps), len(s.Steps), err, trace)
		}
		return
	}
}
