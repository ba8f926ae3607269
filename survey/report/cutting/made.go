package cutting

import (
	"errors"
	"fmt"
	"slices"

	"pinchrod/calc/pieces"
	"pinchrod/calc/unit"
	"pinchrod/survey"
)

// ErrMade means something that the sheet does not let one make.
var ErrMade = errors.New("not on the cutting sheet")

// parts of the log by kind of piece.
var parts = map[pieces.Kind]survey.Part{
	pieces.Spindle: survey.PartSpindle, pieces.BaseFillet: survey.PartBaseFillet, pieces.RailFillet: survey.PartRailFillet,
}

// PartSet finds the set that a part of the log names. The error wraps [ErrMade]
// and says why the sheet has none, or none that can be cut.
func (s *Sheet) PartSet(p survey.Part) (*Set, error) {
	for i := range s.Sets {
		t := &s.Sets[i]
		switch {
		case parts[t.Kind] != p:
		case !t.Final():
			return nil, fmt.Errorf("%w: the %ss of %s. %s", ErrMade, t.Kind, s.Bay, t.NotYet())
		default:
			return t, nil
		}
	}
	why := s.Missing
	if why == "" {
		why = "the bay has none"
	}
	return nil, fmt.Errorf("%w: no %s of %s: %s", ErrMade, p, s.Bay, why)
}

// Setting finds a setting by its letter. The error wraps [ErrMade].
func (t *Set) Setting(name string) (*Setting, error) {
	var names []string
	for i := range t.Settings {
		if t.Settings[i].Name == name {
			return &t.Settings[i], nil
		}
		names = append(names, t.Settings[i].Name)
	}
	return nil, fmt.Errorf("%w: the %ss have no setting %q: there is %s", ErrMade, t.Kind, name, list(names))
}

// Made is the entry for what was cut at a setting: all its pieces and spares,
// which the caller may change. length is that of a cut piece, measured where the
// stop is; the line that it fills is longer by what the pieces' needed lengths
// are longer than what would fit them exactly at that side.
func (s *Sheet) Made(t *Set, g *Setting, length unit.Length) survey.Made {
	m := survey.Made{
		Where: s.Bay, Part: parts[t.Kind], Spares: uint32(g.Spares), Length: length, ToFit: g.ToFit, Sheet: s.Code, Section: t.Section,
	}
	for _, n := range g.Pieces {
		m.Pieces = append(m.Pieces, uint32(n))
	}
	m.Line = length + s.offset(t, g.Pieces)
	return m
}

// Holds tells whether pieces are of a setting. The error wraps [ErrMade].
func (s *Sheet) Holds(t *Set, g *Setting, which []uint32) error {
	for _, n := range which {
		if !slices.Contains(g.Pieces, int(n)) {
			return fmt.Errorf("%w: %s %d is not cut at setting %s: that is %s", ErrMade, t.Kind, n, g.Name, t.Names(g.Pieces))
		}
	}
	return nil
}

// offset is from the side that the stop is measured on to the line that needed
// lengths count along, the mean over some pieces of one setting. With bevelled
// ends it is the same for all of them; with square ends they differ by what
// their own bevels do.
func (s *Sheet) offset(t *Set, numbers []int) unit.Length {
	sum := 0.0
	for _, n := range numbers {
		sum += t.line[n-1] - t.Pieces[n-1].Needed
	}
	return unit.FromMM(sum / float64(len(numbers)))
}

// Recut is the entry for one piece that was cut again on site until it fitted,
// and, of a spindle, the reading that it comes to: a trial piece that just fits at
// the spindle's station.
//
// The error wraps [ErrMade].
func (s *Sheet) Recut(t *Set, number int, length unit.Length) (survey.Made, []survey.Reading, error) {
	if number < 1 || number > len(t.Pieces) {
		return survey.Made{}, nil, fmt.Errorf("%w: %s %d: they are numbered 1 to %d from the lower post", ErrMade, t.Kind, number, len(t.Pieces))
	}
	m := survey.Made{
		Where: s.Bay, Part: parts[t.Kind], Pieces: []uint32{uint32(number)}, Length: length, Recut: true, Sheet: s.Code, Section: t.Section,
	}
	m.Line = length + s.offset(t, []int{number})
	if t.Kind != pieces.Spindle {
		return m, nil, nil
	}
	value := m.Line.Round(unit.Millimetre / 100)
	return m, []survey.Reading{{
		Where: s.Bay, What: survey.Trial,
		At:    survey.At{Mark: survey.Distance, N: int64(unit.FromMM(s.found.Layout.Stations[number-1]).Round(unit.Millimetre / 10))},
		Value: survey.Quantity{Measure: survey.Tried, N: [3]int64{int64(value)}}, Text: value.String(),
		Note: fmt.Sprintf("%s cut again at %s", t.Pieces[number-1].ID, length),
	}}, nil
}
