//go:build !race

package drawing

const raced = false
