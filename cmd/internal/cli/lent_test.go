package cli

import (
	"errors"
	"fmt"
	"io/fs"
	"os"
	"path/filepath"
	"testing"
	"testing/synctest"
	"time"

	"pinchrod/store"
	"pinchrod/store/picture"
	"pinchrod/survey/report/bench"
)

// While another window holds the book, all who ask for it meanwhile are told so
// after one wait, and who asks afterwards looks again.
func TestLentHeldElsewhere(t *testing.T) {
	path := closedBook(t)
	synctest.Test(t, func(t *testing.T) {
		held := false
		opens := 0
		l, err := lend(func() (*store.Store, error) {
			opens++
			if held {
				time.Sleep(time.Second)
				return nil, fmt.Errorf("field.book: %w", store.ErrInUse)
			}
			return store.Open(path, store.Options{})
		})
		if err != nil {
			t.Fatal(err)
		}
		if err := l.Close(); err != nil {
			t.Fatal(err)
		}
		held, opens = true, 0
		const many = 12
		start := time.Now()
		told := make(chan error, many)
		for i := range many {
			time.AfterFunc(time.Duration(i)*50*time.Millisecond, func() {
				told <- l.do(func(*store.Store) error { return nil })
			})
		}
		for range many {
			if err := <-told; !errors.Is(err, store.ErrInUse) {
				t.Errorf("while it is held: %v, want ErrInUse", err)
			}
		}
		if d := time.Since(start); d != time.Second || opens != 1 {
			t.Errorf("told after %v and %d looks, want 1s and 1", d, opens)
		}
		if err := l.do(func(*store.Store) error { return nil }); !errors.Is(err, store.ErrInUse) || opens != 2 {
			t.Errorf("the next: %v after %d looks, want ErrInUse after another", err, opens)
		}
		held = false
		for range 2 {
			if err := l.do(func(*store.Store) error { return nil }); err != nil {
				t.Errorf("when it is free again: %v", err)
			}
		}
		if opens != 3 {
			t.Errorf("%d opens, want 3: the book is kept between two uses", opens)
		}
		time.Sleep(2 * lentIdle) // in the bubble's time
		if err := l.do(func(*store.Store) error { return nil }); err != nil || opens != 4 {
			t.Errorf("%v, %d opens, want 4: the book is let go of when it is not used", err, opens)
		}
		if err := l.Close(); err != nil {
			t.Error(err)
		}
		time.Sleep(2 * lentIdle)
	})
}

// A book that turns out to be damaged is let go of at once, however often it is
// asked for, so that a backup in its place is seen.
func TestLentDamaged(t *testing.T) {
	path := closedBook(t)
	whole, err := os.ReadFile(path)
	if err != nil {
		t.Fatal(err)
	}
	opens := 0
	l, err := lend(func() (*store.Store, error) {
		opens++
		return store.Open(path, store.Options{})
	})
	if err != nil {
		t.Fatal(err)
	}
	if err := l.Close(); err != nil {
		t.Fatal(err)
	}
	opens = 0
	damaged := make([]byte, len(whole))
	copy(damaged, whole[:8192])
	err = l.do(func(s *store.Store) error {
		if err := os.WriteFile(path, damaged, 0o600); err != nil {
			return err
		}
		_, err := s.Heads()
		return err
	})
	if !errors.Is(err, store.ErrDamaged) {
		t.Fatalf("damaged: %v, want ErrDamaged", err)
	}
	if err := os.WriteFile(path, whole, 0o600); err != nil {
		t.Fatal(err)
	}
	if _, err := l.Heads(); err != nil || opens != 2 {
		t.Errorf("a backup in its place: %v after %d opens, want none after 2", err, opens)
	}
	if err := l.Close(); err != nil {
		t.Error(err)
	}
}

// closedBook makes a book that nobody has open.
func closedBook(t *testing.T) (path string) {
	t.Helper()
	path = filepath.Join(t.TempDir(), "field.book")
	s, err := store.Create(path, store.Options{})
	if err != nil {
		t.Fatal(err)
	}
	if err := s.Close(); err != nil {
		t.Fatal(err)
	}
	return path
}

func TestForPages(t *testing.T) {
	for _, x := range []struct{ err, want error }{
		{store.ErrInUse, bench.ErrBusy},
		{store.ErrMissing, bench.ErrNoBook},
		{store.ErrEmpty, bench.ErrNoBook},
		{store.ErrDamaged, bench.ErrDamaged},
		{picture.ErrMissing, fs.ErrNotExist},
	} {
		err := fmt.Errorf("d.book: %w", x.err)
		if got := forPages(err); !errors.Is(got, x.want) || !errors.Is(got, x.err) {
			t.Errorf("%v becomes %v, want both %v and itself", err, got, x.want)
		}
	}
	if got := forPages(errUsage); got != errUsage {
		t.Errorf("another error becomes %v", got)
	}
	if got := forPages(nil); got != nil {
		t.Errorf("no error becomes %v", got)
	}
}
