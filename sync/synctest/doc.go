// Package synctest has what tests of an exchange share: a book in memory that
// keeps the rules of package store, a line with faults, the suite that every
// peer passes, and a simulation of devices, a hub and parcels.
//
// Nothing here looks at a real clock, a network or a file, and what is random
// follows from a seed: a run is the same every time.
package synctest
