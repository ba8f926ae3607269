package exchange_test

import (
	"fmt"
	"testing"
	"time"

	"pgregory.net/rapid"

	"pinchrod/store/journal"
	"pinchrod/sync/exchange"
	"pinchrod/sync/synctest"
)

// TestEqualAsFarAsRights has any books become equal by running, as far as the
// rights of each allow: to the heads, and to the pages that may be read and no
// others.
func TestEqualAsFarAsRights(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		clock := time.UnixMilli(1645557742000).UTC()
		now := func() time.Time { return clock }
		hub := synctest.NewBook(0, now)
		host := &exchange.Host{Book: hub, Signer: hub.Signer(), Now: now}
		jobs := []journal.ID{{}, job('a'), job('b'), job('c')}
		n := rapid.IntRange(1, 3).Draw(t, "devices")
		devices := make([]*synctest.Book, n)
		rights := make([]exchange.Reader, n)
		peers := make([]exchange.Peer, n)
		for i := range devices {
			devices[i] = synctest.NewBook(uint64(i+1), now)
			rights[i] = exchange.Reader{Identity: devices[i].Identity(), All: rapid.Bool().Draw(t, "all"), Jobs: map[journal.ID]bool{}}
			for _, job := range jobs[1:] {
				rights[i].Jobs[job] = rapid.Bool().Draw(t, "may")
			}
			peers[i] = exchange.Over(&synctest.Line{Host: host, Who: func() exchange.Reader { return rights[i] }}, devices[i].Identity(), hub.Identity())
		}
		sync := func(i int) exchange.Outcome {
			out, err := exchange.Run(t.Context(), devices[i], peers[i], exchange.Progress{})
			if err != nil || len(out.Forked) > 0 {
				t.Fatalf("device %d: %v, %v", i, err, out.Forked)
			}
			return out
		}
		for range rapid.IntRange(0, 12).Draw(t, "steps") {
			i := rapid.IntRange(0, n).Draw(t, "who")
			if i < n && rapid.Bool().Draw(t, "sync") {
				sync(i)
				continue
			}
			var drafts []synctest.Draft
			for range rapid.IntRange(1, 3).Draw(t, "pages") {
				drafts = append(drafts, synctest.Draft{Job: rapid.SampledFrom(jobs).Draw(t, "job"), Payload: fmt.Append(nil, len(drafts))})
			}
			if _, err := append(devices, hub)[i].Append(drafts...); err != nil {
				t.Fatal(err)
			}
		}
		for range 2 {
			for i := range devices {
				sync(i)
			}
		}
		for i, d := range devices {
			if out := sync(i); out.Sent+out.Received+out.Own+len(out.State.Logs) > 0 {
				t.Fatalf("device %d: something is new: %+v", i, out)
			}
			for _, w := range append(devices, hub) {
				var want []journal.Record
				shown := d == w || rights[i].All
				for r := range w.Scan(w.Identity().Device, 1) {
					p, err := r.Decode()
					if err != nil {
						t.Fatal(err)
					}
					may := d == w || rights[i].All || rights[i].Jobs[p.Job]
					shown = shown || may
					if !may && !p.Job.IsZero() {
						r.Page = nil
					}
					want = append(want, r)
				}
				if !shown {
					want = nil
				}
				seq := 0
				for r := range d.Scan(w.Identity().Device, 1) {
					if seq >= len(want) || r.Hash != want[seq].Hash || string(r.Page) != string(want[seq].Page) {
						t.Fatalf("device %d, log of %s: page %d", i, w.Identity().Device, r.Seq)
					}
					seq++
				}
				if seq != len(want) {
					t.Fatalf("device %d, log of %s: %d pages, want %d", i, w.Identity().Device, seq, len(want))
				}
			}
		}
	})
}
