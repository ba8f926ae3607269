package hub_test

import (
	"crypto/ed25519"
	"errors"
	"strings"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"
	"github.com/google/go-cmp/cmp/cmpopts"

	"pinchrod/store"
	"pinchrod/store/journal"
	"pinchrod/sync/exchange"
	"pinchrod/sync/hub"
	"pinchrod/sync/hub/door"
)

// A device without a book: an identity and its key.
func newDevice(t testing.TB, n byte) (journal.Identity, ed25519.PrivateKey) {
	t.Helper()
	key := ed25519.NewKeyFromSeed([]byte(strings.Repeat(string(rune('a'+n)), ed25519.SeedSize)))
	id, err := journal.NewIdentity(newJob(0x80+n), key)
	if err != nil {
		t.Fatal(err)
	}
	return id, key
}

func invited(t testing.TB, r *hub.Roster, terms hub.Terms) []byte {
	t.Helper()
	secret, _, err := r.Invite(terms)
	if err != nil {
		t.Fatal(err)
	}
	return secret[:]
}

func TestJoin(t *testing.T) {
	t.Parallel()
	c := newClock()
	book := newBook(t, c.now)
	r := openRoster(t, book, c)
	a, _ := newDevice(t, 0)
	b, _ := newDevice(t, 1)
	surveyor := hub.Terms{Role: door.Surveyor, Name: "van", Jobs: []journal.ID{newJob(2), newJob(1)}}
	secret := invited(t, r, surveyor)

	for _, x := range []struct {
		name   string
		secret []byte
		id     journal.Identity
		key    ed25519.PublicKey
		called string
		want   error
	}{
		{"an unknown secret", make([]byte, 16), a, a.Key, "", door.ErrInvitation},
		{"a short secret", secret[:15], a, a.Key, "", door.ErrInvitation},
		{"no secret", nil, a, a.Key, "", door.ErrInvitation},
		{"the key of another", secret, a, b.Key, "", door.ErrForbidden},
		{"an identity that was made up", secret, journal.Identity{Device: a.Device, Key: a.Key, Signature: b.Signature}, a.Key, "", door.ErrRequest},
		{"the hub itself", secret, book.Identity(), book.Identity().Key, "", door.ErrForbidden},
		{"a name of two lines", secret, a, a.Key, "a\nb", door.ErrRequest},
		{"a long name", secret, a, a.Key, strings.Repeat("a", door.MaxName+1), door.ErrRequest},
	} {
		if _, err := r.Join(x.secret, x.id, x.key, x.called); !errors.Is(err, x.want) {
			t.Errorf("%s: got %v, want %v", x.name, err, x.want)
		}
	}
	if _, err := r.Rights(a.Key); !errors.Is(err, door.ErrNotEnrolled) {
		t.Errorf("before it joined: got %v, want %v", err, door.ErrNotEnrolled)
	}

	got, err := r.Join(secret, a, a.Key, "")
	if err != nil {
		t.Fatal(err)
	}
	want := hub.Device{
		Identity: a, Name: "van", Role: door.Surveyor, Jobs: []journal.ID{newJob(1), newJob(2)},
		Enrolled: c.now(), Head: a.Head().Head,
	}
	if d := cmp.Diff(want, got); d != "" {
		t.Errorf("(-want +got)\n%s", d)
	}
	if again, err := r.Join(secret, a, a.Key, "another name"); err != nil || again.Name != "van" {
		t.Errorf("its answer was lost: got %+v, %v", again, err)
	}
	if _, err := r.Join(secret, b, b.Key, ""); !errors.Is(err, door.ErrInvitation) {
		t.Errorf("used: got %v, want %v", err, door.ErrInvitation)
	}
	// Neither another device with the same key, nor another key for the device.
	other, err := journal.NewIdentity(newJob(0x90), keyOf(t, 0))
	if err != nil {
		t.Fatal(err)
	}
	if _, err := r.Join(invited(t, r, surveyor), other, other.Key, ""); !errors.Is(err, door.ErrForbidden) {
		t.Errorf("a key that is another's: got %v, want %v", err, door.ErrForbidden)
	}
	if other, err = journal.NewIdentity(a.Device, keyOf(t, 1)); err != nil {
		t.Fatal(err)
	}
	if _, err := r.Join(invited(t, r, surveyor), other, other.Key, ""); !errors.Is(err, door.ErrForbidden) {
		t.Errorf("an id that is another's: got %v, want %v", err, door.ErrForbidden)
	}

	// An invitation changes what the device was.
	if got, err = r.Join(invited(t, r, hub.Terms{Role: door.Bench}), a, a.Key, "desk"); err != nil || got.Role != door.Bench || got.Name != "desk" {
		t.Errorf("joining as the bench: got %+v, %v", got, err)
	}
}

func keyOf(t testing.TB, n byte) ed25519.PrivateKey {
	_, key := newDevice(t, n)
	return key
}

func TestInviteRefuses(t *testing.T) {
	t.Parallel()
	c := newClock()
	r := openRoster(t, newBook(t, c.now), c)
	for name, terms := range map[string]hub.Terms{
		"no role":         {},
		"no such role":    {Role: 3},
		"a past":          {Role: door.Bench, Lasts: -time.Second},
		"over a month":    {Role: door.Bench, Lasts: hub.MaxLasts + time.Second},
		"a name with tab": {Role: door.Bench, Name: "a\tb"},
	} {
		if _, _, err := r.Invite(terms); err == nil {
			t.Errorf("%s: got an invitation", name)
		}
	}
	if open := r.Invitations(); len(open) > 0 {
		t.Errorf("%d invitations are open, want none", len(open))
	}
}

// How long an invitation lasts, as the words for people say: a day unless it
// says otherwise, and a month at most.
func TestInvitationLasts(t *testing.T) {
	t.Parallel()
	const day = 24 * time.Hour
	for _, x := range []struct{ lasts, want time.Duration }{{0, day}, {time.Minute, time.Minute}, {30 * day, 30 * day}} {
		c := newClock()
		book := newBook(t, c.now)
		r := openRoster(t, book, c)
		a, _ := newDevice(t, 0)
		b, _ := newDevice(t, 1)
		terms := hub.Terms{Role: door.Surveyor, Lasts: x.lasts}
		first, expires, err := r.Invite(terms)
		if err != nil || !expires.Equal(c.now().Add(x.want)) {
			t.Fatalf("%v: it ends at %v, %v, want %v later", x.lasts, expires, err, x.want)
		}
		second := invited(t, r, terms)
		c.advance(x.want - time.Millisecond)
		if _, err := r.Join(first[:], a, a.Key, ""); err != nil {
			t.Errorf("%v: just before its end: %v", x.lasts, err)
		}
		c.advance(time.Millisecond)
		if open := r.Invitations(); len(open) > 0 {
			t.Errorf("%v: %d invitations are open past their end", x.lasts, len(open))
		}
		if _, err := r.Join(second, b, b.Key, ""); !errors.Is(err, door.ErrInvitation) || !strings.Contains(err.Error(), "ended") {
			t.Errorf("%v: at its end: got %v, want %v", x.lasts, err, door.ErrInvitation)
		}
		// A month later nobody is told why any more.
		for _, said := range []struct {
			after time.Duration
			want  string
		}{{30 * day, "ended"}, {time.Millisecond, "does not know"}} {
			c.advance(said.after)
			r = openRoster(t, book, c)
			if _, err := r.Join(second, b, b.Key, ""); !errors.Is(err, door.ErrInvitation) || !strings.Contains(err.Error(), said.want) {
				t.Errorf("%v: past its end: got %v, want that it says %q", x.lasts, err, said.want)
			}
		}
	}
}

// A device that the book knows, from another hub or from before, joins as what
// it is: neither its id nor its key is to be had by another.
func TestJoinKnownToTheBook(t *testing.T) {
	t.Parallel()
	c := newClock()
	self, _ := newDevice(t, 0)
	known, _ := newDevice(t, 1)
	r := openRoster(t, acquainted{newBook(t, c.now), self, known}, c)
	identity := func(id journal.ID, key byte) journal.Identity {
		t.Helper()
		made, err := journal.NewIdentity(id, keyOf(t, key))
		if err != nil {
			t.Fatal(err)
		}
		return made
	}
	for _, x := range []struct {
		name string
		id   journal.Identity
		want error
	}{
		{"its id with another key", identity(known.Device, 2), door.ErrForbidden},
		{"its key with another id", identity(newJob(0x90), 1), door.ErrForbidden},
		{"the hub's id with another key", identity(self.Device, 2), door.ErrForbidden},
		{"the hub's key with another id", identity(newJob(0x90), 0), door.ErrForbidden},
		{"the hub itself", self, door.ErrForbidden},
		{"itself", known, nil},
	} {
		if _, err := r.Join(invited(t, r, hub.Terms{Role: door.Surveyor}), x.id, x.id.Key, ""); !errors.Is(err, x.want) {
			t.Errorf("%s: got %v, want %v", x.name, err, x.want)
		}
		if _, err := r.Rights(x.id.Key); (err == nil) != (x.want == nil) {
			t.Errorf("%s: its rights: %v", x.name, err)
		}
	}
}

// An acquainted book is some device's, and knows another.
type acquainted struct {
	*store.Store
	self, known journal.Identity
}

func (b acquainted) Identity() journal.Identity { return b.self }
func (b acquainted) Devices() ([]journal.Identity, error) {
	return []journal.Identity{b.known}, nil
}

// Nobody reads along in a job by a page of their own: the note of who began it
// keeps them from it, and so do the pages of others without the note.
func TestNobodyReadsAlong(t *testing.T) {
	t.Parallel()
	for _, x := range []struct {
		name         string
		pages, noted bool // of anna, who was there first
		want         bool // whether ben is on the job by his page
	}{
		{"noted, with pages", true, true, false},
		{"noted, whose pages are gone", false, true, false},
		{"not noted, as after a crash", true, false, false},
		{"nobody was there", false, false, true},
	} {
		t.Run(x.name, func(t *testing.T) {
			t.Parallel()
			c := newClock()
			book := newBook(t, c.now)
			r := openRoster(t, book, c)
			job := newJob(1)
			enter := func() (*store.Store, exchange.Reader) {
				t.Helper()
				d := newBook(t, c.now)
				if _, err := d.Append(store.Draft{Job: job, Payload: []byte{0xa0}}); err != nil {
					t.Fatal(err)
				}
				id := d.Identity()
				if _, err := r.Join(invited(t, r, hub.Terms{Role: door.Surveyor}), id, id.Key, ""); err != nil {
					t.Fatal(err)
				}
				reader, err := r.Rights(id.Key)
				if err != nil {
					t.Fatal(err)
				}
				return d, reader
			}
			anna, first := enter()
			if x.pages {
				give(t, anna, book)
			}
			if x.noted {
				if first, err := r.Wrote(first, []journal.ID{job}); err != nil || !first.Jobs[job] {
					t.Fatalf("anna, who began it: %+v, %v", first, err)
				}
			}
			ben, second := enter()
			give(t, ben, book)
			for range 2 { // he writes in it again
				var err error
				if second, err = r.Wrote(second, []journal.ID{job}); err != nil || second.Jobs[job] != x.want {
					t.Errorf("ben, by a page of his own: %v, %v, want %v", second.Jobs, err, x.want)
				}
			}
			again, err := openRoster(t, book, c).Rights(ben.Identity().Key)
			if d := cmp.Diff(second, again); err != nil || d != "" {
				t.Errorf("ben, after the hub was started again: %v (-before +after)\n%s", err, d)
			}
		})
	}
}

// What a roster says is the same after it is opened again.
func TestRosterLasts(t *testing.T) {
	t.Parallel()
	c := newClock()
	book := newBook(t, c.now)
	r := openRoster(t, book, c)
	a, _ := newDevice(t, 0)
	b, _ := newDevice(t, 1)
	for _, id := range []journal.Identity{a, b} {
		if _, err := r.Join(invited(t, r, hub.Terms{Role: door.Surveyor, Jobs: []journal.ID{newJob(1)}}), id, id.Key, "n"); err != nil {
			t.Fatal(err)
		}
	}
	secret := invited(t, r, hub.Terms{Role: door.Bench, Name: "later"})
	reader, err := r.Rights(a.Key)
	if err != nil {
		t.Fatal(err)
	}
	if reader, err = r.Wrote(reader, []journal.ID{newJob(2)}); err != nil || !reader.Jobs[newJob(2)] {
		t.Fatalf("the job that it began: %+v, %v", reader, err)
	}
	if reader, err = r.Rights(b.Key); err != nil {
		t.Fatal(err)
	}
	if reader, err = r.Wrote(reader, []journal.ID{newJob(2)}); err != nil || reader.Jobs[newJob(2)] {
		t.Errorf("a job that another began: %+v, %v", reader, err)
	}
	head := journal.Head{Device: a.Device, Seq: 7, Hash: journal.Hash{1}}
	if err := errors.Join(r.Assign(a.Device, newJob(3)), r.Unassign(a.Device, newJob(1)), r.Revoke(b.Device), r.Saw(a.Device, head)); err != nil {
		t.Fatal(err)
	}
	c.advance(time.Second)
	head.Seq++
	if err := errors.Join(r.Saw(a.Device, head), r.Flush()); err != nil {
		t.Fatal(err)
	}
	again := openRoster(t, book, c)
	if d := cmp.Diff(r.Devices(), again.Devices()); d != "" {
		t.Errorf("devices (-before +after)\n%s", d)
	}
	if d := cmp.Diff(r.Invitations(), again.Invitations()); d != "" {
		t.Errorf("invitations (-before +after)\n%s", d)
	}
	reader, err = again.Rights(a.Key)
	want := exchange.Reader{Identity: a, Jobs: map[journal.ID]bool{newJob(2): true, newJob(3): true}}
	if d := cmp.Diff(want, reader); err != nil || d != "" {
		t.Errorf("%v (-want +got)\n%s", err, d)
	}
	if _, err := again.Rights(b.Key); !errors.Is(err, door.ErrRevoked) {
		t.Errorf("got %v, want %v", err, door.ErrRevoked)
	}
	x, _ := newDevice(t, 2)
	if d, err := again.Join(secret, x, x.Key, ""); err != nil || d.Name != "later" || d.Role != door.Bench {
		t.Errorf("an invitation from before: %+v, %v", d, err)
	}
	if got := again.Devices()[0]; got.Head != head || !got.Seen.Equal(c.now()) {
		t.Errorf("seen %v at %v, want %v at %v", got.Head, got.Seen, head, c.now())
	}
}

// After a job is forgotten no device is on it any more, whichever way it was:
// at once, and not only when the roster is opened again.
func TestForgottenAtOnce(t *testing.T) {
	t.Parallel()
	c := newClock()
	book := newBook(t, c.now)
	r := openRoster(t, book, c)
	office, err := hub.LocalOffice(book, r, nil, nil, nil)
	if err != nil {
		t.Fatal(err)
	}
	gone, kept := newJob(1), newJob(2)
	var ids []journal.Identity
	for n := range byte(3) { // put on it; began it; began another and is taken off
		id, _ := newDevice(t, n)
		ids = append(ids, id)
		jobs := [][]journal.ID{{gone, kept}, {kept}, nil}[n]
		if _, err := r.Join(invited(t, r, hub.Terms{Role: door.Surveyor, Jobs: jobs}), id, id.Key, ""); err != nil {
			t.Fatal(err)
		}
	}
	for n, job := range map[int]journal.ID{1: gone, 2: newJob(3)} {
		reader, err := r.Rights(ids[n].Key)
		if err == nil {
			reader, err = r.Wrote(reader, []journal.ID{job})
		}
		if err != nil || !reader.Jobs[job] {
			t.Fatalf("the job that device %d began: %v, %v", n, reader.Jobs, err)
		}
	}
	if err := r.Unassign(ids[2].Device, newJob(3)); err != nil {
		t.Fatal(err)
	}
	for _, job := range []journal.ID{gone, newJob(3)} {
		if _, err := office.Forget(t.Context(), job); err != nil {
			t.Fatal(err)
		}
	}
	want := []map[journal.ID]bool{{kept: true}, {kept: true}, {}}
	for n, id := range ids {
		reader, err := r.Rights(id.Key)
		if d := cmp.Diff(want[n], reader.Jobs); err != nil || d != "" {
			t.Errorf("device %d: %v (-want +got)\n%s", n, err, d)
		}
		if got := r.Devices()[n]; len(got.Began) > 0 || len(got.Off) > 0 {
			t.Errorf("device %d: began %v, off %v, want none", n, got.Began, got.Off)
		}
	}
	if d := cmp.Diff(openRoster(t, book, c).Devices(), r.Devices(), cmpopts.EquateEmpty()); d != "" {
		t.Errorf("devices (-opened again +before)\n%s", d)
	}
}

// A job whose beginner was not noted, because of a crash, is that of the one
// device that has pages of it.
func TestRosterReconciles(t *testing.T) {
	t.Parallel()
	c := newClock()
	book := newBook(t, c.now)
	r := openRoster(t, book, c)
	ids := map[byte]*store.Store{}
	for n := range byte(2) {
		d := newBook(t, c.now)
		ids[n] = d
		if _, err := r.Join(invited(t, r, hub.Terms{Role: door.Surveyor}), d.Identity(), d.Identity().Key, ""); err != nil {
			t.Fatal(err)
		}
		for _, job := range [][]journal.ID{{newJob(1), newJob(2)}, {newJob(1), newJob(3)}}[n] {
			if _, err := d.Append(store.Draft{Job: job, Payload: []byte{0xa0}}); err != nil {
				t.Fatal(err)
			}
		}
		give(t, d, book)
	}
	r = openRoster(t, book, c)
	for n, want := range map[byte]journal.ID{0: newJob(2), 1: newJob(3)} {
		reader, err := r.Rights(ids[n].Identity().Key)
		if d := cmp.Diff(map[journal.ID]bool{want: true}, reader.Jobs); err != nil || d != "" {
			t.Errorf("device %d: %v (-want +got)\n%s", n, err, d)
		}
	}
}

// No secret of an invitation lies in the book.
func TestSecretsAreNotKept(t *testing.T) {
	t.Parallel()
	c := newClock()
	book := newBook(t, c.now)
	r := openRoster(t, book, c)
	secret := invited(t, r, hub.Terms{Role: door.Bench})
	notes, err := book.Margin("")
	if err != nil {
		t.Fatal(err)
	}
	for name, note := range notes {
		if strings.Contains(name+string(note), string(secret)) {
			t.Errorf("note %q holds the secret", name)
		}
	}
	if len(notes) == 0 {
		t.Error("nothing is noted at all")
	}
}

// give takes a device's own log into another book.
func give(t testing.TB, from, to *store.Store) {
	t.Helper()
	id := from.Identity()
	for b, err := range exchange.Batches(from, id, 1, exchange.Reader{Identity: id}) {
		if err == nil {
			_, err = to.Ingest(b.Identity, b.Records, b.Head)
		}
		if err != nil {
			t.Fatal(err)
		}
	}
}
