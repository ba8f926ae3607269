//go:build !windows

package store

import (
	"errors"
	"os"
	"syscall"
)

// syncDir makes a rename or a new name in a folder last through a power cut.
func syncDir(dir string) error {
	d, err := os.Open(dir)
	if err != nil {
		return err
	}
	return errors.Join(d.Sync(), d.Close())
}

// keepAccess lets the same people at a file as at another. Its owner can only
// be kept if that is who we are, or root; else the file becomes ours, as any
// file that a person copies.
func keepAccess(f *os.File, as os.FileInfo) error {
	if s, ok := as.Sys().(*syscall.Stat_t); ok {
		if f.Chown(int(s.Uid), int(s.Gid)) != nil {
			_ = f.Chown(-1, int(s.Gid))
		}
	}
	return f.Chmod(as.Mode().Perm())
}
