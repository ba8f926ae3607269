package store_test

import (
	"errors"
	"fmt"
	"math/rand/v2"
	"os"
	"path/filepath"
	"slices"
	"testing"

	"github.com/google/go-cmp/cmp"

	"pinchrod/store"
	"pinchrod/store/journal"
	"pinchrod/store/storetest"
)

// TestSimulation does random things to a store and to a plain model of it:
// slices in memory. A crash is a copy of the file taken when Append has
// returned, which the store then goes on from: all that was acknowledged has
// to be in it.
func TestSimulation(t *testing.T) {
	t.Parallel()
	seeds := uint64(3)
	if raceDetector {
		seeds = 1
	}
	for seed := range seeds {
		t.Run(fmt.Sprint(seed), func(t *testing.T) { simulate(t, seed) })
	}
}

// A model is what the store has to hold.
type model struct {
	own       []journal.Page // our pages, and
	erased    []bool         // whether each is forgotten
	peers     []*storetest.Peer
	jobs      [][]journal.ID // of a peer's pages,
	held      [][]bool       // and whether each is here whole
	margin    map[string][]byte
	forgotten []journal.ID
}

// counts returns the pages held whole, by device and job, and their number.
func (m *model) counts(self journal.ID) (jobs map[journal.ID]map[journal.ID]uint64, n uint64) {
	jobs = map[journal.ID]map[journal.ID]uint64{}
	add := func(device, job journal.ID) {
		if jobs[device] == nil {
			jobs[device] = map[journal.ID]uint64{}
		}
		jobs[device][job]++
		n++
	}
	for i, p := range m.own {
		if !m.erased[i] {
			add(self, p.Job)
		}
	}
	for i, p := range m.peers {
		for j, whole := range m.held[i] {
			if whole {
				add(p.ID.Device, m.jobs[i][j])
			}
		}
	}
	return jobs, n
}

// forget forgets a job, and returns how many pages that erases.
func (m *model) forget(job journal.ID) (n int) {
	if !slices.Contains(m.forgotten, job) {
		m.forgotten = append(m.forgotten, job)
		slices.SortFunc(m.forgotten, journal.ID.Compare)
	}
	for i, p := range m.own {
		if p.Job == job && !m.erased[i] {
			m.erased[i] = true
			n++
		}
	}
	for i := range m.held {
		for j := range m.held[i] {
			if m.held[i][j] && m.jobs[i][j] == job {
				m.held[i][j] = false
				n++
			}
		}
	}
	return n
}

func simulate(t *testing.T, seed uint64) {
	r := rand.New(rand.NewPCG(seed, 11))
	o := storetest.Options(t)
	o.Projector = storetest.Projection{V: 1}
	if r.IntN(2) == 0 {
		o = store.WithSteps(o, true, nil)
	}
	dir := t.TempDir()
	s, err := store.Create(filepath.Join(dir, "book0"), o)
	if err != nil {
		t.Fatal(err)
	}
	m := &model{
		peers:  []*storetest.Peer{storetest.NewPeer(t, 1, 0), storetest.NewPeer(t, 2, 0)},
		jobs:   make([][]journal.ID, 2),
		held:   make([][]bool, 2),
		margin: map[string][]byte{},
	}
	someJob := func() journal.ID { // as storetest.Drafts has them
		if r.IntN(2) == 0 {
			return journal.ID{}
		}
		return journal.ID{1, byte(r.IntN(3))}
	}
	steps := 150
	if raceDetector {
		steps = 50
	}
	for step := range steps {
		switch r.IntN(13) {
		case 0: // close and open
			if err := s.Close(); err != nil {
				t.Fatal(err)
			}
			if s, err = store.Open(s.Path(), o); err != nil {
				t.Fatal(err)
			}
		case 1: // crash
			b, err := os.ReadFile(s.Path())
			if err != nil {
				t.Fatal(err)
			}
			if err := s.Close(); err != nil {
				t.Fatal(err)
			}
			path := filepath.Join(dir, fmt.Sprint("book", step+1))
			if err := os.WriteFile(path, b, 0o600); err != nil {
				t.Fatal(err)
			}
			if s, err = store.Open(path, o); err != nil {
				t.Fatal(err)
			}
		case 2, 3, 4: // a peer writes, and what it has from somewhere on arrives
			i := r.IntN(len(m.peers))
			p := m.peers[i]
			for range r.IntN(8) {
				job := someJob()
				p.WriteMany(t, 1, job, fmt.Sprintf("step %d", step))
				m.jobs[i] = append(m.jobs[i], job)
			}
			from, to := 1+r.IntN(len(m.held[i])+1), len(p.Records)
			if from > to {
				continue
			}
			recs := append([]journal.Record(nil), p.Records[from-1:to]...)
			want := journal.Taken{}
			for j := range recs {
				if r.IntN(3) == 0 {
					recs[j].Page = nil
				}
				at := from - 1 + j
				whole := recs[j].Page != nil && !slices.Contains(m.forgotten, m.jobs[i][at])
				switch {
				case at >= len(m.held[i]):
					m.held[i] = append(m.held[i], whole)
					want.Added++
				case whole && !m.held[i][at]:
					m.held[i][at] = true
					want.Filled++
				default:
					want.Known++
				}
			}
			if got, err := s.Ingest(p.ID, recs, p.Heads[to]); err != nil || got != want {
				t.Fatalf("step %d: taken %+v, %v; want %+v", step, got, err, want)
			}
		case 5: // something that fails changes nothing
			if _, err := s.Append(store.Draft{Payload: make([]byte, journal.MaxPayload+1)}); err == nil {
				t.Fatal("too large a page was taken")
			}
		case 6: // notes in the margin
			changes := map[string][]byte{}
			for range r.IntN(4) {
				name := fmt.Sprintf("note %d", r.IntN(6))
				if changes[name] = nil; r.IntN(3) > 0 {
					changes[name] = fmt.Appendf(nil, "step %d", step)
				}
			}
			if err := s.SetMargin(changes); err != nil {
				t.Fatal(err)
			}
			for name, v := range changes {
				if m.margin[name] = v; v == nil {
					delete(m.margin, name)
				}
			}
		case 7: // a job is forgotten, now and then
			if r.IntN(3) > 0 || len(m.forgotten) == 2 {
				continue
			}
			job := journal.ID{1, byte(r.IntN(3))}
			if n, err := s.Forget(job); err != nil || n != m.forget(job) {
				t.Fatalf("step %d: forgot %d pages of job %s, %v", step, n, job, err)
			}
		default:
			drafts := storetest.Drafts(r, 1+r.IntN(1+r.IntN(40)))
			rec, err := s.Append(drafts...)
			if slices.ContainsFunc(drafts, func(d store.Draft) bool { return slices.Contains(m.forgotten, d.Job) }) {
				if !errors.Is(err, store.ErrForgotten) {
					t.Fatalf("step %d: %v, want ErrForgotten", step, err)
				}
				continue
			}
			if err != nil {
				t.Fatal(err)
			}
			m.own = append(m.own, rec.Pages...)
			m.erased = append(m.erased, make([]bool, len(rec.Pages))...)
		}
		if step%10 == 9 || step == steps-1 {
			m.compare(t, s)
		}
	}
	storetest.Check(t, s)
}

// compare holds a store against the model.
func (m *model) compare(t *testing.T, s *store.Store) {
	t.Helper()
	recs := storetest.Records(t, s, s.Device(), 1)
	if len(recs) != len(m.own) {
		t.Fatalf("%d own pages, want %d", len(recs), len(m.own))
	}
	for i, r := range recs {
		want, err := m.own[i].Encode()
		if err != nil {
			t.Fatal(err)
		}
		if r.Hash != journal.PageHash(want) || (r.Page == nil) != m.erased[i] || r.Page != nil && string(r.Page) != string(want) {
			t.Fatalf("own page %d is another", i+1)
		}
	}
	heads, err := s.Heads()
	if err != nil {
		t.Fatal(err)
	}
	for i, p := range m.peers {
		recs := storetest.Records(t, s, p.ID.Device, 1)
		if len(recs) != len(m.held[i]) {
			t.Fatalf("%d pages of peer %d, want %d", len(recs), i, len(m.held[i]))
		}
		for j, r := range recs {
			if r.Hash != p.Records[j].Hash || (r.Page != nil) != m.held[i][j] {
				t.Fatalf("page %d of peer %d: whole %v, want %v", j+1, i, r.Page != nil, m.held[i][j])
			}
		}
		if n := len(m.held[i]); n > 0 && heads[p.ID.Device] != p.Heads[n] {
			t.Fatalf("peer %d: head %d, want %d", i, heads[p.ID.Device].Seq, n)
		}
	}
	jobs, n := m.counts(s.Device())
	if got, err := s.Jobs(); err != nil || !cmp.Equal(got, jobs) {
		t.Fatalf("jobs %v, %v; want %v", got, err, jobs)
	}
	if got := storetest.Count(t, s); got != n {
		t.Fatalf("the projection has %d pages, want %d", got, n)
	}
	if notes, err := s.Margin(""); err != nil || !cmp.Equal(notes, m.margin) {
		t.Fatalf("margin %q, %v; want %q", notes, err, m.margin)
	}
	if gone, err := s.Forgotten(); err != nil || !slices.Equal(gone, m.forgotten) {
		t.Fatalf("forgotten %v, %v; want %v", gone, err, m.forgotten)
	}
	if _, err := s.Verify(); err != nil {
		t.Fatal(err)
	}
}
