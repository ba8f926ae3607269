package cli

import (
	"context"
	"errors"
	"fmt"
	"io"
	"strings"
	"time"

	"github.com/spf13/cobra"

	"pinchrod/store"
	"pinchrod/store/journal"
	"pinchrod/sync/exchange"
	"pinchrod/sync/hub/door"
	"pinchrod/sync/hub/invite"
	"pinchrod/sync/remote"
)

// marginJoined is where a book notes the hub that it has joined.
const marginJoined = "joined"

// errNotJoined says what to do about it.
var errNotJoined = errors.New("this book has joined no hub: ask the workshop for an invitation, then run join with it")

// joined is what a book knows of its hub.
type joined struct {
	Hub       []byte   `cbor:"1,keyasint"` // its identity
	Addresses []string `cbor:"2,keyasint"`
	Recipient string   `cbor:"3,keyasint"` // what parcels are sealed for
	Bench     bool     `cbor:"4,keyasint,omitempty"`
	Name      string   `cbor:"5,keyasint,omitempty"` // of this device
	When      int64    `cbor:"6,keyasint"`           // milliseconds since 1970
}

func (j joined) identity() (journal.Identity, error) {
	id, err := journal.DecodeIdentity(j.Hub)
	if err == nil {
		err = id.Verify()
	}
	if err != nil {
		return id, fmt.Errorf("reading which hub was joined: %w; join it again", err)
	}
	return id, nil
}

type marginReader interface {
	Margin(prefix string) (map[string][]byte, error)
}

// readJoined returns what the book knows of its hub; errNotJoined when it has
// none.
func readJoined(b marginReader) (j joined, err error) {
	notes, err := b.Margin(marginJoined)
	switch {
	case err != nil:
		return j, err
	case notes[marginJoined] == nil:
		return j, errNotJoined
	}
	if err := journal.Unmarshal(notes[marginJoined], &j); err != nil && !errors.Is(err, journal.ErrNewer) {
		return j, fmt.Errorf("reading which hub was joined: %w; join it again", err)
	}
	return j, nil
}

func (j joined) save(b interface {
	SetMargin(map[string][]byte) error
}) error {
	v, err := journal.Marshal(j)
	if err != nil {
		return err
	}
	return b.SetMargin(map[string][]byte{marginJoined: v})
}

type joinOptions struct {
	env  *Env
	book *bookFlag
	name string
	text string
}

func newJoin(e *Env, b *bookFlag) *cobra.Command {
	o := &joinOptions{env: e, book: b}
	c := &cobra.Command{
		Use:   "join INVITATION",
		Short: "join the workshop's hub with an invitation",
		Long: `Join makes this book known to a hub, by an invitation that the workshop made
with hub invite. It is used once. From then on sync sends what is recorded here,
and brings what others record on the same jobs. With - in place of INVITATION it
is read from standard input.`,
		Args: cobra.MinimumNArgs(1),
		RunE: func(c *cobra.Command, args []string) error {
			for _, a := range args { // it can have been typed in groups
				o.text += a
			}
			return o.run(c.Context())
		},
	}
	c.Flags().StringVar(&o.name, "name", "", "what the workshop calls this device, such as \"Ann's tablet\"")
	return c
}

func (o *joinOptions) run(ctx context.Context) error {
	if o.text == "-" {
		b, err := io.ReadAll(io.LimitReader(o.env.In, 4096)) // an invitation has some hundred letters
		if err != nil {
			return fmt.Errorf("reading the invitation: %w", err)
		}
		o.text = strings.Join(strings.Fields(string(b)), "")
	}
	i, err := invite.Parse(o.text)
	if err != nil {
		return fmt.Errorf("%w: %w; copy it again, from the first letter to the last", errUsage, err)
	}
	s, err := o.book.openOrCreate()
	if err != nil {
		return err
	}
	self, signer := s.Identity(), s.Signer()
	if err := s.Close(); err != nil {
		return err
	}
	// The network is waited for with the book closed.
	ctx, cancel := context.WithTimeout(ctx, time.Minute)
	defer cancel()
	var got remote.Joined
	err = o.env.retry(ctx, func(ctx context.Context) error {
		got, err = remote.Join(ctx, i, self, signer, o.name, nil)
		return err
	})
	if err != nil {
		return fmt.Errorf("%w%s", err, nextStep(err))
	}
	hub, err := got.Hub.Encode()
	if err != nil {
		return err
	}
	s, err = o.book.open(false)
	if err != nil {
		return err
	}
	defer s.Close()
	j := joined{Hub: hub, Addresses: i.Addresses, Recipient: got.Recipient, Bench: got.Role == door.Bench, Name: o.name, When: o.env.Now().UnixMilli()}
	if err := j.save(s); err != nil {
		return err
	}
	held, err := s.Jobs()
	if err != nil {
		return err
	}
	if len(held) > 0 { // a new hub has none of the pictures
		if err := s.SetMargin(map[string][]byte{marginPictures: {1}}); err != nil {
			return err
		}
	}
	fmt.Fprintf(o.env.Out, "joined hub %s at %s as a %s's device, on %d of its jobs\n", got.Hub.Device.Tag(), i.Addresses[0], got.Role, len(got.Jobs))
	o.env.say("run sync to send what is recorded here and to fetch the rest")
	return nil
}

// nextStep says what to do when a hub cannot be reached or refuses.
func nextStep(err error) string {
	switch {
	case errors.Is(err, remote.ErrOffline):
		return "; nothing is lost: try again where there is a network"
	case errors.Is(err, remote.ErrBusy):
		return "; nothing is lost: try again in a minute"
	case errors.Is(err, remote.ErrInvitation):
		return "; ask the workshop for a new one"
	case errors.Is(err, remote.ErrRevoked), errors.Is(err, remote.ErrNotEnrolled):
		return "; the readings are safe in the book: ask the workshop for a new invitation"
	case errors.Is(err, remote.ErrWrongHub):
		return "; do not go on: ask the workshop whether its hub was set up anew, and for a new invitation"
	case errors.Is(err, journal.ErrFork):
		return "; this book and a copy of it have both been written to: run renew --to NEW, which loses no reading"
	}
	return ""
}

// refusedByHub tells whether an error is the hub's refusal.
func refusedByHub(err error) bool {
	for _, e := range []error{
		remote.ErrInvitation, remote.ErrRevoked, remote.ErrNotEnrolled, remote.ErrWrongHub, remote.ErrForbidden,
		remote.ErrNotFound, remote.ErrRequest, remote.ErrBusy, journal.ErrFork, exchange.ErrDamaged,
	} {
		if errors.Is(err, e) {
			return true
		}
	}
	return false
}

// client calls the hub that a book has joined.
func client(s *store.Store, j joined) (*remote.Client, error) {
	hub, err := j.identity()
	if err != nil {
		return nil, err
	}
	return remote.New(remote.Config{Addresses: j.Addresses, Hub: hub, Self: s.Identity(), Signer: s.Signer()})
}
