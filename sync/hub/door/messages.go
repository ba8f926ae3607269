package door

import (
	"errors"
	"fmt"

	"pinchrod/store/journal"
)

// What a client has to tell apart.
var (
	// ErrNotEnrolled: the hub does not know this device.
	ErrNotEnrolled = errors.New("this device is not enrolled at the hub")
	// ErrRevoked: the hub no longer lets this device in.
	ErrRevoked = errors.New("the hub has revoked this device")
	// ErrInvitation: unknown, used or expired; the text says which.
	ErrInvitation = errors.New("the invitation is not valid")
	// ErrBusy: try again later.
	ErrBusy = errors.New("the hub is busy")
	// ErrNotFound: no such thing, or none that this device may have.
	ErrNotFound = errors.New("not found at the hub")
	// ErrForbidden: the device may not do this.
	ErrForbidden = errors.New("not allowed for this device")
	// ErrRequest: the hub does not understand the request, or it is too large.
	ErrRequest = errors.New("the hub does not take this request")
)

// A Trouble says why a request is not answered.
type Trouble struct {
	Code uint64 `cbor:"1,keyasint"`
	Text string `cbor:"2,keyasint,omitempty"`
}

var troubles = []struct {
	code   uint64
	status int // of HTTP, RFC 9110 section 15
	err    error
}{
	{1, 401, ErrNotEnrolled},
	{2, 403, ErrRevoked},
	{3, 410, ErrInvitation},
	{4, 503, ErrBusy},
	{5, 404, ErrNotFound},
	{6, 403, ErrForbidden},
	{7, 400, ErrRequest},
}

// TroubleOf returns what to answer for an error: the status and the body. What
// is none of this package's errors is the hub's own trouble, and its
// particulars stay with it.
func TroubleOf(err error) (status int, body []byte) {
	t := Trouble{Text: "the hub is in trouble of its own; try again later"}
	status = 500
	for _, x := range troubles {
		if errors.Is(err, x.err) {
			t, status = Trouble{x.code, err.Error()}, x.status
			break
		}
	}
	body, err = journal.Marshal(t)
	if err != nil { // a text that is not UTF-8
		return status, nil
	}
	return status, body
}

// Err returns the error that an answer stands for. A code that is not known
// here, or no Trouble at all, is judged by the status.
func Err(status int, body []byte) error {
	var t Trouble
	if err := journal.Unmarshal(body, &t); err != nil && !errors.Is(err, journal.ErrNewer) {
		t = Trouble{}
	}
	for _, x := range troubles {
		if t.Code == x.code {
			return said(x.err, t.Text)
		}
	}
	switch {
	case status == 429 || status >= 500:
		return said(ErrBusy, t.Text)
	case status == 401:
		return said(ErrNotEnrolled, t.Text)
	case status == 404:
		return said(ErrNotFound, t.Text)
	}
	return fmt.Errorf("%w: status %d", said(ErrRequest, t.Text), status)
}

func said(err error, text string) error {
	if text == "" || text == err.Error() {
		return err
	}
	return &saidError{err, text}
}

// A saidError is one of the errors above in the hub's words.
type saidError struct {
	err  error
	text string
}

func (e *saidError) Error() string { return e.text }
func (e *saidError) Unwrap() error { return e.err }

// A Role is what a device is for.
type Role uint64

// A surveyor writes its own log and reads the jobs that it is on; the bench
// reads all and writes its own log.
const (
	Surveyor Role = 1
	Bench    Role = 2
)

func (r Role) String() string {
	switch r {
	case Surveyor:
		return "surveyor"
	case Bench:
		return "bench"
	}
	return fmt.Sprintf("role %d", uint64(r))
}

// MarshalText writes the role's name.
func (r Role) MarshalText() ([]byte, error) { return []byte(r.String()), nil }

// UnmarshalText reads it.
func (r *Role) UnmarshalText(b []byte) error {
	for _, known := range []Role{Surveyor, Bench} {
		if string(b) == known.String() {
			*r = known
			return nil
		}
	}
	return fmt.Errorf("%q: %w: a device is a surveyor or bench", b, journal.ErrSyntax)
}

// A JoinRequest uses an invitation, over a line on which the identity's key has
// been proved.
type JoinRequest struct {
	Version  uint64 `cbor:"1,keyasint"` // 1
	Secret   []byte `cbor:"2,keyasint"`
	Identity []byte `cbor:"3,keyasint"`
	Name     string `cbor:"4,keyasint,omitempty"` // what people call the device
}

// A JoinAnswer says what the device is from now on.
type JoinAnswer struct {
	Version   uint64       `cbor:"1,keyasint"` // 1
	Hub       []byte       `cbor:"2,keyasint"` // the hub's identity
	Role      Role         `cbor:"3,keyasint"`
	Jobs      []journal.ID `cbor:"4,keyasint,omitempty"`
	Recipient string       `cbor:"5,keyasint"` // age recipient for parcels to the hub
}

// MaxJoin bounds a JoinRequest: an identity is under 150 bytes, a name under
// [MaxName].
const MaxJoin = 1 << 10

// MaxName is how long a device's name can be, in bytes.
const MaxName = 64

// A PicturesRequest asks which of the pictures are there.
type PicturesRequest struct {
	Sums []journal.Hash `cbor:"1,keyasint"`
}

// A PicturesAnswer names, of those that were asked for, the ones that the hub
// has and the device may read, and those that are there in part.
type PicturesAnswer struct {
	Whole []journal.Hash `cbor:"1,keyasint,omitempty"`
	Part  []PicturePart  `cbor:"2,keyasint,omitempty"`
}

// A PicturePart is how much of a picture is there.
type PicturePart struct {
	_    struct{} `cbor:",toarray"`
	Sum  journal.Hash
	Size uint64
}

// MaxPictures is how many pictures one PicturesRequest can name.
const MaxPictures = 1000
