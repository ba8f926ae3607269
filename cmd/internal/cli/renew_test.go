package cli

import (
	"bytes"
	"errors"
	"fmt"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"testing"

	"github.com/google/go-cmp/cmp"

	"pinchrod/store"
	"pinchrod/store/journal"
	"pinchrod/survey"
	"pinchrod/survey/fieldbook"
	"pinchrod/sync/exchange"
	"pinchrod/sync/synctest"
)

// A forked is a book whose log has forked, and the hub that refuses it.
type forked struct {
	*testing.T
	env      *Env
	old, hub *store.Store
}

var millJob, goneJob = journal.ID{1}, journal.ID{2}

func newForked(t *testing.T) *forked {
	env, _, _ := testEnv(t)
	f := &forked{T: t, env: env}
	f.old, f.hub = f.book("old"), f.book("hub")
	return f
}

func (f *forked) book(name string) *store.Store {
	f.Helper()
	s, err := store.Create(filepath.Join(f.TempDir(), name), f.env.options())
	if err != nil {
		f.Fatal(err)
	}
	f.Cleanup(func() { s.Close() })
	return s
}

// write writes a page, and returns the reference to its first item.
func (f *forked) write(s *store.Store, job journal.ID, p survey.Payload) journal.Ref {
	f.Helper()
	ref, err := f.env.write(s, job, p)
	if err != nil {
		f.Fatal(err)
	}
	return ref
}

// give brings a log into a book; pages that are named as hashes only.
func (f *forked) give(from *store.Store, log journal.Identity, to *store.Store, hashes ...uint64) {
	f.Helper()
	for b, err := range exchange.Batches(from, log, 1, exchange.Reader{All: true}) {
		if err != nil {
			f.Fatal(err)
		}
		for i := range b.Records {
			for _, seq := range hashes {
				if b.Records[i].Seq == seq {
					b.Records[i].Page = nil
				}
			}
		}
		if _, err := to.Ingest(b.Identity, b.Records, b.Head); err != nil {
			f.Fatal(err)
		}
	}
}

// part has a copy of the old book write a page, and the hub get its log; pages
// that are named as hashes only.
func (f *forked) part(p survey.Payload, hashes ...uint64) {
	f.Helper()
	var b bytes.Buffer
	if _, err := f.old.Backup(&b); err != nil {
		f.Fatal(err)
	}
	path := filepath.Join(f.TempDir(), "copy")
	if err := os.WriteFile(path, b.Bytes(), 0o600); err != nil {
		f.Fatal(err)
	}
	twin, err := store.Open(path, f.env.options())
	if err != nil {
		f.Fatal(err)
	}
	defer twin.Close()
	f.write(twin, millJob, p)
	f.give(twin, twin.Identity(), f.hub, hashes...)
}

// peer is the hub as a device meets it.
func (f *forked) peer(s *store.Store) exchange.Peer {
	who := func() exchange.Reader { return exchange.Reader{Identity: s.Identity(), All: true} }
	host := &exchange.Host{Book: f.hub, Signer: f.hub.Signer(), Now: f.env.Now}
	return exchange.Over(&synctest.Line{Host: host, Who: who}, s.Identity(), f.hub.Identity())
}

// renewed renews the old book, and has the new one meet the hub.
func (f *forked) renewed() (*store.Store, renewal) {
	f.Helper()
	if _, err := exchange.Run(f.Context(), f.old, f.peer(f.old), exchange.Progress{}); !errors.Is(err, journal.ErrFork) {
		f.Fatalf("the hub does not refuse the old book: %v", err)
	}
	fresh := f.book("fresh")
	out, err := renew(f.Context(), f.old, fresh, f.peer(f.old))
	if err != nil {
		f.Fatal(err)
	}
	if _, err := exchange.Run(f.Context(), fresh, f.peer(fresh), exchange.Progress{}); err != nil {
		f.Fatal(err)
	}
	return fresh, out
}

// standing lists what stands of a job, sorted: readings, kept ones marked, and
// settings.
func (f *forked) standing(s *store.Store, job journal.ID) (out []string) {
	f.Helper()
	err := s.View(func(kv store.KV) error {
		b, err := fieldbook.Load(kv, fieldbook.Job{ID: job})
		if err != nil {
			return err
		}
		for _, e := range b.Entries {
			if e.Stands() {
				out = append(out, e.Reading.Text+strings.Repeat(" kept", len(e.Kept)))
			}
		}
		for _, c := range b.Settings() {
			out = append(out, c.Name+"="+c.Value)
		}
		return nil
	})
	if err != nil {
		f.Fatal(err)
	}
	slices.Sort(out)
	return out
}

func gap(text string) survey.Reading {
	return survey.Reading{Where: "F1/left", What: survey.Gap, At: survey.At{Mark: survey.Middle}, Text: text,
		Value: survey.Quantity{Measure: survey.Length, N: [3]int64{812000}}}
}

// Pages that the hub has as their hashes only are written again, so that they
// are not lost to everybody else; and what was ruled on them still holds.
func TestRenewHashes(t *testing.T) {
	f := newForked(t)
	ann, colleague := f.old, f.book("colleague")
	f.write(ann, millJob, survey.Payload{Job: &survey.JobRecord{Name: "Mill"}, Readings: []survey.Reading{gap("at the hub")}})
	hashes := f.write(ann, millJob, survey.Payload{
		Readings: []survey.Reading{gap("struck"), gap("corrected"), gap("suspect"), gap("struck by a colleague"), gap("plain")},
		Settings: []survey.Setting{{Name: "profile", Value: "before"}, {Name: "profile", Value: "by mistake"}},
	})
	item := func(n uint32) journal.Ref { return journal.Ref{Device: hashes.Device, Page: hashes.Page, Item: n} }
	correction := gap("correction")
	correction.Replaces = item(2)
	f.write(ann, millJob, survey.Payload{
		Readings: []survey.Reading{correction},
		Strikes:  []survey.Strike{{Reading: item(1), Why: "wrong post"}},
		Keeps:    []survey.Strike{{Reading: item(3), Why: "read again"}},
		Settings: []survey.Setting{{Name: "profile", Value: "after", Replaces: []journal.Ref{item(6), item(7)}}},
	})
	f.write(ann, goneJob, survey.Payload{Readings: []survey.Reading{gap("of a forgotten job")}})
	f.write(colleague, millJob, survey.Payload{Strikes: []survey.Strike{{Reading: item(4), Why: "I was there", By: "Ben"}}})
	f.give(colleague, colleague.Identity(), ann)
	f.give(colleague, colleague.Identity(), f.hub)
	if _, err := f.hub.Forget(goneJob); err != nil {
		t.Fatal(err)
	}
	f.part(survey.Payload{Readings: []survey.Reading{gap("by the copy")}}, 2)
	d := f.write(ann, millJob, survey.Payload{Readings: []survey.Reading{gap("past the fork"), gap("past the fork, struck")}})
	d.Item = 2
	f.write(ann, millJob, survey.Payload{Strikes: []survey.Strike{{Reading: d, Why: "slip"}}})
	f.write(ann, goneJob, survey.Payload{Readings: []survey.Reading{gap("of a forgotten job, past the fork")}})

	want := []string{"at the hub", "correction", "past the fork", "plain", "profile=after", "suspect kept"}
	if d := cmp.Diff(want, f.standing(ann, millJob)); d != "" {
		t.Fatalf("the old book, -want +got:\n%s", d)
	}
	fresh, out := f.renewed()
	if out != (renewal{Common: 3, Anew: 3}) {
		t.Errorf("%+v, want pages 1, 3 and 4 shared, and 2, 5 and 6 written again", out)
	}
	want = []string{"at the hub", "by the copy", "correction", "past the fork", "plain", "profile=after", "suspect kept"}
	for name, s := range map[string]*store.Store{"new book": fresh, "hub": f.hub} {
		if d := cmp.Diff(want, f.standing(s, millJob)); d != "" {
			t.Errorf("the %s, -want +got:\n%s", name, d)
		}
		if got := f.standing(s, goneJob); got != nil {
			t.Errorf("the %s has of the forgotten job %q", name, got)
		}
		if _, err := s.Verify(); err != nil {
			t.Errorf("the %s: %v", name, err)
		}
	}
}

// What is written again goes in steps of which each can be sent, however much
// it is.
func TestRenewSteps(t *testing.T) {
	f := newForked(t)
	f.write(f.old, millJob, survey.Payload{Readings: []survey.Reading{gap("at the hub")}})
	f.part(survey.Payload{Readings: []survey.Reading{gap("by the copy")}})
	for i := range 3 {
		large := strings.Repeat("x", stepBytes/2)
		f.write(f.old, millJob, survey.Payload{Settings: []survey.Setting{{Name: fmt.Sprint("note ", i), Value: large}}})
	}
	fresh, out := f.renewed()
	if out != (renewal{Common: 1, Anew: 3}) {
		t.Errorf("%+v, want 1 page shared and 3 written again", out)
	}
	for seq := range uint64(3) {
		if h, err := fresh.SignedFrom(fresh.Device(), seq+1); err != nil || h.Seq != seq+1 {
			t.Errorf("page %d was signed with head %d, %v", seq+1, h.Seq, err)
		}
	}
	if heads, err := f.hub.Heads(); err != nil || heads[fresh.Device()].Seq != 3 {
		t.Errorf("the hub has %d pages, %v; want 3", heads[fresh.Device()].Seq, err)
	}
}
