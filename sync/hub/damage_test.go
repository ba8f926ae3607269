package hub_test

import (
	"bytes"
	"encoding/binary"
	"errors"
	"hash/crc32"
	"os"
	"strings"
	"testing"

	"pinchrod/store"
	"pinchrod/store/journal"
	"pinchrod/sync/exchange"
	"pinchrod/sync/hub/door"
)

// A device that meets a hub whose book is damaged is told that, and not that
// something is wrong with what it holds or has sent; whoever runs the hub is
// told where.
func TestDamagedBook(t *testing.T) {
	t.Parallel()
	w := newWorkshop(t, nil)
	anna, bench := w.join(door.Surveyor), w.join(door.Bench)
	mill := newJob(1)
	anna.write(mill, 3)
	anna.mustSync()
	var page []byte
	for r, err := range w.book.Scan(anna.book.Device(), 2) {
		if err != nil {
			t.Fatal(err)
		}
		page = r.Page
		break
	}
	spoil(t, w.book.Path(), page)
	_, err := bench.sync()
	if !errors.Is(err, exchange.ErrDamaged) || errors.Is(err, journal.ErrBroken) || errors.Is(err, store.ErrDamaged) {
		t.Errorf("the bench is told %v, want %v", err, exchange.ErrDamaged)
	}
	if err := w.stop(); err != nil {
		t.Error(err)
	}
	if log := w.log.String(); !strings.Contains(log, "fetch: damaged book") || !strings.Contains(log, "page 2") || strings.Contains(log, "broken chain") {
		t.Errorf("the hub's log:\n%s", log)
	}
}

// spoil changes a byte of a page, wherever that lies in an open file, and sets
// the sum of the frame around it right, so that it is the page's hash that
// tells. A frame is as package store has it.
func spoil(t *testing.T, path string, page []byte) {
	t.Helper()
	const head, place = 4 + 1 + 4 + 4, 16 + 8 + 32
	data, err := os.ReadFile(path)
	if err != nil {
		t.Fatal(err)
	}
	f, err := os.OpenFile(path, os.O_RDWR, 0)
	if err != nil {
		t.Fatal(err)
	}
	defer f.Close()
	found := false
	for at := 0; ; at++ {
		i := bytes.Index(data[at:], page)
		if i < 0 {
			break
		}
		at += i
		found = true
		frame := data[at-place-head : at+len(page)]
		frame[len(frame)-1] ^= 1
		castagnoli := crc32.MakeTable(crc32.Castagnoli)
		binary.BigEndian.PutUint32(frame[9:], crc32.Update(crc32.Checksum(frame[4:9], castagnoli), castagnoli, frame[head:]))
		if _, err := f.WriteAt(frame, int64(at-place-head)); err != nil {
			t.Fatal(err)
		}
	}
	if !found {
		t.Fatal("the page is not in the file")
	}
}
