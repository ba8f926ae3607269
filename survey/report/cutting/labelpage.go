package cutting

import (
	"fmt"

	"rsc.io/qr"

	"pinchrod/survey/report/paper"
	"pinchrod/survey/report/scene"
)

// Labels on A4 without gaps: three by eight of 70 mm x 36 mm, a common size. What
// is printed keeps 5 mm off a label's edges, as printers and scissors do.
const (
	labelsAcross, labelsDown = 3, 8
	labelWidth, labelHeight  = 70.0, 36.0
	labelInset               = 5.0
	codeSide                 = labelHeight - 2*labelInset
)

// LabelPages are the labels on A4, along the rows from the top left; none when no
// piece can be cut.
//
// Errors: those of the QR code's encoder.
func (s *Sheet) LabelPages() ([]scene.Page, error) {
	var out []scene.Page
	for i, l := range s.Labels() {
		n := i % (labelsAcross * labelsDown)
		if n == 0 {
			out = append(out, scene.Page{W: scene.A4Short, H: scene.A4Long, Title: fmt.Sprintf("%s: labels %s, page %d", s.Bay, s.Code, len(out)+1),
				Desc: "Three by eight labels of 70 mm x 36 mm; print at true size"})
		}
		at := scene.Point{
			X: float64(n%labelsAcross) * labelWidth,
			Y: (scene.A4Long-labelsDown*labelHeight)/2 + float64(n/labelsAcross)*labelHeight,
		}
		items, err := l.print(at)
		if err != nil {
			return nil, fmt.Errorf("label %s: %w", l.Piece, err)
		}
		out[len(out)-1].Add(items...)
	}
	return out, nil
}

// quiet is how many modules around a code stay white (ISO/IEC 18004, from
// memory).
const quiet = 4

// print lays a label with its top left corner at a point: the code, and beside it
// what it says, for whoever has no reader.
func (l Label) print(at scene.Point) ([]scene.Item, error) {
	code, err := qr.Encode(l.Text(), qr.M)
	if err != nil {
		return nil, err
	}
	m := scene.Modules{Size: codeSide / float64(code.Size+2*quiet), Dark: make([][]bool, code.Size)}
	m.At = at.Add(scene.Point{X: labelInset + quiet*m.Size, Y: labelInset + quiet*m.Size})
	for y := range m.Dark {
		m.Dark[y] = make([]bool, code.Size)
		for x := range m.Dark[y] {
			m.Dark[y][x] = code.Black(x, y)
		}
	}
	x, y := at.X+labelInset+codeSide+1, at.Y+labelInset
	wide := at.X + labelWidth - labelInset - x
	items := []scene.Item{
		m, paper.Within(paper.Say(x, y+9, l.Piece, 9, true), wide), paper.Within(paper.Say(x, y+14, string(l.Bay), paper.BodyHigh, true), wide),
		paper.Within(paper.Say(x, y+18.2, fmt.Sprintf("set %s, %s", l.Setting, l.Code), paper.BodyHigh, false), wide),
	}
	for i, line := range scene.Wrap(l.Note, paper.SmallHigh, true, wide) {
		items = append(items, paper.Say(x, y+22+float64(i)*paper.SmallHigh*1.5, line, paper.SmallHigh, true))
	}
	return items, nil
}
