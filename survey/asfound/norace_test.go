//go:build !race

package asfound

const raced = false

// simulated is how many synthetic bays of known truth the simulation has.
const simulated = 300
