package hub

import (
	"context"
	"fmt"

	"filippo.io/age"

	"pinchrod/store/journal"
	"pinchrod/sync/exchange"
	"pinchrod/sync/parcel"
)

// An Answered says what the hub did with a device's parcel.
type Answered struct {
	Device journal.ID
	Pages  uint64   // that were in it
	Head   uint64   // the last entry of the device that the hub now has
	Files  []string // the hub's answer
}

// Answer takes in a parcel that an enrolled device wrote, and writes the hub's
// answer under a name, for the device to read.
func (o *office) Answer(ctx context.Context, files []string, name string) (a Answered, err error) {
	key, err := ParcelIdentity(o.book)
	if err != nil {
		return a, err
	}
	p, err := parcel.Open(ctx, files, parcel.ReadOptions{Keys: []age.Identity{key}})
	if err != nil {
		return a, err
	}
	defer p.Close()
	from := p.Manifest()
	who, err := o.roster.Rights(from.Writer.Key)
	if err != nil {
		return a, fmt.Errorf("a parcel from %s: %w", from.Writer.Device.Tag(), err)
	}
	host := &exchange.Host{Book: o.book, Signer: o.book.Signer(), Now: o.roster.now, Wrote: o.roster.Wrote}
	w, err := parcel.Answer(ctx, name, host, who, p, parcel.Options{Replace: true})
	if err != nil {
		return a, fmt.Errorf("a parcel from %s: %w", from.Writer.Device.Tag(), err)
	}
	heads, err := o.book.Heads()
	return Answered{Device: from.Writer.Device, Pages: from.Pages(), Head: heads[from.Writer.Device].Seq, Files: w.Files}, err
}
