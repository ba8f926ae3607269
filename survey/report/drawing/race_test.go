//go:build race

package drawing

// raced: the race detector is in this test, which makes it ten times slower; the
// longest loops are shorter then.
const raced = true
