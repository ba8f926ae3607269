// Package picture keeps pictures in a folder beside the book, each in a file
// named by the SHA-256 of its bytes: the original, byte for byte.
//
//	BOOK.pictures/9f86d081…0f00a08        a picture
//	BOOK.pictures/9f86d081…0f00a08.part   the start of one that is on its way
//	BOOK.pictures/.new-…                  one that is being written
//
// A file gets its name only when it is whole, on disk and proved by its sum, so
// several processes can write at once: what they write under one name is the
// same. What is read is proved again, so a damaged file is never handed out.
package picture

import (
	"bytes"
	"crypto/sha256"
	"errors"
	"fmt"
	"hash"
	"io"
	"io/fs"
	"iter"
	"os"
	"path/filepath"
	"strings"
	"time"
)

// MaxSize bounds a picture, which is read into memory whole. A telephone's JPEG
// of 50 megapixels has some 25 MB, a PNG of 12 megapixels some 40. Common
// practice, no source.
const MaxSize = 64 << 20

// What a caller has to tell apart. The error that wraps one of these says
// which picture it is.
var (
	// ErrMissing: no such picture in the folder.
	ErrMissing = errors.New("no such picture here")
	// ErrDamaged: the file is not the one that was stored.
	ErrDamaged = errors.New("damaged")
	// ErrTooLarge: more bytes than a picture may have.
	ErrTooLarge = errors.New("too large")
	// ErrEmpty: a picture of no bytes.
	ErrEmpty = errors.New("empty")
	// ErrOffset: a part does not follow on what is there; ask Partial again.
	ErrOffset = errors.New("not where the last part ended")
	// ErrWrong: what arrived is another picture. It is dropped; start again.
	ErrWrong = errors.New("not the picture it should be")
)

const (
	partSuffix = ".part"
	newPrefix  = ".new-"
)

// Beside names the folder of a book's pictures.
func Beside(book string) string { return book + ".pictures" }

// A Folder holds pictures. It keeps nothing open and nothing in memory, and is
// safe for use by several goroutines and processes.
type Folder struct{ dir string }

// Open opens a folder. One that is not there holds no pictures; it is made when
// the first is stored.
func Open(dir string) (*Folder, error) {
	switch info, err := os.Stat(dir); {
	case errors.Is(err, fs.ErrNotExist):
	case err != nil:
		return nil, fmt.Errorf("opening the pictures: %w", err)
	case !info.IsDir():
		return nil, fmt.Errorf("opening the pictures: %s is a file, not a folder: move it away", dir)
	}
	return &Folder{dir}, nil
}

func (f *Folder) path(s Sum) string { return filepath.Join(f.dir, s.String()) }
func (f *Folder) part(s Sum) string { return f.path(s) + partSuffix }

// Put stores a picture of at most limit bytes, and of [MaxSize] in any case, and
// returns its sum and size. When Put returns, the picture is on disk. Putting
// what is there already is success. Errors: [ErrTooLarge], [ErrEmpty].
func (f *Folder) Put(r io.Reader, limit int64) (Sum, int64, error) {
	s, n, err := f.put(r, min(limit, MaxSize))
	if err != nil {
		return Sum{}, 0, fmt.Errorf("storing a picture: %w", err)
	}
	return s, n, nil
}

func (f *Folder) put(r io.Reader, limit int64) (s Sum, n int64, err error) {
	if err := f.create(); err != nil {
		return s, 0, err
	}
	temp, err := os.CreateTemp(f.dir, newPrefix+"*") // mode 0600
	if err != nil {
		return s, 0, err
	}
	defer os.Remove(temp.Name()) // what is left of a failure, or a second copy
	h := sha256.New()
	n, err = io.Copy(io.MultiWriter(temp, h), io.LimitReader(r, limit+1))
	if err == nil {
		err = temp.Sync()
	}
	if err := errors.Join(err, temp.Close()); err != nil {
		return s, 0, err
	}
	if n > limit {
		return s, 0, fmt.Errorf("%w: at most %d bytes", ErrTooLarge, limit)
	}
	if n == 0 {
		return s, 0, ErrEmpty
	}
	s = sumOf(h)
	return s, n, f.publish(temp.Name(), s)
}

// create makes the folder, where it is not there.
func (f *Folder) create() error {
	if _, err := os.Stat(f.dir); err == nil {
		return nil
	}
	if err := os.MkdirAll(f.dir, 0o700); err != nil {
		return err
	}
	return syncDir(filepath.Dir(f.dir))
}

func sumOf(h hash.Hash) (s Sum) {
	h.Sum(s[:0])
	return s
}

// publish gives a finished file its name. A good file of that name stays, for
// another process may be reading it and Windows would not let it go; a damaged
// one is replaced.
func (f *Folder) publish(temp string, s Sum) error {
	if f.Check(s) == nil {
		return nil
	}
	if err := os.Rename(temp, f.path(s)); err != nil {
		if f.Check(s) == nil {
			return nil // another process was first
		}
		return err
	}
	return syncDir(f.dir)
}

// Has tells whether there is a file for a picture; [Folder.Check] tells whether
// it is whole.
func (f *Folder) Has(s Sum) bool {
	info, err := os.Stat(f.path(s))
	return err == nil && info.Mode().IsRegular()
}

// Get reads a picture. What is returned has that sum. Errors: [ErrMissing],
// [ErrDamaged].
func (f *Folder) Get(s Sum) ([]byte, error) {
	var b bytes.Buffer
	if info, err := os.Stat(f.path(s)); err == nil {
		b.Grow(int(min(info.Size(), MaxSize)))
	}
	if err := f.read(s, &b); err != nil {
		return nil, err
	}
	return b.Bytes(), nil
}

// Open proves a picture and opens it at its start, for whoever cannot hold all
// of it: a hub that serves many. What is read after is not proved again; the
// other side proves it by its sum. Errors are those of Get.
func (f *Folder) Open(s Sum) (file *os.File, size int64, err error) {
	if err := f.Check(s); err != nil {
		return nil, 0, err
	}
	if file, err = os.Open(f.path(s)); err != nil {
		return nil, 0, fmt.Errorf("picture %s: %w", s, err)
	}
	info, err := file.Stat()
	if err != nil {
		return nil, 0, errors.Join(fmt.Errorf("picture %s: %w", s, err), file.Close())
	}
	return file, info.Size(), nil
}

// Check reads a picture through. Errors are those of Get.
func (f *Folder) Check(s Sum) error { return f.read(s, io.Discard) }

// read copies a picture to w and proves it. On error w has been given bytes
// that must not be used.
func (f *Folder) read(s Sum, w io.Writer) error {
	file, err := os.Open(f.path(s))
	switch {
	case errors.Is(err, fs.ErrNotExist):
		return fmt.Errorf("picture %s: %w", s, ErrMissing)
	case err != nil:
		return fmt.Errorf("picture %s: %w", s, err)
	}
	defer file.Close()
	h := sha256.New()
	if _, err := io.Copy(io.MultiWriter(w, h), io.LimitReader(file, MaxSize)); err != nil {
		return fmt.Errorf("picture %s: %w", s, err)
	}
	if sumOf(h) != s {
		return fmt.Errorf("picture %s: %w: store it again from the camera, or fetch it from the hub", s, ErrDamaged)
	}
	return nil
}

// Remove takes a picture out of the folder, and the start of one on its way.
// Removing what is not there is success.
func (f *Folder) Remove(s Sum) error {
	removed := false
	for _, path := range []string{f.path(s), f.part(s)} {
		switch err := os.Remove(path); {
		case err == nil:
			removed = true
		case !errors.Is(err, fs.ErrNotExist):
			return fmt.Errorf("removing picture %s: %w", s, err)
		}
	}
	if removed {
		return syncDir(f.dir)
	}
	return nil
}

// All lists the pictures in the order of their sums. An error ends the list.
func (f *Folder) All() iter.Seq2[Sum, error] {
	return func(yield func(Sum, error) bool) {
		entries, err := f.entries()
		if err != nil {
			yield(Sum{}, err)
			return
		}
		for _, e := range entries {
			if s, err := Parse(e.Name()); err == nil && e.Type().IsRegular() && !yield(s, nil) {
				return
			}
		}
	}
}

// entries lists the folder in order of names.
func (f *Folder) entries() ([]os.DirEntry, error) {
	entries, err := os.ReadDir(f.dir)
	if err != nil && !errors.Is(err, fs.ErrNotExist) {
		return nil, fmt.Errorf("listing the pictures: %w", err)
	}
	return entries, nil
}

// Verify reads all pictures through, and hands over each as it is done, with
// nil or what is wrong with it; [ErrDamaged] among that. One that is removed
// meanwhile is passed over.
func (f *Folder) Verify() iter.Seq2[Sum, error] {
	return func(yield func(Sum, error) bool) {
		for s, err := range f.All() {
			if err == nil {
				err = f.Check(s)
			}
			if !errors.Is(err, ErrMissing) && !yield(s, err) {
				return
			}
		}
	}
}

// Sweep removes what a crash or a broken line left behind: files that were
// being written, and starts of pictures, none touched since before. It returns
// how many. A day ago is safe: nothing takes as long.
func (f *Folder) Sweep(before time.Time) (n int, err error) {
	entries, err := f.entries()
	if err != nil {
		return 0, err
	}
	for _, e := range entries {
		name, part := strings.CutSuffix(e.Name(), partSuffix)
		if _, err := Parse(name); !strings.HasPrefix(name, newPrefix) && !(part && err == nil) {
			continue
		}
		info, err := e.Info()
		if errors.Is(err, fs.ErrNotExist) {
			continue
		}
		if err == nil && info.Mode().IsRegular() && info.ModTime().Before(before) {
			if err = os.Remove(filepath.Join(f.dir, e.Name())); err == nil {
				n++
			}
		}
		if err != nil && !errors.Is(err, fs.ErrNotExist) {
			return n, fmt.Errorf("sweeping the pictures: %w", err)
		}
	}
	return n, nil
}
