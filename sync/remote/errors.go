package remote

import (
	"context"
	"errors"
	"fmt"
	"io"
	"net"
	"time"

	"pinchrod/sync/exchange"
	"pinchrod/sync/hub/door"
)

// What a caller has to tell apart. All but the first two are the hub's.
var (
	// ErrOffline: the hub cannot be reached, or the line broke. On site that is
	// the ordinary state of things: what is recorded waits for the next time.
	ErrOffline = errors.New("the hub cannot be reached")
	// ErrWrongHub: somebody else answers at the hub's address.
	ErrWrongHub    = errors.New("what answers at the hub's address is not the hub")
	ErrNotEnrolled = door.ErrNotEnrolled
	ErrRevoked     = door.ErrRevoked
	ErrInvitation  = door.ErrInvitation
	ErrBusy        = door.ErrBusy
	ErrNotFound    = door.ErrNotFound
	ErrForbidden   = door.ErrForbidden
	ErrRequest     = door.ErrRequest
)

// A busyError says when to come again, which is at least After from now.
type busyError struct {
	error
	after time.Duration
}

func (e *busyError) Unwrap() error { return e.error }

// After returns how long a hub that is busy has asked to be left alone; 0 when
// it has not said.
func After(err error) time.Duration {
	var b *busyError
	if errors.As(err, &b) {
		return b.after
	}
	return 0
}

// lineError says what an error on the line comes to.
func lineError(err error) error {
	if err == nil || err == io.EOF {
		return err
	}
	for _, known := range []error{ErrOffline, ErrWrongHub, ErrNotEnrolled, ErrRevoked, ErrInvitation, ErrBusy, context.Canceled} {
		if errors.Is(err, known) {
			return err
		}
	}
	// A hub that does not take a certificate says so after the client's part of
	// the handshake is done (TLS 1.3), so it is met on the first read.
	var op *net.OpError
	if errors.As(err, &op) && op.Op == "remote error" {
		return fmt.Errorf("%w: %w", ErrNotEnrolled, err)
	}
	return fmt.Errorf("%w: %w", ErrOffline, err)
}

// peerError says what an error of the exchange comes to on this line: a refusal
// for the hub's own reasons is worth another try, and an answer that ends before
// it is one was cut off.
func peerError(err error) error {
	switch {
	case errors.Is(err, exchange.ErrRefused):
		return fmt.Errorf("%w: %w", ErrBusy, err)
	case errors.Is(err, io.ErrUnexpectedEOF) && !errors.Is(err, ErrOffline):
		return fmt.Errorf("%w: %w", ErrOffline, err)
	}
	return err
}
