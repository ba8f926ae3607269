package store_test

import (
	"bytes"
	"errors"
	"math/rand/v2"
	"os"
	"path/filepath"
	"runtime"
	"strings"
	"testing"
	"time"

	bolt "go.etcd.io/bbolt"

	"pinchrod/store"
	"pinchrod/store/journal"
	"pinchrod/store/storetest"
)

func TestCreate(t *testing.T) {
	dir := t.TempDir()
	path := filepath.Join(dir, "book")
	s, err := store.Create(path, storetest.Options(t))
	if err != nil {
		t.Fatal(err)
	}
	storetest.Check(t, s)
	info, err := os.Stat(path)
	if err != nil {
		t.Fatal(err)
	}
	if runtime.GOOS != "windows" && info.Mode() != 0o600 {
		t.Errorf("mode %v, want 0600: the file holds a secret key", info.Mode())
	}
	if files, err := os.ReadDir(dir); err != nil || len(files) != 1 {
		t.Errorf("left in the folder: %v, %v", files, err)
	}
	if s.Device()[6]>>4 != 7 {
		t.Errorf("device %s is not a version 7 UUID", s.Device())
	}
	if err := s.Identity().Verify(); err != nil {
		t.Error(err)
	}
	before, err := os.ReadFile(path)
	if err != nil {
		t.Fatal(err)
	}
	if _, err := store.Create(path, storetest.Options(t)); !errors.Is(err, store.ErrExists) || !strings.Contains(err.Error(), path) {
		t.Errorf("creating again: %v", err)
	}
	empty := filepath.Join(dir, "empty")
	if err := os.WriteFile(empty, nil, 0o600); err != nil {
		t.Fatal(err)
	}
	if _, err := store.Create(empty, storetest.Options(t)); !errors.Is(err, store.ErrExists) {
		t.Errorf("creating over an empty file: %v", err)
	}
	if after, err := os.ReadFile(path); err != nil || !bytes.Equal(before, after) {
		t.Errorf("the file changed: %v", err)
	}
	if _, err := store.Create(filepath.Join(dir, "no", "such", "folder"), storetest.Options(t)); err == nil {
		t.Error("created in a folder that is not there")
	}
	bad := storetest.Options(t)
	bad.Rand = bytes.NewReader(make([]byte, 20))
	if _, err := store.Create(filepath.Join(dir, "short"), bad); err == nil {
		t.Error("created with too few random bytes")
	}
	if files, err := os.ReadDir(dir); err != nil || len(files) != 2 {
		t.Errorf("left in the folder: %v, %v", files, err)
	}
}

func TestOpenRefused(t *testing.T) {
	dir := t.TempDir()
	write := func(name string, b []byte) string {
		t.Helper()
		path := filepath.Join(dir, name)
		if err := os.WriteFile(path, b, 0o600); err != nil {
			t.Fatal(err)
		}
		return path
	}
	other := filepath.Join(dir, "other")
	db, err := bolt.Open(other, 0o600, nil)
	if err != nil {
		t.Fatal(err)
	}
	if err := db.Close(); err != nil {
		t.Fatal(err)
	}
	for _, tc := range []struct {
		path string
		want error
	}{
		{filepath.Join(dir, "none"), store.ErrMissing},
		{write("empty", nil), store.ErrEmpty},
		{write("one byte", []byte{1}), store.ErrDamaged},
		{write("text", bytes.Repeat([]byte("not a book\n"), 2000)), store.ErrDamaged},
		{write("zeros", make([]byte, 64<<10)), store.ErrDamaged},
		{other, store.ErrDamaged}, // another program's database
	} {
		for _, readOnly := range []bool{true, false} {
			before, _ := os.ReadFile(tc.path)
			if _, err := store.Open(tc.path, store.Options{ReadOnly: readOnly}); !errors.Is(err, tc.want) || !strings.Contains(err.Error(), tc.path) {
				t.Errorf("%s: %v, want %v and the file's name", tc.path, err, tc.want)
			}
			if after, _ := os.ReadFile(tc.path); !bytes.Equal(before, after) {
				t.Errorf("%s was changed", tc.path)
			}
		}
	}
	if _, err := os.Stat(filepath.Join(dir, "none")); !os.IsNotExist(err) {
		t.Error("opening made a file")
	}
	if _, err := store.Open(dir, store.Options{}); err == nil {
		t.Error("opened a folder")
	}
}

func TestInUse(t *testing.T) {
	s := storetest.New(t, storetest.Options(t))
	start := time.Now()
	for _, readOnly := range []bool{true, false} {
		_, err := store.Open(s.Path(), store.Options{ReadOnly: readOnly, Timeout: 60 * time.Millisecond})
		if !errors.Is(err, store.ErrInUse) || !strings.Contains(err.Error(), "close the other window") {
			t.Errorf("read-only %v: %v", readOnly, err)
		}
	}
	if d := time.Since(start); d > 10*time.Second {
		t.Errorf("took %v", d)
	}
	// The refused opens have not disturbed the store.
	if _, err := s.Append(store.Draft{Payload: []byte("goes on")}); err != nil {
		t.Error(err)
	}
}

func TestReadOnly(t *testing.T) {
	o := storetest.Options(t)
	o.Projector = storetest.Projection{V: 1}
	s := storetest.New(t, o)
	if _, err := s.Append(store.Draft{Payload: []byte("x")}); err != nil {
		t.Fatal(err)
	}
	if err := s.Close(); err != nil {
		t.Fatal(err)
	}
	before, err := os.ReadFile(s.Path())
	if err != nil {
		t.Fatal(err)
	}
	o.ReadOnly = true
	var open [2]*store.Store // two windows look at once
	for i := range open {
		if open[i], err = store.Open(s.Path(), o); err != nil {
			t.Fatal(err)
		}
		storetest.Check(t, open[i])
		if n := storetest.Count(t, open[i]); n != 1 {
			t.Errorf("count %d", n)
		}
	}
	if _, err := open[0].Append(store.Draft{}); !errors.Is(err, store.ErrReadOnly) {
		t.Errorf("Append: %v", err)
	}
	if err := open[0].Rebuild(); !errors.Is(err, store.ErrReadOnly) {
		t.Errorf("Rebuild: %v", err)
	}
	p := storetest.NewPeer(t, 1, 1)
	if _, err := p.Offer(open[0], 1, 1); !errors.Is(err, store.ErrReadOnly) {
		t.Errorf("Ingest: %v", err)
	}
	if after, err := os.ReadFile(s.Path()); err != nil || !bytes.Equal(before, after) {
		t.Errorf("looking changed the file: %v", err)
	}
}

// reopen closes a store and opens its file.
func reopen(t *testing.T, s *store.Store, o store.Options) *store.Store {
	t.Helper()
	if err := s.Close(); err != nil {
		t.Fatal(err)
	}
	again, err := store.Open(s.Path(), o)
	if err != nil {
		t.Fatal(err)
	}
	return storetest.Check(t, again)
}

func TestProjectorVersions(t *testing.T) {
	o := storetest.Options(t)
	append1 := func(s *store.Store) {
		t.Helper()
		if _, err := s.Append(store.Draft{Payload: []byte("x")}); err != nil {
			t.Fatal(err)
		}
	}
	stale := func(s *store.Store) {
		t.Helper()
		if err := s.View(func(store.KV) error { return nil }); !errors.Is(err, store.ErrStale) {
			t.Errorf("View: %v, want ErrStale", err)
		}
	}
	s := storetest.New(t, o)
	append1(s)
	stale(s) // no projector
	look := o
	look.ReadOnly, look.Projector = true, storetest.Projection{V: 1}
	s = reopen(t, s, look)
	stale(s)
	o.Projector = storetest.Projection{V: 1}
	s = reopen(t, s, o) // rebuilds
	append1(s)
	if n := storetest.Count(t, s); n != 2 {
		t.Errorf("count %d, want 2", n)
	}
	o.Projector = nil
	s = reopen(t, s, o)
	append1(s) // the projection falls behind, and is known to
	o.Projector = storetest.Projection{V: 1}
	s = reopen(t, s, o)
	if n := storetest.Count(t, s); n != 3 {
		t.Errorf("count %d, want 3", n)
	}
	look.Projector = storetest.Projection{V: 2}
	s = reopen(t, s, look)
	stale(s)
	o.Projector = storetest.Projection{V: 2}
	s = reopen(t, s, o)
	if n := storetest.Count(t, s); n != 3 {
		t.Errorf("count %d, want 3", n)
	}
	// A projector that does something else without a new version is found out.
	o.Projector = liar{storetest.Projection{V: 2}}
	s = reopen(t, s, o)
	if _, err := s.Verify(); !errors.Is(err, store.ErrProjection) {
		t.Errorf("Verify: %v, want ErrProjection", err)
	}
	if err := s.Rebuild(); err != nil {
		t.Fatal(err)
	}
	if _, err := s.Verify(); err != nil {
		t.Error(err)
	}
}

type liar struct{ storetest.Projection }

func (l liar) Project(kv store.KV, p journal.Page) error {
	if p.Seq == 2 {
		return kv.Put([]byte("lie"), []byte("2"))
	}
	return l.Projection.Project(kv, p)
}

type failing struct {
	storetest.Projection
	err   error
	panic bool
}

func (f *failing) Project(kv store.KV, p journal.Page) error {
	if f.panic {
		panic(f.err)
	}
	if f.err != nil {
		return f.err
	}
	return f.Projection.Project(kv, p)
}

// A page and its projection are one step.
func TestProjectorFails(t *testing.T) {
	o := storetest.Options(t)
	p := &failing{}
	o.Projector = p
	s := storetest.New(t, o)
	want := errors.New("cannot")
	p.err = want
	if _, err := s.Append(store.Draft{}); !errors.Is(err, want) {
		t.Errorf("Append: %v", err)
	}
	p.panic = true
	func() {
		defer func() {
			if r := recover(); r != want {
				t.Errorf("the projector's panic came as %v", r)
			}
		}()
		_, _ = s.Append(store.Draft{})
	}()
	p.err, p.panic = nil, false
	if r, err := s.Append(store.Draft{}); err != nil || r.Head.Seq != 1 {
		t.Errorf("afterwards: head %d, %v", r.Head.Seq, err)
	}
}

func TestClockBack(t *testing.T) {
	now := time.Date(2026, 3, 1, 9, 0, 0, 999_999, time.UTC)
	o := storetest.Options(t)
	o.Now = func() time.Time { return now }
	s := storetest.New(t, o)
	for i, tc := range []struct{ step, want time.Duration }{
		{0, 0}, {time.Hour, 0}, {-time.Minute, time.Minute}, {0, 0}, {time.Hour, 0},
	} {
		now = now.Add(tc.step)
		r, err := s.Append(store.Draft{}, store.Draft{})
		if err != nil || r.ClockBack != tc.want {
			t.Errorf("%d: clock back %v, %v; want %v", i, r.ClockBack, err, tc.want)
		}
		if got := r.Pages[0].Time; !got.Equal(now.Truncate(time.Millisecond)) {
			t.Errorf("%d: time %v, want %v", i, got, now)
		}
	}
	rep, err := s.Verify()
	if err != nil || rep.Logs[0].ClockBack != 1 {
		t.Errorf("%+v, %v; want one step back", rep.Logs, err)
	}
}

func TestBackup(t *testing.T) {
	o := storetest.Options(t)
	o.Projector = storetest.Projection{V: 1}
	s := storetest.New(t, o)
	r := rand.New(rand.NewPCG(5, 6))
	// After an odd and an even number of commits: the newest meta page is
	// the one or the other.
	for i := range 2 {
		if _, err := s.Append(storetest.Drafts(r, 30)...); err != nil {
			t.Fatal(err)
		}
		var b bytes.Buffer
		if n, err := s.Backup(&b); err != nil || n != int64(b.Len()) {
			t.Fatalf("%d bytes of %d, %v", n, b.Len(), err)
		}
		path := filepath.Join(t.TempDir(), "copy")
		if err := os.WriteFile(path, b.Bytes(), 0o600); err != nil {
			t.Fatal(err)
		}
		c, err := store.Open(path, o)
		if err != nil {
			t.Fatal(err)
		}
		storetest.Check(t, c)
		if c.Device() != s.Device() || len(storetest.Records(t, c, c.Device(), 1)) != 30*(i+1) {
			t.Error("the copy has other pages")
		}
		for range 3 { // the copy can take this file's place
			if _, err := c.Append(storetest.Drafts(r, 1)...); err != nil {
				t.Fatal(err)
			}
			c = reopen(t, c, o)
		}
	}
	want := errors.New("disk full")
	if _, err := s.Backup(fullDisk{want}); !errors.Is(err, want) {
		t.Errorf("Backup: %v", err)
	}
}

type fullDisk struct{ err error }

func (f fullDisk) Write([]byte) (int, error) { return 0, f.err }
