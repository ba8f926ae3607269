package lines

import (
	"fmt"
	"io"
)

// tableWidth is how wide the tables of a sheet are: on a narrower page their
// columns stand under each other.
const tableWidth = 78

// labelWidth is the left column of a sheet.
const labelWidth = 10

// Sheet is a page with tables and labelled lines, as a workshop's sheets have
// them.
type Sheet struct{ *Writer }

// NewSheet begins a sheet.
func NewSheet(w io.Writer, s Style) *Sheet { return &Sheet{New(w, s)} }

// Narrow tells whether the tables do not fit.
func (s *Sheet) Narrow() bool { return s.Style.Width < tableWidth }

// Labelled is a line with a word in the left column.
func (s *Sheet) Labelled(label, text string) {
	if s.Narrow() {
		s.Para("  ", label+": "+text)
		return
	}
	s.Para(fmt.Sprintf("  %-*s ", labelWidth, label), text)
}
