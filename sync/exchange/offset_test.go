package exchange_test

import (
	"bytes"
	"errors"
	"fmt"
	"testing"
	"time"

	"pinchrod/store/journal"
	"pinchrod/sync/exchange"
	"pinchrod/sync/synctest"
)

// A bench is two devices and a hub, of which one device has something to give
// and much to get: pages that are added, filled in and withheld, and a job
// that is to be forgotten.
type bench struct {
	hub, other, device *synctest.Book
	line               *synctest.Line
	peer               exchange.Peer
	hit                bool // a fault of the line came about in the last sync
	copies             [2]synctest.Copy
}

func job(c byte) journal.ID { return journal.ID{1, 2, 3, c} }

func newBench(t *testing.T) *bench {
	t.Helper()
	clock := time.UnixMilli(1645557742000).UTC()
	now := func() time.Time {
		clock = clock.Add(time.Second)
		return clock
	}
	b := &bench{hub: synctest.NewBook(1, now), other: synctest.NewBook(2, now), device: synctest.NewBook(3, now)}
	host := &exchange.Host{Book: b.hub, Signer: b.hub.Signer(), Now: func() time.Time { return clock }}
	rights := exchange.Reader{Identity: b.device.Identity(), Jobs: map[journal.ID]bool{job('a'): true, job('c'): true}}
	b.line = &synctest.Line{Host: host, Who: func() exchange.Reader { return rights }}
	b.peer = exchange.Over(b.line, b.device.Identity(), b.hub.Identity())
	all := synctest.Direct(host, func() exchange.Reader { return exchange.Reader{Identity: b.other.Identity(), All: true} })

	write := func(on *synctest.Book, c byte, text string) {
		if _, err := on.Append(synctest.Draft{Job: job(c), Payload: []byte(text)}); err != nil {
			t.Fatal(err)
		}
	}
	run := func(on *synctest.Book, p exchange.Peer) {
		if _, err := exchange.Run(t.Context(), on, p, exchange.Progress{}); err != nil {
			t.Fatal(err)
		}
	}
	write(b.other, 'a', "rise")
	write(b.other, 'b', "going")
	write(b.device, 'c', "width")
	run(b.other, all)
	run(b.device, b.peer)
	rights.Jobs[job('b')] = true
	write(b.other, 'a', "pitch")
	write(b.other, 'd', "nobody else's")
	write(b.hub, 'a', "a note from the bench")
	run(b.other, all)
	write(b.device, 'a', "headroom")
	write(b.device, 'a', "gap")
	if _, err := b.hub.Forget(job('c')); err != nil {
		t.Fatal(err)
	}
	b.copies = [2]synctest.Copy{b.hub.Backup(), b.device.Backup()}
	return b
}

func (b *bench) reset() {
	b.hub.Restore(b.copies[0])
	b.device.Restore(b.copies[1])
	b.line.Sent = nil
}

// sync runs with a fault in one of its rounds.
func (b *bench) sync(t *testing.T, round int, f synctest.Fault) (exchange.Outcome, error) {
	rounds := 0
	b.hit, b.line.Hit.Request, b.line.Hit.Answer = false, false, false
	look := func() { b.hit = b.hit || b.line.Hit.Request || b.line.Hit.Answer }
	b.line.Fault = func(string) synctest.Fault {
		look()
		if rounds++; rounds-1 == round {
			return f
		}
		return synctest.Fault{}
	}
	defer look()
	return exchange.Run(t.Context(), b.device, b.peer, exchange.Progress{})
}

// state is all that two books hold, in a form to compare.
func state(t *testing.T, books ...*synctest.Book) string {
	t.Helper()
	var out bytes.Buffer
	for _, b := range books {
		ids, err := b.Devices()
		if err != nil {
			t.Fatal(err)
		}
		for _, id := range ids {
			heads, err := b.Heads()
			if err != nil {
				t.Fatal(err)
			}
			if heads[id.Device].Seq == 0 {
				continue
			}
			fmt.Fprintf(&out, "log %s %x\n", id.Device, heads[id.Device].Hash)
			for r, err := range b.Scan(id.Device, 1) {
				if err != nil {
					t.Fatal(err)
				}
				fmt.Fprintf(&out, "%d %x %x\n", r.Seq, r.Hash, r.Page)
			}
		}
		gone, err := b.Forgotten()
		fmt.Fprintf(&out, "forgotten %v %v %d\n", gone, err, len(b.Forks(b.Identity().Device)))
	}
	return out.String()
}

// TestEveryByte harms a sync at every byte of every message: the line is cut
// there, with or without the host's answer coming back, or a bit is flipped,
// which TLS would notice. The next sync has to bring both sides to where one
// without a fault does, and the one after has nothing to do.
func TestEveryByte(t *testing.T) {
	b := newBench(t)
	if _, err := b.sync(t, -1, synctest.Fault{}); err != nil {
		t.Fatal(err)
	}
	want := state(t, b.hub, b.device)
	type size = struct{ Request, Answer int }
	var sizes []size
	b.reset()
	b.line.Fault = func(string) synctest.Fault {
		sizes = append(sizes, b.line.Passed)
		return synctest.Fault{}
	}
	if _, err := exchange.Run(t.Context(), b.device, b.peer, exchange.Progress{}); err != nil {
		t.Fatal(err)
	}
	sizes = append(sizes, b.line.Passed)[1:]
	if len(sizes) != 2 {
		t.Fatalf("%d rounds, want a meeting and a fetch", len(sizes))
	}

	step, done, silent := 1, 0, 0
	if raceDetector {
		step = 23
	}
	try := func(what string, round int, f synctest.Fault) {
		t.Helper()
		b.reset()
		_, err := b.sync(t, round, f)
		if !b.hit {
			t.Fatalf("%s: nothing was harmed", what)
		}
		if err == nil {
			silent++
		}
		for _, of := range []error{synctest.ErrCrashed, synctest.ErrFull} {
			if errors.Is(err, of) {
				t.Fatalf("%s: %v", what, err)
			}
		}
		if _, err := b.sync(t, -1, synctest.Fault{}); err != nil {
			t.Fatalf("%s: the next sync: %v", what, err)
		}
		if got := state(t, b.hub, b.device); got != want {
			t.Fatalf("%s:\n%s\nwant:\n%s", what, got, want)
		}
		out, err := b.sync(t, -1, synctest.Fault{})
		if err != nil || out.Sent+out.Received+out.Own+out.Forgot+len(out.State.Logs) > 0 {
			t.Fatalf("%s: the sync after: %+v, %v", what, out, err)
		}
		done++
	}
	for round, n := range sizes {
		for at := 0; at < n.Request; at += step {
			what := fmt.Sprintf("round %d, request, byte %d of %d", round, at, n.Request)
			cut := synctest.Harm{Cut: true, At: at}
			try(what+", cut", round, synctest.Fault{Request: cut})
			try(what+", cut both ways", round, synctest.Fault{Request: cut, Answer: synctest.Harm{Cut: true}})
			try(what+", flipped", round, synctest.Fault{Request: synctest.Harm{Flip: 1 << (at % 8), At: at}})
		}
		for at := 0; at < n.Answer; at += step {
			what := fmt.Sprintf("round %d, answer, byte %d of %d", round, at, n.Answer)
			try(what+", cut", round, synctest.Fault{Answer: synctest.Harm{Cut: true, At: at}})
			try(what+", flipped", round, synctest.Fault{Answer: synctest.Harm{Flip: 1 << (at % 8), At: at}})
		}
	}
	t.Logf("%d syncs harmed, of messages of %v bytes; %d of them came through all the same", done, sizes, silent)
}

// TestEveryWrite has either side crash or find its disk full at every write of
// a sync, the write being done or not.
func TestEveryWrite(t *testing.T) {
	b := newBench(t)
	if _, err := b.sync(t, -1, synctest.Fault{}); err != nil {
		t.Fatal(err)
	}
	want := state(t, b.hub, b.device)
	for name, side := range map[string]*synctest.Book{"hub": b.hub, "device": b.device} {
		for n := 0; ; n++ {
			hit := 0
			for _, fault := range []func(){
				func() { side.Disk().Crash(n, false) },
				func() { side.Disk().Crash(n, true) },
				func() { side.Disk().Full(n) },
			} {
				b.reset()
				b.line.Dead = b.hub.Disk().Dead
				fault()
				_, err := b.sync(t, -1, synctest.Fault{})
				if side.Disk().Dead() || side.Disk().Refused() {
					hit++
					if err == nil {
						t.Errorf("%s, write %d: the sync says that all is well", name, n)
					}
				}
				side.Disk().Clear()
				if _, err := b.sync(t, -1, synctest.Fault{}); err != nil {
					t.Fatalf("%s, write %d: the next sync: %v", name, n, err)
				}
				if got := state(t, b.hub, b.device); got != want {
					t.Fatalf("%s, write %d:\n%s\nwant:\n%s", name, n, got, want)
				}
			}
			if hit == 0 {
				if least := map[string]int{"hub": 1, "device": 4}[name]; n < least {
					t.Errorf("%s: %d writes, want at least %d", name, n, least)
				}
				break
			}
		}
	}
}

// TestOldRequests has requests arrive again, and late.
func TestOldRequests(t *testing.T) {
	b := newBench(t)
	if _, err := b.sync(t, -1, synctest.Fault{}); err != nil {
		t.Fatal(err)
	}
	want := state(t, b.hub, b.device)
	for _, r := range b.line.Sent {
		b.line.Replay(t.Context(), r)
	}
	if got := state(t, b.hub, b.device); got != want {
		t.Errorf("after old requests:\n%s\nwant:\n%s", got, want)
	}
	b.reset()
	for range 2 {
		if _, err := b.sync(t, 0, synctest.Fault{Hold: true}); !errors.Is(err, synctest.ErrLine) {
			t.Errorf("held up: %v", err)
		}
	}
	if _, err := b.sync(t, 0, synctest.Fault{Twice: true}); err != nil {
		t.Error(err)
	}
	if n := b.line.Release(t.Context()); n != 2 {
		t.Errorf("%d requests were held up, want 2", n)
	}
	if got := state(t, b.hub, b.device); got != want {
		t.Errorf("after late requests:\n%s\nwant:\n%s", got, want)
	}
}
