package store_test

import (
	"fmt"
	"math/rand/v2"
	"os"
	"path/filepath"
	"testing"

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

func simulate(t *testing.T, seed uint64) {
	r := rand.New(rand.NewPCG(seed, 11))
	o := storetest.Options(t)
	o.Projector = storetest.Projection{V: 1}
	dir := t.TempDir()
	s, err := store.Create(filepath.Join(dir, "book0"), o)
	if err != nil {
		t.Fatal(err)
	}
	peers := []*storetest.Peer{storetest.NewPeer(t, 1, 0), storetest.NewPeer(t, 2, 0)}

	var own []journal.Page             // the model: our pages,
	held := make([][]bool, len(peers)) // whether each of a peer's is here whole,
	projected := func() (n uint64) {   // and so the projection's count
		n = uint64(len(own))
		for _, h := range held {
			for _, whole := range h {
				if whole {
					n++
				}
			}
		}
		return n
	}
	steps := 120
	if raceDetector {
		steps = 40
	}
	for step := range steps {
		switch r.IntN(10) {
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
			i := r.IntN(len(peers))
			p := peers[i]
			for range r.IntN(8) {
				p.Write(t, fmt.Sprintf("step %d", step))
			}
			from, to := 1+r.IntN(len(held[i])+1), len(p.Records)
			if from > to {
				continue
			}
			recs := append([]journal.Record(nil), p.Records[from-1:to]...)
			want := journal.Taken{}
			for j := range recs {
				if r.IntN(3) == 0 {
					recs[j].Page = nil
				}
				at, whole := from-1+j, recs[j].Page != nil
				switch {
				case at >= len(held[i]):
					held[i] = append(held[i], whole)
					want.Added++
				case whole && !held[i][at]:
					held[i][at] = true
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
		default:
			rec, err := s.Append(storetest.Drafts(r, 1+r.IntN(1+r.IntN(40)))...)
			if err != nil {
				t.Fatal(err)
			}
			own = append(own, rec.Pages...)
		}
		if step%10 == 9 || step == steps-1 {
			compare(t, s, own, peers, held, projected())
		}
	}
	storetest.Check(t, s)
}

// compare holds a store against the model.
func compare(t *testing.T, s *store.Store, own []journal.Page, peers []*storetest.Peer, held [][]bool, projected uint64) {
	t.Helper()
	recs := storetest.Records(t, s, s.Device(), 1)
	if len(recs) != len(own) {
		t.Fatalf("%d own pages, want %d", len(recs), len(own))
	}
	for i, r := range recs {
		want, err := own[i].Encode()
		if err != nil {
			t.Fatal(err)
		}
		if string(r.Page) != string(want) {
			t.Fatalf("own page %d is another", i+1)
		}
	}
	heads, err := s.Heads()
	if err != nil {
		t.Fatal(err)
	}
	for i, p := range peers {
		recs := storetest.Records(t, s, p.ID.Device, 1)
		if len(recs) != len(held[i]) {
			t.Fatalf("%d pages of peer %d, want %d", len(recs), i, len(held[i]))
		}
		for j, r := range recs {
			if r.Hash != p.Records[j].Hash || (r.Page != nil) != held[i][j] {
				t.Fatalf("page %d of peer %d: whole %v, want %v", j+1, i, r.Page != nil, held[i][j])
			}
		}
		if n := len(held[i]); n > 0 && heads[p.ID.Device] != p.Heads[n] {
			t.Fatalf("peer %d: head %d, want %d", i, heads[p.ID.Device].Seq, n)
		}
	}
	if n := storetest.Count(t, s); n != projected {
		t.Fatalf("the projection has %d pages, want %d", n, projected)
	}
	if _, err := s.Verify(); err != nil {
		t.Fatal(err)
	}
}
