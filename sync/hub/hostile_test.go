package hub_test

import (
	"bytes"
	"crypto/ecdsa"
	"crypto/elliptic"
	"crypto/rand"
	"crypto/tls"
	"crypto/x509"
	"errors"
	"io"
	"math/big"
	"net/http"
	"net/url"
	"runtime"
	"strings"
	"testing"
	"time"

	"github.com/klauspost/compress/zstd"

	"pinchrod/sync/hub"
	"pinchrod/sync/hub/door"
	"pinchrod/sync/hub/invite"
	"pinchrod/sync/remote"
)

// meet sends a meeting's request as it is given, and returns the answer.
func (w *workshop) meet(d *worker, body []byte, headers ...string) (int, []byte) {
	w.t.Helper()
	status, answer, err := w.request(d.raw, http.MethodPost, door.Meet, bytes.NewReader(body), headers...)
	if err != nil {
		w.t.Fatal(err)
	}
	return status, answer
}

// refusedAs checks that a meeting is answered with a refusal of a kind, and
// that nothing of it was kept.
func (w *workshop) refusedAs(what string, d *worker, body []byte, want uint64, headers ...string) {
	w.t.Helper()
	heads, err := w.book.Heads()
	if err != nil {
		w.t.Fatal(err)
	}
	before := heads[d.book.Device()]
	status, answer := w.meet(d, body, headers...)
	if code, refused := refusal(w.t, answer); status != http.StatusOK || !refused || code != want {
		w.t.Errorf("%s: status %d, refusal %d (%v), want refusal %d", what, status, code, refused, want)
	}
	if heads, err = w.book.Heads(); err != nil || heads[d.book.Device()] != before {
		w.t.Errorf("%s: the hub holds %d pages, %v, want %d", what, heads[d.book.Device()].Seq, err, before.Seq)
	}
}

func join(parts ...[]byte) []byte { return bytes.Join(parts, nil) }

// Who has not joined gets nowhere, whatever certificate it shows.
func TestHostileKeys(t *testing.T) {
	t.Parallel()
	w := newWorkshop(t, nil)
	anna, stranger := w.join(door.Surveyor), w.newWorker()
	anna.write(newJob(1), 1)
	stranger.write(newJob(1), 1)
	for _, path := range []string{door.Meet, door.Fetch, door.Pictures, picturePath(sumOf("x")), "/", "/metrics"} {
		status, body, err := w.request(w.transport(stranger.book.Signer()), http.MethodPost, path, strings.NewReader("x"))
		if err != nil || status != http.StatusUnauthorized || !errors.Is(door.Err(status, body), door.ErrNotEnrolled) {
			t.Errorf("%s: %d %q %v", path, status, body, err)
		}
	}
	if _, err := stranger.sync(); !errors.Is(err, remote.ErrNotEnrolled) {
		t.Errorf("got %v, want %v", err, remote.ErrNotEnrolled)
	}
	// A certificate with anna's key in it, but without the key.
	own, err := door.Certificate(anna.book.Signer())
	if err != nil {
		t.Fatal(err)
	}
	own.PrivateKey = stranger.book.Signer()
	via := w.transport(stranger.book.Signer())
	via.TLSClientConfig.Certificates = nil
	via.TLSClientConfig.GetClientCertificate = func(*tls.CertificateRequestInfo) (*tls.Certificate, error) { return &own, nil }
	if status, _, err := w.request(via, http.MethodPost, door.Meet, nil); err == nil {
		t.Errorf("anna's certificate without her key: %d", status)
	}
	// A key of another kind.
	key, err := ecdsa.GenerateKey(elliptic.P256(), rand.Reader)
	if err != nil {
		t.Fatal(err)
	}
	template := &x509.Certificate{SerialNumber: big.NewInt(1), NotAfter: time.Now().Add(time.Hour)}
	der, err := x509.CreateCertificate(rand.Reader, template, template, key.Public(), key)
	if err != nil {
		t.Fatal(err)
	}
	own = tls.Certificate{Certificate: [][]byte{der}, PrivateKey: key}
	if status, _, err := w.request(via, http.MethodGet, door.Health, nil); err == nil {
		t.Errorf("an ECDSA key: %d", status)
	}
	anna.mustSync()
}

// A stranger's connection can ask a few times.
func TestHostileStranger(t *testing.T) {
	t.Parallel()
	w := newWorkshop(t, nil)
	via := w.transport(w.newWorker().book.Signer())
	for i := range 4 {
		if status, body, err := w.request(via, http.MethodGet, door.Health, nil); err != nil || status != http.StatusOK || string(body) != "ok\n" {
			t.Errorf("request %d: %d %q %v", i, status, body, err)
		}
	}
	if status, _, err := w.request(via, http.MethodGet, door.Health, nil); err == nil && status == http.StatusOK {
		t.Error("the fifth is answered on the same connection")
	}
}

// The same request again, a day later or from elsewhere.
func TestHostileReplay(t *testing.T) {
	t.Parallel()
	w := newWorkshop(t, nil)
	anna, ben := w.join(door.Surveyor), w.join(door.Surveyor)
	anna.write(newJob(1), 3)
	recorded := join(offerFrame(t, anna.book.Identity()), batchFrame(t, anna.book), endFrame)
	for range 2 {
		status, answer := w.meet(anna, recorded)
		if kinds, _ := readFrames(t, answer); status != http.StatusOK || !bytes.Equal(kinds, []byte{5, 6}) {
			t.Errorf("got %d, frames %v, want an ack and a state", status, kinds)
		}
		if pages, _ := held(t, w.book, anna.book.Device()); pages != 3 {
			t.Errorf("the hub holds %d pages, want 3", pages)
		}
	}
	anna.write(newJob(1), 1)
	anna.mustSync()
	if _, answer := w.meet(anna, recorded); len(answer) == 0 {
		t.Error("no answer")
	}
	if pages, _ := held(t, w.book, anna.book.Device()); pages != 4 {
		t.Errorf("after an old request the hub holds %d pages, want 4", pages)
	}
	// Ben's line is ben's: the offer's hash is not of his log.
	if status, answer := w.meet(ben, recorded); status != http.StatusOK {
		t.Errorf("got %d", status)
	} else if _, refused := refusal(t, answer); !refused {
		t.Error("anna's request from ben is not refused")
	}
	if pages, _ := held(t, w.book, ben.book.Device()); pages != 0 {
		t.Errorf("the hub holds %d pages of ben's", pages)
	}
}

func TestHostileLogs(t *testing.T) {
	t.Parallel()
	w := newWorkshop(t, nil)
	anna, ben := w.join(door.Surveyor), w.join(door.Surveyor)
	anna.write(newJob(1), 3)
	ben.write(newJob(2), 3)
	offer := offerFrame(t, anna.book.Identity())
	batch := batchFrame(t, anna.book)
	// A frame's last 64 bytes are the signature.
	forged := bytes.Clone(batch)
	forged[len(forged)-1] ^= 1
	w.refusedAs("a forged signature", anna, join(offer, forged, endFrame), 4)
	page := bytes.Clone(batch)
	page[bytes.Index(page, []byte{0xa1, 0x01, 0x00})+2] = 0x17
	w.refusedAs("a page that was changed", anna, join(offer, page, endFrame), 3)
	w.refusedAs("ben's log from anna", anna, join(offer, batchFrame(t, ben.book), endFrame), 8)
	w.refusedAs("a state from a device", anna, join(offer, frame(6, []byte{0xa0})), 11)
	w.refusedAs("a batch before the offer", anna, batch, 11)
	w.refusedAs("nothing", anna, nil, 0)
	w.refusedAs("an offer that is cut", anna, offer[:10], 0)
	w.refusedAs("not CBOR", anna, join(offer, frame(3, []byte("not CBOR at all"))), 11)
	w.refusedAs("a long number", anna, join(offer, []byte{3, 0xff, 0xff, 0xff, 0xff, 0xff, 0xff, 0xff, 0xff, 0xff, 0xff, 0x01}), 11)
	anna.mustSync()
	ben.mustSync()
}

func zstdOf(t *testing.T, window int, write func(io.Writer)) []byte {
	t.Helper()
	var out bytes.Buffer
	e, err := zstd.NewWriter(&out, zstd.WithWindowSize(window), zstd.WithEncoderLevel(zstd.SpeedFastest))
	if err != nil {
		t.Fatal(err)
	}
	write(e)
	if err := e.Close(); err != nil {
		t.Fatal(err)
	}
	return out.Bytes()
}

func zeros(n int64) io.Reader { return io.LimitReader(zeroReader{}, n) }

type zeroReader struct{}

func (zeroReader) Read(p []byte) (int, error) {
	clear(p)
	return len(p), nil
}

func TestHostileSizes(t *testing.T) {
	t.Parallel()
	w := newWorkshop(t, func(o *hub.Options) { o.Limits.Request = 1 << 20 })
	anna := w.join(door.Surveyor)
	anna.write(newJob(1), 3)
	offer := offerFrame(t, anna.book.Identity())
	copyTo := func(r io.Reader) func(io.Writer) {
		return func(to io.Writer) {
			if _, err := io.Copy(to, r); err != nil {
				t.Fatal(err)
			}
		}
	}
	w.refusedAs("a frame of 18 MiB", anna, join(offer, []byte{3, 0x80, 0x80, 0x80, 0x09}), 11)
	w.refusedAs("an offer of 100 kB", anna, frame(1, make([]byte, 100<<10)), 11)
	// Unknown keys are passed over, so frames of them could go on for ever.
	w.refusedAs("a body that is too large", anna, join(offer, frame(3, encode(t, map[uint64]any{9: make([]byte, 2<<20)}))), 0)
	bomb := zstdOf(t, 1<<20, copyTo(zeros(8<<20)))
	if len(bomb) > 8<<10 {
		t.Fatalf("the bomb has %d bytes", len(bomb))
	}
	w.refusedAs("a zip bomb", anna, bomb, 11, "Content-Encoding", "zstd")
	framed := zstdOf(t, 1<<20, copyTo(io.MultiReader(bytes.NewReader(offer), bytes.NewReader([]byte{3, 0x80, 0x80, 0x80, 0x08}), zeros(2<<20))))
	w.refusedAs("a zip bomb in a frame", anna, framed, 0, "Content-Encoding", "zstd") // over the body's limit here
	w.refusedAs("a window of 8 MiB", anna, zstdOf(t, 8<<20, copyTo(zeros(16<<20))), 11, "Content-Encoding", "zstd")
	w.refusedAs("not zstd", anna, offer, 11, "Content-Encoding", "zstd")
	if status, _ := w.meet(anna, offer, "Content-Encoding", "gzip"); status != http.StatusBadRequest {
		t.Errorf("gzip: %d", status)
	}
	many := join(offer, frame(3, encode(t, map[uint64]any{1: 1, 2: make([][]byte, 60_000), 4: make([]byte, 32), 5: make([]byte, 64)})))
	w.refusedAs("a list of empty pages", anna, many, 11)

	// Headers are refused by the library: by a status, or by ending the line.
	if status, _, err := w.request(w.transport(anna.book.Signer()), http.MethodPost, door.Meet, nil, "X-Long", strings.Repeat("x", 64<<10)); err == nil && status != http.StatusRequestHeaderFieldsTooLarge {
		t.Errorf("a header of 64 kB: %d", status)
	}
	status, body, err := w.request(w.transport(w.newWorker().book.Signer()), http.MethodPost, door.Join, bytes.NewReader(make([]byte, door.MaxJoin+1)))
	if err != nil || status != http.StatusBadRequest {
		t.Errorf("a huge request to join: %d %q %v", status, body, err)
	}
	if out := anna.mustSync(); out.Receipt.Head.Seq != 3 {
		t.Errorf("the hub confirms %d pages, want 3", out.Receipt.Head.Seq)
	}
}

// A bomb that stays within the limits costs the hub no more memory than they
// say.
func TestHostileMemory(t *testing.T) {
	w := newWorkshop(t, nil)
	anna := w.join(door.Surveyor)
	// A frame of a million pages of one byte, each of which would be a slice and
	// a record: a hundred times what has come.
	body := join([]byte{0xa4, 0x01, 0x01, 0x02, 0x9a, 0, 0x10, 0, 0}, bytes.Repeat([]byte{0x41, 0x00}, 1<<20),
		[]byte{0x04, 0x58, 32}, make([]byte, 32), []byte{0x05, 0x58, 64}, make([]byte, 64))
	bomb := zstdOf(t, 1<<20, func(to io.Writer) {
		for _, b := range [][]byte{offerFrame(t, anna.book.Identity()), frame(3, body)} {
			if _, err := to.Write(b); err != nil {
				t.Fatal(err)
			}
		}
	})
	var before, after runtime.MemStats
	runtime.GC()
	runtime.ReadMemStats(&before)
	w.refusedAs("the bomb", anna, bomb, 7, "Content-Encoding", "zstd")
	runtime.ReadMemStats(&after)
	t.Logf("%d KiB", (after.TotalAlloc-before.TotalAlloc)>>10)
	if got := (after.TotalAlloc - before.TotalAlloc) >> 20; got > 24 {
		t.Errorf("%d MiB were set aside for it in all, want under 24", got)
	}
}

func TestHostilePaths(t *testing.T) {
	t.Parallel()
	w := newWorkshop(t, nil)
	anna := w.join(door.Surveyor)
	anna.write(newJob(1), 1)
	anna.mustSync()
	for _, path := range []string{
		"/", "/v1", "/v1/", "/v1/meet/", "//v1/meet", "/v1//meet", "/v1/./meet", "/v1/x/../meet", "/V1/meet", "/v1/meet%00", "/v1%2fmeet", "/v1/%6deet",
		"/v1/picture/../../x", "/v1/picture/%2e%2e/%2e%2e/x", "/v1/picture/..%2f..%2fx", `/v1/picture/..\..\x`, "/v1/picture/" + strings.Repeat("%30", 64),
		"/metrics", "/office/devices", "/sign-in", "/debug/pprof/",
	} {
		r := &http.Request{Method: http.MethodPost, Host: "hub", Header: http.Header{}, Body: http.NoBody}
		r.URL = mustURL(t, "https://"+w.address+path)
		a, err := anna.raw.RoundTrip(r.WithContext(t.Context()))
		if err != nil {
			t.Errorf("%s: %v", path, err)
			continue
		}
		a.Body.Close()
		if a.StatusCode != http.StatusNotFound {
			t.Errorf("%s: %d, want %d", path, a.StatusCode, http.StatusNotFound)
		}
	}
	for _, method := range []string{http.MethodGet, http.MethodPut, http.MethodDelete, "BREW"} {
		if status, _, err := w.request(anna.raw, method, door.Meet, nil); err != nil || status != http.StatusBadRequest {
			t.Errorf("%s: %d %v", method, status, err)
		}
	}
}

// Neither guessing nor replaying an invitation lets anybody in, and meanwhile
// it works for whom it was made.
func TestHostileInvitations(t *testing.T) {
	t.Parallel()
	w := newWorkshop(t, nil)
	i, err := w.office.Invite(t.Context(), hub.Terms{Role: door.Bench}, nil)
	if err != nil {
		t.Fatal(err)
	}
	thief := w.newWorker()
	try := func(d *worker, i invite.Invitation) error {
		_, err := remote.Join(t.Context(), i, d.book.Identity(), d.book.Signer(), "", nil)
		return err
	}
	for n := range 32 {
		guess := i
		guess.Secret[n%16] ^= byte(1 + n/16)
		if err := try(thief, guess); !errors.Is(err, remote.ErrInvitation) {
			t.Fatalf("guess %d: got %v, want %v", n, err, remote.ErrInvitation)
		}
	}
	bench := w.newWorker()
	if err := try(bench, i); err != nil {
		t.Fatal(err)
	}
	if err := try(thief, i); !errors.Is(err, remote.ErrInvitation) || !strings.Contains(err.Error(), "used") {
		t.Errorf("used: got %v, want %v", err, remote.ErrInvitation)
	}
	if err := try(bench, i); err != nil {
		t.Errorf("by the same device: %v", err)
	}
	if i, err = w.office.Invite(t.Context(), hub.Terms{Role: door.Bench, Lasts: time.Minute}, nil); err != nil {
		t.Fatal(err)
	}
	w.clock.advance(time.Minute)
	if err := try(thief, i); !errors.Is(err, remote.ErrInvitation) || !strings.Contains(err.Error(), "ended") {
		t.Errorf("expired: got %v, want %v", err, remote.ErrInvitation)
	}
	for name, body := range map[string][]byte{
		"nothing": nil, "not CBOR": []byte("hello"),
		"version 2":   encode(t, door.JoinRequest{Version: 2}),
		"no identity": encode(t, door.JoinRequest{Version: 1, Secret: i.Secret[:]}),
	} {
		if status, _, err := w.request(w.transport(thief.book.Signer()), http.MethodPost, door.Join, bytes.NewReader(body)); err != nil || status != http.StatusBadRequest {
			t.Errorf("%s: %d %v", name, status, err)
		}
	}
	if _, err := thief.sync(); !errors.Is(err, remote.ErrNotEnrolled) {
		t.Errorf("got %v, want %v", err, remote.ErrNotEnrolled)
	}
	if strings.Contains(w.log.String(), string(i.Secret[:])) {
		t.Error("the log holds a secret")
	}
}

func mustURL(t *testing.T, s string) *url.URL {
	t.Helper()
	u, err := url.Parse(s)
	if err != nil {
		t.Fatal(err)
	}
	return u
}
