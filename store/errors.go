package store

import (
	"errors"

	"pinchrod/store/journal"
)

// What a caller has to tell apart. The error that wraps one of these names the
// file and the next step.
var (
	// ErrExists: Create and Recover never write over a file.
	ErrExists = errors.New("the file is already there")
	// ErrMissing: there is no file. It is never taken for an empty book.
	ErrMissing = errors.New("no such file")
	// ErrEmpty: the file has no bytes at all, as after a power cut.
	ErrEmpty = errors.New("the file is empty")
	// ErrInUse: another window holds the file.
	ErrInUse = errors.New("in use by another window")
	// ErrDamaged: the bytes are not those that were written. The file is left
	// as it is.
	ErrDamaged = journal.ErrDamaged
	// ErrNewer: written by a later version of this program.
	ErrNewer = errors.New("written by a newer version")
	// ErrReadOnly: opened for looking only.
	ErrReadOnly = errors.New("opened read-only")
	// ErrClosed: the store has been closed.
	ErrClosed = errors.New("the store is closed")
	// ErrStale: the projection is not of this projector's version, or behind
	// the log. A read-write open brings it up to date.
	ErrStale = errors.New("the projection is out of date")
	// ErrProjection: the projection, or the count of each job's pages, is not
	// what the log gives; Rebuild mends it.
	ErrProjection = errors.New("the projection does not match the log")
	// ErrNoPage: no such device, or no page with that number.
	ErrNoPage = errors.New("no such page")
	// ErrForgotten: the job has been forgotten, for good.
	ErrForgotten = errors.New("the job has been forgotten")
	// ErrNothing: Recover found nothing that verifies.
	ErrNothing = errors.New("nothing to recover")
)
