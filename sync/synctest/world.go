package synctest

import (
	"bytes"
	"context"
	"crypto"
	"errors"
	"fmt"
	"slices"
	"strings"
	"time"

	"pinchrod/store/journal"
	"pinchrod/sync/exchange"
)

// A Node is a book and the process that holds it, which can be made to fail.
// A *Book is one.
type Node interface {
	exchange.Book
	Signer() crypto.Signer
	Append(drafts ...Draft) (journal.SignedHead, error)
	// Disk makes writes fail.
	Disk() *Faults
	// Restart starts the process again, with room on its disk.
	Restart() error
	// Copy backs the book up; restore puts the copy in its place.
	Copy() (restore func() error, err error)
	// Evidence counts the forks of a device's log that are known here.
	Evidence(device journal.ID) (int, error)
}

// Restart starts the process again.
func (b *Book) Restart() error {
	b.faults.Clear()
	return nil
}

// Copy backs the book up.
func (b *Book) Copy() (restore func() error, err error) {
	c := b.Backup()
	return func() error {
		b.Restore(c)
		return nil
	}, nil
}

// Evidence counts the forks of a device's log.
func (b *Book) Evidence(device journal.ID) (int, error) { return len(b.Forks(device)), nil }

// A rig is what a simulation is made of. The zero value has sound parts.
type rig struct {
	node func(seed uint64, now func() time.Time, hub bool) (Node, error)
	peer func(device Node, p exchange.Peer) exchange.Peer
	who  func(exchange.Reader) exchange.Reader
}

// A world is a simulation under way.
type world struct {
	rig
	trace   *Trace
	clock   time.Time
	hub     *member
	devices []*member
	rights  map[journal.ID]exchange.Reader // as the hub has it
	ever    map[journal.ID]exchange.Reader // all that a device was ever allowed
	retired []*member                      // devices that go on under another name
	parcels []*parcel
	entries []*entry
	forgot  map[journal.ID]bool // jobs that the hub has ever forgotten
	revoked map[share]bool      // rights that were taken away
	proved  map[proof]bool
	made    uint64
	copied  bool // a device was restored, so logs may fork
}

// A member is the hub or a device.
type member struct {
	Node
	name   string
	offset time.Duration // of its clock
	line   *Line
	peer   exchange.Peer
	down   bool
	backup *backup
	acked  uint64 // up to this page the hub has said that it is on its disk
}

func (m *member) id() journal.ID { return m.Identity().Device }

type backup struct {
	restore func() error
	seq     uint64 // where the member's own log stood
}

// An entry is one page that was to be written. Its text is on no other.
type entry struct {
	text   string
	job    journal.ID
	device journal.ID // whose log it is in
	seq    uint64     // its place, once it was acknowledged
	acked  bool
	lost   bool       // nobody could have it any more
	before journal.ID // the log it was in before its device was renewed
}

// A share is one job's part of one device's log.
type share struct{ device, job journal.ID }

// A parcel is batches on their way.
type parcel struct {
	from string
	to   journal.ID
	body []byte
}

// Jobs of the simulation; the zero ID for pages of no job.
var worldJobs = []journal.ID{{}, jobA, jobB, jobC}

// newWorld sets a simulation up.
func newWorld(s Schedule, parts rig, t *Trace) (*world, error) {
	w := &world{
		rig: parts, trace: t,
		clock:   time.UnixMilli(1645557742000).UTC(),
		rights:  map[journal.ID]exchange.Reader{},
		ever:    map[journal.ID]exchange.Reader{},
		forgot:  map[journal.ID]bool{},
		revoked: map[share]bool{},
		proved:  map[proof]bool{},
		made:    s.Seed << 16,
	}
	if w.node == nil {
		w.node = func(seed uint64, now func() time.Time, _ bool) (Node, error) {
			b := NewBook(seed, now)
			b.proved = w.proved
			return b, nil
		}
	}
	hub, err := w.member("the hub", true)
	if err != nil {
		return nil, err
	}
	w.hub = hub
	for i := range s.Devices {
		d, err := w.member(fmt.Sprint(i), false)
		if err != nil {
			return nil, err
		}
		r := exchange.Reader{Identity: d.Identity(), All: i%3 == 0, Jobs: map[journal.ID]bool{}}
		if !r.All {
			r.Jobs[worldJobs[1+i%3]] = true
		}
		w.enrol(d, r)
		w.devices = append(w.devices, d)
	}
	return w, nil
}

func (w *world) member(name string, hub bool) (*member, error) {
	w.made++
	m := &member{name: name}
	var err error
	m.Node, err = w.node(w.made, func() time.Time { return w.clock.Add(m.offset) }, hub)
	return m, err
}

// enrol makes a device known at the hub, and the hub to it.
func (w *world) enrol(d *member, r exchange.Reader) {
	id := d.id()
	w.allow(id, r)
	d.line = &Line{
		Host: w.host(),
		Who: func() exchange.Reader {
			if w.who != nil {
				return w.who(w.rights[id])
			}
			return w.rights[id]
		},
		Dead:  w.hub.Disk().Dead,
		Sleep: func(d time.Duration) { w.clock = w.clock.Add(d) },
	}
	d.peer = exchange.Over(d.line, d.Identity(), w.hub.Identity())
	if w.rig.peer != nil {
		d.peer = w.rig.peer(d.Node, d.peer)
	}
}

func (w *world) host() *exchange.Host {
	return &exchange.Host{
		Book: w.hub, Signer: w.hub.Signer(),
		Now: func() time.Time { return w.clock.Add(w.hub.offset) },
		// Who writes to a job may read it.
		Wrote: func(who exchange.Reader, jobs []journal.ID) (exchange.Reader, error) {
			r := w.rights[who.Identity.Device]
			for _, job := range jobs {
				r.Jobs[job] = true
				delete(w.revoked, share{who.Identity.Device, job})
			}
			w.allow(who.Identity.Device, r)
			who.Jobs = r.Jobs
			return who, nil
		},
	}
}

// allow sets a device's rights.
func (w *world) allow(device journal.ID, r exchange.Reader) {
	w.rights[device] = r
	ever, ok := w.ever[device]
	if !ok {
		ever.Jobs = map[journal.ID]bool{}
	}
	ever.All = ever.All || r.All
	for job, may := range r.Jobs {
		ever.Jobs[job] = ever.Jobs[job] || may
	}
	w.ever[device] = ever
}

// everyone returns the devices and the hub.
func (w *world) everyone() []*member { return append(w.devices[:len(w.devices):len(w.devices)], w.hub) }

// A violation is what must not happen.
type violation struct{ error }

func violates(format string, args ...any) error { return violation{fmt.Errorf(format, args...)} }

// step does one step, and says in a few words what came of it.
func (w *world) step(s Step) (string, error) {
	w.clock = w.clock.Add(time.Second)
	d := w.devices[int(s.A)%len(w.devices)]
	m := w.everyone()[int(s.A)%(len(w.devices)+1)]
	switch s.Op {
	case OpAppend:
		return w.append(d, int(1+s.B%3), worldJobs[s.C%4], "", s.D)
	case OpStrike:
		if len(w.entries) == 0 {
			return "nothing to strike", nil
		}
		e := w.entries[int(s.B)%len(w.entries)]
		struck, _, _ := strings.Cut(e.text, " ")
		return w.append(d, 1, e.job, " strikes "+struck, s.D)
	case OpSync:
		return w.sync(d, s)
	case OpBackup, OpHubBackup:
		if s.Op == OpHubBackup {
			d = w.hub
		}
		restore, err := d.Copy()
		if err != nil {
			return "", err
		}
		head, err := w.head(d, d.id())
		d.backup = &backup{restore, head.Seq}
		return fmt.Sprintf("at page %d", head.Seq), err
	case OpRestore:
		return w.restore(d)
	case OpHubRestore:
		return w.restoreHub()
	case OpParcel:
		return w.pack(m, w.everyone()[int(s.B)%(len(w.devices)+1)], s.C)
	case OpDeliver:
		return w.deliver(s)
	case OpReplay:
		if len(d.line.Sent) == 0 {
			return "no request", nil
		}
		w.trace.count("request replayed")
		r := d.line.Sent[int(s.B)%len(d.line.Sent)]
		d.line.Replay(context.Background(), r)
		return fmt.Sprintf("%s, %d bytes", r.Verb, len(r.Body)), nil
	case OpRelease:
		n := 0
		for _, d := range slices.Concat(w.devices, w.retired) {
			n += d.line.Release(context.Background())
		}
		w.trace.add("request late", n)
		return fmt.Sprintf("%d requests", n), nil
	case OpForget:
		return w.forget(worldJobs[1+s.B%3], s.D)
	case OpGrant:
		return w.grant(d, s)
	case OpClock:
		m.offset += time.Duration(int32(s.B)%(40*24*60*60)) * time.Second
		w.trace.count("clock step")
		return fmt.Sprintf("the clock of %s is off by %s", m.name, m.offset), nil
	case OpDown, OpUp:
		d.down = s.Op == OpDown
		return "", nil
	}
	return "", fmt.Errorf("no such step: %v", s)
}

// failing sets a fault of a node's disk up, and returns whether there is one.
func failing(n Node, which, when uint32) bool {
	after := int(when>>1) % 4 * int(when>>3&1) // mostly the next write
	switch which {
	case 0:
		n.Disk().Crash(after, when&1 == 1)
	case 1:
		n.Disk().Full(after)
	default:
		return false
	}
	return true
}

// settle has a member on its feet again after a step, and counts what the disk
// did.
func (w *world) settle(m *member) error {
	if m.Disk().Dead() {
		w.trace.count("crash of " + m.kind())
	}
	if m.Disk().Refused() {
		w.trace.count("disk full at " + m.kind())
	}
	return m.Restart()
}

func (m *member) kind() string {
	if m.line == nil {
		return "hub"
	}
	return "device"
}

// append has a device write entries.
func (w *world) append(d *member, n int, job journal.ID, more string, fault uint32) (string, error) {
	var drafts []Draft
	var entries []*entry
	for range n {
		e := &entry{text: fmt.Sprintf("e%d%s", len(w.entries), more), job: job, device: d.id()}
		w.entries = append(w.entries, e)
		entries = append(entries, e)
		drafts = append(drafts, Draft{job, []byte(e.text)})
	}
	failing(d, fault%8, fault>>3&1)
	head, err := d.Append(drafts...)
	what := fmt.Sprintf("%d up to page %d", n, head.Seq)
	if err != nil {
		what = err.Error()
	}
	for i, e := range entries {
		if e.acked = err == nil; e.acked {
			e.seq = head.Seq - uint64(n-1-i)
		}
	}
	if more != "" && err == nil {
		w.trace.count("strike")
	}
	switch {
	case err == nil:
		w.trace.add("entry", n)
	case !errors.Is(err, ErrCrashed) && !errors.Is(err, ErrFull) && !errors.Is(err, ErrForgotten):
		return what, violates("appending: %w", err)
	}
	return what, w.settle(d)
}

// script turns a step's numbers into what happens on the line.
func script(b, c uint32) (round int, f Fault) {
	at := int(c % (1 << (b>>6%11 + 1)))
	flip := byte(1) << (b >> 10 % 8)
	switch b % 16 {
	case 0, 1:
		f.Request = Harm{Cut: true, At: at}
		if b>>13&1 == 1 {
			f.Answer = Harm{Cut: true}
		}
	case 2, 3:
		f.Answer = Harm{Cut: true, At: at}
	case 4:
		f.Request = Harm{Flip: flip, At: at}
	case 5:
		f.Answer = Harm{Flip: flip, At: at}
	case 6:
		f.Hold = true
	case 7:
		f.Twice = true
	case 8:
		f.Delay = time.Duration(c%100000) * time.Millisecond
	}
	return int(b >> 4 % 3), f
}

// sync has a device meet the hub.
func (w *world) sync(d *member, s Step) (string, error) {
	round, fault := script(s.B, s.C)
	troubled := d.down
	rounds := 0
	d.line.Fault = func(string) Fault {
		if d.down {
			w.trace.count("line down")
			return Fault{Down: true}
		}
		rounds++
		if rounds-1 == round {
			return fault
		}
		return Fault{}
	}
	flipped := fault.Answer.Flip != 0
	switch s.D % 8 {
	case 0, 1:
		troubled = failing(d, s.D%8, s.D>>3) || troubled
	case 2, 3:
		troubled = failing(w.hub, s.D%8-2, s.D>>3) || troubled
	}
	acked := uint64(0)
	out, err := exchange.Run(context.Background(), d, d.peer, exchange.Progress{Sent: func(h journal.Head) { acked = max(acked, h.Seq) }})
	d.line.Fault = nil
	if rounds > round {
		troubled = troubled || fault != Fault{} && fault.Delay == 0
		w.countFault(d.line, fault)
	}
	w.trace.add("page sent", out.Sent)
	w.trace.add("page received", out.Received)
	w.trace.add("own page fetched back", out.Own)
	w.trace.add("page of a forgotten job erased", out.Forgot)
	w.trace.add("fork told to a reader", len(out.Forked))
	what := fmt.Sprintf("sent %d, received %d, own %d", out.Sent, out.Received, out.Own)
	if err != nil {
		what += ": " + err.Error()
	}
	switch {
	case errors.Is(err, journal.ErrFork):
		w.trace.count("fork refused")
	case err != nil && !troubled:
		return what, violates("a sync without any fault failed: %w", err)
	}
	if err := errors.Join(w.settle(d), w.settle(w.hub)); err != nil {
		return what, err
	}
	if !flipped {
		d.acked = max(d.acked, acked)
	}
	if err == nil {
		d.acked = max(d.acked, out.Receipt.Head.Seq)
		if n := len(out.State.Logs); !troubled && n == 0 && out.Sent+out.Received == 0 {
			w.trace.count("nothing new")
		}
	}
	return what, nil
}

// countFault counts a line's fault if it came about.
func (w *world) countFault(l *Line, f Fault) {
	for _, x := range []struct {
		name string
		is   bool
	}{
		{"request cut", f.Request.Cut && l.Hit.Request},
		{"answer cut", f.Answer.Cut && l.Hit.Answer},
		{"request flipped", f.Request.Flip != 0 && l.Hit.Request},
		{"answer flipped", f.Answer.Flip != 0 && l.Hit.Answer},
		{"request held up", f.Hold},
		{"request twice", f.Twice},
		{"delay", f.Delay > 0},
	} {
		if x.is {
			w.trace.count(x.name)
		}
	}
}

// head returns where a log stands at a member.
func (w *world) head(m *member, device journal.ID) (journal.Head, error) {
	heads, err := m.Heads()
	return heads[device].Head, err
}

// records returns what a member holds of a log.
func records(n Node, device journal.ID) (out []journal.Record, err error) {
	for r, err := range n.Scan(device, 1) {
		if err != nil {
			return nil, err
		}
		if r.Seq != uint64(len(out)+1) {
			return nil, violates("a gap before page %d", r.Seq)
		}
		out = append(out, r)
	}
	return out, nil
}

// restore makes a device an older copy of itself. What it had written since,
// and the hub has not, is gone.
func (w *world) restore(d *member) (string, error) {
	if d.backup == nil {
		return "no copy", nil
	}
	if err := d.backup.restore(); err != nil {
		return "", err
	}
	w.copied = true
	w.trace.count("device restored")
	held, err := records(w.hub, d.id())
	if err != nil {
		return "", err
	}
	lost := 0
	for _, e := range w.entries {
		if e.device == d.id() && e.acked && e.seq > d.backup.seq &&
			(e.seq > uint64(len(held)) || textOf(held[e.seq-1]) != e.text) {
			e.lost = true
			lost++
		}
	}
	w.trace.add("entry that only the lost store had", lost)
	return fmt.Sprintf("to page %d, %d entries are lost", d.backup.seq, lost), nil
}

// textOf returns what an entry's page says; empty when it is not there.
func textOf(r journal.Record) string {
	p, err := r.Decode()
	if err != nil {
		return ""
	}
	return string(p.Payload)
}

// restoreHub makes the hub an older copy of itself. What it has acknowledged
// since is its word no more; the devices have it still.
func (w *world) restoreHub() (string, error) {
	if w.hub.backup == nil {
		return "no copy", nil
	}
	if err := w.hub.backup.restore(); err != nil {
		return "", err
	}
	w.trace.count("hub restored")
	for _, d := range slices.Concat(w.devices, w.retired) {
		h, err := w.head(w.hub, d.id())
		if err != nil {
			return "", err
		}
		d.acked = min(d.acked, h.Seq)
	}
	return "", nil
}

// pack makes a parcel of all logs that a member holds, as another may have
// them: from their start, or from somewhere.
func (w *world) pack(from, to *member, start uint32) (string, error) {
	if from == to {
		return "to itself", nil
	}
	reader := exchange.Reader{All: true}
	if to != w.hub {
		reader = w.rights[to.id()]
	}
	var body bytes.Buffer
	out := exchange.NewWriter(&body)
	ids, err := from.Devices()
	if err != nil {
		return "", err
	}
	pages := 0
	for _, id := range ids {
		first := uint64(1)
		if start%3 == 0 {
			first += uint64(start>>2) % 8
		}
		for b, err := range exchange.Batches(from, id, first, reader) {
			if err == nil {
				err = out.Batch(b)
			}
			if err != nil {
				return "", err
			}
			pages += len(b.Records)
		}
	}
	if err := errors.Join(out.End(), out.Flush()); err != nil {
		return "", err
	}
	if w.parcels = append(w.parcels, &parcel{from.name, to.id(), body.Bytes()}); len(w.parcels) > 6 {
		w.parcels = w.parcels[1:]
	}
	w.trace.count("parcel")
	return fmt.Sprintf("from %s to %s, %d pages", from.name, to.name, pages), nil
}

// deliver has a parcel arrive, or a part of it.
func (w *world) deliver(s Step) (string, error) {
	if len(w.parcels) == 0 {
		return "no parcel", nil
	}
	i := len(w.parcels) - 1 - int(s.A)%len(w.parcels)
	p := w.parcels[i]
	body := p.body
	if s.B%4 == 0 {
		body = body[:int(s.B>>2)%len(body)]
		w.trace.count("parcel in part")
	}
	if s.C%3 > 0 {
		w.parcels = append(w.parcels[:i:i], w.parcels[i+1:]...)
	} else {
		w.trace.count("parcel again")
	}
	for _, m := range w.everyone() {
		if m.id() == p.to {
			failing(m, s.D%8, s.D>>3)
			return w.open(m, p, body)
		}
	}
	return "its device is gone", nil
}

// open takes in what is in a parcel.
func (w *world) open(m *member, p *parcel, body []byte) (string, error) {
	taken, refused := 0, 0
	var failed error
	for b, err := range exchange.NewFrameReader(bytes.NewReader(body), m.Identity()).Batches() {
		if err != nil {
			break // it ends here
		}
		t, err := m.Ingest(b.Identity, b.Records, b.Head)
		switch {
		case errors.Is(err, ErrCrashed), errors.Is(err, ErrFull):
			failed = err
		case errors.Is(err, journal.ErrFork), errors.Is(err, journal.ErrGap), errors.Is(err, journal.ErrBroken):
			refused++
		case err != nil:
			return "", violates("a parcel: %w", err)
		}
		if failed != nil {
			break
		}
		taken += t.Added + t.Filled
	}
	w.trace.add("page from a parcel", taken)
	return fmt.Sprintf("from %s to %s: took %d pages, refused %d batches, %v", p.from, m.name, taken, refused, failed), w.settle(m)
}

// forget has the hub forget a job.
func (w *world) forget(job journal.ID, fault uint32) (string, error) {
	failing(w.hub, fault%8, fault>>3)
	n, err := w.hub.Forget(job)
	if err == nil {
		w.trace.count("job forgotten")
	}
	if err := w.settle(w.hub); err != nil {
		return "", err
	}
	gone, err2 := w.hub.Forgotten()
	for _, job := range gone {
		w.forgot[job] = true
	}
	return fmt.Sprintf("%d pages, %v", n, err), err2
}

// grant changes a device's rights.
func (w *world) grant(d *member, s Step) (string, error) {
	r := w.rights[d.id()]
	job := worldJobs[1+s.C%3]
	switch s.B % 3 {
	case 0:
		r.All = !r.All
	case 1:
		r.Jobs[job] = true
	default:
		delete(r.Jobs, job)
		w.revoked[share{d.id(), job}] = true
	}
	w.allow(d.id(), r)
	w.trace.count("rights changed")
	return fmt.Sprintf("all %v, %d jobs", r.All, len(r.Jobs)), nil
}
