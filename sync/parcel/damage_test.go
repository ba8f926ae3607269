package parcel

import (
	"bytes"
	"context"
	"errors"
	"math/rand/v2"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"testing"

	"filippo.io/age"

	"pinchrod/store"
	"pinchrod/store/journal"
	"pinchrod/store/storetest"
	"pinchrod/sync/exchange"
)

// parts makes sources of bytes, as the files' sizes and contents would be.
func parts(b ...[]byte) (out []source, err error) {
	for i, b := range b {
		s, err := readCover("part "+string(rune('a'+i)), bytes.NewReader(b), int64(len(b)), MaxStream)
		if err != nil {
			return nil, err
		}
		out = append(out, s)
	}
	return out, nil
}

// try reads parts that are in memory.
func try(t testing.TB, book exchange.Book, o ReadOptions, b ...[]byte) (Outcome, error) {
	t.Helper()
	if o.Accept == nil {
		o.Accept = Anyone
	}
	s, err := parts(b...)
	if err != nil {
		return Outcome{}, err
	}
	p, err := open(context.Background(), s, book, o)
	if err != nil {
		return Outcome{}, err
	}
	defer p.Close()
	return p.into(context.Background(), book)
}

func contents(t testing.TB, files []string) (out [][]byte) {
	t.Helper()
	for _, f := range files {
		b, err := os.ReadFile(f)
		if err != nil {
			t.Fatal(err)
		}
		out = append(out, b)
	}
	return out
}

// small is a parcel of two logs in one part, open and sealed.
func small(t testing.TB) (open, sealed []byte, key age.Identity) {
	b := pages(t, newBook(t), 1)
	offer(t, b, storetest.NewPeer(t, 1, 1), 1, 1)
	k := sealKey(t)
	return contents(t, write(t, b, all, Options{}).Files)[0], contents(t, write(t, b, all, Options{Seal: k.Recipient().String()}).Files)[0], k
}

func TestFlipped(t *testing.T) {
	t.Parallel()
	plain, sealed, key := small(t)
	for name, whole := range map[string][]byte{"open": plain, "sealed": sealed} {
		book := pages(t, newBook(t), 1)
		check := unchanged(t, book)
		got := map[error]int{}
		for i := range whole {
			if slow && i > 100 && i%9 != 0 {
				continue
			}
			for _, flip := range []byte{1 << (i % 8), 0xff} {
				b := bytes.Clone(whole)
				b[i] ^= flip
				_, err := try(t, book, ReadOptions{Keys: []age.Identity{key}}, b)
				j := slices.IndexFunc([]error{ErrFlipped, ErrCut, ErrTooLarge, ErrNotParcel, ErrPart}, func(e error) bool { return errors.Is(err, e) })
				if j < 0 {
					t.Fatalf("%s, byte %d by %02x: %v", name, i, flip, err)
				}
				got[[]error{ErrFlipped, ErrCut, ErrTooLarge, ErrNotParcel, ErrPart}[j]]++
				// Outside magic and size it is known for what it is.
				if size := coverSize - 8; i >= len(magic) && (i < size || i >= coverSize) && !errors.Is(err, ErrFlipped) {
					t.Errorf("%s, byte %d by %02x: %v, want ErrFlipped", name, i, flip, err)
				}
			}
		}
		t.Log(name, got)
		check()
		if _, err := try(t, book, ReadOptions{Keys: []age.Identity{key}}, bytes.Clone(whole)); err != nil {
			t.Errorf("%s, as it was: %v", name, err)
		}
	}
}

func TestCut(t *testing.T) {
	plain, sealed, key := small(t)
	book := newBook(t)
	check := unchanged(t, book)
	for name, whole := range map[string][]byte{"open": plain, "sealed": sealed} {
		for n := range whole {
			if _, err := try(t, book, ReadOptions{Keys: []age.Identity{key}}, whole[:n]); !errors.Is(err, ErrCut) {
				t.Errorf("%s, %d bytes of %d: %v", name, n, len(whole), err)
			}
		}
	}
	check()
}

func TestLonger(t *testing.T) {
	plain, _, _ := small(t)
	book := newBook(t)
	check := unchanged(t, book)
	for name, more := range map[string][]byte{"a byte": {0}, "itself": plain, "ten times": bytes.Repeat(plain, 9)} {
		if _, err := try(t, book, ReadOptions{}, slices.Concat(plain, more)); !errors.Is(err, ErrTooLarge) {
			t.Errorf("and %s: %v", name, err)
		}
	}
	for name, b := range map[string][]byte{"text": []byte("Dear Sir,"), "a zip": []byte("PK\x03\x04\x00\x00"), "changed line ends": bytes.ReplaceAll(plain, []byte("\r\n"), []byte("\n"))} {
		if _, err := try(t, book, ReadOptions{}, b); !errors.Is(err, ErrNotParcel) {
			t.Errorf("%s: %v", name, err)
		}
	}
	if _, err := try(t, book, ReadOptions{Limit: 100}, plain); !errors.Is(err, ErrTooLarge) {
		t.Errorf("more than is taken in: %v", err)
	}
	dir := t.TempDir()
	for _, files := range [][]string{nil, {dir}, {filepath.Join(dir, "none")}} {
		if _, err := read(book, ReadOptions{}, files...); err == nil {
			t.Errorf("%v is read", files)
		}
	}
	check()
}

// big is a parcel of many parts.
func big(t testing.TB, o Options) (Written, [][]byte) {
	b := pages(t, newBook(t), 200)
	o.PartSize = 8 << 10
	w := write(t, b, all, o)
	if len(w.Files) < 4 {
		t.Fatalf("%d parts", len(w.Files))
	}
	return w, contents(t, w.Files)
}

func TestParts(t *testing.T) {
	w, b := big(t, Options{})
	_, other := big(t, Options{})
	n := len(b)
	book := newBook(t)
	check := unchanged(t, book)
	flipped := bytes.Clone(b[1])
	flipped[20] ^= 1 // in its cover, so that it is of no set
	tests := map[string]struct {
		parts [][]byte
		want  error
		says  string
	}{
		"none":                {nil, ErrPart, "no file"},
		"one missing":         {slices.Delete(slices.Clone(b), 1, 2), ErrPart, "part 2 of " + string(rune('0'+n)) + " is missing"},
		"two missing":         {b[2:], ErrPart, "parts 1 and 2 of"},
		"all but one missing": {b[:1], ErrPart, "parts 2, 3"},
		"one of another":      {slices.Concat(b[:1], other[1:2], b[2:]), ErrPart, "read one parcel at a time"},
		"one more of another": {slices.Concat(b, other[:1]), ErrPart, "of parcel"},
		"one in itself":       {slices.Concat(b[:1], [][]byte{slices.Concat(b[1], b[1])}, b[2:]), ErrTooLarge, "part b"},
		"one cut":             {slices.Concat(b[:1], [][]byte{b[1][:1000]}, b[2:]), ErrCut, "part b"},
		"a flipped cover":     {slices.Concat(b[:1], [][]byte{flipped}, b[2:]), ErrFlipped, "part b"},
	}
	for name, tc := range tests {
		_, err := try(t, book, ReadOptions{}, tc.parts...)
		if !errors.Is(err, tc.want) || !strings.Contains(err.Error(), tc.says) {
			t.Errorf("%s: %v; want %v, with %q", name, err, tc.want, tc.says)
		}
	}
	check()
	// In whatever order and under whatever names, and some of them twice.
	shuffled := slices.Concat(b[2:], b[:2], b[1:3])
	if out, err := try(t, book, ReadOptions{}, shuffled...); err != nil || out.Added != 200 || out.Set != w.Set {
		t.Errorf("shuffled: %+v, %v", out, err)
	}
}

// A temporary copy that finds no place is not the parcel's fault.
func TestNoRoom(t *testing.T) {
	b := newBook(t)
	for i := range 8 {
		page := make([]byte, 200<<10)
		rand.NewChaCha8([32]byte{byte(i)}).Read(page)
		if _, err := b.Append(store.Draft{Payload: page}); err != nil {
			t.Fatal(err)
		}
	}
	w := write(t, b, all, Options{})
	none := filepath.Join(t.TempDir(), "none")
	to := newBook(t)
	check := unchanged(t, to)
	if _, err := read(to, ReadOptions{Temp: none}, w.Files...); !errors.Is(err, os.ErrNotExist) || errors.Is(err, ErrFlipped) {
		t.Errorf("reading: %v", err)
	}
	check()
	if _, err := Write(t.Context(), filepath.Join(t.TempDir(), "x"), b, b.Signer(), now, all, Options{Temp: none}); !errors.Is(err, os.ErrNotExist) {
		t.Errorf("writing: %v", err)
	}
	if out, err := read(to, ReadOptions{}, w.Files...); err != nil || out.Added != 8 {
		t.Errorf("with room: %+v, %v", out, err)
	}
}

func TestSealed(t *testing.T) {
	_, sealed, key := small(t)
	book := newBook(t)
	check := unchanged(t, book)
	for name, tc := range map[string]struct {
		keys []age.Identity
		says string
	}{"no key": {nil, "give the key"}, "another": {[]age.Identity{sealKey(t)}, "sealed for yours"}} {
		if _, err := try(t, book, ReadOptions{Keys: tc.keys}, sealed); !errors.Is(err, ErrSealed) || !strings.Contains(err.Error(), tc.says) {
			t.Errorf("%s: %v", name, err)
		}
	}
	check()
	if out, err := try(t, book, ReadOptions{Keys: []age.Identity{key}}, sealed); err != nil || out.Added != 2 {
		t.Errorf("with the key: %+v, %v", out, err)
	}
}

func TestAccept(t *testing.T) {
	hub, writer, log := newBook(t), pages(t, newBook(t), 2), storetest.NewPeer(t, 1, 3)
	offer(t, writer, log, 1, 3)
	both := contents(t, write(t, writer, all, Options{}).Files)[0]
	own := contents(t, write(t, writer, Contents{Own: true}, Options{}).Files)[0]
	introduce := func(b *store.Store, id journal.Identity) *store.Store {
		if _, err := b.Ingest(id, nil, id.Head()); err != nil {
			t.Fatal(err)
		}
		return b
	}
	knowsWriter := introduce(newBook(t), writer.Identity())
	knowsLog := introduce(newBook(t), log.ID)
	knowsBoth := introduce(introduce(newBook(t), writer.Identity()), log.ID)
	for _, tc := range []struct {
		name   string
		book   *store.Store
		accept Accept
		parcel []byte
		ok     bool
	}{
		{"a stranger's", hub, Known(hub), own, false},
		{"known writer's", knowsWriter, Known(knowsWriter), own, true},
		{"known writer, strange log", knowsWriter, Known(knowsWriter), both, false},
		{"strange writer, known log", knowsLog, Known(knowsLog), both, false},
		{"both known", knowsBoth, Known(knowsBoth), both, true},
		{"from the hub", newBook(t), From(writer.Identity()), both, true},
		{"from another hub", newBook(t), From(hub.Identity()), both, false},
		{"from anyone", newBook(t), Anyone, both, true},
		{"one's own, from a stranger", writer, From(hub.Identity()), own, true},
	} {
		check := unchanged(t, tc.book)
		_, err := try(t, tc.book, ReadOptions{Accept: tc.accept}, tc.parcel)
		if tc.ok && err != nil || !tc.ok && !errors.Is(err, ErrForeign) {
			t.Errorf("%s: %v", tc.name, err)
		}
		if !tc.ok {
			check()
		}
	}
	// By itself, Read takes what is known.
	w := write(t, writer, Contents{Own: true}, Options{})
	if _, err := Read(context.Background(), w.Files, hub, ReadOptions{}); !errors.Is(err, ErrForeign) {
		t.Errorf("without a policy: %v", err)
	}
}

// A device id whose key was exchanged.
func TestAnotherKey(t *testing.T) {
	a, b := storetest.NewPeer(t, 1, 2), storetest.NewPeer(t, 2, 0)
	id, err := journal.NewIdentity(a.ID.Device, b.Key)
	if err != nil {
		t.Fatal(err)
	}
	thief := &storetest.Peer{ID: id, Key: b.Key, Heads: []journal.SignedHead{id.Head()}}
	thief.Write(t, "mine")
	from, to := newBook(t), newBook(t)
	offer(t, from, thief, 1, 1)
	offer(t, to, a, 1, 2)
	check := unchanged(t, to)
	if _, err := read(to, ReadOptions{}, write(t, from, all, Options{}).Files...); !errors.Is(err, journal.ErrSignature) {
		t.Errorf("another key: %v", err)
	}
	check()
}

func TestGapAndFork(t *testing.T) {
	t.Parallel()
	p := storetest.NewPeer(t, 1, 6)
	fork := p.Fork(3)
	for _, w := range []string{"something", "else", "was", "signed"} {
		fork.Write(t, w)
	}
	low := storetest.NewPeer(t, 3, 4) // a log that would be taken in, were it not for the other
	writer := func(p *storetest.Peer, n int) *store.Store {
		b := newBook(t)
		offer(t, b, low, 1, 4)
		offer(t, b, p, 1, n)
		return b
	}
	from := func(seq uint64) Contents {
		return Contents{Reader: all.Reader, From: map[journal.ID]uint64{p.ID.Device: seq}}
	}
	for _, tc := range []struct {
		name   string
		have   int
		parcel *store.Store
		c      Contents
		want   error
		forks  int
		says   string
	}{
		{"gap", 2, writer(p, 6), from(5), journal.ErrGap, 0, "from page 3 on"},
		{"gap from nothing", 0, writer(p, 6), from(5), journal.ErrGap, 0, "from page 1 on"},
		{"fork", 5, writer(fork, 7), all, journal.ErrFork, 1, "page 4"},
		{"fork in the parcel's last page", 5, writer(fork, 4), all, journal.ErrFork, 1, "page 4"},
		{"fork before the parcel's first page", 6, writer(fork, 7), from(6), journal.ErrFork, 0, "page 5"},
	} {
		to := newBook(t)
		if tc.have > 0 {
			offer(t, to, p, 1, tc.have)
		}
		check := unchanged(t, to)
		w := write(t, tc.parcel, tc.c, Options{})
		_, err := read(to, ReadOptions{}, w.Files...)
		if !errors.Is(err, tc.want) || !strings.Contains(err.Error(), tc.says) {
			t.Errorf("%s: %v; want %v, with %q", tc.name, err, tc.want, tc.says)
		}
		check()
		if rep, err := to.Verify(); err != nil || rep.Forks < tc.forks {
			t.Errorf("%s: %d forks are kept, want %d, %v", tc.name, rep.Forks, tc.forks, err)
		}
		// Without that log, the other is taken in.
		out, err := read(to, ReadOptions{Without: []journal.ID{p.ID.Device}}, w.Files...)
		if err != nil || out.Added != 4 {
			t.Errorf("%s, without it: %+v, %v", tc.name, out, err)
		}
	}
}

// failing is a book that fails after some batches.
type failing struct {
	*store.Store
	left int
}

var errDisk = errors.New("the disk is full")

func (f *failing) Ingest(id journal.Identity, r []journal.Record, h journal.SignedHead) (journal.Taken, error) {
	if f.left--; f.left < 0 {
		return journal.Taken{}, errDisk
	}
	return f.Store.Ingest(id, r, h)
}

// Whatever stops the taking in, the next reading goes on.
func TestBrokenOff(t *testing.T) {
	t.Parallel()
	from := crowd(t)
	w := write(t, from, all, Options{})
	want := logs(t, from)
	to := newBook(t)
	added := 0
	step := 1
	if slow {
		step = 2
	}
	for n := 0; ; n += step {
		out, err := read(&failing{to, n}, ReadOptions{}, w.Files...)
		added += out.Added
		if err == nil {
			break
		}
		if !errors.Is(err, errDisk) || !strings.Contains(err.Error(), "of 3017 pages are taken in") {
			t.Fatal(err)
		}
		for device, held := range logs(t, to) {
			if device != to.Device().String() && !slices.Equal(held[1:], want[device][1:len(held)]) {
				t.Errorf("after %d batches, log of %s is not the beginning of what it should be", n, device)
			}
		}
	}
	if added != 3017 {
		t.Errorf("%d pages added in the end", added)
	}
	ctx, cancel := context.WithCancel(context.Background())
	fresh := newBook(t)
	_, err := Read(ctx, w.Files, fresh, ReadOptions{Accept: Anyone, Progress: func(s Step, pages, _ uint64) {
		if s == Taking && pages > 10 {
			cancel()
		}
	}})
	if !errors.Is(err, context.Canceled) {
		t.Errorf("cancelled: %v", err)
	}
	if out, err := read(fresh, ReadOptions{}, w.Files...); err != nil || out.Known == 0 || out.Added+out.Known != 3017 {
		t.Errorf("afterwards: %+v, %v", out, err)
	}
}
