//go:build !windows

package parcel

import (
	"errors"
	"os"
	"syscall"
)

// syncDir makes a new name in a folder last through a power cut, or a stick
// that is pulled. Some file systems for sticks have no such call; there the
// name goes to the disk with the rest.
func syncDir(dir string) error {
	d, err := os.Open(dir)
	if err != nil {
		return err
	}
	err = d.Sync()
	if errors.Is(err, syscall.EINVAL) || errors.Is(err, syscall.ENOTSUP) {
		err = nil
	}
	return errors.Join(err, d.Close())
}
