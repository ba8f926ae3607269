package hub

import (
	"context"
	"errors"
	"fmt"
	"time"

	"pinchrod/store/journal"
	"pinchrod/sync/hub/door"
	"pinchrod/sync/hub/invite"
)

// ErrNotRunning: the hub is not running, and this needs one that is.
var ErrNotRunning = errors.New("the hub is not running")

// An Office is what the people who run a hub can do: at its book while it is
// not running ([LocalOffice]), or through the console of the running one
// ([Call]), which holds the book.
type Office interface {
	// Invite makes an invitation. addresses say where the hub is to be found;
	// nil for those that it knows itself.
	Invite(ctx context.Context, t Terms, addresses []string) (invite.Invitation, error)
	Invitations(ctx context.Context) ([]Invited, error)
	Devices(ctx context.Context) ([]Device, error)
	Jobs(ctx context.Context) ([]Job, error)
	Revoke(ctx context.Context, device journal.ID) error
	Assign(ctx context.Context, device, job journal.ID) error
	Unassign(ctx context.Context, device, job journal.ID) error
	// Code makes a one-time code to sign in to the pages with. [ErrNotRunning]
	// at the book: the codes are in the running hub's memory.
	Code(ctx context.Context, name string) (Code, error)
	// Forget erases a job from the hub's book and its pictures; devices forget
	// it when they meet the hub next.
	Forget(ctx context.Context, job journal.ID) (pages int, err error)
	// Answer takes in a device's parcel, by its files' full names, and writes
	// the hub's answer under another. See package parcel.
	Answer(ctx context.Context, files []string, name string) (Answered, error)
	Status(ctx context.Context) (Status, error)
}

// A Status is how a hub is.
type Status struct {
	Hub         journal.Identity
	Fingerprint door.Fingerprint
	Running     bool
	Started     time.Time // zero when it is not running
	Addresses   []string
	Devices     int // that are let in
	Connections int
	Pages       int64 // taken in since it started
}

// office does the office's work at the book.
type office struct {
	book      Book
	roster    *Roster
	pictures  Pictures
	jobs      Jobs
	key       door.Fingerprint
	addresses []string
	running   *Server // nil when it is not
}

// LocalOffice is the office of a hub that is not running. addresses are what
// invitations name if they are not told.
func LocalOffice(b Book, r *Roster, p Pictures, jobs Jobs, addresses []string) (Office, error) {
	key, err := door.FingerprintOf(b.Identity().Key)
	if err != nil {
		return nil, err
	}
	return &office{book: b, roster: r, pictures: p, jobs: jobs, key: key, addresses: addresses}, nil
}

func (o *office) Invite(_ context.Context, t Terms, addresses []string) (invite.Invitation, error) {
	if len(addresses) == 0 {
		addresses = o.addresses
	}
	i := invite.Invitation{Addresses: addresses, Hub: o.key, Expires: o.roster.now()}
	if _, err := i.Encode(); err != nil { // before a secret is spent on it
		return invite.Invitation{}, err
	}
	var err error
	i.Secret, i.Expires, err = o.roster.Invite(t)
	return i, err
}

func (o *office) Invitations(context.Context) ([]Invited, error) { return o.roster.Invitations(), nil }
func (o *office) Jobs(context.Context) ([]Job, error)            { return o.jobs.list() }
func (o *office) Devices(context.Context) ([]Device, error)      { return o.roster.Devices(), nil }

func (o *office) Revoke(_ context.Context, device journal.ID) error {
	if err := o.roster.Revoke(device); err != nil {
		return err
	}
	if o.running == nil {
		return nil
	}
	for _, d := range o.roster.Devices() {
		if d.Identity.Device == device {
			o.running.expel(d.Identity)
			o.running.log.Info("a device is revoked", "device", device.String(), "tag", device.Tag())
		}
	}
	return nil
}

func (o *office) Assign(_ context.Context, device, job journal.ID) error {
	return o.roster.Assign(device, job)
}

func (o *office) Unassign(_ context.Context, device, job journal.ID) error {
	return o.roster.Unassign(device, job)
}

func (o *office) Code(_ context.Context, name string) (Code, error) {
	if o.running == nil {
		return Code{}, fmt.Errorf("making a code: %w: start it first", ErrNotRunning)
	}
	return o.running.sessions.Code(name)
}

func (o *office) Forget(_ context.Context, job journal.ID) (int, error) {
	pages, err := o.book.Forget(job)
	if err == nil {
		err = errors.Join(forgetPictures(o.book, o.pictures, job), o.roster.forget(job))
	}
	if err != nil {
		return pages, fmt.Errorf("forgetting job %s: %w", job, err)
	}
	return pages, nil
}

func (o *office) Status(context.Context) (Status, error) {
	s := Status{Hub: o.book.Identity(), Fingerprint: o.key, Addresses: o.addresses}
	for _, d := range o.roster.Devices() {
		if d.Revoked.IsZero() {
			s.Devices++
		}
	}
	if o.running != nil {
		s.Running, s.Started, s.Pages = true, o.running.started, o.running.counters.pages.Load()
		if g := o.running.gate.Load(); g != nil {
			_, _, s.Connections = g.counts()
		}
	}
	return s, nil
}
