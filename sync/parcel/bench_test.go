package parcel

import (
	"context"
	"fmt"
	"math/rand/v2"
	"path/filepath"
	"runtime"
	"testing"
	"time"

	"pinchrod/store"
	"pinchrod/store/storetest"
)

// BenchmarkCarry writes the log of a busy workshop, 100,000 pages, and reads
// it into an empty store.
func BenchmarkCarry(b *testing.B) {
	const n = 100_000
	r := rand.New(rand.NewPCG(1, 2))
	from := storetest.New(b, storetest.Options(b))
	drafts := make([]store.Draft, 500)
	for i := range n / len(drafts) {
		for j := range drafts {
			drafts[j].Payload = fmt.Appendf(nil, "flight 2, bay %d, post %d, bottom: %d.%d mm, by tape 3", i, j, 900+r.IntN(200), r.IntN(10))
		}
		if _, err := from.Append(drafts...); err != nil {
			b.Fatal(err)
		}
	}
	for b.Loop() {
		name := filepath.Join(b.TempDir(), "logs")
		start := time.Now()
		w, err := Write(context.Background(), name, from, from.Signer(), now, Contents{Own: true}, Options{})
		if err != nil {
			b.Fatal(err)
		}
		written := time.Now()
		p, err := Open(context.Background(), w.Files, ReadOptions{})
		if err != nil {
			b.Fatal(err)
		}
		checked := time.Now()
		if err := p.Close(); err != nil {
			b.Fatal(err)
		}
		to := storetest.New(b, storetest.Options(b))
		begun := time.Now()
		out, err := Read(context.Background(), w.Files, to, ReadOptions{Accept: Anyone})
		if err != nil || out.Added != n {
			b.Fatal(out, err)
		}
		b.ReportMetric(written.Sub(start).Seconds(), "s-write")
		b.ReportMetric(checked.Sub(written).Seconds(), "s-check")
		b.ReportMetric(time.Since(begun).Seconds(), "s-read")
		b.ReportMetric(float64(w.Size)/n, "B/page")
		b.ReportMetric(float64(w.Stream)/n, "B/page-unpacked")
	}
}

// BenchmarkMemory looks at how much is held while a parcel of 100,000 pages is
// checked.
func BenchmarkMemory(b *testing.B) {
	from := storetest.New(b, storetest.Options(b))
	for i := range 200 {
		drafts := make([]store.Draft, 500)
		for j := range drafts {
			drafts[j].Payload = fmt.Appendf(make([]byte, 0, 400), "%0300d", i*j)
		}
		if _, err := from.Append(drafts...); err != nil {
			b.Fatal(err)
		}
	}
	w, err := Write(context.Background(), filepath.Join(b.TempDir(), "x"), from, from.Signer(), now, Contents{Own: true}, Options{})
	if err != nil {
		b.Fatal(err)
	}
	for b.Loop() {
		peak := uint64(0)
		p, err := Open(context.Background(), w.Files, ReadOptions{Progress: func(Step, uint64, uint64) {
			var m runtime.MemStats
			runtime.GC()
			runtime.ReadMemStats(&m)
			peak = max(peak, m.HeapAlloc)
		}})
		if err != nil {
			b.Fatal(err)
		}
		if err := p.Close(); err != nil {
			b.Fatal(err)
		}
		b.ReportMetric(float64(peak)/(1<<20), "MiB-live")
		b.ReportMetric(float64(w.Stream)/(1<<20), "MiB-stream")
	}
}
