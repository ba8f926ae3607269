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
	Tried                  // a trial piece of N[0] µm, 0 where it is not given, loose by N[1] µm, N[2] its [Word]
)

// Quantity is a value in whole micrometres or microradians.
type Quantity struct {
	Measure Measure
	N       [3]int64
	// Together is how many pieces of a section were laid side by side and measured
	// across, 0 for one by itself. The widths in N are those of one piece.
	Together int64
}

// width is how many numbers a measure stores; see [Quantity.stored].
func (m Measure) width() int { return [...]int{3, 1, 1, 2, 3, 3, 1, 1, 3}[m] }

// stored are the numbers of the value as a page holds them: those of its measure,
// of a section the count of pieces side by side last, where there are several, and
// of a trial piece that just fits its length alone.
func (q Quantity) stored() []int64 {
	n := append([]int64{}, q.N[:q.Measure.width()]...)
	if q.Together != 0 {
		n = append(n, q.Together)
	}
	if q.sharp() {
		n = n[:1]
	}
	return n
}

// fromStored reads what stored gave.
func (m Measure) fromStored(n []int64) (Quantity, error) {
	q := Quantity{Measure: m}
	copy(q.N[:], n)
	switch {
	case len(n) == m.width():
	case m == Tried && len(n) == 1:
	case m == Section && len(n) == 4:
		q.Together = n[3]
	default:
		return q, errNumbers
	}
	return q, nil
}

// Value gives the quantity in the unit of the contract: mm for a length,
// degrees for an angle, mm per m for a lean, the mm of short for a walk, the
// first width of a section, the needed length of a trial piece: its own and what
// its word adds. Where its own is not known that is the word's part alone, and
// [Reading.StandardU] refuses.
func (q Quantity) Value() float64 {
	switch q.Measure {
	case Angle:
		return unit.Angle(q.N[0]).Deg()
	case Lean:
		return 1000 * q.Slope().Tan()
	case Walk:
		return unit.Length(q.N[2]).MM()
	case Tried:
		off, _ := q.Off()
		return unit.Length(q.N[0]).MM() + off
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
		return q.sectionString()
	case Tried:
		return q.trialString()
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
	case Tried:
		return q, parseTrial(s, &q)
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

var walkForm = regexp.MustCompile(`^(\d{1,4})\s*[x×X]\s*(.+?)\s+(short|over)\s+(.+)$`)

// parseWalk reads "10 x 118.2 mm short 5 mm" or "… over 2 mm".
func parseWalk(s string, q *Quantity) error {
	f := walkForm.FindStringSubmatch(strings.TrimSpace(s))
	if f == nil {
		return fmt.Errorf("spacer walk %q %w: write how many spacers of what length, and how they end: 10 x 118.2 mm short 5 mm, or over 2 mm", s, errForm)
	}
	n, err := strconv.ParseInt(f[1], 10, 64)
	if err != nil {
		return fmt.Errorf("spacer walk %q: %w", s, err)
	}
	spacer, err := unit.ParseLength(f[2])
	if err != nil {
		return fmt.Errorf("spacer walk %q: spacer: %w", s, err)
	}
	end, err := unit.ParseLength(f[4])
	if err != nil {
		return fmt.Errorf("spacer walk %q: end: %w", s, err)
	}
	if end < 0 {
		return fmt.Errorf("spacer walk %q %w: say short or over, then a length without a sign", s, errForm)
	}
	if f[3] == "over" {
		end = -end
	}
	q.N = [3]int64{n, int64(spacer), int64(end)}
	return nil
}
