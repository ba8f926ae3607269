//go:build !race

package stockplan

const raced = false
