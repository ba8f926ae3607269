//go:build !race

package ask

const runs = 100
