package parcel

import (
	"bytes"
	"crypto"
	"crypto/sha256"
	"maps"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"

	"pinchrod/store/journal"
	"pinchrod/sync/exchange"
	"pinchrod/sync/synctest"
)

func memory() *synctest.Book { return synctest.NewBook(7, func() time.Time { return now }) }

// Packing a stream is slow beside what the fuzzer expects: run these with
// -fuzzminimizetime 10x.

// takes reads parts into an empty book, which has to be refused without a
// trace, or to give what the manifest says.
func takes(t *testing.T, parts ...[]byte) {
	book := memory()
	before := counts(t, book)
	out, err := try(t, book, ReadOptions{Limit: 8 << 20}, parts...)
	after := counts(t, book)
	if err != nil {
		if !maps.Equal(before, after) {
			t.Errorf("%v, and the book has %v", err, after)
		}
		return
	}
	if out.Added != int(out.Pages()) {
		t.Errorf("%d pages are added, and the parcel has %d", out.Added, out.Pages())
	}
	for _, l := range out.Logs {
		if l.Pages() > 0 && after[l.Base.Device] != l.To {
			t.Errorf("log of %s: %d pages, and the manifest says %d", l.Base.Device, after[l.Base.Device], l.To)
		}
	}
}

// FuzzRead reads any bytes, and the same with a closing hash that is right.
func FuzzRead(f *testing.F) {
	whole := exampleFile(f)
	f.Add(whole)
	f.Add(whole[:coverSize+100])
	f.Add(bytes.Repeat(whole, 2))
	forged, _, _ := forge(f)
	forged.close(f, 1)
	f.Add(forged.part(f, 0, nil))
	f.Fuzz(func(t *testing.T, b []byte) {
		takes(t, b)
		takes(t, b, b)
		if n := len(b) - closingSize; n > 0 {
			sum := sha256.Sum256(b[:n])
			takes(t, append(bytes.Clone(b[:n]), sum[:]...))
		}
	})
}

// FuzzManifest reads any body, rightly signed.
func FuzzManifest(f *testing.F) {
	forged, a, _ := forge(f)
	forged.close(f, 3)
	for _, m := range []Manifest{forged.m, {Writer: forged.writer.ID, Pieces: forged.m.Pieces, Stream: 1 << 20, Recipient: sealKey(f).Recipient().String(), For: a.ID.Device, answer: []byte{1}}} {
		w, err := m.wire()
		if err != nil {
			f.Fatal(err)
		}
		b, err := journal.Marshal(w)
		if err != nil {
			f.Fatal(err)
		}
		f.Add(b)
	}
	f.Add([]byte{0xa0})
	f.Fuzz(func(t *testing.T, body []byte) {
		sig, err := forged.writer.Key.Sign(nil, append([]byte(manifestDomain), body...), crypto.Hash(0))
		if err != nil {
			t.Fatal(err)
		}
		b, err := journal.Marshal(wireSigned{Body: body, Signature: sig})
		if err != nil {
			t.Fatal(err)
		}
		_, _ = readManifest(body)
		m, err := readManifest(b)
		if err != nil {
			return
		}
		// What is understood says the same when it is signed again.
		if b, err = m.sign(forged.writer.Key); err != nil {
			t.Fatal(err)
		}
		again, err := readManifest(b)
		if err != nil {
			t.Fatal(err)
		}
		if d := cmp.Diff(m, again, cmp.AllowUnexported(Manifest{})); d != "" {
			t.Error(d)
		}
	})
}

// FuzzStream reads any frames, rightly packed and signed for.
func FuzzStream(f *testing.F) {
	forged, a, b := forge(f)
	f.Add(forged.stream)
	f.Add(frames(f, batch(a, 1, 4), batch(b, 1, 4)))
	f.Add(frames(f, batch(b, 1, 4), batch(a, 1, 4)))
	f.Add(frames(f, exchange.Batch{Identity: a.ID, Records: a.Withheld(1, 4), Head: a.Heads[4]}))
	f.Fuzz(func(t *testing.T, stream []byte) {
		f, _, _ := forge(t)
		f.stream = append([]byte{}, stream...)
		f.close(t, 1)
		takes(t, f.part(t, 0, nil))
	})
}
