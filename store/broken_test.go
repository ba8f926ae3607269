package store_test

import (
	"bytes"
	"errors"
	"math/rand/v2"
	"os"
	"os/exec"
	"path/filepath"
	"runtime"
	"strings"
	"testing"
	"time"

	"pinchrod/store"
	"pinchrod/store/storetest"
)

// openVariable names the book that this test, run again as another process,
// opens and verifies.
const openVariable = "PINCHROD_TEST_OPEN"

// Whatever 4 KiB of a file are zeroed under the program, it lets go of the file:
// a backup put in its place opens, here and in another process.
func TestBrokenLetsGo(t *testing.T) {
	if path := os.Getenv(openVariable); path != "" {
		verifies(t, path)
		return
	}
	t.Parallel()
	pages := 100
	if raceDetector {
		pages = 30
	}
	b := makeBook(t, pages, false)
	path := filepath.Join(t.TempDir(), "book")
	write := func(data []byte) {
		t.Helper()
		if err := os.WriteFile(path, data, 0o600); err != nil {
			t.Fatal(err)
		}
	}
	refused, broken := 0, 0
	for at := 0; at < len(bytes.TrimRight(b.data, "\x00")); at += 4096 {
		for _, readOnly := range []bool{false, true} {
			damaged := bytes.Clone(b.data)
			clear(damaged[at : at+4096])
			write(damaged)
			o := b.options
			o.ReadOnly = readOnly
			s, err := store.Open(path, o)
			if err != nil {
				refused++
				if !errors.Is(err, store.ErrDamaged) {
					t.Errorf("page %d, read-only %t: %v, want ErrDamaged", at/4096, readOnly, err)
				}
			} else {
				if _, err := s.Verify(); err != nil {
					broken++
				}
				if err := s.Close(); err != nil {
					t.Errorf("page %d, read-only %t: closing: %v", at/4096, readOnly, err)
				}
			}
			if n := mappings(t, path); n > 0 {
				t.Errorf("page %d, read-only %t: the file is still mapped %d times", at/4096, readOnly, n)
			}
			write(b.data)
			verifies(t, path)
		}
	}
	t.Logf("%d opens refused, %d found out later", refused, broken)
	if refused == 0 || broken == 0 {
		t.Error("the damage is found at one time only: the test tests less than it says")
	}
	verifiesElsewhere(t, path)
}

// A store that is broken and still held, as a hub holds it, lets go as well,
// and stays of no use.
func TestBrokenHeld(t *testing.T) {
	t.Parallel()
	b := makeBook(t, 100, false)
	path := writeTemp(t, b.data)
	s, err := store.Open(path, b.options)
	if err != nil {
		t.Fatal(err)
	}
	defer s.Close()
	f, err := os.OpenFile(path, os.O_WRONLY, 0)
	if err != nil {
		t.Fatal(err)
	}
	defer f.Close()
	used := len(bytes.TrimRight(b.data, "\x00"))
	if _, err := f.WriteAt(make([]byte, used-8192), 8192); err != nil { // all but the meta pages
		t.Fatal(err)
	}
	for range 2 {
		if _, err := s.Heads(); !errors.Is(err, store.ErrDamaged) {
			t.Errorf("Heads: %v, want ErrDamaged", err)
		}
		if _, err := s.Append(store.Draft{}); !errors.Is(err, store.ErrDamaged) {
			t.Errorf("Append: %v, want ErrDamaged", err)
		}
	}
	if _, err := f.WriteAt(b.data[8192:used], 8192); err != nil {
		t.Fatal(err)
	}
	verifies(t, path)
	verifiesElsewhere(t, path)
	if _, err := s.Append(store.Draft{}); !errors.Is(err, store.ErrDamaged) {
		t.Errorf("Append, when the file is whole again: %v, want ErrDamaged still", err)
	}
	if err := s.Close(); err != nil {
		t.Error(err)
	}
}

// Who is reading when another meets the damage reads to the end before the file
// is let go of.
func TestBrokenWhileReading(t *testing.T) {
	t.Parallel()
	o := storetest.Options(t)
	o.Projector = storetest.Projection{V: 1}
	s, err := store.Create(filepath.Join(t.TempDir(), "book"), o)
	if err != nil {
		t.Fatal(err)
	}
	defer s.Close()
	if _, err := s.Append(storetest.Drafts(rand.New(rand.NewPCG(1, 2)), 100)...); err != nil {
		t.Fatal(err)
	}
	locked := func() bool {
		other, err := store.Open(s.Path(), store.Options{Timeout: time.Nanosecond})
		if err == nil {
			other.Close()
		}
		return errors.Is(err, store.ErrInUse)
	}
	err = s.View(func(store.KV) error {
		met := make(chan error)
		go func() { met <- store.Break(s) }()
		if err := <-met; !errors.Is(err, store.ErrDamaged) {
			t.Errorf("broken: %v, want ErrDamaged", err)
		}
		if !locked() {
			t.Error("the file is let go of while somebody reads")
		}
		return nil
	})
	if err != nil {
		t.Errorf("the reader: %v", err)
	}
	verifies(t, s.Path())
}

// verifies opens a book to write, as another window would, and verifies it.
func verifies(t *testing.T, path string) {
	t.Helper()
	s, err := store.Open(path, store.Options{Projector: storetest.Projection{V: 1}})
	if err != nil {
		t.Fatal(err)
	}
	if _, err := s.Verify(); err != nil {
		t.Error(err)
	}
	if err := s.Close(); err != nil {
		t.Error(err)
	}
}

func verifiesElsewhere(t *testing.T, path string) {
	t.Helper()
	c := exec.CommandContext(t.Context(), os.Args[0], "-test.run", "^TestBrokenLetsGo$", "-test.count", "1")
	c.Env = append(os.Environ(), openVariable+"="+path)
	if out, err := c.CombinedOutput(); err != nil {
		t.Errorf("in another process: %v\n%s", err, out)
	}
}

// mappings counts how often this process has a file mapped; 0 where the system
// does not say.
func mappings(t *testing.T, path string) int {
	t.Helper()
	if runtime.GOOS != "linux" {
		return 0
	}
	maps, err := os.ReadFile("/proc/self/maps")
	if err != nil {
		t.Fatal(err)
	}
	return strings.Count(string(maps), path+"\n")
}
