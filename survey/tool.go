package survey

import (
	"errors"
	"fmt"
	"math"
	"slices"
	"strings"
	"time"
)

// Sort is what a tool is, which says what its readings are of.
type Sort string

// The sorts of tool.
const (
	SortTape  Sort = "tape"
	SortRule  Sort = "rule"
	SortRod   Sort = "rod"
	SortLaser Sort = "laser"
	SortLevel Sort = "level"
	SortGauge Sort = "gauge"
)

// Sorts lists the sorts of tool that a kit can hold.
var Sorts = []Sort{SortTape, SortRule, SortRod, SortLaser, SortLevel, SortGauge}

// measure is what a sort of tool reads.
func (s Sort) measure() Measure {
	switch s {
	case SortLevel:
		return Lean
	case SortGauge:
		return Angle
	}
	return Length
}

// Unit is the unit of a tool's limit, resolution and zero error.
func (s Sort) Unit() string {
	switch s.measure() {
	case Lean:
		return "mm/m"
	case Angle:
		return "°"
	}
	return "mm"
}

// ToolRecord is a tool of a surveyor's own as the log keeps it. Limit and
// Resolution count nm, nrad or 10⁻⁹, as a reading's u does.
type ToolRecord struct {
	Name       string `cbor:"1,keyasint"`
	Sort       Sort   `cbor:"2,keyasint"`
	Class      Class  `cbor:"3,keyasint,omitempty"`
	Hook       bool   `cbor:"4,keyasint,omitempty"`
	Limit      int64  `cbor:"5,keyasint,omitempty"`
	Resolution int64  `cbor:"6,keyasint,omitempty"`
	Checked    string `cbor:"7,keyasint,omitempty"` // date of the last check
	Due        string `cbor:"8,keyasint,omitempty"` // date the next one is due
}

// CheckKind is how a tool was checked.
type CheckKind uint8

// The kinds of check. Their numbers are stored.
const (
	Reversal    CheckKind = iota + 1 // a level or a gauge, read end for end on one face
	KnownLength                      // a tape or a laser against a known mark
)

// ToolCheck is one check of a tool: the two readings of a reversal, or what the
// tool read and what is known. The numbers are those of the readings' measure.
type ToolCheck struct {
	Tool   string    `cbor:"1,keyasint"`
	Kind   CheckKind `cbor:"2,keyasint"`
	First  []int64   `cbor:"3,keyasint"`
	Second []int64   `cbor:"4,keyasint"`
	When   string    `cbor:"5,keyasint,omitempty"`
}

// ErrCheck means a check that says nothing of the tool.
var ErrCheck = errors.New("not a check of this tool")

// scale turns nm, nrad and 10⁻⁹ into the unit of a sort's readings.
func (s Sort) scale() float64 {
	if s.measure() == Angle {
		return 1e-9 * 180 / math.Pi
	}
	return 1e-6
}

// Tool gives the record as a tool to read with.
func (r ToolRecord) Tool() Tool {
	return Tool{
		Name: r.Name, Sort: r.Sort, Class: r.Class, Hook: r.Hook,
		Limit: float64(r.Limit) * r.Sort.scale(), Resolution: float64(r.Resolution) * r.Sort.scale(), Due: r.Due,
		Means: "own " + string(r.Sort),
	}
}

// settingOfCheck is u of setting a tool for a check, where there is time to do
// it well: mm, degrees, mm per m. Common practice, no source.
const settingOfCheck = 0.1

// knownU is u of the mark that a length is checked against, mm: a steel rule of
// class I to 1 m. Common practice, no source.
const knownU = 0.1

// Apply gives the tool with its zero error from a check.
//
// Reversal: with m1 and m2 the readings of one face, the tool turned end for end
// between them, both signed as the tool shows them,
//
//	zero = (m1 + m2)/2,  u² = (d²/12 + s²)/2,
//
// since the face's own tilt changes its sign and the zero does not. (Algebra; d
// the resolution, s the setting.) Known length: zero = read − known, with
// u² = d²/12 + s² + u_known².
//
// See [Tool.Failed] for a zero error that is too large.
func (t Tool) Apply(c ToolCheck) (Tool, error) {
	m := t.Sort.measure()
	if len(c.First) != m.width() || len(c.Second) != m.width() {
		return t, fmt.Errorf("check of %s: %w", t.Name, ErrCheck)
	}
	value := func(n []int64) float64 {
		q := Quantity{Measure: m}
		copy(q.N[:], n)
		return q.Value()
	}
	a, b := value(c.First), value(c.Second)
	one := t.Resolution*t.Resolution/12 + settingOfCheck*settingOfCheck
	switch {
	case c.Kind == Reversal && m != Length:
		t.Zero, t.ZeroU = (a+b)/2, math.Sqrt(one/2)
		t.Tested = "turned end for end"
	case c.Kind == KnownLength && m == Length:
		t.Zero, t.ZeroU = a-b, math.Sqrt(one+knownU*knownU)
		t.Tested = "checked against a known length"
	default:
		return t, fmt.Errorf("check of %s: %w: a level or a gauge is turned end for end, a tape or a laser held to a known length", t.Name, ErrCheck)
	}
	if math.IsNaN(t.Zero) || math.IsInf(t.Zero, 0) {
		return t, fmt.Errorf("check of %s: %w", t.Name, ErrCheck)
	}
	if c.When != "" {
		t.Tested += " " + c.When
	}
	t.CheckedAt = b
	return t, nil
}

// MPE is the largest error that the tool may have at a value.
func (t Tool) MPE(value float64) float64 {
	limit := t.Limit
	if t.Class != NoClass {
		limit = t.Class.MPE(value)
		if t.Hook {
			limit += tapeError[t.Class].hook
		}
	}
	return limit
}

// failedBy is how many u a zero error must be beyond the limit to have failed:
// then the probability that it is within is 5 % (Φ(−1.645) = 0.05), as for every
// flag.
const failedBy = 1.645

// Failed tells whether a check found the tool's zero error beyond its limit.
func (t Tool) Failed() bool {
	return t.Tested != "" && math.Abs(t.Zero) > t.MPE(t.CheckedAt)+failedBy*t.ZeroU
}

// Overdue tells whether a reading of a day (as typed, or the day of its page)
// came after the tool's check was due.
func (t Tool) Overdue(day time.Time) bool {
	due, err := time.Parse("2006-01-02", t.Due)
	return err == nil && day.After(due.AddDate(0, 0, 1))
}

// Day is the day of a reading: what was typed, else the day its page was
// written.
func (r *Reading) Day(page time.Time) time.Time {
	for _, f := range whenForms {
		if t, err := time.Parse(f, r.When); err == nil {
			return t
		}
	}
	return page
}

// Merge gives a kit with the surveyor's own tools, and what checks said of
// them, in the order they were written. A tool of a known name takes its place.
func (k Kit) Merge(tools []ToolRecord, checks []ToolCheck) (Kit, []error) {
	own := slices.Clone(k)
	var wrong []error
	for _, r := range tools {
		if i := own.index(r.Name); i >= 0 {
			own[i] = r.Tool()
		} else {
			own = append(own, r.Tool())
		}
	}
	for _, c := range checks {
		i := own.index(c.Tool)
		if i < 0 {
			wrong = append(wrong, fmt.Errorf("check of %q: %w", c.Tool, ErrTool))
			continue
		}
		t, err := own[i].Apply(c)
		if err != nil {
			wrong = append(wrong, err)
			continue
		}
		own[i] = t
	}
	return own, wrong
}

func (k Kit) index(name string) int {
	return slices.IndexFunc(k, func(t Tool) bool { return strings.EqualFold(t.Name, name) })
}

// Expansion of steel by temperature, per kelvin, and the temperature that tapes
// are made for. 11.5·10⁻⁶ is the figure of JCGM 100:2008, H.1, for steel; 20 °C
// is the reference condition of UK SI 2016/1153 schedule 1I, paragraph 1.1.
const (
	steelExpansion = 11.5e-6
	referenceTemp  = 20.0
)

// AtTemperature is a length read on a steel tape at a temperature in °C, as it
// would be at 20 °C: L·(1 + α·(T − 20)). A warm tape is long and reads short.
func AtTemperature(mm, celsius float64) float64 {
	return mm * (1 + steelExpansion*(celsius-referenceTemp))
}

// ParseClass reads a tape's class: I, II, III or 1, 2, 3; empty is none.
func ParseClass(s string) (Class, error) {
	switch strings.ToUpper(strings.TrimSpace(s)) {
	case "":
		return NoClass, nil
	case "I", "1":
		return ClassI, nil
	case "II", "2":
		return ClassII, nil
	case "III", "3":
		return ClassIII, nil
	}
	return NoClass, fmt.Errorf("class %q: write I, II or III, as the tape says", s)
}

// ParseSort reads a tool's sort.
func ParseSort(s string) (Sort, error) {
	if sort := Sort(strings.ToLower(strings.TrimSpace(s))); slices.Contains(Sorts, sort) {
		return sort, nil
	}
	return "", fmt.Errorf("%w of sort %q: write tape, rule, rod, laser, level or gauge", ErrTool, s)
}

// ParseToolName reads a tool's name, which goes into the field sheet.
func ParseToolName(s string) (string, error) {
	if !isName(s) {
		return "", fmt.Errorf("%w name %q: letters, digits, - and _, at most %d", ErrTool, s, maxName)
	}
	return s, nil
}

// ParseDay reads a date without a time; empty is none.
func ParseDay(s string) (string, error) {
	s = strings.TrimSpace(s)
	if s == "" {
		return "", nil
	}
	if _, err := time.Parse("2006-01-02", s); err != nil {
		return "", fmt.Errorf("%w %q: write 2026-11-25", ErrWhen, s)
	}
	return s, nil
}

// ParseReading reads a reading of a tool of this sort, for a check.
func (s Sort) ParseReading(text string) ([]int64, error) {
	m := s.measure()
	q, err := parseQuantity(m, text)
	if err != nil {
		return nil, err
	}
	return slices.Clone(q.N[:m.width()]), nil
}

// ParseLimit reads a limit or a resolution in the unit of the sort's readings.
func (s Sort) ParseLimit(v float64) (int64, error) {
	if !(v >= 0 && v <= 100) {
		return 0, fmt.Errorf("%g %s %w: expected 0 to 100", v, s.Unit(), ErrAbsurd)
	}
	return int64(math.Round(v / s.scale())), nil
}
