package exchange

import (
	"io"
	"iter"
)

// readAhead is how many batches a host holds beside the one that it writes to
// disk and the one that it reads. Two are enough for neither to wait.
const readAhead = 2

// ahead yields the batches that come from r, and reads on meanwhile: a batch
// is unpacked and hashed while the one before is written to disk. The memory
// that a batch was admitted for is given back when it has been dealt with. If
// the batches are not wanted any more before their end, in is closed, where it
// can be, so that nobody is left reading.
func ahead(r *FrameReader, in io.Reader) iter.Seq2[Batch, error] {
	type read struct {
		batch Batch
		err   error
		done  func()
	}
	return func(yield func(Batch, error) bool) {
		batches, quit := make(chan read, readAhead), make(chan struct{})
		go func() {
			defer close(batches)
			defer r.release()
			for b, err := range r.Batches() {
				x := read{b, err, r.handOn()}
				select {
				case batches <- x:
				case <-quit:
					x.done()
					return
				}
			}
		}()
		ended := false
		defer func() {
			close(quit)
			if c, ok := in.(io.Closer); ok && !ended {
				c.Close()
			}
			for x := range batches {
				x.done()
			}
		}()
		for x := range batches {
			more := yield(x.batch, x.err)
			x.done()
			if !more || x.err != nil {
				return
			}
		}
		ended = true
	}
}
