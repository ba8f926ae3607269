//go:build !race

package parcel

const slow = false
