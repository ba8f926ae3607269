package parcel

import (
	"bytes"
	"context"
	"crypto/ed25519"
	"errors"
	"io"
	"math/rand/v2"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"testing"
	"time"

	"filippo.io/age"

	"pinchrod/store/journal"
	"pinchrod/sync/exchange"
)

func mustWrite(t *testing.T, file string, b []byte) {
	t.Helper()
	if err := os.WriteFile(file, b, 0o600); err != nil {
		t.Fatal(err)
	}
}

// A writing that was cut off goes on where it stopped.
func TestResume(t *testing.T) {
	t.Parallel()
	key := sealKey(t)
	for _, seal := range []string{"", key.Recipient().String()} {
		book := pages(t, newBook(t), 210)
		name := filepath.Join(t.TempDir(), "my.logs")
		o := Options{PartSize: 8 << 10, Seal: seal}
		later := now
		again := func() Written {
			t.Helper()
			later = later.Add(time.Hour)
			w, err := Write(context.Background(), name+".parcel", book, book.Signer(), later, Contents{Own: true}, o)
			if err != nil {
				t.Fatal(err)
			}
			return w
		}
		first := again()
		before := contents(t, first.Files)
		if len(before) < 4 || first.Kept != 0 {
			t.Fatalf("%d parts, %d of them kept", len(before), first.Kept)
		}
		// One is not there, one is not whole, one is damaged; one was being
		// written.
		if err := os.Remove(first.Files[0]); err != nil {
			t.Fatal(err)
		}
		mustWrite(t, first.Files[1], before[1][:1000])
		flipped := bytes.Clone(before[2])
		flipped[5000] ^= 1
		mustWrite(t, first.Files[2], flipped)
		mustWrite(t, filepath.Join(filepath.Dir(name), ".my.logs.1of5.parcel.new"), before[0][:500])
		if len(before) != 5 {
			t.Fatalf("%d parts, and the test is made for 5", len(before))
		}
		w := again()
		if w.Kept != 2 || w.Set != first.Set || !slices.Equal(w.Files, first.Files) {
			t.Errorf("%d kept of %d, set %s", w.Kept, len(w.Files), w.Set)
		}
		after := contents(t, w.Files)
		for i := range after {
			if kept := bytes.Equal(after[i], before[i]); kept != (i > 2) {
				t.Errorf("part %d: kept %t", i+1, kept)
			}
		}
		if w = again(); w.Kept != 5 {
			t.Errorf("%d kept of 5 that are whole", w.Kept)
		}
		// An empty file is one that a crash has left.
		mustWrite(t, first.Files[4], nil)
		if w = again(); w.Kept != 4 {
			t.Errorf("%d kept of 4 that are whole", w.Kept)
		}
		found, err := Files(name)
		if err != nil || !slices.Equal(found, w.Files) {
			t.Errorf("Files = %v, %v", found, err)
		}
		if all, err := os.ReadDir(filepath.Dir(name)); err != nil || len(all) != 5 {
			t.Errorf("left in the folder: %v, %v", all, err)
		}
		to := newBook(t)
		if out, err := read(to, ReadOptions{Keys: []age.Identity{key}}, found...); err != nil || out.Added != 210 {
			t.Errorf("read: %+v, %v", out, err)
		}
		// Sealed to another, it is another parcel.
		o.Seal = sealKey(t).Recipient().String()
		if _, err := Write(context.Background(), name, book, book.Signer(), now, Contents{Own: true}, o); !errors.Is(err, ErrExists) {
			t.Errorf("sealed to another: %v", err)
		}
	}
}

func TestExists(t *testing.T) {
	t.Parallel()
	book := pages(t, newBook(t), 100)
	dir := t.TempDir()
	name := filepath.Join(dir, "logs")
	try := func(o Options) (Written, error) {
		return Write(context.Background(), name, book, book.Signer(), now, Contents{Own: true}, o)
	}
	old, err := try(Options{PartSize: 8 << 10})
	if err != nil {
		t.Fatal(err)
	}
	before := contents(t, old.Files)
	pages(t, book, 1)
	for _, o := range []Options{{}, {PartSize: 8 << 10}} {
		if _, err := try(o); !errors.Is(err, ErrExists) || !strings.Contains(err.Error(), old.Files[0]) {
			t.Errorf("%+v: %v", o, err)
		}
	}
	for i, b := range contents(t, old.Files) {
		if !bytes.Equal(b, before[i]) {
			t.Errorf("part %d has changed", i+1)
		}
	}
	w, err := try(Options{Replace: true})
	if err != nil {
		t.Fatal(err)
	}
	if found, err := Files(name); err != nil || !slices.Equal(found, w.Files) || len(found) != 1 {
		t.Errorf("after replacing: %v, %v", found, err)
	}
	// What is no parcel stays.
	mustWrite(t, w.Files[0], []byte("a letter"))
	if _, err := try(Options{Replace: true}); !errors.Is(err, ErrExists) {
		t.Errorf("over a letter: %v", err)
	}
	if b := contents(t, w.Files)[0]; string(b) != "a letter" {
		t.Errorf("the letter is now %q", b)
	}
}

func TestWriteRefused(t *testing.T) {
	book := pages(t, newBook(t), 300)
	other := newBook(t)
	dir := t.TempDir()
	name := filepath.Join(dir, "x")
	ctx, cancel := context.WithCancel(context.Background())
	cancel()
	for what, do := range map[string]func() (Written, error){
		"another's key": func() (Written, error) {
			return Write(context.Background(), name, book, other.Signer(), now, Contents{Own: true}, Options{})
		},
		"no key": func() (Written, error) {
			return Write(context.Background(), name, book, ed25519.PrivateKey(make([]byte, 64)), now, Contents{Own: true}, Options{})
		},
		"no recipient": func() (Written, error) {
			return Write(context.Background(), name, book, book.Signer(), now, Contents{Own: true}, Options{Seal: "age1x"})
		},
		"parts too small": func() (Written, error) {
			return Write(context.Background(), name, book, book.Signer(), now, Contents{Own: true}, Options{PartSize: 700})
		},
		"no folder": func() (Written, error) {
			return Write(context.Background(), filepath.Join(dir, "no", "x"), book, book.Signer(), now, Contents{Own: true}, Options{})
		},
		"cancelled": func() (Written, error) {
			return Write(ctx, name, book, book.Signer(), now, Contents{Own: true}, Options{})
		},
		"a log past its end": func() (Written, error) {
			return Write(context.Background(), name, book, book.Signer(), now, Contents{Own: true, From: map[journal.ID]uint64{book.Device(): 302}}, Options{})
		},
	} {
		if w, err := do(); err == nil {
			t.Errorf("%s: %+v", what, w)
		}
	}
	if left, err := os.ReadDir(dir); err != nil || len(left) > 0 {
		t.Errorf("left in the folder: %v, %v", left, err)
	}
	// Parts get smaller only as long as there are pages in them.
	for size := int64(1 << 10); size <= 64<<10; size *= 2 {
		w, err := Write(context.Background(), filepath.Join(t.TempDir(), "x"), book, book.Signer(), now, Contents{Own: true}, Options{PartSize: size})
		if err != nil {
			if size > 4<<10 {
				t.Errorf("parts of %d: %v", size, err)
			}
			continue
		}
		for _, b := range contents(t, w.Files) {
			if int64(len(b)) > size {
				t.Errorf("a part of %d bytes, and %d were allowed", len(b), size)
			}
		}
	}
}

func TestPackLimit(t *testing.T) {
	book := pages(t, newBook(t), 2500)
	for limit, want := range map[int64]error{100 << 10: ErrTooLarge, 10 << 20: nil} {
		d, err := gather(book, all.Reader, []exchange.Want{{Device: book.Device(), From: 1}})
		if err != nil {
			t.Fatal(err)
		}
		var out spool
		n, err := d.pack(t.Context(), &out, limit, nil)
		if !errors.Is(err, want) || err == nil && (n < 100<<10 || d.logs[0].To != 2500) {
			t.Errorf("%d bytes of at most %d, %+v, %v", n, limit, d.logs, err)
		}
		if err := out.remove(); err != nil {
			t.Error(err)
		}
	}
}

func TestSpool(t *testing.T) {
	dir := t.TempDir()
	s := &spool{dir: dir}
	for round, size := range []int{10, spoolMemory, 3 * spoolMemory, 5} {
		want := make([]byte, size)
		rand.NewChaCha8([32]byte{byte(round)}).Read(want)
		for p := range slices.Chunk(want, 100_000) {
			if n, err := s.Write(p); n != len(p) || err != nil {
				t.Fatal(n, err)
			}
		}
		if s.n != int64(size) || (s.file != nil) != (round > 1) {
			t.Errorf("%d bytes of %d, in a file: %t", s.n, size, s.file != nil)
		}
		got, err := io.ReadAll(s.section(0, s.n))
		if err != nil || !bytes.Equal(got, want) {
			t.Errorf("%d bytes come back as others, %v", size, err)
		}
		got, err = io.ReadAll(s.section(3, 2))
		if err != nil || !bytes.Equal(got, want[3:5]) {
			t.Errorf("bytes 3 and 4 are %x, %v", got, err)
		}
		if err := s.again(); err != nil {
			t.Fatal(err)
		}
	}
	if err := s.remove(); err != nil {
		t.Error(err)
	}
	if left, err := os.ReadDir(dir); err != nil || len(left) > 0 {
		t.Errorf("left behind: %v, %v", left, err)
	}
}

// A folder has whatever people put there.
func TestFiles(t *testing.T) {
	dir := t.TempDir()
	for _, f := range []string{"a.parcel", "a.1of2.parcel", "a.12of999.parcel", "a.0of2.parcel", "a.1of1000.parcel", "a.b.parcel", "b.parcel", "a.parcel.txt", ".a.parcel.new", "a"} {
		mustWrite(t, filepath.Join(dir, f), nil)
	}
	if err := os.Mkdir(filepath.Join(dir, "a.2of2.parcel"), 0o700); err != nil {
		t.Fatal(err)
	}
	for _, name := range []string{"a", "a.parcel"} {
		got, err := Files(filepath.Join(dir, name))
		want := []string{filepath.Join(dir, "a.12of999.parcel"), filepath.Join(dir, "a.1of2.parcel"), filepath.Join(dir, "a.parcel")}
		if err != nil || !slices.Equal(got, want) {
			t.Errorf("Files(%s) = %v, %v", name, got, err)
		}
	}
	t.Chdir(dir)
	if got, err := Files("b"); err != nil || !slices.Equal(got, []string{"b.parcel"}) {
		t.Errorf("Files(b) = %v, %v", got, err)
	}
}
