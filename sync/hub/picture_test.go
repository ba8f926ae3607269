package hub_test

import (
	"bytes"
	"crypto/sha256"
	"encoding/hex"
	"errors"
	"fmt"
	"io"
	"net/http"
	"strings"
	"testing"

	"github.com/google/go-cmp/cmp"

	"pinchrod/store/journal"
	"pinchrod/sync/hub"
	"pinchrod/sync/hub/door"
	"pinchrod/sync/remote"
)

func sumOf(s string) [32]byte { return sha256.Sum256([]byte(s)) }

func picturePath(sum [32]byte) string { return door.Picture + hex.EncodeToString(sum[:]) }

func fetched(t *testing.T, d *worker, sum [32]byte, from int64) (string, int64, error) {
	t.Helper()
	r, size, err := d.client.FetchPicture(t.Context(), sum, from)
	if err != nil {
		return "", 0, err
	}
	defer r.Close()
	b, err := io.ReadAll(r)
	return string(b), size, err
}

func TestPictures(t *testing.T) {
	t.Parallel()
	w := newWorkshop(t, nil)
	mill, barn := newJob(1), newJob(2)
	anna, ben, bench := w.join(door.Surveyor, mill), w.join(door.Surveyor, barn), w.join(door.Bench)
	picture := strings.Repeat("a stair, from below ", 50_000) // 1 MB
	sum, size := sumOf(picture), int64(len(picture))
	send := func(d *worker, job journal.ID) error {
		return d.client.SendPicture(t.Context(), job, sum, size, strings.NewReader(picture))
	}
	if err := send(anna, barn); !errors.Is(err, remote.ErrForbidden) {
		t.Errorf("to a job that she is not on: got %v, want %v", err, remote.ErrForbidden)
	}
	if _, _, err := fetched(t, bench, sum, 0); !errors.Is(err, remote.ErrNotFound) {
		t.Errorf("not there yet: got %v, want %v", err, remote.ErrNotFound)
	}
	// The line breaks after a part of it.
	part := picture[:300_000]
	status, _, err := w.request(anna.raw, http.MethodPut, picturePath(sum)+fmt.Sprintf("?job=%s&size=%d&from=0", mill, size), strings.NewReader(part))
	if err != nil || status != http.StatusAccepted {
		t.Fatalf("a part: %d, %v", status, err)
	}
	if n, err := w.pictures.Partial(sum); err != nil || n != int64(len(part)) {
		t.Errorf("%d bytes are there, %v, want %d", n, err, len(part))
	}
	// She goes on from there, and nowhere else; for the others nothing is there.
	for _, from := range []int{0, 299_999, 300_001} {
		status, _, err = w.request(anna.raw, http.MethodPut, picturePath(sum)+fmt.Sprintf("?job=%s&size=%d&from=%d", mill, size, from), strings.NewReader(picture[from:]))
		if err != nil || status != http.StatusConflict {
			t.Errorf("from %d: %d, %v, want %d", from, status, err, http.StatusConflict)
		}
	}
	if status, _, err = w.request(ben.raw, http.MethodPut, picturePath(sum)+fmt.Sprintf("?job=%s&size=%d&from=%d", barn, size, len(part)), strings.NewReader(picture[len(part):])); err != nil || status != http.StatusConflict {
		t.Errorf("ben, where anna left off: %d, %v, want %d", status, err, http.StatusConflict)
	}
	if err := send(anna, mill); err != nil {
		t.Fatal(err)
	}
	if got, n, err := fetched(t, anna, sum, 0); err != nil || got != picture || n != size {
		t.Errorf("anna fetches %d of %d bytes, %v", len(got), n, err)
	}
	if got, n, err := fetched(t, bench, sum, 700_000); err != nil || got != picture[700_000:] || n != size {
		t.Errorf("the bench fetches the rest: %d of %d bytes, %v", len(got), n, err)
	}

	// To know its sum is not to have it.
	if _, _, err := fetched(t, ben, sum, 0); !errors.Is(err, remote.ErrNotFound) {
		t.Errorf("ben, who is on another job: got %v, want %v", err, remote.ErrNotFound)
	}
	other := strings.Repeat("x", len(picture))
	if err := ben.client.SendPicture(t.Context(), barn, sum, size, strings.NewReader(other)); !errors.Is(err, remote.ErrRequest) {
		t.Errorf("other bytes under its sum: got %v, want %v", err, remote.ErrRequest)
	}
	ask := func(d *worker) map[[32]byte]bool {
		t.Helper()
		have, err := d.client.Pictures(t.Context(), [][32]byte{sum, sumOf("no such")})
		if err != nil {
			t.Fatal(err)
		}
		return have
	}
	if d := cmp.Diff(map[[32]byte]bool{sum: true}, ask(anna)); d != "" {
		t.Errorf("anna (-want +got)\n%s", d)
	}
	if have := ask(ben); len(have) > 0 {
		t.Errorf("ben is told of %d pictures", len(have))
	}
	if err := send(ben, barn); err != nil {
		t.Fatal(err)
	}
	if got, _, err := fetched(t, ben, sum, 0); err != nil || got != picture {
		t.Errorf("ben, who has shown that he has it: %d bytes, %v", len(got), err)
	}
	if err := send(anna, mill); err != nil {
		t.Errorf("again: %v", err)
	}

	// It is of two jobs now; forgetting one leaves it to the other.
	for job, want := range map[journal.ID]bool{mill: true} {
		if _, err := w.office.Forget(t.Context(), job); err != nil {
			t.Fatal(err)
		}
		if got := w.pictures.Has(sum); got != want {
			t.Errorf("after one job is forgotten: there %v, want %v", got, want)
		}
	}
	if _, _, err := fetched(t, anna, sum, 0); !errors.Is(err, remote.ErrNotFound) {
		t.Errorf("anna, whose job is forgotten: got %v, want %v", err, remote.ErrNotFound)
	}
	if _, err := w.office.Forget(t.Context(), barn); err != nil {
		t.Fatal(err)
	}
	if w.pictures.Has(sum) {
		t.Error("after both jobs are forgotten it is still there")
	}
}

// What is wrong is dropped, and too much is not begun.
func TestPictureRefused(t *testing.T) {
	t.Parallel()
	w := newWorkshop(t, func(o *hub.Options) { o.Limits.Picture = 1000 })
	mill := newJob(1)
	anna := w.join(door.Surveyor, mill)
	sum := sumOf("a picture")
	send := func(s string) error {
		return anna.client.SendPicture(t.Context(), mill, sum, int64(len(s)), strings.NewReader(s))
	}
	if err := send("another picture"); !errors.Is(err, remote.ErrRequest) {
		t.Errorf("another picture: got %v, want %v", err, remote.ErrRequest)
	}
	if n, err := w.pictures.Partial(sum); err != nil || n != 0 || w.pictures.Has(sum) {
		t.Errorf("%d bytes of it are left, %v", n, err)
	}
	if err := send(strings.Repeat("x", 1001)); !errors.Is(err, remote.ErrRequest) {
		t.Errorf("a large one: got %v, want %v", err, remote.ErrRequest)
	}
	if err := send("a picture"); err != nil {
		t.Error(err)
	}
	for _, path := range []string{
		picturePath(sum)[:40], picturePath(sum) + "0", door.Picture + strings.ToUpper(picturePath(sum)[len(door.Picture):]), door.Picture, door.Picture + "../" + strings.Repeat("0", 61),
		picturePath(sum) + "/", door.Picture + strings.Repeat("g", 64),
	} {
		if status, _, err := w.request(anna.raw, http.MethodGet, path, nil); err != nil || status != http.StatusNotFound {
			t.Errorf("%s: %d, %v", path, status, err)
		}
	}
	for _, query := range []string{"", "?job=x&size=9&from=0", "?size=9&from=0", "?job=" + mill.String() + "&size=0&from=0", "?job=" + mill.String() + "&size=9&from=-1", "?job=" + mill.String() + "&size=9&from=10"} {
		if status, _, err := w.request(anna.raw, http.MethodPut, picturePath(sum)+query, strings.NewReader("a picture")); err != nil || status != http.StatusBadRequest {
			t.Errorf("%s: %d, %v", query, status, err)
		}
	}
	var many door.PicturesRequest
	for range door.MaxPictures + 1 {
		many.Sums = append(many.Sums, sum)
	}
	if status, _, err := w.request(anna.raw, http.MethodPost, door.Pictures, bytes.NewReader(encode(t, many))); err != nil || status != http.StatusBadRequest {
		t.Errorf("asking for too many: %d, %v", status, err)
	}
	many.Sums = many.Sums[1:]
	if status, body, err := w.request(anna.raw, http.MethodPost, door.Pictures, bytes.NewReader(encode(t, many))); err != nil || status != http.StatusOK {
		t.Errorf("asking for as many as can be: %d, %v, %q", status, err, body)
	}
	if status, _, err := w.request(anna.raw, http.MethodDelete, picturePath(sum), nil); err != nil || status != http.StatusBadRequest {
		t.Errorf("deleting it: %d, %v", status, err)
	}
}

// A device moves two pictures at once, and nobody two times the same.
func TestPicturesTakeTurns(t *testing.T) {
	t.Parallel()
	w := newWorkshop(t, func(o *hub.Options) { o.Limits.TransfersPerDevice = 2 })
	mill := newJob(1)
	anna, ben := w.join(door.Surveyor, mill), w.join(door.Surveyor, mill)
	query := func(size int) string { return fmt.Sprintf("?job=%s&size=%d&from=0", mill, size) }
	one, two, three := "picture one", "picture two", "picture three"
	ended := make(chan int, 2)
	var feeds []*io.PipeWriter
	for _, p := range []string{one, two} {
		body, feed := io.Pipe()
		go func() {
			status, _, err := w.request(anna.raw, http.MethodPut, picturePath(sumOf(p))+query(len(p)), body)
			if err != nil {
				t.Error(err)
			}
			ended <- status
		}()
		if _, err := io.WriteString(feed, p[:4]); err != nil {
			t.Fatal(err)
		}
		feeds = append(feeds, feed)
		for n := int64(0); n < 4; { // until it has got through
			var err error
			if n, err = w.pictures.Partial(sumOf(p)); err != nil {
				t.Fatal(err)
			}
		}
	}
	for _, x := range []struct {
		what string
		d    *worker
		p    string
	}{{"a third of hers", anna, three}, {"one that she is sending", ben, one}} {
		status, body, err := w.request(x.d.raw, http.MethodPut, picturePath(sumOf(x.p))+query(len(x.p)), strings.NewReader(x.p))
		if err != nil || !errors.Is(door.Err(status, body), door.ErrBusy) {
			t.Errorf("%s: %d %q %v, want to be told to wait", x.what, status, body, err)
		}
	}
	if err := ben.client.SendPicture(t.Context(), mill, sumOf(three), int64(len(three)), strings.NewReader(three)); err != nil {
		t.Errorf("ben, meanwhile: %v", err)
	}
	for i, p := range []string{one, two} {
		if _, err := io.WriteString(feeds[i], p[4:]); err != nil {
			t.Error(err)
		}
		feeds[i].Close()
	}
	for range feeds {
		if status := <-ended; status != http.StatusNoContent {
			t.Errorf("hers: %d", status)
		}
	}
}
