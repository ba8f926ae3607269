package synctest

import (
	"bytes"
	"errors"
	"fmt"
	"iter"
	"math/rand/v2"
	"os"
	"path/filepath"
	"testing"
	"time"

	"pinchrod/store"
	"pinchrod/store/journal"
)

// A storeNode is a store on disk, as a node of the simulation.
type storeNode struct {
	*store.Store
	faults Faults
	o      store.Options
}

func newStoreNode(path string, seed uint64, now func() time.Time) (*storeNode, error) {
	n := &storeNode{o: store.Options{Now: now, Rand: rand.NewChaCha8([32]byte{byte(seed), byte(seed >> 8), byte(seed >> 16), byte(seed >> 24)})}}
	var err error
	n.Store, err = store.Create(path, n.o)
	return n, err
}

func (n *storeNode) Disk() *Faults { return &n.faults }

func (n *storeNode) Restart() error {
	if n.faults.Dead() {
		if err := n.reopen(nil); err != nil {
			return err
		}
	}
	n.faults.Clear()
	return nil
}

// reopen closes the file and opens it again, after other bytes have taken its
// place if there are any.
func (n *storeNode) reopen(b []byte) error {
	path := n.Path()
	if err := n.Close(); err != nil {
		return err
	}
	if b != nil {
		if err := os.WriteFile(path, b, 0o600); err != nil {
			return err
		}
	}
	var err error
	n.Store, err = store.Open(path, n.o)
	return err
}

func (n *storeNode) Copy() (func() error, error) {
	var b bytes.Buffer
	if _, err := n.Backup(&b); err != nil {
		return nil, err
	}
	return func() error { return n.reopen(b.Bytes()) }, nil
}

// Evidence counts the forks of all devices; it is asked only where there is
// one.
func (n *storeNode) Evidence(journal.ID) (int, error) {
	r, err := n.Verify()
	return r.Forks, err
}

func (n *storeNode) Append(drafts ...Draft) (h journal.SignedHead, err error) {
	same := make([]store.Draft, len(drafts))
	for i, d := range drafts {
		same[i] = store.Draft(d)
	}
	err = n.faults.Write(func() error {
		r, err := n.Store.Append(same...)
		if errors.Is(err, store.ErrForgotten) {
			err = fmt.Errorf("%w: %w", ErrForgotten, err)
		}
		h = r.Head
		return err
	})
	return h, err
}

func (n *storeNode) Ingest(id journal.Identity, records []journal.Record, head journal.SignedHead) (t journal.Taken, err error) {
	err = n.faults.Write(func() error {
		t, err = n.Store.Ingest(id, records, head)
		return err
	})
	return t, err
}

func (n *storeNode) Forget(job journal.ID) (pages int, err error) {
	err = n.faults.Write(func() error {
		pages, err = n.Store.Forget(job)
		return err
	})
	return pages, err
}

func (n *storeNode) SetMargin(notes map[string][]byte) error {
	return n.faults.Write(func() error { return n.Store.SetMargin(notes) })
}

// A process that has crashed reads nothing.
func alive[T any](n *storeNode, read func() (T, error)) (out T, err error) {
	if err := n.faults.Read(); err != nil {
		return out, err
	}
	return read()
}

func (n *storeNode) Devices() ([]journal.Identity, error) { return alive(n, n.Store.Devices) }

func (n *storeNode) Heads() (map[journal.ID]journal.SignedHead, error) {
	return alive(n, n.Store.Heads)
}

func (n *storeNode) Jobs() (map[journal.ID]map[journal.ID]uint64, error) {
	return alive(n, n.Store.Jobs)
}

func (n *storeNode) Forgotten() ([]journal.ID, error) { return alive(n, n.Store.Forgotten) }

func (n *storeNode) Margin(prefix string) (map[string][]byte, error) {
	return alive(n, func() (map[string][]byte, error) { return n.Store.Margin(prefix) })
}

func (n *storeNode) SignedFrom(device journal.ID, seq uint64) (journal.SignedHead, error) {
	return alive(n, func() (journal.SignedHead, error) { return n.Store.SignedFrom(device, seq) })
}

func (n *storeNode) Scan(device journal.ID, from uint64) iter.Seq2[journal.Record, error] {
	if err := n.faults.Read(); err != nil {
		return func(yield func(journal.Record, error) bool) { yield(journal.Record{}, err) }
	}
	return n.Store.Scan(device, from)
}

// TestStoreSimulation runs schedules on stores in files. Each store verifies
// itself at the end.
func TestStoreSimulation(t *testing.T) {
	t.Parallel()
	n := uint64(48)
	if raceDetector {
		n = 4
	}
	dir := t.TempDir()
	counts := map[string]int{}
	for seed := range n {
		var nodes []*storeNode
		parts := rig{node: func(made uint64, now func() time.Time, _ bool) (Node, error) {
			node, err := newStoreNode(filepath.Join(dir, fmt.Sprint(seed, "-", len(nodes))), made, now)
			nodes = append(nodes, node)
			return node, err
		}}
		trace, err := simulate(Generate(seed), parts)
		if err != nil {
			t.Errorf("seed %d: %v\n%s", seed, err, trace)
		}
		for name, n := range trace.Counts {
			counts[name] += n
		}
		for _, node := range nodes {
			if _, err := node.Verify(); err != nil {
				t.Errorf("seed %d: %v", seed, err)
			}
			if err := errors.Join(node.Close(), os.Remove(node.Path())); err != nil {
				t.Error(err)
			}
		}
	}
	for _, name := range []string{"crash of device", "crash of hub", "device restored", "hub restored", "own page fetched back", "job forgotten"} {
		if counts[name] == 0 && !raceDetector {
			t.Errorf("%q never came about", name)
		}
	}
}
