// Package fieldbook folds what the log says into what stands.
//
// A reading counts until it is struck, or until a correction of it stands.
// Striking the correction lets the corrected reading count again. Nothing is
// erased: a [Book] holds every reading ever taken, each with its rulings. A
// reading that looks wrong and was kept all the same says so.
//
// [Project] writes a page into buckets of the store, in the page's own
// transaction, and [Load] reads one job back, so that no command replays the
// log. The keys are
//
//	J job device page          → name, time made
//	X device page              → why this version cannot read the page
//	R job device page item     → reading
//	S job device page item, device page item → strike of the first by the second
//	K job device page item, device page item → keep of the first by the second
//	C job device page item     → setting
//	T device page item         → tool
//	U device page item         → check of a tool
//	P job device page item     → picture
//	M job device page item     → what was made
//
// with numbers big-endian, so that a scan runs in the order of the logs.
package fieldbook

import (
	"bytes"
	"encoding/binary"
	"errors"
	"fmt"
	"iter"
	"slices"
	"strings"
	"time"

	"pinchrod/store/journal"
	"pinchrod/survey"
)

// Version of the buckets. A store written with another is rebuilt from its
// log.
const Version = 6

// KV is the part of the store that a projection is kept in.
type KV interface {
	Get(key []byte) []byte
	Put(key, value []byte) error
	Scan(prefix []byte) iter.Seq2[[]byte, []byte]
}

// What a caller must choose by.
var (
	ErrNoJob     = errors.New("no such job")
	ErrNoReading = errors.New("no such reading")
	ErrTwo       = errors.New("more than one")
)

// Job is one address with a stair.
type Job struct {
	ID    journal.ID
	Name  string
	Since time.Time
}

// Ruling is a strike, or a keep, as it stands in the book.
type Ruling struct {
	Ref  journal.Ref // its own place in the log
	Why  string
	By   string
	Time time.Time
}

// Entry is a reading with all that was said of it.
type Entry struct {
	Ref     journal.Ref
	Reading survey.Reading
	Time    time.Time     // when its page was written
	Struck  []Ruling      // empty while it is not struck
	Kept    []Ruling      // rulings that it counts, however odd it looks
	Fixed   []journal.Ref // standing corrections of it, direct or by way of others; the first [mostFixed]
	Newer   bool          // holds what this version does not know
}

// Stands tells whether the reading counts.
func (e *Entry) Stands() bool { return len(e.Struck) == 0 && len(e.Fixed) == 0 }

// Book is a job's readings, in the order of the logs.
type Book struct {
	Job      Job
	Entries  []Entry
	Made     []Made   // what was cut, struck entries too, in the order of the logs
	chosen   []Choice // settings that stand
	pictures []Picture
}

type storedJob struct {
	Name string `cbor:"1,keyasint"`
	MS   int64  `cbor:"2,keyasint"`
	Zone int    `cbor:"3,keyasint"` // minutes east of UTC
}

type storedReading struct {
	Reading survey.WireReading `cbor:"1,keyasint"`
	MS      int64              `cbor:"2,keyasint"`
	Zone    int                `cbor:"3,keyasint"`
}

type storedStrike struct {
	Why  string `cbor:"1,keyasint"`
	By   string `cbor:"2,keyasint,omitempty"`
	MS   int64  `cbor:"3,keyasint"`
	Zone int    `cbor:"4,keyasint"`
}

func stamp(t time.Time) (ms int64, zone int) {
	_, sec := t.Zone()
	return t.UnixMilli(), sec / 60
}

func unstamp(ms int64, zone int) time.Time {
	t := time.UnixMilli(ms)
	if zone == 0 {
		return t.UTC()
	}
	return t.In(time.FixedZone("", zone*60))
}

func refKey(b []byte, r journal.Ref) []byte {
	b = append(b, r.Device[:]...)
	b = binary.BigEndian.AppendUint64(b, r.Page)
	return binary.BigEndian.AppendUint32(b, r.Item)
}

const refLen = 16 + 8 + 4

func keyRef(b []byte) journal.Ref {
	var r journal.Ref
	copy(r.Device[:], b)
	r.Page = binary.BigEndian.Uint64(b[16:])
	r.Item = binary.BigEndian.Uint32(b[24:])
	return r
}

func jobKey(kind byte, job journal.ID) []byte { return append([]byte{kind}, job[:]...) }

// Project writes one page into kv. A page that this version knows in part is
// kept in part; one that it cannot read at all is only counted ([Unreadable]):
// it can be a newer version's, and nobody's log stops at it.
func Project(kv KV, page journal.Page) error {
	p, err := survey.DecodePayload(page.Payload)
	if err != nil && !errors.Is(err, survey.ErrNewer) {
		return kv.Put(refKey([]byte{'X'}, journal.Ref{Device: page.Device, Page: page.Seq}), []byte(err.Error()))
	}
	ms, zone := stamp(page.Time)
	put := func(key []byte, v any) error {
		b, err := journal.Marshal(v)
		if err != nil {
			return fmt.Errorf("page %d: %w", page.Seq, err)
		}
		return kv.Put(key, b)
	}
	if p.Job != nil {
		ref := journal.Ref{Device: page.Device, Page: page.Seq}
		if err := put(refKey(jobKey('J', page.Job), ref), storedJob{p.Job.Name, ms, zone}); err != nil {
			return err
		}
	}
	prefix := jobKey('R', page.Job)
	for i := range p.Readings {
		ref := journal.Ref{Device: page.Device, Page: page.Seq, Item: uint32(i + 1)}
		if err := put(refKey(slices.Clip(prefix), ref), storedReading{p.Readings[i].Wire(), ms, zone}); err != nil {
			return err
		}
	}
	own := journal.Ref{Device: page.Device, Page: page.Seq, Item: uint32(len(p.Readings))}
	for _, r := range []struct {
		kind    byte
		rulings []survey.Strike
	}{{'S', p.Strikes}, {'K', p.Keeps}} {
		for _, s := range r.rulings {
			own.Item++
			if err := put(refKey(refKey(jobKey(r.kind, page.Job), s.Reading), own), storedStrike{s.Why, s.By, ms, zone}); err != nil {
				return err
			}
		}
	}
	for _, s := range p.Settings {
		own.Item++
		v := storedSetting{Name: s.Name, Value: s.Value, MS: ms, Zone: zone}
		for _, r := range s.Replaces {
			v.Replaces = append(v.Replaces, refKey(nil, r))
		}
		if err := put(refKey(jobKey('C', page.Job), own), v); err != nil {
			return err
		}
	}
	for _, t := range p.Tools {
		own.Item++
		if err := put(refKey([]byte{'T'}, own), t); err != nil {
			return err
		}
	}
	for _, c := range p.Checks {
		own.Item++
		if err := put(refKey([]byte{'U'}, own), c); err != nil {
			return err
		}
	}
	for i := range p.Pictures {
		own.Item++
		if err := put(refKey(jobKey('P', page.Job), own), storedPicture{p.Pictures[i].Wire(), ms, zone}); err != nil {
			return err
		}
	}
	for i := range p.Made {
		own.Item++
		if err := put(refKey(jobKey('M', page.Job), own), storedMade{p.Made[i].Wire(), ms, zone}); err != nil {
			return err
		}
	}
	return nil
}

// Unreadable counts the pages that this version cannot read.
func Unreadable(kv KV) (n int) {
	for range kv.Scan([]byte{'X'}) {
		n++
	}
	return n
}

// Jobs lists the jobs in the order they were made. Of several names for one job
// the one in the eldest device's log stands, which does not depend on what
// arrived first.
func Jobs(kv KV) ([]Job, error) {
	var jobs []Job
	for k, v := range kv.Scan([]byte{'J'}) {
		if n := len(jobs); n > 0 && bytes.Equal(jobs[n-1].ID[:], k[1:1+len(journal.ID{})]) {
			continue
		}
		var s storedJob
		if err := journal.Unmarshal(v, &s); err != nil {
			return nil, fmt.Errorf("reading the list of jobs: %w", err)
		}
		j := Job{Name: s.Name, Since: unstamp(s.MS, s.Zone)}
		copy(j.ID[:], k[1:])
		jobs = append(jobs, j)
	}
	return jobs, nil
}

// FindJob finds a job by its name, case set aside, or by its ID. The error
// wraps [ErrNoJob], or [ErrTwo] when two devices made a job of that name.
func FindJob(kv KV, name string) (Job, error) {
	jobs, err := Jobs(kv)
	if err != nil {
		return Job{}, err
	}
	var found []Job
	var names []string
	for _, j := range jobs {
		if j.ID.String() == name {
			return j, nil
		}
		if strings.EqualFold(j.Name, strings.TrimSpace(name)) {
			found = append(found, j)
		}
		names = append(names, fmt.Sprintf("%q", j.Name))
	}
	switch {
	case len(found) == 1:
		return found[0], nil
	case len(found) > 1:
		return Job{}, fmt.Errorf("job %q: %w of that name: give its id, %s or %s", name, ErrTwo, found[0].ID, found[1].ID)
	case len(names) == 0:
		return Job{}, fmt.Errorf("%w %q: the book is empty; import a field sheet first", ErrNoJob, name)
	}
	return Job{}, fmt.Errorf("%w %q: the book holds %s", ErrNoJob, name, strings.Join(names, ", "))
}

// Load reads one job.
func Load(kv KV, job Job) (*Book, error) {
	b := &Book{Job: job}
	at := map[journal.Ref]int{}
	prefix := jobKey('R', job.ID)
	for k, v := range kv.Scan(prefix) {
		if len(k) != len(prefix)+refLen {
			continue
		}
		var s storedReading
		if err := journal.Unmarshal(v, &s); err != nil && !errors.Is(err, journal.ErrNewer) {
			return nil, fmt.Errorf("reading job %q: %w", job.Name, err)
		}
		r, err := s.Reading.Reading()
		if err != nil && !errors.Is(err, survey.ErrNewer) {
			return nil, fmt.Errorf("reading job %q: %w", job.Name, err)
		}
		ref := keyRef(k[len(prefix):])
		at[ref] = len(b.Entries)
		b.Entries = append(b.Entries, Entry{Ref: ref, Reading: r, Time: unstamp(s.MS, s.Zone), Newer: err != nil})
	}
	if err := b.loadPictures(kv); err != nil {
		return nil, fmt.Errorf("reading the pictures of job %q: %w", job.Name, err)
	}
	if err := b.loadMade(kv); err != nil {
		return nil, fmt.Errorf("reading what was made for job %q: %w", job.Name, err)
	}
	struck, kept := map[journal.Ref]*[]Ruling{}, map[journal.Ref]*[]Ruling{}
	for i := range b.Entries {
		struck[b.Entries[i].Ref], kept[b.Entries[i].Ref] = &b.Entries[i].Struck, &b.Entries[i].Kept
	}
	for i := range b.pictures {
		struck[b.pictures[i].Ref] = &b.pictures[i].Struck
	}
	for i := range b.Made {
		struck[b.Made[i].Ref] = &b.Made[i].Struck
	}
	err := b.rulings(kv, 'S', struck)
	if err == nil {
		err = b.rulings(kv, 'K', kept)
	}
	if err != nil {
		return nil, fmt.Errorf("reading job %q: %w", job.Name, err)
	}
	b.corrections(at)
	return b, b.settings(kv)
}

// rulings reads the strikes or the keeps of a job into the lists of what they
// rule on. One on something that has not arrived yet waits.
func (b *Book) rulings(kv KV, kind byte, lists map[journal.Ref]*[]Ruling) error {
	prefix := jobKey(kind, b.Job.ID)
	for k, v := range kv.Scan(prefix) {
		if len(k) != len(prefix)+2*refLen {
			continue
		}
		list := lists[keyRef(k[len(prefix):])]
		if list == nil {
			continue
		}
		var s storedStrike
		if err := journal.Unmarshal(v, &s); err != nil {
			return err
		}
		*list = append(*list, Ruling{keyRef(k[len(prefix)+refLen:]), s.Why, s.By, unstamp(s.MS, s.Zone)})
	}
	return nil
}
