//go:build race

package synctest

// raceDetector makes samples smaller: under it everything takes many times as
// long.
const raceDetector = true
