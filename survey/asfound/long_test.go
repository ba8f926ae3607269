package asfound

// bays is how many synthetic bays of known truth a simulation has: at full length, as CI does, or as many as the same
// limits can be asked of.
func bays(everyday, full int) int {
	if *long {
		return full
	}
	return everyday
}
