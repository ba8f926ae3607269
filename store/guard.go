package store

import (
	"fmt"
	"runtime/debug"
)

// bbolt panics on a damaged file, and a read of a mapped file that has been
// cut short is a fault. Both stop here.

// callerPanic carries a panic of the caller's own code through the guard.
type callerPanic struct{ value any }

// filePanic carries a panic met while reading the file through caller's code.
type filePanic struct{ value any }

// guard runs do, which reads or writes the file. A panic or a fault marks the
// store as damaged; after that bbolt may hold locks it never gives back, so
// the store does nothing more with the file, and lets go of it when the last
// reader has left: whoever recovers it, or puts a backup in its place, need not
// wait for this process to end.
func (s *Store) guard(do func() error) (err error) {
	if s.broken.Load() {
		return s.fail(fmt.Errorf("%w: see the error before", ErrDamaged))
	}
	old := debug.SetPanicOnFault(true)
	defer debug.SetPanicOnFault(old)
	defer func() {
		switch r := recover().(type) {
		case nil:
		case callerPanic:
			panic(r.value)
		default:
			s.broken.Store(true)
			go s.drop()
			err = s.fail(fmt.Errorf("%w: %v", ErrDamaged, r))
		}
	}()
	if err := do(); err != nil {
		return s.fail(err)
	}
	return nil
}

// calling runs the caller's code inside a guard, so that its panics stay its
// own.
func calling(do func() error) error {
	defer func() {
		switch r := recover().(type) {
		case nil:
		case filePanic:
			panic(r)
		default:
			panic(callerPanic{r})
		}
	}()
	return do()
}

// reading runs a read of the file inside the caller's code.
func reading(do func()) {
	defer func() {
		if r := recover(); r != nil {
			panic(filePanic{r})
		}
	}()
	do()
}
