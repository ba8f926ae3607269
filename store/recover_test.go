package store_test

import (
	"bytes"
	"encoding/binary"
	"errors"
	"fmt"
	"hash/crc32"
	"maps"
	"math/rand/v2"
	"os"
	"path/filepath"
	"slices"
	"testing"

	"pinchrod/store"
	"pinchrod/store/journal"
	"pinchrod/store/storetest"
)

// A book is a real file to be damaged, and all that was written to it.
type book struct {
	data    []byte
	own     journal.ID
	records map[journal.ID][]journal.Record // record n-1 is page n
	heads   map[journal.ID][]journal.SignedHead
	options store.Options
	places  map[string][]int // where in data pages and heads lie
}

// whole reports whether what was written is still somewhere in damaged data.
func (b *book) whole(data, what []byte) bool {
	return slices.ContainsFunc(b.copies(what), func(at int) bool {
		return at+len(what) <= len(data) && bytes.Equal(data[at:at+len(what)], what)
	})
}

// copies returns where a page or head lies in the undamaged file: bbolt leaves
// old copies behind.
func (b *book) copies(what []byte) []int {
	name := string(what[:min(len(what), 64)]) // has device and sequence
	places, ok := b.places[name]
	if !ok {
		for at := 0; ; at++ {
			i := bytes.Index(b.data[at:], what)
			if i < 0 {
				break
			}
			at += i
			places = append(places, at)
		}
		b.places[name] = places
	}
	return places
}

// makeBook writes a file of some own pages in commits of 1 and of 30, with one
// page of 1 MB when big, and another device's log, in part withheld.
func makeBook(t *testing.T, pages int, big bool) *book {
	t.Helper()
	o := storetest.Options(t)
	o.Projector = storetest.Projection{V: 1}
	s := storetest.New(t, o)
	b := &book{own: s.Device(), records: map[journal.ID][]journal.Record{}, heads: map[journal.ID][]journal.SignedHead{}, options: o, places: map[string][]int{}}
	r := rand.New(rand.NewPCG(7, 8))
	peer := storetest.NewPeer(t, 3, 40)
	id := peer.ID.Device
	b.records[id] = slices.Concat(peer.Records[:20], peer.Withheld(21, 25), peer.Records[25:])
	for n, commit := 0, 0; n < pages; commit++ {
		size := 1
		if commit%7 == 6 {
			size = 30
		}
		drafts := storetest.Drafts(r, size)
		if big && commit == 20 {
			drafts[0].Payload = make([]byte, 1<<20)
			for i := range drafts[0].Payload {
				drafts[0].Payload[i] = byte(r.Uint32())
			}
		}
		rec, err := s.Append(drafts...)
		if err != nil {
			t.Fatal(err)
		}
		n += size
		b.heads[b.own] = append(b.heads[b.own], rec.Head)
		if commit < 20 { // two pages at a time
			from := 2*commit + 1
			if _, err := s.Ingest(peer.ID, b.records[id][from-1:from+1], peer.Heads[from+1]); err != nil {
				t.Fatal(err)
			}
			b.heads[id] = append(b.heads[id], peer.Heads[from+1])
		}
	}
	b.records[b.own] = storetest.Records(t, s, b.own, 1)
	if err := s.Close(); err != nil {
		t.Fatal(err)
	}
	var err error
	if b.data, err = os.ReadFile(s.Path()); err != nil {
		t.Fatal(err)
	}
	return b
}

// answers returns, for every log, the pages that have to be recovered from
// damaged bytes if the damage is in one place: those whose bytes are there,
// up to the last signed head whose bytes are there.
func (b *book) answers(t *testing.T, data []byte) map[journal.ID]map[uint64]bool {
	t.Helper()
	out := map[journal.ID]map[uint64]bool{}
	for id, heads := range b.heads {
		last := uint64(0)
		for _, h := range heads {
			e, err := h.Encode()
			if err != nil {
				t.Fatal(err)
			}
			if h.Seq > last && b.whole(data, e) {
				last = h.Seq
			}
		}
		out[id] = map[uint64]bool{}
		for _, r := range b.records[id] {
			if r.Seq <= last && r.Page != nil && b.whole(data, r.Page) {
				out[id][r.Seq] = true
			}
		}
	}
	return out
}

// proved returns the pages whose bytes, and a commit that proves them, are
// whole in data, wherever. It reads commits by the package comment, not by
// the package's code.
func (b *book) proved(t *testing.T, data []byte) map[journal.ID]map[uint64]bool {
	t.Helper()
	out := map[journal.ID]map[uint64]bool{}
	for id := range b.records {
		out[id] = map[uint64]bool{}
	}
	for at := 0; ; at++ {
		i := bytes.Index(data[at:], []byte("\x9bprdC"))
		if i < 0 {
			return out
		}
		at += i
		if len(data)-at < 13 {
			continue
		}
		end := uint64(at) + 13 + uint64(binary.BigEndian.Uint32(data[at+5:]))
		if end > uint64(len(data)) {
			continue
		}
		sum := crc32.New(crc32.MakeTable(crc32.Castagnoli))
		sum.Write(data[at+4 : at+9])
		sum.Write(data[at+13 : end])
		if sum.Sum32() != binary.BigEndian.Uint32(data[at+9:]) {
			continue
		}
		body := data[at+13 : end]
		n, err := journal.ItemLen(body)
		if err != nil {
			t.Fatal(err)
		}
		h, err := journal.DecodeSignedHead(body[:n])
		if err != nil {
			t.Fatal(err)
		}
		pages := uint64(len(body)-n)/32 - 1
		for seq := h.Seq - pages + 1; seq <= h.Seq; seq++ {
			if r := b.records[h.Device][seq-1]; r.Page != nil && b.whole(data, r.Page) {
				out[h.Device][seq] = true
			}
		}
	}
}

// damage writes data as a file, and checks what Open, Verify and Recover make
// of it. want are the pages that must come back, whole if nothing may be
// lost. It returns whether the damage was noticed, and the report.
func (b *book) damage(t *testing.T, data []byte, want map[journal.ID]map[uint64]bool) (noticed bool, rep store.RecoverReport) {
	t.Helper()
	dir := t.TempDir()
	path, fresh := filepath.Join(dir, "book"), filepath.Join(dir, "fresh")
	if err := os.WriteFile(path, data, 0o600); err != nil {
		t.Fatal(err)
	}
	s, err := store.Open(path, b.options)
	if err == nil {
		if _, err = s.Verify(); err == nil {
			for id, recs := range b.records {
				if !sameRecords(recs, storetest.Records(t, s, id, 1)) {
					t.Errorf("damage to the log of %s went unnoticed", id)
				}
			}
		}
		if e := s.Close(); e != nil {
			t.Error(e)
		}
	}
	noticed = err != nil
	if noticed && !errors.Is(err, store.ErrDamaged) && !errors.Is(err, store.ErrProjection) {
		t.Errorf("damage came as %v", err)
	}

	rep, err = store.Recover(path, fresh, b.options)
	if err != nil {
		if !errors.Is(err, store.ErrNothing) {
			t.Fatal(err)
		}
		for id, pages := range want {
			if len(pages) > 0 {
				t.Errorf("%v, but %d pages of %s are there", err, len(pages), id)
			}
		}
		if _, err := os.Stat(fresh); !os.IsNotExist(err) {
			t.Error("a file was made of nothing")
		}
	} else {
		b.checkRecovered(t, rep, want)
	}
	if after, err := os.ReadFile(path); err != nil || !bytes.Equal(after, data) {
		t.Errorf("the damaged file was not kept as it is: %v", err)
	}
	return noticed, rep
}

func sameRecords(a, b []journal.Record) bool {
	return slices.EqualFunc(a, b, func(a, b journal.Record) bool {
		return a.Seq == b.Seq && a.Hash == b.Hash && bytes.Equal(a.Page, b.Page) && (a.Page == nil) == (b.Page == nil)
	})
}

func (b *book) checkRecovered(t *testing.T, rep store.RecoverReport, want map[journal.ID]map[uint64]bool) {
	t.Helper()
	s, err := store.Open(rep.Fresh, b.options)
	if err != nil {
		t.Fatal(err)
	}
	defer s.Close()
	if _, err := s.Verify(); err != nil {
		t.Error(err)
	}
	if s.Device() != rep.Device || s.Device() == b.own {
		t.Errorf("the new file's device is %s, the report's %s, the old one's %s", s.Device(), rep.Device, b.own)
	}
	total := 0
	for _, log := range rep.Logs {
		recs := b.records[log.Device]
		got := map[uint64]bool{}
		for _, r := range storetest.Records(t, s, log.Device, 1) {
			if r.Seq > uint64(len(recs)) || r.Hash != recs[r.Seq-1].Hash || r.Page != nil && !bytes.Equal(r.Page, recs[r.Seq-1].Page) {
				t.Errorf("page %d of %s was never written", r.Seq, log.Device)
			}
			got[r.Seq] = r.Page != nil
		}
		for seq := range want[log.Device] {
			if !got[seq] {
				t.Errorf("page %d of %s is whole, and was not recovered", seq, log.Device)
			}
		}
		maps.DeleteFunc(got, func(_ uint64, there bool) bool { return !there })
		if len(got) != log.Recovered {
			t.Errorf("%d pages of %s are here, the report says %d", len(got), log.Device, log.Recovered)
		}
		// Recovered, withheld and lost pages make up the log.
		for _, r := range log.Lost {
			for seq := r.From; seq <= r.To; seq++ {
				if got[seq] {
					t.Errorf("page %d of %s is here, and reported lost", seq, log.Device)
				}
			}
		}
		if n := uint64(log.Recovered+log.Withheld) + log.LostPages(); n < log.Head.Seq || n > uint64(len(recs)) {
			t.Errorf("the report of %s has %d pages, its head %d: %+v", log.Device, n, log.Head.Seq, log)
		}
		total += log.Recovered
	}
	if n := storetest.Count(t, s); n != uint64(total) {
		t.Errorf("the projection has %d pages, want %d", n, total)
	}
	if _, err := s.Append(store.Draft{Payload: []byte("goes on")}); err != nil {
		t.Error(err)
	}
}

func (b *book) log(t *testing.T, rep store.RecoverReport, id journal.ID) store.RecoveredLog {
	t.Helper()
	for _, l := range rep.Logs {
		if l.Device == id {
			return l
		}
	}
	t.Fatalf("nothing of %s in %+v", id, rep)
	return store.RecoveredLog{}
}

// A whole file gives everything back.
func TestRecoverWhole(t *testing.T) {
	t.Parallel()
	b := makeBook(t, bookPages, true)
	noticed, rep := b.damage(t, b.data, b.answers(t, b.data))
	if noticed {
		t.Error("a whole file is said to be damaged")
	}
	for id, recs := range b.records {
		l := b.log(t, rep, id)
		last := b.heads[id][len(b.heads[id])-1]
		if len(l.Lost) > 0 || l.Unvouched > 0 || l.Recovered+l.Withheld != len(recs) || l.Head != last {
			t.Errorf("%+v, want %d pages up to head %d", l, len(recs), last.Seq)
		}
	}
	if rep.Unknown != 0 {
		t.Errorf("%d pages of unknown devices", rep.Unknown)
	}
}

func TestRecoverZeroLength(t *testing.T) {
	dir := t.TempDir()
	path, fresh := filepath.Join(dir, "book"), filepath.Join(dir, "fresh")
	if err := os.WriteFile(path, nil, 0o600); err != nil {
		t.Fatal(err)
	}
	if _, err := store.Open(path, store.Options{}); !errors.Is(err, store.ErrEmpty) {
		t.Errorf("Open: %v", err)
	}
	if rep, err := store.Recover(path, fresh, store.Options{}); !errors.Is(err, store.ErrNothing) || !errors.Is(err, store.ErrEmpty) {
		t.Errorf("Recover = %+v, %v; want ErrNothing", rep, err)
	}
	info, err := os.Stat(path)
	if err != nil || info.Size() != 0 {
		t.Errorf("the file was not kept as it is: %v, %v", info, err)
	}
	if _, err := os.Stat(fresh); !os.IsNotExist(err) {
		t.Error("a file was made of nothing")
	}
}

func TestRecoverRefused(t *testing.T) {
	s := storetest.New(t, storetest.Options(t))
	dir := t.TempDir()
	fresh := filepath.Join(dir, "fresh")
	if _, err := store.Recover(filepath.Join(dir, "none"), fresh, store.Options{}); !errors.Is(err, store.ErrMissing) {
		t.Errorf("no file: %v", err)
	}
	if _, err := store.Recover(s.Path(), fresh, store.Options{}); !errors.Is(err, store.ErrNothing) {
		t.Errorf("a book without pages: %v", err)
	}
	if _, err := s.Append(store.Draft{}); err != nil {
		t.Fatal(err)
	}
	if _, err := store.Recover(s.Path(), s.Path(), store.Options{}); !errors.Is(err, store.ErrExists) {
		t.Errorf("onto itself: %v", err)
	}
	text := filepath.Join(dir, "text")
	if err := os.WriteFile(text, bytes.Repeat([]byte("no book, \x9bprdP \x9bprdC \x9bprd"), 999), 0o600); err != nil {
		t.Fatal(err)
	}
	if _, err := store.Recover(text, fresh, store.Options{}); !errors.Is(err, store.ErrNothing) {
		t.Errorf("another file: %v", err)
	}
}

func TestRecoverTruncated(t *testing.T) {
	t.Parallel()
	b := makeBook(t, bookPages, true)
	sizes := []int{1, 100, 4096, 8192, 8193, 12288, len(b.data) - 1}
	for i := 1; i < 8; i++ {
		if raceDetector && i%3 > 0 {
			continue
		}
		sizes = append(sizes, i*len(b.data)/8, i*len(b.data)/8&^4095)
	}
	// bbolt lays a file out differently each time, so cut as well where pages and
	// heads do lie: among the last of them something is left, and something lost.
	var places []int
	for at, i := 0, 0; i >= 0; at += i + 1 {
		if i = bytes.Index(b.data[at:], []byte("\x9bprd")); i >= 0 {
			places = append(places, at+i)
		}
	}
	for _, eighth := range []int{4, 5, 6, 7} {
		if raceDetector && eighth%2 == 0 {
			continue
		}
		sizes = append(sizes, places[len(places)*eighth/8])
	}
	sizes = append(sizes, places[len(places)-1])
	slices.Sort(sizes)
	some := false
	for _, size := range slices.Compact(sizes) {
		t.Run(fmt.Sprint(size), func(t *testing.T) {
			data := b.data[:size]
			noticed, rep := b.damage(t, data, b.proved(t, data))
			// The end of a file can be room that was never used.
			if !noticed && bytes.Contains(b.data[size&^4095:], []byte("\x9bprd")) {
				t.Error("the file's end is gone, and nobody noticed")
			}
			for _, l := range rep.Logs {
				some = some || l.Recovered > 0 && l.Recovered < len(b.records[l.Device])
			}
		})
	}
	if !some {
		t.Error("no size gave a part of the pages: the test tests nothing")
	}
}

// flip changes one byte.
func flip(data []byte, at int, by byte) []byte {
	data = bytes.Clone(data)
	data[at] ^= by
	return data
}

func TestRecoverFlippedPage(t *testing.T) {
	t.Parallel()
	b := makeBook(t, bookPages, true)
	for _, seq := range []uint64{1, bookPages / 3, bookPages} {
		page := b.records[b.own][seq-1].Page
		data := bytes.Clone(b.data)
		for _, at := range b.copies(page) {
			data[at+len(page)-10] ^= 0x40
		}
		noticed, rep := b.damage(t, data, b.answers(t, data))
		l := b.log(t, rep, b.own)
		if !noticed {
			t.Errorf("page %d: not noticed", seq)
		}
		if want := (store.Range{From: seq, To: seq}); len(l.Lost) != 1 || l.Lost[0] != want || l.Recovered != len(b.records[b.own])-1 {
			t.Errorf("page %d: %+v; want just that one lost", seq, l)
		}
	}
}

func TestRecoverFlippedHead(t *testing.T) {
	t.Parallel()
	b := makeBook(t, bookPages, false)
	heads := b.heads[b.own]
	for _, i := range []int{0, 5, 6, len(heads) - 2, len(heads) - 1} {
		e, err := heads[i].Encode()
		if err != nil {
			t.Fatal(err)
		}
		data := bytes.Clone(b.data)
		for _, at := range b.copies(e) {
			data[at+len(e)-1] ^= 1 // in the signature
		}
		noticed, rep := b.damage(t, data, b.answers(t, data))
		if !noticed {
			t.Errorf("head %d: not noticed", heads[i].Seq)
		}
		l := b.log(t, rep, b.own)
		want := len(b.records[b.own]) // the next signed head vouches for its pages
		if i == len(heads)-1 {
			want = int(heads[i-1].Seq)
			if l.Unvouched != len(b.records[b.own])-want {
				t.Errorf("the last head: %d unvouched pages, want %d", l.Unvouched, len(b.records[b.own])-want)
			}
		}
		if l.Recovered != want {
			t.Errorf("head %d: %d pages recovered, want %d", heads[i].Seq, l.Recovered, want)
		}
	}
}

// The list of hashes in a commit and a page it lists are both damaged: the
// hash kept beside the page leads on.
func TestRecoverBridge(t *testing.T) {
	b := makeBook(t, 60, false)
	heads := b.heads[b.own]
	i := slices.IndexFunc(heads, func(h journal.SignedHead) bool { return h.Seq >= 30 })
	recs := b.records[b.own][heads[i-1].Seq:heads[i].Seq]
	e, err := heads[i].Encode()
	if err != nil {
		t.Fatal(err)
	}
	data := bytes.Clone(b.data)
	hit := func(what []byte, at int) {
		for _, p := range b.copies(what) {
			data[p+at] ^= 1
		}
	}
	hit(e, len(e)+32*5)                    // the fifth hash of the list
	hit(recs[3].Page, len(recs[3].Page)-1) // a page's body
	hit(recs[7].Page, len(recs[7].Page)-1) // another
	hit(recs[11].Page, -40)                // a sequence kept beside a page
	hit(recs[13].Page, -1)                 // a hash kept beside a page
	noticed, rep := b.damage(t, data, b.answers(t, data))
	l := b.log(t, rep, b.own)
	want := []store.Range{{From: recs[3].Seq, To: recs[3].Seq}, {From: recs[7].Seq, To: recs[7].Seq}}
	if !noticed || !slices.Equal(l.Lost, want) {
		t.Errorf("lost %v, want %v", l.Lost, want)
	}
}

// A crash can leave the pages of a commit that was never finished, and the log
// has then gone on otherwise. Here two copies of a book go on apart, and a
// file holds the bytes of both.
func TestRecoverUnfinished(t *testing.T) {
	o := storetest.Options(t)
	s := storetest.New(t, o)
	if _, err := s.Append(store.Draft{Payload: []byte("1")}, store.Draft{Payload: []byte("2")}); err != nil {
		t.Fatal(err)
	}
	if err := s.Close(); err != nil {
		t.Fatal(err)
	}
	trunk, err := os.ReadFile(s.Path())
	if err != nil {
		t.Fatal(err)
	}
	branch := func(payloads ...string) []byte {
		t.Helper()
		path := writeTemp(t, trunk)
		c, err := store.Open(path, o)
		if err != nil {
			t.Fatal(err)
		}
		for _, p := range payloads {
			if _, err := c.Append(store.Draft{Payload: []byte(p)}); err != nil {
				t.Fatal(err)
			}
		}
		if err := c.Close(); err != nil {
			t.Fatal(err)
		}
		data, err := os.ReadFile(path)
		if err != nil {
			t.Fatal(err)
		}
		return data
	}
	long := branch("3", "4")
	unfinished := branch("not 3")
	later := branch("3, said again")
	for name, tc := range map[string]struct {
		data []byte
		want []string
	}{
		"the longer":           {slices.Concat(long, unfinished), []string{"1", "2", "3", "4"}},
		"the longer, after":    {slices.Concat(unfinished, long), []string{"1", "2", "3", "4"}},
		"as long, the later":   {slices.Concat(later, unfinished), []string{"1", "2", "3, said again"}},
		"as long, later after": {slices.Concat(unfinished, later), []string{"1", "2", "3, said again"}},
	} {
		fresh := filepath.Join(t.TempDir(), "fresh")
		rep, err := store.Recover(writeTemp(t, tc.data), fresh, o)
		if err != nil {
			t.Fatal(err)
		}
		if l := rep.Logs[0]; l.Recovered != len(tc.want) || l.Unvouched != 1 || len(l.Lost) > 0 {
			t.Errorf("%s: %+v", name, l)
		}
		f, err := store.Open(fresh, o)
		if err != nil {
			t.Fatal(err)
		}
		storetest.Check(t, f)
		var got []string
		for _, r := range storetest.Records(t, f, s.Device(), 1) {
			p, err := r.Decode()
			if err != nil {
				t.Fatal(err)
			}
			got = append(got, string(p.Payload))
		}
		if !slices.Equal(got, tc.want) {
			t.Errorf("%s: %q, want %q", name, got, tc.want)
		}
	}
}

// One byte anywhere: it is noticed, or does not matter; and every page that is
// whole comes back.
func TestRecoverAnyFlip(t *testing.T) {
	t.Parallel()
	pages, flips := 150, 200
	if raceDetector {
		pages, flips = bookPages, 9
	}
	b := makeBook(t, pages, false)
	r := rand.New(rand.NewPCG(9, 10))
	noticed := 0
	used := len(bytes.TrimRight(b.data, "\x00"))
	for i := range flips {
		at := r.IntN(used)
		switch i % 5 {
		case 0: // the bbolt pages' headers and first elements
			at = at&^4095 + r.IntN(96)
		case 1: // the meta pages
			at = r.IntN(2)*4096 + r.IntN(80)
		}
		by := byte(1 << r.IntN(8))
		if i%3 == 0 {
			by = byte(1 + r.IntN(255))
		}
		data := flip(b.data, at, by)
		ok, _ := b.damage(t, data, b.answers(t, data))
		if t.Failed() {
			t.Fatalf("byte %d ^ %#x", at, by)
		}
		if ok {
			noticed++
		}
	}
	t.Logf("%d of %d flips noticed; the others lie in free pages or padding", noticed, flips)
	if noticed < flips/4 {
		t.Errorf("only %d of %d flips were noticed", noticed, flips)
	}
}

// A flip in the middle of a page number of a branch: bbolt would go round in
// a circle.
func TestFlippedBranch(t *testing.T) {
	t.Parallel()
	b := makeBook(t, 100, false)
	branches := 0
	for at := 8192; at < len(b.data); at += 4096 {
		page := b.data[at : at+4096]
		if binary.NativeEndian.Uint64(page) != uint64(at/4096) || binary.NativeEndian.Uint16(page[8:]) != 1 || binary.NativeEndian.Uint16(page[10:]) == 0 {
			continue
		}
		if branches++; raceDetector && branches > 1 {
			break
		}
		for _, to := range []int{at / 4096, 0, 1 << 20} { // itself, the meta page, outside
			data := bytes.Clone(b.data)
			binary.NativeEndian.PutUint64(data[at+16+8:], uint64(to))
			b.damage(t, data, b.answers(t, data))
		}
	}
	if branches == 0 {
		t.Error("the file has no branch page: the test tests nothing")
	}
}

// Any 4 KiB page zeroed, or half of it, as when power fails in a write.
func TestRecoverTornPage(t *testing.T) {
	t.Parallel()
	pages, stride := 150, 4096
	if raceDetector {
		pages, stride = bookPages, 12*4096
	}
	b := makeBook(t, pages, false)
	used := len(bytes.TrimRight(b.data, "\x00"))
	noticed := 0
	for at, half := 0, 0; at < used; at, half = at+stride, 2048-half {
		data := bytes.Clone(b.data)
		clear(data[at+half : at+4096])
		ok, _ := b.damage(t, data, b.answers(t, data))
		if t.Failed() {
			t.Fatalf("page %d from byte %d", at/4096, half)
		}
		if ok {
			noticed++
		}
	}
	if noticed == 0 {
		t.Error("no torn page was noticed")
	}
	// The last page of the file, torn both ways.
	last := (used - 1) &^ 4095
	for _, from := range []int{last, last + 2048} {
		data := bytes.Clone(b.data)
		clear(data[from : last+4096])
		b.damage(t, data, b.answers(t, data))
	}
}

// A hub or parcel fills what a recovered log has lost: single pages, and
// gaps, in whatever pieces it comes.
func TestRecoverFill(t *testing.T) {
	t.Parallel()
	b := makeBook(t, 220, false)
	id := b.own
	// Take out pages 50 to 120 with all that knows of them.
	data := bytes.Clone(b.data)
	wipe := func(what []byte) {
		for {
			i := bytes.Index(data, what)
			if i < 0 {
				return
			}
			clear(data[i : i+len(what)])
		}
	}
	for _, r := range b.records[id][49:120] {
		wipe(r.Page)
		wipe(r.Hash[:])
	}
	for _, h := range b.heads[id] {
		if h.Seq >= 50 && h.Seq <= 120 {
			e, err := h.Encode()
			if err != nil {
				t.Fatal(err)
			}
			wipe(e)
			wipe(h.Hash[:])
		}
	}
	wipe(b.records[id][199].Page)
	_, rep := b.damage(t, data, b.proved(t, data))
	lost := b.log(t, rep, id).Lost
	if len(lost) != 2 || lost[0].From > 50 || lost[0].To < 120 || lost[1] != (store.Range{From: 200, To: 200}) {
		t.Fatalf("lost %v; want one gap around 50 to 120, and page 200", lost)
	}
	path := filepath.Join(t.TempDir(), "whole")
	if err := os.WriteFile(path, b.data, 0o600); err != nil {
		t.Fatal(err)
	}
	whole, err := store.Open(path, b.options)
	if err != nil {
		t.Fatal(err)
	}
	storetest.Check(t, whole)
	all := b.records[id]
	for name, ends := range map[string][]int{
		"at once":       {len(b.heads[id]) - 1},
		"beyond":        {slices.IndexFunc(b.heads[id], func(h journal.SignedHead) bool { return h.Seq > lost[0].To }), len(b.heads[id]) - 1},
		"head by head":  nil,
		"from a middle": {-1, len(b.heads[id]) - 1},
	} {
		t.Run(name, func(t *testing.T) {
			o := b.options
			f := filepath.Join(t.TempDir(), "fresh")
			if _, err := store.Recover(writeTemp(t, data), f, o); err != nil {
				t.Fatal(err)
			}
			s, err := store.Open(f, o)
			if err != nil {
				t.Fatal(err)
			}
			storetest.Check(t, s)
			if ends == nil {
				for i := range b.heads[id] {
					ends = append(ends, i)
				}
			}
			done, filled := uint64(0), 0
			for _, i := range ends {
				if i < 0 { // start where the gap starts
					done = lost[0].From - 1
					continue
				}
				h := b.heads[id][i]
				got, err := s.Ingest(whole.Identity(), all[done:h.Seq], h)
				if err != nil {
					t.Fatalf("pages %d to %d: %v", done+1, h.Seq, err)
				}
				done = h.Seq
				filled += got.Filled
				if got.Filled == 0 || raceDetector && i%8 > 0 {
					continue
				}
				if _, err := s.Verify(); err != nil {
					t.Fatalf("after page %d: %v", done, err)
				}
			}
			if want := int(lost[0].Count()) + 1; filled != want {
				t.Errorf("%d pages filled, want %d", filled, want)
			}
			if !sameRecords(all, storetest.Records(t, s, id, 1)) {
				t.Error("the log is not the one that was written")
			}
		})
	}
}

// What a recovered log has lost of a forgotten job is not filled in: its place
// in a gap gets the hash.
func TestRecoverFillForgotten(t *testing.T) {
	t.Parallel()
	o := storetest.Options(t)
	gone := journal.ID{8}
	p := storetest.NewPeer(t, 1, 20)
	for range 10 {
		p.WriteMany(t, 1, gone, "gone")
		p.WriteMany(t, 1, journal.ID{}, "of no job")
	}
	s := storetest.New(t, o)
	for _, to := range []int{10, 30, 40} { // 11 to 30 will be a gap
		from := map[int]int{10: 1, 30: 11, 40: 31}[to]
		if _, err := p.Offer(s, from, to); err != nil {
			t.Fatal(err)
		}
	}
	if err := s.Close(); err != nil {
		t.Fatal(err)
	}
	data, err := os.ReadFile(s.Path())
	if err != nil {
		t.Fatal(err)
	}
	wipe := func(what []byte) {
		for i := bytes.Index(data, what); i >= 0; i = bytes.Index(data, what) {
			clear(data[i : i+len(what)])
		}
	}
	for _, r := range p.Records[10:30] {
		wipe(r.Page)
		wipe(r.Hash[:])
	}
	head, err := p.Heads[30].Encode()
	if err != nil {
		t.Fatal(err)
	}
	wipe(head)
	wipe(p.Records[30].Page) // a page of the job lost with its hash kept
	fresh := filepath.Join(t.TempDir(), "fresh")
	if _, err := store.Recover(writeTemp(t, data), fresh, o); err != nil {
		t.Fatal(err)
	}
	if s, err = store.Open(fresh, o); err != nil {
		t.Fatal(err)
	}
	storetest.Check(t, s)
	if n, err := s.Forget(gone); err != nil || n != 4 {
		t.Errorf("forgot %d pages, %v; want the 4 that are here", n, err)
	}
	// 15 pages fill the gap, 5 of the job do not; the lost page is of the job.
	for _, want := range []journal.Taken{{Known: 25, Filled: 15}, {Known: 40}} {
		if got, err := p.Offer(s, 1, 40); err != nil || got != want {
			t.Errorf("taken %+v, %v; want %+v", got, err, want)
		}
	}
	want := slices.Clone(p.Records)
	for i := 20; i < 40; i += 2 {
		want[i].Page = nil
	}
	if !sameRecords(want, storetest.Records(t, s, p.ID.Device, 1)) {
		t.Error("the log is not the one that was written, without the forgotten job")
	}
	rep, err := s.Verify()
	if err != nil {
		t.Error(err)
	}
	for _, l := range rep.Logs {
		if l.Lost > 0 || len(l.Gaps) > 0 {
			t.Errorf("%+v: nothing is lost any more", l)
		}
	}
}

// Bytes that say, inside a page, that a job is forgotten, do not make it so,
// even when the page's frame is damaged.
func TestRecoverNotForgotten(t *testing.T) {
	t.Parallel()
	o := storetest.Options(t)
	s := storetest.New(t, o)
	job := journal.ID{8}
	said := append([]byte("J\x00\x00\x00\x10"), job[:]...)
	said = slices.Concat([]byte("\x9bprd"), said[:5], binary.BigEndian.AppendUint32(nil, crc32.Checksum(said, crc32.MakeTable(crc32.Castagnoli))), said[5:])
	if _, err := s.Append(store.Draft{Job: job, Payload: []byte("stays")}, store.Draft{Payload: said}); err != nil {
		t.Fatal(err)
	}
	page := storetest.Records(t, s, s.Device(), 2)[0].Page
	if err := s.Close(); err != nil {
		t.Fatal(err)
	}
	data, err := os.ReadFile(s.Path())
	if err != nil {
		t.Fatal(err)
	}
	const before = 16 + 8 + 32 // what the frame's body has before the page
	at := bytes.Index(data, page)
	if at < 0 || bytes.Contains(data[at+len(page):], page) {
		t.Fatal("the page is not there once")
	}
	data[at-before-1] ^= 1 // in the frame's sum
	fresh := filepath.Join(t.TempDir(), "fresh")
	if _, err := store.Recover(writeTemp(t, data), fresh, o); err != nil {
		t.Fatal(err)
	}
	f, err := store.Open(fresh, o)
	if err != nil {
		t.Fatal(err)
	}
	storetest.Check(t, f)
	if gone, err := f.Forgotten(); err != nil || len(gone) > 0 {
		t.Errorf("forgotten: %v, %v", gone, err)
	}
	if recs := storetest.Records(t, f, s.Device(), 1); len(recs) != 2 || recs[0].Page == nil || recs[1].Page == nil {
		t.Errorf("recovered %v", recs)
	}
}

func writeTemp(t *testing.T, data []byte) string {
	t.Helper()
	path := filepath.Join(t.TempDir(), "damaged")
	if err := os.WriteFile(path, data, 0o600); err != nil {
		t.Fatal(err)
	}
	return path
}
