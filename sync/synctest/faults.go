package synctest

import (
	"errors"
	"sync"
)

var (
	// ErrCrashed: the process that held the book is gone. What it had on disk
	// is there when it is started again.
	ErrCrashed = errors.New("crashed")
	// ErrFull: the disk is full. What was to be written is not.
	ErrFull = errors.New("no space left on the disk")
)

// Faults make writes of a book fail. A write is one step: on disk, or not at
// all; that a store keeps this promise is for its own tests. The zero value lets all
// writes pass.
type Faults struct {
	mu      sync.Mutex
	writes  int // so far
	full    int // this write and all after it find no room; 0 for none
	crash   int // this write is the last; 0 for none
	kept    bool
	dead    bool
	refused bool // a write found no room
}

// Full lets so many more writes pass before the disk is full.
func (f *Faults) Full(after int) {
	f.mu.Lock()
	defer f.mu.Unlock()
	f.full = f.writes + 1 + after
}

// Crash lets so many more writes pass before the process dies: at the next
// one, which is on disk if kept.
func (f *Faults) Crash(after int, kept bool) {
	f.mu.Lock()
	defer f.mu.Unlock()
	f.crash, f.kept = f.writes+1+after, kept
}

// Clear starts the process again, if it has crashed, and makes room on the
// disk.
func (f *Faults) Clear() {
	f.mu.Lock()
	defer f.mu.Unlock()
	f.full, f.crash, f.dead, f.refused = 0, 0, false, false
}

// Dead reports whether the process has crashed.
func (f *Faults) Dead() bool {
	f.mu.Lock()
	defer f.mu.Unlock()
	return f.dead
}

// Refused reports whether a write has found no room.
func (f *Faults) Refused() bool {
	f.mu.Lock()
	defer f.mu.Unlock()
	return f.refused
}

// Writes counts the writes so far, those that failed among them.
func (f *Faults) Writes() int {
	f.mu.Lock()
	defer f.mu.Unlock()
	return f.writes
}

// Read says whether anything can be read.
func (f *Faults) Read() error {
	if f.Dead() {
		return ErrCrashed
	}
	return nil
}

// Write does one write, or fails in its place.
func (f *Faults) Write(do func() error) error {
	f.mu.Lock()
	defer f.mu.Unlock()
	if f.dead {
		return ErrCrashed
	}
	f.writes++
	if f.full > 0 && f.writes >= f.full {
		f.refused = true
		return ErrFull
	}
	if f.writes != f.crash {
		return do()
	}
	f.dead = true
	if f.kept {
		if err := do(); err != nil {
			return err
		}
	}
	return ErrCrashed
}
