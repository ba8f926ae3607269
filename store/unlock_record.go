//go:build solaris || aix || android

package store

import (
	"io"
	"os"
	"syscall"
)

// unlock gives up the lock on a file as bbolt takes it: a record lock on the
// whole of it.
func unlock(f *os.File) error {
	return syscall.FcntlFlock(f.Fd(), syscall.F_SETLK, &syscall.Flock_t{Type: syscall.F_UNLCK, Whence: io.SeekStart})
}
