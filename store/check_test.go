package store

import (
	"bytes"
	"errors"
	"hash/fnv"
	"os"
	"slices"
	"strings"
	"testing"
)

// boltFile is the bytes of a file, to be changed by the fields of bbolt's layout.
type boltFile []byte

func (f boltFile) page(id uint64) []byte { return f[id*filePage : (id+1)*filePage] }

// newest returns the fields of the meta page that counts, and of the other.
func (f boltFile) newest() (newest, oldest []byte) {
	newest, oldest = f.page(0)[pageHeader:], f.page(1)[pageHeader:]
	if native.Uint64(newest[48:]) < native.Uint64(oldest[48:]) {
		newest, oldest = oldest, newest
	}
	return newest, oldest
}

// sum sets the checksums of the meta pages right again.
func (f boltFile) sum() {
	for id := range uint64(2) {
		m := f.page(id)[pageHeader:]
		h := fnv.New64a()
		h.Write(m[:56])
		native.PutUint64(m[56:], h.Sum64())
	}
}

// root returns the number of a page that the newest meta page names: of the root
// bucket at 16, of the free list at 32; at 40 how many pages there are.
func (f boltFile) root(at int) uint64 {
	m, _ := f.newest()
	return native.Uint64(m[at:])
}

// bucket returns what the root holds of a bucket: its element, and its value.
func (f boltFile) bucket(t *testing.T, name []byte) (at, value []byte) {
	t.Helper()
	root := f.page(f.root(16))
	all, err := elements(f.root(16), root, leafFlag)
	if err != nil {
		t.Fatal(err)
	}
	i := slices.IndexFunc(all, func(e element) bool { return bytes.Equal(e.key, name) })
	if i < 0 {
		t.Fatalf("no bucket %s", name)
	}
	return root[pageHeader+i*elementSize:], all[i].value
}

// branch returns the root page of the bucket of pages, which is a branch.
func (f boltFile) branch(t *testing.T) []byte {
	t.Helper()
	_, v := f.bucket(t, bucketPage)
	b := f.page(native.Uint64(v))
	if native.Uint16(b[8:]) != branchFlag || native.Uint16(b[10:]) < 3 {
		t.Fatal("the pages lie in one leaf: the test tests nothing")
	}
	return b
}

// leaf returns the nth leaf of the pages.
func (f boltFile) leaf(t *testing.T, n int) []byte {
	return f.page(native.Uint64(f.branch(t)[pageHeader+n*elementSize+8:]))
}

// Whatever field of the file's structure says what it should not, it is told by
// what is wrong with it, before bbolt follows it.
func TestCheckTells(t *testing.T) {
	t.Parallel()
	s := emptyBook(t)
	for range 3 {
		var drafts []Draft
		for range 40 {
			drafts = append(drafts, Draft{Payload: make([]byte, 200)})
		}
		if _, err := s.Append(drafts...); err != nil {
			t.Fatal(err)
		}
	}
	if err := s.Close(); err != nil {
		t.Fatal(err)
	}
	whole, err := os.ReadFile(s.Path())
	if err != nil {
		t.Fatal(err)
	}
	u16, u32, u64 := native.PutUint16, native.PutUint32, native.PutUint64
	meta := func(set func(newest, oldest []byte)) func(*testing.T, boltFile) boltFile {
		return func(t *testing.T, f boltFile) boltFile {
			set(f.newest())
			f.sum()
			return f
		}
	}
	in := func(set func(t *testing.T, f boltFile)) func(*testing.T, boltFile) boltFile {
		return func(t *testing.T, f boltFile) boltFile {
			set(t, f)
			return f
		}
	}
	rootPage := func(f boltFile) []byte { return f.page(f.root(16)) }
	free := func(f boltFile) []byte { return f.page(f.root(32)) }
	for _, tc := range []struct {
		name string
		harm func(*testing.T, boltFile) boltFile
		want string // empty when the file is sound
		deep bool   // found by the deep look only
	}{
		{"whole", in(func(*testing.T, boltFile) {}), "", false},
		{"no bytes", func(*testing.T, boltFile) boltFile { return nil }, "reading a meta page", false},
		{"one meta page", func(_ *testing.T, f boltFile) boltFile { return f[:filePage] }, "reading a meta page", false},
		{"not of bbolt", meta(func(n, o []byte) { n[0] ^= 1 }), "a meta page does not hold", false},
		{"the old one not of bbolt", meta(func(n, o []byte) { o[0] ^= 1 }), "a meta page does not hold", false},
		{"of another version", meta(func(n, o []byte) { u32(n[4:], 3) }), "a meta page does not hold", false},
		{"a sum that does not match", in(func(_ *testing.T, f boltFile) { n, _ := f.newest(); n[56] ^= 1 }), "a meta page does not hold", false},
		{"pages of 512 bytes", meta(func(n, o []byte) { u32(n[8:], 512) }), "a meta page says pages of 512 bytes", false},
		{"pages of 3072 bytes", meta(func(n, o []byte) { u32(n[8:], 3072) }), "a meta page says pages of 3072 bytes", false},
		{"pages of 128 KiB", meta(func(n, o []byte) { u32(n[8:], 128<<10) }), "a meta page says pages of 131072 bytes", false},
		{"too many pages", meta(func(n, o []byte) { u64(n[40:], 1<<40+1) }), "a meta page says pages of 4096 bytes", false},
		{"one commit twice", meta(func(n, o []byte) { copy(o[48:56], n[48:56]) }), "do not belong together", false},
		{"a commit left out", meta(func(n, o []byte) { u64(n[48:], native.Uint64(n[48:])+1) }), "do not belong together", false},
		{"a page less than there are", func(_ *testing.T, f boltFile) boltFile { return f[:(f.root(40)-1)*filePage] }, "the file is cut short", false},
		{"just the pages there are", func(_ *testing.T, f boltFile) boltFile { return f[:f.root(40)*filePage] }, "", false},
		{"a part of a page more", func(_ *testing.T, f boltFile) boltFile { return append(f, 0) }, "the file is cut short", false},
		{"a root among the meta pages", meta(func(n, o []byte) { u64(n[16:], 1) }), "page 1 is outside the file", false},
		{"a root beyond the pages", meta(func(n, o []byte) { u64(n[16:], native.Uint64(n[40:])) }), "is outside the file", false},
		{"a free list among the meta pages", meta(func(n, o []byte) { u64(n[32:], 1) }), "page 1 is outside the file", false},

		{"a page of another number", in(func(_ *testing.T, f boltFile) { u64(rootPage(f), 3000) }), "says it is page 3000", false},
		{"a page that runs over the end", in(func(_ *testing.T, f boltFile) { u32(rootPage(f)[12:], uint32(f.root(40)-f.root(16))) }), "runs over the end of the file", false},
		{"a page of no kind", in(func(_ *testing.T, f boltFile) { u16(rootPage(f)[8:], 4) }), "is of kind 0x4", false},
		{"more elements than have room", in(func(_ *testing.T, f boltFile) { u16(rootPage(f)[10:], 256) }), "has 256 elements", false},
		{"an element beyond the page", in(func(t *testing.T, f boltFile) {
			at, v := f.bucket(t, bucketPage)
			u32(at[12:], uint32(len(v)+filePage))
		}), "lies outside", false},
		{"an element over the others", in(func(t *testing.T, f boltFile) {
			at, _ := f.bucket(t, bucketDevice)
			u32(at[4:], 0)
		}), "element 0 lies outside", false},
		{"keys of buckets in another order", in(func(t *testing.T, f boltFile) {
			b := rootPage(f)
			all, _ := elements(0, b, leafFlag)
			all[0].key[0] = 'z'
		}), "keys are out of order", false},
		{"a bucket twice", in(func(t *testing.T, f boltFile) {
			all, _ := elements(0, rootPage(f), leafFlag) // fork, head: both of four letters
			at := slices.IndexFunc(all, func(e element) bool { return string(e.key) == "head" })
			copy(all[at].key, "fork")
		}), "keys are out of order", false},
		{"an element of no kind", in(func(t *testing.T, f boltFile) { at, _ := f.bucket(t, bucketPage); u32(at, 2) }), "an element of kind 0x2", false},
		{"a bucket cut short", in(func(t *testing.T, f boltFile) { at, _ := f.bucket(t, bucketPage); u32(at[12:], 15) }), `bucket "page" is cut short`, false},
		{"a small bucket cut short", in(func(t *testing.T, f boltFile) { at, _ := f.bucket(t, bucketMargin); u32(at[12:], 31) }), `bucket "margin" does not hold`, false},
		{"a small bucket of no kind", in(func(t *testing.T, f boltFile) { _, v := f.bucket(t, bucketMargin); u16(v[bucketHeader+8:], 1) }), `bucket "margin" does not hold`, false},
		{"a small bucket with more than it has", in(func(t *testing.T, f boltFile) { _, v := f.bucket(t, bucketMargin); u16(v[bucketHeader+10:], 1) }), "has 1 elements", false},
		{"a bucket in a bucket", in(func(t *testing.T, f boltFile) { u32(f.leaf(t, 1)[pageHeader:], 1) }), "an element of kind 0x1", true},
		{"two buckets in one place", in(func(t *testing.T, f boltFile) {
			_, a := f.bucket(t, bucketPage)
			_, b := f.bucket(t, bucketHead)
			copy(b[:8], a[:8])
		}), "is used twice", false},

		{"a branch without anything below", in(func(t *testing.T, f boltFile) { u16(f.branch(t)[10:], 0) }), "is empty", false},
		{"a branch to itself", in(func(t *testing.T, f boltFile) {
			b := f.branch(t)
			u64(b[pageHeader+8:], native.Uint64(b))
		}), "is used twice", false},
		{"a branch to a meta page", in(func(t *testing.T, f boltFile) { u64(f.branch(t)[pageHeader+elementSize+8:], 1) }), "page 1 is outside the file", false},
		{"a branch beyond the pages", in(func(t *testing.T, f boltFile) { u64(f.branch(t)[pageHeader+8:], f.root(40)) }), "is outside the file", false},
		{"a branch to one leaf twice", in(func(t *testing.T, f boltFile) {
			b := f.branch(t)
			copy(b[pageHeader+elementSize+8:pageHeader+elementSize+16], b[pageHeader+8:])
		}), "is used twice", false},
		{"branches in another order", in(func(t *testing.T, f boltFile) {
			all, _ := elements(0, f.branch(t), branchFlag)
			all[1].key[0] = 0xff
		}), "keys are out of order", false},
		{"a leaf with a key of the one before", in(func(t *testing.T, f boltFile) {
			all, _ := elements(0, f.leaf(t, 1), leafFlag)
			clear(all[0].key)
		}), "keys are out of order", true},
		{"a leaf with a key of the one after", in(func(t *testing.T, f boltFile) {
			a, _ := elements(0, f.leaf(t, 1), leafFlag)
			b, _ := elements(0, f.leaf(t, 2), leafFlag)
			copy(a[len(a)-1].key, b[0].key)
		}), "keys are out of order", true},
		{"a leaf of another number", in(func(t *testing.T, f boltFile) { u64(f.leaf(t, 1), 9) }), "says it is page 9", true},

		{"a free list that is none", in(func(_ *testing.T, f boltFile) { u16(free(f)[8:], leafFlag) }), "is not the free list", false},
		{"a free list longer than its page", in(func(_ *testing.T, f boltFile) { u16(free(f)[10:], 511) }), "the free list says it has 511 pages", false},
		{"a free page named twice", in(func(_ *testing.T, f boltFile) {
			b := free(f)[pageHeader:]
			copy(b[8:16], b[:8])
		}), "the free list is out of order", false},
		{"free pages in another order", in(func(_ *testing.T, f boltFile) {
			b := free(f)[pageHeader:]
			first := native.Uint64(b)
			copy(b[:8], b[8:16])
			u64(b[8:], first)
		}), "the free list is out of order", false},
		{"a free page that is in use", in(func(t *testing.T, f boltFile) {
			u16(free(f)[10:], 1)
			u64(free(f)[pageHeader:], f.root(32))
		}), "is used twice", false},
		{"a free page beyond the pages", in(func(_ *testing.T, f boltFile) {
			n := native.Uint16(free(f)[10:])
			u64(free(f)[pageHeader+8*(n-1):], f.root(40))
		}), "is outside the file", false},
		{"a free page forgotten", in(func(_ *testing.T, f boltFile) { u16(free(f)[10:], native.Uint16(free(f)[10:])-1) }), "is neither used nor free", true},
		{"a list of many free pages", in(func(_ *testing.T, f boltFile) {
			b := free(f)
			n := native.Uint16(b[10:])
			copy(b[pageHeader+8:], slices.Clone(b[pageHeader:pageHeader+8*int(n)]))
			u64(b[pageHeader:], uint64(n))
			u16(b[10:], manyFree)
		}), "", false},
	} {
		t.Run(tc.name, func(t *testing.T) {
			if native.Uint16(free(whole)[10:]) < 2 {
				t.Fatal("fewer than two free pages: the test tests nothing")
			}
			data := tc.harm(t, slices.Clone(whole))
			for _, deep := range []bool{true, false} {
				err := checkFile(bytes.NewReader(data), int64(len(data)), deep)
				want := tc.want
				if tc.deep && !deep {
					want = ""
				}
				if (err == nil) != (want == "") || err != nil && (!errors.Is(err, ErrDamaged) || !strings.Contains(err.Error(), want)) {
					t.Errorf("deep %t: %v, want %q", deep, err, want)
				}
			}
		})
	}
}

// A tree that is deeper than any file can hold ends the walk.
func TestCheckDepth(t *testing.T) {
	for deep, want := range map[int]string{maxTreeDepth: "", maxTreeDepth + 1: "lies too deep"} {
		// A chain of branches with one element each, and a leaf at its end; then
		// the free list. Page 2 is the root, whose one bucket starts at page 3.
		f := make(boltFile, (deep+5)*filePage)
		put := func(id uint64, flag uint16, count uint16) []byte {
			b := f.page(id)
			native.PutUint64(b, id)
			native.PutUint16(b[8:], flag)
			native.PutUint16(b[10:], count)
			return b[pageHeader:]
		}
		e := put(2, leafFlag, 1)
		native.PutUint32(e, bucketFlag)
		native.PutUint32(e[4:], elementSize)
		native.PutUint32(e[8:], 1)
		native.PutUint32(e[12:], bucketHeader)
		e[elementSize] = 'b'
		native.PutUint64(e[elementSize+1:], 3)
		for i := range uint64(deep) {
			e := put(3+i, branchFlag, 1)
			native.PutUint32(e, elementSize)
			native.PutUint32(e[4:], 1)
			native.PutUint64(e[8:], 4+i)
			e[elementSize] = 'k'
		}
		put(uint64(deep)+3, leafFlag, 0)
		put(uint64(deep)+4, freeFlag, 0)
		for id := range uint64(2) {
			m := f.page(id)[pageHeader:]
			native.PutUint32(m, boltMagic)
			native.PutUint32(m[4:], boltVersion)
			native.PutUint32(m[8:], filePage)
			native.PutUint64(m[16:], 2)
			native.PutUint64(m[32:], uint64(deep)+4)
			native.PutUint64(m[40:], uint64(deep)+5)
			native.PutUint64(m[48:], id)
		}
		f.sum()
		err := checkFile(bytes.NewReader(f), int64(len(f)), true)
		if (err == nil) != (want == "") || err != nil && !strings.Contains(err.Error(), want) {
			t.Errorf("%d deep: %v, want %q", deep, err, want)
		}
	}
}
