//go:build race

package bench

// raced: the race detector is in this test, which makes lettering and the laying
// out of bars ten times slower; fewer files are drawn then, and fewer pages made
// that differ in a word.
const raced = true
