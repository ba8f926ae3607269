package rules

import (
	"errors"
	"fmt"
	"strings"

	"pinchrod/calc/unit"
)

// Stair is the sort of stair a figure is for; the package comment says which is
// which.
type Stair string

// The sorts of stair.
const (
	Private Stair = "private"
	Common  Stair = "common"
	Public  Stair = "public"
	Utility Stair = "utility"
	Any     Stair = "any" // of a figure: for every stair alike
)

var stairs = []Stair{Private, Common, Public, Utility, Any}

// What a word, or a cell of a profile, can be wrong in.
var (
	ErrStair    = errors.New("unknown stair")
	ErrQuantity = errors.New("unknown quantity")
	ErrUnit     = errors.New("unknown unit")
	ErrEnds     = errors.New("ends of the limit")
)

// ParseStair reads the sort of a stair.
func ParseStair(s string) (Stair, error) {
	for _, st := range stairs {
		if strings.EqualFold(s, string(st)) {
			return st, nil
		}
	}
	return "", fmt.Errorf("%w %q: write %s", ErrStair, s, list(stairs))
}

// list writes a, b or c.
func list[T ~string](words []T) string {
	var b strings.Builder
	for i, w := range words {
		switch {
		case i == 0:
		case i == len(words)-1:
			b.WriteString(" or ")
		default:
			b.WriteString(", ")
		}
		b.WriteString(string(w))
	}
	return b.String()
}

// What names a quantity that rules set a limit to.
type What string

// The quantities.
const (
	Rise             What = "rise"
	RiseSpread       What = "rise-spread"
	RiseNeighbour    What = "rise-neighbour"
	RiseOffNominal   What = "rise-off-nominal"
	FirstRiseOff     What = "first-rise-off"
	Going            What = "going"
	GoingSpread      What = "going-spread"
	GoingNeighbour   What = "going-neighbour"
	GoingOffNominal  What = "going-off-nominal"
	StepRule         What = "two-rise-plus-going"
	Pitch            What = "pitch"
	Nosing           What = "nosing"
	NosingSpread     What = "nosing-spread"
	TreadOverlap     What = "tread-overlap"
	TreadSlope       What = "tread-slope"
	Risers           What = "risers"
	Width            What = "width"
	WidthOneRail     What = "width-one-rail"
	WidthTwoRails    What = "width-two-rails"
	Headroom         What = "headroom"
	HandrailHeight   What = "handrail-height"
	UnrailedRisers   What = "unrailed-risers"
	GuardStair       What = "guard-height-stair"
	GuardLanding     What = "guard-height-landing"
	GuardBalcony     What = "guard-height-balcony"
	GuardOver12m     What = "guard-height-fall-over-12m"
	UnguardedDrop    What = "unguarded-drop"
	UnguardedRisers  What = "unguarded-risers"
	ClearOpening     What = "opening"
	StairSideOpening What = "opening-stair-side"
	UnderOpening     What = "opening-under"
	RiserOpening     What = "open-riser"
)

type measure uint8

const (
	length measure = iota
	angle
	slope
	count
)

// units of each measure as a profile writes them, and the unit of its limits.
var units = [...]struct {
	written []string
	limit   string
}{
	length: {[]string{"mm", "m", "in"}, "mm"},
	angle:  {[]string{"deg"}, "°"},
	slope:  {[]string{"slope"}, "mm/m"},
	count:  {[]string{"count"}, ""},
}

// ends that a limit must have. One that lacks its telling end has most likely
// its figure in the wrong column, and would clear every stair.
type ends uint8

const (
	either ends = iota
	needLow
	needHigh
	needBoth // of a difference, which goes both ways
)

type quantity struct {
	what        What
	measure     measure
	ends        ends
	least, most float64 // believable, in the limit's unit
	means       string
}

// quantities is the closed list. The believable range refuses a slip of a decimal
// place, or millimetres called inches: common practice, no source.
var quantities = []quantity{
	{Rise, length, needHigh, 50, 400, "rise of a step"},
	{RiseSpread, length, needHigh, 0, 100, "largest rise of a flight less the smallest"},
	{RiseNeighbour, length, needBoth, -100, 100, "rise of a step less that of the step below"},
	{RiseOffNominal, length, needBoth, -100, 100, "rise of a step less the nominal rise"},
	{FirstRiseOff, length, needBoth, -100, 100, "rise of the bottom step less the nominal rise"},
	{Going, length, needLow, 50, 1500, "going of a step"},
	{GoingSpread, length, needHigh, 0, 100, "largest going of a flight less the smallest"},
	{GoingNeighbour, length, needBoth, -100, 100, "going of a step less that of the step below"},
	{GoingOffNominal, length, needBoth, -100, 100, "going of a step less the nominal going"},
	{StepRule, length, either, 300, 1000, "twice the rise plus the going"},
	{Pitch, angle, needHigh, 1, 90, "pitch of the flight from level"},
	{Nosing, length, either, 0, 200, "tread depth less going"},
	{NosingSpread, length, needHigh, 0, 100, "largest nosing of a flight less the smallest"},
	{TreadOverlap, length, needLow, 0, 200, "overlap of the treads where risers are open"},
	{TreadSlope, slope, needHigh, 0, 200, "fall of a tread from level"},
	{Risers, count, needHigh, 1, 100, "risers of a flight"},
	{Width, length, needLow, 300, 6000, "clear width of the flight"},
	{WidthOneRail, length, needLow, 300, 6000, "clear width at a handrail on one side"},
	{WidthTwoRails, length, needLow, 300, 6000, "clear width between handrails on both sides"},
	{Headroom, length, needLow, 1000, 6000, "clear height above the pitch line"},
	{HandrailHeight, length, needLow, 300, 2000, "top of the handrail above the pitch line or the floor"},
	{UnrailedRisers, count, needHigh, 0, 100, "risers of a flight that may go without a handrail"},
	{GuardStair, length, needLow, 300, 3000, "height of the guard above the pitch line"},
	{GuardLanding, length, needLow, 300, 3000, "height of the guard of a landing or a floor's edge"},
	{GuardBalcony, length, needLow, 300, 3000, "height of the guard of an external balcony or a roof's edge"},
	{GuardOver12m, length, needLow, 300, 3000, "height of the guard where the fall is more than 12 m"},
	{UnguardedDrop, length, needHigh, 0, 5000, "drop that may go without a guard"},
	{UnguardedRisers, count, needHigh, 0, 100, "risers that may go without a guard"},
	{ClearOpening, length, needHigh, 10, 300, "ball through an opening of the guard"},
	{StairSideOpening, length, needHigh, 10, 300, "ball through the guard at the open side of a flight"},
	{UnderOpening, length, needHigh, 10, 300, "ball through the triangle of tread, riser and bottom rail"},
	{RiserOpening, length, needHigh, 10, 300, "ball through an open riser"},
}

func quantityOf(w What) *quantity {
	for i := range quantities {
		if quantities[i].what == w {
			return &quantities[i]
		}
	}
	return nil
}

// Quantities lists every quantity that rules set a limit to.
func Quantities() []What {
	all := make([]What, len(quantities))
	for i, q := range quantities {
		all[i] = q.what
	}
	return all
}

// Means says in one line what the quantity is, or nothing of one not in the list.
// A quantity that is "less" another has a sign.
func (w What) Means() string {
	if q := quantityOf(w); q != nil {
		return q.means
	}
	return ""
}

// Unit is the unit of the quantity's limits: mm, °, mm/m or, of a count, none.
func (w What) Unit() string {
	if q := quantityOf(w); q != nil {
		return units[q.measure].limit
	}
	return ""
}

// parse reads a figure as the document writes it, in one of the measure's units.
// The figure may repeat the unit; as is the figure without it.
func (q *quantity) parse(cell, in string) (v float64, as string, err error) {
	as = strings.TrimSuffix(cell, in)
	if in == "deg" {
		as = strings.TrimSuffix(as, "°")
	}
	as = strings.TrimSpace(as)
	switch q.measure {
	case length:
		var l unit.Length
		l, err = unit.ParseLength(as + " " + in)
		v = l.MM()
	case slope:
		var s unit.Slope
		if s, err = unit.ParseSlope(as); err == nil {
			v = 1000 * s.Tan()
		}
	default:
		// A plain number, of which unit reads three decimals exactly. An Angle
		// would not do: it counts microradians, and 42° is not a whole number of
		// them.
		var l unit.Length
		if l, err = unit.ParseLength(as + " mm"); err != nil {
			err = fmt.Errorf("number %q %w: write digits, such as 42 or 41.5", as, unit.ErrSyntax)
		}
		v = l.MM()
		if q.measure == count && l%unit.Millimetre != 0 {
			err = fmt.Errorf("count %q %w: write a whole number", as, unit.ErrSyntax)
		}
	}
	if err == nil && !(v >= q.least && v <= q.most) {
		err = fmt.Errorf("%s of %s %w: %s lies between %g and %g%s; look at the point and the unit",
			q.what, cell, unit.ErrRange, q.means, q.least, q.most, strings.TrimRight(" "+units[q.measure].limit, " "))
	}
	return v, as, err
}
