package synctest

import (
	"context"
	"errors"
	"fmt"
	"slices"

	"pinchrod/store/journal"
	"pinchrod/sync/exchange"
)

// passes bounds how often every device syncs until nothing is new to anybody:
// in the first pass all give what they have, in the second all get it, in the
// third there is nothing. A device that goes on under a new name begins again.
const passes = 4

// heal ends all trouble: whatever is on its way arrives, every device sends
// the hub a parcel, and all sync until nothing is new. Then everything is
// checked.
func (w *world) heal() error {
	for _, m := range w.everyone() {
		m.down = false
		if err := m.Restart(); err != nil {
			return err
		}
	}
	for _, d := range slices.Concat(w.devices, w.retired) {
		d.line.Release(context.Background())
	}
	for len(w.parcels) > 0 {
		if _, err := w.deliver(Step{B: 1, C: 1, D: 7}); err != nil {
			return err
		}
	}
	for _, d := range w.devices {
		if _, err := w.pack(d, w.hub, 1); err != nil {
			return err
		}
		if _, err := w.deliver(Step{B: 1, C: 1, D: 7}); err != nil {
			return err
		}
	}
	var forked map[journal.ID][]journal.ID // by device, the logs that it was told of
	for pass, renewed := 1, 0; ; pass++ {
		if pass > passes+renewed {
			return violates("after %d passes there is still something new", pass-1)
		}
		news := false
		forked = map[journal.ID][]journal.ID{}
		for i, d := range w.devices {
			out, err := exchange.Run(context.Background(), d, d.peer, exchange.Progress{})
			switch {
			case errors.Is(err, journal.ErrFork) && w.copied:
				w.trace.note("heal", "%s has forked: %v", d.name, err)
				if w.devices[i], err = w.renew(d); err != nil {
					return err
				}
				renewed++
				news = true
				continue
			case err != nil:
				return violates("healing, device %s: %w", d.name, err)
			}
			w.trace.add("fork told to a reader", len(out.Forked))
			for _, err := range out.Forked {
				var at *journal.BreakError
				if !errors.As(err, &at) {
					return violates("a fork that does not say of what: %w", err)
				}
				forked[d.id()] = append(forked[d.id()], at.Device)
			}
			if out.Sent+out.Received+out.Own+out.Forgot > 0 {
				news = true
			}
		}
		if !news {
			break
		}
	}
	for _, d := range w.devices {
		out, err := exchange.Run(context.Background(), d, d.peer, exchange.Progress{})
		if err != nil || len(forked[d.id()]) == 0 && len(out.State.Logs) > 0 {
			return violates("device %s: the state comes again though nothing is new: %w", d.name, err)
		}
		if r, ok, err := exchange.Confirmed(d, w.hub.Identity()); err != nil || !ok || r.Head != out.Receipt.Head {
			return violates("device %s: confirmed %+v, %v, %v", d.name, r.Head, ok, err)
		}
	}
	return w.check(forked)
}

// renew has a device that the hub refuses go on under a new name: what the hub
// has not of its log is written again. There has to be evidence at the hub.
func (w *world) renew(d *member) (*member, error) {
	w.trace.count("device renewed")
	n, err := w.hub.Evidence(d.id())
	if err != nil {
		return nil, err
	}
	if n == 0 {
		return nil, violates("device %s was refused for a fork, and the hub has no evidence", d.name)
	}
	own, err := records(d, d.id())
	if err != nil {
		return nil, err
	}
	held, err := records(w.hub, d.id())
	if err != nil {
		return nil, err
	}
	fresh, err := w.member(d.name+"'", false)
	if err != nil {
		return nil, err
	}
	differs := false
	for i, r := range own {
		if i < len(held) && held[i].Hash == r.Hash && (held[i].Page != nil || r.Page == nil) {
			continue
		}
		differs = differs || i < len(held) && held[i].Hash != r.Hash
		p, err := r.Decode()
		if errors.Is(err, journal.ErrWithheld) {
			continue
		}
		if err != nil {
			return nil, violates("page %d of %s: %w", i+1, d.name, err)
		}
		head, err := fresh.Append(Draft{p.Job, p.Payload})
		if err != nil {
			return nil, err
		}
		for _, e := range w.entries {
			if e.text == string(p.Payload) {
				e.before, e.device, e.seq, e.acked, e.lost = e.device, fresh.id(), head.Seq, true, false
			}
		}
	}
	if !differs {
		return nil, violates("device %s was refused for a fork, and there is none", d.name)
	}
	r := w.rights[d.id()]
	w.enrol(fresh, exchange.Reader{Identity: fresh.Identity(), All: r.All, Jobs: r.Jobs})
	w.retired = append(w.retired, d)
	return fresh, nil
}

// A place is where a page lies.
type place struct {
	device journal.ID
	seq    uint64
}

// check checks what has to hold when all is healed.
func (w *world) check(forked map[journal.ID][]journal.ID) error {
	gone, err := w.hub.Forgotten()
	if err != nil {
		return err
	}
	forgotten := map[journal.ID]bool{}
	for _, job := range gone {
		forgotten[job] = true
	}
	jobs, err := w.hub.Jobs()
	if err != nil {
		return err
	}
	for _, d := range w.devices {
		for job := range jobs[d.id()] {
			if !job.IsZero() && !w.forgot[job] && !w.rights[d.id()].Jobs[job] && !w.revoked[share{d.id(), job}] {
				return violates("device %s wrote to job %s, and may not read it", d.name, job)
			}
		}
	}
	found := map[string][]place{} // by text, over all books
	for _, m := range w.everyone() {
		if err := w.checkBook(m, forgotten, forked[m.id()], found); err != nil {
			return err
		}
	}
	for _, e := range w.entries {
		places := found[e.text]
		delete(found, e.text)
		if !e.before.IsZero() {
			// Others may hold the page that was written first.
			kept := places[:0]
			for _, p := range places {
				if p.device != e.before {
					kept = append(kept, p)
				}
			}
			places = kept
		}
		switch {
		case len(places) > 1:
			return violates("entry %q is there %d times: %v", e.text, len(places), places)
		case len(places) == 1 && e.acked && !e.lost && places[0] != place{e.device, e.seq}:
			return violates("entry %q is at %v, and was acknowledged at page %d of %s", e.text, places[0], e.seq, e.device)
		case len(places) == 0 && e.acked && !e.lost && !w.forgot[e.job]:
			return violates("entry %q, acknowledged at page %d of %s, is lost", e.text, e.seq, e.device)
		}
	}
	for text, places := range found {
		return violates("nobody wrote %q at %v", text, places)
	}
	return nil
}

// checkBook checks all logs in a book: that they hold by themselves, that the
// book has what the hub may show, and nothing that it was never allowed.
func (w *world) checkBook(m *member, forgotten map[journal.ID]bool, forked []journal.ID, found map[string][]place) error {
	fail := func(id journal.Identity, format string, args ...any) error {
		return violates("%s, log of %s: %w", m.name, id.Device, fmt.Errorf(format, args...))
	}
	ids, err := w.hub.Devices()
	if err != nil {
		return err
	}
	theirs, err := m.Devices()
	if err != nil {
		return err
	}
	heads, err := m.Heads()
	if err != nil {
		return err
	}
	isHub := m == w.hub
	reader := exchange.Reader{All: true}
	if !isHub {
		reader = w.rights[m.id()]
	}
	for _, id := range union(ids, theirs) {
		pages, err := records(m, id.Device)
		if err != nil {
			return err
		}
		if err := w.checkLog(id, pages, heads[id.Device]); err != nil {
			return fail(id, "%w", err)
		}
		atHub, err := records(w.hub, id.Device)
		if err != nil {
			return err
		}
		disputed := false
		for i := range min(len(pages), len(atHub)) {
			disputed = disputed || pages[i].Hash != atHub[i].Hash
		}
		own := id.Device == m.id()
		shown := own || reader.All && len(atHub) > 0
		may := func(r journal.Record) bool {
			p, err := r.Decode()
			return err == nil && (own || reader.All || p.Job.IsZero() || reader.Jobs[p.Job])
		}
		for _, r := range atHub {
			if p, err := r.Decode(); err == nil && !p.Job.IsZero() && may(r) {
				shown = true
			}
		}
		if disputed {
			// Told, if the hub shows the log; and proved in any case.
			ours, err := m.Evidence(id.Device)
			if err != nil {
				return err
			}
			hubs, err := w.hub.Evidence(id.Device)
			if err != nil {
				return err
			}
			told := false
			for _, device := range forked {
				told = told || device == id.Device
			}
			if !w.copied || own || shown && !told || ours+hubs == 0 {
				return fail(id, "it is another than at the hub, and this was told: %v, with evidence of %d and %d", told, ours, hubs)
			}
			continue
		}
		if shown && len(pages) != len(atHub) || len(pages) > len(atHub) {
			return fail(id, "%d pages are here, %d at the hub", len(pages), len(atHub))
		}
		for i, r := range pages {
			if shown && r.Page == nil && atHub[i].Page != nil && may(atHub[i]) {
				if p, _ := atHub[i].Decode(); !w.forgot[p.Job] {
					return fail(id, "page %d is withheld, and may be read", i+1)
				}
			}
			if r.Page == nil {
				continue
			}
			p, err := r.Decode()
			if err != nil {
				return fail(id, "page %d: %w", i+1, err)
			}
			ever := w.ever[m.id()]
			if !isHub && !own && !ever.All && !p.Job.IsZero() && !ever.Jobs[p.Job] {
				return fail(id, "page %d is of a job that was never allowed", i+1)
			}
			if forgotten[p.Job] {
				return fail(id, "page %d is of a forgotten job", i+1)
			}
			if own && atHub[i].Page == nil {
				return fail(id, "page %d is at the hub as its hash only", i+1)
			}
			if err := w.checkEntry(p); err != nil {
				return fail(id, "%w", err)
			}
			at := place{id.Device, r.Seq}
			known := false
			for _, p := range found[string(p.Payload)] {
				known = known || p == at
			}
			if !known {
				found[string(p.Payload)] = append(found[string(p.Payload)], at)
			}
		}
	}
	return nil
}

func union(a, b []journal.Identity) []journal.Identity {
	out := a
	for _, id := range b {
		known := false
		for _, x := range a {
			known = known || x.Device == id.Device
		}
		if !known {
			out = append(out, id)
		}
	}
	return out
}

// checkLog checks that a log's pages are chained up to its head, and signed.
func (w *world) checkLog(id journal.Identity, pages []journal.Record, head journal.SignedHead) error {
	chain := journal.NewChain(id.Head().Head)
	for _, r := range pages {
		if err := chain.Add(r); err != nil {
			return err
		}
	}
	if len(pages) == 0 && head.Device.IsZero() {
		return nil // not known here
	}
	if err := chain.Ends(head.Head); err != nil {
		return err
	}
	if p := (proof{string(id.Key), head}); !w.proved[p] {
		if err := head.Verify(id.Key); err != nil {
			return err
		}
		w.proved[p] = true
	}
	return nil
}

// checkEntry checks that a page says what was written.
func (w *world) checkEntry(p journal.Page) error {
	n := 0
	if _, err := fmt.Sscanf(string(p.Payload), "e%d", &n); err != nil || n >= len(w.entries) {
		return fmt.Errorf("page %d says %q", p.Seq, p.Payload)
	}
	if e := w.entries[n]; e.text != string(p.Payload) || e.job != p.Job {
		return fmt.Errorf("page %d says %q for job %s, and it was %q for job %s", p.Seq, p.Payload, p.Job, e.text, e.job)
	}
	return nil
}
