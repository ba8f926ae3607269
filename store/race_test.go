//go:build race

package store_test

// raceDetector makes samples smaller, and bookPages the files: under it each
// damaged file takes ten times as long, in proportion to its signed heads.
const (
	raceDetector = true
	bookPages    = 80
)
