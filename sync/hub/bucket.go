package hub

import (
	"sync"
	"time"
)

// A bucket lets so many things happen at once, and so many a second in the
// long run.
type bucket struct {
	tokens float64
	at     time.Time
}

// take takes a token; if there is none, it says when there will be.
func (b *bucket) take(now time.Time, rate float64, burst int) (wait time.Duration) {
	if b.at.IsZero() {
		b.tokens, b.at = float64(burst), now
	}
	if d := now.Sub(b.at); d > 0 {
		b.tokens, b.at = min(b.tokens+d.Seconds()*rate, float64(burst)), now
	}
	if b.tokens < 1 {
		return time.Duration((1 - b.tokens) / rate * float64(time.Second))
	}
	b.tokens--
	return 0
}

// buckets are one for each of a bounded set of names.
type buckets[K comparable] struct {
	mu    sync.Mutex
	of    map[K]*bucket
	rate  float64
	burst int
	most  int // names that are kept; above, the full ones are let go
}

func (b *buckets[K]) take(k K, now time.Time) (wait time.Duration) {
	b.mu.Lock()
	defer b.mu.Unlock()
	if b.of == nil {
		b.of = map[K]*bucket{}
	}
	one := b.of[k]
	if one == nil {
		if len(b.of) >= b.most {
			b.sweep(now)
		}
		one = &bucket{}
		b.of[k] = one
	}
	return one.take(now, b.rate, b.burst)
}

// sweep lets those go that have filled up again; and all, if none has, which
// forgives those who are many more than can be told apart.
func (b *buckets[K]) sweep(now time.Time) {
	full := time.Duration(float64(b.burst) / b.rate * float64(time.Second))
	for k, one := range b.of {
		if now.Sub(one.at) >= full {
			delete(b.of, k)
		}
	}
	if len(b.of) >= b.most {
		clear(b.of)
	}
}
