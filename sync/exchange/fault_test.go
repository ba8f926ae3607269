package exchange_test

import (
	"context"
	"errors"
	"testing"

	"pinchrod/sync/exchange"
	"pinchrod/sync/synctest"
)

// Whatever a book fails at, the run says so; and the next one brings both sides
// to where they had come without it.
func TestBookFails(t *testing.T) {
	t.Parallel()
	for name, set := range map[string]func(p *place, d, other *synctest.Book){
		"first meeting": func(*place, *synctest.Book, *synctest.Book) {},
		"nothing new":   func(p *place, d, _ *synctest.Book) { p.run(d, p.all(d)) },
		"a job is forgotten": func(p *place, d, _ *synctest.Book) {
			p.run(d, p.all(d))
			if _, err := p.hub.Forget(job('a')); err != nil {
				p.Fatal(err)
			}
		},
		"the device was restored": func(p *place, d, _ *synctest.Book) {
			p.run(d, p.all(d))
			old := d.Backup()
			p.write(d, 3)
			p.run(d, p.all(d))
			d.Restore(old)
		},
		"the hub was restored": func(p *place, d, _ *synctest.Book) {
			p.run(d, p.all(d))
			old := p.hub.Backup()
			p.write(d, 3)
			p.run(d, p.all(d))
			p.hub.Restore(old)
		},
		"the hub has lost all": func(p *place, d, _ *synctest.Book) {
			p.run(d, p.all(d))
			p.hub.Restore(p.hub.Twin().Backup())
		},
		"ahead of the hub": func(p *place, d, other *synctest.Book) {
			p.write(other, 3)
			for _, x := range p.batches(other, other) {
				x.Records[1].Page = nil
				if _, err := d.Ingest(x.Identity, x.Records, x.Head); err != nil {
					p.Fatal(err)
				}
			}
		},
		"own pages came as hashes": func(p *place, d, _ *synctest.Book) {
			p.run(d, p.all(d))
			old := d.Backup()
			p.write(d, 3)
			p.run(d, p.all(d))
			x := p.batches(p.hub, d)[0]
			d.Restore(old)
			for i := range x.Records {
				x.Records[i].Page = nil
			}
			if _, err := d.Ingest(x.Identity, x.Records, x.Head); err != nil {
				p.Fatal(err)
			}
		},
	} {
		for _, side := range []string{"device", "hub"} {
			t.Run(name+"/"+side, func(t *testing.T) {
				t.Parallel()
				for n, failed := 0, true; failed; n++ {
					p := newPlace(t)
					d, other := p.book(), p.book()
					p.write(d, 2)
					p.write(other, 2)
					p.run(other, p.all(other))
					set(p, d, other)
					left := n
					f := synctest.Failing{Left: &left}
					var book exchange.Book = d
					if side == "device" {
						f.Book = d
						book = f
					} else {
						f.Book = p.hub
						p.host.Book = f
					}
					_, err := exchange.Run(t.Context(), book, p.all(d), exchange.Progress{})
					if failed = left < 0; failed != errors.Is(err, synctest.ErrFailing) || !failed && err != nil {
						t.Fatalf("failure %d: got %v, want %v", n, err, synctest.ErrFailing)
					}
					p.host.Book = p.hub
					for _, x := range []*synctest.Book{d, other, d} {
						p.run(x, p.all(x))
					}
					if out := p.run(d, p.all(d)); out.Sent+out.Received+out.Own+out.Forgot > 0 {
						t.Fatalf("after failure %d there is no end: %+v", n, out)
					}
					if got, want := state(t, d), state(t, p.hub); got != want {
						t.Fatalf("after failure %d the device has\n%s\nand the hub\n%s", n, got, want)
					}
				}
			})
		}
	}
}

// A meeting or a fetch that is called off ends with that, and gives nothing
// more.
func TestCalledOff(t *testing.T) {
	t.Parallel()
	p := newPlace(t)
	d, other := p.book(), p.book()
	p.write(d, 2)
	p.write(other, 2)
	p.run(other, p.all(other))
	ctx, cancel := context.WithCancel(t.Context())
	cancel()
	who := exchange.Reader{Identity: d.Identity(), All: true}
	for b, err := range p.host.Fetch(ctx, who, []exchange.Want{{Device: other.Identity().Device, From: 1}}) {
		if !errors.Is(err, context.Canceled) || len(b.Records) > 0 {
			t.Errorf("a fetch gives %d pages, %v, want %v", len(b.Records), err, context.Canceled)
		}
	}
	offer := exchange.Offer{Base: d.Identity().Head().Head}
	if _, err := p.host.Meet(ctx, who, offer, exchange.Batches(d, d.Identity(), 1, who), nil); !errors.Is(err, context.Canceled) || p.head(p.hub, d) != 0 {
		t.Errorf("a meeting: %v, with %d pages taken in; want %v and none", err, p.head(p.hub, d), context.Canceled)
	}
}
