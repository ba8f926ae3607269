package hub

import (
	"fmt"

	"filippo.io/age"

	"pinchrod/sync/exchange"
)

const noteParcels = "hub/parcels"

// ParcelIdentity returns the hub's age identity, which parcels to it are
// sealed for. It is made when it is first asked for, and kept in the margin.
func ParcelIdentity(b exchange.Book) (*age.X25519Identity, error) {
	notes, err := b.Margin(noteParcels)
	if err != nil {
		return nil, err
	}
	if v := notes[noteParcels]; v != nil {
		id, err := age.ParseX25519Identity(string(v))
		if err != nil {
			return nil, fmt.Errorf("reading the key for parcels: %w", err)
		}
		return id, nil
	}
	id, err := age.GenerateX25519Identity()
	if err != nil {
		return nil, fmt.Errorf("making a key for parcels: %w", err)
	}
	return id, b.SetMargin(map[string][]byte{noteParcels: []byte(id.String())})
}
