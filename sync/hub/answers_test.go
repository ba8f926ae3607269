package hub

import (
	"context"
	"errors"
	"fmt"
	"io"
	"math/rand/v2"
	"net/http/httptest"
	"net/netip"
	"strings"
	"testing"
	"time"

	"pinchrod/store/journal"
	"pinchrod/sync/exchange"
	"pinchrod/sync/hub/door"
	"pinchrod/sync/synctest"
)

// What an error is counted as, told as, and how long whoever asked is to wait.
func TestOutcomes(t *testing.T) {
	damagedPage := &journal.BreakError{Seq: 1, Err: fmt.Errorf("%w: %w", journal.ErrDamaged, journal.ErrBroken)}
	for _, x := range []struct {
		err    error
		want   string
		status int
		retry  string
	}{
		{door.ErrNotEnrolled, "not enrolled", 401, ""},
		{door.ErrRevoked, "revoked", 403, ""},
		{door.ErrInvitation, "invitation", 410, ""},
		{errTooLarge, "too large", 400, ""},
		{errStopping, "stopping", 503, "1"},
		{door.ErrBusy, "busy", 503, "1"},
		{&waitError{door.ErrBusy, 2 * time.Second}, "busy", 503, "2"},
		{&waitError{door.ErrBusy, 2*time.Second + 1}, "busy", 503, "3"},
		{&waitError{door.ErrBusy, time.Millisecond}, "busy", 503, "1"},
		{door.ErrNotFound, "not found", 404, ""},
		{door.ErrForbidden, "forbidden", 403, ""},
		{errMethod, "bad request", 400, ""},
		{errSlow, "slow", 500, ""},
		{damagedPage, "damaged book", 500, ""},
		{journal.ErrFork, "fork", 500, ""},
		{journal.ErrGap, "gap", 500, ""},
		{journal.ErrSignature, "signature", 500, ""},
		{journal.ErrUnsigned, "unsigned", 500, ""},
		{journal.ErrBroken, "broken chain", 500, ""},
		{journal.ErrNotCanonical, "not canonical", 500, ""},
		{journal.ErrInvalid, "invalid", 500, ""},
		{exchange.ErrForeign, "foreign log", 500, ""},
		{exchange.ErrUnknown, "unknown log", 500, ""},
		{exchange.ErrVersion, "newer version", 500, ""},
		{exchange.ErrProtocol, "protocol", 500, ""},
		{context.Canceled, "cut off", 500, ""},
		{io.ErrUnexpectedEOF, "cut off", 500, ""},
		{synctest.ErrFailing, "failed", 500, ""},
	} {
		err := fmt.Errorf("doing it: %w", x.err)
		if got := outcome(err); got != x.want {
			t.Errorf("%v is counted as %q, want %q", x.err, got, x.want)
		}
		w := httptest.NewRecorder()
		new(Server).refuse(w, err)
		if got := w.Header().Get("Retry-After"); w.Code != x.status || got != x.retry {
			t.Errorf("%v is told by %d, again after %q, want %d, %q", x.err, w.Code, got, x.status, x.retry)
		}
		if x.status == 500 && strings.Contains(w.Body.String(), x.err.Error()) {
			t.Errorf("%v, of the hub's own, is told: %q", x.err, w.Body)
		}
	}
	if got := outcome(nil); got != "ok" {
		t.Errorf("nothing is counted as %q", got)
	}
}

// A device has so many streams, of those of all; a stop lets none begin.
func TestBegin(t *testing.T) {
	s := &Server{limits: Limits{StreamsPerDevice: 2}, running: map[*stream]struct{}{}}
	begin := func(device byte, want error) func() {
		t.Helper()
		end, err := s.begin(&stream{device: journal.ID{device}})
		if !errors.Is(err, want) {
			t.Fatalf("device %d: got %v, want %v", device, err, want)
		}
		return end
	}
	first := begin(1, nil)
	begin(1, nil)
	begin(1, door.ErrBusy)
	begin(2, nil)
	first()
	begin(1, nil)
	begin(1, door.ErrBusy)
	s.stopping = true
	begin(3, errStopping)
	if len(s.running) != 3 {
		t.Errorf("%d streams run, want 3", len(s.running))
	}
}

// Of codes and of sessions there are so many; of each the oldest goes, and of
// sessions those that are over before.
func TestSessionsOldestGoes(t *testing.T) {
	now := time.Date(2026, 3, 4, 5, 6, 7, 0, time.UTC)
	s := NewSessions(func() time.Time { return now }, rand.NewChaCha8([32]byte{1}))
	from := netip.MustParseAddr("192.0.2.1")
	code := func() string {
		t.Helper()
		c, err := s.Code("")
		if err != nil {
			t.Fatal(err)
		}
		return c.Code
	}
	signIn := func(code string) (string, error) {
		from = from.Next() // nobody tries too often
		token, _, err := s.SignIn(code, from)
		return token, err
	}
	var codes []string
	for range 9 {
		codes = append(codes, code())
	}
	if _, err := signIn(codes[0]); !errors.Is(err, ErrCode) {
		t.Errorf("the oldest of nine codes: got %v, want %v", err, ErrCode)
	}
	var tokens []string
	for i, c := range []int{8, 1, 7, 2, 3, 6, 5, 4} { // whichever is used, the others stay
		token, err := signIn(codes[c])
		if err != nil {
			t.Fatalf("code %d, used as number %d: %v", c, i, err)
		}
		tokens = append(tokens, token)
	}
	now = now.Add(time.Hour)
	for len(tokens) < 64 {
		token, err := signIn(code())
		if err != nil {
			t.Fatal(err)
		}
		tokens = append(tokens, token)
		now = now.Add(time.Second)
	}
	count := func() (in int) {
		for _, token := range tokens {
			if name, ok := s.Who(token); ok && name == "bench" {
				in++
			}
		}
		return in
	}
	if got := count(); got != 64 {
		t.Fatalf("%d are signed in, want all of 64", got)
	}
	if _, err := signIn(code()); err != nil || count() != 63 {
		t.Errorf("one more: %v, and %d of the 64 before are in, want 63", err, count())
	}
	for _, token := range tokens[8:] {
		if _, ok := s.Who(token); !ok {
			t.Error("one of the later ones has gone")
		}
	}
	now = now.Add(11 * time.Hour) // the first eight are over
	if _, err := signIn(code()); err != nil || count() != 56 || len(s.sessions) != 58 {
		t.Errorf("when eight are over: %v, %d of them in and %d kept, want 56 and 58", err, count(), len(s.sessions))
	}
}

// Where a sign-in leads to is a path of this site, of so many characters.
func TestPathHere(t *testing.T) {
	for s, ok := range map[string]bool{
		"/a": true, "/": false, "": false, "a/": false, "//": false, "/" + strings.Repeat("a", 1023): true, "/" + strings.Repeat("a", 1024): false,
		"/~": true, "/\x7f": false, "/!": true, "/a b": false, `/a\b`: false, "/a?b=//c": true, "/a//b": false, "/a%2f%2fb": true, "/é": false, "/%zz": false,
	} {
		want := ""
		if ok {
			want = s
		}
		if got := pathHere(s); got != want {
			t.Errorf("%.20q of %d leads to %.20q, want %.20q", s, len(s), got, want)
		}
	}
}
