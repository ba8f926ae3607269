package hub_test

import (
	"crypto"
	"encoding/hex"
	"errors"
	"strings"
	"testing"
	"testing/iotest"
	synctesting "testing/synctest"
	"time"

	"github.com/google/go-cmp/cmp"
	"github.com/google/go-cmp/cmp/cmpopts"

	"pinchrod/store/journal"
	"pinchrod/sync/hub"
	"pinchrod/sync/hub/door"
	"pinchrod/sync/remote"
	"pinchrod/sync/synctest"
)

// A failingBook fails when left comes to its end.
type failingBook struct {
	synctest.Failing
	signer crypto.Signer
}

func (b failingBook) Signer() crypto.Signer { return b.signer }

// never is more than any test asks a book for.
const never = 1 << 30

func newFailingBook(c *clock) (sound *synctest.Book, failing failingBook, left *int) {
	left = new(int)
	*left = never
	sound = synctest.NewBook(1, c.now)
	return sound, failingBook{synctest.Failing{Book: sound, Left: left}, sound.Signer()}, left
}

// ingest has a book take in pages of a device's log, in these jobs.
func ingest(t testing.TB, book *synctest.Book, c *clock, seed uint64, jobs ...journal.ID) journal.Identity {
	t.Helper()
	d := synctest.NewBook(seed, c.now)
	var records []journal.Record
	var head journal.SignedHead
	for _, job := range jobs {
		var err error
		if head, err = d.Append(synctest.Draft{Job: job, Payload: []byte{0xa0}}); err != nil {
			t.Fatal(err)
		}
	}
	for r, err := range d.Scan(d.Identity().Device, 1) {
		if err != nil {
			t.Fatal(err)
		}
		records = append(records, r)
	}
	if _, err := book.Ingest(d.Identity(), records, head); err != nil {
		t.Fatal(err)
	}
	return d.Identity()
}

// Whatever the book fails at, who asked for a change is told; and in memory there
// is then what is on disk, as it was before or as it is after.
func TestRosterBookFails(t *testing.T) {
	t.Parallel()
	a, _ := newDevice(t, 0)
	b, _ := newDevice(t, 1)
	terms := hub.Terms{Role: door.Surveyor, Jobs: []journal.ID{newJob(1)}}
	for name, do := range map[string]func(r *hub.Roster, office hub.Office, secret []byte) error{
		"invite": func(r *hub.Roster, _ hub.Office, _ []byte) error { _, _, err := r.Invite(terms); return err },
		"join": func(r *hub.Roster, _ hub.Office, secret []byte) error {
			_, err := r.Join(secret, b, b.Key, "")
			return err
		},
		"revoke":   func(_ *hub.Roster, o hub.Office, _ []byte) error { return o.Revoke(t.Context(), a.Device) },
		"assign":   func(_ *hub.Roster, o hub.Office, _ []byte) error { return o.Assign(t.Context(), a.Device, newJob(5)) },
		"unassign": func(_ *hub.Roster, o hub.Office, _ []byte) error { return o.Unassign(t.Context(), a.Device, newJob(2)) },
		"forget": func(_ *hub.Roster, o hub.Office, _ []byte) error {
			_, err := o.Forget(t.Context(), newJob(1))
			return err
		},
		"forget what it began": func(_ *hub.Roster, o hub.Office, _ []byte) error {
			_, err := o.Forget(t.Context(), newJob(2))
			return err
		},
		"wrote": func(r *hub.Roster, _ hub.Office, _ []byte) error {
			who, err := r.Rights(a.Key)
			if err == nil {
				_, err = r.Wrote(who, []journal.ID{newJob(2), newJob(3)})
			}
			return err
		},
		"flush": func(r *hub.Roster, _ hub.Office, _ []byte) error { return r.Flush() },
	} {
		t.Run(name, func(t *testing.T) {
			t.Parallel()
			for n, failed := 0, true; failed; n++ {
				c := newClock()
				sound, failing, left := newFailingBook(c)
				r := openRoster(t, failing, c)
				if _, err := r.Join(invited(t, r, terms), a, a.Key, "a"); err != nil {
					t.Fatal(err)
				}
				who, err := r.Rights(a.Key)
				if err == nil {
					_, err = r.Wrote(who, []journal.ID{newJob(2)})
				}
				head := journal.Head{Device: a.Device, Seq: 1}
				if err := errors.Join(err, r.Saw(a.Device, head)); err != nil {
					t.Fatal(err)
				}
				if name == "flush" { // what is not written down at once
					head.Seq++
					c.advance(time.Second)
					if err := r.Saw(a.Device, head); err != nil {
						t.Fatal(err)
					}
				}
				office, err := hub.LocalOffice(failing, r, nil, nil, nil)
				if err != nil {
					t.Fatal(err)
				}
				secret := invited(t, r, terms)
				c.advance(time.Second)
				*left = n
				err = do(r, office, secret)
				if failed = *left < 0; failed != errors.Is(err, synctest.ErrFailing) || !failed && err != nil {
					t.Fatalf("failure %d: got %v, want %v", n, err, synctest.ErrFailing)
				}
				if name == "flush" && failed {
					continue // it is ahead of the disk until then
				}
				again := openRoster(t, sound, c)
				if d := cmp.Diff(again.Devices(), r.Devices(), cmpopts.EquateEmpty()); d != "" {
					t.Fatalf("after failure %d: devices (-on disk +in memory)\n%s", n, d)
				}
				if d := cmp.Diff(again.Invitations(), r.Invitations(), cmpopts.EquateEmpty()); d != "" {
					t.Fatalf("after failure %d: invitations (-on disk +in memory)\n%s", n, d)
				}
			}
		})
	}
}

// A hub whose book fails when it opens does not open.
func TestOpeningBookFails(t *testing.T) {
	t.Parallel()
	for name, open := range map[string]func(failingBook, *clock) error{
		"roster": func(b failingBook, c *clock) error { _, err := hub.OpenRoster(b, c.now, nil); return err },
		"pages": func(b failingBook, c *clock) error {
			_, err := hub.PagesTLS(b, "", "", []string{"hub.example"}, c.now())
			return err
		},
	} {
		for n, failed := 0, true; failed; n++ {
			c := newClock()
			sound, failing, left := newFailingBook(c)
			r := openRoster(t, sound, c)
			id := ingest(t, sound, c, 2, newJob(1)) // of which it is to be noted who began it
			if _, err := r.Join(invited(t, r, hub.Terms{Role: door.Surveyor}), id, id.Key, ""); err != nil {
				t.Fatal(err)
			}
			if err := sound.SetMargin(map[string][]byte{"hub/parcels": nil}); err != nil { // and a key to be made
				t.Fatal(err)
			}
			c.advance(100 * 24 * time.Hour) // and an invitation to be swept out
			*left = n
			err := open(failing, c)
			if failed = *left < 0; failed != errors.Is(err, synctest.ErrFailing) || !failed && err != nil {
				t.Fatalf("%s, failure %d: got %v, want %v", name, n, err, synctest.ErrFailing)
			}
		}
	}
	c := newClock()
	r, err := hub.OpenRoster(synctest.NewBook(1, c.now), c.now, iotest.ErrReader(synctest.ErrFailing))
	if err != nil {
		t.Fatal(err)
	}
	if _, _, err := r.Invite(hub.Terms{Role: door.Bench}); !errors.Is(err, synctest.ErrFailing) {
		t.Errorf("an invitation without random bytes: got %v", err)
	}
	if _, err := hub.NewSessions(c.now, iotest.ErrReader(synctest.ErrFailing)).Code(""); !errors.Is(err, synctest.ErrFailing) {
		t.Errorf("a code without random bytes: got %v", err)
	}
}

// Notes that are not what the hub writes are told, by their names, and not
// passed over: who is let in hangs on them.
func TestRosterSpoilt(t *testing.T) {
	t.Parallel()
	a, _ := newDevice(t, 0)
	b, _ := newDevice(t, 1)
	c := newClock()
	book := synctest.NewBook(1, c.now)
	r := openRoster(t, book, c)
	if _, err := r.Join(invited(t, r, hub.Terms{Role: door.Surveyor}), a, a.Key, ""); err != nil {
		t.Fatal(err)
	}
	notes, err := book.Margin("roster/")
	if err != nil {
		t.Fatal(err)
	}
	device := notes["roster/device/"+a.Device.String()]
	if device == nil {
		t.Fatalf("no note of the device among %d", len(notes))
	}
	seen := encode(t, map[uint64]any{1: 1, 2: 1, 3: journal.Hash{}})
	var invitation []byte
	for name, note := range notes {
		if strings.HasPrefix(name, "roster/invitation/") {
			invitation = note
		}
	}
	for name, note := range map[string][]byte{
		"roster/device/" + a.Device.String():                    []byte("x"),
		"roster/device/" + b.Device.String():                    device,
		"roster/device/none":                                    encode(t, map[uint64]any{1: []byte("x"), 3: 1, 6: 1}),
		"roster/seen/" + a.Device.String():                      []byte("x"),
		"roster/seen/nobody":                                    seen,
		"roster/invitation/" + strings.Repeat("00", 32):         []byte("x"),
		"roster/invitation/" + strings.Repeat("0g", 32):         invitation,
		"roster/invitation/" + strings.Repeat("00", 31):         invitation,
		"roster/began/" + newJob(1).String():                    a.Device[:15],
		"roster/began/nothing":                                  a.Device[:],
		"roster/invitation/" + hex.EncodeToString([]byte("00")): invitation,
	} {
		spoilt := book.Twin()
		for _, x := range []map[string][]byte{notes, {name: note}} {
			if err := spoilt.SetMargin(x); err != nil {
				t.Fatal(err)
			}
		}
		if _, err := hub.OpenRoster(spoilt, c.now, nil); err == nil || !strings.Contains(err.Error(), name) {
			t.Errorf("%s: got %v, want an error that names it", name, err)
		}
	}
	if d := openRoster(t, book, c).Devices(); len(d) != 1 {
		t.Errorf("unspoilt, %d devices, want 1", len(d))
	}
}

// When a device was seen is known at once, and is written down once a minute.
func TestSeenOnceAMinute(t *testing.T) {
	t.Parallel()
	a, _ := newDevice(t, 0)
	c := newClock()
	book := synctest.NewBook(1, c.now)
	r := openRoster(t, book, c)
	if _, err := r.Join(invited(t, r, hub.Terms{Role: door.Surveyor}), a, a.Key, ""); err != nil {
		t.Fatal(err)
	}
	first := c.now()
	for _, x := range []struct {
		after   time.Duration
		written bool
	}{{0, true}, {time.Minute - time.Millisecond, false}, {time.Millisecond, true}, {time.Second, false}} {
		c.advance(x.after)
		head := journal.Head{Device: a.Device, Seq: uint64(c.now().Sub(first)/time.Millisecond) + 1}
		if err := r.Saw(a.Device, head); err != nil {
			t.Fatal(err)
		}
		if got := r.Devices()[0]; !got.Seen.Equal(c.now()) || got.Head != head {
			t.Errorf("%v later: seen %v with %v", x.after, got.Seen, got.Head)
		}
		if got := openRoster(t, book, c).Devices()[0]; got.Seen.Equal(c.now()) != x.written || (got.Head == head) != x.written {
			t.Errorf("%v later: on disk it is seen %v, want this moment: %v", x.after, got.Seen, x.written)
		}
	}
	if err := r.Saw(newJob(9), journal.Head{}); err != nil {
		t.Errorf("a device that never joined: %v", err)
	}
	// What it was seen with stays when it joins once more.
	before := r.Devices()[0]
	if _, err := r.Join(invited(t, r, hub.Terms{Role: door.Bench}), a, a.Key, ""); err != nil {
		t.Fatal(err)
	}
	if got := r.Devices()[0]; !got.Seen.Equal(before.Seen) || got.Head != before.Head {
		t.Errorf("joined again, seen %v with %v, want %v with %v", got.Seen, got.Head, before.Seen, before.Head)
	}
}

// A book that fails while a picture is sent, asked for or fetched is told as the
// hub's own trouble; when that is over the picture comes through.
func TestPictureBookFails(t *testing.T) {
	t.Parallel()
	for n, failed := 0, true; failed; n++ {
		synctesting.Test(t, func(t *testing.T) {
			left := never
			w := newStillWorkshop(t, func(o *hub.Options) {
				o.Book = failingBook{synctest.Failing{Book: o.Book, Left: &left}, o.Book.Signer()}
			})
			mill, picture := newJob(1), "a picture"
			anna := w.join(door.Surveyor, mill)
			all := func() error {
				if err := anna.client.SendPicture(t.Context(), mill, sumOf(picture), int64(len(picture)), strings.NewReader(picture)); err != nil {
					return err
				}
				have, err := anna.client.Pictures(t.Context(), [][32]byte{sumOf(picture)})
				if err != nil {
					return err
				}
				got, _, err := fetched(t, anna, sumOf(picture), 0)
				if err == nil && (got != picture || !have[sumOf(picture)]) {
					t.Errorf("failure %d: the picture is %q, and there: %v", n, got, have)
				}
				return err
			}
			left = n
			err := all()
			if failed = left < 0; failed == (err == nil) {
				t.Fatalf("failure %d: got %v", n, err)
			}
			left = never
			for _, own := range []error{remote.ErrNotFound, remote.ErrForbidden, remote.ErrRequest} {
				if errors.Is(err, own) {
					t.Errorf("failure %d is told as the device's own fault: %v", n, err)
				}
			}
			if err := all(); err != nil {
				t.Errorf("after failure %d: %v", n, err)
			}
		})
	}
}
