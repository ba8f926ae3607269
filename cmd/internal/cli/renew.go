package cli

import (
	"context"
	"errors"
	"fmt"
	"iter"
	"os"

	"github.com/spf13/cobra"

	"pinchrod/store"
	"pinchrod/store/journal"
	"pinchrod/survey"
	"pinchrod/survey/report"
	"pinchrod/sync/exchange"
)

// A renewal goes on with a book whose log has forked, as a new device.
type renewal struct {
	Common uint64 // pages that the hub's log and this one share
	Anew   int    // pages written again under the new device's name
}

// renew fills a fresh book from one whose log has forked: with the hub's pages
// of the old log, with the other logs, and with the pages that only the old
// book holds, written again as the new device's. References among those are
// made to point to where they now stand.
func renew(old, fresh *store.Store, theirs iter.Seq2[exchange.Batch, error]) (renewal, error) {
	var out renewal
	device := old.Device()
	hubs := map[uint64]journal.Hash{}
	for b, err := range theirs {
		if err != nil {
			return out, fmt.Errorf("fetching the hub's copy of this log: %w", err)
		}
		if b.Identity.Device != device {
			continue
		}
		for _, r := range b.Records {
			hubs[r.Seq] = r.Hash
		}
		if _, err := fresh.Ingest(b.Identity, b.Records, b.Head); err != nil {
			return out, err
		}
	}
	if err := carryOthers(old, fresh); err != nil {
		return out, err
	}
	blank, err := survey.Payload{}.Encode()
	if err != nil {
		return out, err
	}
	var drafts []store.Draft
	self := fresh.Device()
	for r, err := range old.Scan(device, 1) {
		if err != nil {
			return out, err
		}
		if hubs[r.Seq] == r.Hash && len(drafts) == 0 {
			out.Common = r.Seq
			continue
		}
		p, err := r.Decode()
		if errors.Is(err, journal.ErrWithheld) {
			// Forgotten, so there is nothing to write again; its number stays
			// free so that references keep their distance.
			drafts = append(drafts, store.Draft{Payload: blank})
			continue
		}
		if err != nil {
			return out, fmt.Errorf("page %d: %w", r.Seq, err)
		}
		content, err := survey.DecodePayload(p.Payload)
		if err != nil {
			return out, fmt.Errorf("page %d: %w", r.Seq, err)
		}
		for i := range content.Readings {
			if content.Readings[i].When == "" {
				content.Readings[i].When = p.Time.Format("2006-01-02 15:04")
			}
		}
		moved := content.Remap(func(ref journal.Ref) journal.Ref {
			if ref.Device == device && ref.Page > out.Common {
				return journal.Ref{Device: self, Page: ref.Page - out.Common, Item: ref.Item}
			}
			return ref
		})
		b, err := moved.Encode()
		if err != nil {
			return out, fmt.Errorf("page %d: %w", r.Seq, err)
		}
		drafts = append(drafts, store.Draft{Job: p.Job, Payload: b})
		out.Anew++
	}
	if len(drafts) == 0 {
		return out, nil
	}
	_, err = fresh.Append(drafts...)
	return out, err
}

// carryOthers takes the logs of other devices into a fresh book.
func carryOthers(old, fresh *store.Store) error {
	ids, err := old.Devices()
	if err != nil {
		return err
	}
	everything := exchange.Reader{All: true}
	for _, id := range ids {
		if id.Device == old.Device() {
			continue
		}
		for b, err := range exchange.Batches(old, id, 1, everything) {
			if err != nil {
				return err
			}
			if _, err := fresh.Ingest(b.Identity, b.Records, b.Head); err != nil {
				return err
			}
		}
	}
	return nil
}

// begin makes a new book for a renewal, and takes it away again if that fails.
func begin(path string, o store.Options, fill func(*store.Store) error) error {
	s, err := store.Create(path, o)
	if err != nil {
		return err
	}
	if err := errors.Join(fill(s), s.Close()); err != nil {
		return errors.Join(err, os.Remove(path))
	}
	return nil
}

type renewOptions struct {
	env  *Env
	book *bookFlag
	to   string
}

func newRenew(e *Env, b *bookFlag) *cobra.Command {
	o := &renewOptions{env: e, book: b}
	c := &cobra.Command{
		Use:   "renew --to NEW",
		Short: "go on with a book whose copy was written to as well",
		Long: `Renew is for a book whose log has forked: it was restored from a copy, or two
copies of it were used, and both were written to. It makes a new book, which is a
new device: the hub's pages are in it as the old device's, and what only this book
holds is written again under the new device's name. No reading is lost, and the
old book stays as it is. The new one joins the hub with an invitation of its own.`,
		Args: cobra.NoArgs,
		RunE: func(c *cobra.Command, _ []string) error { return o.run(c.Context()) },
	}
	c.Flags().StringVar(&o.to, "to", "", "the file of the new book")
	if err := c.MarkFlagRequired("to"); err != nil {
		panic(err) // the flag was defined above
	}
	return c
}

func (o *renewOptions) run(ctx context.Context) error {
	old, err := o.book.open(true)
	if err != nil {
		return err
	}
	defer old.Close()
	j, err := readJoined(old)
	if err != nil {
		return fmt.Errorf("%w: %w", errUsage, err)
	}
	c, err := client(old, j)
	if err != nil {
		return err
	}
	defer c.Close()
	var out renewal
	err = begin(o.to, o.env.options(), func(fresh *store.Store) (err error) {
		theirs := c.Peer().Fetch(ctx, []exchange.Want{{Device: old.Device(), From: 1}})
		out, err = renew(old, fresh, theirs)
		return err
	})
	if err != nil {
		return fmt.Errorf("%w%s", err, nextStep(err))
	}
	fmt.Fprintf(o.env.Out, "shared with the hub: %s; written again in the new book %s: %s\n",
		report.Count(int(out.Common), "entry"), o.to, report.Count(out.Anew, "entry"))
	o.env.say("the old book %s is kept as it is; ask the workshop for an invitation and run join with --book %s", old.Path(), o.to)
	return nil
}
