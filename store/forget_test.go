package store_test

import (
	"bytes"
	"errors"
	"fmt"
	"math/rand/v2"
	"os"
	"path/filepath"
	"runtime"
	"slices"
	"strings"
	"sync"
	"testing"
	"time"

	"pinchrod/store"
	"pinchrod/store/journal"
	"pinchrod/store/storetest"
)

var (
	keptJob = journal.ID{0x4e}
	goneJob = journal.ID{0x60}
)

// secret is in every page of the job to be forgotten.
const secret = "12 Garden Steps, upper door"

// writeJobs writes pages of two jobs into a store: its own, in several commits,
// and a peer's. It returns the peer, and how many pages of goneJob there are.
func writeJobs(t *testing.T, s *store.Store) (p *storetest.Peer, gone int) {
	t.Helper()
	commits := 30
	if raceDetector {
		commits = 6
	}
	var drafts []store.Draft
	for i := range 30 {
		draft := store.Draft{Job: keptJob, Payload: fmt.Appendf(nil, "kept %d", i)}
		if i%3 == 1 {
			draft = store.Draft{Job: goneJob, Payload: fmt.Appendf(nil, "%s %d %s", secret, i, strings.Repeat("x", 40*i))}
			gone++
		}
		drafts = append(drafts, draft, store.Draft{Payload: []byte("of no job")})
		if (i+1)%(30/commits) > 0 {
			continue
		}
		if _, err := s.Append(drafts...); err != nil {
			t.Fatal(err)
		}
		drafts = nil
	}
	p = storetest.NewPeer(t, 1, 5)
	p.WriteMany(t, 5, goneJob, secret)
	p.WriteMany(t, 5, keptJob, "kept")
	if _, err := p.Offer(s, 1, 12); err != nil {
		t.Fatal(err)
	}
	return p, gone + 5
}

// hasSecret reports in which files of a folder the forgotten pages still lie.
func hasSecret(t *testing.T, dir string) (names []string) {
	t.Helper()
	files, err := os.ReadDir(dir)
	if err != nil {
		t.Fatal(err)
	}
	for _, f := range files {
		b, err := os.ReadFile(filepath.Join(dir, f.Name()))
		if err != nil {
			t.Fatal(err)
		}
		if bytes.Contains(b, []byte(secret)) {
			names = append(names, f.Name())
		}
	}
	return names
}

// checkForgotten checks that a store has forgotten goneJob, and nothing else.
func checkForgotten(t *testing.T, s *store.Store, own int) {
	t.Helper()
	if got, err := s.Forgotten(); err != nil || !slices.Equal(got, []journal.ID{goneJob}) {
		t.Errorf("forgotten: %v, %v", got, err)
	}
	ids, err := s.Devices()
	if err != nil {
		t.Fatal(err)
	}
	whole := uint64(0)
	for _, id := range ids {
		for _, r := range storetest.Records(t, s, id.Device, 1) {
			if bytes.Contains(r.Page, []byte(secret)) {
				t.Errorf("page %d of %s is still there", r.Seq, id.Device)
			}
			if r.Page != nil {
				whole++
			}
		}
	}
	if want := uint64(50 + 7); own > 0 && whole != want {
		t.Errorf("%d pages are left, want %d", whole, want)
	}
	if n := storetest.Count(t, s); n != whole {
		t.Errorf("the projection has %d pages, want %d", n, whole)
	}
	err = s.View(func(kv store.KV) error {
		for k, v := range kv.Scan(nil) {
			if bytes.Contains(v, []byte(secret)) {
				t.Errorf("the projection still has it at %x", k)
			}
		}
		return nil
	})
	if err != nil {
		t.Error(err)
	}
	if _, err := s.Verify(); err != nil {
		t.Error(err)
	}
}

// modes are the two ways to put the new file in the old one's place.
var modes = map[string]bool{"replaced while open": false, "closed first": true}

func TestForgetLeavesNothing(t *testing.T) {
	t.Parallel()
	for name, closeFirst := range modes {
		t.Run(name, func(t *testing.T) {
			if !closeFirst && runtime.GOOS == "windows" {
				return // it cannot
			}
			o := storetest.Options(t)
			o.Projector = storetest.Projection{V: 1}
			s := storetest.New(t, store.WithSteps(o, closeFirst, nil))
			p, gone := writeJobs(t, s)
			dir := filepath.Dir(s.Path())
			if len(hasSecret(t, dir)) == 0 {
				t.Fatal("the pages are not found before they are forgotten: the test tests nothing")
			}
			if err := s.SetMargin(map[string][]byte{"note": []byte("stays")}); err != nil {
				t.Fatal(err)
			}
			if n, err := s.Forget(goneJob); err != nil || n != gone {
				t.Fatalf("forgot %d pages, %v; want %d", n, err, gone)
			}
			if left := hasSecret(t, dir); left != nil {
				t.Errorf("left in %v", left)
			}
			checkForgotten(t, s, 1)
			if files, err := os.ReadDir(dir); err != nil || len(files) != 1 {
				t.Errorf("left in the folder: %v, %v", files, err)
			}
			if notes, err := s.Margin(""); err != nil || string(notes["note"]) != "stays" {
				t.Errorf("margin %q, %v", notes, err)
			}
			// It stays forgotten, whatever comes.
			if _, err := s.Append(store.Draft{Payload: []byte("fine")}, store.Draft{Job: goneJob}); !errors.Is(err, store.ErrForgotten) || !strings.Contains(err.Error(), "start a new job") {
				t.Errorf("Append: %v", err)
			}
			if got, err := p.Offer(s, 6, 15); err != nil || got != (journal.Taken{Known: 7, Added: 3}) {
				t.Errorf("taken %+v, %v", got, err)
			}
			p.WriteMany(t, 2, goneJob, secret)
			if got, err := p.Offer(s, 15, 17); err != nil || got != (journal.Taken{Known: 1, Added: 2}) {
				t.Errorf("taken %+v, %v", got, err)
			}
			if got, err := p.Offer(s, 1, 17); err != nil || got != (journal.Taken{Known: 17}) {
				t.Errorf("taken %+v, %v", got, err)
			}
			if n, err := s.Forget(goneJob); err != nil || n != 0 {
				t.Errorf("forgot %d pages again, %v", n, err)
			}
			if _, err := s.Append(store.Draft{Job: keptJob}); err != nil {
				t.Error(err)
			}
			if left := hasSecret(t, dir); left != nil {
				t.Errorf("left in %v", left)
			}
			s = reopen(t, s, o)
			checkForgotten(t, s, 0)
			// The new file can be damaged, and recovered, like any other.
			fresh := filepath.Join(t.TempDir(), "fresh")
			if err := s.Close(); err != nil {
				t.Fatal(err)
			}
			if _, err := store.Recover(s.Path(), fresh, o); err != nil {
				t.Fatal(err)
			}
			checkRecoveredForgotten(t, fresh, o)
		})
	}
}

func checkRecoveredForgotten(t *testing.T, fresh string, o store.Options) {
	t.Helper()
	r, err := store.Open(fresh, o)
	if err != nil {
		t.Fatal(err)
	}
	storetest.Check(t, r)
	checkForgotten(t, r, 0)
	if left := hasSecret(t, filepath.Dir(fresh)); left != nil {
		t.Errorf("recovered it into %v", left)
	}
	if notes, err := r.Margin(""); err != nil || len(notes) > 0 {
		t.Errorf("the margin came along: %q, %v", notes, err)
	}
}

// A crash at any step leaves a whole file, and the next open finishes.
func TestForgetCrash(t *testing.T) {
	t.Parallel()
	for name, closeFirst := range modes {
		t.Run(name, func(t *testing.T) {
			if !closeFirst && runtime.GOOS == "windows" {
				return
			}
			o := storetest.Options(t)
			o.Projector = storetest.Projection{V: 1}
			type crash struct{ step, dir string }
			var crashes []crash
			var s *store.Store
			s = storetest.New(t, store.WithSteps(o, closeFirst, func(step string) error {
				if s == nil || step == "opened" {
					return nil
				}
				at := crash{step, t.TempDir()}
				if err := os.CopyFS(at.dir, os.DirFS(filepath.Dir(s.Path()))); err != nil {
					t.Fatal(err)
				}
				crashes = append(crashes, at)
				return nil
			}))
			_, gone := writeJobs(t, s)
			if n, err := s.Forget(goneJob); err != nil || n != gone {
				t.Fatal(n, err)
			}
			var steps []string
			for _, at := range crashes {
				steps = append(steps, at.step)
			}
			want := []string{"marked", "made", "copied", "renamed"}
			if closeFirst {
				want = []string{"marked", "made", "copied", "closed", "renamed"}
			}
			if !slices.Equal(steps, want) {
				t.Fatalf("steps %v, want %v", steps, want)
			}
			for _, at := range crashes {
				t.Run(at.step, func(t *testing.T) {
					path := filepath.Join(at.dir, "book")
					if left := hasSecret(t, at.dir); (left == nil) != (at.step == "renamed") {
						t.Errorf("at the crash it is left in %v", left)
					}
					// Recover, which looks at all bytes, brings nothing back.
					fresh := filepath.Join(t.TempDir(), "fresh")
					if _, err := store.Recover(path, fresh, o); err != nil {
						t.Fatal(err)
					}
					checkRecoveredForgotten(t, fresh, o)
					// Whoever only looks sees it forgotten, and finishes nothing.
					look := o
					look.ReadOnly = true
					r, err := store.Open(path, look)
					if err != nil {
						t.Fatal(err)
					}
					if _, err := r.Verify(); err != nil {
						t.Error(err)
					}
					if err := r.View(func(store.KV) error { return nil }); !errors.Is(err, store.ErrStale) {
						t.Errorf("View: %v, want ErrStale", err)
					}
					if err := r.Close(); err != nil {
						t.Fatal(err)
					}
					c, err := store.Open(path, store.WithSteps(o, closeFirst, nil))
					if err != nil {
						t.Fatal(err)
					}
					storetest.Check(t, c)
					checkForgotten(t, c, 1)
					if left := hasSecret(t, at.dir); left != nil {
						t.Errorf("left in %v", left)
					}
					if files, err := os.ReadDir(at.dir); err != nil || len(files) != 1 {
						t.Errorf("left in the folder: %v, %v", files, err)
					}
					if c.Device() != s.Device() {
						t.Error("another device")
					}
					if _, err := c.Append(store.Draft{Payload: []byte("goes on")}); err != nil {
						t.Error(err)
					}
				})
			}
		})
	}
}

// An error at any step is told, and the job can be forgotten again.
func TestForgetFails(t *testing.T) {
	t.Parallel()
	full := errors.New("no space left on device")
	for name, closeFirst := range modes {
		for _, stop := range []string{"marked", "made", "copied", "closed", "renamed"} {
			if closeFirst && runtime.GOOS != "windows" && stop == "renamed" || !closeFirst && (stop == "closed" || runtime.GOOS == "windows") {
				continue // the file is in its place and only the handle fails, or there is no such step
			}
			if raceDetector && closeFirst && stop != "closed" {
				continue // up to there it goes as in the other mode
			}
			t.Run(name+", "+stop, func(t *testing.T) {
				o := storetest.Options(t)
				o.Projector = storetest.Projection{V: 1}
				fails := false
				with := store.WithSteps(o, closeFirst, func(step string) error {
					if fails && step == stop {
						return full
					}
					return nil
				})
				s := storetest.New(t, with)
				_, gone := writeJobs(t, s)
				fails = true
				if n, err := s.Forget(goneJob); !errors.Is(err, full) || n != gone || !strings.Contains(err.Error(), "may still be in the file") {
					t.Fatalf("forgot %d pages, %v", n, err)
				}
				if stop == "closed" {
					if _, err := s.Append(store.Draft{}); !errors.Is(err, store.ErrClosed) {
						t.Errorf("Append: %v, want ErrClosed", err)
					}
					if _, err := store.Open(s.Path(), with); !errors.Is(err, full) {
						t.Errorf("Open, which cannot finish either: %v", err)
					}
					fails = false
					s = reopen(t, s, with)
				} else {
					if _, err := s.Append(store.Draft{Job: goneJob}); !errors.Is(err, store.ErrForgotten) {
						t.Errorf("Append: %v", err)
					}
					fails = false
					if n, err := s.Forget(goneJob); err != nil || n != 0 {
						t.Errorf("forgot %d pages, %v", n, err)
					}
				}
				checkForgotten(t, s, 1)
				if left := hasSecret(t, filepath.Dir(s.Path())); left != nil {
					t.Errorf("left in %v", left)
				}
				if _, err := s.Append(store.Draft{Payload: []byte("goes on")}); err != nil {
					t.Error(err)
				}
			})
		}
	}
}

func TestForgetRefused(t *testing.T) {
	t.Parallel()
	o := storetest.Options(t)
	s := storetest.New(t, o)
	for _, job := range []journal.ID{{}, journal.Unread} {
		if n, err := s.Forget(job); !errors.Is(err, journal.ErrInvalid) || n != 0 {
			t.Errorf("job %s: %d pages, %v", job, n, err)
		}
	}
	// A job without pages is noted, and the file left as it is.
	before, err := os.Stat(s.Path())
	if err != nil {
		t.Fatal(err)
	}
	if n, err := s.Forget(goneJob); err != nil || n != 0 {
		t.Errorf("%d pages, %v", n, err)
	}
	if after, err := os.Stat(s.Path()); err != nil || !os.SameFile(before, after) {
		t.Errorf("the file was written anew, %v", err)
	}
	o.ReadOnly = true
	s = reopen(t, s, o)
	if got, err := s.Forgotten(); err != nil || !slices.Equal(got, []journal.ID{goneJob}) {
		t.Errorf("forgotten %v, %v", got, err)
	}
	if _, err := s.Forget(keptJob); !errors.Is(err, store.ErrReadOnly) {
		t.Errorf("looking only: %v", err)
	}
}

// The file is replaced under its own name only: one that has been moved is
// left alone, and so is what has its name now.
func TestForgetMoved(t *testing.T) {
	t.Parallel()
	o := storetest.Options(t)
	s, other := storetest.New(t, o), storetest.New(t, o)
	writeJobs(t, s)
	if err := other.Close(); err != nil {
		t.Fatal(err)
	}
	if runtime.GOOS == "windows" {
		return // it cannot be moved
	}
	if err := os.Rename(s.Path(), s.Path()+".moved"); err != nil {
		t.Fatal(err)
	}
	if err := os.Rename(other.Path(), s.Path()); err != nil {
		t.Fatal(err)
	}
	if n, err := s.Forget(goneJob); err == nil || n != 0 {
		t.Errorf("forgot %d pages, %v", n, err)
	}
	if gone, err := s.Forgotten(); err != nil || len(gone) > 0 {
		t.Errorf("forgotten %v, %v", gone, err)
	}
	now, err := store.Open(s.Path(), o)
	if err != nil {
		t.Fatal(err)
	}
	storetest.Check(t, now)
	if now.Device() != other.Device() {
		t.Error("the file that has the name now was replaced")
	}
}

// A damaged file is not written, and so not rewritten.
func TestForgetDamaged(t *testing.T) {
	t.Parallel()
	o := storetest.Options(t)
	s := storetest.New(t, o)
	writeJobs(t, s)
	page := storetest.Records(t, s, s.Device(), 1)[0].Page
	if err := s.Close(); err != nil {
		t.Fatal(err)
	}
	data, err := os.ReadFile(s.Path())
	if err != nil {
		t.Fatal(err)
	}
	for at := 0; ; at++ {
		i := bytes.Index(data[at:], page)
		if i < 0 {
			break
		}
		at += i
		data[at+len(page)-1] ^= 1
	}
	if err := os.WriteFile(s.Path(), data, 0o600); err != nil {
		t.Fatal(err)
	}
	if s, err = store.Open(s.Path(), o); err != nil {
		t.Fatal(err) // the end of every log is good
	}
	defer s.Close()
	if n, err := s.Forget(goneJob); !errors.Is(err, store.ErrDamaged) || n != 0 {
		t.Errorf("forgot %d pages, %v; want ErrDamaged", n, err)
	}
	if after, err := os.ReadFile(s.Path()); err != nil || !bytes.Equal(after, data) {
		t.Errorf("the damaged file was written, %v", err)
	}
}

// The file behind a link is replaced, and not the link; who may read it stays.
func TestForgetLinked(t *testing.T) {
	t.Parallel()
	if runtime.GOOS == "windows" {
		return // links there need a right of their own
	}
	o := storetest.Options(t)
	s := storetest.New(t, o)
	writeJobs(t, s)
	if err := s.Close(); err != nil {
		t.Fatal(err)
	}
	if err := os.Chmod(s.Path(), 0o640); err != nil {
		t.Fatal(err)
	}
	link := filepath.Join(t.TempDir(), "link")
	if err := os.Symlink(s.Path(), link); err != nil {
		t.Fatal(err)
	}
	l, err := store.Open(link, o)
	if err != nil {
		t.Fatal(err)
	}
	storetest.Check(t, l)
	if _, err := l.Forget(goneJob); err != nil {
		t.Fatal(err)
	}
	if info, err := os.Lstat(link); err != nil || info.Mode()&os.ModeSymlink == 0 {
		t.Errorf("the link is no link any more: %v, %v", info, err)
	}
	if info, err := os.Stat(s.Path()); err != nil || info.Mode().Perm() != 0o640 {
		t.Errorf("mode %v, %v; want 0640", info.Mode(), err)
	}
	if left := hasSecret(t, filepath.Dir(s.Path())); left != nil {
		t.Errorf("left in %v", left)
	}
}

// Another window that waits for the file while a job is forgotten gets the new
// file, and not the old one that it has open.
func TestForgetWhileAnotherWaits(t *testing.T) {
	t.Parallel()
	if runtime.GOOS == "windows" {
		return // a file that another has open is not replaced there
	}
	for name, readOnly := range map[string]bool{"to write": false, "to look": true} {
		t.Run(name, func(t *testing.T) {
			o := storetest.Options(t)
			o.Projector = storetest.Projection{V: 1}
			opened := make(chan int, 10)
			waiting := o
			waiting.ReadOnly, waiting.Timeout = readOnly, time.Minute
			tries := 0
			waiting = store.WithSteps(waiting, false, func(step string) error {
				if step == "opened" {
					tries++
					opened <- tries
				}
				return nil
			})
			type result struct {
				s   *store.Store
				err error
			}
			done := make(chan result)
			var s *store.Store
			s = storetest.New(t, store.WithSteps(o, false, func(step string) error {
				if step == "copied" {
					go func() {
						s, err := store.Open(s.Path(), waiting)
						done <- result{s, err}
					}()
					<-opened // it has the old file
				}
				return nil
			}))
			writeJobs(t, s)
			if _, err := s.Forget(goneJob); err != nil {
				t.Fatal(err)
			}
			if n := <-opened; n != 2 { // it has looked again
				t.Errorf("opened %d times", n)
			}
			if _, err := s.Append(store.Draft{Payload: []byte("after")}); err != nil {
				t.Fatal(err)
			}
			if err := s.View(func(store.KV) error { return nil }); err != nil {
				t.Fatal(err)
			}
			if err := s.Close(); err != nil {
				t.Fatal(err)
			}
			got := <-done
			if got.err != nil {
				t.Fatal(got.err)
			}
			storetest.Check(t, got.s)
			checkForgotten(t, got.s, 0)
			recs := storetest.Records(t, got.s, got.s.Device(), 1)
			if p, err := recs[len(recs)-1].Decode(); err != nil || string(p.Payload) != "after" {
				t.Errorf("the last page is %q, %v", p.Payload, err)
			}
		})
	}
}

// Whoever reads and writes while a job is forgotten waits, and goes on.
func TestForgetConcurrent(t *testing.T) {
	t.Parallel()
	o := storetest.Options(t)
	o.Projector = storetest.Projection{V: 1}
	s := storetest.New(t, o)
	r := rand.New(rand.NewPCG(1, 2))
	for i := range 5 { // jobs {1,0} to {1,2}
		if _, err := s.Append(storetest.Drafts(r, 200+i)...); err != nil {
			t.Fatal(err)
		}
	}
	stop := make(chan struct{})
	var wg sync.WaitGroup
	loop := func(do func() error) {
		wg.Go(func() {
			for {
				if err := do(); err != nil {
					t.Error(err)
					return
				}
				select {
				case <-stop:
					return
				default:
				}
			}
		})
	}
	loop(func() error {
		seq := uint64(0)
		for r, err := range s.Scan(s.Device(), 1) {
			if err != nil {
				return err
			}
			if seq++; r.Seq != seq {
				return fmt.Errorf("page %d comes after page %d", r.Seq, seq-1)
			}
		}
		return nil
	})
	loop(func() error {
		return s.View(func(kv store.KV) error {
			n := 0
			for range kv.Scan([]byte("p")) {
				n++
			}
			if n == 0 {
				return errors.New("an empty projection was shown")
			}
			return nil
		})
	})
	loop(func() error {
		_, err := s.Append(store.Draft{Payload: []byte("meanwhile")})
		return err
	})
	for i := range byte(3) {
		if n, err := s.Forget(journal.ID{1, i}); err != nil || n == 0 {
			t.Errorf("job %d: %d pages, %v", i, n, err)
		}
	}
	close(stop)
	wg.Wait()
}
