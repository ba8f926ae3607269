package remote

import (
	"context"
	"errors"
	"fmt"
	"math"
	"time"
)

// A Backoff says how long to wait before trying again:
//
//	delay(n) = min(Base · Factor^n, Max) · (1 − Jitter · r), r from 0 to 1
//
// The jitter keeps the devices of a workshop from coming back all at once when
// their hub does.
type Backoff struct {
	Base   time.Duration
	Max    time.Duration
	Factor float64 // at least 1
	Jitter float64 // from 0 to 1
	Tries  int     // in all, the first among them
}

// DefaultBackoff is for a person who waits: some ten seconds in all. Common
// practice, no source.
func DefaultBackoff() Backoff {
	return Backoff{Base: 500 * time.Millisecond, Max: 30 * time.Second, Factor: 2, Jitter: 0.5, Tries: 5}
}

// Delay returns how long to wait after failure n, from 0. r is a random number
// from 0 to 1.
func (b Backoff) Delay(n int, r float64) time.Duration {
	d := min(float64(b.Base)*math.Pow(b.Factor, float64(n)), float64(b.Max))
	return time.Duration(d * (1 - b.Jitter*r))
}

// Retry does something until it works, fails for another reason than
// [ErrOffline] or [ErrBusy], or has been tried often enough; it waits between
// two tries, at least as long as a busy hub asks for, up to Max. sleep and random are
// [Sleep] and rand.Float64.
func Retry(ctx context.Context, b Backoff, sleep func(context.Context, time.Duration) error, random func() float64, do func(context.Context) error) error {
	for n := 0; ; n++ {
		err := do(ctx)
		if err == nil || !errors.Is(err, ErrOffline) && !errors.Is(err, ErrBusy) || n+1 >= b.Tries {
			return err
		}
		if stop := sleep(ctx, max(b.Delay(n, random()), min(After(err), b.Max))); stop != nil {
			return fmt.Errorf("%w: not tried again: %w", err, stop)
		}
	}
}

// Sleep waits, or returns the context's error.
func Sleep(ctx context.Context, d time.Duration) error {
	t := time.NewTimer(d)
	defer t.Stop()
	select {
	case <-t.C:
		return nil
	case <-ctx.Done():
		return context.Cause(ctx)
	}
}
