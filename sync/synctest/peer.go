package synctest

import (
	"context"
	"iter"

	"pinchrod/store/journal"
	"pinchrod/sync/exchange"
)

// Direct returns the peer that a host in the same process is to a device,
// without a line between them.
func Direct(host *exchange.Host, who func() exchange.Reader) exchange.Peer {
	return direct{host, who}
}

type direct struct {
	host *exchange.Host
	who  func() exchange.Reader
}

func (d direct) Hub() journal.Identity { return d.host.Book.Identity() }

func (d direct) Meet(ctx context.Context, offer exchange.Offer, batches iter.Seq2[exchange.Batch, error], acked func(journal.Head)) (exchange.State, error) {
	return d.host.Meet(ctx, d.who(), offer, batches, func(h journal.Head) error {
		if acked != nil {
			acked(h)
		}
		return nil
	})
}

func (d direct) Fetch(ctx context.Context, wants []exchange.Want) iter.Seq2[exchange.Batch, error] {
	return d.host.Fetch(ctx, d.who(), wants)
}
