package remote_test

import (
	"context"
	"errors"
	"io"
	"net"
	"net/http"
	"slices"
	"strings"
	"sync/atomic"
	"testing"
	"time"

	"filippo.io/age"
	"github.com/google/go-cmp/cmp"

	"pinchrod/store"
	"pinchrod/store/journal"
	"pinchrod/sync/exchange"
	"pinchrod/sync/hub"
	"pinchrod/sync/hub/door"
	"pinchrod/sync/hub/invite"
	"pinchrod/sync/remote"
)

func TestJoin(t *testing.T) {
	t.Parallel()
	w := newWorkshop(t, nil)
	book, jobs := newBook(t, w.clock.now), []journal.ID{newJob(t), newJob(t)}
	i := w.invite(hub.Terms{Role: door.Surveyor, Jobs: jobs})
	got, err := remote.Join(t.Context(), i, book.Identity(), book.Signer(), "van 1", nil)
	if err != nil {
		t.Fatal(err)
	}
	if !got.Hub.Equal(w.book.Identity()) || got.Role != door.Surveyor {
		t.Errorf("joined %+v", got)
	}
	if d := cmp.Diff(jobs, got.Jobs); d != "" {
		t.Errorf("jobs (-want +got)\n%s", d)
	}
	recipient, err := age.ParseX25519Recipient(got.Recipient)
	if err != nil {
		t.Fatal(err)
	}
	// What is sealed for it, the hub opens.
	key, err := hub.ParcelIdentity(w.book)
	if err != nil {
		t.Fatal(err)
	}
	var sealed strings.Builder
	to, err := age.Encrypt(&sealed, recipient)
	if err != nil {
		t.Fatal(err)
	}
	if _, err := io.WriteString(to, "a parcel"); err != nil {
		t.Fatal(err)
	}
	if err := to.Close(); err != nil {
		t.Fatal(err)
	}
	from, err := age.Decrypt(strings.NewReader(sealed.String()), key)
	if err != nil {
		t.Fatal(err)
	}
	if b, err := io.ReadAll(from); err != nil || string(b) != "a parcel" {
		t.Errorf("opened: %q, %v", b, err)
	}
	if d := w.roster.Devices(); len(d) != 1 || d[0].Name != "van 1" {
		t.Errorf("devices: %+v", d)
	}
}

func TestJoinRefused(t *testing.T) {
	t.Parallel()
	w, other := newWorkshop(t, nil), newWorkshop(t, nil)
	d := newBook(t, w.clock.now)
	try := func(i invite.Invitation, name string) error {
		_, err := remote.Join(t.Context(), i, d.Identity(), d.Signer(), name, nil)
		return err
	}
	good := w.invite(hub.Terms{Role: door.Bench})
	for _, x := range []struct {
		name   string
		change func(*invite.Invitation)
		called string
		want   error
	}{
		{"an unknown secret", func(i *invite.Invitation) { i.Secret[0] ^= 1 }, "", remote.ErrInvitation},
		{"another hub at the address", func(i *invite.Invitation) { i.Addresses = []string{other.address} }, "", remote.ErrWrongHub},
		{"another hub's fingerprint", func(i *invite.Invitation) { i.Hub[0] ^= 1 }, "", remote.ErrWrongHub},
		{"nobody at the address", func(i *invite.Invitation) { i.Addresses = []string{nobody(t)} }, "", remote.ErrOffline},
		{"a long name", func(*invite.Invitation) {}, strings.Repeat("a", door.MaxName+1), remote.ErrRequest},
	} {
		i := good
		x.change(&i)
		if err := try(i, x.called); !errors.Is(err, x.want) {
			t.Errorf("%s: got %v, want %v", x.name, err, x.want)
		}
	}
	// None of that has used it up.
	if err := try(good, ""); err != nil {
		t.Error(err)
	}
}

// nobody returns an address where nobody listens.
func nobody(t *testing.T) string {
	t.Helper()
	l := listen(t)
	defer l.Close()
	return l.Addr().String()
}

// What a sync says when the line or the hub is not as it should be.
func TestErrors(t *testing.T) {
	t.Parallel()
	w := newWorkshop(t, nil)
	d := w.join(door.Surveyor)
	late := func(err error) remote.DialFunc {
		return func(context.Context, string, string) (net.Conn, error) { return nil, err }
	}
	plain := listen(t) // speaks, but not TLS
	defer plain.Close()
	go func() {
		for {
			c, err := plain.Accept()
			if err != nil {
				return
			}
			_, _ = io.WriteString(c, "220 mail.example ESMTP\r\n")
			c.Close()
		}
	}()
	stranger := newBook(t, w.clock.now)
	for _, x := range []struct {
		name string
		book *store.Store
		dial remote.DialFunc
		want error
	}{
		{"no name", d.book, late(&net.DNSError{Err: "no such host", Name: "hub.example", IsNotFound: true}), remote.ErrOffline},
		{"no network", d.book, late(&net.OpError{Op: "dial", Err: errors.New("network is unreachable")}), remote.ErrOffline},
		{"timeout", d.book, late(context.DeadlineExceeded), remote.ErrOffline},
		{"refused", d.book, redirect(nobody(t)), remote.ErrOffline},
		{"not TLS", d.book, redirect(plain.Addr().String()), remote.ErrOffline},
		{"not enrolled", stranger, nil, remote.ErrNotEnrolled},
		{"nothing wrong", d.book, nil, nil},
	} {
		_, err := exchange.Run(t.Context(), x.book, w.client(x.book, x.dial).Peer(), exchange.Progress{})
		if !errors.Is(err, x.want) {
			t.Errorf("%s: got %v, want %v", x.name, err, x.want)
		}
	}
	other := newWorkshop(t, nil)
	if _, err := exchange.Run(t.Context(), d.book, w.client(d.book, redirect(other.address)).Peer(), exchange.Progress{}); !errors.Is(err, remote.ErrWrongHub) {
		t.Errorf("another hub: got %v, want %v", err, remote.ErrWrongHub)
	}
	if err := w.roster.Revoke(d.book.Device()); err != nil {
		t.Fatal(err)
	}
	if _, err := d.sync(); !errors.Is(err, remote.ErrRevoked) {
		t.Errorf("revoked: got %v, want %v", err, remote.ErrRevoked)
	}
	if c, err := remote.New(remote.Config{Hub: w.book.Identity(), Self: d.book.Identity(), Signer: d.book.Signer()}); err != nil {
		t.Error(err)
	} else if _, err := exchange.Run(t.Context(), d.book, c.Peer(), exchange.Progress{}); !errors.Is(err, remote.ErrOffline) {
		t.Errorf("no address: got %v, want %v", err, remote.ErrOffline)
	}
	ctx, cancel := context.WithCancel(t.Context())
	cancel()
	if _, err := exchange.Run(ctx, d.book, d.client.Peer(), exchange.Progress{}); !errors.Is(err, context.Canceled) || errors.Is(err, remote.ErrOffline) {
		t.Errorf("called off: got %v, want %v", err, context.Canceled)
	}
}

// The hub is found at whichever of its addresses works, and first there the
// next time.
func TestAddresses(t *testing.T) {
	t.Parallel()
	w, other := newWorkshop(t, nil), newWorkshop(t, nil)
	d := w.join(door.Surveyor)
	var dialed atomic.Pointer[[]string]
	none := []string{}
	dialed.Store(&none)
	dial := func(ctx context.Context, network, address string) (net.Conn, error) {
		for {
			old := dialed.Load()
			more := append(slices.Clone(*old), address)
			if dialed.CompareAndSwap(old, &more) {
				break
			}
		}
		if address == "192.0.2.1:7443" { // a black hole
			<-ctx.Done()
			return nil, ctx.Err()
		}
		return (&net.Dialer{}).DialContext(ctx, network, address)
	}
	c, err := remote.New(remote.Config{
		Addresses: []string{nobody(t), "192.0.2.1:7443", other.address, w.address},
		Hub:       w.book.Identity(), Self: d.book.Identity(), Signer: d.book.Signer(), Dial: dial,
	})
	if err != nil {
		t.Fatal(err)
	}
	for range 2 {
		if _, err := exchange.Run(t.Context(), d.book, c.Peer(), exchange.Progress{}); err != nil {
			t.Fatal(err)
		}
		c.Close()
	}
	if got := *dialed.Load(); len(got) != 5 || got[3] != w.address || got[4] != w.address {
		t.Errorf("dialed %v, want the right one last, and then only that", got)
	}
}

// A line that is cut anywhere costs what was not confirmed yet, and the next
// sync goes on from there.
func TestLineCut(t *testing.T) {
	t.Parallel()
	w := newWorkshop(t, nil)
	d := w.join(door.Surveyor)
	bench := w.join(door.Bench)
	job := newJob(t)
	drafts := readings(3000)
	for i := range drafts {
		drafts[i].Job = job
	}
	for i := 0; i < len(drafts); i += 500 {
		if _, err := d.book.Append(drafts[i : i+500]...); err != nil {
			t.Fatal(err)
		}
	}
	cut, confirmed := 0, uint64(0)
	sync := func(d *worker, after int64) error {
		c := w.client(d.book, func(ctx context.Context, network, address string) (net.Conn, error) {
			conn, err := (&net.Dialer{}).DialContext(ctx, network, address)
			return &cutConn{Conn: conn, left: after}, err
		})
		_, err := exchange.Run(t.Context(), d.book, c.Peer(), exchange.Progress{Sent: func(h journal.Head) { confirmed = h.Seq }})
		return err
	}
	for _, d := range []*worker{d, bench} {
		for after := int64(200); ; after *= 2 {
			err := sync(d, after)
			if err == nil {
				break
			}
			cut++
			if !errors.Is(err, remote.ErrOffline) {
				t.Fatalf("cut after %d bytes: got %v, want %v", after, err, remote.ErrOffline)
			}
			heads, err := w.book.Heads()
			if err != nil {
				t.Fatal(err)
			}
			if got := heads[d.book.Device()].Seq; got < confirmed {
				t.Fatalf("the hub has %d pages, and has confirmed %d", got, confirmed)
			}
		}
		confirmed = 0
	}
	if cut < 10 {
		t.Errorf("the line was cut %d times only", cut)
	}
	want, err := d.book.Heads()
	if err != nil {
		t.Fatal(err)
	}
	for name, b := range map[string]*store.Store{"hub": w.book, "bench": bench.book} {
		heads, err := b.Heads()
		if err != nil {
			t.Fatal(err)
		}
		if id := d.book.Device(); heads[id].Head != want[id].Head {
			t.Errorf("the %s has %d pages, want %d", name, heads[id].Seq, want[id].Seq)
		}
	}
}

// A cutConn breaks when so many bytes have gone through it.
type cutConn struct {
	net.Conn
	left int64
}

func (c *cutConn) spend(n int) error {
	if atomic.AddInt64(&c.left, int64(-n)) < 0 {
		c.Close()
		return errors.New("the line is cut")
	}
	return nil
}

func (c *cutConn) Read(p []byte) (int, error) {
	n, err := c.Conn.Read(p)
	if err == nil {
		err = c.spend(n)
	}
	return n, err
}

func (c *cutConn) Write(p []byte) (int, error) {
	if err := c.spend(len(p)); err != nil {
		return 0, err
	}
	return c.Conn.Write(p)
}

// A connection that the hub has closed in the meantime is made anew: by
// another try, if need be.
func TestHubStartsAgain(t *testing.T) {
	t.Parallel()
	w := newWorkshop(t, nil)
	d := w.join(door.Surveyor)
	if _, err := d.sync(); err != nil {
		t.Fatal(err)
	}
	w.stop()
	if _, err := d.sync(); !errors.Is(err, remote.ErrOffline) {
		t.Errorf("got %v, want %v", err, remote.ErrOffline)
	}
	w.start(nil)
	c := w.client(d.book, nil)
	tries := 0
	err := remote.Retry(t.Context(), remote.DefaultBackoff(), func(context.Context, time.Duration) error { return nil }, func() float64 { return 0 }, func(ctx context.Context) error {
		tries++
		_, err := exchange.Run(ctx, d.book, c.Peer(), exchange.Progress{})
		return err
	})
	if err != nil || tries > 2 {
		t.Errorf("%d tries, %v", tries, err)
	}
}

// A hub that does not understand itself is not believed.
func TestHostileHub(t *testing.T) {
	t.Parallel()
	w := newWorkshop(t, nil)
	d := w.join(door.Surveyor)
	own, err := door.Certificate(w.book.Signer())
	if err != nil {
		t.Fatal(err)
	}
	for name, x := range map[string]struct {
		handler http.HandlerFunc
		want    error
	}{
		"no answer": {func(http.ResponseWriter, *http.Request) {}, remote.ErrOffline},
		"garbage":   {func(w http.ResponseWriter, _ *http.Request) { _, _ = io.WriteString(w, strings.Repeat("hello ", 100)) }, exchange.ErrProtocol},
		"a redirect": {func(w http.ResponseWriter, r *http.Request) {
			http.Redirect(w, r, "https://evil.example/", http.StatusFound)
		}, remote.ErrRequest},
		"an odd status": {func(w http.ResponseWriter, _ *http.Request) { w.WriteHeader(299) }, remote.ErrRequest},
		"an encoding": {func(w http.ResponseWriter, _ *http.Request) {
			w.Header().Set("Content-Encoding", "br")
			_, _ = w.Write([]byte("x"))
		}, exchange.ErrProtocol},
		"not zstd": {func(w http.ResponseWriter, _ *http.Request) {
			w.Header().Set("Content-Encoding", "zstd")
			_, _ = w.Write([]byte("hello hello"))
		}, exchange.ErrProtocol},
		"busy for ever": {func(w http.ResponseWriter, _ *http.Request) {
			w.Header().Set("Retry-After", "99999999999")
			w.WriteHeader(503)
		}, remote.ErrBusy},
		"headers for ever":  {func(w http.ResponseWriter, _ *http.Request) { w.Header().Set("X", strings.Repeat("x", 1<<20)) }, remote.ErrOffline},
		"a handler's panic": {func(http.ResponseWriter, *http.Request) { panic(http.ErrAbortHandler) }, remote.ErrOffline},
	} {
		t.Run(name, func(t *testing.T) {
			l := listen(t)
			s := &http.Server{Handler: x.handler, TLSConfig: door.HubTLS(own)}
			go func() { _ = s.ServeTLS(l, "", "") }()
			defer s.Close()
			_, err := exchange.Run(t.Context(), d.book, w.client(d.book, redirect(l.Addr().String())).Peer(), exchange.Progress{})
			if !errors.Is(err, x.want) {
				t.Errorf("got %v, want %v", err, x.want)
			}
		})
	}
}
