package parcel

import (
	"bytes"
	"context"
	"encoding/hex"
	"errors"
	"fmt"
	"io"
	"math/rand/v2"
	"os"
	"path/filepath"
	"regexp"
	"strings"
	"testing"
	"time"

	"filippo.io/age"
	"github.com/google/go-cmp/cmp"

	"pinchrod/store"
	"pinchrod/store/journal"
	"pinchrod/store/storetest"
	"pinchrod/sync/exchange"
)

var (
	now = time.Date(2022, 2, 22, 19, 22, 22, 0, time.UTC)
	all = Contents{Reader: exchange.Reader{All: true}}
)

func newBook(t testing.TB) *store.Store {
	t.Helper()
	return storetest.New(t, storetest.Options(t))
}

// pages appends n pages of random content to a book's own log.
func pages(t testing.TB, b *store.Store, n int) *store.Store {
	t.Helper()
	heads, err := b.Heads()
	if err != nil {
		t.Fatal(err)
	}
	if _, err := b.Append(storetest.Drafts(rand.New(rand.NewPCG(1, heads[b.Device()].Seq)), n)...); err != nil {
		t.Fatal(err)
	}
	return b
}

func write(t testing.TB, b *store.Store, c Contents, o Options) Written {
	t.Helper()
	w, err := Write(context.Background(), filepath.Join(t.TempDir(), "logs"), b, b.Signer(), now, c, o)
	if err != nil {
		t.Fatal(err)
	}
	return w
}

func read(b exchange.Book, o ReadOptions, files ...string) (Outcome, error) {
	if o.Accept == nil {
		o.Accept = Anyone
	}
	return Read(context.Background(), files, b, o)
}

// logs is everything that a book holds of everybody's logs.
func logs(t testing.TB, b *store.Store) map[string][]string {
	t.Helper()
	ids, err := b.Devices()
	if err != nil {
		t.Fatal(err)
	}
	heads, err := b.Heads()
	if err != nil {
		t.Fatal(err)
	}
	out := map[string][]string{}
	for _, id := range ids {
		h := heads[id.Device]
		lines := []string{fmt.Sprintf("head %d %s %x", h.Seq, h.Hash, h.Signature)}
		for _, r := range storetest.Records(t, b, id.Device, 1) {
			lines = append(lines, fmt.Sprintf("%d %s %x", r.Seq, r.Hash, r.Page))
		}
		out[id.Device.String()] = lines
	}
	return out
}

// unchanged returns a check that a book is as it is now, evidence of forks
// left aside.
func unchanged(t testing.TB, b *store.Store) func() {
	before := logs(t, b)
	return func() {
		t.Helper()
		if d := cmp.Diff(before, logs(t, b)); d != "" {
			t.Errorf("the book has changed: %s", d)
		}
	}
}

func offer(t testing.TB, b *store.Store, p *storetest.Peer, from, to int) {
	t.Helper()
	if _, err := p.Offer(b, from, to); err != nil {
		t.Fatal(err)
	}
}

// crowd is a book with its own log, one of several batches, one with withheld
// pages, and one that ends in a page of a later version.
func crowd(t testing.TB) *store.Store {
	b := pages(t, newBook(t), 3)
	offer(t, b, storetest.NewPeer(t, 1, 5), 1, 5)
	p := storetest.NewPeer(t, 2, 6)
	if _, err := b.Ingest(p.ID, p.Withheld(1, 3), p.Heads[3]); err != nil {
		t.Fatal(err)
	}
	offer(t, b, p, 4, 6)
	big := newBook(t)
	for range 3 {
		pages(t, big, 1000)
	}
	for batch, err := range exchange.Batches(big, big.Identity(), 1, exchange.Reader{All: true}) {
		if err == nil {
			_, err = b.Ingest(batch.Identity, batch.Records, batch.Head)
		}
		if err != nil {
			t.Fatal(err)
		}
	}
	n := storetest.NewPeer(t, 3, 2)
	later, err := journal.Marshal([]any{2, n.ID.Device, 3, "what comes", true})
	if err != nil {
		t.Fatal(err)
	}
	r := journal.NewRecord(3, later)
	chain := journal.NewChain(n.Heads[2].Head)
	if err := chain.Add(r); err != nil {
		t.Fatal(err)
	}
	h, err := journal.Sign(chain.Head(), n.Key)
	if err != nil {
		t.Fatal(err)
	}
	if _, err := b.Ingest(n.ID, append(n.Records, r), h); err != nil {
		t.Fatal(err)
	}
	return b
}

func sealKey(t testing.TB) *age.X25519Identity {
	t.Helper()
	k, err := age.GenerateX25519Identity()
	if err != nil {
		t.Fatal(err)
	}
	return k
}

func TestRoundTrip(t *testing.T) {
	t.Parallel()
	from := crowd(t)
	key := sealKey(t)
	want := logs(t, from)
	for _, o := range []Options{
		{}, {Seal: key.Recipient().String()}, {PartSize: 100 << 10}, {PartSize: 100 << 10, Seal: key.Recipient().String()},
	} {
		if slow && (o.PartSize > 0) != (o.Seal != "") {
			continue
		}
		t.Run(fmt.Sprintf("parts of %d, sealed %t", o.PartSize, o.Seal != ""), func(t *testing.T) {
			var packed, taken uint64
			o.Progress = func(n uint64) { packed = n }
			w := write(t, from, all, o)
			if len(w.Files) != len(w.Pieces) || (len(w.Files) > 1) != (o.PartSize > 0) || w.Kept != 0 || len(w.Logs) != 5 {
				t.Errorf("written %+v", w)
			}
			size := int64(0)
			for i, f := range w.Files {
				info, err := os.Stat(f)
				if err != nil {
					t.Fatal(err)
				}
				if size += info.Size(); o.PartSize > 0 && info.Size() > o.PartSize {
					t.Errorf("%s has %d bytes, and %d were allowed", f, info.Size(), o.PartSize)
				}
				// Without the key, whoever carries it sees which part it is.
				p, err := Inspect(f)
				if err != nil || p.Set != w.Set || p.Part != i+1 || p.Parts != len(w.Files) || p.Sealed != (o.Seal != "") || (p.Manifest == nil) != p.Sealed {
					t.Errorf("Inspect(%s) = %+v, %v", f, p, err)
				}
				p, err = Inspect(f, key)
				if err != nil || p.Manifest == nil {
					t.Fatalf("Inspect(%s) with the key: %v", f, err)
				}
				if d := cmp.Diff(w.Manifest, *p.Manifest, cmp.AllowUnexported(Manifest{})); d != "" {
					t.Error(d)
				}
			}
			if size != w.Size {
				t.Errorf("%d bytes are written, and it says %d", size, w.Size)
			}

			to := newBook(t)
			files := append([]string(nil), w.Files...)
			rand.New(rand.NewPCG(1, 1)).Shuffle(len(files), func(i, j int) { files[i], files[j] = files[j], files[i] })
			ro := ReadOptions{Keys: []age.Identity{sealKey(t), key}, Progress: func(_ Step, n, of uint64) {
				if taken = n; of != w.Pages() {
					t.Errorf("progress of %d pages, and there are %d", of, w.Pages())
				}
			}}
			out, err := read(to, ro, files...)
			if err != nil {
				t.Fatal(err)
			}
			if n := int(w.Pages()); out.Added != n || n != 3017 || packed != 3017 || taken != 3017 {
				t.Errorf("%d pages added, %d are in it, %d packed, %d taken; want 3017", out.Added, n, packed, taken)
			}
			got := logs(t, to)
			delete(got, to.Device().String())
			if d := cmp.Diff(want, got); d != "" {
				t.Error(d)
			}
			// Again, it is a success, and everything is known.
			if out, err = read(to, ro, files...); err != nil || out.Added+out.Filled != 0 || out.Known != 3017 {
				t.Errorf("again: %+v, %v", out, err)
			}
			left, err := filepath.Glob(filepath.Join(filepath.Dir(w.Files[0]), ".*"))
			if err != nil || len(left) > 0 {
				t.Errorf("left behind: %v, %v", left, err)
			}
		})
	}
}

// What is read in portions, with pages that were withheld in the first.
func TestPortions(t *testing.T) {
	from := pages(t, newBook(t), 10)
	to := newBook(t)
	first := write(t, from, Contents{Own: true}, Options{})
	if len(first.Logs) != 1 || first.Logs[0].Base != from.Identity().Head().Head || first.Logs[0].To != 10 || first.Logs[0].Full != 10 {
		t.Errorf("own log: %+v", first.Logs)
	}
	pages(t, from, 7)
	second := write(t, from, Contents{Own: true, From: map[journal.ID]uint64{from.Device(): 11}}, Options{})
	// The head after page 13 is not signed: it has to be computed.
	third := write(t, from, Contents{Own: true, From: map[journal.ID]uint64{from.Device(): 14}}, Options{})
	end := write(t, from, Contents{Own: true, From: map[journal.ID]uint64{from.Device(): 18}}, Options{})
	if l := end.Logs[0]; l.Pages() != 0 || l.To != 17 {
		t.Errorf("one past the end: %+v", end.Logs)
	}

	check := unchanged(t, to)
	for name, w := range map[string]Written{"second": second, "third": third, "end": end} {
		_, err := read(to, ReadOptions{}, w.Files...)
		if name == "end" {
			if err != nil {
				t.Errorf("nothing to take in: %v", err)
			}
			continue
		}
		if !errors.Is(err, journal.ErrGap) || !strings.Contains(err.Error(), "from page 1 on") {
			t.Errorf("%s before the first: %v", name, err)
		}
	}
	check()
	for i, want := range []struct {
		w            Written
		added, known int
	}{{first, 10, 0}, {third, 0, 0}, {second, 7, 0}, {third, 0, 4}, {first, 0, 10}} {
		out, err := read(to, ReadOptions{}, want.w.Files...)
		if want.added+want.known == 0 {
			if !errors.Is(err, journal.ErrGap) || !strings.Contains(err.Error(), "page 11 on") {
				t.Errorf("%d: %v", i, err)
			}
		} else if err != nil || out.Added != want.added || out.Known != want.known {
			t.Errorf("%d: %+v, %v; want %d added, %d known", i, out, err, want.added, want.known)
		}
	}
	if _, err := Write(context.Background(), "x", from, from.Signer(), now, Contents{Own: true, From: map[journal.ID]uint64{from.Device(): 19}}, Options{}); !errors.Is(err, journal.ErrGap) {
		t.Errorf("from two past the end: %v", err)
	}
}

// TestReader writes for a device that may read one job.
func TestReader(t *testing.T) {
	job, other := journal.ID{1}, journal.ID{2}
	hub := newBook(t)
	for _, d := range []store.Draft{{Job: job}, {Job: other}, {}} {
		if _, err := hub.Append(d); err != nil {
			t.Fatal(err)
		}
	}
	offer(t, hub, storetest.NewPeer(t, 1, 2), 1, 2) // of no job: not shown
	w := write(t, hub, Contents{Reader: exchange.Reader{Jobs: map[journal.ID]bool{job: true}}}, Options{})
	if len(w.Logs) != 1 || w.Logs[0].To != 3 || w.Logs[0].Full != 2 {
		t.Errorf("logs %+v, want the hub's own with 2 of 3 pages", w.Logs)
	}
	to := newBook(t)
	if _, err := read(to, ReadOptions{}, w.Files...); err != nil {
		t.Fatal(err)
	}
	for seq, want := range []error{nil, journal.ErrWithheld, nil} {
		if _, err := to.Page(hub.Device(), uint64(seq+1)); !errors.Is(err, want) {
			t.Errorf("page %d: %v, want %v", seq+1, err, want)
		}
	}
	// Then with more rights: the page is filled in.
	out, err := read(to, ReadOptions{}, write(t, hub, all, Options{}).Files...)
	if err != nil || out.Filled != 1 || out.Known != 2 || out.Added != 2 {
		t.Errorf("with more rights: %+v, %v", out, err)
	}
	if w := write(t, hub, Contents{}, Options{}); len(w.Logs) != 0 {
		t.Errorf("the zero reader is shown %+v", w.Logs)
	}
}

// example reads the package comment's example: hex by label.
func example(t testing.TB) map[string][]byte {
	t.Helper()
	src, err := os.ReadFile("doc.go")
	if err != nil {
		t.Fatal(err)
	}
	_, text, ok := strings.Cut(string(src), "// # Example\n")
	if !ok {
		t.Fatal("no example in doc.go")
	}
	out := map[string][]byte{}
	label := ""
	for line := range strings.Lines(text) {
		rest, ok := strings.CutPrefix(line, "//\t")
		if !ok {
			continue
		}
		if m := regexp.MustCompile(`^(log|batch|end|cover|length|manifest|piece|closing)\b`).FindString(rest); m != "" {
			label, rest = m, rest[len(m):]
		}
		b, err := hex.DecodeString(strings.Join(strings.Fields(rest), ""))
		if err != nil {
			t.Fatal(err)
		}
		out[label] = append(out[label], b...)
	}
	return out
}

// exampleFile is the one part of the example, put together.
func exampleFile(t testing.TB) []byte {
	e := example(t)
	return bytes.Join([][]byte{e["cover"], e["length"], e["manifest"], e["piece"], e["closing"]}, nil)
}

func TestExample(t *testing.T) {
	e := example(t)
	file := filepath.Join(t.TempDir(), "x.parcel")
	if err := os.WriteFile(file, exampleFile(t), 0o600); err != nil {
		t.Fatal(err)
	}
	p, err := Open(context.Background(), []string{file}, ReadOptions{})
	if err != nil {
		t.Fatal(err)
	}
	defer p.Close()
	m := p.Manifest()
	device, err := journal.ParseID("017f22e2-79b0-7cc3-98c4-dc0c0c07398f")
	if err != nil {
		t.Fatal(err)
	}
	if m.Writer.Device != device || !m.Time.Equal(now) || m.Recipient != "" || !m.For.IsZero() || len(m.Logs) != 1 ||
		m.Logs[0] != (Log{m.Writer.Head().Head, 1, 1}) || int(m.Stream) != len(e["log"])+len(e["batch"])+len(e["end"]) {
		t.Errorf("manifest %+v", m)
	}
	r, err := p.stream()
	if err != nil {
		t.Fatal(err)
	}
	frames, err := io.ReadAll(r)
	if want := bytes.Join([][]byte{e["log"], e["batch"], e["end"]}, nil); err != nil || !bytes.Equal(frames, want) {
		t.Errorf("stream %x, %v; want %x", frames, err, want)
	}
	r.z.Close()

	// What is in it is journal's page, and written again it is the same stream.
	var again bytes.Buffer
	w := exchange.NewWriter(&again)
	for b, err := range p.Batches() {
		if err != nil {
			t.Fatal(err)
		}
		page, err := b.Records[0].Decode()
		if err != nil || !page.Time.Equal(now) || page.Device != device || hex.EncodeToString(page.Payload) != "a1011904e6" {
			t.Errorf("page %+v, %v", page, err)
		}
		if err := w.Batch(b); err != nil {
			t.Fatal(err)
		}
	}
	if err := errors.Join(w.End(), w.Flush()); err != nil || !bytes.Equal(again.Bytes(), frames) {
		t.Errorf("written again: %x, %v", again.Bytes(), err)
	}
	// So are the manifest's body and the cover.
	wire, err := m.wire()
	if err != nil {
		t.Fatal(err)
	}
	body, err := journal.Marshal(wire)
	if err != nil || !bytes.Contains(e["manifest"], body) {
		t.Errorf("body %x, %v", body, err)
	}
	set, err := m.Set()
	c := Cover{Set: set, Part: 1, Parts: 1, Size: int64(4 + len(e["manifest"]) + len(e["piece"]))}
	if err != nil || !bytes.Equal(c.encode(), e["cover"]) {
		t.Errorf("cover %x, %v", c.encode(), err)
	}
}
