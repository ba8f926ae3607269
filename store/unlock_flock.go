//go:build !windows && !solaris && !aix && !android

package store

import (
	"os"
	"syscall"
)

// unlock gives up the lock on a file as bbolt takes it, with flock.
func unlock(f *os.File) error { return syscall.Flock(int(f.Fd()), syscall.LOCK_UN) }
