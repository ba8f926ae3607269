package stockplan

import (
	"encoding/csv"
	"fmt"
	"io"

	"pinchrod/calc/pieces"
	"pinchrod/survey/report/cutting"
	"pinchrod/survey/report/figure"
)

// Columns of the CSV, a row a cut in the order of the saw; what is left out comes
// first, a row each with nothing but job, code, bay, kind, note and bars_code. Lengths are in
// mm whatever the units of the job, angles in degrees from a square cut.
//
//	job, code         which plan
//	bar, bars         the bar's number, of how many
//	section, length   of the bar
//	rack              yes for an offcut from the rack
//	price, label      of the bar; empty when there is none
//	cut               the cut's number in its bar, from the first end
//	bay, sheet        the cutting sheet and its code
//	kind, piece       spindle, base fillet or rail fillet; its name, such as S07
//	setting           of the sheet: A, B, C …
//	stop, stop_side   setting of the stop, and the side it is measured along
//	bevel_low         of the end that lies first in the bar
//	bevel_high        of the other end
//	long_point_low    side with the long point at that end; empty when square
//	long_point_high   the same at the other end
//	from, to          the piece's ends on the centre line, from the first end
//	keep              the offcut that is kept of the bar; empty when there is none
//	note              cut to fit, spare, or why it is not on the plan
//	bars_code         the plan's mark, of its bars and the saw; with code it says which page
var Columns = []string{
	"job", "code", "bar", "bars", "section", "length", "rack", "price", "label", "cut", "bay", "sheet", "kind", "piece", "setting", "stop", "stop_side",
	"bevel_low", "bevel_high", "long_point_low", "long_point_high", "from", "to", "keep", "note", "bars_code",
}

// CSV writes the plan for a spreadsheet (RFC 4180), its text made safe by
// [cutting.Cell]; see [Columns].
func (p *Plan) CSV(w io.Writer) error {
	rows := [][]string{Columns}
	add := func(cells map[string]string) {
		row := make([]string, len(Columns))
		cells["job"], cells["code"], cells["bars_code"] = p.Job, p.Code, p.Mark
		for i, name := range Columns {
			row[i] = cells[name]
		}
		rows = append(rows, row)
	}
	for _, l := range p.Left {
		add(map[string]string{"bay": string(l.Bay), "kind": l.What, "note": "not on this plan: " + l.Why + "; " + l.Next})
	}
	sheets := p.codes()
	for i := range p.Bars {
		b := &p.Bars[i]
		for n, c := range b.Cuts {
			cells := map[string]string{
				"bar": fmt.Sprint(b.Number), "bars": fmt.Sprint(len(p.Bars)), "section": b.Section, "length": plain(b.Length), "label": b.Label,
				"cut": fmt.Sprint(n + 1), "bay": string(c.Bay), "sheet": sheets[c.Bay], "kind": c.Kind.String(), "piece": c.Piece, "setting": c.Setting,
				"stop": figure.Plain(c.StopMM), "stop_side": c.Side.String(), "bevel_low": tenth(c.Low.Dial), "bevel_high": tenth(c.High.Dial),
				"long_point_low": longPoint(c.Low), "long_point_high": longPoint(c.High), "from": tenth(c.From), "to": tenth(c.To), "note": c.note(),
			}
			if b.Offcut {
				cells["rack"] = "yes"
			}
			if b.Price > 0 {
				cells["price"] = fmt.Sprintf("%.2f", b.Price)
			}
			if b.Keep > 0 {
				cells["keep"] = plain(keepLength(b.Keep, figure.Rule{}))
			}
			add(cells)
		}
	}
	cutting.Cells(rows)
	if err := csv.NewWriter(w).WriteAll(rows); err != nil {
		return fmt.Errorf("writing the stock plan: %w", err)
	}
	return nil
}

// note says what has to be known of a piece.
func (c Cut) note() string {
	switch {
	case c.ToFit && c.Spare:
		return "spare, cut to fit"
	case c.ToFit:
		return "cut to fit"
	case c.Spare:
		return "spare"
	}
	return ""
}

func longPoint(c cutting.Cut) string {
	if c.Long == pieces.Neither {
		return ""
	}
	return c.Long.String()
}
