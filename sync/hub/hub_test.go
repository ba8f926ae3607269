package hub_test

import (
	"errors"
	"net/http"
	"strings"
	"testing"
	"time"

	"pinchrod/sync/hub"
	"pinchrod/sync/hub/door"
	"pinchrod/sync/remote"
)

// What each may read: the bench all, a surveyor the jobs that it is on, of the
// others their hashes, and nothing of a log in which none of its jobs is.
func TestRights(t *testing.T) {
	t.Parallel()
	w := newWorkshop(t, nil)
	anna, ben, bench := w.join(door.Surveyor), w.join(door.Surveyor), w.join(door.Bench)
	mill, barn := newJob(1), newJob(2)
	anna.write(mill, 3)
	anna.write(barn, 2)
	ben.write(newJob(3), 1)
	anna.mustSync()
	check := func(who string, d *worker, of *worker, pages, full int) {
		t.Helper()
		if p, f := held(t, d.book, of.book.Device()); p != pages || f != full {
			t.Errorf("%s holds %d pages, %d in full; want %d, %d", who, p, f, pages, full)
		}
	}
	ben.mustSync()
	check("ben, on none of anna's jobs,", ben, anna, 0, 0)
	bench.mustSync()
	check("the bench", bench, anna, 5, 5)
	check("the bench", bench, ben, 1, 1)

	if err := w.office.Assign(t.Context(), ben.book.Device(), mill); err != nil {
		t.Fatal(err)
	}
	ben.mustSync()
	check("ben, put on the mill,", ben, anna, 5, 3)
	if err := w.office.Assign(t.Context(), ben.book.Device(), barn); err != nil {
		t.Fatal(err)
	}
	ben.mustSync()
	check("ben, put on the barn too,", ben, anna, 5, 5)

	// Anna reads what ben writes in the job that she began, without being put
	// on it; ben does not read along in a job by writing in it.
	ben.write(mill, 1)
	yard := newJob(4)
	anna.write(yard, 1)
	anna.mustSync()
	ben.write(yard, 1)
	ben.mustSync()
	anna.mustSync()
	check("anna", anna, ben, 3, 2)
	ben.mustSync()
	check("ben, who wrote in the yard,", ben, anna, 6, 5)
	devices, err := w.office.Devices(t.Context())
	if err != nil || len(devices) != 3 {
		t.Fatalf("%d devices, %v", len(devices), err)
	}

	// Taken off, it reads no more.
	if err := w.office.Unassign(t.Context(), ben.book.Device(), mill); err != nil {
		t.Fatal(err)
	}
	anna.write(mill, 1)
	anna.mustSync()
	ben.mustSync()
	check("ben, off the mill,", ben, anna, 7, 5)
	if err := w.office.Unassign(t.Context(), anna.book.Device(), mill); err != nil {
		t.Fatal(err)
	}
	ben.write(mill, 1)
	ben.mustSync()
	anna.mustSync()
	check("anna, off the mill that she began,", anna, ben, 4, 2)
}

func TestForget(t *testing.T) {
	t.Parallel()
	w := newWorkshop(t, nil)
	anna, bench := w.join(door.Surveyor), w.join(door.Bench)
	mill, barn := newJob(1), newJob(2)
	anna.write(mill, 3)
	anna.write(barn, 2)
	sum, picture := [32]byte{}, strings.Repeat("mill", 1000)
	anna.mustSync()
	sum = sumOf(picture)
	if err := anna.client.SendPicture(t.Context(), mill, sum, int64(len(picture)), strings.NewReader(picture)); err != nil {
		t.Fatal(err)
	}
	bench.mustSync()
	pages, err := w.office.Forget(t.Context(), mill)
	if err != nil || pages != 3 {
		t.Fatalf("forgot %d pages, %v; want 3", pages, err)
	}
	if out := anna.mustSync(); out.Forgot != 3 {
		t.Errorf("anna forgot %d pages, want 3", out.Forgot)
	}
	if out := bench.mustSync(); out.Forgot != 3 {
		t.Errorf("the bench forgot %d pages, want 3", out.Forgot)
	}
	if p, f := held(t, bench.book, anna.book.Device()); p != 5 || f != 2 {
		t.Errorf("the bench holds %d pages, %d in full; want 5, 2", p, f)
	}
	if w.pictures.Has(sum) {
		t.Error("the job's picture is still there")
	}
	devices, err := w.office.Devices(t.Context())
	if err != nil {
		t.Fatal(err)
	}
	for _, d := range devices {
		for _, job := range append(d.Jobs, d.Began...) {
			if job == mill {
				t.Errorf("%s is still on the forgotten job", d.Identity.Device.Tag())
			}
		}
	}
}

// A revoked device can neither read nor write; what it wrote stays.
func TestRevoke(t *testing.T) {
	t.Parallel()
	w := newWorkshop(t, nil)
	anna, bench := w.join(door.Surveyor), w.join(door.Bench)
	anna.write(newJob(1), 2)
	anna.mustSync()
	if err := w.office.Revoke(t.Context(), anna.book.Device()); err != nil {
		t.Fatal(err)
	}
	anna.write(newJob(1), 1)
	if _, err := anna.sync(); !errors.Is(err, remote.ErrRevoked) && !errors.Is(err, remote.ErrOffline) {
		t.Errorf("just after: got %v, want %v or a line that was cut", err, remote.ErrRevoked)
	}
	for _, path := range []string{door.Meet, door.Fetch, door.Pictures, door.Picture + strings.Repeat("0", 64)} {
		status, body, err := w.request(w.transport(anna.book.Signer()), http.MethodPost, path, strings.NewReader("x"))
		if err != nil || !errors.Is(door.Err(status, body), door.ErrRevoked) {
			t.Errorf("%s: got %d %q %v, want %v", path, status, body, err, door.ErrRevoked)
		}
	}
	if _, err := anna.sync(); !errors.Is(err, remote.ErrRevoked) {
		t.Errorf("got %v, want %v", err, remote.ErrRevoked)
	}
	bench.mustSync()
	if p, f := held(t, bench.book, anna.book.Device()); p != 2 || f != 2 {
		t.Errorf("the bench holds %d pages, %d in full; want both that she gave before", p, f)
	}

	// An invitation from after lets it in again, none from before.
	i, err := w.office.Invite(t.Context(), hub.Terms{Role: door.Surveyor}, nil)
	if err != nil {
		t.Fatal(err)
	}
	if _, err := remote.Join(t.Context(), i, anna.book.Identity(), anna.book.Signer(), "", nil); !errors.Is(err, remote.ErrRevoked) {
		t.Errorf("an invitation of the same moment: got %v, want %v", err, remote.ErrRevoked)
	}
	w.clock.advance(time.Second)
	if i, err = w.office.Invite(t.Context(), hub.Terms{Role: door.Surveyor}, nil); err != nil {
		t.Fatal(err)
	}
	if _, err := remote.Join(t.Context(), i, anna.book.Identity(), anna.book.Signer(), "", nil); err != nil {
		t.Fatal(err)
	}
	if out := anna.mustSync(); out.Sent != 1 {
		t.Errorf("sent %d pages, want the one that waited", out.Sent)
	}
}

// The office works at the book of a hub that is not running, but for codes.
func TestLocalOffice(t *testing.T) {
	t.Parallel()
	c := newClock()
	book := newBook(t, c.now)
	office, err := hub.LocalOffice(book, openRoster(t, book, c), nil, nil, []string{"hub.example:7443"})
	if err != nil {
		t.Fatal(err)
	}
	if _, err := hub.Call(t.Context(), hub.ConsoleFile(book.Path())); !errors.Is(err, hub.ErrNotRunning) {
		t.Errorf("calling it: got %v, want %v", err, hub.ErrNotRunning)
	}
	i, err := office.Invite(t.Context(), hub.Terms{Role: door.Bench, Name: "bench", Lasts: time.Hour}, nil)
	if err != nil {
		t.Fatal(err)
	}
	if want := c.now().Add(time.Hour); !i.Expires.Equal(want) || len(i.Addresses) != 1 {
		t.Errorf("got %v, %v, want %v and the one address", i.Expires, i.Addresses, want)
	}
	if open, err := office.Invitations(t.Context()); err != nil || len(open) != 1 || open[0].Name != "bench" {
		t.Errorf("invitations: %+v, %v", open, err)
	}
	if _, err := office.Code(t.Context(), ""); !errors.Is(err, hub.ErrNotRunning) {
		t.Errorf("a code: got %v, want %v", err, hub.ErrNotRunning)
	}
	if s, err := office.Status(t.Context()); err != nil || s.Running || !s.Hub.Equal(book.Identity()) {
		t.Errorf("status: %+v, %v", s, err)
	}
	if err := office.Revoke(t.Context(), newJob(9)); !errors.Is(err, door.ErrNotFound) {
		t.Errorf("revoking nobody: got %v, want %v", err, door.ErrNotFound)
	}
}
