//go:build unix

package store_test

import (
	"errors"
	"math/rand/v2"
	"os"
	"testing"

	"pinchrod/store"
	"pinchrod/store/storetest"
)

// A file cut short under an open store: reading the map is a fault, which must
// come as an error, end all use of the file, and leave no lock behind.
func TestCutWhileOpen(t *testing.T) {
	s, err := store.Create(t.TempDir()+"/book", storetest.Options(t))
	if err != nil {
		t.Fatal(err)
	}
	if _, err := s.Append(storetest.Drafts(rand.New(rand.NewPCG(1, 1)), 300)...); err != nil {
		t.Fatal(err)
	}
	if err := os.Truncate(s.Path(), 8192); err != nil {
		t.Fatal(err)
	}
	for range 2 {
		for _, err := range s.Scan(s.Device(), 1) {
			if !errors.Is(err, store.ErrDamaged) {
				t.Errorf("Scan: %v, want ErrDamaged", err)
			}
		}
	}
	if _, err := s.Append(store.Draft{}); !errors.Is(err, store.ErrDamaged) {
		t.Errorf("Append: %v, want ErrDamaged", err)
	}
	if info, err := os.Stat(s.Path()); err != nil || info.Size() != 8192 {
		t.Errorf("the damaged file was written: %v, %v", info, err)
	}
	if err := s.Close(); err != nil {
		t.Error(err)
	}
	if _, err := store.Open(s.Path(), store.Options{}); !errors.Is(err, store.ErrDamaged) || errors.Is(err, store.ErrInUse) {
		t.Errorf("Open: %v, want ErrDamaged", err)
	}
}
