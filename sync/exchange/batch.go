package exchange

import (
	"fmt"
	"iter"

	"pinchrod/store/journal"
)

// A batch is closed at the first signed head past either size. It is what a
// line that is cut costs again, what the other side holds in memory at once,
// and what it writes in one transaction: small enough for a bad line, large
// enough that syncing the disk is not what takes the time.
const (
	batchRecords = 2048
	batchBytes   = 512 << 10
)

// Batches returns a device's log from a sequence on, as the reader may have
// it, cut at signed heads. There is nothing in it when the log ends before.
func Batches(b Book, log journal.Identity, from uint64, r Reader) iter.Seq2[Batch, error] {
	return func(yield func(Batch, error) bool) {
		out := Batch{Identity: log}
		size, end := 0, uint64(0) // end: where the batch closes, once it is full
		fail := func(err error) { yield(Batch{}, fmt.Errorf("reading the log of %s: %w", log.Device, err)) }
		for rec, err := range b.Scan(log.Device, from) {
			if err != nil {
				fail(err)
				return
			}
			if n := len(out.Records); n > 0 && rec.Seq != out.Records[n-1].Seq+1 || n == 0 && rec.Seq != from {
				// A recovered log has lost these. Another holder of it can
				// still give them; this one gives what lies before.
				break
			}
			from = rec.Seq + 1
			out.Records = append(out.Records, r.record(log.Device, rec))
			size += len(rec.Page)
			if end == 0 && (len(out.Records) >= batchRecords || size >= batchBytes) {
				if out.Head, err = b.SignedFrom(log.Device, rec.Seq); err != nil {
					fail(err)
					return
				}
				end = out.Head.Seq
			}
			if rec.Seq == end {
				if !yield(out, nil) {
					return
				}
				out, size, end = Batch{Identity: log}, 0, 0
			}
		}
		if len(out.Records) == 0 {
			return
		}
		last, err := lastSigned(b, log.Device, out.Records[0].Seq, from-1)
		if err != nil {
			fail(err)
			return
		}
		if last.Seq < out.Records[0].Seq {
			return
		}
		out.Records, out.Head = out.Records[:last.Seq-out.Records[0].Seq+1], last
		yield(out, nil)
	}
}

// lastSigned returns the last signed head within from and to; the zero head
// when there is none.
func lastSigned(b Book, device journal.ID, from, to uint64) (last journal.SignedHead, err error) {
	heads, err := b.Heads()
	if err != nil {
		return last, err
	}
	if h := heads[device]; h.Seq == to {
		return h, nil // the log's end, which is the common case
	}
	for seq := from; seq <= to; seq = last.Seq + 1 {
		h, err := b.SignedFrom(device, seq)
		if err != nil {
			return last, err
		}
		if h.Seq > to {
			break
		}
		last = h
	}
	return last, nil
}
