package survey

import (
	"fmt"
	"math"
	"slices"
	"strings"
)

// Class is the accuracy class of a tape.
type Class uint8

// The classes of material measures of length: OIML R 35-1:2007, the same as
// Directive 2014/32/EU, annex X (MI-008), table 1.
const (
	NoClass Class = iota
	ClassI
	ClassII
	ClassIII
)

// tapeError holds a and b of the maximum permissible error, and the extra of
// an end hook, in mm and mm per m. Source: UK SI 2016/1153 schedule 1I, table
// 1, which carries MI-008.
var tapeError = map[Class]struct{ a, b, hook float64 }{
	ClassI:   {0.1, 0.1, 0.1},
	ClassII:  {0.3, 0.2, 0.2},
	ClassIII: {0.6, 0.4, 0.3},
}

// MPE is the maximum permissible error of a tape between two marks that are
// not adjacent,
//
//	MPE = a + b·L,
//
// with L the length in metres rounded up to a whole metre (UK SI 2016/1153
// schedule 1I, paragraph 2; MI-008). mm is the length in mm; the result is in
// mm, and 0 for NoClass.
func (c Class) MPE(mm float64) float64 {
	e := tapeError[c]
	return e.a + e.b*math.Ceil(math.Abs(mm)/1000)
}

// Tool is one of the things a surveyor reads with.
type Tool struct {
	Name       string
	Sort       Sort
	Class      Class   // of a tape; NoClass for the others
	Hook       bool    // a tape whose end hook is part of the reading
	Limit      float64 // largest error the maker allows, in the reading's unit, where there is no class
	Resolution float64 // smallest step it is read to, in the reading's unit
	Means      string

	Zero, ZeroU float64 // zero error found by a check, in the reading's unit: read less true
	Tested      string  // how that was found; empty when it was not
	CheckedAt   float64 // value it was checked at
	Due         string  // date the next check is due, where one is set
}

// U is the standard uncertainty of one reading,
//
//	u² = (MPE/√3)² + (d/√12)² + s²,
//
// in the unit of the reading: mm, degrees for an angle, mm per m for a lean.
// MPE is the maximum permissible error at this value (of a tape by its class,
// with the end hook's extra where it has one; else the maker's limit), taken
// as a rectangular distribution; d is the resolution, of which a reading is
// off by half at most; s is the setting of the tool to the work, as
// [Kind.Setting]. JCGM 100:2008, 4.3.7 and 5.1.2, gives the divisors.
func (t Tool) U(value, setting float64) float64 {
	limit, zero := t.MPE(value), 0.0
	if t.Tested != "" {
		zero, limit = t.ZeroU, 0
		if t.Class != NoClass {
			limit = t.Class.MPE(value) - tapeError[t.Class].a // b·L: the scale was not checked
		}
	}
	return math.Sqrt(limit*limit/3 + zero*zero + t.Resolution*t.Resolution/12 + setting*setting)
}

// Kit is the tools at hand.
type Kit []Tool

// HouseKit is used until a surveyor's own kit is known. The classes are the
// standard's; limits and resolutions of the rest are common practice, no
// source.
var HouseKit = Kit{
	{Name: "tape", Sort: SortTape, Class: ClassII, Resolution: 1, Means: "steel tape, class II"},
	{Name: "tape-1", Sort: SortTape, Class: ClassI, Resolution: 1, Means: "steel tape, class I"},
	{Name: "tape-2", Sort: SortTape, Class: ClassII, Resolution: 1, Means: "steel tape, class II"},
	{Name: "tape-3", Sort: SortTape, Class: ClassIII, Resolution: 1, Means: "tape, class III"},
	{Name: "hook-tape", Sort: SortTape, Class: ClassII, Hook: true, Resolution: 1, Means: "steel tape, class II, read from its end hook"},
	{Name: "rod", Sort: SortRod, Limit: 0.3, Resolution: 0.5, Means: "two sliding rods pinched in the gap"},
	{Name: "rule", Sort: SortRule, Limit: 0.2, Resolution: 0.5, Means: "steel rule"},
	{Name: "laser", Sort: SortLaser, Limit: 1.5, Resolution: 1, Means: "laser distance meter"},
	{Name: "trial", Sort: SortRule, Limit: 0.2, Means: "trial piece tried in its place"},
	{Name: "level", Sort: SortLevel, Limit: 0.5, Resolution: 0.5, Means: "spirit level and rule"},
	{Name: "thermometer", Limit: 1, Resolution: 1, Means: "thermometer"},
	{Name: "moisture-meter", Limit: 2, Resolution: 0.5, Means: "moisture meter with pins"},
	{Name: "gauge", Sort: SortGauge, Limit: 0.15, Resolution: 0.1, Means: "digital angle gauge"},
}

// Tool finds a tool by its name. The error wraps [ErrTool].
func (k Kit) Tool(name string) (Tool, error) {
	if i := slices.IndexFunc(k, func(t Tool) bool { return strings.EqualFold(t.Name, name) }); i >= 0 {
		return k[i], nil
	}
	names := make([]string, len(k))
	for i, t := range k {
		names[i] = t.Name
	}
	return Tool{}, fmt.Errorf("%w %q: write one of %s, or leave it empty", ErrTool, name, strings.Join(names, ", "))
}
