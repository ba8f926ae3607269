package store

import (
	"bytes"
	"encoding/binary"
	"fmt"
	"hash/fnv"
	"io"
)

// bbolt trusts its file: a page number changed in a branch can send it round
// in a circle until the stack ends, which no recover catches, and one changed
// in the free list makes it write over a page in use. So the file's structure
// is checked here first, on the bytes, without bbolt.
//
// The layout is that of bbolt's file version 2. Numbers are in the machine's
// order, as bbolt keeps them:
//
//	page    id u64, flags u16, count u16, overflow u32, then
//	meta    magic u32, version u32, page size u32, flags u32, root page u64,
//	        root sequence u64, free list page u64, pages u64, txid u64, FNV-1a of
//	        all before
//	branch  count times: pos u32, key size u32, page u64
//	leaf    count times: flags u32, pos u32, key size u32, value size u32
//	free    page ids u64; when count is 65535 the first is the count
//
// pos counts from its own element. A leaf's flag 1 says that the value is a
// bucket: root page u64, sequence u64, and when root is 0 a leaf within the
// value.
const (
	boltMagic   = 0xED0CDAED
	boltVersion = 2

	pageHeader   = 16
	branchFlag   = 0x01
	leafFlag     = 0x02
	freeFlag     = 0x10
	bucketFlag   = 0x01
	elementSize  = 16
	bucketHeader = 16
	manyFree     = 0xFFFF

	// maxTreeDepth bounds a walk: every level has at least two pages below
	// each, and a file of 2^48 bytes has fewer than 2^40 pages.
	maxTreeDepth = 40
)

var native = binary.NativeEndian

type boltMeta struct {
	pageSize, root, free, pages, txid uint64
}

func badFile(format string, args ...any) error {
	return fmt.Errorf("%w: %s", ErrDamaged, fmt.Sprintf(format, args...))
}

// readMetas reads both meta pages. bbolt makes do with one, which then is the
// state before the last commit: the last answer would be gone without a word.
// So both have to hold, one commit apart.
func readMetas(r io.ReaderAt, size int64) (boltMeta, error) {
	first, err := readMeta(r, 0)
	if err != nil {
		return boltMeta{}, err
	}
	second, err := readMeta(r, int64(first.pageSize))
	if err != nil {
		return boltMeta{}, err
	}
	newest, oldest := first, second
	if second.txid > first.txid {
		newest, oldest = second, first
	}
	switch {
	case first.pageSize != second.pageSize || newest.txid != oldest.txid+1:
		return boltMeta{}, badFile("the two meta pages do not belong together")
	case uint64(size)%newest.pageSize != 0 || uint64(size)/newest.pageSize < newest.pages:
		return boltMeta{}, badFile("the file is cut short: %d bytes, want %d pages of %d", size, newest.pages, newest.pageSize)
	}
	return newest, nil
}

func readMeta(r io.ReaderAt, at int64) (boltMeta, error) {
	var b [pageHeader + 64]byte
	if _, err := r.ReadAt(b[:], at); err != nil {
		return boltMeta{}, badFile("reading a meta page: %v", err)
	}
	m := b[pageHeader:]
	sum := fnv.New64a()
	sum.Write(m[:56])
	if native.Uint32(m) != boltMagic || native.Uint32(m[4:]) != boltVersion || native.Uint64(m[56:]) != sum.Sum64() {
		return boltMeta{}, badFile("a meta page does not hold")
	}
	meta := boltMeta{
		pageSize: uint64(native.Uint32(m[8:])),
		root:     native.Uint64(m[16:]), free: native.Uint64(m[32:]),
		pages: native.Uint64(m[40:]), txid: native.Uint64(m[48:]),
	}
	if meta.pageSize < 1024 || meta.pageSize > 64<<10 || meta.pageSize&(meta.pageSize-1) != 0 || meta.pages > 1<<40 {
		return boltMeta{}, badFile("a meta page says pages of %d bytes", meta.pageSize)
	}
	return meta, nil
}

// A checker walks the file's structure.
type checker struct {
	boltMeta
	r    io.ReaderAt
	used []bool // by page
	// deep reads every page, and accounts for each. Otherwise only branches,
	// the root bucket and the free list are read: a hundredth of the file.
	deep bool
}

// checkFile checks the structure of a file that nobody is writing.
func checkFile(r io.ReaderAt, size int64, deep bool) error {
	meta, err := readMetas(r, size)
	if err != nil {
		return err
	}
	c := &checker{boltMeta: meta, r: r, used: make([]bool, meta.pages), deep: deep}
	if err := c.tree(meta.root, 0, true, nil, nil); err != nil {
		return err
	}
	return c.freeList()
}

// mark takes pages from first to last as used.
func (c *checker) mark(first, last uint64) error {
	if first < 2 || last < first || last >= c.pages {
		return badFile("page %d is outside the file", first)
	}
	for id := first; id <= last; id++ {
		if c.used[id] {
			return badFile("page %d is used twice", id)
		}
		c.used[id] = true
	}
	return nil
}

// page reads a page with its overflow.
func (c *checker) page(id uint64) ([]byte, error) {
	if id < 2 || id >= c.pages {
		return nil, badFile("page %d is outside the file", id)
	}
	read := func(pages uint64) ([]byte, error) {
		b := make([]byte, pages*c.pageSize)
		if _, err := c.r.ReadAt(b, int64(id*c.pageSize)); err != nil {
			return nil, badFile("reading page %d: %v", id, err)
		}
		return b, nil
	}
	b, err := read(1)
	if err != nil {
		return nil, err
	}
	if native.Uint64(b) != id {
		return nil, badFile("page %d says it is page %d", id, native.Uint64(b))
	}
	if over := uint64(native.Uint32(b[12:])); over > 0 {
		if id+over >= c.pages {
			return nil, badFile("page %d runs over the end of the file", id)
		}
		return read(1 + over)
	}
	return b, nil
}

// tree walks the tree below a page. Its keys lie from low up to, but not
// including, high; nil is no bound. In the root tree the leaves hold buckets.
func (c *checker) tree(id uint64, depth int, root bool, low, high []byte) error {
	if depth > maxTreeDepth {
		return badFile("page %d lies too deep", id)
	}
	b, err := c.page(id)
	if err != nil {
		return err
	}
	if err := c.mark(id, id+uint64(len(b))/c.pageSize-1); err != nil {
		return err
	}
	switch native.Uint16(b[8:]) {
	case leafFlag:
		return c.leaf(id, b, root, low, high)
	case branchFlag:
	default:
		return badFile("page %d is of kind %#x", id, native.Uint16(b[8:]))
	}
	keys, err := elements(id, b, branchFlag)
	if err != nil {
		return err
	}
	if len(keys) == 0 {
		return badFile("branch page %d is empty", id)
	}
	leaves := false
	for i, e := range keys {
		if high != nil && bytes.Compare(e.key, high) >= 0 || i > 0 && low != nil && bytes.Compare(e.key, low) < 0 {
			return badFile("page %d: keys are out of order", id)
		}
		if leaves && !c.deep && !root {
			// All leaves lie equally deep; this one need not be read.
			if err := c.mark(e.page, e.page); err != nil {
				return err
			}
			continue
		}
		below := high
		if i+1 < len(keys) {
			below = keys[i+1].key
		}
		from := e.key
		if i == 0 {
			from = low // bbolt may have kept an older first key here
		}
		if err := c.tree(e.page, depth+1, root, from, below); err != nil {
			return err
		}
		if i == 0 {
			leaves, err = c.isLeaf(e.page)
			if err != nil {
				return err
			}
		}
	}
	return nil
}

func (c *checker) isLeaf(id uint64) (bool, error) {
	var b [pageHeader]byte
	if _, err := c.r.ReadAt(b[:], int64(id*c.pageSize)); err != nil {
		return false, badFile("reading page %d: %v", id, err)
	}
	return native.Uint16(b[8:]) == leafFlag, nil
}

func (c *checker) leaf(id uint64, b []byte, root bool, low, high []byte) error {
	elems, err := elements(id, b, leafFlag)
	if err != nil {
		return err
	}
	for _, e := range elems {
		if low != nil && bytes.Compare(e.key, low) < 0 || high != nil && bytes.Compare(e.key, high) >= 0 {
			return badFile("page %d: keys are out of order", id)
		}
		if e.flags != 0 && (!root || e.flags != bucketFlag) {
			return badFile("page %d: an element of kind %#x", id, e.flags)
		}
		if e.flags == 0 {
			continue
		}
		if len(e.value) < bucketHeader {
			return badFile("page %d: bucket %q is cut short", id, e.key)
		}
		at := native.Uint64(e.value)
		if at != 0 {
			err = c.tree(at, 0, false, nil, nil)
		} else if inline := e.value[bucketHeader:]; len(inline) < pageHeader || native.Uint16(inline[8:]) != leafFlag {
			err = badFile("page %d: bucket %q does not hold", id, e.key)
		} else {
			err = c.leaf(id, inline, false, nil, nil)
		}
		if err != nil {
			return err
		}
	}
	return nil
}

type element struct {
	flags      uint32
	key, value []byte
	page       uint64
}

// elements reads the elements of a branch or leaf, and checks that they lie
// within the page and that their keys ascend.
func elements(id uint64, b []byte, kind uint16) ([]element, error) {
	count := int(native.Uint16(b[10:]))
	if count*elementSize > len(b)-pageHeader {
		return nil, badFile("page %d has %d elements", id, count)
	}
	out := make([]element, count)
	for i := range out {
		at := pageHeader + i*elementSize
		h := b[at:]
		var e element
		var pos, ksize, vsize uint64
		if kind == branchFlag {
			pos, ksize = uint64(native.Uint32(h)), uint64(native.Uint32(h[4:]))
			e.page = native.Uint64(h[8:])
		} else {
			e.flags = native.Uint32(h)
			pos, ksize, vsize = uint64(native.Uint32(h[4:])), uint64(native.Uint32(h[8:])), uint64(native.Uint32(h[12:]))
		}
		from := uint64(at) + pos
		if from+ksize+vsize > uint64(len(b)) || from < uint64(pageHeader+count*elementSize) {
			return nil, badFile("page %d: element %d lies outside", id, i)
		}
		e.key, e.value = b[from:from+ksize], b[from+ksize:from+ksize+vsize]
		if i > 0 && bytes.Compare(out[i-1].key, e.key) >= 0 {
			return nil, badFile("page %d: keys are out of order", id)
		}
		out[i] = e
	}
	return out, nil
}

// freeList checks that no free page is in use, and, when deep, that every
// page is one or the other.
func (c *checker) freeList() error {
	b, err := c.page(c.free)
	if err != nil {
		return err
	}
	if native.Uint16(b[8:]) != freeFlag {
		return badFile("page %d is not the free list", c.free)
	}
	if err := c.mark(c.free, c.free+uint64(len(b))/c.pageSize-1); err != nil {
		return err
	}
	count, ids := uint64(native.Uint16(b[10:])), b[pageHeader:]
	if count == manyFree {
		count, ids = native.Uint64(ids), ids[8:]
	}
	if count > uint64(len(ids)/8) {
		return badFile("the free list says it has %d pages", count)
	}
	last := uint64(0)
	for i := range count {
		id := native.Uint64(ids[8*i:])
		if id <= last {
			return badFile("the free list is out of order")
		}
		if err := c.mark(id, id); err != nil {
			return err
		}
		last = id
	}
	if c.deep {
		for id := uint64(2); id < c.pages; id++ {
			if !c.used[id] {
				return badFile("page %d is neither used nor free", id)
			}
		}
	}
	return nil
}
