package journal

import (
	"errors"
	"fmt"
)

// MaxStep bounds what is signed in one step: the sum, over its pages, of the
// payload and [PageRoom]. Nothing vouches for a part of a step, so it is kept
// and sent in one piece, which package sync/exchange calls a frame. A frame has
// room for a page of the largest payload and 1 MiB more; of that, 1 KiB is left
// for what a frame says beside its pages: which they are, and the signed head.
const MaxStep = MaxPayload + 1<<20 - 1<<10

// PageRoom is what a page takes of a step beside its payload, at most:
//
//	62  bytes of its own: array 1, version 1, device 17, sequence 9, time 9,
//	    zone 3, job 17, length of the payload 5
//	 5  its length in the list of a step's pages
//
// A page that is withheld takes less: 1 in that list, and 32 for its hash.
const PageRoom = 67

// ErrStep: more than [MaxStep] was to be signed in one step.
var ErrStep = errors.New("too much to be saved in one step")

// CheckStep returns [ErrStep] if so many pages, with so many bytes of payload
// in all, are more than one step may have.
func CheckStep(pages, payload int) error {
	if size := payload + pages*PageRoom; size > MaxStep {
		return fmt.Errorf("%w: %d bytes in %d pages, the most is %d", ErrStep, size, pages, MaxStep)
	}
	return nil
}
