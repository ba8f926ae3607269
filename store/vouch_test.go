package store

import (
	"bytes"
	"fmt"
	"maps"
	"slices"
	"strings"
	"testing"

	"github.com/google/go-cmp/cmp"

	"pinchrod/store/journal"
)

// told says what a carving makes of a device's log: its stretches, each as the
// page before it, the pages in it and the signed heads; how many pages are whole;
// and the highest page that is signed.
func told(c carving, device journal.ID) string {
	f := c.logs[device]
	if f == nil {
		return fmt.Sprintf("nothing; %d of strangers", c.unknown)
	}
	p := f.vouch()
	var out []string
	for _, s := range p.stretches() {
		heads, whole, withheld := []string{}, 0, 0
		for _, h := range s.heads {
			heads = append(heads, fmt.Sprint(h.Seq))
		}
		for _, h := range s.pages {
			if _, ok := p.pages[h]; ok {
				whole++
			}
			if p.withheld[h] {
				withheld++
			}
		}
		out = append(out, fmt.Sprintf("after %d: %d pages, %d whole, %d withheld, heads %s", s.start.seq, len(s.pages), whole, withheld, strings.Join(heads, " ")))
	}
	return fmt.Sprintf("%s; signed to %d", strings.Join(out, "; "), p.last())
}

// What is left of a file is put together again as far as signatures reach, from
// whatever is left, and no further.
func TestCarve(t *testing.T) {
	t.Parallel()
	f := newFake(t, 7).write("1", "2", "3", "4", "5", "6")
	fork := f.fork(4).write("other 5", "other 6")
	foreign := newFake(t, 8).write("1", "2")
	identity := func(f *fake) []byte {
		b, err := f.id.Encode()
		if err != nil {
			t.Fatal(err)
		}
		return frame(kindDevice, b)
	}
	commitOf := func(f *fake, first, last int) []byte {
		b, err := f.commit(first, last).encode(kindCommit)
		if err != nil {
			t.Fatal(err)
		}
		return b
	}
	headOf := func(f *fake, seq int) []byte {
		b, err := f.commit(seq-1, seq).Head.Encode()
		if err != nil {
			t.Fatal(err)
		}
		return b
	}
	pages := func(f *fake, from, to int) (all []byte) {
		for seq := from; seq <= to; seq++ {
			all = append(all, f.entry(seq).encode()...)
		}
		return all
	}
	hashes := func(f *fake, from, to int, lost bool) (all []byte) {
		for seq := from; seq <= to; seq++ {
			e := f.entry(seq)
			e.Page, e.lost = nil, lost
			all = append(all, e.encode()...)
		}
		return all
	}
	flipped := func(b []byte, at int) []byte { // from the end when below 0
		b = bytes.Clone(b)
		b[(at+len(b))%len(b)] ^= 1
		return b
	}
	// doubts are hashes that a place may have, all wrong but kept in sound frames.
	doubts := func(n, from, to int) (all []byte) {
		for seq := from; seq <= to; seq++ {
			for i := range n {
				e := entry{device: f.id.Device, Record: journal.Record{Seq: uint64(seq), Hash: journal.Hash{byte(i), 0xdd}}, lost: true}
				all = append(all, e.encode()...)
			}
		}
		return all
	}
	id := identity(f)
	c1, c2, c3 := commitOf(f, 0, 2), commitOf(f, 2, 4), commitOf(f, 4, 6)
	const sizeOfHead = 1 + 1 + 17 + 1 + 34 + 66 // array, version, device, seq, hash, signature
	badList := func(c []byte) []byte { return flipped(c, frameHeader+sizeOfHead+32+3) }
	for _, tc := range []struct {
		name string
		data []byte
		want string
	}{
		{"all of it", slices.Concat(id, c1, c2, c3, pages(f, 1, 6)), "after 0: 6 pages, 6 whole, 0 withheld, heads 2 4 6; signed to 6"},
		{"in another order, among other things", slices.Concat([]byte("x\x9bprd"), pages(f, 3, 6), c3, []byte(magic+"P"), c1, []byte{0}, c2, id, pages(f, 1, 2)),
			"after 0: 6 pages, 6 whole, 0 withheld, heads 2 4 6; signed to 6"},
		{"without the identity", slices.Concat(c1, c2, pages(f, 1, 4), hashes(f, 5, 6, false)), "nothing; 4 of strangers"},
		{"with another's identity", slices.Concat(identity(foreign), c1, pages(f, 1, 2)), "nothing; 2 of strangers"},
		{"with an identity that is not signed", slices.Concat(flipped(id, -1), c1, pages(f, 1, 2)), "nothing; 2 of strangers"},
		{"no pages", slices.Concat(id, c1, c2), "after 0: 4 pages, 0 whole, 0 withheld, heads 2 4; signed to 4"},
		{"no commits", slices.Concat(id, pages(f, 1, 4)), "after 0: 0 pages, 0 whole, 0 withheld, heads ; signed to 0"},
		{"hashes of pages, withheld", slices.Concat(id, c1, c2, pages(f, 1, 2), hashes(f, 3, 4, false)), "after 0: 4 pages, 2 whole, 2 withheld, heads 2 4; signed to 4"},
		{"hashes of pages, lost", slices.Concat(id, c1, c2, pages(f, 1, 2), hashes(f, 3, 4, true)), "after 0: 4 pages, 2 whole, 0 withheld, heads 2 4; signed to 4"},
		{"a commit cut out", slices.Concat(id, c1, c3, pages(f, 1, 6)), "after 0: 6 pages, 6 whole, 0 withheld, heads 2 6; signed to 6"},
		{"a commit cut out, with its pages", slices.Concat(id, c1, c3, pages(f, 1, 2), pages(f, 5, 6)),
			"after 0: 2 pages, 2 whole, 0 withheld, heads 2; after 4: 2 pages, 2 whole, 0 withheld, heads 6; signed to 6"},
		{"the first commit cut out, with its pages", slices.Concat(id, c2, c3, pages(f, 3, 6)),
			"after 0: 0 pages, 0 whole, 0 withheld, heads ; after 2: 4 pages, 4 whole, 0 withheld, heads 4 6; signed to 6"},
		{"a commit of which the list is damaged", slices.Concat(id, c1, badList(c2), c3, pages(f, 1, 6)), "after 0: 6 pages, 6 whole, 0 withheld, heads 2 4 6; signed to 6"},
		{"the same, and only hashes of its pages", slices.Concat(id, c1, badList(c2), c3, pages(f, 1, 2), hashes(f, 3, 4, true), pages(f, 5, 6)), "after 0: 6 pages, 4 whole, 0 withheld, heads 2 4 6; signed to 6"},
		{"the last list damaged, and its pages gone", slices.Concat(id, c1, badList(c2), pages(f, 1, 2)), "after 0: 2 pages, 2 whole, 0 withheld, heads 2; signed to 4"},
		{"a signed head alone, with its pages", slices.Concat(id, c1, headOf(f, 4), pages(f, 1, 4)), "after 0: 4 pages, 4 whole, 0 withheld, heads 2 4; signed to 4"},
		{"a signed head that is another's", slices.Concat(id, c1, flipped(headOf(f, 4), -1), pages(f, 1, 4)), "after 0: 2 pages, 2 whole, 0 withheld, heads 2; signed to 2"},
		{"pages without their frames", slices.Concat(id, c1, f.pages[0].Page, []byte("and"), f.pages[1].Page), "after 0: 2 pages, 2 whole, 0 withheld, heads 2; signed to 2"},
		{"pages in frames that do not hold", slices.Concat(id, c1, flipped(pages(f, 1, 1), 9), flipped(pages(f, 2, 2), frameHeader+30)), "after 0: 2 pages, 2 whole, 0 withheld, heads 2; signed to 2"},
		{"a page that is not the one", slices.Concat(id, c1, pages(f, 1, 1), flipped(pages(f, 2, 2), -1)), "after 0: 2 pages, 1 whole, 0 withheld, heads 2; signed to 2"},
		{"a page in a frame of a wrong length", slices.Concat(id, headOf(f, 2), pages(f, 1, 1), flipped(flipped(hashes(f, 2, 2, true), 5), 9)), "after 0: 2 pages, 1 whole, 0 withheld, heads 2; signed to 2"},
		{"a commit in a frame of a wrong length", slices.Concat(id, flipped(c1, 5), pages(f, 1, 2)), "after 0: 2 pages, 2 whole, 0 withheld, heads 2; signed to 2"},
		{"a doubt about each page", slices.Concat(id, headOf(f, 6), doubts(3, 1, 6), pages(f, 1, 6)), "after 0: 6 pages, 6 whole, 0 withheld, heads 6; signed to 6"},
		{"three doubts before each hash", slices.Concat(id, headOf(f, 6), doubts(3, 1, 6), hashes(f, 1, 6, true)), "after 0: 6 pages, 0 whole, 0 withheld, heads 6; signed to 6"},
		// 8^6 ways are more than are tried.
		{"seven doubts before each hash", slices.Concat(id, headOf(f, 6), doubts(7, 1, 6), hashes(f, 1, 6, true)), "after 0: 0 pages, 0 whole, 0 withheld, heads ; signed to 6"},
		{"seven doubts before each page", slices.Concat(id, headOf(f, 6), doubts(7, 1, 6), pages(f, 1, 6)), "after 0: 6 pages, 6 whole, 0 withheld, heads 6; signed to 6"},
		{"a list for more, of one head", slices.Concat(id, commitOf(f, 2, 4), commitOf(f, 0, 4), commitOf(f, 3, 4), pages(f, 1, 4)), "after 0: 4 pages, 4 whole, 0 withheld, heads 4; signed to 4"},
		{"two forks, the longer", slices.Concat(id, c1, c2, commitOf(fork, 4, 5), c3, pages(f, 1, 6), pages(fork, 5, 5)), "after 0: 6 pages, 6 whole, 0 withheld, heads 2 4 6; signed to 6"},
		{"a log that starts otherwise", slices.Concat(id, c1, pages(f, 1, 2), func() []byte {
			c := f.commit(0, 4)
			c.Prev[0] ^= 1
			c.Hashes = slices.Clone(c.Hashes)
			b, err := c.encode(kindCommit)
			if err != nil {
				t.Fatal(err)
			}
			return b
		}()), "after 0: 2 pages, 2 whole, 0 withheld, heads 2; signed to 4"}, // its head is signed all the same
		{"another device's beside it", slices.Concat(id, identity(foreign), commitOf(foreign, 0, 2), c1, pages(f, 1, 2), pages(foreign, 1, 2)), "after 0: 2 pages, 2 whole, 0 withheld, heads 2; signed to 2"},
	} {
		if got := told(carve(tc.data), f.id.Device); got != tc.want {
			t.Errorf("%s:\n got %s\nwant %s", tc.name, got, tc.want)
		}
	}
}

// A job is forgotten where a sound frame says so, and no page carries that frame.
func TestCarveForgotten(t *testing.T) {
	f := newFake(t, 7)
	said := func(job journal.ID) []byte { return frame(kindForgotten, job[:]) }
	one, two, carried := journal.ID{1}, journal.ID{2}, journal.ID{3}
	f.write("1 "+string(said(carried)), "2")
	id, err := f.id.Encode()
	if err != nil {
		t.Fatal(err)
	}
	broken := said(two)
	broken[9] ^= 1
	data := slices.Concat(frame(kindDevice, id), said(one), broken, said(journal.ID{}), said(journal.Unread), said(carried),
		frame(kindForgotten, one[:15]), frame(kindForgotten, append(bytes.Clone(two[:]), 0)), f.entry(1).encode(), f.entry(2).encode())
	got := slices.Collect(maps.Keys(carve(data).forgotten))
	if d := cmp.Diff([]journal.ID{one}, got); d != "" {
		t.Errorf("forgotten (-want +got)\n%s", d)
	}
}
