package remote

import (
	"context"
	"crypto"
	"crypto/ed25519"
	"errors"
	"fmt"

	"filippo.io/age"

	"pinchrod/store/journal"
	"pinchrod/sync/exchange"
	"pinchrod/sync/hub/door"
	"pinchrod/sync/hub/invite"
)

// A Joined is what a device knows of a hub that has taken it in.
type Joined struct {
	Hub       journal.Identity
	Role      door.Role
	Jobs      []journal.ID // that it may read
	Recipient string       // the age recipient that parcels to the hub are sealed for
}

// Join uses an invitation. name is what people call the device; dial is a
// net.Dialer's when nil. To join again by the same invitation, because the
// answer was lost, is success. Errors: [ErrInvitation], [ErrWrongHub],
// [ErrOffline], [ErrBusy], [ErrForbidden].
func Join(ctx context.Context, i invite.Invitation, self journal.Identity, signer crypto.Signer, name string, dial DialFunc) (Joined, error) {
	j, err := join(ctx, i, self, signer, name, dial)
	if err != nil {
		return Joined{}, fmt.Errorf("joining the hub: %w", err)
	}
	return j, nil
}

func join(ctx context.Context, i invite.Invitation, self journal.Identity, signer crypto.Signer, name string, dial DialFunc) (Joined, error) {
	known := func(key ed25519.PublicKey) error {
		if f, err := door.FingerprintOf(key); err != nil || f != i.Hub {
			return ErrWrongHub
		}
		return nil
	}
	d, err := newDialer(i.Addresses, signer, dial, known)
	if err != nil {
		return Joined{}, err
	}
	id, err := self.Encode()
	if err != nil {
		return Joined{}, err
	}
	q, err := journal.Marshal(door.JoinRequest{Version: 1, Secret: i.Secret[:], Identity: id, Name: name})
	if err != nil {
		return Joined{}, err
	}
	via := d.transport()
	defer via.CloseIdleConnections()
	b, err := ask(ctx, via, door.Join, q, 64<<10)
	if err != nil {
		return Joined{}, err
	}
	var a door.JoinAnswer
	if err := journal.Unmarshal(b, &a); err != nil && !errors.Is(err, journal.ErrNewer) {
		return Joined{}, fmt.Errorf("%w: %w", exchange.ErrProtocol, err)
	}
	if a.Version != 1 {
		return Joined{}, fmt.Errorf("%w: version %d", exchange.ErrVersion, a.Version)
	}
	hub, err := journal.DecodeIdentity(a.Hub)
	if err == nil {
		err = hub.Verify()
	}
	if err == nil {
		err = known(hub.Key)
	}
	if err == nil {
		_, err = age.ParseX25519Recipient(a.Recipient)
	}
	if err != nil {
		return Joined{}, fmt.Errorf("%w: what the hub says of itself: %w", exchange.ErrProtocol, err)
	}
	return Joined{Hub: hub, Role: a.Role, Jobs: a.Jobs, Recipient: a.Recipient}, nil
}
