package store_test

import (
	"bytes"
	"errors"
	"os"
	"strings"
	"testing"

	"pinchrod/store"
	"pinchrod/store/journal"
	"pinchrod/store/storetest"
)

// A step that could never be sent is not written.
func TestAppendStep(t *testing.T) {
	t.Parallel()
	s := storetest.New(t, storetest.Options(t))
	big := make([]byte, journal.MaxPayload)
	rest := make([]byte, journal.MaxStep-len(big)-2*journal.PageRoom)
	before, err := os.ReadFile(s.Path())
	if err != nil {
		t.Fatal(err)
	}
	_, err = s.Append(store.Draft{Payload: big}, store.Draft{Payload: append(rest, 0)})
	if !errors.Is(err, journal.ErrStep) || !strings.Contains(err.Error(), "nothing was written; save it in several steps") {
		t.Errorf("one byte too many: %v", err)
	}
	if after, err := os.ReadFile(s.Path()); err != nil || !bytes.Equal(after, before) {
		t.Errorf("the file was written: %v", err)
	}
	if _, err := s.Append(store.Draft{Payload: big}, store.Draft{Payload: rest}); err != nil {
		t.Errorf("as much as a step may have: %v", err)
	}
}

// A device's signed head can contradict its log without a page that leads to
// it. The evidence is kept as what it is, and is no damage.
func TestForkedHeadAlone(t *testing.T) {
	t.Parallel()
	o := storetest.Options(t)
	s := storetest.New(t, o)
	writeJobs(t, s)
	p := storetest.NewPeer(t, 9, 3)
	if _, err := p.Offer(s, 1, 3); err != nil {
		t.Fatal(err)
	}
	fork := p.Fork(2)
	fork.Write(t, "signed as well")
	if _, err := s.Ingest(fork.ID, nil, fork.Heads[3]); !errors.Is(err, journal.ErrFork) {
		t.Fatalf("taken in: %v", err)
	}
	forks := func() {
		t.Helper()
		if r, err := s.Verify(); err != nil || r.Forks != 1 {
			t.Errorf("%d forks, %v; want 1", r.Forks, err)
		}
	}
	forks()
	s = reopen(t, s, o)
	forks()
	if n, err := s.Forget(goneJob); err != nil || n == 0 {
		t.Errorf("forgot %d pages, %v", n, err)
	}
	forks()
}
