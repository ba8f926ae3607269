package journal

import (
	"fmt"
	"math"
	"time"
)

// MaxPayload is the largest payload of one page. A page travels, is hashed
// and is projected in one piece, so it has to fit in a small machine's memory
// a few times over; a photograph from a site is a few megabytes.
const MaxPayload = 16 << 20

// version is the format version of pages, signed heads and identities.
const version = 1

// A Page is one saved answer or import.
type Page struct {
	Device  ID
	Seq     uint64    // place in the device's log, from 1
	Time    time.Time // kept to the millisecond, with the zone's offset in whole minutes
	Job     ID        // zero for a page that belongs to no job
	Payload []byte    // opaque here
}

// wirePage is a page as it is written.
type wirePage struct {
	_       struct{} `cbor:",toarray"`
	Version uint64
	Device  ID
	Seq     uint64
	Milli   int64
	Zone    int64
	Job     ID
	Payload []byte
}

// Bounds on what a page's time may say: the years 0 to 9999, which RFC 3339
// can write, and offsets of 18 hours, which no zone reaches.
const (
	minMilli = -62167219200000 // 0000-01-01T00:00:00.000Z
	maxMilli = 253402300799999 // 9999-12-31T23:59:59.999Z
	maxZone  = 18 * 60
)

// Encode returns the page's bytes. They are what is hashed, and stay as they
// are for ever.
func (p Page) Encode() ([]byte, error) {
	_, seconds := p.Time.Zone()
	w := wirePage{
		Version: version, Device: p.Device, Seq: p.Seq,
		Milli: p.Time.UnixMilli(), Zone: int64(seconds / 60),
		Job: p.Job, Payload: p.Payload,
	}
	if w.Payload == nil {
		w.Payload = []byte{} // an empty byte string, not null
	}
	if err := w.check(); err != nil {
		return nil, fmt.Errorf("encoding page %d of %s: %w", p.Seq, p.Device, err)
	}
	return Marshal(w)
}

// DecodePage reads a page. What it accepts, Encode writes back to the same
// bytes; anything else is [ErrNotCanonical], [ErrInvalid], or [ErrNewer] when
// the page's version is above 1.
func DecodePage(b []byte) (Page, error) {
	if w, ok := quickPage(b); ok {
		w.Payload = append([]byte{}, w.Payload...)
		return w.page(), nil
	}
	return longPage(b)
}

// longPage is DecodePage by way of the CBOR library, which says what is wrong.
func longPage(b []byte) (Page, error) {
	env, err := PeekPage(b)
	if err != nil {
		return Page{}, err
	}
	if env.Version != version {
		return Page{}, fmt.Errorf("decoding page %d of %s: %w: version %d", env.Seq, env.Device, ErrNewer, env.Version)
	}
	var w wirePage
	if err := unmarshal(b, &w); err != nil {
		return Page{}, fmt.Errorf("decoding page %d of %s: %w", env.Seq, env.Device, asInvalid(err))
	}
	if err := w.check(); err != nil {
		return Page{}, fmt.Errorf("decoding page %d of %s: %w", env.Seq, env.Device, err)
	}
	return w.page(), nil
}

// quickPage reads a page of this version straight off its bytes, a tenth of
// the work: whole logs are decoded often. It says no to all that longPage
// refuses, and that one then says why. The payload aliases b.
func quickPage(b []byte) (p wirePage, ok bool) {
	w := walker{data: b}
	if n, ok := w.count(majorArray); !ok || n != 7 {
		return p, false
	}
	var seen [7]bool
	p.Version, seen[0] = w.count(majorUint)
	p.Device, seen[1] = w.id()
	p.Seq, seen[2] = w.count(majorUint)
	p.Milli, seen[3] = w.int()
	p.Zone, seen[4] = w.int()
	p.Job, seen[5] = w.id()
	p.Payload, seen[6] = w.bytes()
	return p, seen == [7]bool{true, true, true, true, true, true, true} &&
		w.at == len(b) && p.Version == version && p.check() == nil
}

// count reads an item of one major type, and returns its argument.
func (w *walker) count(want byte) (uint64, bool) {
	major, _, n, err := w.head()
	return n, err == nil && major == want
}

func (w *walker) int() (int64, bool) {
	major, _, n, err := w.head()
	switch {
	case err != nil || major > majorNegative || n > math.MaxInt64:
		return 0, false
	case major == majorNegative:
		return -1 - int64(n), true
	}
	return int64(n), true
}

func (w *walker) bytes() ([]byte, bool) {
	n, ok := w.count(majorBytes)
	if !ok || n > uint64(len(w.data)-w.at) {
		return nil, false
	}
	start := w.at
	w.at += int(n)
	return w.data[start:w.at:w.at], true
}

// id reads an id: 16 bytes that are not all zero, or none.
func (w *walker) id() (id ID, ok bool) {
	b, ok := w.bytes()
	if !ok || len(b) != 0 && len(b) != len(id) {
		return id, false
	}
	copy(id[:], b)
	return id, len(b) == 0 || !id.IsZero()
}

// page returns what a page that was read says.
func (w wirePage) page() Page {
	t := time.UnixMilli(w.Milli).UTC()
	if w.Zone != 0 {
		t = t.In(time.FixedZone("", int(w.Zone)*60))
	}
	return Page{Device: w.Device, Seq: w.Seq, Time: t, Job: w.Job, Payload: w.Payload}
}

func (w wirePage) check() error {
	switch {
	case w.Device.IsZero():
		return fmt.Errorf("%w: no device", ErrInvalid)
	case w.Seq == 0:
		return fmt.Errorf("%w: pages count from 1", ErrInvalid)
	case w.Milli < minMilli || w.Milli > maxMilli:
		return fmt.Errorf("%w: time outside the years 0 to 9999", ErrInvalid)
	case w.Zone < -maxZone || w.Zone > maxZone:
		return fmt.Errorf("%w: zone of %d minutes", ErrInvalid, w.Zone)
	case w.Payload == nil:
		return fmt.Errorf("%w: no payload", ErrInvalid) // null decodes so, and is not what Encode writes
	case len(w.Payload) > MaxPayload:
		return fmt.Errorf("%w: payload of %d bytes, the most is %d", ErrInvalid, len(w.Payload), MaxPayload)
	}
	return nil
}

// An Envelope is the part of a page that every version keeps in its place.
type Envelope struct {
	Version uint64
	Device  ID
	Seq     uint64
}

// PeekPage reads the envelope of a page of any version, and checks that the
// page is deterministic CBOR. It is enough to keep and pass on a log whose
// pages only a newer version understands.
func PeekPage(b []byte) (Envelope, error) {
	if err := Canonical(b); err != nil {
		return Envelope{}, fmt.Errorf("reading a page: %w", err)
	}
	w := walker{data: b}
	major, _, n, err := w.head()
	if err != nil || major != majorArray || n < 3 {
		return Envelope{}, fmt.Errorf("reading a page: %w: want an array of 3 or more", ErrInvalid)
	}
	var env Envelope
	if env.Version, err = w.uint(); err != nil {
		return Envelope{}, fmt.Errorf("reading a page's version: %w", err)
	}
	start := w.at
	if err := w.item(0); err != nil {
		return Envelope{}, err
	}
	if err := env.Device.UnmarshalCBOR(b[start:w.at]); err != nil || env.Device.IsZero() {
		return Envelope{}, fmt.Errorf("reading a page's device: %w", ErrInvalid)
	}
	if env.Seq, err = w.uint(); err != nil {
		return Envelope{}, fmt.Errorf("reading a page's sequence: %w", err)
	}
	return env, nil
}

// uint reads an unsigned integer above zero.
func (w *walker) uint() (uint64, error) {
	major, _, n, err := w.head()
	if err != nil {
		return 0, err
	}
	if major != majorUint || n == 0 {
		return 0, fmt.Errorf("%w: want a whole number from 1", ErrInvalid)
	}
	return n, nil
}
