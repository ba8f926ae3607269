package hub

import (
	"bytes"
	"crypto/ed25519"
	"crypto/rand"
	"crypto/sha256"
	"crypto/subtle"
	"encoding/hex"
	"errors"
	"fmt"
	"io"
	"maps"
	"slices"
	"strings"
	"sync"
	"time"
	"unicode"
	"unicode/utf8"

	"pinchrod/store/journal"
	"pinchrod/sync/exchange"
	"pinchrod/sync/hub/door"
)

// A Device is one that has joined.
type Device struct {
	Identity journal.Identity
	Name     string
	Role     door.Role
	Jobs     []journal.ID // that it was put on
	Began    []journal.ID // whose first page here it wrote; it is on these too
	Off      []journal.ID // that it was taken off again
	Enrolled time.Time
	Revoked  time.Time    // zero while it is let in
	Seen     time.Time    // when it last met the hub; zero for never
	Head     journal.Head // what its last receipt says
}

// Terms are what an invitation offers.
type Terms struct {
	Role  door.Role
	Jobs  []journal.ID
	Name  string        // what to call the device, if it does not say
	Lasts time.Duration // [DefaultLasts] when 0, at most [MaxLasts]
}

// How long an invitation is open. Common practice, no source: a day gives time
// to hand it over, and what is not used within a month is forgotten about.
const (
	DefaultLasts = 24 * time.Hour
	MaxLasts     = 30 * 24 * time.Hour
)

// An Invited is an invitation that has been made. Its secret is not kept.
type Invited struct {
	Terms
	Made    time.Time
	Expires time.Time
	Used    journal.ID // the device that joined by it; zero while it is open
}

// A Roster knows who is enrolled at a hub, and what each may read. It is kept
// in the margin of the hub's book; every change is on disk before it counts.
// It is safe for use by several goroutines. One process uses it at a time,
// which the lock on the book sees to.
type Roster struct {
	book exchange.Book
	now  func() time.Time
	rand io.Reader

	mu          sync.RWMutex
	devices     map[journal.ID]*Device
	keys        map[[ed25519.PublicKeySize]byte]*Device
	invitations map[[sha256.Size]byte]*Invited // by the secret's hash
	began       map[journal.ID]journal.ID      // by job: the device
	noted       map[journal.ID]time.Time       // when Seen was last written down
	recipient   string
}

// Where the roster lies in the margin.
const (
	noteDevice     = "roster/device/"
	noteSeen       = "roster/seen/"
	noteInvitation = "roster/invitation/"
	noteBegan      = "roster/began/"
)

type wireDevice struct {
	Identity []byte       `cbor:"1,keyasint"`
	Name     string       `cbor:"2,keyasint,omitempty"`
	Role     door.Role    `cbor:"3,keyasint"`
	Jobs     []journal.ID `cbor:"4,keyasint,omitempty"`
	Off      []journal.ID `cbor:"5,keyasint,omitempty"`
	Enrolled int64        `cbor:"6,keyasint"`
	Revoked  int64        `cbor:"7,keyasint,omitempty"`
}

type wireSeen struct {
	Seen int64        `cbor:"1,keyasint"`
	Seq  uint64       `cbor:"2,keyasint"`
	Hash journal.Hash `cbor:"3,keyasint"`
}

type wireInvitation struct {
	Role    door.Role    `cbor:"1,keyasint"`
	Jobs    []journal.ID `cbor:"2,keyasint,omitempty"`
	Name    string       `cbor:"3,keyasint,omitempty"`
	Made    int64        `cbor:"4,keyasint"`
	Expires int64        `cbor:"5,keyasint"`
	Used    journal.ID   `cbor:"6,keyasint"`
}

func milli(t time.Time) int64 {
	if t.IsZero() {
		return 0
	}
	return t.UnixMilli()
}

func fromMilli(ms int64) time.Time {
	if ms == 0 {
		return time.Time{}
	}
	return time.UnixMilli(ms).UTC()
}

// OpenRoster reads a hub's roster, and starts one in a book that has none. now
// and random are time.Now and crypto/rand when nil.
func OpenRoster(b exchange.Book, now func() time.Time, random io.Reader) (*Roster, error) {
	r := &Roster{
		book: b, now: now, rand: random,
		devices:     map[journal.ID]*Device{},
		keys:        map[[ed25519.PublicKeySize]byte]*Device{},
		invitations: map[[sha256.Size]byte]*Invited{},
		began:       map[journal.ID]journal.ID{},
		noted:       map[journal.ID]time.Time{},
	}
	if r.now == nil {
		r.now = time.Now
	}
	if r.rand == nil {
		r.rand = rand.Reader
	}
	if err := errors.Join(r.load(), r.reconcile(), r.sweep()); err != nil {
		return nil, fmt.Errorf("reading the roster: %w", err)
	}
	parcels, err := ParcelIdentity(b)
	if err != nil {
		return nil, fmt.Errorf("reading the roster: %w", err)
	}
	r.recipient = parcels.Recipient().String()
	return r, nil
}

func (r *Roster) load() error {
	notes, err := r.book.Margin("roster/")
	if err != nil {
		return err
	}
	// Devices come before what is said of them: "device" sorts first but for
	// "began", which names them only.
	for _, name := range slices.Sorted(maps.Keys(notes)) {
		if err := r.read(name, notes[name]); err != nil {
			return fmt.Errorf("note %q: %w", name, err)
		}
	}
	return nil
}

func (r *Roster) read(name string, note []byte) error {
	if rest, ok := strings.CutPrefix(name, noteDevice); ok {
		var w wireDevice
		if err := journal.Unmarshal(note, &w); err != nil {
			return err
		}
		id, err := journal.DecodeIdentity(w.Identity)
		if err != nil {
			return err
		}
		if id.Device.String() != rest {
			return fmt.Errorf("%w: it is about %s", journal.ErrInvalid, id.Device)
		}
		r.put(&Device{
			Identity: id, Name: w.Name, Role: w.Role, Jobs: w.Jobs, Off: w.Off,
			Enrolled: fromMilli(w.Enrolled), Revoked: fromMilli(w.Revoked), Head: id.Head().Head,
		})
		return nil
	}
	if rest, ok := strings.CutPrefix(name, noteSeen); ok {
		var w wireSeen
		if err := journal.Unmarshal(note, &w); err != nil {
			return err
		}
		id, err := journal.ParseID(rest)
		if d := r.devices[id]; d != nil {
			d.Seen, d.Head = fromMilli(w.Seen), journal.Head{Device: id, Seq: w.Seq, Hash: w.Hash}
			r.noted[id] = d.Seen
		}
		return err
	}
	if rest, ok := strings.CutPrefix(name, noteInvitation); ok {
		var w wireInvitation
		if err := journal.Unmarshal(note, &w); err != nil {
			return err
		}
		sum, err := hex.DecodeString(rest)
		if err != nil || len(sum) != sha256.Size {
			return journal.ErrInvalid
		}
		made, expires := fromMilli(w.Made), fromMilli(w.Expires)
		r.invitations[[sha256.Size]byte(sum)] = &Invited{
			Terms: Terms{Role: w.Role, Jobs: w.Jobs, Name: w.Name, Lasts: expires.Sub(made)},
			Made:  made, Expires: expires, Used: w.Used,
		}
		return nil
	}
	if rest, ok := strings.CutPrefix(name, noteBegan); ok {
		job, err := journal.ParseID(rest)
		if err != nil || len(note) != len(journal.ID{}) {
			return journal.ErrInvalid
		}
		r.began[job] = journal.ID(note)
	}
	return nil
}

// put takes a device into memory.
func (r *Roster) put(d *Device) {
	r.devices[d.Identity.Device] = d
	r.keys[[ed25519.PublicKeySize]byte(d.Identity.Key)] = d
}

// reconcile notes who began the jobs that nobody is noted for, as after a crash
// between a device's pages and this note, where it is beyond doubt.
func (r *Roster) reconcile() error {
	pages, err := r.book.Jobs()
	if err != nil {
		return err
	}
	wrote := map[journal.ID][]journal.ID{}
	for device, jobs := range pages {
		for job := range jobs {
			wrote[job] = append(wrote[job], device)
		}
	}
	notes := map[string][]byte{}
	for job, devices := range wrote {
		if _, ok := r.began[job]; ok || job.IsZero() || job == journal.Unread || len(devices) > 1 || r.devices[devices[0]] == nil {
			continue
		}
		notes[noteBegan+job.String()] = devices[0][:]
		r.began[job] = devices[0]
	}
	if len(notes) == 0 {
		return nil
	}
	return r.book.SetMargin(notes)
}

// sweep takes out invitations that ended so long ago that nobody will be told
// why they do not work.
func (r *Roster) sweep() error {
	notes := map[string][]byte{}
	for sum, i := range r.invitations {
		if r.now().Sub(i.Expires) > MaxLasts {
			notes[noteInvitation+hex.EncodeToString(sum[:])] = nil
			delete(r.invitations, sum)
		}
	}
	if len(notes) == 0 {
		return nil
	}
	return r.book.SetMargin(notes)
}

// Invite makes an invitation. It returns the secret, which is kept nowhere
// else, and when it ends.
func (r *Roster) Invite(t Terms) (secret [16]byte, expires time.Time, err error) {
	fail := func(err error) ([16]byte, time.Time, error) {
		return [16]byte{}, time.Time{}, fmt.Errorf("inviting a device: %w", err)
	}
	if t.Lasts == 0 {
		t.Lasts = DefaultLasts
	}
	if t.Role != door.Surveyor && t.Role != door.Bench {
		return fail(fmt.Errorf("%s: a device is a surveyor or bench", t.Role))
	}
	if t.Lasts < 0 || t.Lasts > MaxLasts {
		return fail(fmt.Errorf("%s is not between nothing and %s", t.Lasts, MaxLasts))
	}
	if err := checkName(t.Name); err != nil {
		return fail(err)
	}
	if _, err := io.ReadFull(r.rand, secret[:]); err != nil {
		return fail(err)
	}
	r.mu.Lock()
	defer r.mu.Unlock()
	if err := r.sweep(); err != nil {
		return fail(err)
	}
	now := r.now().UTC().Truncate(time.Millisecond)
	t.Jobs = sortedIDs(t.Jobs)
	i := &Invited{Terms: t, Made: now, Expires: now.Add(t.Lasts)}
	if err := r.saveInvitation(sha256.Sum256(secret[:]), i, nil); err != nil {
		return fail(err)
	}
	return secret, i.Expires, nil
}

func (r *Roster) saveInvitation(sum [sha256.Size]byte, i *Invited, notes map[string][]byte) error {
	if notes == nil {
		notes = map[string][]byte{}
	}
	v, err := journal.Marshal(wireInvitation{
		Role: i.Role, Jobs: i.Jobs, Name: i.Name,
		Made: milli(i.Made), Expires: milli(i.Expires), Used: i.Used,
	})
	if err != nil {
		return err
	}
	notes[noteInvitation+hex.EncodeToString(sum[:])] = v
	if err := r.book.SetMargin(notes); err != nil {
		return err
	}
	r.invitations[sum] = i
	return nil
}

// checkName refuses a name that would not print as one line.
func checkName(name string) error {
	if len(name) > door.MaxName || !utf8.ValidString(name) || strings.ContainsFunc(name, func(c rune) bool { return !unicode.IsPrint(c) }) {
		return fmt.Errorf("the name: want one line of at most %d bytes", door.MaxName)
	}
	return nil
}

// Join enrols a device, which has proved tls as its key. To use an invitation
// again is success for the device that used it, whose answer may have been
// lost. Errors: [door.ErrInvitation], [door.ErrForbidden], [door.ErrRequest].
func (r *Roster) Join(secret []byte, id journal.Identity, tls ed25519.PublicKey, name string) (Device, error) {
	d, err := r.join(secret, id, tls, name)
	if err != nil {
		return Device{}, fmt.Errorf("joining: %w", err)
	}
	return d, nil
}

func (r *Roster) join(secret []byte, id journal.Identity, tls ed25519.PublicKey, name string) (Device, error) {
	if err := id.Verify(); err != nil {
		return Device{}, fmt.Errorf("%w: the identity: %w", door.ErrRequest, err)
	}
	if !bytes.Equal(id.Key, tls) {
		return Device{}, fmt.Errorf("%w: the identity's key is not the one that the line proves", door.ErrForbidden)
	}
	if err := checkName(name); err != nil {
		return Device{}, fmt.Errorf("%w: %w", door.ErrRequest, err)
	}
	r.mu.Lock()
	defer r.mu.Unlock()
	// All are compared, in the same time whichever it is.
	sum := sha256.Sum256(secret)
	var found *Invited
	for have, i := range r.invitations {
		if subtle.ConstantTimeCompare(have[:], sum[:]) == 1 {
			found = i
		}
	}
	now := r.now().UTC().Truncate(time.Millisecond)
	switch {
	case found == nil:
		return Device{}, fmt.Errorf("%w: the hub does not know it: ask for a new one", door.ErrInvitation)
	case found.Used == id.Device && r.devices[id.Device] != nil && r.devices[id.Device].Revoked.IsZero():
		return r.show(r.devices[id.Device]), nil
	case !found.Used.IsZero():
		return Device{}, fmt.Errorf("%w: it has been used, and works once: ask for a new one", door.ErrInvitation)
	case !now.Before(found.Expires):
		return Device{}, fmt.Errorf("%w: it ended at %s: ask for a new one", door.ErrInvitation, found.Expires.Format(time.RFC3339))
	}
	if err := r.checkNew(id, found); err != nil {
		return Device{}, err
	}
	d := &Device{Identity: id, Name: name, Role: found.Role, Jobs: found.Jobs, Enrolled: now, Head: id.Head().Head}
	if d.Name == "" {
		d.Name = found.Name
	}
	if old := r.devices[id.Device]; old != nil {
		d.Seen, d.Head = old.Seen, old.Head
	}
	used := *found
	used.Used = id.Device
	notes, err := d.note()
	if err != nil {
		return Device{}, err
	}
	if err := r.saveInvitation(sum, &used, notes); err != nil {
		return Device{}, err
	}
	r.put(d)
	return r.show(d), nil
}

// checkNew refuses a device whose name or key is another's, here or in the
// book; and the return of a revoked one by an invitation from before.
func (r *Roster) checkNew(id journal.Identity, by *Invited) error {
	taken := fmt.Errorf("%w: its id or its key is another device's", door.ErrForbidden)
	if d := r.keys[[ed25519.PublicKeySize]byte(id.Key)]; d != nil && d.Identity.Device != id.Device {
		return taken
	}
	if d := r.devices[id.Device]; d != nil {
		if !d.Identity.Equal(id) {
			return taken
		}
		if !d.Revoked.IsZero() && !by.Made.After(d.Revoked) {
			return fmt.Errorf("%w: the invitation is from before", door.ErrRevoked)
		}
	}
	known, err := r.book.Devices()
	if err != nil {
		return err
	}
	hub := r.book.Identity()
	for _, k := range append(known, hub) {
		if same := k.Device == id.Device; same != bytes.Equal(k.Key, id.Key) || same && k.Equal(hub) {
			return taken
		}
	}
	return nil
}

// note returns what is written down of a device.
func (d *Device) note() (map[string][]byte, error) {
	id, err := d.Identity.Encode()
	if err != nil {
		return nil, err
	}
	v, err := journal.Marshal(wireDevice{
		Identity: id, Name: d.Name, Role: d.Role, Jobs: d.Jobs, Off: d.Off,
		Enrolled: milli(d.Enrolled), Revoked: milli(d.Revoked),
	})
	return map[string][]byte{noteDevice + d.Identity.Device.String(): v}, err
}

// Devices returns all devices that ever joined, in order of their ids.
func (r *Roster) Devices() []Device {
	r.mu.RLock()
	defer r.mu.RUnlock()
	var out []Device
	for _, d := range r.devices {
		out = append(out, r.show(d))
	}
	slices.SortFunc(out, func(a, b Device) int { return a.Identity.Device.Compare(b.Identity.Device) })
	return out
}

// show returns a copy of a device, with the jobs that it began.
func (r *Roster) show(d *Device) Device {
	out := *d
	out.Jobs, out.Off, out.Began = slices.Clone(d.Jobs), slices.Clone(d.Off), nil
	for job, device := range r.began {
		if device == d.Identity.Device {
			out.Began = append(out.Began, job)
		}
	}
	slices.SortFunc(out.Began, journal.ID.Compare)
	return out
}

// Invitations returns those that are open, the next to end first.
func (r *Roster) Invitations() []Invited {
	r.mu.RLock()
	defer r.mu.RUnlock()
	var out []Invited
	for _, i := range r.invitations {
		if i.Used.IsZero() && r.now().Before(i.Expires) {
			out = append(out, *i)
		}
	}
	slices.SortFunc(out, func(a, b Invited) int { return a.Expires.Compare(b.Expires) })
	return out
}

// Revoke ends a device's rights. What it wrote stays. Revoking it again is
// nothing. [door.ErrNotFound] for a device that never joined.
func (r *Roster) Revoke(device journal.ID) error {
	return r.change("revoking", device, func(d *Device) {
		if d.Revoked.IsZero() {
			d.Revoked = r.now().UTC().Truncate(time.Millisecond)
		}
	})
}

// Assign puts a device on a job.
func (r *Roster) Assign(device, job journal.ID) error {
	return r.change("putting on a job", device, func(d *Device) {
		d.Jobs = sortedIDs(append(slices.Clone(d.Jobs), job))
		d.Off = without(d.Off, job)
	})
}

// Unassign takes a device off a job, also off one that it began: it then reads
// of that job only what it wrote itself.
func (r *Roster) Unassign(device, job journal.ID) error {
	return r.change("taking off a job", device, func(d *Device) {
		d.Jobs = without(d.Jobs, job)
		if r.began[job] == device {
			d.Off = sortedIDs(append(slices.Clone(d.Off), job))
		}
	})
}

func (r *Roster) change(doing string, device journal.ID, do func(*Device)) error {
	r.mu.Lock()
	defer r.mu.Unlock()
	d := r.devices[device]
	if d == nil {
		return fmt.Errorf("%s: device %s: %w", doing, device, door.ErrNotFound)
	}
	changed := *d
	do(&changed)
	notes, err := changed.note()
	if err == nil {
		err = r.book.SetMargin(notes)
	}
	if err != nil {
		return fmt.Errorf("%s: device %s: %w", doing, device, err)
	}
	r.put(&changed)
	return nil
}

// forget takes a job out of the roster.
func (r *Roster) forget(job journal.ID) error {
	r.mu.Lock()
	defer r.mu.Unlock()
	notes := map[string][]byte{noteBegan + job.String(): nil}
	var changed []*Device
	for _, d := range r.devices {
		if !slices.Contains(d.Jobs, job) && !slices.Contains(d.Off, job) {
			continue
		}
		c := *d
		c.Jobs, c.Off = without(d.Jobs, job), without(d.Off, job)
		n, err := c.note()
		if err != nil {
			return err
		}
		maps.Copy(notes, n)
		changed = append(changed, &c)
	}
	if err := r.book.SetMargin(notes); err != nil {
		return err
	}
	for _, d := range changed {
		r.put(d)
	}
	delete(r.began, job)
	return nil
}

// Rights returns what the holder of a key may do. Errors:
// [door.ErrNotEnrolled], [door.ErrRevoked].
func (r *Roster) Rights(key ed25519.PublicKey) (exchange.Reader, error) {
	r.mu.RLock()
	defer r.mu.RUnlock()
	return r.rights(key)
}

func (r *Roster) rights(key ed25519.PublicKey) (exchange.Reader, error) {
	var d *Device
	if len(key) == ed25519.PublicKeySize {
		d = r.keys[[ed25519.PublicKeySize]byte(key)]
	}
	switch {
	case d == nil:
		return exchange.Reader{}, door.ErrNotEnrolled
	case !d.Revoked.IsZero():
		return exchange.Reader{}, door.ErrRevoked
	}
	who := exchange.Reader{Identity: d.Identity, All: d.Role == door.Bench, Jobs: map[journal.ID]bool{}}
	for _, job := range d.Jobs {
		who.Jobs[job] = true
	}
	for job, device := range r.began {
		if device == d.Identity.Device && !slices.Contains(d.Off, job) {
			who.Jobs[job] = true
		}
	}
	return who, nil
}

// Wrote notes which jobs a device is the first to have pages of here: it is on
// those from now on. A job that another device has pages of already is nobody's
// by writing in it, or anybody could read along by a page of their own. It is
// made to be exchange.Host's Wrote.
func (r *Roster) Wrote(who exchange.Reader, jobs []journal.ID) (exchange.Reader, error) {
	r.mu.Lock()
	defer r.mu.Unlock()
	device := who.Identity.Device
	began := slices.DeleteFunc(slices.Clone(jobs), func(job journal.ID) bool {
		_, ok := r.began[job]
		return ok
	})
	if len(began) > 0 {
		pages, err := r.book.Jobs()
		if err != nil {
			return who, err
		}
		notes := map[string][]byte{}
		for _, job := range began {
			if !writtenByOthers(pages, device, job) {
				notes[noteBegan+job.String()] = device[:]
			}
		}
		if len(notes) > 0 {
			if err := r.book.SetMargin(notes); err != nil {
				return who, err
			}
		}
		for _, job := range began {
			if notes[noteBegan+job.String()] != nil {
				r.began[job] = device
			}
		}
	}
	return r.rights(who.Identity.Key)
}

func writtenByOthers(pages map[journal.ID]map[journal.ID]uint64, device, job journal.ID) bool {
	for other, jobs := range pages {
		if other != device && jobs[job] > 0 {
			return true
		}
	}
	return false
}

// seenEvery is how often it is written down that a device was seen: a sync
// shall not cost the hub another write to disk each time. A crash loses no more
// than this of what is only for people to know.
const seenEvery = time.Minute

// Saw notes that a device has met the hub, which confirmed its log up to head.
func (r *Roster) Saw(device journal.ID, head journal.Head) error {
	r.mu.Lock()
	defer r.mu.Unlock()
	d := r.devices[device]
	if d == nil {
		return nil
	}
	c := *d
	c.Seen, c.Head = r.now().UTC().Truncate(time.Millisecond), head
	r.put(&c)
	if c.Seen.Sub(r.noted[device]) < seenEvery {
		return nil
	}
	return r.noteSeen(&c)
}

// Flush writes down what Saw has not.
func (r *Roster) Flush() error {
	r.mu.Lock()
	defer r.mu.Unlock()
	var due []*Device
	for id, d := range r.devices {
		if !d.Seen.Equal(r.noted[id]) {
			due = append(due, d)
		}
	}
	return r.noteSeen(due...)
}

func (r *Roster) noteSeen(devices ...*Device) error {
	notes := map[string][]byte{}
	for _, d := range devices {
		v, err := journal.Marshal(wireSeen{Seen: milli(d.Seen), Seq: d.Head.Seq, Hash: d.Head.Hash})
		if err != nil {
			return fmt.Errorf("noting that %s was seen: %w", d.Identity.Device, err)
		}
		notes[noteSeen+d.Identity.Device.String()] = v
	}
	if len(notes) == 0 {
		return nil
	}
	if err := r.book.SetMargin(notes); err != nil {
		return fmt.Errorf("noting which devices were seen: %w", err)
	}
	for _, d := range devices {
		r.noted[d.Identity.Device] = d.Seen
	}
	return nil
}

func sortedIDs(ids []journal.ID) []journal.ID {
	out := slices.Clone(ids)
	slices.SortFunc(out, journal.ID.Compare)
	return slices.Compact(out)
}

func without(ids []journal.ID, id journal.ID) []journal.ID {
	return slices.DeleteFunc(slices.Clone(ids), func(x journal.ID) bool { return x == id })
}
