package cutting

import (
	"encoding/csv"
	"fmt"
	"io"
	"strings"

	"pinchrod/calc/pieces"
	"pinchrod/survey/report/figure"
)

// Columns of the CSV, a row a piece, spares last of their kind. Lengths are in
// mm, whatever the units of the job, angles in degrees from a square cut.
//
//	job, bay, code    which sheet
//	kind, piece       spindle, base fillet or rail fillet; its name, such as S07
//	number            from the lower post; empty for a spare
//	cut               batch, graded, fit-each or measure-more
//	setting           of the saw: A, B, C …
//	stop, stop_side   setting of the stop, and the side it is measured along
//	blank             the least it is cut from: tip_to_tip rounded up to whole mm
//	tip_to_tip        length overall as cut, long point to long point
//	long_edge         length of the longer edge as cut
//	short_edge        length of the shorter edge as cut
//	bevel_low         of a spindle's foot, a fillet's downhill end
//	bevel_high        of the other end
//	long_point_low    side with the long point at that end; empty when square
//	long_point_high   the same at the other end
//	hand              how it goes into its place
//	needed, u         what fits exactly, measured as the stop is, and its standard uncertainty;
//	                  of the last fillet what those before it leave
//	over              how much longer than that it is cut, to be trimmed on site; empty when it is cut to a stop
//	final             for the length it was trimmed to, to be filled in
//	note              cut to fit, access, spare, or why it cannot be cut yet; and that the settings are not the book's
//
// Of pieces that cannot be cut yet the figures are empty.
var Columns = []string{
	"job", "bay", "code", "kind", "piece", "number", "cut", "setting", "stop", "stop_side", "blank", "tip_to_tip", "long_edge", "short_edge",
	"bevel_low", "bevel_high", "long_point_low", "long_point_high", "hand", "needed", "u", "over", "final", "note",
}

// CSV writes the sheet for a spreadsheet (RFC 4180), its text made safe by [Cell];
// see [Columns].
func (s *Sheet) CSV(w io.Writer) error {
	c := csv.NewWriter(w)
	rows := [][]string{Columns}
	for i := range s.Sets {
		t := &s.Sets[i]
		lead := func(piece, number string) []string {
			return []string{s.Job, string(s.Bay), s.Code, t.Kind.String(), piece, number, string(t.Cut)}
		}
		for _, p := range t.Pieces {
			row := lead(p.ID, fmt.Sprint(p.Number))
			if p.Setting < 0 {
				row = append(row, make([]string, len(Columns)-len(row)-1)...)
				rows = append(rows, append(row, t.NotYet()))
				continue
			}
			g, over := t.Settings[p.Setting], ""
			if g.ToFit {
				over = fmt.Sprintf("%.1f", g.Stop-p.Expected)
			}
			row = append(row, t.cells(g)...)
			rows = append(rows, append(row, fmt.Sprintf("%.1f", p.Expected), fmt.Sprintf("%.2f", p.U), over, "", t.note(p)))
		}
		n := 0
		for _, g := range t.Settings {
			for range g.Spares {
				n++
				rows = append(rows, append(append(lead(spareID(t.Kind, n), ""), t.cells(g)...), "", "", "", "", "spare"))
			}
		}
	}
	if w := s.trial(); w != "" {
		for _, row := range rows[1:] {
			note := &row[len(row)-1]
			*note = strings.TrimPrefix(*note+"; "+w, "; ")
		}
	}
	Cells(rows)
	if err := c.WriteAll(rows); err != nil {
		return fmt.Errorf("writing the cutting sheet: %w", err)
	}
	return nil
}

// cells are the columns from setting to hand.
func (t *Set) cells(g Setting) []string {
	long := func(c Cut) string {
		if c.Long == pieces.Neither {
			return ""
		}
		return c.Long.String()
	}
	tenth := func(v float64) string { return fmt.Sprintf("%.1f", v) }
	return []string{
		g.Name, figure.Plain(g.Stop), g.Side.String(), fmt.Sprintf("%.0f", g.Blank), tenth(g.Tip), tenth(g.Long()), tenth(g.Short()),
		tenth(g.Low.Dial), tenth(g.High.Dial), long(g.Low), long(g.High), g.Hand,
	}
}
