//go:build !race

package cutting

const raced = false
