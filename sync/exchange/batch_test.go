package exchange

import (
	"crypto/ed25519"
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
