package exchange_test

import (
	"bytes"
	"errors"
	"testing"
	"time"

	"pinchrod/store"
	"pinchrod/store/journal"
	"pinchrod/store/storetest"
	"pinchrod/sync/exchange"
	"pinchrod/sync/synctest"
)

// TestRoom holds the limit of a step against that of a frame: by what a page
// takes that has all there can be beside its payload, and what a frame has
// beside its pages.
func TestRoom(t *testing.T) {
	payload := make([]byte, 1<<16)
	page, err := journal.Page{
		Device: journal.ID{1}, Seq: 1<<64 - 1, Job: journal.ID{1}, Payload: payload,
		Time: time.Date(9999, 1, 1, 0, 0, 0, 0, time.FixedZone("", -18*60*60)),
	}.Encode()
	if err != nil {
		t.Fatal(err)
	}
	const head = 5 // RFC 8949 section 3: of a byte string of 64 KiB to 4 GiB
	if got := len(page) + head - len(payload); got != journal.PageRoom {
		t.Errorf("a page takes %d bytes beside its payload, PageRoom is %d", got, journal.PageRoom)
	}
	const beside = 6 + 9 + 5 + 5 + 34 + 66 // as MaxFrame has it
	if journal.MaxStep+beside > exchange.MaxFrame {
		t.Errorf("a step has %d bytes at most, a frame %d", journal.MaxStep, exchange.MaxFrame)
	}
	if withheld := 1 + len(journal.Hash{}); withheld > journal.PageRoom {
		t.Errorf("a page that is withheld takes %d bytes, PageRoom is %d", withheld, journal.PageRoom)
	}
}

// TestStepTravels holds what is saved in one step against what a frame holds:
// the largest step there is goes out and comes back, in full and as hashes; one
// page more is not saved.
func TestStepTravels(t *testing.T) {
	t.Parallel()
	job := journal.ID{1}
	few := [][]byte{make([]byte, journal.MaxPayload), make([]byte, journal.MaxStep-journal.MaxPayload-2*journal.PageRoom)}
	t.Run("few pages", func(t *testing.T) {
		s := storetest.New(t, storetest.Options(t))
		travels(t, s, few, func(payloads [][]byte) error {
			var drafts []store.Draft
			for _, p := range payloads {
				drafts = append(drafts, store.Draft{Job: job, Payload: p})
			}
			_, err := s.Append(drafts...)
			return err
		})
	})
	if raceDetector {
		return
	}
	many := make([][]byte, journal.MaxStep/journal.PageRoom) // a quarter of a million, most of them empty
	many[0] = make([]byte, journal.MaxStep%journal.PageRoom)
	t.Run("many pages", func(t *testing.T) {
		b := synctest.NewBook(1, func() time.Time { return time.UnixMilli(1645557742000) })
		travels(t, b, many, func(payloads [][]byte) error {
			var drafts []synctest.Draft
			for _, p := range payloads {
				drafts = append(drafts, synctest.Draft{Job: job, Payload: p})
			}
			_, err := b.Append(drafts...)
			return err
		})
	})
}

// travels saves pages in one step, and sends them.
func travels(t *testing.T, b exchange.Book, pages [][]byte, save func([][]byte) error) {
	t.Helper()
	if err := save(append(pages, nil)); !errors.Is(err, journal.ErrStep) {
		t.Errorf("a page more: %v, want %v", err, journal.ErrStep)
	}
	if err := save(pages); err != nil {
		t.Fatal(err)
	}
	for who, reader := range map[string]exchange.Reader{"in full": {All: true}, "as hashes": {}} {
		var frames bytes.Buffer
		w := exchange.NewWriter(&frames)
		for batch, err := range exchange.Batches(b, b.Identity(), 1, reader) {
			if err == nil {
				err = w.Batch(batch)
			}
			if err != nil {
				t.Fatalf("%s: %v", who, err)
			}
		}
		if err := errors.Join(w.End(), w.Flush()); err != nil {
			t.Fatal(err)
		}
		came := 0
		for batch, err := range exchange.NewFrameReader(&frames, journal.Identity{}).Batches() {
			if err != nil {
				t.Fatalf("%s: %v", who, err)
			}
			came += len(batch.Records)
		}
		if came != len(pages) {
			t.Errorf("%s: %d pages came, want %d", who, came, len(pages))
		}
	}
}
