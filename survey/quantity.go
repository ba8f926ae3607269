package survey

import (
	"errors"
	"fmt"
	"regexp"
	"strconv"
	"strings"

	"pinchrod/calc/unit"
)

// Measure is the sort of value a reading has.
type Measure uint8

// The measures.
const (
	Unknown Measure = iota // from a newer version: kept, shown, not used
	Length                 // N[0] µm
	Angle                  // N[0] µrad from level
	Lean                   // N[0] µm out of plumb over N[1] µm
	Section                // N[0] x N[1] µm, N[2] thinnest width of a turned profile or 0
	Walk                   // N[0] spacers of N[1] µm, N[2] µm short (+) or over (−)
	Celsius                // N[0] thousandths of a degree Celsius
	Percent                // N[0] thousandths of a per cent
)

// Quantity is a value in whole micrometres or microradians.
type Quantity struct {
	Measure Measure
	N       [3]int64
}

// width is how many numbers a measure stores.
func (m Measure) width() int { return [...]int{3, 1, 1, 2, 3, 3, 1, 1}[m] }

// Value gives the quantity in the unit of the contract: mm for a length,
// degrees for an angle, mm per m for a lean, the mm of short for a walk, the
// first width of a section.
func (q Quantity) Value() float64 {
	switch q.Measure {
	case Angle:
		return unit.Angle(q.N[0]).Deg()
	case Lean:
		return 1000 * q.Slope().Tan()
	case Walk:
		return unit.Length(q.N[2]).MM()
	case Celsius, Percent:
		return float64(q.N[0]) / 1000
	default:
		return unit.Length(q.N[0]).MM()
	}
}

// Slope is the lean as a slope.
func (q Quantity) Slope() unit.Slope {
	return unit.Slope{Out: unit.Length(q.N[0]), Over: unit.Length(q.N[1])}
}

// String writes the quantity as the field sheet takes it.
func (q Quantity) String() string {
	l := func(i int) string { return strings.TrimSuffix(unit.Length(q.N[i]).String(), " mm") }
	switch q.Measure {
	case Length:
		return unit.Length(q.N[0]).String()
	case Angle:
		return unit.Angle(q.N[0]).String()
	case Lean:
		return q.Slope().String()
	case Section:
		s := l(0) + " x " + l(1)
		if q.N[2] != 0 {
			s += " x " + l(2)
		}
		return s + " mm"
	case Celsius:
		return unit.FormatDecimal(q.N[0], 1000) + " °C"
	case Percent:
		return unit.FormatDecimal(q.N[0], 1000) + " %"
	case Walk:
		end := " short " + l(2)
		if q.N[2] < 0 {
			end = " over " + unit.Length(-q.N[2]).String()
			return fmt.Sprintf("%d x %s mm%s", q.N[0], l(1), end)
		}
		return fmt.Sprintf("%d x %s mm%s mm", q.N[0], l(1), end)
	}
	return fmt.Sprint(q.N)
}

var errForm = errors.New("not understood")

func parseQuantity(m Measure, s string) (Quantity, error) {
	q := Quantity{Measure: m}
	switch m {
	case Length:
		l, err := unit.ParseLength(s)
		q.N[0] = int64(l)
		return q, err
	case Angle:
		a, err := unit.ParseAngle(s)
		q.N[0] = int64(a)
		return q, err
	case Lean:
		sl, err := unit.ParseSlope(s)
		q.N[0], q.N[1] = int64(sl.Out), int64(sl.Over)
		return q, err
	case Section:
		return q, parseSection(s, &q)
	case Walk:
		return q, parseWalk(s, &q)
	case Celsius:
		return q, parseMarked(s, "degrees Celsius such as 9 °C", &q, "°C", "C")
	case Percent:
		return q, parseMarked(s, "per cent such as 12 %", &q, "%")
	}
	return q, fmt.Errorf("value %q %w", s, errForm)
}

// parseMarked reads a number with one of some marks behind it, or none.
func parseMarked(s, want string, q *Quantity, marks ...string) error {
	body := strings.TrimSpace(s)
	for _, m := range marks {
		if b, ok := strings.CutSuffix(body, m); ok {
			body = strings.TrimSpace(b)
			break
		}
	}
	n, err := unit.ParseDecimal(body, 1000)
	if err != nil {
		return fmt.Errorf("value %q: %w; write %s", s, err, want)
	}
	q.N[0] = n
	return nil
}

// by splits "41 x 41 mm" at its crosses.
var by = regexp.MustCompile(`\s*[x×X]\s*`)

// parseSection reads 90 x 90 mm, or 41 x 41 x 22 mm with the thinnest width of
// a turned profile last. A unit at the end holds for all.
func parseSection(s string, q *Quantity) error {
	parts := by.Split(strings.TrimSpace(s), -1)
	if len(parts) < 2 || len(parts) > 3 {
		return fmt.Errorf("section %q %w: write two widths such as 41 x 41 mm, a third for the thinnest width of a turned profile", s, errForm)
	}
	unitOf := ""
	if i := strings.LastIndexAny(parts[len(parts)-1], "0123456789"); i >= 0 {
		unitOf = parts[len(parts)-1][i+1:]
	}
	for i, p := range parts {
		if i < len(parts)-1 && !strings.HasSuffix(p, unitOf) {
			p += unitOf
		}
		l, err := unit.ParseLength(p)
		if err != nil {
			return fmt.Errorf("section %q: %w", s, err)
		}
		q.N[i] = int64(l)
	}
	if len(parts) == 3 && q.N[2] == 0 {
		return fmt.Errorf("section %q %w: the thinnest width is above zero; leave it out for a square profile", s, errForm)
	}
	return nil
}

var walkForm = regexp.MustCompile(`^(\d{1,4})\s*[x×X]\s*(.+?)\s+(short|over)\s+(.+)$`)

// parseWalk reads "10 x 118.2 mm short 5 mm" or "… over 2 mm".
func parseWalk(s string, q *Quantity) error {
	f := walkForm.FindStringSubmatch(strings.TrimSpace(s))
	if f == nil {
		return fmt.Errorf("walk %q %w: write how many spacers of what length, and how they end: 10 x 118.2 mm short 5 mm, or over 2 mm", s, errForm)
	}
	n, err := strconv.ParseInt(f[1], 10, 64)
	if err != nil {
		return fmt.Errorf("walk %q: %w", s, err)
	}
	spacer, err := unit.ParseLength(f[2])
	if err != nil {
		return fmt.Errorf("walk %q: spacer: %w", s, err)
	}
	end, err := unit.ParseLength(f[4])
	if err != nil {
		return fmt.Errorf("walk %q: end: %w", s, err)
	}
	if end < 0 {
		return fmt.Errorf("walk %q %w: say short or over, then a length without a sign", s, errForm)
	}
	if f[3] == "over" {
		end = -end
	}
	q.N = [3]int64{n, int64(spacer), int64(end)}
	return nil
}
