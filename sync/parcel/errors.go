package parcel

import "errors"

// Why a parcel is refused. Nothing is changed then, but as [Read] says of a
// fork.
var (
	// ErrNotParcel: the file is something else.
	ErrNotParcel = errors.New("not a parcel")
	// ErrNewer: a later version of this program wrote it.
	ErrNewer = errors.New("written by a newer version")
	// ErrCut: it ends before its end, as a copy that was broken off.
	ErrCut = errors.New("only the beginning is here")
	// ErrFlipped: the bytes are not those that were written.
	ErrFlipped = errors.New("damaged on the way")
	// ErrOrder: parts, logs or pages are not in their places.
	ErrOrder = errors.New("out of order")
	// ErrForeign: from a device that is not accepted here.
	ErrForeign = errors.New("from a device that is not accepted here")
	// ErrTooLarge: larger than it says, or than is taken in.
	ErrTooLarge = errors.New("too large")
	// ErrSealed: sealed, and not for any key that was given.
	ErrSealed = errors.New("sealed")
	// ErrPart: a part is missing, or is of another parcel.
	ErrPart = errors.New("the parts are not one whole parcel")
)

// ErrExists: there is another file, or another parcel, of the name that a
// parcel was to be written under.
var ErrExists = errors.New("there is something else of that name")

// ErrNoAnswer: the hub has not answered yet what was written for it.
var ErrNoAnswer = errors.New("no answer of the hub's is here yet")

// A refusal says where, what, and what to do next.
type refusal struct {
	place string
	err   error
	next  string
}

func (e *refusal) Error() string {
	s := e.place + ": " + e.err.Error()
	if e.next != "" {
		s += ": " + e.next
	}
	return s
}

func (e *refusal) Unwrap() error { return e.err }

// The next steps.
const (
	nextCopy  = "copy it again from where it was written, or have it written again"
	nextWrite = "have it written again, by the newest version"
)
