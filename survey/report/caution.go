package report

import "fmt"

// Caution is the usual warning, for every page that states a spacing or a
// height. opening is the largest ball that may not pass, in mm.
func Caution(opening float64) string {
	return fmt.Sprintf("Caution: a child's head can pass a gap too wide, and a guard too low lets people fall. "+
		"No rule profile is chosen, so openings are held to %g mm and heights to nothing. "+
		"The local building code, and the person licensed to apply it, decide.", opening)
}
