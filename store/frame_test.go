package store

import (
	"bytes"
	"crypto/ed25519"
	"encoding/binary"
	"errors"
	"math/rand/v2"
	"os"
	"path/filepath"
	"testing"
	"time"

	"pinchrod/store/journal"
)

// smallBook returns the bytes of a file with a few pages.
func smallBook(t testing.TB) []byte {
	t.Helper()
	var seed [32]byte
	o := Options{Now: func() time.Time { return time.UnixMilli(1645557742000) }, Rand: rand.NewChaCha8(seed)}
	s, err := Create(filepath.Join(t.TempDir(), "book"), o)
	if err != nil {
		t.Fatal(err)
	}
	for _, p := range []string{"one", "two", "three"} {
		if _, err := s.Append(Draft{Payload: []byte(p)}, Draft{Payload: []byte(p)}); err != nil {
			t.Fatal(err)
		}
	}
	if err := s.Close(); err != nil {
		t.Fatal(err)
	}
	b, err := os.ReadFile(s.Path())
	if err != nil {
		t.Fatal(err)
	}
	return b
}

// The bytes of the package comment, by hand.
func TestFrameBytes(t *testing.T) {
	e := entry{device: journal.ID{1}, Record: journal.Record{Seq: 2}, gapTo: 3}
	want := "\x9bprdG\x00\x00\x00\x20"
	body := "\x01" + string(make([]byte, 15)) + "\x00\x00\x00\x00\x00\x00\x00\x02" + "\x00\x00\x00\x00\x00\x00\x00\x03"
	got := e.encode()
	if string(got[:9]) != want || string(got[13:]) != body {
		t.Errorf("gap frame %x", got)
	}
	// CRC-32C worked bit by bit, from its definition: polynomial 0x1EDC6F41
	// reflected, register and result inverted.
	crc := ^uint32(0)
	for _, b := range []byte("G\x00\x00\x00\x20" + body) {
		crc ^= uint32(b)
		for range 8 {
			crc = crc>>1 ^ 0x82F63B78*(crc&1)
		}
	}
	if sum := binary.BigEndian.Uint32(got[9:]); sum != ^crc {
		t.Errorf("sum %#x, want %#x", sum, ^crc)
	}
}

// Every bit of a frame counts.
func TestFrameBits(t *testing.T) {
	b := frame(kindWithheld, key(journal.ID{1}, 2), make([]byte, 32))
	if _, _, err := parseFrame(b); err != nil {
		t.Fatal(err)
	}
	for i := range 8 * len(b) {
		c := bytes.Clone(b)
		c[i/8] ^= 1 << (i % 8)
		if _, _, err := parseFrame(c); err == nil {
			t.Errorf("bit %d does not count", i)
		}
	}
}

// A commit is kept for its pages; evidence of a fork can be a head alone.
func TestCommitPages(t *testing.T) {
	id, err := journal.NewIdentity(journal.ID{1}, ed25519.NewKeyFromSeed(make([]byte, 32)))
	if err != nil {
		t.Fatal(err)
	}
	for _, tc := range []struct {
		kind   byte
		hashes int
		sound  bool
	}{
		{kindCommit, 0, false}, {kindCommit, 1, true}, {kindCommit, 3, true}, {kindCommit, 4, false},
		{kindFork, 0, true}, {kindFork, 1, true}, {kindFork, 3, true}, {kindFork, 4, false},
	} {
		c := commit{Head: id.Head(), Hashes: make([]journal.Hash, tc.hashes)}
		c.Head.Seq = 3
		b, err := c.encode(tc.kind)
		if err != nil {
			t.Fatal(err)
		}
		got, err := parseCommit(tc.kind, b[frameHeader:])
		if tc.sound && (err != nil || len(got.Hashes) != tc.hashes) || !tc.sound && !errors.Is(err, ErrDamaged) {
			t.Errorf("kind %q with %d hashes up to head 3: %d hashes, %v", tc.kind, tc.hashes, len(got.Hashes), err)
		}
		for cut := range len(b) - frameHeader - 32*tc.hashes {
			if _, err := parseCommit(tc.kind, b[frameHeader:frameHeader+cut]); !errors.Is(err, ErrDamaged) {
				t.Errorf("kind %q, the first %d bytes: %v", tc.kind, cut, err)
			}
		}
	}
}

func FuzzFrame(f *testing.F) {
	key1 := ed25519.NewKeyFromSeed(make([]byte, 32))
	id, err := journal.NewIdentity(journal.ID{1}, key1)
	if err != nil {
		f.Fatal(err)
	}
	c := commit{Head: id.Head(), Hashes: []journal.Hash{{1}, {2}}}
	c.Head.Seq = 2
	cb, err := c.encode(kindCommit)
	if err != nil {
		f.Fatal(err)
	}
	f.Add(cb)
	if cb, err = (commit{Head: id.Head()}).encode(kindFork); err != nil {
		f.Fatal(err)
	}
	f.Add(cb)
	for _, e := range []entry{
		{device: journal.ID{1}, Record: journal.Record{Seq: 1}, gapTo: 5},
		{device: journal.ID{1}, Record: journal.Record{Seq: 1, Hash: journal.Hash{9}}, lost: true},
		{device: journal.ID{1}, Record: journal.Record{Seq: 1, Hash: journal.Hash{9}}},
		{device: journal.ID{1}, Record: journal.Record{Seq: 1, Page: []byte("a page")}},
	} {
		f.Add(e.encode())
	}
	f.Add(encodeNote([]byte("name"), []byte("value")))
	f.Fuzz(func(t *testing.T, b []byte) {
		// The sum would keep the fuzzer out: it is set right for it.
		if len(b) >= frameHeader {
			b = bytes.Clone(b)
			copy(b, magic)
			binary.BigEndian.PutUint32(b[5:], uint32(len(b)-frameHeader))
			binary.BigEndian.PutUint32(b[9:], frameSum(b))
		}
		kind, body, err := parseFrame(b)
		if err != nil {
			return
		}
		if again := frame(kind, body); !bytes.Equal(again, b) {
			t.Fatalf("frame %x written back as %x", b, again)
		}
		if e, err := parseEntry(kind, body); err == nil && !bytes.Equal(e.encode(), b) {
			t.Fatalf("entry %x written back as %x", b, e.encode())
		}
		if len(body) >= 2 {
			name := body[2 : 2+min(len(body)-2, int(binary.BigEndian.Uint16(body)))]
			if note, err := readNote(name, b); err == nil && !bytes.Equal(encodeNote(name, note), b) {
				t.Fatalf("note %x written back as %x", b, encodeNote(name, note))
			}
		}
		if c, err := parseCommit(kind, body); err == nil {
			if again, err := c.encode(kind); err != nil || !bytes.Equal(again, b) {
				t.Fatalf("commit %x written back as %x, %v", b, again, err)
			}
		}
	})
}

// Whatever a file holds, carving and checking it end, without a panic, and
// what carving vouches for is what was written.
func FuzzCarve(f *testing.F) {
	book := smallBook(f)
	whole := carve(book).logs
	if len(whole) != 1 {
		f.Fatalf("%d logs in the file", len(whole))
	}
	written := map[journal.Hash]bool{}
	for _, log := range whole {
		for h := range log.pages {
			written[h] = true
		}
	}
	f.Add(uint32(0), []byte(magic+"P"))
	f.Add(uint32(4096*4), []byte{})
	for i := range uint32(len(book) / 512) {
		f.Add(i*512+20, []byte{1, 2, 3, 4})
	}
	f.Fuzz(func(t *testing.T, at uint32, patch []byte) {
		b := bytes.Clone(book)
		copy(b[int(at)%len(b):], patch)
		_ = checkFile(bytes.NewReader(b), int64(len(b)), at%2 == 0) // either answer will do
		for _, find := range carve(b).logs {
			p := find.vouch()
			for _, s := range p.stretches() {
				for _, h := range s.pages {
					if !written[h] {
						t.Fatalf("vouched for a page that was not written")
					}
				}
			}
		}
	})
}

// BenchmarkVerify verifies 100 000 pages in commits of ten, and opens them.
func BenchmarkVerify(b *testing.B) {
	s, err := Create(filepath.Join(b.TempDir(), "book"), Options{})
	if err != nil {
		b.Fatal(err)
	}
	device := s.Device()
	err = s.change(func(l *ledger) error {
		chain := journal.NewChain(s.self.Head().Head)
		for range 10_000 {
			c := commit{Prev: chain.Head().Hash}
			for range 10 {
				seq := chain.Head().Seq + 1
				page, err := journal.Page{Device: device, Seq: seq, Time: time.UnixMilli(int64(seq)), Payload: make([]byte, 100)}.Encode()
				if err != nil {
					return err
				}
				r := journal.NewRecord(seq, page)
				chain.AddHash(r.Hash)
				c.Hashes = append(c.Hashes, r.Hash)
				if err := l.putEntry(entry{device: device, Record: r}); err != nil {
					return err
				}
			}
			var err error
			if c.Head, err = journal.Sign(chain.Head(), s.key); err != nil {
				return err
			}
			if err := l.putCommit(c); err != nil {
				return err
			}
		}
		return l.addTally(tally{{device: device}: 100_000})
	})
	if err != nil {
		b.Fatal(err)
	}
	b.Run("verify", func(b *testing.B) {
		for b.Loop() {
			if r, err := s.Verify(); err != nil || r.Logs[0].Pages != 100_000 {
				b.Fatal(err)
			}
		}
	})
	if err := s.Close(); err != nil {
		b.Fatal(err)
	}
	b.Run("open", func(b *testing.B) {
		for b.Loop() {
			s, err := Open(s.Path(), Options{})
			if err != nil {
				b.Fatal(err)
			}
			if err := s.Close(); err != nil {
				b.Fatal(err)
			}
		}
	})
}

// A later format is named as such, and not touched.
func TestNewerFormat(t *testing.T) {
	s, err := Create(filepath.Join(t.TempDir(), "book"), Options{})
	if err != nil {
		t.Fatal(err)
	}
	if err := s.change(func(l *ledger) error { return l.putSetting(metaFormat, []byte("2")) }); err != nil {
		t.Fatal(err)
	}
	if err := s.Close(); err != nil {
		t.Fatal(err)
	}
	before, err := os.ReadFile(s.Path())
	if err != nil {
		t.Fatal(err)
	}
	if _, err := Open(s.Path(), Options{}); !errors.Is(err, ErrNewer) || errors.Is(err, ErrDamaged) {
		t.Errorf("Open: %v, want ErrNewer", err)
	}
	if after, err := os.ReadFile(s.Path()); err != nil || !bytes.Equal(before, after) {
		t.Errorf("the file changed: %v", err)
	}
}
