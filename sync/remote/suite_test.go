package remote_test

import (
	"context"
	"maps"
	"slices"
	"testing"
	"time"

	"pinchrod/sync/exchange"
	"pinchrod/sync/hub"
	"pinchrod/sync/hub/door"
	"pinchrod/sync/remote"
	"pinchrod/sync/synctest"
)

// The hub over the line is a peer like the others.
func TestSuite(t *testing.T) {
	t.Parallel()
	synctest.Suite(t, func(t *testing.T, book *synctest.Book) synctest.Dial {
		// The book's clock is the suite's, which does not share it. Like that one
		// it goes on whenever somebody looks, so no two receipts are the same.
		clock := newClock()
		now := func() time.Time {
			clock.advance(time.Second)
			return clock.now()
		}
		roster, err := hub.OpenRoster(book, now, nil)
		if err != nil {
			t.Fatal(err)
		}
		s, err := hub.New(hub.Options{Book: book, Roster: roster, Now: now})
		if err != nil {
			t.Fatal(err)
		}
		l := listen(t)
		ctx, cancel := context.WithCancel(context.Background())
		done := make(chan error, 1)
		go func() { done <- s.Run(ctx, hub.Listeners{Devices: l}) }()
		t.Cleanup(func() {
			cancel()
			if err := <-done; err != nil {
				t.Error(err)
			}
		})
		return func(device *synctest.Book, rights exchange.Reader) exchange.Peer {
			t.Helper()
			enrol(t, roster, rights)
			c, err := remote.New(remote.Config{
				Addresses: []string{l.Addr().String()}, Hub: book.Identity(), Self: device.Identity(), Signer: device.Signer(),
			})
			if err != nil {
				t.Fatal(err)
			}
			t.Cleanup(c.Close)
			return c.Peer()
		}
	})
}

// enrol gives a device these rights, and no others.
func enrol(t *testing.T, r *hub.Roster, rights exchange.Reader) {
	t.Helper()
	role := door.Surveyor
	if rights.All {
		role = door.Bench
	}
	secret, _, err := r.Invite(hub.Terms{Role: role, Jobs: slices.Collect(maps.Keys(rights.Jobs))})
	if err != nil {
		t.Fatal(err)
	}
	d, err := r.Join(secret[:], rights.Identity, rights.Identity.Key, "")
	if err != nil {
		t.Fatal(err)
	}
	for _, job := range d.Began {
		if !rights.Jobs[job] {
			if err := r.Unassign(rights.Identity.Device, job); err != nil {
				t.Fatal(err)
			}
		}
	}
}
