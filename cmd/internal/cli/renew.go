package cli

import (
	"context"
	"errors"
	"fmt"
	"os"
	"slices"

	"github.com/spf13/cobra"

	"pinchrod/store"
	"pinchrod/store/journal"
	"pinchrod/survey"
	"pinchrod/survey/fieldbook"
	"pinchrod/survey/report"
	"pinchrod/sync/exchange"
)

// A renewal goes on with a book whose log has forked, as a new device.
type renewal struct {
	Common uint64 // pages that stay as they are, in the old device's log
	Anew   int    // pages written again under the new device's name
}

// renew fills a fresh book from one whose log has forked: with the hub's pages
// of the old log, with the other logs, and with what the hub has not of the old
// log, written again as the new device's: all from where the two logs part on,
// and before that the pages that the hub has as their hashes only, which nobody
// could give it any more. References to those are made to point to where they
// now stand.
func renew(ctx context.Context, old, fresh *store.Store, hub exchange.Peer) (renewal, error) {
	m := &moving{old: old, fresh: fresh, to: map[uint64]uint64{}}
	if err := m.forget(ctx, hub); err != nil {
		return m.done, err
	}
	atHub, err := m.takeHubs(ctx, hub)
	if err != nil {
		return m.done, err
	}
	if err := carryOthers(old, fresh); err != nil {
		return m.done, err
	}
	if err := m.number(atHub); err != nil {
		return m.done, err
	}
	if err := m.write(); err != nil {
		return m.done, err
	}
	return m.done, m.uphold()
}

// moving is a renewal under way.
type moving struct {
	old, fresh *store.Store
	gone       []journal.ID      // jobs that the hub has forgotten
	to         map[uint64]uint64 // old page → where it is written again
	shared     uint64            // how many of those lie before the two logs part
	done       renewal
}

// ref returns where a reading now stands.
func (m *moving) ref(r journal.Ref) journal.Ref {
	if n, ok := m.to[r.Page]; ok && r.Device == m.old.Device() {
		return journal.Ref{Device: m.fresh.Device(), Page: n, Item: r.Item}
	}
	return r
}

// early reports whether a page was written again from before the logs part.
func (m *moving) early(r journal.Ref) bool {
	return r.Device == m.fresh.Device() && r.Page <= m.shared
}

// forget asks the hub which jobs it has forgotten: their pages are at the hub as
// hashes on purpose, and must not come back by being written again.
func (m *moving) forget(ctx context.Context, hub exchange.Peer) error {
	nothing := func(func(exchange.Batch, error) bool) {}
	state, err := hub.Meet(ctx, exchange.Offer{Base: m.old.Identity().Head().Head}, nothing, nil)
	if err != nil {
		return fmt.Errorf("asking the hub what it has forgotten: %w", err)
	}
	m.gone = state.Forgotten
	for _, job := range m.gone {
		if _, err := m.fresh.Forget(job); err != nil {
			return err
		}
	}
	return nil
}

// held is what the hub has of a page.
type held struct {
	hash journal.Hash
	full bool
}

// takeHubs takes the hub's pages of the old log into the fresh book.
func (m *moving) takeHubs(ctx context.Context, hub exchange.Peer) (map[uint64]held, error) {
	out := map[uint64]held{}
	device := m.old.Device()
	for b, err := range hub.Fetch(ctx, []exchange.Want{{Device: device, From: 1}}) {
		if err != nil {
			return nil, fmt.Errorf("fetching the hub's copy of this log: %w", err)
		}
		if b.Identity.Device != device {
			continue
		}
		for _, r := range b.Records {
			out[r.Seq] = held{r.Hash, r.Page != nil}
		}
		if _, err := m.fresh.Ingest(b.Identity, b.Records, b.Head); err != nil {
			return nil, err
		}
	}
	return out, nil
}

// number decides which pages are written again, and as which.
func (m *moving) number(atHub map[uint64]held) error {
	apart := false
	for r, err := range m.old.Scan(m.old.Device(), 1) {
		if err != nil {
			return err
		}
		at := atHub[r.Seq]
		apart = apart || at.hash != r.Hash
		if !apart && (at.full || m.nothing(r)) {
			m.done.Common++
			continue
		}
		m.to[r.Seq] = uint64(len(m.to)) + 1
		if !apart {
			m.shared++
		}
	}
	return nil
}

// nothing reports whether there is nothing of a page to write again: only its
// hash is here, or its job is forgotten.
func (m *moving) nothing(r journal.Record) bool {
	p, err := r.Decode()
	return errors.Is(err, journal.ErrWithheld) || err == nil && slices.Contains(m.gone, p.Job)
}

// One step of what is written again: a batch of the exchange has as much.
const (
	stepPages = 2048
	stepBytes = 512 << 10
)

// write writes the pages again.
func (m *moving) write() error {
	var step []store.Draft
	size := 0
	save := func() error {
		_, err := m.fresh.Append(step...)
		step, size = nil, 0
		return err
	}
	for r, err := range m.old.Scan(m.old.Device(), 1) {
		if err != nil {
			return err
		}
		if m.to[r.Seq] == 0 {
			continue
		}
		d, err := m.again(r)
		if err != nil {
			return fmt.Errorf("page %d: %w", r.Seq, err)
		}
		if len(step) == stepPages || size+len(d.Payload) > stepBytes {
			if err := save(); err != nil {
				return err
			}
		}
		step, size = append(step, d), size+len(d.Payload)
	}
	return save()
}

// again returns a page to be written again.
func (m *moving) again(r journal.Record) (store.Draft, error) {
	if m.nothing(r) {
		// Its number is taken all the same: what refers to it must not come to
		// mean a page of the other log.
		b, err := survey.Payload{}.Encode()
		return store.Draft{Payload: b}, err
	}
	p, err := r.Decode()
	if err != nil {
		return store.Draft{}, err
	}
	content, err := survey.DecodePayload(p.Payload)
	if err != nil {
		return store.Draft{}, err
	}
	for i := range content.Readings {
		if content.Readings[i].When == "" {
			content.Readings[i].When = p.Time.Format("2006-01-02 15:04")
		}
	}
	b, err := content.Remap(m.ref).Encode()
	if err != nil {
		return store.Draft{}, err
	}
	m.done.Anew++
	return store.Draft{Job: p.Job, Payload: b}, nil
}

// uphold has the new book rule as the old one does on what was written again. A
// page that stays, or one of another device, may have struck, kept, corrected or
// replaced it by its old name, and it would count again. Where the two logs have
// parted such a page means the other log's, so this is about what lies before.
func (m *moving) uphold() error {
	var jobs []fieldbook.Job
	err := m.old.View(func(kv store.KV) (err error) {
		jobs, err = fieldbook.Jobs(kv)
		return err
	})
	if err != nil {
		return err
	}
	for _, job := range jobs {
		var was, is *fieldbook.Book
		for _, x := range []struct {
			s  *store.Store
			to **fieldbook.Book
		}{{m.old, &was}, {m.fresh, &is}} {
			if err := x.s.View(func(kv store.KV) (err error) {
				*x.to, err = fieldbook.Load(kv, job)
				return err
			}); err != nil {
				return err
			}
		}
		p := m.rulings(was, is)
		if len(p.Strikes)+len(p.Keeps)+len(p.Settings) == 0 {
			continue
		}
		b, err := p.Encode()
		if err != nil {
			return err
		}
		if _, err := m.fresh.Append(store.Draft{Job: job.ID, Payload: b}); err != nil {
			return err
		}
	}
	return nil
}

// rulings returns what a job's new book lacks of the rulings in the old one.
func (m *moving) rulings(was, is *fieldbook.Book) (out survey.Payload) {
	rule := func(on *[]survey.Strike, ref journal.Ref, was, is []fieldbook.Ruling) {
		if len(is) > 0 {
			return
		}
		for _, r := range was {
			*on = append(*on, survey.Strike{Reading: ref, Why: r.Why, By: r.By})
		}
	}
	before := map[journal.Ref]fieldbook.Entry{}
	for _, e := range was.Entries {
		before[m.ref(e.Ref)] = e
	}
	for _, e := range is.Entries {
		if !m.early(e.Ref) {
			continue
		}
		b := before[e.Ref]
		rule(&out.Strikes, e.Ref, b.Struck, e.Struck)
		rule(&out.Keeps, e.Ref, b.Kept, e.Kept)
		if len(b.Fixed) > 0 && len(b.Struck)+len(e.Fixed) == 0 {
			out.Strikes = append(out.Strikes, survey.Strike{Reading: e.Ref, Why: "corrected by " + m.ref(b.Fixed[0]).Short()})
		}
	}
	struck := map[journal.Ref][]fieldbook.Ruling{}
	for _, p := range was.Pictures() {
		struck[m.ref(p.Ref)] = p.Struck
	}
	for _, x := range was.Made {
		struck[m.ref(x.Ref)] = x.Struck
	}
	for _, p := range is.Pictures() {
		if m.early(p.Ref) {
			rule(&out.Strikes, p.Ref, struck[p.Ref], p.Struck)
		}
	}
	for _, x := range is.Made {
		if m.early(x.Ref) {
			rule(&out.Strikes, x.Ref, struck[x.Ref], x.Struck)
		}
	}
	// A setting that another replaces: the one that stands is said once more.
	stands := map[journal.Ref]bool{}
	for _, c := range was.Settings() {
		stands[m.ref(c.Ref)] = true
	}
	for _, c := range is.Settings() {
		if !m.early(c.Ref) || stands[c.Ref] {
			continue
		}
		i := slices.IndexFunc(out.Settings, func(s survey.Setting) bool { return s.Name == c.Name })
		if i < 0 {
			all := was.Chosen(c.Name)
			if len(all) == 0 {
				continue
			}
			by := all[len(all)-1]
			i = len(out.Settings)
			out.Settings = append(out.Settings, survey.Setting{Name: by.Name, Value: by.Value, Replaces: []journal.Ref{m.ref(by.Ref)}})
		}
		out.Settings[i].Replaces = append(out.Settings[i].Replaces, c.Ref)
	}
	return out
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
holds, or the hub as a hash only, is written again under the new device's name. No
reading is lost, and the old book stays as it is. The new one joins the hub with an invitation of its own.`,
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
		out, err = renew(ctx, old, fresh, c.Peer())
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
