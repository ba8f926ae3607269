package exchange

import (
	"bytes"
	"context"
	"errors"
	"io"
	"testing"

	"pinchrod/store/journal"
)

// Lists of every length of head, with pages of every length of head, come back
// as they went, and are what the CBOR library makes of them.
func TestPages(t *testing.T) {
	for _, n := range []int{0, 1, 23, 24, 255, 256, 65535, 65536} {
		var records []journal.Record
		var plain [][]byte
		for i := range min(n, 3) {
			page := bytes.Repeat([]byte{byte(i)}, n)
			records, plain = append(records, journal.Record{Page: page}), append(plain, page)
		}
		for len(records) < n {
			records, plain = append(records, journal.Record{}), append(plain, []byte{})
		}
		got := newPages(records)
		if want, err := journal.Marshal(plain); n > 0 && (err != nil || !bytes.Equal(got, want)) {
			t.Errorf("%d pages: %d bytes, want %d, %v", n, len(got), len(want), err)
		}
		i := 0
		for page, err := range got.all() {
			if err != nil || !bytes.Equal(page, plain[i]) {
				t.Fatalf("page %d of %d: %d bytes, %v", i, n, len(page), err)
			}
			i++
		}
		if i != n {
			t.Errorf("%d pages came back, want %d", i, n)
		}
	}
	for _, bad := range []any{uint64(7), "text", []uint64{1, 2}, []string{"page"}, map[uint64][]byte{1: {2}}} {
		b, err := journal.Marshal(bad)
		if err != nil {
			t.Fatal(err)
		}
		for _, err = range wirePages(b).all() {
		}
		if !errors.Is(err, errPages) {
			t.Errorf("%v: got %v, want %v", bad, err, errPages)
		}
	}
}

// What a frame was admitted for is given back once, whatever becomes of it, and
// nobody is left reading.
func TestAdmitted(t *testing.T) {
	large := append([]byte{kindBatch, 0x80, 0x80, 0x08}, make([]byte, 128<<10)...)
	for name, stream := range map[string][]byte{
		"refused":    large,
		"cut":        large[:1000],
		"twice":      append(append([]byte{kindLog, 0x80, 0x80, 0x08}, make([]byte, 128<<10)...), large...),
		"not let in": {kindBatch, 0x80, 0x80, 0x10},
	} {
		in, feed := io.Pipe()
		fed := make(chan struct{})
		go func() {
			defer close(fed)
			_, err := feed.Write(stream)
			if name == "cut" && err == nil {
				feed.Close()
			}
		}()
		admitted, given := 0, 0
		no := errors.New("no room")
		h := &Host{Admit: func(_ context.Context, size int) (func(), error) {
			if size > 128<<10 {
				return nil, no
			}
			admitted++
			return func() { given++ }, nil
		}}
		r := NewFrameReader(in, journal.Identity{})
		r.admit = func(size int) (func(), error) { return h.Admit(t.Context(), size) }
		var err error
		for _, err = range ahead(r, in) {
		}
		if err == nil || admitted != given || (name == "not let in") != errors.Is(err, no) {
			t.Errorf("%s: %d admitted, %d given back, %v", name, admitted, given, err)
		}
		<-fed
	}
}
