//go:build race

package stockplan

// raced: the race detector is in this test, which makes lettering ten times
// slower; fewer pages are laid out then.
const raced = true
