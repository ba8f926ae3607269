package remote_test

import (
	"testing"

	"pinchrod/sync/hub/door"
)

// BenchmarkPush is the first sync of a device with 100,000 readings, both ends
// in one process.
func BenchmarkPush(b *testing.B) {
	const pages = 100_000
	w := newWorkshop(b, nil)
	drafts := readings(pages)
	b.ResetTimer()
	for range b.N {
		b.StopTimer()
		d := w.join(door.Surveyor)
		job := newJob(b)
		for i := range drafts {
			drafts[i].Job = job
		}
		for i := 0; i < pages; i += 1000 {
			if _, err := d.book.Append(drafts[i : i+1000]...); err != nil {
				b.Fatal(err)
			}
		}
		b.StartTimer()
		out, err := d.sync()
		if err != nil || out.Sent != pages {
			b.Fatalf("%d pages sent, %v", out.Sent, err)
		}
	}
}
