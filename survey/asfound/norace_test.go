//go:build !race

package asfound

const raced = false
