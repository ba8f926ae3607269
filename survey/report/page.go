// Package report shows what was found: as a page of text that a surveyor reads
// in a minute, and as the machine-readable answer that scripts rely on.
//
// On a page every number carries its unit and, where it was measured, ±U, the
// expanded uncertainty U = 2u ([Holds]). A page that states a spacing or a height ends
// with [Caution].
package report

import (
	"io"

	"pinchrod/survey/report/lines"
)

// Style is how a page may look.
type Style = lines.Style

// A page narrower than narrow puts under each other what else stands in
// columns; the widest row of those is a flag's.
const narrow = 72

// page is a page of the report.
type page struct {
	*lines.Writer
	all bool // shows what is clear as well
}

func newPage(w io.Writer, s Style) *page { return &page{Writer: lines.New(w, s)} }

func (p *page) narrow() bool { return p.Style.Width < narrow }
