package hub

import (
	"bytes"
	"errors"
	"io"
	"log/slog"
	"net"
	"net/http"
	"net/netip"
	"strings"
	"testing"
	"time"

	"pgregory.net/rapid"
)

func TestBucket(t *testing.T) {
	now := time.Date(2026, 3, 4, 5, 6, 7, 0, time.UTC)
	var b bucket
	for i := range 3 {
		if wait := b.take(now, 2, 3); wait != 0 {
			t.Fatalf("token %d: wait %v", i, wait)
		}
	}
	if got, want := b.take(now, 2, 3), 500*time.Millisecond; got != want {
		t.Errorf("empty: wait %v, want %v", got, want)
	}
	if wait := b.take(now.Add(500*time.Millisecond), 2, 3); wait != 0 {
		t.Errorf("after half a second: wait %v", wait)
	}
	if wait := b.take(now.Add(-time.Hour), 2, 3); wait == 0 {
		t.Error("a clock that steps back gives a token")
	}
}

// Over any time t, no more than burst + rate·t things happen.
func TestBucketBounds(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		rate, burst := rapid.Float64Range(0.01, 100).Draw(t, "rate"), rapid.IntRange(1, 50).Draw(t, "burst")
		start := time.Date(2026, 3, 4, 5, 6, 7, 0, time.UTC)
		now, taken := start, 0
		var b bucket
		for range 200 {
			now = now.Add(time.Duration(rapid.IntRange(0, 1e9).Draw(t, "step")))
			if b.take(now, rate, burst) == 0 {
				taken++
			}
			if most := float64(burst) + rate*now.Sub(start).Seconds(); float64(taken) > most+1e-6 {
				t.Fatalf("%d after %v, at most %g", taken, now.Sub(start), most)
			}
		}
	})
}

// Those who are many more than can be told apart do not fill the memory.
func TestBucketsAreBounded(t *testing.T) {
	b := buckets[int]{rate: 1, burst: 2, most: 10}
	now := time.Date(2026, 3, 4, 5, 6, 7, 0, time.UTC)
	for i := range 1000 {
		b.take(i, now)
		if len(b.of) > 10 {
			t.Fatalf("%d names are kept, want at most 10", len(b.of))
		}
	}
	b.take(1, now.Add(time.Second))
	b.take(2, now.Add(3*time.Second)) // all others are full again
	for i := range 8 {
		b.take(100+i, now.Add(3*time.Second))
	}
	if b.of[2] == nil {
		t.Error("one that is not full again was let go")
	}
}

func TestWatch(t *testing.T) {
	now := time.Date(2026, 3, 4, 5, 6, 7, 0, time.UTC)
	var out bytes.Buffer
	w := &watch{log: slog.New(slog.NewTextHandler(&out, nil)), now: func() time.Time { return now }, quiet: 10 * time.Second}
	lines := func() int { return strings.Count(out.String(), "\n") }
	for range 1000 {
		w.refused("flood")
	}
	w.refused("other")
	if lines() != 2 {
		t.Errorf("%d lines, want one of each:\n%s", lines(), &out)
	}
	now = now.Add(10 * time.Second)
	w.refused("flood")
	if lines() != 3 || !strings.Contains(out.String(), "reason=flood times=1000") {
		t.Errorf("want a line that tells of the 1000 since:\n%s", &out)
	}
	if n, err := w.Write([]byte("http: TLS handshake error from <script>: EOF")); n == 0 || err != nil || strings.Contains(out.String(), "script") {
		t.Errorf("the server's line: %d, %v\n%s", n, err, &out)
	}
	w.refused("flood")
	w.rest()
	if got := w.totals()["flood"]; got != 1002 || strings.Count(out.String(), "reason=flood") != 3 {
		t.Errorf("%d in all, want 1002, the last at the end:\n%s", got, &out)
	}
}

func TestLimited(t *testing.T) {
	for _, c := range []struct {
		in   string
		left int64
		want error
	}{{"", 0, nil}, {"abc", 3, nil}, {"abc", 4, nil}, {"abcd", 3, errTooLarge}, {"a", 0, errTooLarge}} {
		got, err := io.ReadAll(&limited{r: strings.NewReader(c.in), left: c.left})
		if !errors.Is(err, c.want) || int64(len(got)) > c.left {
			t.Errorf("%q up to %d: got %q, %v, want %v", c.in, c.left, got, err, c.want)
		}
	}
}

// The browser's connection that has done nothing for longest goes, and none that
// is at work.
func TestCrowd(t *testing.T) {
	c := newCrowd(3)
	var ends []net.Conn
	enter := func() net.Conn {
		client, server := net.Pipe()
		ends = append(ends, client)
		c.state(server, http.StateNew)
		return server
	}
	conns := []net.Conn{enter(), enter(), enter()}
	c.state(conns[0], http.StateActive)
	enter() // the second goes
	if _, err := ends[1].Read(make([]byte, 1)); err != io.EOF {
		t.Errorf("got %v, want %v", err, io.EOF)
	}
	c.state(conns[1], http.StateClosed) // as the server says then
	c.state(conns[0], http.StateIdle)
	enter() // the third goes
	if _, err := ends[2].Read(make([]byte, 1)); err != io.EOF {
		t.Errorf("got %v, want %v", err, io.EOF)
	}
	c.state(conns[2], http.StateClosed)
	for conn := range c.all {
		c.state(conn, http.StateActive)
	}
	enter() // all others are at work: this one goes
	if _, err := ends[5].Read(make([]byte, 1)); err != io.EOF {
		t.Errorf("got %v, want %v", err, io.EOF)
	}
	if len(c.all) != 3 || c.quiet.Len() != 0 {
		t.Errorf("%d connections, %d quiet, want 3, 0", len(c.all), c.quiet.Len())
	}
}

func TestExposition(t *testing.T) {
	var out strings.Builder
	e := &exposition{w: &out}
	e.family("a_b", "counter", "Help.")
	e.sample("a_b_total", 1e9, "route", "x\"y\\z\nw", "outcome", "ok")
	e.sample("a_b_total", 0.25)
	want := "# TYPE a_b counter\n# HELP a_b Help.\na_b_total{route=\"x\\\"y\\\\z\\nw\",outcome=\"ok\"} 1e+09\na_b_total 0.25\n"
	if e.err != nil || out.String() != want {
		t.Errorf("got %q, %v\nwant %q", out.String(), e.err, want)
	}
}

func TestSessions(t *testing.T) {
	now := time.Date(2026, 3, 4, 5, 6, 7, 0, time.UTC)
	s := NewSessions(func() time.Time { return now }, bytes.NewReader(bytes.Repeat([]byte{0, 255, 1, 2, 3, 60, 250, 120, 249, 7}, 1000)))
	from := netip.MustParseAddr("192.0.2.1")
	code := func() Code {
		t.Helper()
		c, err := s.Code("anna")
		if err != nil {
			t.Fatal(err)
		}
		return c
	}
	c := code()
	if len(c.Code) != 9 || strings.Trim(c.Code, codeLetters+"-") != "" || !c.Expires.Equal(now.Add(10*time.Minute)) {
		t.Errorf("code %+v", c)
	}
	token, ends, err := s.SignIn(" "+strings.ToLower(strings.ReplaceAll(c.Code, "-", " ")), from)
	if err != nil || !ends.Equal(now.Add(12*time.Hour)) {
		t.Fatalf("ends %v, %v", ends, err)
	}
	if name, ok := s.Who(token); !ok || name != "anna" {
		t.Errorf("who: %q, %v", name, ok)
	}
	if _, _, err := s.SignIn(c.Code, from); !errors.Is(err, ErrCode) {
		t.Errorf("a code that is used: got %v, want %v", err, ErrCode)
	}
	inTime, late := code(), code()
	now = now.Add(10*time.Minute - time.Nanosecond)
	if token, _, err = s.SignIn(inTime.Code, from); err != nil {
		t.Errorf("a code in its last moment: %v", err)
	}
	now = now.Add(time.Nanosecond)
	if _, _, err := s.SignIn(late.Code, from); !errors.Is(err, ErrCode) {
		t.Errorf("a code that has ended: got %v, want %v", err, ErrCode)
	}
	if _, ok := s.Who("another"); ok {
		t.Error("any token is somebody's")
	}
	s.SignOut(token)
	if _, ok := s.Who(token); ok {
		t.Error("signed out, and still in")
	}
	if token, _, err = s.SignIn(code().Code, from); err != nil {
		t.Fatal(err)
	}
	now = now.Add(12*time.Hour - time.Nanosecond)
	if _, ok := s.Who(token); !ok {
		t.Error("the session ends before a working day is over")
	}
	now = now.Add(time.Nanosecond)
	if _, ok := s.Who(token); ok {
		t.Error("the session has no end")
	}
	for range 3 * maxSessions {
		now = now.Add(time.Minute)
		if _, _, err := s.SignIn(code().Code, from); err != nil {
			t.Fatal(err)
		}
	}
	for range 3 * maxCodes {
		code()
	}
	if len(s.sessions) > maxSessions || len(s.codes) > maxCodes {
		t.Errorf("%d sessions, %d codes", len(s.sessions), len(s.codes))
	}
}

// Guessing is slowed, for one address and for all together, and does not keep
// others out.
func TestSessionsSlowGuessing(t *testing.T) {
	now := time.Date(2026, 3, 4, 5, 6, 7, 0, time.UTC)
	s := NewSessions(func() time.Time { return now }, bytes.NewReader(make([]byte, 1000)))
	guess := func(from netip.Addr) error {
		_, _, err := s.SignIn("AAAA-AAAA", from)
		return err
	}
	guesser := netip.MustParseAddr("192.0.2.1")
	for range triesBurst {
		if err := guess(guesser); !errors.Is(err, ErrCode) {
			t.Fatalf("got %v, want %v", err, ErrCode)
		}
	}
	var tries *triesError
	if err := guess(guesser); !errors.As(err, &tries) || tries.wait != 12*time.Second {
		t.Errorf("got %v, want to wait 12 s", err)
	}
	c, err := s.Code("")
	if err != nil {
		t.Fatal(err)
	}
	if _, _, err := s.SignIn(c.Code, guesser); !errors.As(err, &tries) {
		t.Errorf("the right code from there: got %v", err)
	}
	if _, _, err := s.SignIn(c.Code, netip.MustParseAddr("192.0.2.2")); err != nil {
		t.Errorf("from another address: %v", err)
	}
	n := 0
	for a := netip.MustParseAddr("198.51.100.0"); n < 10*allTriesBurst; a = a.Next() {
		if err := guess(a); errors.As(err, &tries) {
			break
		}
		n++
	}
	if n >= allTriesBurst {
		t.Errorf("%d guesses at once by many, want under %d", n, allTriesBurst)
	}
}
