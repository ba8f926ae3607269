//go:build !windows

package picture

import (
	"errors"
	"os"
)

// syncDir makes a rename or a new name in a folder last through a power cut.
func syncDir(dir string) error {
	d, err := os.Open(dir)
	if err != nil {
		return err
	}
	return errors.Join(d.Sync(), d.Close())
}
