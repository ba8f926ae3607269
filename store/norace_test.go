//go:build !race

package store_test

const (
	raceDetector = false
	bookPages    = 300 // of a large book to be damaged
)
