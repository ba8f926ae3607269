package exchange

import (
	"fmt"
	"iter"
	"slices"

	"pinchrod/store/journal"
)

// A batch is closed at the last signed head before either size is passed; only
// a single signed step may be larger. It is what a line that is cut costs
// again, what the other side holds in memory at once, and what it writes in one
// transaction: small enough for a bad line, large enough that syncing the disk
// is not what takes the time. Whoever takes a batch in keeps it as one signed
// step, so the sizes must not add up from hand to hand.
const (
	batchRecords = 2048
	batchBytes   = 512 << 10
)

// Batches returns a device's log from a sequence on, as the reader may have
// it, cut at signed heads. There is nothing in it when the log ends before.
func Batches(b Book, log journal.Identity, from uint64, r Reader) iter.Seq2[Batch, error] {
	return func(yield func(Batch, error) bool) {
		var open []journal.Record // not yet in a batch
		size, step := 0, uint64(0)
		closeAt := func(h journal.SignedHead) bool {
			n := h.Seq - open[0].Seq + 1
			full := open[:n:n]
			open, size = slices.Clone(open[n:]), 0
			for _, rec := range open {
				size += len(rec.Page)
			}
			return yield(Batch{Identity: log, Records: full, Head: h}, nil)
		}
		fail := func(err error) { yield(Batch{}, fmt.Errorf("reading the log of %s: %w", log.Device, err)) }
		for rec, err := range b.Scan(log.Device, from) {
			if err != nil {
				fail(err)
				return
			}
			if rec.Seq != from {
				// A recovered log has lost these. Another holder of it can
				// still give them; this one gives what lies before.
				break
			}
			from++
			open = append(open, r.record(log.Device, rec))
			size += len(rec.Page)
			if rec.Seq < step || len(open) < batchRecords && size < batchBytes {
				continue
			}
			last, err := lastSigned(b, log.Device, open[0].Seq, rec.Seq)
			if err == nil && last.Seq == 0 {
				// One signed step is as large as that: it goes by itself.
				last, err = b.SignedFrom(log.Device, rec.Seq)
				step = last.Seq
			}
			if err != nil {
				fail(err)
				return
			}
			if last.Seq <= rec.Seq && !closeAt(last) {
				return
			}
		}
		for len(open) > 0 {
			last, err := lastSigned(b, log.Device, open[0].Seq, from-1)
			if err != nil {
				fail(err)
				return
			}
			if last.Seq == 0 || !closeAt(last) {
				return
			}
		}
	}
}

// lastSigned returns the last signed head within from and to; the zero head
// when there is none.
func lastSigned(b Book, device journal.ID, from, to uint64) (last journal.SignedHead, err error) {
	for next := to; from <= to; next = from + (to-from)/2 {
		h, err := b.SignedFrom(device, next)
		switch {
		case err != nil:
			return last, err
		case h.Seq > to:
			to = next - 1 // there is none from next on
		default:
			last, from = h, h.Seq+1
		}
	}
	return last, nil
}
