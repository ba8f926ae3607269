//go:build race

package store_test

// raceDetector makes samples smaller: under it each damaged file takes ten
// times as long.
const raceDetector = true
