package synctest

import (
	"bytes"
	"crypto"
	"crypto/ed25519"
	"errors"
	"fmt"
	"iter"
	"maps"
	"math/rand/v2"
	"slices"
	"sync"
	"time"

	"pinchrod/store/journal"
)

// What the store says in these cases has a name of its own there.
var (
	// ErrNoPage: no such device, or no page with that number.
	ErrNoPage = errors.New("no such page")
	// ErrForgotten: the job has been forgotten.
	ErrForgotten = errors.New("the job has been forgotten")
)

// A Book is an exchange.Book in memory that keeps the rules of package store.
// It is safe for use by several goroutines.
type Book struct {
	self   journal.Identity
	key    ed25519.PrivateKey
	now    func() time.Time
	faults Faults
	proved map[proof]bool // what was verified before, when books share that; else nil
	mu     sync.Mutex
	disk   disk
}

// A proof is a head that was verified with a key.
type proof struct {
	key  string
	head journal.SignedHead
}

// disk is what a crash leaves.
type disk struct {
	logs      map[journal.ID]*log
	forks     map[journal.SignedHead]bool
	forgotten map[journal.ID]bool
	margin    map[string][]byte
}

// A log is what is held of a device's log. Pages are never written over, so
// copies share them.
type log struct {
	id      journal.Identity
	records []journal.Record     // from page 1; one that is lost with its hash has the zero hash
	jobs    []journal.ID         // of the records that are there in full
	heads   []journal.Hash       // after so many pages; zero when that is lost
	signed  []journal.SignedHead // those that are kept, from head 0 on
}

// A Draft is a page to be.
type Draft struct {
	Job     journal.ID
	Payload []byte
}

// NewBook returns the book of a new device, whose id and key follow from the
// seed.
func NewBook(seed uint64, now func() time.Time) *Book {
	random := rand.NewChaCha8([32]byte{byte(seed), byte(seed >> 8), byte(seed >> 16), byte(seed >> 24), byte(seed >> 32), byte(seed >> 40), byte(seed >> 48), byte(seed >> 56)})
	var secret [ed25519.SeedSize]byte
	random.Read(secret[:])
	key := ed25519.NewKeyFromSeed(secret[:])
	device, err := journal.NewID(now(), random)
	if err != nil {
		panic(err) // the clock of the test
	}
	id, err := journal.NewIdentity(device, key)
	if err != nil {
		panic(err) // the key is one
	}
	return OpenBook(id, key, now)
}

// OpenBook returns the empty book of a device that is known.
func OpenBook(id journal.Identity, key ed25519.PrivateKey, now func() time.Time) *Book {
	return &Book{self: id, key: key, now: now, disk: disk{
		logs:      map[journal.ID]*log{id.Device: newLog(id)},
		forks:     map[journal.SignedHead]bool{},
		forgotten: map[journal.ID]bool{},
		margin:    map[string][]byte{},
	}}
}

func newLog(id journal.Identity) *log {
	h := id.Head()
	return &log{id: id, heads: []journal.Hash{h.Hash}, signed: []journal.SignedHead{h}}
}

func (l *log) last() journal.SignedHead { return l.signed[len(l.signed)-1] }

// headAt returns head seq, and false when it is beyond the log or lost.
func (l *log) headAt(seq uint64) (journal.Head, bool) {
	if seq >= uint64(len(l.heads)) || l.heads[seq] == (journal.Hash{}) {
		return journal.Head{}, false
	}
	return journal.Head{Device: l.id.Device, Seq: seq, Hash: l.heads[seq]}, true
}

func (l *log) clone() *log {
	return &log{l.id, slices.Clone(l.records), slices.Clone(l.jobs), slices.Clone(l.heads), slices.Clone(l.signed)}
}

func (d disk) clone() disk {
	out := disk{map[journal.ID]*log{}, maps.Clone(d.forks), maps.Clone(d.forgotten), maps.Clone(d.margin)}
	for device, l := range d.logs {
		out.logs[device] = l.clone()
	}
	return out
}

// A Copy is a backup of a book.
type Copy struct{ disk disk }

// Backup copies the book as it is.
func (b *Book) Backup() Copy {
	b.mu.Lock()
	defer b.mu.Unlock()
	return Copy{b.disk.clone()}
}

// Restore puts a backup in the book's place. The copy can be used again.
func (b *Book) Restore(c Copy) {
	b.mu.Lock()
	defer b.mu.Unlock()
	b.disk = c.disk.clone()
}

// Identity returns the book's own device.
func (b *Book) Identity() journal.Identity { return b.self }

// Twin returns an empty book of the same device, to restore a backup into.
func (b *Book) Twin() *Book { return OpenBook(b.self, b.key, b.now) }

// Disk returns what makes the book's writes fail.
func (b *Book) Disk() *Faults { return &b.faults }

// Now returns what the book's clock says.
func (b *Book) Now() time.Time { return b.now() }

// Signer returns the device's key.
func (b *Book) Signer() crypto.Signer { return b.key }

// read runs a read.
func (b *Book) read(do func(disk) error) error {
	b.mu.Lock()
	defer b.mu.Unlock()
	if err := b.faults.Read(); err != nil {
		return err
	}
	return do(b.disk)
}

// Devices returns the identities of the logs that are kept, in order.
func (b *Book) Devices() (ids []journal.Identity, err error) {
	err = b.read(func(d disk) error {
		for _, l := range d.logs {
			ids = append(ids, l.id)
		}
		return nil
	})
	slices.SortFunc(ids, func(a, b journal.Identity) int { return a.Device.Compare(b.Device) })
	return ids, err
}

// Heads returns the newest signed head of every log.
func (b *Book) Heads() (heads map[journal.ID]journal.SignedHead, err error) {
	err = b.read(func(d disk) error {
		heads = map[journal.ID]journal.SignedHead{}
		for device, l := range d.logs {
			heads[device] = l.last()
		}
		return nil
	})
	return heads, err
}

// Jobs counts the pages that are held in full, by device and job.
func (b *Book) Jobs() (jobs map[journal.ID]map[journal.ID]uint64, err error) {
	err = b.read(func(d disk) error {
		jobs = map[journal.ID]map[journal.ID]uint64{}
		for device, l := range d.logs {
			for i, r := range l.records {
				if r.Page == nil {
					continue
				}
				if jobs[device] == nil {
					jobs[device] = map[journal.ID]uint64{}
				}
				jobs[device][l.jobs[i]]++
			}
		}
		return nil
	})
	return jobs, err
}

// Scan returns a device's records from a sequence on; those that are lost are
// left out.
func (b *Book) Scan(device journal.ID, from uint64) iter.Seq2[journal.Record, error] {
	return func(yield func(journal.Record, error) bool) {
		var records []journal.Record
		err := b.read(func(d disk) error {
			if l := d.logs[device]; l != nil && from <= uint64(len(l.records)) {
				records = slices.Clone(l.records[max(from, 1)-1:])
			}
			return nil
		})
		if err != nil {
			yield(journal.Record{}, err)
			return
		}
		for _, r := range records {
			if r.Hash != (journal.Hash{}) && !yield(r, nil) {
				return
			}
		}
	}
}

// SignedFrom returns the first signed head at or after a sequence.
func (b *Book) SignedFrom(device journal.ID, seq uint64) (h journal.SignedHead, err error) {
	err = b.read(func(d disk) error {
		l := d.logs[device]
		if l != nil {
			i, _ := slices.BinarySearchFunc(l.signed, seq, func(h journal.SignedHead, seq uint64) int { return int(h.Seq) - int(seq) })
			if i < len(l.signed) {
				h = l.signed[i]
				return nil
			}
		}
		return fmt.Errorf("%w: page %d of %s", ErrNoPage, seq, device)
	})
	return h, err
}

// Append adds pages to the device's own log, all of them or none.
func (b *Book) Append(drafts ...Draft) (journal.SignedHead, error) {
	b.mu.Lock()
	defer b.mu.Unlock()
	if err := b.faults.Read(); err != nil {
		return journal.SignedHead{}, err
	}
	l := b.disk.logs[b.self.Device]
	if len(drafts) == 0 {
		return l.last(), nil
	}
	payload := 0
	for _, d := range drafts {
		payload += len(d.Payload)
	}
	if err := journal.CheckStep(len(drafts), payload); err != nil {
		return journal.SignedHead{}, err
	}
	chain := journal.NewChain(l.last().Head)
	now := b.now().Truncate(time.Millisecond)
	in := intake{}
	for _, d := range drafts {
		if b.disk.forgotten[d.Job] {
			return journal.SignedHead{}, fmt.Errorf("%w: job %s", ErrForgotten, d.Job)
		}
		page, err := journal.Page{Device: b.self.Device, Seq: chain.Head().Seq + 1, Time: now, Job: d.Job, Payload: d.Payload}.Encode()
		if err != nil {
			return journal.SignedHead{}, err
		}
		r := journal.NewRecord(chain.Head().Seq+1, page)
		chain.AddHash(r.Hash)
		in.records = append(in.records, r)
		in.jobs = append(in.jobs, d.Job)
		in.heads = append(in.heads, chain.Head().Hash)
	}
	head, err := journal.Sign(chain.Head(), b.key)
	if err != nil {
		return journal.SignedHead{}, err
	}
	in.head = head
	err = b.faults.Write(func() error {
		l.keep(in)
		return nil
	})
	if err != nil {
		return journal.SignedHead{}, fmt.Errorf("saving: %w", err)
	}
	return head, nil
}

// An intake is a batch that is being taken in.
type intake struct {
	records []journal.Record
	jobs    []journal.ID
	heads   []journal.Hash // after each record
	head    journal.SignedHead
}

// Ingest takes in pages of a device's log, as package store does.
func (b *Book) Ingest(id journal.Identity, records []journal.Record, head journal.SignedHead) (journal.Taken, error) {
	b.mu.Lock()
	defer b.mu.Unlock()
	if err := b.faults.Read(); err != nil {
		return journal.Taken{}, err
	}
	taken, err := b.ingest(id, records, head)
	if err != nil {
		return journal.Taken{}, fmt.Errorf("taking in pages of %s: %w", id.Device, err)
	}
	return taken, nil
}

func (b *Book) ingest(id journal.Identity, records []journal.Record, head journal.SignedHead) (taken journal.Taken, err error) {
	if err := b.verify(id.Head(), id.Key); err != nil {
		return taken, err
	}
	if err := b.verify(head, id.Key); err != nil {
		return taken, err
	}
	in := intake{head: head}
	for i, r := range records {
		if want := records[0].Seq + uint64(i); want == 0 || r.Seq != want {
			return taken, &journal.BreakError{Device: id.Device, Seq: want, Err: fmt.Errorf("%w: page %d comes next", journal.ErrBroken, r.Seq)}
		}
		p, err := r.Open(id.Device)
		if errors.Is(err, journal.ErrNewer) {
			p.Job = journal.Unread
		} else if err != nil && !errors.Is(err, journal.ErrWithheld) {
			return taken, err
		}
		in.jobs = append(in.jobs, p.Job)
	}
	l, known := b.disk.logs[id.Device]
	if !known {
		l = newLog(id)
	} else if !l.id.Equal(id) {
		return taken, fmt.Errorf("%w: another key is known for this device", journal.ErrSignature)
	}
	first := head.Seq + 1
	if len(records) > 0 {
		first = records[0].Seq
	}
	from, ok := l.headAt(first - 1)
	if !ok {
		return taken, fmt.Errorf("%w: pages from %d do not join what is held, up to %d", journal.ErrGap, first, l.last().Seq)
	}
	chain := journal.NewChain(from)
	for _, r := range records {
		chain.AddHash(r.Hash)
		in.heads = append(in.heads, chain.Head().Hash)
	}
	if ours, ok := l.headAt(head.Seq); ok && ours.Hash != head.Hash {
		return taken, b.fork(head, head.Seq)
	}
	if err := chain.Ends(head.Head); err != nil {
		return taken, err
	}
	for i, r := range records {
		if r.Seq > uint64(len(l.records)) {
			break
		}
		held := l.records[r.Seq-1].Hash
		if held != (journal.Hash{}) && held != r.Hash {
			return taken, b.fork(head, r.Seq)
		}
		if ours, ok := l.headAt(r.Seq); ok && ours.Hash != in.heads[i] {
			return taken, b.fork(head, r.Seq)
		}
	}
	in.records = slices.Clone(records)
	changed := !known
	for i := range in.records {
		r := &in.records[i]
		forgotten := r.Page != nil && b.disk.forgotten[in.jobs[i]]
		if forgotten {
			r.Page = nil
		}
		held := journal.Record{}
		if r.Seq <= uint64(len(l.records)) {
			held = l.records[r.Seq-1]
		}
		lost := held.Hash == journal.Hash{}
		switch {
		case held.Seq == 0:
			taken.Added++
			changed = true
		case !lost && (held.Page != nil || r.Page == nil):
			taken.Known++
		case forgotten:
			taken.Known++
			changed = true
		default:
			taken.Filled++
			changed = true
		}
	}
	if !changed {
		return taken, nil
	}
	return taken, b.faults.Write(func() error {
		b.disk.logs[id.Device] = l
		l.keep(in)
		return nil
	})
}

// verify is h.Verify, with what was verified before.
func (b *Book) verify(h journal.SignedHead, key ed25519.PublicKey) error {
	p := proof{string(key), h}
	if b.proved[p] {
		return nil
	}
	err := h.Verify(key)
	if err == nil && b.proved != nil {
		b.proved[p] = true
	}
	return err
}

// fork keeps what contradicts the log, and says so.
func (b *Book) fork(head journal.SignedHead, seq uint64) error {
	err := error(&journal.BreakError{Device: head.Device, Seq: seq, Err: fmt.Errorf(
		"%w: this device has signed two logs; both heads are kept as evidence", journal.ErrFork)})
	return errors.Join(b.faults.Write(func() error {
		b.disk.forks[head] = true
		return nil
	}), err)
}

// keep writes what is new.
func (l *log) keep(in intake) {
	end := uint64(len(l.records))
	proves := in.head.Seq > end // the signed head is one of those that are kept
	for i, r := range in.records {
		if r.Seq > end {
			l.records, l.jobs, l.heads = append(l.records, r), append(l.jobs, in.jobs[i]), append(l.heads, in.heads[i])
			continue
		}
		held := &l.records[r.Seq-1]
		if held.Hash == (journal.Hash{}) {
			proves = proves || r.Seq == in.head.Seq
			l.heads[r.Seq] = in.heads[i]
		} else if held.Page != nil || r.Page == nil {
			continue
		}
		*held, l.jobs[r.Seq-1] = r, in.jobs[i]
	}
	if proves {
		i, _ := slices.BinarySearchFunc(l.signed, in.head.Seq, func(h journal.SignedHead, seq uint64) int { return int(h.Seq) - int(seq) })
		l.signed = slices.Insert(l.signed, i, in.head)
	}
}

// Forget erases a job's pages from every log, and returns how many there were.
func (b *Book) Forget(job journal.ID) (pages int, err error) {
	b.mu.Lock()
	defer b.mu.Unlock()
	if job.IsZero() || job == journal.Unread {
		return 0, fmt.Errorf("forgetting: %w: no job is named", journal.ErrInvalid)
	}
	if err := b.faults.Read(); err != nil || b.disk.forgotten[job] {
		return 0, err
	}
	err = b.faults.Write(func() error {
		b.disk.forgotten[job] = true
		for _, l := range b.disk.logs {
			for i := range l.records {
				if r := &l.records[i]; r.Page != nil && l.jobs[i] == job {
					r.Page, l.jobs[i] = nil, journal.ID{}
					pages++
				}
			}
		}
		return nil
	})
	if err != nil {
		return 0, fmt.Errorf("forgetting job %s: %w", job, err)
	}
	return pages, nil
}

// Forgotten returns the jobs that are forgotten, in order.
func (b *Book) Forgotten() (jobs []journal.ID, err error) {
	err = b.read(func(d disk) error {
		jobs = slices.SortedFunc(maps.Keys(d.forgotten), journal.ID.Compare)
		return nil
	})
	return jobs, err
}

// Margin returns the notes whose names start with prefix.
func (b *Book) Margin(prefix string) (notes map[string][]byte, err error) {
	err = b.read(func(d disk) error {
		notes = map[string][]byte{}
		for name, v := range d.margin {
			if len(name) >= len(prefix) && name[:len(prefix)] == prefix {
				notes[name] = append([]byte{}, v...)
			}
		}
		return nil
	})
	return notes, err
}

// SetMargin writes notes, and deletes those whose value is nil.
func (b *Book) SetMargin(changes map[string][]byte) error {
	b.mu.Lock()
	defer b.mu.Unlock()
	if err := b.faults.Read(); err != nil {
		return err
	}
	changed := false
	for name, v := range changes {
		if name == "" {
			return fmt.Errorf("writing in the margin: %w: a note without a name", journal.ErrInvalid)
		}
		have, ok := b.disk.margin[name]
		changed = changed || (v != nil) != ok || !bytes.Equal(have, v)
	}
	if !changed {
		return nil
	}
	return b.faults.Write(func() error {
		for name, v := range changes {
			if v == nil {
				delete(b.disk.margin, name)
			} else {
				b.disk.margin[name] = append([]byte{}, v...)
			}
		}
		return nil
	})
}

// Forks returns the signed heads that contradict a device's log, kept as
// evidence.
func (b *Book) Forks(device journal.ID) (heads []journal.SignedHead) {
	b.mu.Lock()
	defer b.mu.Unlock()
	for h := range b.disk.forks {
		if h.Device == device {
			heads = append(heads, h)
		}
	}
	slices.SortFunc(heads, func(a, b journal.SignedHead) int {
		return bytes.Compare(fmt.Appendf(nil, "%020d%s", a.Seq, a.Hash), fmt.Appendf(nil, "%020d%s", b.Seq, b.Hash))
	})
	return heads
}

// Lose makes pages of a log as they are after a recovery of a damaged file:
// lost with their hashes. It takes whole signed steps: those that end at from
// to to. The last step of a log cannot be lost so, for the log would then end
// before it.
func (b *Book) Lose(device journal.ID, from, to uint64) error {
	b.mu.Lock()
	defer b.mu.Unlock()
	l := b.disk.logs[device]
	if l == nil || to >= l.last().Seq {
		return fmt.Errorf("losing pages: %w: not within a log", journal.ErrInvalid)
	}
	i := slices.IndexFunc(l.signed, func(h journal.SignedHead) bool { return h.Seq >= from })
	j := slices.IndexFunc(l.signed, func(h journal.SignedHead) bool { return h.Seq > to })
	if i < 1 || i >= j {
		return fmt.Errorf("losing pages: %w: no signed step from %d to %d", journal.ErrInvalid, from, to)
	}
	first, last := l.signed[i-1].Seq+1, l.signed[j-1].Seq
	for seq := first; seq <= last; seq++ {
		l.records[seq-1], l.jobs[seq-1] = journal.Record{Seq: seq}, journal.ID{}
		if seq < last {
			l.heads[seq] = journal.Hash{}
		}
	}
	l.signed = slices.Delete(l.signed, i, j)
	return nil
}
