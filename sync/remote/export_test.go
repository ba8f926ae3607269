package remote

import "time"

// Busy makes the error of a hub that asks to be left alone for a while.
func Busy(err error, after time.Duration) error { return &busyError{err, after} }
