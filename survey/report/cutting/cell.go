package cutting

import (
	"strconv"
	"strings"

	"pinchrod/survey/report/lines"
)

// Cell makes text fit to stand in a cell of a CSV: another device may have written
// it. Control characters become spaces; and what a spreadsheet would take for a
// formula, since it begins with = + - or @ and is no number, gets an apostrophe
// before it, by which a spreadsheet knows text (common practice, no source).
func Cell(s string) string {
	s = lines.Clean(s)
	if start := strings.TrimLeft(s, " "); start == "" || !strings.ContainsRune("=+-@", rune(start[0])) {
		return s
	}
	if _, err := strconv.ParseFloat(s, 64); err == nil {
		return s
	}
	return "'" + s
}

// Cells does so with every cell below the row of the header.
func Cells(rows [][]string) {
	for _, row := range rows[1:] {
		for i := range row {
			row[i] = Cell(row[i])
		}
	}
}
