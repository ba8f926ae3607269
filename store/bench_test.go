package store_test

import (
	"bytes"
	"path/filepath"
	"testing"

	bolt "go.etcd.io/bbolt"

	"pinchrod/store"
	"pinchrod/store/journal"
	"pinchrod/store/storetest"
)

// What one durable Append may cost is 1.3 times what bbolt takes to put the
// same keys and values: compare BenchmarkAppend and BenchmarkRawUpdate.

// fileAppends is how many appends a benchmark puts into one file.
const fileAppends = 1000

type put struct{ bucket, key, value []byte }

// recorder notes what a projector writes.
type recorder struct {
	storetest.Projection
	puts *[]put
}

func (r recorder) Project(kv store.KV, p journal.Page) error {
	return r.Projection.Project(recordingKV{kv, r.puts}, p)
}

type recordingKV struct {
	store.KV
	puts *[]put
}

func (kv recordingKV) Put(k, v []byte) error {
	*kv.puts = append(*kv.puts, put{[]byte("projection"), bytes.Clone(k), bytes.Clone(v)})
	return kv.KV.Put(k, v)
}

func benchDraft() store.Draft {
	return store.Draft{Job: journal.ID{1}, Payload: make([]byte, 80)}
}

func benchStore(b *testing.B, o store.Options) *store.Store {
	b.Helper()
	s, err := store.Create(filepath.Join(b.TempDir(), "book"), o)
	if err != nil {
		b.Fatal(err)
	}
	b.Cleanup(func() { s.Close() })
	return s
}

// appended returns what each of a file's appends puts, read from the file.
func appended(b *testing.B) [][]put {
	b.Helper()
	var projected []put
	s := benchStore(b, store.Options{Projector: recorder{storetest.Projection{V: 1}, &projected}})
	out := make([][]put, fileAppends)
	for i := range out {
		before := len(projected)
		r, err := s.Append(benchDraft())
		if err != nil {
			b.Fatal(err)
		}
		out[i] = projected[before:len(projected):len(projected)]
		if err := s.Close(); err != nil {
			b.Fatal(err)
		}
		db, err := bolt.Open(s.Path(), 0o600, &bolt.Options{ReadOnly: true})
		if err != nil {
			b.Fatal(err)
		}
		err = db.View(func(tx *bolt.Tx) error {
			for _, name := range []string{"page", "head"} {
				k, v := tx.Bucket([]byte(name)).Cursor().Last()
				out[i] = append(out[i], put{[]byte(name), bytes.Clone(k), bytes.Clone(v)})
			}
			k, v := tx.Bucket([]byte("tally")).Cursor().Last()
			out[i] = append(out[i], put{[]byte("tally"), bytes.Clone(k), bytes.Clone(v)})
			return nil
		})
		if err != nil || r.Head.Seq != uint64(i+1) {
			b.Fatal(r.Head.Seq, err)
		}
		if err := db.Close(); err != nil {
			b.Fatal(err)
		}
		if s, err = store.Open(s.Path(), store.Options{Projector: recorder{storetest.Projection{V: 1}, &projected}}); err != nil {
			b.Fatal(err)
		}
	}
	return out
}

func BenchmarkAppend(b *testing.B) {
	var s *store.Store
	for i := 0; b.Loop(); i++ {
		if i%fileAppends == 0 {
			b.StopTimer()
			s = benchStore(b, store.Options{Projector: storetest.Projection{V: 1}})
			b.StartTimer()
		}
		if _, err := s.Append(benchDraft()); err != nil {
			b.Fatal(err)
		}
	}
}

func BenchmarkRawUpdate(b *testing.B) {
	puts := appended(b)
	var db *bolt.DB
	for i := 0; b.Loop(); i++ {
		if i%fileAppends == 0 {
			b.StopTimer()
			s := benchStore(b, store.Options{Projector: storetest.Projection{V: 1}})
			if err := s.Close(); err != nil {
				b.Fatal(err)
			}
			var err error
			if db, err = bolt.Open(s.Path(), 0o600, nil); err != nil {
				b.Fatal(err)
			}
			b.Cleanup(func() { db.Close() })
			b.StartTimer()
		}
		err := db.Update(func(tx *bolt.Tx) error {
			for _, p := range puts[i%fileAppends] {
				to := tx.Bucket(p.bucket)
				if string(p.bucket) == "page" || string(p.bucket) == "head" {
					to.FillPercent = 0.95
				}
				if err := to.Put(p.key, p.value); err != nil {
					return err
				}
			}
			return nil
		})
		if err != nil {
			b.Fatal(err)
		}
	}
}

// A bulk is a log of 100 000 pages of about 130 bytes, in batches of 2000.
const (
	bulkPages = 100_000
	bulkBatch = 2000
)

var bulk *storetest.Peer

func bulkPeer(b *testing.B) *storetest.Peer {
	b.Helper()
	if bulk == nil {
		bulk = storetest.NewPeer(b, 1, 0)
		bulk.WriteMany(b, bulkPages, journal.ID{2}, string(make([]byte, 80)))
	}
	return bulk
}

// ingestBulk takes a bulk in.
func ingestBulk(b *testing.B, s *store.Store, p *storetest.Peer) {
	b.Helper()
	for from := 1; from <= bulkPages; from += bulkBatch {
		if got, err := p.Offer(s, from, from+bulkBatch-1); err != nil || got.Added+got.Filled != bulkBatch {
			b.Fatal(got, err)
		}
	}
}

func BenchmarkIngest(b *testing.B) {
	p := bulkPeer(b)
	for name, o := range map[string]store.Options{"log": {}, "projection": {Projector: storetest.Projection{V: 1}}} {
		b.Run(name, func(b *testing.B) {
			for b.Loop() {
				b.StopTimer()
				s := benchStore(b, o)
				b.StartTimer()
				ingestBulk(b, s, p)
			}
		})
	}
}

// BenchmarkFill takes in a bulk that was withheld first, and makes the
// projection again, once.
func BenchmarkFill(b *testing.B) {
	p := bulkPeer(b)
	for b.Loop() {
		b.StopTimer()
		s := benchStore(b, store.Options{Projector: storetest.Projection{V: 1}})
		for from := 1; from <= bulkPages; from += bulkBatch {
			if _, err := s.Ingest(p.ID, p.Withheld(from, from+bulkBatch-1), p.Heads[from+bulkBatch-1]); err != nil {
				b.Fatal(err)
			}
		}
		b.StartTimer()
		ingestBulk(b, s, p)
		if n := storetest.Count(b, s); n != bulkPages {
			b.Fatal(n)
		}
	}
}

func BenchmarkScan(b *testing.B) {
	p := bulkPeer(b)
	s := benchStore(b, store.Options{})
	ingestBulk(b, s, p)
	for b.Loop() {
		n := 0
		for _, err := range s.Scan(p.ID.Device, 1) {
			if err != nil {
				b.Fatal(err)
			}
			n++
		}
		if n != bulkPages {
			b.Fatal(n)
		}
	}
}

// BenchmarkForget forgets a job of 1000 pages among 100 000 others.
func BenchmarkForget(b *testing.B) {
	p := bulkPeer(b)
	for b.Loop() {
		b.StopTimer()
		s := benchStore(b, store.Options{})
		ingestBulk(b, s, p)
		drafts := make([]store.Draft, 1000)
		for i := range drafts {
			drafts[i] = benchDraft()
		}
		if _, err := s.Append(drafts...); err != nil {
			b.Fatal(err)
		}
		b.StartTimer()
		if n, err := s.Forget(drafts[0].Job); err != nil || n != len(drafts) {
			b.Fatal(n, err)
		}
	}
}
