package store

import (
	"errors"
	"fmt"
	"slices"
	"strings"
	"testing"

	"pinchrod/store/journal"
)

// A panic of the caller's code goes on to the caller; one that is met while the
// file is read, in the caller's code or not, is damage, and ends all use of it.
func TestGuard(t *testing.T) {
	own := errors.New("the caller's")
	for name, tc := range map[string]struct {
		do     func() error
		panics any
		broken bool
		want   error
	}{
		"nothing":                       {func() error { return nil }, nil, false, nil},
		"an error":                      {func() error { return own }, nil, false, own},
		"an error of the caller's":      {func() error { return calling(func() error { return own }) }, nil, false, own},
		"a panic of the caller's":       {func() error { return calling(func() error { panic(own) }) }, own, false, nil},
		"a panic of the file's":         {func() error { panic("page 8: invalid page type") }, nil, true, ErrDamaged},
		"one met in the caller's code":  {func() error { return calling(func() error { reading(func() { panic("page 8") }); return nil }) }, nil, true, ErrDamaged},
		"one that is met while reading": {func() error { reading(func() { panic("page 8") }); return nil }, nil, true, ErrDamaged},
		"what reads without a panic":    {func() error { return calling(func() error { reading(func() {}); return nil }) }, nil, false, nil},
	} {
		t.Run(name, func(t *testing.T) {
			s := emptyBook(t)
			func() {
				defer func() {
					if r := recover(); r != tc.panics {
						t.Errorf("panics with %v, want %v", r, tc.panics)
					}
				}()
				if err := s.guard(tc.do); !errors.Is(err, tc.want) || (err == nil) != (tc.want == nil) {
					t.Errorf("%v, want %v", err, tc.want)
				}
			}()
			_, err := s.Heads()
			if tc.broken && (!errors.Is(err, ErrDamaged) || !strings.Contains(err.Error(), "see the error before")) || !tc.broken && err != nil {
				t.Errorf("afterwards: %v", err)
			}
		})
	}
}

// An error names the file and what to do next, once.
func TestFailSays(t *testing.T) {
	s := &Store{path: "x.book"}
	for _, tc := range []struct {
		err  error
		want string
	}{
		{ErrInUse, "x.book: in use by another window: close the other window, or try again when it has saved"},
		{ErrDamaged, "x.book: damaged: the file is kept as it is; recover what verifies into a new one"},
		{ErrForgotten, "x.book: the job has been forgotten: start a new job"},
		{journal.ErrStep, "x.book: too much to be saved in one step: nothing was written; save it in several steps"},
		{ErrNoPage, "x.book: no such page"},
	} {
		for _, err := range []error{s.fail(tc.err), s.fail(fmt.Errorf("%w", s.fail(tc.err)))} {
			if err.Error() != tc.want || !errors.Is(err, tc.err) {
				t.Errorf("%v, want %s", err, tc.want)
			}
		}
	}
}

// refusing is a projector that will not take one page.
type refusing struct {
	payloads
	seq uint64
}

var errRefused = errors.New("not this one")

func (r refusing) Project(kv KV, p journal.Page) error {
	if p.Seq == r.seq {
		return errRefused
	}
	return r.payloads.Project(kv, p)
}

// What a projection is behind with comes to it in order, at the next look:
// without the pages that are withheld or newer, and whole or not at all.
func TestCatchUp(t *testing.T) {
	t.Parallel()
	f := newFake(t, 7).write(slices.Repeat([]string{"page"}, 90)...)
	newer, err := journal.Marshal([]any{2, f.id.Device, 91, "what comes"})
	if err != nil {
		t.Fatal(err)
	}
	r := journal.NewRecord(91, newer)
	f.pages = append(f.pages, r)
	f.heads = append(f.heads, journal.Head{Device: f.id.Device, Seq: 91, Hash: journal.Next(f.heads[90].Hash, r.Hash)})
	f.write(slices.Repeat([]string{"page"}, 45)...)
	f.pages[80].Page = nil
	count := func(w worked) (n int, err error) {
		err = w.View(func(kv KV) error {
			for range kv.Scan(f.id.Device[:]) {
				n++
			}
			return nil
		})
		return n, err
	}
	for _, tc := range []struct {
		first int // pages that are folded in as they come
		then  int // and those after them
		late  int // how many of those wait
	}{
		{0, 128 + 2, 130 - 2}, {0, 128 + 3, 131 - 2}, // 128 at once of those that can be read
		{2, 100, 100 - 2}, {2, 134, 134 - 2},
	} {
		w := worked{Store: emptyBook(t), peer: f}
		w.o.Projector = payloads{}
		if _, err := count(w); err != nil {
			t.Fatal(err)
		}
		if tc.first > 0 {
			if err := w.bring(f, 0, tc.first); err != nil {
				t.Fatal(err)
			}
		}
		if err := w.bring(f, tc.first, tc.first+tc.then); err != nil {
			t.Fatal(err)
		}
		behind := map[journal.ID]uint64{}
		if err := w.view(func(l *ledger) (err error) { behind, err = l.behind(); return err }); err != nil {
			t.Fatal(err)
		}
		from, waits := behind[f.id.Device]
		if want := tc.late > projectAtOnce; waits != want || waits && from != uint64(tc.first+1) {
			t.Errorf("%d pages, then %d: behind from page %d: %t, want %t", tc.first, tc.then, from, waits, want)
		}
		if waits {
			w.o.Projector = refusing{seq: uint64(tc.first + tc.then)}
			if n, err := count(w); !errors.Is(err, errRefused) || n != 0 || !strings.Contains(err.Error(), fmt.Sprintf("projecting page %d of %s", tc.first+tc.then, f.id.Device)) {
				t.Errorf("a page that is refused: %d pages, %v", n, err)
			}
			w.o.Projector = payloads{}
		}
		if n, err := count(w); err != nil || n != tc.first+tc.late {
			t.Errorf("%d pages, then %d: %d are there, %v; want %d", tc.first, tc.then, n, err, tc.first+tc.late)
		}
		if _, err := w.Verify(); err != nil {
			t.Error(err)
		}
		w.o.Projector = refusing{seq: 1}
		if err := w.Rebuild(); !errors.Is(err, errRefused) || !strings.Contains(err.Error(), "projecting page 1 of ") {
			t.Errorf("made anew with a page that is refused: %v", err)
		}
		if _, err := w.Verify(); !errors.Is(err, errRefused) {
			t.Errorf("verified with a page that is refused: %v", err)
		}
	}
}
