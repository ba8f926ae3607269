//go:build !race

package exchange_test

const raceDetector = false
