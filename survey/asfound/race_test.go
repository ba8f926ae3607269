//go:build race

package asfound

// raced: the race detector is in this test, which makes it ten times slower; the
// longest loops are shorter then.
const raced = true

// simulated is as many bays as the same limits can be asked of.
const simulated = 100
