//go:build unix

package store_test

import (
	"bytes"
	"errors"
	"math/rand/v2"
	"os"
	"path/filepath"
	"syscall"
	"testing"

	"pinchrod/store"
	"pinchrod/store/journal"
	"pinchrod/store/storetest"
)

// A file cut short under an open store: reading the map is a fault, which must
// come as an error, end all use of the file, and leave no lock behind.
func TestCutWhileOpen(t *testing.T) {
	s, err := store.Create(t.TempDir()+"/book", storetest.Options(t))
	if err != nil {
		t.Fatal(err)
	}
	if _, err := s.Append(storetest.Drafts(rand.New(rand.NewPCG(1, 1)), 300)...); err != nil {
		t.Fatal(err)
	}
	if err := os.Truncate(s.Path(), 8192); err != nil {
		t.Fatal(err)
	}
	for range 2 {
		for _, err := range s.Scan(s.Device(), 1) {
			if !errors.Is(err, store.ErrDamaged) {
				t.Errorf("Scan: %v, want ErrDamaged", err)
			}
		}
	}
	if _, err := s.Append(store.Draft{}); !errors.Is(err, store.ErrDamaged) {
		t.Errorf("Append: %v, want ErrDamaged", err)
	}
	if info, err := os.Stat(s.Path()); err != nil || info.Size() != 8192 {
		t.Errorf("the damaged file was written: %v, %v", info, err)
	}
	if err := s.Close(); err != nil {
		t.Error(err)
	}
	if _, err := store.Open(s.Path(), store.Options{}); !errors.Is(err, store.ErrDamaged) || errors.Is(err, store.ErrInUse) {
		t.Errorf("Open: %v, want ErrDamaged", err)
	}
}

// A fault as a transaction begins leaves bbolt's own locks held for ever. The
// file is let go of all the same: a backup that takes its place opens.
func TestCutLeavesNoLock(t *testing.T) {
	b := makeBook(t, 30, false)
	path := writeTemp(t, b.data)
	s, err := store.Open(path, b.options)
	if err != nil {
		t.Fatal(err)
	}
	if err := os.Truncate(path, 0); err != nil {
		t.Fatal(err)
	}
	if _, err := s.Heads(); !errors.Is(err, store.ErrDamaged) {
		t.Errorf("Heads: %v, want ErrDamaged", err)
	}
	if err := s.Close(); err != nil {
		t.Error(err)
	}
	if err := os.WriteFile(path, b.data, 0o600); err != nil {
		t.Fatal(err)
	}
	verifies(t, path)
	verifiesElsewhere(t, path)
}

// limitFiles keeps this process from making a file larger than a size, as a
// full disk would, until the function it returns is called.
func limitFiles(t *testing.T, size int64) (lift func()) {
	t.Helper()
	var old syscall.Rlimit
	if err := syscall.Getrlimit(syscall.RLIMIT_FSIZE, &old); err != nil {
		t.Fatal(err)
	}
	limit := old
	limit.Cur = uint64(size)
	if err := syscall.Setrlimit(syscall.RLIMIT_FSIZE, &limit); err != nil {
		t.Fatal(err)
	}
	return func() {
		if err := syscall.Setrlimit(syscall.RLIMIT_FSIZE, &old); err != nil {
			t.Fatal(err)
		}
	}
}

// No room on the disk: what cannot be written is refused, what was there stays,
// and when there is room again the store goes on. Not parallel: the limit is
// the whole process's.
func TestNoRoom(t *testing.T) {
	o := storetest.Options(t)
	o.Projector = storetest.Projection{V: 1}
	s := storetest.New(t, o)
	_, gone := writeJobs(t, s)
	info, err := os.Stat(s.Path())
	if err != nil {
		t.Fatal(err)
	}
	before := storetest.Records(t, s, s.Device(), 1)
	peer := storetest.NewPeer(t, 2, 1)
	peer.WriteMany(t, 1, journal.ID{}, string(make([]byte, 1<<20)))
	big := bytes.Repeat([]byte("big"), 1<<19)

	lift := limitFiles(t, info.Size())
	_, appended := s.Append(store.Draft{Payload: big})
	_, ingested := peer.Offer(s, 1, 2)
	noted := s.SetMargin(map[string][]byte{"note": big})
	lift()
	for name, err := range map[string]error{"Append": appended, "Ingest": ingested, "SetMargin": noted} {
		if err == nil || errors.Is(err, store.ErrDamaged) {
			t.Errorf("%s without room: %v", name, err)
		}
	}
	if _, err := s.Verify(); err != nil {
		t.Error(err)
	}
	if !sameRecords(before, storetest.Records(t, s, s.Device(), 1)) {
		t.Error("the log is another")
	}
	if ids, err := s.Devices(); err != nil || len(ids) != 2 {
		t.Errorf("devices %v, %v", ids, err)
	}

	// The new file does not fit: the job is out of the log, and its bytes are
	// not yet out of the file, and Forget says so.
	lift = limitFiles(t, info.Size()/4)
	n, forgot := s.Forget(goneJob)
	lift()
	if forgot == nil || errors.Is(forgot, store.ErrDamaged) {
		t.Errorf("Forget without room: %d pages, %v", n, forgot)
	}
	if files, err := os.ReadDir(filepath.Dir(s.Path())); err != nil || len(files) != 1 {
		t.Errorf("left in the folder: %v, %v", files, err)
	}
	if m, err := s.Forget(goneJob); err != nil || n+m != gone {
		t.Errorf("forgot %d pages and %d, %v; want %d", n, m, err, gone)
	}
	checkForgotten(t, s, 1)
	if left := hasSecret(t, filepath.Dir(s.Path())); left != nil {
		t.Errorf("left in %v", left)
	}
	if _, err := s.Append(store.Draft{Payload: big}); err != nil {
		t.Error(err)
	}
	if _, err := peer.Offer(s, 1, 2); err != nil {
		t.Error(err)
	}
}
