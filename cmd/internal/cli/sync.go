package cli

import (
	"bytes"
	"context"
	"errors"
	"fmt"
	mrand "math/rand/v2"
	"slices"
	"time"

	"github.com/spf13/cobra"

	"pinchrod/store"
	"pinchrod/store/journal"
	"pinchrod/store/picture"
	"pinchrod/survey/fieldbook"
	"pinchrod/survey/report"
	"pinchrod/sync/exchange"
	"pinchrod/sync/hub/door"
	"pinchrod/sync/nearby"
	"pinchrod/sync/remote"
)

type syncOptions struct {
	env        *Env
	book       *bookFlag
	once, find bool
}

func newSync(e *Env, b *bookFlag) *cobra.Command {
	o := &syncOptions{env: e, book: b}
	c := &cobra.Command{
		Use:   "sync",
		Short: "send what is recorded here to the hub, and fetch what others recorded",
		Long: `Sync brings this book and the workshop's hub to the same. What was sent is
confirmed by the hub's signed receipt, up to an entry. It can be stopped at any
moment and goes on where it was. That there is no network is no error: what is
recorded waits.`,
		Args: cobra.NoArgs,
		RunE: func(c *cobra.Command, _ []string) error { return o.run(c.Context()) },
	}
	c.Flags().BoolVar(&o.once, "once", false, "try once; do not wait for a network that is not there")
	c.Flags().BoolVar(&o.find, "find", false, "look for the hub on the local network first (DNS-SD)")
	return c
}

func (o *syncOptions) run(ctx context.Context) error {
	m, err := o.book.meeting()
	if err != nil {
		return err
	}
	defer m.Close()
	p := o.env.progress()
	m.sent = func(h journal.Head) { p.show("sent up to entry %d of %d", h.Seq, m.own) }
	received := 0
	m.received = func(t journal.Taken) {
		received += t.Added + t.Filled
		p.show("received %d", received)
	}
	m.sentPicture = func(n, of int) { p.show("picture %d of %d", n, of) }
	if o.find {
		if err := m.find(ctx); err != nil {
			return err
		}
	}
	if o.once {
		err = m.run(ctx)
	} else {
		err = o.env.retry(ctx, m.run)
	}
	p.done()
	for _, fork := range m.forked {
		o.env.say("%v: what is held here of that log stays as it is; ask the workshop", fork)
	}
	if errors.Is(err, remote.ErrOffline) {
		waiting, stateErr := m.waiting()
		if stateErr != nil {
			return stateErr
		}
		fmt.Fprintf(o.env.Out, "no network: %s, nothing is lost; run sync again where there is one\n", waiting)
		return nil
	}
	if err != nil {
		return fmt.Errorf("%w%s", err, nextStep(err))
	}
	at := m.receipt.Time.In(o.env.Now().Location())
	upTo := fmt.Sprintf("up to entry %d", m.receipt.Head.Seq)
	if m.receipt.Head.Seq == 0 {
		upTo = "that this device has written nothing yet"
	}
	fmt.Fprintf(o.env.Out, "confirmed by hub %s %s, %s: %d sent, %d received", m.hub.Device.Tag(), upTo, at.Format("2 Jan 2006 15:04"), m.entries, received)
	if m.picturesSent+m.picturesReceived > 0 {
		fmt.Fprintf(o.env.Out, "; pictures: %d sent, %d received", m.picturesSent, m.picturesReceived)
	}
	fmt.Fprintln(o.env.Out)
	if m.returned > 0 {
		o.env.say("this book was an older copy of itself: %s came back from the hub", report.Count(m.returned, "entry"))
	}
	if m.forgot > 0 {
		o.env.say("the workshop has forgotten a job: %s erased here, as asked", report.Count(m.forgot, "entry"))
	}
	return nil
}

// A meeting brings a book and its hub together: the logs first, then the
// pictures that the logs name.
type meeting struct {
	book   *lent
	folder *picture.Folder
	client *remote.Client
	joined joined
	hub    journal.Identity
	own    uint64 // entries of this device

	sent        func(journal.Head)
	received    func(journal.Taken)
	sentPicture func(n, of int)

	receipt                        exchange.Receipt
	entries, returned, forgot      int
	picturesSent, picturesReceived int
	named                          bool // a page that came may name a picture
	forked                         []error
}

// meeting prepares to meet the hub that the book has joined.
func (b *bookFlag) meeting() (*meeting, error) {
	m := &meeting{}
	var err error
	if m.book, err = lend(func() (*store.Store, error) { return b.open(false) }); err != nil {
		return nil, err
	}
	err = m.book.do(func(s *store.Store) error {
		j, err := readJoined(s)
		if err != nil {
			return err
		}
		m.joined = j
		if m.hub, err = j.identity(); err != nil {
			return err
		}
		heads, err := s.Heads()
		if err != nil {
			return err
		}
		m.own = heads[s.Device()].Seq
		m.client, err = client(s, j)
		return err
	})
	if err == nil {
		m.folder, err = b.pictures()
	}
	if errors.Is(err, errNotJoined) {
		err = fmt.Errorf("%w: %w", errUsage, err)
	}
	if err != nil {
		return nil, errors.Join(err, m.book.Close())
	}
	return m, nil
}

// find looks for the hub on the local network, and calls it there first. Who
// answers is not trusted: the hub's key decides, as at any other address.
func (m *meeting) find(ctx context.Context) error {
	key, err := door.FingerprintOf(m.hub.Key)
	if err != nil {
		return err
	}
	found, err := nearby.Find(ctx, nearby.Options{Want: nearby.Fingerprint(key[:8])})
	if err != nil {
		return fmt.Errorf("looking for the hub on the local network: %w; leave --find out to call it where it was", err)
	}
	near := m.joined
	near.Addresses = nil
	for _, c := range found {
		if c.Fingerprint == nearby.Fingerprint(key[:8]) {
			for _, a := range c.Addrs {
				near.Addresses = append(near.Addresses, a.String())
			}
		}
	}
	near.Addresses = append(near.Addresses, m.joined.Addresses...)
	m.client.Close()
	return m.book.do(func(s *store.Store) (err error) {
		m.client, err = client(s, near)
		return err
	})
}

// Close lets go of the book and of the line.
func (m *meeting) Close() error {
	m.client.Close()
	return m.book.Close()
}

// run meets the hub once.
func (m *meeting) run(ctx context.Context) error {
	out, err := exchange.Run(ctx, m.book, m.client.Peer(), exchange.Progress{
		Sent: m.sent,
		Received: func(b exchange.Batch, t journal.Taken) {
			m.named = m.named || namesPicture(b)
			if m.received != nil {
				m.received(t)
			}
		},
	})
	m.entries += out.Sent
	m.returned += out.Own
	m.forgot += out.Forgot
	m.forked = out.Forked
	if err != nil {
		return err
	}
	m.receipt = out.Receipt
	return m.exchangePictures(ctx)
}

// marginPictures is there while pictures may be due to be sent or fetched. So a
// sync without any need not look into the pages, which a first one of many
// would pay for dearly.
const marginPictures = "pictures-due"

// namesPicture tells whether a page of a batch may name a picture: its media
// type is in it.
func namesPicture(b exchange.Batch) bool {
	return slices.ContainsFunc(b.Records, func(r journal.Record) bool { return bytes.Contains(r.Page, []byte("image/")) })
}

// pictureKey notes in the margin that a picture is known to be at the hub.
func pictureKey(hub journal.ID, sum [32]byte) string {
	return fmt.Sprintf("hub/%s/picture/%x", hub, sum)
}

// exchangePictures sends the pictures that the hub lacks and fetches those that
// are not here. A picture that is in neither place is on a device that has not
// met the hub.
func (m *meeting) exchangePictures(ctx context.Context) error {
	if m.named {
		if err := m.book.SetMargin(map[string][]byte{marginPictures: {1}}); err != nil {
			return err
		}
	}
	due, err := m.book.Margin(marginPictures)
	if err != nil || due[marginPictures] == nil {
		return err
	}
	var all []fieldbook.JobPicture
	var there map[string][]byte
	err = m.book.do(func(s *store.Store) (err error) {
		if err = s.View(func(kv store.KV) error { all, err = fieldbook.AllPictures(kv); return err }); err != nil {
			return err
		}
		there, err = s.Margin("hub/" + m.hub.Device.String() + "/picture/")
		return err
	})
	if err != nil {
		return err
	}
	var send, fetch []fieldbook.JobPicture
	var ask [][32]byte
	for _, p := range all {
		here, known := m.folder.Has(p.Sum), there[pictureKey(m.hub.Device, p.Sum)] != nil
		switch {
		case here && known:
			continue
		case here:
			send = append(send, p)
		default:
			fetch = append(fetch, p)
		}
		ask = append(ask, p.Sum)
	}
	if len(ask) == 0 {
		return m.book.SetMargin(map[string][]byte{marginPictures: nil})
	}
	atHub, err := m.client.Pictures(ctx, ask)
	if err != nil {
		return err
	}
	for i, p := range send {
		if m.sentPicture != nil {
			m.sentPicture(i+1, len(send))
		}
		if err := m.send(ctx, p, atHub[p.Sum]); err != nil {
			return err
		}
	}
	for _, p := range fetch {
		if !atHub[p.Sum] {
			continue
		}
		if err := m.fetch(ctx, p); err != nil {
			return err
		}
	}
	return nil
}

func (m *meeting) send(ctx context.Context, p fieldbook.JobPicture, there bool) error {
	if !there {
		b, err := m.folder.Get(p.Sum)
		if errors.Is(err, picture.ErrDamaged) {
			return nil // verify names it; it must not keep the others back
		}
		if err != nil {
			return err
		}
		if err := m.client.SendPicture(ctx, p.Job, p.Sum, int64(len(b)), bytes.NewReader(b)); err != nil {
			if errors.Is(err, remote.ErrForbidden) {
				return nil // of a job that this device is not on
			}
			return err
		}
		m.picturesSent++
	}
	return m.book.SetMargin(map[string][]byte{pictureKey(m.hub.Device, p.Sum): {1}})
}

func (m *meeting) fetch(ctx context.Context, p fieldbook.JobPicture) error {
	from, err := m.folder.Partial(p.Sum)
	if err != nil {
		return err
	}
	body, size, err := m.client.FetchPicture(ctx, p.Sum, from)
	if errors.Is(err, remote.ErrNotFound) {
		return nil
	}
	if err != nil {
		return err
	}
	defer body.Close()
	done, err := m.folder.Resume(p.Sum, size, from, body)
	if err != nil {
		return err
	}
	if done {
		m.picturesReceived++
	}
	return m.book.SetMargin(map[string][]byte{pictureKey(m.hub.Device, p.Sum): {1}})
}

// waiting says what the hub has not confirmed.
func (m *meeting) waiting() (string, error) {
	st, err := standing(m.book, m.hub)
	if err != nil {
		return "", err
	}
	return report.Count(int(st.Waiting), "entry") + " waiting", nil
}

// patience is how often the hub is tried while a person waits: on site there
// mostly is a network or there is none, and some two seconds tell.
func patience() remote.Backoff {
	b := remote.DefaultBackoff()
	b.Tries = 3
	return b
}

func (e *Env) retry(ctx context.Context, do func(context.Context) error) error {
	return remote.Retry(ctx, patience(), remote.Sleep, mrand.Float64, do)
}

// progress shows how a long step goes on, from its second second on.
type progress struct {
	env   *Env
	began time.Time
	last  time.Time
	shown bool
}

func (e *Env) progress() *progress {
	now := time.Now()
	return &progress{env: e, began: now, last: now}
}

// show says how far it is, at most twice a second, and only to a person: on a
// terminal.
func (p *progress) show(format string, args ...any) {
	if _, _, ok := p.env.Terminal(); !ok || p.env.plain {
		return
	}
	now := time.Now()
	if now.Sub(p.began) < time.Second || now.Sub(p.last) < time.Second/2 {
		return
	}
	p.last, p.shown = now, true
	fmt.Fprintf(p.env.Err, "\r\x1b[K"+format, args...)
}

func (p *progress) done() {
	if p.shown {
		fmt.Fprint(p.env.Err, "\r\x1b[K")
	}
}
