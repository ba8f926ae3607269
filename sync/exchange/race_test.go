//go:build race

package exchange_test

// raceDetector makes samples smaller: under it everything takes many times as
// long.
const raceDetector = true
