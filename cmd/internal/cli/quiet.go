package cli

import (
	"context"
	"errors"
	"time"

	"pinchrod/sync/exchange"
	"pinchrod/sync/remote"
)

// How the walk syncs. A try that hangs is given up, and after one that found no
// network the next waits: on site that is how it stays for hours. Common
// practice, no source.
const (
	quietTry   = 20 * time.Second
	quietPause = 30 * time.Second
	quietLast  = time.Second // how long leaving waits for what is under way
)

// A quiet sync tries to reach the hub while a person goes on working. It shows
// nothing, holds nobody up, and what it does not get done waits.
type quiet struct {
	book   *bookFlag
	kicks  chan struct{}
	cancel context.CancelFunc
	done   chan struct{}
}

// quietly starts a quiet sync; nil when the book has joined no hub.
func (b *bookFlag) quietly() (*quiet, error) {
	s, err := b.open(true)
	if err != nil {
		return nil, err
	}
	_, err = readJoined(s)
	if err = errors.Join(err, s.Close()); errors.Is(err, errNotJoined) {
		return nil, nil
	}
	if err != nil {
		return nil, err
	}
	ctx, cancel := context.WithCancel(context.Background())
	q := &quiet{book: b, kicks: make(chan struct{}, 1), cancel: cancel, done: make(chan struct{})}
	go q.run(ctx)
	return q, nil
}

// kick says that something new is in the book.
func (q *quiet) kick() {
	if q == nil {
		return
	}
	select {
	case q.kicks <- struct{}{}:
	default: // it has been told already
	}
}

func (q *quiet) run(ctx context.Context) {
	defer close(q.done)
	for {
		select {
		case <-ctx.Done():
			return
		case <-q.kicks:
		}
		if err := q.try(ctx); err == nil {
			continue
		}
		if remote.Sleep(ctx, quietPause) != nil {
			return
		}
		q.kick() // what was not sent is still there
	}
}

func (q *quiet) try(ctx context.Context) error {
	ctx, cancel := context.WithTimeout(ctx, quietTry)
	defer cancel()
	m, err := q.book.meeting()
	if err != nil {
		return err
	}
	return errors.Join(m.run(ctx), m.Close())
}

// close ends it. What is under way ends with it, and goes on next time.
func (q *quiet) close() {
	if q == nil {
		return
	}
	q.cancel()
	ctx, cancel := context.WithTimeout(context.Background(), quietLast)
	defer cancel()
	select {
	case <-q.done:
	case <-ctx.Done():
	}
}

// sayStanding says what the hub has confirmed; nothing when no hub was joined.
func (e *Env) sayStanding(b *bookFlag) error {
	s, err := b.open(true)
	if err != nil {
		return err
	}
	defer s.Close()
	j, err := readJoined(s)
	if errors.Is(err, errNotJoined) {
		return nil
	}
	if err != nil {
		return err
	}
	hub, err := j.identity()
	if err != nil {
		return err
	}
	st, err := standing(exchange.Book(s), hub)
	switch {
	case err != nil:
		return err
	case st.Waiting == 0 && st.At != nil:
		e.say("the hub has confirmed all of it, up to entry %d", st.Confirmed)
	case st.At != nil:
		e.say("the hub has confirmed it up to entry %d; %d waiting, and sync sends them", st.Confirmed, st.Waiting)
	case st.Entries > 0:
		e.say("never sent; sync sends it to the hub")
	}
	return nil
}
