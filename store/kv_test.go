package store

import (
	"bytes"
	"errors"
	"fmt"
	"iter"
	"slices"
	"testing"

	"pgregory.net/rapid"

	"pinchrod/store/journal"
)

// entriesOf lists what a projection has under a prefix.
func entriesOf(seq iter.Seq2[[]byte, []byte]) (out []string) {
	for k, v := range seq {
		out = append(out, fmt.Sprintf("%x=%x", k, v))
	}
	return out
}

// The projection in the file and the one in memory, which Verify holds against
// it, do the same, whatever a projector does: put, delete, and change what it is
// looking through.
func TestKVAlike(t *testing.T) {
	s := emptyBook(t)
	rapid.Check(t, func(t *rapid.T) {
		err := s.change(func(l *ledger) error {
			memory := &memoryKV{values: map[string][]byte{}}
			both := []KV{bucketKV{l.projection}, memory}
			word := rapid.SliceOfN(rapid.ByteRange(0, 2), 1, 3)
			for i := range rapid.IntRange(1, 30).Draw(t, "steps") {
				k, v := word.Draw(t, "key"), rapid.SliceOfN(rapid.Byte(), 0, 2).Draw(t, "value")
				prefix := rapid.SliceOfN(rapid.ByteRange(0, 2), 0, 2).Draw(t, "prefix")
				do := rapid.IntRange(0, 4).Draw(t, "do")
				var said [2]string
				for n, kv := range both {
					switch do {
					case 0, 1:
						given, named := bytes.Clone(v), bytes.Clone(k)
						said[n] = fmt.Sprint(kv.Put(named, given))
						for _, b := range [][]byte{given, named} { // it is the caller's again
							for j := range b {
								b[j] = 0xee
							}
						}
					case 2:
						said[n] = fmt.Sprint(kv.Delete(k))
					case 3:
						got := kv.Get(k)
						said[n] = fmt.Sprintf("%t %x", got == nil, got)
						for j := range got {
							got[j] = 0xee
						}
					case 4: // deletes as it goes, puts after where it is, and leaves early
						seen := 0
						for k, v := range kv.Scan(prefix) {
							said[n] += fmt.Sprintf("%x=%x ", k, v)
							if seen++; seen == 4 {
								break
							}
							if err := errors.Join(kv.Delete(k), kv.Put(append(bytes.Clone(prefix), 2, 2, byte(seen)), v)); err != nil {
								return err
							}
							for _, b := range [][]byte{k, v} {
								for j := range b {
									b[j] = 0xee
								}
							}
						}
					}
				}
				if said[0] != said[1] {
					t.Fatalf("step %d (%d) at %x, prefix %x: in the file %q, in memory %q", i, do, k, prefix, said[0], said[1])
				}
			}
			if file, memory := entriesOf(both[0].Scan(nil)), entriesOf(both[1].Scan(nil)); !slices.Equal(file, memory) {
				t.Fatalf("in the file\n%v\nin memory\n%v", file, memory)
			}
			return errors.New("once more") // nothing of it stays
		})
		if err == nil || err.Error() != s.path+": once more" {
			t.Fatal(err)
		}
	})
	// Neither takes a key without a name.
	err := s.change(func(l *ledger) error {
		for i, kv := range []KV{bucketKV{l.projection}, &memoryKV{values: map[string][]byte{}}} {
			if err := kv.Put(nil, []byte("v")); err == nil {
				t.Errorf("projection %d took an empty key", i)
			}
		}
		return nil
	})
	if err != nil {
		t.Error(err)
	}
}

// What is kept under one place and says it is of another, or says too little or
// too much, is damage; whatever it is a frame of.
func TestFrameRefused(t *testing.T) {
	f := newFake(t, 7).write("1", "2")
	other := newFake(t, 8)
	place, hash := key(f.id.Device, 1), make([]byte, 32)
	page := f.pages[0]
	last := func(n byte) []byte { return []byte{0, 0, 0, 0, 0, 0, 0, n} }
	for _, tc := range []struct {
		name  string
		value []byte
		taken bool
	}{
		{"a page", frame(kindPage, place, page.Hash[:], page.Page), true},
		{"a page without its bytes", frame(kindPage, place, page.Hash[:]), false},
		{"a page without its hash", frame(kindPage, place, hash[:31]), false},
		{"a page with another hash", frame(kindPage, place, hash, page.Page), false},
		{"a page of another place", frame(kindPage, key(f.id.Device, 2), f.pages[1].Hash[:], f.pages[1].Page), false},
		{"a page of another device", frame(kindPage, key(other.id.Device, 1), page.Hash[:], page.Page), false},
		{"a withheld page", frame(kindWithheld, place, hash), true},
		{"a withheld page with bytes", frame(kindWithheld, place, hash, []byte{1}), false},
		{"a withheld page without its hash", frame(kindWithheld, place), false},
		{"a lost page", frame(kindLost, place, hash), true},
		{"a lost page with bytes", frame(kindLost, place, hash, []byte{1}), false},
		{"a gap of one page", frame(kindGap, place, last(1)), true},
		{"a gap", frame(kindGap, place, last(9)), true},
		{"a gap that ends before it starts", frame(kindGap, place, last(0)), false},
		{"a gap with bytes", frame(kindGap, place, last(9), []byte{1}), false},
		{"a gap without an end", frame(kindGap, place), false},
		{"a frame of half a place", frame(kindWithheld, place[:23]), false},
		{"a note", frame(kindNote, place, hash), false},
		{"a commit", frame(kindCommit, place, hash), false},
		{"no frame", []byte("junk"), false},
		{"an empty value", nil, false},
		{"a frame and a byte", append(frame(kindWithheld, place, hash), 0), false},
		{"a frame less a byte", frame(kindWithheld, place, hash)[:50], false},
	} {
		e, err := readEntry(place, tc.value)
		var at *journal.BreakError
		if (err == nil) != tc.taken || err != nil && (!errors.Is(err, ErrDamaged) || !errors.As(err, &at) || at.Seq != 1 || at.Device != f.id.Device) {
			t.Errorf("%s: %+v, %v; want it taken: %t", tc.name, e, err, tc.taken)
		}
		if err == nil && (e.device != f.id.Device || e.Seq != 1 || !bytes.Equal(e.encode(), tc.value)) {
			t.Errorf("%s: %+v, written back as %x", tc.name, e, e.encode())
		}
	}
	for _, k := range [][]byte{nil, place[:23], append(bytes.Clone(place), 0)} {
		if _, err := readEntry(k, frame(kindWithheld, place, hash)); !errors.Is(err, ErrDamaged) {
			t.Errorf("under a key of %d bytes: %v", len(k), err)
		}
	}
	// Places that no log has.
	for name, k := range map[string][]byte{"page 0": key(f.id.Device, 0), "no device": key(journal.ID{}, 1)} {
		if _, ok := splitEntry(kindWithheld, append(bytes.Clone(k), hash...)); ok {
			t.Errorf("%s was taken", name)
		}
	}

	identity := func(f *fake) []byte {
		b, err := f.id.Encode()
		if err != nil {
			t.Fatal(err)
		}
		return b
	}
	for name, v := range map[string][]byte{
		"another's":       frame(kindDevice, identity(other)),
		"cut short":       frame(kindDevice, identity(f)[1:]),
		"of another kind": frame(kindNote, identity(f)),
		"no frame":        identity(f),
	} {
		if id, err := readIdentity(f.id.Device, v); !errors.Is(err, ErrDamaged) {
			t.Errorf("an identity, %s: %+v, %v", name, id, err)
		}
	}
	if id, err := readIdentity(f.id.Device, frame(kindDevice, identity(f))); err != nil || !id.Equal(f.id) {
		t.Errorf("an identity: %+v, %v", id, err)
	}

	note := func(n byte, rest string) []byte { return frame(kindNote, []byte{0, n}, []byte(rest)) }
	for name, tc := range map[string]struct {
		v     []byte
		want  string
		taken bool
	}{
		"a note":                {note(2, "abv"), "v", true},
		"an empty note":         {note(2, "ab"), "", true},
		"a note of another":     {note(2, "acv"), "", false},
		"a note cut short":      {note(3, "ab"), "", false},
		"a note without a name": {frame(kindNote, []byte{0}), "", false},
		"a note of no frame":    {[]byte("ab"), "", false},
	} {
		if got, err := readNote([]byte("ab"), tc.v); string(got) != tc.want || (err == nil) != tc.taken || err != nil && !errors.Is(err, ErrDamaged) {
			t.Errorf("%s: %q, %v", name, got, err)
		}
	}
}

// A log knows its heads at every page but in a gap and past its end.
func TestHeadAt(t *testing.T) {
	s := emptyBook(t)
	f := newFake(t, 7).write("1", "2", "3", "4", "5", "6")
	err := s.change(func(l *ledger) error {
		err := errors.Join(f.put(l, 6), l.head.Delete(key(f.id.Device, 4)), l.page.Delete(key(f.id.Device, 3)), l.page.Delete(key(f.id.Device, 4)), l.putEntry(gapFrom(f, 3, 4)))
		if err != nil {
			return err
		}
		for seq, known := range []bool{true, true, true, false, true, true, true, false} {
			h, ok, err := l.headAt(f.id.Device, uint64(seq))
			if err != nil || ok != known || ok && h != f.heads[seq] {
				t.Errorf("head %d: %+v, %t, %v; want it known: %t", seq, h, ok, err, known)
			}
		}
		for seq, there := range []bool{false, true, true, false, false, true, true, false} {
			if e, ok, err := l.entry(f.id.Device, uint64(seq)); err != nil || ok != there || ok && e.Hash != f.pages[seq-1].Hash {
				t.Errorf("page %d: %+v, %t, %v; want it there: %t", seq, e, ok, err, there)
			}
		}
		return errUnchanged
	})
	if err != nil {
		t.Error(err)
	}
}
