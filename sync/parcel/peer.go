package parcel

import (
	"bytes"
	"cmp"
	"context"
	"crypto"
	"errors"
	"fmt"
	"io"
	"iter"
	"os"
	"path/filepath"
	"regexp"
	"slices"
	"time"

	"filippo.io/age"

	"pinchrod/store/journal"
	"pinchrod/sync/exchange"
)

// Answer takes in what a device has written for a hub, as in a meeting over a
// line, and writes the hub's answer to it: the receipt, everything that the
// device may read, from the first page on (what it has already is success, and
// it has not said what that is), and of the device's own log what it lacks: what
// lies past the request, or all from the request's first page on, if that has
// pages as their hashes which the hub has in full. Without a request (nil) the
// device is met with nothing new, and its whole log is in the answer.
//
// If the hub refuses the request, the refusal is the answer: it is written, and
// comes back as the error too. A hub in trouble of its own, or whose book is
// damaged, writes none.
func Answer(ctx context.Context, name string, host *exchange.Host, who exchange.Reader, request *Parcel, o Options) (Written, error) {
	offer, batches, end := exchange.Offer{Base: who.Identity.Head().Head}, iter.Seq2[exchange.Batch, error](none), uint64(0)
	if request != nil {
		m := request.m
		if !m.Writer.Equal(who.Identity) || len(m.Logs) != 1 || m.Logs[0].Base.Device != who.Identity.Device {
			return Written{}, &refusal{request.name, fmt.Errorf("%w: a hub answers parcels with the writer's own log", ErrForeign), "read it without answering it"}
		}
		offer.Base, batches, end = m.Logs[0].Base, request.Batches(), m.Logs[0].To
	}
	d := &draft{self: host.Book.Identity(), key: host.Signer, now: host.Now(), batches: none}
	var broken error // of ours, not the hub's
	state, frames, refused := meet(ctx, host, who, offer, func(yield func(exchange.Batch, error) bool) {
		for b, err := range batches {
			if broken = cmp.Or(err, ctx.Err()); !yield(b, broken) || broken != nil {
				return
			}
		}
	})
	switch {
	case broken != nil:
		return Written{}, fmt.Errorf("answering a parcel: %w", broken)
	case refused == nil:
		who.All, who.Jobs = state.All, map[journal.ID]bool{}
		for _, job := range state.Jobs {
			who.Jobs[job] = true
		}
		var wants []exchange.Want
		from, err := lacks(host.Book, request, end)
		if err != nil {
			return Written{}, fmt.Errorf("answering a parcel: %w", err)
		}
		if from <= state.Receipt.Head.Seq {
			wants = append(wants, exchange.Want{Device: who.Identity.Device, From: from})
		}
		for _, l := range state.Logs {
			wants = append(wants, exchange.Want{Device: l.Head.Device, From: 1})
		}
		g, err := gather(host.Book, who, wants)
		if err != nil {
			return Written{}, fmt.Errorf("answering a parcel: %w", err)
		}
		d.logs, d.batches = g.logs, g.batches
	case ownTrouble(refused):
		return Written{}, fmt.Errorf("answering a parcel: %w", refused) // the hub is in trouble of its own
	}
	d.to, d.answer = who.Identity.Device, frames
	w, err := d.write(ctx, name, o)
	if err := errors.Join(refused, err); err != nil {
		return w, fmt.Errorf("answering a parcel: %w", err)
	}
	return w, nil
}

// ownTrouble reports whether a hub refuses for what is wrong with itself.
func ownTrouble(err error) bool {
	return errors.Is(err, exchange.ErrRefused) || errors.Is(err, exchange.ErrDamaged)
}

// lacks returns the page from which on a device has to be given its own log:
// the one after its request, whose last is to; or the request's first, which is
// where the hub's log surely can be joined, if the request has a page as its
// hash only that the hub has in full.
func lacks(hub exchange.Book, request *Parcel, to uint64) (uint64, error) {
	if request == nil || request.m.Logs[0].Full == request.m.Logs[0].Pages() {
		return to + 1, nil
	}
	base := request.m.Logs[0].Base
	next, stop := iter.Pull2(hub.Scan(base.Device, base.Seq+1))
	defer stop()
	var ours journal.Record
	for b, err := range request.Batches() {
		if err != nil {
			return 0, err
		}
		for _, r := range b.Records {
			if r.Page != nil {
				continue
			}
			for ours.Seq < r.Seq {
				rec, err, ok := next()
				if err != nil || !ok {
					return to + 1, err
				}
				ours = rec
			}
			if ours.Seq == r.Seq && ours.Page != nil {
				return base.Seq + 1, nil
			}
		}
	}
	return to + 1, nil
}

// meet has a host meet a device, and returns what it answers, as it is and as
// its frames.
func meet(ctx context.Context, host *exchange.Host, who exchange.Reader, offer exchange.Offer, batches iter.Seq2[exchange.Batch, error]) (exchange.State, []byte, error) {
	var answer bytes.Buffer
	var trouble error
	line := lineFunc(func(ctx context.Context, verb string, send func(io.Writer) error) (io.ReadCloser, error) {
		in, out := io.Pipe()
		sent := make(chan error, 1)
		go func() {
			err := send(out)
			out.CloseWithError(err)
			sent <- err
		}()
		trouble = exchange.Serve(ctx, host, who, verb, in, &answer, nil)
		in.Close()
		<-sent
		return io.NopCloser(bytes.NewReader(answer.Bytes())), nil
	})
	state, err := exchange.Over(line, who.Identity, host.Book.Identity()).Meet(ctx, offer, batches, nil)
	if ownTrouble(err) {
		err = errors.Join(err, trouble) // which the frames do not tell
	}
	return state, answer.Bytes(), err
}

type lineFunc func(ctx context.Context, verb string, send func(io.Writer) error) (io.ReadCloser, error)

func (f lineFunc) Round(ctx context.Context, verb string, send func(io.Writer) error) (io.ReadCloser, error) {
	return f(ctx, verb, send)
}

// An answerPeer is a hub as far as an answer of its goes.
type answerPeer struct{ p *Parcel }

func (a *answerPeer) Hub() journal.Identity { return a.p.m.Writer }

// Meet returns what the hub said. What it is given now it cannot take; a hub
// that lacks earlier pages has said so once, and has not answered since.
func (a *answerPeer) Meet(ctx context.Context, offer exchange.Offer, _ iter.Seq2[exchange.Batch, error], acked func(journal.Head)) (exchange.State, error) {
	said := lineFunc(func(context.Context, string, func(io.Writer) error) (io.ReadCloser, error) {
		return io.NopCloser(bytes.NewReader(a.p.m.answer)), nil
	})
	self := journal.Identity{Device: a.p.m.For}
	state, err := exchange.Over(said, self, a.p.m.Writer).Meet(ctx, offer, none, acked)
	if gap := (*exchange.GapError)(nil); errors.As(err, &gap) && gap.Have.Seq >= offer.Base.Seq {
		return exchange.State{}, &refusal{a.p.name, fmt.Errorf("%w: it holds this device's log up to page %d only", ErrNoAnswer, gap.Have.Seq),
			"take it the pages after that"}
	}
	return state, err
}

// Fetch yields what is wanted of the logs that came with the answer.
func (a *answerPeer) Fetch(ctx context.Context, wants []exchange.Want) iter.Seq2[exchange.Batch, error] {
	return func(yield func(exchange.Batch, error) bool) {
		for len(wants) > 0 {
			// As many as lie in the order of the parcel are had by reading it once.
			last, n := -1, 0
			for ; n < len(wants); n++ {
				i := slices.IndexFunc(a.p.m.Logs, func(l Log) bool { return l.Base.Device == wants[n].Device })
				own := wants[n].Device == a.p.m.For
				if i < 0 && !own {
					yield(exchange.Batch{}, fmt.Errorf("fetching the log of %s: %w", wants[n].Device, exchange.ErrUnknown))
					return
				}
				if i < 0 || max(wants[n].From, 1) <= a.p.m.Logs[i].Base.Seq {
					// It is the answer to a parcel that had them.
					yield(exchange.Batch{}, &refusal{a.p.name, fmt.Errorf("log of %s: pages from %d are wanted, and are not in this answer: %w",
						wants[n].Device, wants[n].From, journal.ErrGap), "take what is written to the hub, and have it answered"})
					return
				}
				if i <= last {
					break
				}
				last = i
			}
			from := map[journal.ID]uint64{}
			for _, w := range wants[:n] {
				from[w.Device] = w.From
			}
			wants = wants[n:]
			for b, err := range a.p.Batches() {
				if err == nil {
					err = ctx.Err()
				}
				if first, ok := from[b.Identity.Device]; err == nil && (!ok || b.Head.Seq < first) {
					continue
				}
				if !yield(b, err) || err != nil {
					return
				}
			}
		}
	}
}

// A Stick is the way to a hub by parcels that are carried to it and back: in a
// folder on a stick, or one that both can see. It is an exchange.Peer, so
// [exchange.Run] with it does what a sync over a line does, in two halves: it
// leaves what the hub lacks, and takes in what the hub has left when [Visit]
// was there last. Until then it says [ErrNoAnswer].
//
// Its Meet acknowledges what the hub's answer acknowledges, and no more.
type Stick struct {
	Dir    string
	To     journal.Identity // the hub; its answers have to be signed by this key
	Self   journal.Identity
	Signer crypto.Signer // the key of Self
	Now    func() time.Time
	Keys   []age.Identity // open the hub's answers, if they are sealed
	// Options say how parcels for the hub are written. A newer one always
	// replaces the one before.
	Options
	// Carry, if set, is called when there is a parcel for the hub, and goes
	// there and back.
	Carry func(context.Context) error

	answer *answerPeer
}

// stickName is the name of a parcel from one device for another in a folder.
func stickName(dir string, from, to journal.ID) string {
	return filepath.Join(dir, from.String()+"-to-"+to.String())
}

// Hub returns who signs the receipts.
func (s *Stick) Hub() journal.Identity { return s.To }

// Meet leaves a parcel for the hub, and returns what the hub has answered last.
func (s *Stick) Meet(ctx context.Context, offer exchange.Offer, batches iter.Seq2[exchange.Batch, error], acked func(journal.Head)) (exchange.State, error) {
	if err := s.Close(); err != nil {
		return exchange.State{}, err
	}
	d := &draft{self: s.Self, key: s.Signer, now: s.Now(), batches: batches, logs: []Log{{Base: offer.Base, To: offer.Base.Seq}}}
	o := s.Options
	o.Replace = true
	if _, err := d.write(ctx, stickName(s.Dir, s.Self.Device, s.To.Device), o); err != nil {
		return exchange.State{}, err
	}
	if s.Carry != nil {
		if err := s.Carry(ctx); err != nil {
			return exchange.State{}, fmt.Errorf("carrying a parcel: %w", err)
		}
	}
	if err := s.open(ctx); err != nil {
		return exchange.State{}, err
	}
	return s.answer.Meet(ctx, offer, none, acked)
}

// open reads the hub's last answer.
func (s *Stick) open(ctx context.Context) error {
	name := stickName(s.Dir, s.To.Device, s.Self.Device)
	files, err := Files(name)
	if err != nil {
		return err
	}
	if len(files) == 0 {
		return &refusal{s.Dir, ErrNoAnswer, "take it to the hub, have it answered there, and come back"}
	}
	p, err := Open(ctx, files, ReadOptions{Keys: s.Keys, Accept: From(s.To), Temp: s.Temp})
	if err != nil {
		return err
	}
	if !p.m.Writer.Equal(s.To) || p.m.For != s.Self.Device {
		return errors.Join(&refusal{p.name, fmt.Errorf("%w: not the hub's answer to this device", ErrForeign), "take what is written to the hub"}, p.Close())
	}
	s.answer = &answerPeer{p}
	return nil
}

// Fetch yields what is wanted of the logs that came with the hub's answer.
func (s *Stick) Fetch(ctx context.Context, wants []exchange.Want) iter.Seq2[exchange.Batch, error] {
	if s.answer == nil {
		if err := s.open(ctx); err != nil {
			return func(yield func(exchange.Batch, error) bool) { yield(exchange.Batch{}, err) }
		}
	}
	return s.answer.Fetch(ctx, wants)
}

// Close gives up the copy of the hub's answer. The stick can be used again.
func (s *Stick) Close() error {
	if s.answer == nil {
		return nil
	}
	p := s.answer.p
	s.answer = nil
	return p.Close()
}

// A Guest is a device that a hub answers.
type Guest struct {
	Reader exchange.Reader
	Seal   string // the age recipient that its answers are sealed to, if any
}

// A Visited is a device whose parcel was there.
type Visited struct {
	Device  journal.ID
	Request Manifest
	Answer  Written
	Err     error // why it was refused; the others are dealt with
}

var stickFile = regexp.MustCompile(`^([0-9a-f-]{36})-to-([0-9a-f-]{36})(?:\.[1-9][0-9]{0,2}of[1-9][0-9]{0,2})?\.parcel$`)

// Visit does the hub's half at a folder where devices have left parcels: it
// takes them in, and leaves an answer to each. guest says who a device is, or
// why it is not answered.
func Visit(ctx context.Context, dir string, host *exchange.Host, guest func(journal.Identity) (Guest, error), keys []age.Identity, o Options) ([]Visited, error) {
	entries, err := os.ReadDir(dir)
	if err != nil {
		return nil, fmt.Errorf("looking for parcels: %w", err)
	}
	hub := host.Book.Identity().Device
	var out []Visited
	for _, e := range entries {
		m := stickFile.FindStringSubmatch(e.Name())
		if m == nil || m[2] != hub.String() {
			continue
		}
		device, err := journal.ParseID(m[1])
		if err != nil || slices.ContainsFunc(out, func(v Visited) bool { return v.Device == device }) {
			continue // not a device's, or the next part
		}
		v := Visited{Device: device}
		v.Request, v.Answer, v.Err = visit(ctx, dir, device, host, guest, keys, o)
		out = append(out, v)
		if err := ctx.Err(); err != nil {
			return out, err
		}
	}
	return out, nil
}

func visit(ctx context.Context, dir string, device journal.ID, host *exchange.Host, guest func(journal.Identity) (Guest, error), keys []age.Identity, o Options) (Manifest, Written, error) {
	hub := host.Book.Identity().Device
	files, err := Files(stickName(dir, device, hub))
	if err != nil {
		return Manifest{}, Written{}, err
	}
	var g Guest
	known := func(writer, log journal.Identity) error {
		if writer.Device != device || !log.Equal(writer) {
			return errors.New("not the writer's own log")
		}
		return nil
	}
	p, err := Open(ctx, files, ReadOptions{Keys: keys, Accept: known, Temp: o.Temp})
	if err != nil {
		return Manifest{}, Written{}, err
	}
	defer p.Close()
	if p.m.Writer.Device != device {
		return p.m, Written{}, &refusal{p.name, fmt.Errorf("%w: written by %s", ErrForeign, p.m.Writer.Device), "ask who has put it there"}
	}
	if g, err = guest(p.m.Writer); err != nil {
		return p.m, Written{}, &refusal{p.name, fmt.Errorf("%w: %w", ErrForeign, err), "enrol the device if it is one of yours"}
	}
	o.Seal, o.Replace = g.Seal, true
	w, err := Answer(ctx, stickName(dir, hub, device), host, g.Reader, p, o)
	return p.m, w, err
}
