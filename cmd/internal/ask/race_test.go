//go:build race

package ask

// runs of the burst tests: the race detector makes each thirty times slower, and
// the full hundred run without it.
const runs = 4
