package parcel

import (
	"context"
	"errors"
	"fmt"
	"iter"
	"slices"

	"pinchrod/store/journal"
	"pinchrod/sync/exchange"
)

// An Outcome says what reading a parcel has done.
type Outcome struct {
	Manifest
	Set    Set
	Added  int // pages past what was held
	Filled int // pages that were known by their hash only, or not at all
	Known  int // pages that were held already
	// Answer is what the hub's answer has done, when the parcel had one.
	Answer *exchange.Outcome
}

// Read takes a parcel into a book: all of it or, if it is refused, nothing.
//
// Everything is checked before anything is kept: that the parcel is whole and
// as its writer has signed it, that each log in it verifies and is accepted,
// and that it joins what the book holds. A log that contradicts the book is
// [journal.ErrFork]; then no log is taken, and the batch that shows it is
// offered to the book, which keeps it as evidence: that is the one thing that
// a refused parcel can leave. One that begins past what the book holds is
// [journal.ErrGap].
//
// Then the book takes in batch after batch, each durable by itself. If that is
// broken off, by a crash, a full disk or ctx, the pages up to there stay, which
// are in order and verified; to read the parcel again completes them. So does
// a book that another window changes in between.
//
// If the parcel holds the answer of o.Hub to the book's device, that is taken
// in too, as in a meeting over a line: the receipt is noted, and jobs that the
// hub has forgotten are forgotten. If what the hub says there is a refusal, it
// comes as the error.
func Read(ctx context.Context, files []string, book exchange.Book, o ReadOptions) (Outcome, error) {
	p, err := openFiles(ctx, files, book, o)
	if err != nil {
		return Outcome{}, err
	}
	defer p.Close()
	out, err := p.into(ctx, book)
	if err != nil {
		return out, fmt.Errorf("reading a parcel: %w", err)
	}
	return out, nil
}

// into takes a parcel that has been checked against a book into it.
func (p *Parcel) into(ctx context.Context, book exchange.Book) (Outcome, error) {
	out := Outcome{Manifest: p.m, Set: p.set}
	pages := uint64(0)
	for b, err := range p.Batches() {
		if err == nil {
			err = ctx.Err()
		}
		if err == nil && !slices.Contains(p.o.Without, b.Identity.Device) {
			var taken journal.Taken
			taken, err = book.Ingest(b.Identity, b.Records, b.Head)
			out.Added, out.Filled, out.Known = out.Added+taken.Added, out.Filled+taken.Filled, out.Known+taken.Known
		}
		if err != nil {
			return out, &refusal{p.name, fmt.Errorf("%d of %d pages are taken in: %w", pages, p.m.Pages(), err), "read it again to go on"}
		}
		p.progress(Taking, &pages, b)
	}
	if hub := p.o.Hub; hub == nil || p.m.For != book.Identity().Device || !p.m.Writer.Equal(*hub) {
		return out, nil
	}
	answer, err := exchange.Run(ctx, book, &answerPeer{p}, exchange.Progress{})
	out.Answer = &answer
	return out, err
}

func (p *Parcel) progress(step Step, pages *uint64, b exchange.Batch) {
	*pages += uint64(len(b.Records))
	if p.o.Progress != nil {
		p.o.Progress(step, *pages, p.m.Pages())
	}
}

// A fork is what a parcel and a book contradict each other in.
type fork struct {
	err   error
	batch exchange.Batch
}

// check verifies the stream against the manifest and, if there is a book, as
// far as can be seen without changing it, against that.
func (p *Parcel) check(ctx context.Context, book exchange.Book) error {
	c := checker{Parcel: p, book: book, accept: p.o.Accept, at: -1}
	if err := c.start(); err != nil {
		return err
	}
	defer c.stop()
	pages := uint64(0)
	for b, err := range p.Batches() {
		if err == nil {
			err = ctx.Err()
		}
		if err == nil {
			err = c.batch(b)
		}
		if err != nil {
			return err
		}
		p.progress(Checking, &pages, b)
	}
	if err := c.end(len(p.m.Logs)); err != nil {
		return err
	}
	if c.fork == nil {
		return nil
	}
	refused := c.refuse(c.fork.err, "ask which of the two logs stands; the others can be taken in without this one")
	// A fork below the parcel's first page shows in no page that could be kept.
	_, err := book.Ingest(c.fork.batch.Identity, c.fork.batch.Records, c.fork.batch.Head)
	if err == nil || !errors.Is(err, journal.ErrDamaged) && (errors.Is(err, journal.ErrFork) || errors.Is(err, journal.ErrBroken)) {
		return refused
	}
	return errors.Join(refused, fmt.Errorf("keeping the evidence: %w", err))
}

type checker struct {
	*Parcel
	book   exchange.Book
	accept Accept
	ids    []journal.Identity // the book's
	heads  map[journal.ID]journal.SignedHead

	at    int // the log of the manifest that is read; -1 before the first
	id    journal.Identity
	chain *journal.Chain
	full  uint64
	held  *held // what the book has of that log; nil for nothing to compare
	apart bool  // the book's log is another one before the parcel's first page
	fork  *fork
}

func (c *checker) start() (err error) {
	if c.book == nil {
		if c.accept == nil {
			c.accept = Anyone
		}
		return nil
	}
	if c.accept == nil {
		c.accept = Known(c.book)
	}
	if c.ids, err = c.book.Devices(); err != nil {
		return err
	}
	c.heads, err = c.book.Heads()
	return err
}

func (c *checker) stop() {
	if c.held != nil {
		c.held.stop()
		c.held = nil
	}
}

func (c *checker) refuse(err error, next string) error { return &refusal{c.name, err, next} }

// batch checks the next batch.
func (c *checker) batch(b exchange.Batch) error {
	if c.at < 0 || c.id.Device != b.Identity.Device {
		if err := c.log(b.Identity); err != nil {
			return err
		}
	} else if !c.id.Equal(b.Identity) {
		return c.refuse(fmt.Errorf("%w: log of %s has two keys", ErrOrder, c.id.Device), nextWrite)
	}
	if len(b.Records) == 0 {
		return c.refuse(fmt.Errorf("%w: log of %s: a batch with nothing in it", exchange.ErrProtocol, c.id.Device), nextWrite)
	}
	if first := b.Records[0].Seq; first != c.chain.Head().Seq+1 {
		return c.refuse(fmt.Errorf("%w: log of %s: page %d follows page %d", ErrOrder, c.id.Device, first, c.chain.Head().Seq), nextWrite)
	}
	for _, r := range b.Records {
		if err := c.chain.Add(r); err != nil {
			return c.refuse(err, nextWrite)
		}
		if r.Page != nil {
			c.full++
		}
	}
	if err := c.chain.Close(b.Head, c.id.Key); err != nil {
		return c.refuse(err, nextWrite)
	}
	return c.compare(b)
}

// log goes on to a log.
func (c *checker) log(id journal.Identity) error {
	i := slices.IndexFunc(c.m.Logs, func(l Log) bool { return l.Base.Device == id.Device })
	if i <= c.at {
		return c.refuse(fmt.Errorf("%w: log of %s is not where its manifest has it", ErrOrder, id.Device), nextWrite)
	}
	if err := c.end(i); err != nil {
		return err
	}
	if err := id.Verify(); err != nil {
		return c.refuse(err, nextWrite)
	}
	base := c.m.Logs[i].Base
	if zero := id.Head().Head; base.Seq == 0 && base != zero {
		return c.refuse(fmt.Errorf("%w: log of %s does not begin at its head 0", journal.ErrBroken, id.Device), nextWrite)
	}
	c.at, c.id, c.chain, c.full, c.apart = i, id, journal.NewChain(base), 0, false
	if slices.Contains(c.o.Without, id.Device) {
		return nil
	}
	own := c.book != nil && id.Equal(c.book.Identity())
	if err := c.accept(c.m.Writer, id); err != nil && !own {
		return c.refuse(fmt.Errorf("log of %s: %w: %w", id.Device, ErrForeign, err), "ask who wrote it, and enrol the device if it is one of yours")
	}
	return c.join(base)
}

// end checks that the log that was read, and those up to the one that comes,
// are what the manifest says.
func (c *checker) end(next int) error {
	c.stop()
	for i := max(c.at, 0); i < next; i++ {
		l := c.m.Logs[i]
		to, full := l.Base.Seq, uint64(0)
		if i == c.at {
			to, full = c.chain.Head().Seq, c.full
		}
		if to != l.To || full != l.Full {
			return c.refuse(fmt.Errorf("%w: log of %s goes up to page %d with %d in full, and its manifest says %d with %d",
				exchange.ErrProtocol, l.Base.Device, to, full, l.To, l.Full), nextWrite)
		}
	}
	return nil
}

// held walks over the pages of a log that a book has.
type held struct {
	next func() (journal.Record, error, bool)
	stop func()
	last journal.SignedHead
	at   journal.Record
}

// join sees whether the log joins what the book has.
func (c *checker) join(base journal.Head) error {
	if c.book == nil {
		return nil
	}
	i := slices.IndexFunc(c.ids, func(id journal.Identity) bool { return id.Device == c.id.Device })
	gap := func(have uint64) error {
		return c.refuse(fmt.Errorf("log of %s: pages from %d, and this book ends at %d: %w", c.id.Device, base.Seq+1, have, journal.ErrGap),
			fmt.Sprintf("read the parcel before this one first, or ask for one from page %d on", have+1))
	}
	if i < 0 {
		if base.Seq > 0 {
			return gap(0)
		}
		return nil
	}
	if !c.ids[i].Equal(c.id) {
		return c.refuse(fmt.Errorf("log of %s: %w: another key is known for this device", c.id.Device, journal.ErrSignature),
			"take nothing from its writer before you know why")
	}
	last := c.heads[c.id.Device]
	if base.Seq > last.Seq {
		return gap(last.Seq)
	}
	ours, err := headAt(c.book, c.id, base.Seq)
	if errors.Is(err, journal.ErrGap) {
		return c.refuse(err, "ask for a parcel from page 1 on")
	}
	if err != nil {
		return err
	}
	c.held = &held{last: last}
	c.held.next, c.held.stop = iter.Pull2(c.book.Scan(c.id.Device, base.Seq+1))
	c.apart = ours.Hash != base.Hash
	return nil
}

// compare holds a batch against the pages that the book has.
func (c *checker) compare(b exchange.Batch) error {
	h := c.held
	if h == nil {
		return nil
	}
	if c.apart {
		c.forked(b.Records[0].Seq-1, b)
		return nil
	}
	for _, r := range b.Records {
		if r.Seq > h.last.Seq {
			return nil
		}
		for h.at.Seq < r.Seq {
			rec, err, ok := h.next()
			if err != nil {
				return err
			}
			if !ok {
				rec.Seq = h.last.Seq + 1
			}
			h.at = rec
		}
		// Pages that a recovered book has lost are not there to compare.
		if h.at.Seq == r.Seq && h.at.Hash != r.Hash {
			c.forked(r.Seq, b)
			return nil
		}
	}
	ours, err := c.book.SignedFrom(c.id.Device, b.Head.Seq)
	if err == nil && ours.Seq == b.Head.Seq && ours.Hash != b.Head.Hash {
		c.forked(b.Head.Seq, b)
	}
	return err
}

// forked notes the first fork; the rest of the parcel is still checked.
func (c *checker) forked(seq uint64, b exchange.Batch) {
	if c.fork == nil {
		c.fork = &fork{&journal.BreakError{Device: c.id.Device, Seq: seq, Err: journal.ErrFork}, b}
	}
}
