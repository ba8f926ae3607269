package hub

import (
	"log/slog"
	"maps"
	"slices"
	"sync"
	"time"
)

// A watch counts what is refused, and tells the log of it without letting
// anybody fill the log: of each reason once, and then how many more there were
// since, at most once in a while.
type watch struct {
	log   *slog.Logger
	now   func() time.Time
	quiet time.Duration

	mu      sync.Mutex
	reasons map[string]*refusals
}

type refusals struct {
	total int64
	since int64 // that the log has not been told of
	told  time.Time
}

// refused notes a refusal. The reasons are a fixed few: what a client says is
// not among them.
func (w *watch) refused(reason string, args ...any) {
	w.mu.Lock()
	defer w.mu.Unlock()
	r := w.reasons[reason]
	if r == nil {
		if w.reasons == nil {
			w.reasons = map[string]*refusals{}
		}
		r = &refusals{}
		w.reasons[reason] = r
	}
	r.total++
	r.since++
	if now := w.now(); r.told.IsZero() || now.Sub(r.told) >= w.quiet {
		w.log.Warn("refused", append([]any{"reason", reason, "times", r.since}, args...)...)
		r.since, r.told = 0, now
	}
}

// rest tells the log what it has not been told.
func (w *watch) rest() {
	w.mu.Lock()
	defer w.mu.Unlock()
	for _, reason := range slices.Sorted(maps.Keys(w.reasons)) {
		if r := w.reasons[reason]; r.since > 0 {
			w.log.Warn("refused", "reason", reason, "times", r.since)
			r.since = 0
		}
	}
}

// totals returns how many refusals there were, by reason.
func (w *watch) totals() map[string]int64 {
	w.mu.Lock()
	defer w.mu.Unlock()
	out := map[string]int64{}
	for reason, r := range w.reasons {
		out[reason] = r.total
	}
	return out
}

// Write takes the HTTP server's own log lines, which are about single
// connections and can have a client's words in them: they are counted only.
func (w *watch) Write(b []byte) (int, error) {
	w.refused("connection error")
	return len(b), nil
}
