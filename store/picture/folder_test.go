package picture

import (
	"bytes"
	"crypto/sha256"
	"errors"
	"fmt"
	"io"
	"math/rand/v2"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"sync"
	"testing"
	"testing/iotest"
	"time"

	"pinchrod/store/journal"
)

func newFolder(t testing.TB) *Folder {
	t.Helper()
	f, err := Open(Beside(filepath.Join(t.TempDir(), "book")))
	if err != nil {
		t.Fatal(err)
	}
	return f
}

func mustPut(t testing.TB, f *Folder, b []byte) Sum {
	t.Helper()
	s, n, err := f.Put(bytes.NewReader(b), MaxSize)
	if err != nil || n != int64(len(b)) || s != sha256.Sum256(b) {
		t.Fatalf("Put = %v, %d, %v; want %x and %d", s, n, err, sha256.Sum256(b), len(b))
	}
	return s
}

// names lists what lies in the folder.
func names(t testing.TB, f *Folder) (out []string) {
	t.Helper()
	entries, err := os.ReadDir(f.dir)
	if err != nil {
		t.Fatal(err)
	}
	for _, e := range entries {
		out = append(out, e.Name())
	}
	return out
}

func TestSum(t *testing.T) {
	// "abc": FIPS 180-4's example, from memory.
	s := Sum(sha256.Sum256([]byte("abc")))
	const want = "ba7816bf8f01cfea414140de5dae2223b00361a396177a9cb410ff61f20015ad"
	if s.String() != want {
		t.Errorf("String = %s, want %s", s, want)
	}
	if got, err := Parse(want); got != s || err != nil {
		t.Errorf("Parse = %v, %v", got, err)
	}
	for _, bad := range []string{"", want[:63], want + "0", strings.ToUpper(want), "../../../../etc/passwd", strings.Repeat("g", 64), want[:62] + "/.", want + partSuffix, strings.Repeat("x", 1000)} {
		if _, err := Parse(bad); !errors.Is(err, ErrSyntax) || len(err.Error()) > 200 {
			t.Errorf("Parse(%q) error = %v, want a short ErrSyntax", bad, err)
		}
	}
	text, err := s.MarshalText()
	var back Sum
	if err != nil || back.UnmarshalText(text) != nil || back != s {
		t.Errorf("through text: %v, %v", back, err)
	}
	b, err := journal.Marshal(struct {
		Sum Sum `cbor:"1,keyasint"`
	}{s})
	if err != nil || !bytes.Equal(b, append([]byte{0xa1, 0x01, 0x58, 0x20}, s[:]...)) {
		t.Errorf("CBOR %x, %v; want a byte string of 32", b, err)
	}
	back = Sum{}
	if err := journal.Unmarshal(b[2:], &back); err != nil || back != s {
		t.Errorf("through CBOR: %v, %v", back, err)
	}
	if err := back.UnmarshalCBOR(b[2:20]); err == nil {
		t.Error("a short sum was taken")
	}
}

func TestPutAndGet(t *testing.T) {
	f := newFolder(t)
	if got := slices.Collect(keys(f.All())); len(got) != 0 {
		t.Errorf("a folder that is not there lists %v", got)
	}
	if _, err := os.Stat(f.dir); !errors.Is(err, os.ErrNotExist) {
		t.Error("looking made the folder")
	}
	var sums []Sum
	for _, b := range [][]byte{[]byte("one"), []byte("two"), bytes.Repeat([]byte("three"), 1<<17), []byte("one")} {
		s := mustPut(t, f, b)
		if got, err := f.Get(s); !bytes.Equal(got, b) || err != nil || !f.Has(s) {
			t.Errorf("Get = %d bytes, %v; want %d", len(got), err, len(b))
		}
		sums = append(sums, s)
	}
	slices.SortFunc(sums, func(a, b Sum) int { return bytes.Compare(a[:], b[:]) })
	sums = slices.Compact(sums)
	if got := slices.Collect(keys(f.All())); !slices.Equal(got, sums) {
		t.Errorf("All = %v, want %v", got, sums)
	}
	if got := names(t, f); len(got) != 3 {
		t.Errorf("in the folder: %v, want 3 pictures and nothing else", got)
	}
	for s := range f.All() {
		if err := f.Remove(s); err != nil {
			t.Error(err)
		}
		if _, err := f.Get(s); !errors.Is(err, ErrMissing) || f.Has(s) {
			t.Errorf("removed: %v, want ErrMissing", err)
		}
		if err := f.Remove(s); err != nil {
			t.Errorf("removed again: %v", err)
		}
	}
	if got := names(t, f); len(got) != 0 {
		t.Errorf("left over: %v", got)
	}
}

func keys[V any](in func(func(Sum, V) bool)) func(func(Sum) bool) {
	return func(yield func(Sum) bool) {
		in(func(s Sum, _ V) bool { return yield(s) })
	}
}

func TestPutRefuses(t *testing.T) {
	f := newFolder(t)
	broken := errors.New("line broken")
	for name, tt := range map[string]struct {
		r     io.Reader
		limit int64
		want  error
	}{
		"larger than the limit": {strings.NewReader("12345"), 4, ErrTooLarge},
		"larger than any":       {io.LimitReader(zeros{}, MaxSize+1), 1 << 40, ErrTooLarge},
		"nothing":               {strings.NewReader(""), 4, ErrEmpty},
		"broken off":            {io.MultiReader(strings.NewReader("12"), iotest.ErrReader(broken)), 4, broken},
	} {
		if _, _, err := f.Put(tt.r, tt.limit); !errors.Is(err, tt.want) {
			t.Errorf("%s: %v, want %v", name, err, tt.want)
		}
	}
	if got := names(t, f); len(got) != 0 {
		t.Errorf("left over: %v", got)
	}
	if s, n, err := f.Put(strings.NewReader("1234"), 4); err != nil || n != 4 || !f.Has(s) {
		t.Errorf("at the limit: %d, %v", n, err)
	}
	if _, err := Open(filepath.Join(f.dir, names(t, f)[0])); err == nil {
		t.Error("a file was opened as a folder")
	}
}

type zeros struct{}

func (zeros) Read(b []byte) (int, error) { clear(b); return len(b), nil }

// Whatever byte is flipped, the picture is not handed out; stored again it is.
func TestDamage(t *testing.T) {
	f := newFolder(t)
	b := []byte("a picture of a stair")
	s := mustPut(t, f, b)
	other := mustPut(t, f, []byte("another"))
	spoil := func(to []byte) {
		if err := os.WriteFile(f.path(s), to, 0o600); err != nil {
			t.Fatal(err)
		}
	}
	damaged := [][]byte{nil, b[:len(b)-1], append(bytes.Clone(b), 0), []byte("another")}
	for i := range b {
		flipped := bytes.Clone(b)
		flipped[i] ^= 1
		damaged = append(damaged, flipped)
	}
	for _, d := range damaged {
		spoil(d)
		if got, err := f.Get(s); !errors.Is(err, ErrDamaged) || got != nil {
			t.Errorf("%q: Get = %q, %v; want ErrDamaged", d, got, err)
		}
	}
	found := map[Sum]error{}
	for s, err := range f.Verify() {
		found[s] = err
	}
	if len(found) != 2 || found[other] != nil || !errors.Is(found[s], ErrDamaged) {
		t.Errorf("Verify = %v, want one damaged and one not", found)
	}
	mustPut(t, f, b)
	if got, err := f.Get(s); !bytes.Equal(got, b) || err != nil {
		t.Errorf("mended: %q, %v", got, err)
	}
	spoil(nil)
	if done, err := f.Resume(s, int64(len(b)), 0, bytes.NewReader(b)); !done || err != nil || f.Check(s) != nil {
		t.Errorf("mended from afar: %t, %v, %v", done, err, f.Check(s))
	}
}

// What lies in the folder under other names is not a picture.
func TestForeignFiles(t *testing.T) {
	f := newFolder(t)
	s := mustPut(t, f, []byte("one"))
	for _, name := range []string{"Thumbs.db", ".DS_Store", s.String()[:62], strings.ToUpper(s.String()) + "x", s.String() + ".jpg"} {
		if err := os.WriteFile(filepath.Join(f.dir, name), []byte("x"), 0o600); err != nil {
			t.Fatal(err)
		}
	}
	folder := Sum{1}
	if err := os.Mkdir(f.path(folder), 0o700); err != nil {
		t.Fatal(err)
	}
	if got := slices.Collect(keys(f.All())); !slices.Equal(got, []Sum{s}) {
		t.Errorf("All = %v, want %v", got, s)
	}
	if f.Has(folder) {
		t.Error("a folder counts as a picture")
	}
	if n, err := f.Sweep(time.Now().Add(time.Hour)); n != 0 || err != nil {
		t.Errorf("Sweep removed %d, %v", n, err)
	}
}

func TestSweep(t *testing.T) {
	f := newFolder(t)
	kept := mustPut(t, f, []byte("one"))
	old, young := Sum(sha256.Sum256([]byte("old"))), Sum(sha256.Sum256([]byte("young")))
	for _, s := range []Sum{old, young} {
		if done, err := f.Resume(s, 3, 0, strings.NewReader("x")); done || err != nil {
			t.Fatal(done, err)
		}
	}
	temp := filepath.Join(f.dir, newPrefix+"123")
	if err := os.WriteFile(temp, []byte("x"), 0o600); err != nil {
		t.Fatal(err)
	}
	day := time.Date(2026, 11, 25, 12, 0, 0, 0, time.UTC)
	for path, at := range map[string]time.Time{f.part(old): day, temp: day, f.path(kept): day, f.part(young): day.Add(48 * time.Hour)} {
		if err := os.Chtimes(path, at, at); err != nil {
			t.Fatal(err)
		}
	}
	if n, err := f.Sweep(day.Add(24 * time.Hour)); n != 2 || err != nil {
		t.Errorf("Sweep = %d, %v; want 2", n, err)
	}
	want := []string{kept.String(), young.String() + partSuffix}
	slices.Sort(want)
	if got := names(t, f); !slices.Equal(got, want) {
		t.Errorf("left: %v, want %v", got, want)
	}
}

func TestResume(t *testing.T) {
	f := newFolder(t)
	b := []byte("a picture of a stair")
	s, size := Sum(sha256.Sum256(b)), int64(len(b))
	broken := errors.New("line broken")
	steps := []struct {
		name string
		size int64
		from int64
		r    io.Reader
		done bool
		err  error
		have int64
	}{
		{"the line breaks", size, 0, io.MultiReader(bytes.NewReader(b[:7]), iotest.ErrReader(broken)), false, broken, 7},
		{"from the start again", size, 0, bytes.NewReader(b), false, ErrOffset, 7},
		{"past the end of the part", size, 8, bytes.NewReader(b[8:]), false, ErrOffset, 7},
		{"before the start", size, -1, bytes.NewReader(b), false, ErrOffset, 7},
		{"the next three bytes", size, 7, bytes.NewReader(b[7:10]), false, nil, 10},
		{"nothing", size, 10, bytes.NewReader(nil), false, nil, 10},
		{"too large", MaxSize + 1, 10, bytes.NewReader(nil), false, ErrTooLarge, 10},
		{"no size", 0, 10, bytes.NewReader(nil), false, ErrEmpty, 10},
		{"another end", size, 10, bytes.NewReader(bytes.Repeat([]byte("x"), 10)), false, ErrWrong, 0},
		{"half again", size, 0, bytes.NewReader(b[:12]), false, nil, 12},
		{"another size", 11, 12, bytes.NewReader(b[12:]), false, ErrWrong, 0},
		{"half once more", size, 0, bytes.NewReader(b[:12]), false, nil, 12},
		{"the rest, and more", size, 12, io.MultiReader(bytes.NewReader(b[12:]), iotest.ErrReader(broken)), true, nil, 0},
		{"what is there", size, 3, iotest.ErrReader(broken), true, nil, 0},
	}
	for _, tt := range steps {
		done, err := f.Resume(s, tt.size, tt.from, tt.r)
		if done != tt.done || !errors.Is(err, tt.err) || (err != nil) != (tt.err != nil) {
			t.Errorf("%s: %t, %v; want %t, %v", tt.name, done, err, tt.done, tt.err)
		}
		if have, err := f.Partial(s); have != tt.have || err != nil {
			t.Errorf("%s: Partial = %d, %v; want %d", tt.name, have, err, tt.have)
		}
		if f.Has(s) != tt.done {
			t.Errorf("%s: Has = %t", tt.name, f.Has(s))
		}
	}
	if got, err := f.Get(s); !bytes.Equal(got, b) || err != nil {
		t.Errorf("Get = %q, %v", got, err)
	}
	if got := names(t, f); len(got) != 1 {
		t.Errorf("left over: %v", got)
	}
}

// A crash between the last byte and the proof leaves a part of full length.
func TestResumeAtTheEnd(t *testing.T) {
	f := newFolder(t)
	b := []byte("a picture")
	s := Sum(sha256.Sum256(b))
	mustPut(t, f, []byte("another"))
	if err := os.WriteFile(f.part(s), b, 0o600); err != nil {
		t.Fatal(err)
	}
	if done, err := f.Resume(s, int64(len(b)), int64(len(b)), strings.NewReader("")); !done || err != nil {
		t.Errorf("Resume = %t, %v", done, err)
	}
	if got, err := f.Get(s); !bytes.Equal(got, b) || err != nil {
		t.Errorf("Get = %q, %v", got, err)
	}
}

// taker is the last part of a picture, while another process does something to
// the part.
type taker struct {
	io.Reader
	do func()
}

func (k taker) Read(b []byte) (int, error) { k.do(); return k.Reader.Read(b) }

func TestAnotherProcessMeanwhile(t *testing.T) {
	b := []byte("a picture")
	s, size := Sum(sha256.Sum256(b)), int64(len(b))
	for name, tt := range map[string]struct {
		do   func(*testing.T, *Folder)
		done bool
		err  error
	}{
		"has dropped it": {func(t *testing.T, f *Folder) { f.drop(s) }, false, ErrOffset},
		"has stored it": {func(t *testing.T, f *Folder) {
			mustPut(t, f, b)
			f.drop(s)
		}, true, nil},
		"has stored it, and left the part": {func(t *testing.T, f *Folder) { mustPut(t, f, b) }, true, nil},
	} {
		f := newFolder(t)
		if done, err := f.Resume(s, size, 0, bytes.NewReader(b[:4])); done || err != nil {
			t.Fatal(done, err)
		}
		done, err := f.Resume(s, size, 4, taker{bytes.NewReader(b[4:]), func() { tt.do(t, f) }})
		if done != tt.done || !errors.Is(err, tt.err) || (err != nil) != (tt.err != nil) {
			t.Errorf("%s: %t, %v; want %t, %v", name, done, err, tt.done, tt.err)
		}
		if have, err := f.Partial(s); have != 0 || err != nil {
			t.Errorf("%s: Partial = %d, %v", name, have, err)
		}
	}
}

// Two windows on one folder share nothing in memory, so two values of Folder
// stand for two processes: whatever the order, every picture that is there is
// whole, and both get theirs in the end.
func TestTwoAtOnce(t *testing.T) {
	dir := Beside(filepath.Join(t.TempDir(), "book"))
	var pictures [][]byte
	for i := range 6 {
		pictures = append(pictures, bytes.Repeat([]byte{byte(i), 1, 2}, 20000+i))
	}
	var wg sync.WaitGroup
	for p := range uint64(4) {
		wg.Go(func() {
			f, err := Open(dir)
			if err != nil {
				t.Error(err)
				return
			}
			r := rand.New(rand.NewPCG(p, 1))
			for i, b := range pictures {
				if p%2 == 0 {
					if _, _, err := f.Put(bytes.NewReader(b), MaxSize); err != nil {
						t.Errorf("picture %d: %v", i, err)
					}
				} else if err := receive(f, b, r); err != nil {
					t.Errorf("picture %d: %v", i, err)
				}
				if got, err := f.Get(sha256.Sum256(b)); !bytes.Equal(got, b) || err != nil {
					t.Errorf("picture %d: %d bytes, %v", i, len(got), err)
				}
			}
		})
	}
	wg.Wait()
	f, err := Open(dir)
	if err != nil {
		t.Fatal(err)
	}
	n := 0
	for s, err := range f.Verify() {
		if n++; err != nil {
			t.Errorf("%s: %v", s, err)
		}
	}
	if n != len(pictures) {
		t.Errorf("%d pictures, want %d", n, len(pictures))
	}
}

// receive takes a picture in parts until it is whole, as a client does.
func receive(f *Folder, b []byte, r *rand.Rand) error {
	s := Sum(sha256.Sum256(b))
	for range 1000 {
		have, err := f.Partial(s)
		if err != nil {
			return err
		}
		have = min(have, int64(len(b)))
		next := b[have:min(have+1+r.Int64N(30000), int64(len(b)))]
		switch done, err := f.Resume(s, int64(len(b)), have, bytes.NewReader(next)); {
		case done:
			return nil
		case err != nil && !errors.Is(err, ErrOffset) && !errors.Is(err, ErrWrong):
			return err
		}
	}
	return fmt.Errorf("not whole after 1000 parts")
}

func BenchmarkPut5MB(b *testing.B) {
	f := newFolder(b)
	data := make([]byte, 5<<20)
	b.SetBytes(int64(len(data)))
	for i := 0; b.Loop(); i++ {
		data[0], data[1] = byte(i), byte(i>>8)
		mustPut(b, f, data)
	}
}

func BenchmarkGet5MB(b *testing.B) {
	f := newFolder(b)
	s := mustPut(b, f, make([]byte, 5<<20))
	b.SetBytes(5 << 20)
	for b.Loop() {
		if _, err := f.Get(s); err != nil {
			b.Fatal(err)
		}
	}
}

// What Open gives is the picture, from its start; a damaged one is not given.
func TestOpenProves(t *testing.T) {
	f, err := Open(t.TempDir())
	if err != nil {
		t.Fatal(err)
	}
	want := []byte("a picture of a newel post")
	sum, _, err := f.Put(bytes.NewReader(want), MaxSize)
	if err != nil {
		t.Fatal(err)
	}
	file, size, err := f.Open(sum)
	if err != nil {
		t.Fatal(err)
	}
	got, err := io.ReadAll(file)
	if err := errors.Join(err, file.Close()); err != nil || !bytes.Equal(got, want) || size != int64(len(want)) {
		t.Errorf("%q of %d bytes, %v, want %q", got, size, err, want)
	}
	if err := os.WriteFile(f.path(sum), []byte("a picture of a newel pest"), 0o600); err != nil {
		t.Fatal(err)
	}
	if _, _, err := f.Open(sum); !errors.Is(err, ErrDamaged) {
		t.Errorf("a damaged picture: %v, want ErrDamaged", err)
	}
}
