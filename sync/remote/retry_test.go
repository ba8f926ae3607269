package remote_test

import (
	"context"
	"errors"
	"fmt"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"
	"pgregory.net/rapid"

	"pinchrod/sync/hub/door"
	"pinchrod/sync/remote"
)

func TestBackoff(t *testing.T) {
	b := remote.Backoff{Base: time.Second, Max: 5 * time.Second, Factor: 2, Jitter: 0.5}
	for _, c := range []struct {
		n    int
		r    float64
		want time.Duration
	}{{0, 0, time.Second}, {1, 0, 2 * time.Second}, {2, 0, 4 * time.Second}, {3, 0, 5 * time.Second}, {10_000, 0, 5 * time.Second}, {1, 1, time.Second}, {1, 0.5, 1500 * time.Millisecond}} {
		if got := b.Delay(c.n, c.r); got != c.want {
			t.Errorf("delay %d, random %v: got %v, want %v", c.n, c.r, got, c.want)
		}
	}
	rapid.Check(t, func(t *rapid.T) {
		b := remote.Backoff{
			Base: time.Duration(rapid.IntRange(1, 1e9).Draw(t, "base")), Max: time.Duration(rapid.IntRange(1e9, 1e12).Draw(t, "max")),
			Factor: rapid.Float64Range(1, 10).Draw(t, "factor"), Jitter: rapid.Float64Range(0, 1).Draw(t, "jitter"),
		}
		n, r := rapid.IntRange(0, 1000).Draw(t, "n"), rapid.Float64Range(0, 1).Draw(t, "random")
		if d := b.Delay(n, r); d < 0 || d > b.Max || b.Delay(n+1, r) < d {
			t.Fatalf("delay %d: %v, then %v", n, d, b.Delay(n+1, r))
		}
	})
}

func TestRetry(t *testing.T) {
	other := errors.New("something else")
	busy := func(seconds int) error {
		return fmt.Errorf("syncing: %w", remote.Busy(door.ErrBusy, time.Duration(seconds)*time.Second))
	}
	b := remote.Backoff{Base: time.Second, Max: 8 * time.Second, Factor: 2, Jitter: 0.5, Tries: 4}
	for _, c := range []struct {
		name  string
		fails []error
		want  error
		slept []time.Duration
	}{
		{"at once", nil, nil, nil},
		{"offline twice", []error{remote.ErrOffline, remote.ErrOffline}, nil, []time.Duration{time.Second, 2 * time.Second}},
		{"offline for ever", []error{remote.ErrOffline, remote.ErrOffline, remote.ErrOffline, remote.ErrOffline}, remote.ErrOffline, []time.Duration{time.Second, 2 * time.Second, 4 * time.Second}},
		{"busy for five seconds", []error{busy(5)}, nil, []time.Duration{5 * time.Second}},
		{"busy for a year", []error{busy(31e6)}, nil, []time.Duration{8 * time.Second}},
		{"something else", []error{other}, other, nil},
		{"revoked", []error{remote.ErrOffline, remote.ErrRevoked}, remote.ErrRevoked, []time.Duration{time.Second}},
		{"another hub", []error{remote.ErrWrongHub}, remote.ErrWrongHub, nil},
	} {
		t.Run(c.name, func(t *testing.T) {
			var slept []time.Duration
			n := 0
			err := remote.Retry(t.Context(), b, func(_ context.Context, d time.Duration) error {
				slept = append(slept, d)
				return nil
			}, func() float64 { return 0 }, func(context.Context) error {
				if n++; n <= len(c.fails) {
					return c.fails[n-1]
				}
				return nil
			})
			if !errors.Is(err, c.want) {
				t.Errorf("got %v, want %v", err, c.want)
			}
			if d := cmp.Diff(c.slept, slept); d != "" {
				t.Errorf("slept (-want +got)\n%s", d)
			}
		})
	}
	ctx, cancel := context.WithCancel(t.Context())
	err := remote.Retry(ctx, b, remote.Sleep, func() float64 { return 0 }, func(context.Context) error {
		cancel()
		return remote.ErrOffline
	})
	if !errors.Is(err, context.Canceled) || !errors.Is(err, remote.ErrOffline) {
		t.Errorf("called off while it waits: got %v", err)
	}
}
