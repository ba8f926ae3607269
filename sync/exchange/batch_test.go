package exchange

import (
	"bytes"
	"crypto/ed25519"
	"errors"
	"iter"
	"testing"

	"pinchrod/store/journal"
)

// batchRoom is what the largest batch has beside its pages and hashes.
func TestBatchRoom(t *testing.T) {
	const pages = 1 << 16 // all withheld: a byte of the list and a hash for each
	body, err := journal.Marshal(wireBatch{
		First: 1 << 32, Pages: newPages(make([]journal.Record, pages)), Hashes: make([]byte, pages*len(journal.Hash{})),
		Hash: make([]byte, len(journal.Hash{})), Signature: make([]byte, ed25519.SignatureSize),
	})
	if got := len(body) - pages*(1+len(journal.Hash{})); err != nil || got != batchRoom {
		t.Errorf("%d bytes beside the pages, %v, want %d", got, err, batchRoom)
	}
}

// A torn log has pages whose signed head is lost.
type torn struct{ Book }

func (torn) Scan(journal.ID, uint64) iter.Seq2[journal.Record, error] {
	return func(yield func(journal.Record, error) bool) {
		for seq := range uint64(3) {
			if !yield(journal.Record{Seq: 1 + seq}, nil) {
				return
			}
		}
	}
}

func (torn) SignedFrom(_ journal.ID, seq uint64) (journal.SignedHead, error) {
	if seq <= 2 {
		return journal.SignedHead{Head: journal.Head{Seq: 2}}, nil
	}
	return journal.SignedHead{Head: journal.Head{Seq: 7}}, nil
}

// What nobody has signed is not given on.
func TestTornLog(t *testing.T) {
	var ends []uint64
	for b, err := range Batches(torn{}, journal.Identity{}, 1, Reader{All: true}) {
		if err != nil || len(b.Records) != 2 {
			t.Errorf("a batch of %d pages, %v", len(b.Records), err)
		}
		ends = append(ends, b.Head.Seq)
	}
	if len(ends) != 1 || ends[0] != 2 {
		t.Errorf("batches end at %v, want the one that is signed, at 2", ends)
	}
}

// The smallest page that any version can have travels; what is shorter is no
// page, and no sign for one that is withheld.
func TestSmallestPage(t *testing.T) {
	p := newPen(t, 1)
	page, err := journal.Marshal([]any{9, p.id.Device, 1}) // a version to come
	if err != nil {
		t.Fatal(err)
	}
	if len(page) != 20 { // RFC 8949 section 3: 1 + 1 + (1 + 16) + 1
		t.Fatalf("it has %d bytes, want 20", len(page))
	}
	for _, x := range []struct {
		page []byte
		ok   bool
	}{{page, true}, {page[:19], false}, {page[:1], false}} {
		b := p.batch(t, 1)
		b.Records[0] = journal.Record{Seq: 1, Page: x.page}
		frame := body(t, written(t, func(w *Writer) error { return w.Batch(b) })[len(written(t, func(w *Writer) error { return w.Log(p.id) })):], kindBatch)
		got, err := NewFrameReader(nil, p.id).batch(frame)
		if (err == nil) != x.ok || x.ok && string(got.Records[0].Page) != string(x.page) {
			t.Errorf("a page of %d bytes: %v, want it to travel: %v", len(x.page), err, x.ok)
		}
	}
}

// A page that cannot be judged goes in full to its own device and to whoever
// reads all, and as its hash to anybody else.
func TestUnjudgedPage(t *testing.T) {
	rec := journal.NewRecord(3, []byte("what is no page of any version"))
	device := journal.ID{1}
	for name, x := range map[string]struct {
		reader Reader
		full   bool
	}{
		"reads all":   {Reader{All: true}, true},
		"its own":     {Reader{Identity: journal.Identity{Device: device}}, true},
		"on some job": {Reader{Jobs: map[journal.ID]bool{{}: true, {2}: true, journal.Unread: true}}, false},
		"on none":     {Reader{}, false},
	} {
		got := x.reader.record(device, rec)
		if (got.Page != nil) != x.full || got.Seq != 3 || got.Hash != rec.Hash {
			t.Errorf("%s: page %d with %d bytes and hash %x, want it in full: %v", name, got.Seq, len(got.Page), got.Hash, x.full)
		}
	}
}

// A log of nobody is not announced.
func TestLogOfNobody(t *testing.T) {
	var out bytes.Buffer
	w := NewWriter(&out)
	if err := errors.Join(w.Log(journal.Identity{}), w.Flush()); !errors.Is(err, journal.ErrInvalid) || out.Len() > 0 {
		t.Errorf("%d bytes were written, %v, want %v", out.Len(), err, journal.ErrInvalid)
	}
}
