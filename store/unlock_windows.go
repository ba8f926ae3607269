package store

import (
	"math"
	"os"

	"golang.org/x/sys/windows"
)

// unlock gives up the lock on a file as bbolt takes it: on the last byte that a
// file can have.
func unlock(f *os.File) error {
	last := windows.Overlapped{Offset: math.MaxUint32, OffsetHigh: math.MaxUint32}
	return windows.UnlockFileEx(windows.Handle(f.Fd()), 0, 1, 0, &last)
}
