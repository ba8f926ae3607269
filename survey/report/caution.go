package report

// Caution is the usual warning, for every page that states a spacing or a
// height. rules says which rules hold.
func Caution(rules string) string {
	return "Caution: a child's head can pass a gap too wide, and a guard too low lets people fall. " + rules +
		" The local building code, and the person licensed to apply it, decide."
}
