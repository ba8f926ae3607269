//go:build race

package parcel

// slow says that memory is watched, which takes ten times as long: loops are
// shorter then.
const slow = true
