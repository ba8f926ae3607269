package survey

import (
	"fmt"
	"math"
	"strings"

	"pinchrod/calc/unit"
)

// What names a kind of reading, as the field sheet does.
type What string

// The kinds of reading.
const (
	TotalRise     What = "total-rise"
	TotalGoing    What = "total-going"
	Rise          What = "rise"
	Going         What = "going"
	Headroom      What = "headroom"
	Width         What = "width"
	Side          What = "side"
	Diagonal      What = "diagonal"
	StringAngle   What = "string-angle"
	Temperature   What = "temperature"
	Run           What = "run"
	SlopeRun      What = "slope-run"
	PostPosition  What = "post-position"
	PostSection   What = "post-section"
	LeanAlong     What = "lean-along"
	LeanAcross    What = "lean-across"
	BaseAngle     What = "base-angle"
	RailAngle     What = "rail-angle"
	Gap           What = "gap"
	BowBase       What = "bow-base"
	BowRail       What = "bow-rail"
	FrameDiagonal What = "frame-diagonal"
	GuardHeight   What = "guard-height"
	UnderGap      What = "under-gap"
	Access        What = "access"
	SpacerWalk    What = "spacer-walk"
	Trial         What = "trial"
	SpindleSize   What = "spindle-section"
	FilletSize    What = "fillet-section"
	StockLength   What = "stock-length"
	Moisture      What = "moisture"
)

// Kind is what the book knows of one kind of reading.
type Kind struct {
	What    What
	OfBay   bool // else of a flight
	Height  bool // takes a height above the base rail
	Measure Measure
	Means   string  // one line for a person
	Low     float64 // least and greatest believable value, in mm, degrees
	High    float64 // or mm per m; common practice, no source
	Tool    string  // the usual tool, of the house kit
	Setting float64 // u of setting the tool to the work, in the reading's unit
	at      atRule
}

var (
	stations  = atRule{marks: []Mark{Bottom, Middle, Top}, distance: true}
	ofFlight  = atRule{marks: []Mark{Bottom, Middle, Top}}
	ofStep    = atRule{step: true}
	ofPost    = atRule{marks: []Mark{Lower, Upper}}
	ofSide    = atRule{marks: []Mark{Left, Right}}
	ofCorners = atRule{marks: []Mark{Rising, Falling}}
	midBow    = atRule{marks: []Mark{Middle}, distance: true}
	ofRail    = atRule{marks: []Mark{OnBase, OnRail}, empty: OnBase}
)

// Kinds lists every kind of reading, in the order a person takes them.
//
// Low and High are wide: they refuse a slip of a decimal place or a wrong
// column, not an odd stair. Setting is how well a tool is put to the face or
// the line, one standard uncertainty; of a trial piece, how well its length is
// known. Both are common practice, no source.
var Kinds = []Kind{
	{TotalRise, false, false, Length, "rise of the whole flight, floor to floor", 50, 12000, "tape", 1.0, atRule{}},
	{TotalGoing, false, false, Length, "level going of the whole flight", 0, 20000, "tape", 1.0, atRule{}},
	{Rise, false, false, Length, "rise of one step", 30, 400, "tape", 0.5, ofStep},
	{Going, false, false, Length, "going of one step, nosing to nosing", 30, 1500, "tape", 0.5, ofStep},
	{Headroom, false, false, Length, "clear height above the pitch line", 500, 12000, "tape", 2, ofStep},
	{Width, false, false, Length, "clear width of the flight", 200, 6000, "tape", 0.5, ofFlight},
	{Side, false, false, Length, "slope length of one side, between the same two nosings", 200, 20000, "tape", 1.0, ofSide},
	{Diagonal, false, false, Length, "diagonal of the flight on the slope", 200, 20000, "tape", 1.0, ofCorners},
	{StringAngle, false, false, Angle, "angle of the string from level", -75, 75, "gauge", angleSetting, ofFlight},
	{Temperature, false, false, Celsius, "temperature of the tape while the flight was read", -20, 50, "thermometer", 0.5, atRule{}},
	{Run, true, true, Length, "level clear run between the posts", 50, 12000, "tape", 0.3, atRule{}},
	{SlopeRun, true, true, Length, "clear run along the pitch", 50, 15000, "tape", 0.3, atRule{}},
	{PostPosition, true, false, Length, "level distance from the bottom riser to the post's face towards the bay", -6000, 30000, "tape", 0.5, ofPost},
	{PostSection, true, false, Section, "section of a post", 10, 600, "tape", 0.3, ofPost},
	{LeanAlong, true, false, Lean, "lean of a post along the stair, + up", -80, 80, "level", 0.3, ofPost},
	{LeanAcross, true, false, Lean, "lean of a post across the stair, + to the well", -80, 80, "level", 0.3, ofPost},
	{BaseAngle, true, false, Angle, "angle of the base rail from level", -75, 75, "gauge", angleSetting, stations},
	{RailAngle, true, false, Angle, "angle of the handrail from level", -75, 75, "gauge", angleSetting, stations},
	{Gap, true, false, Length, "vertical clear gap, base rail to handrail", 50, 2500, "tape", 0.3, stations},
	{BowBase, true, false, Length, "bow of the base rail off a tight line, + humps up", -60, 60, "rule", 0.4, midBow},
	{BowRail, true, false, Length, "bow of the handrail off a tight line, + humps up", -60, 60, "rule", 0.4, midBow},
	{FrameDiagonal, true, false, Length, "diagonal of the bay's frame", 50, 15000, "tape", 0.8, ofCorners},
	{GuardHeight, true, false, Length, "pitch line or floor to the top of the handrail", 200, 2500, "tape", 1.0, stations},
	{UnderGap, true, false, Length, "largest ball that passes under the base rail", 0, 400, "rule", 1.0, ofStep},
	{Access, true, false, Length, "lower post's face to a bolt or screw that has to stay within reach, level", 0, 12000, "tape", 1.0, ofRail},
	{SpacerWalk, true, false, Walk, "spacers walked between the spindles, number x width, and how far they end short or over", -500, 500, "rule", 0.5, atRule{}},
	{Trial, true, false, Tried, "length of a trial piece tried as the spindle will stand", 50, 2500, "trial", 0.1, stations},
	{SpindleSize, true, false, Section, "section of the spindles", 5, 200, "rule", 0, atRule{}},
	{FilletSize, true, false, Section, "section of the fillets, width x thickness", 2, 200, "rule", 0, atRule{}},
	{Moisture, true, false, Percent, "moisture content of the timber", 3, 40, "moisture-meter", 0.5, atRule{}},
	{StockLength, true, false, Length, "length of a bar in the shop", 200, 12000, "tape", 1.0, atRule{}},
}

// angleSetting is u of laying a gauge on a rail: with its resolution of 0.1° (u 0.029) a reading's own u is 0.05°.
// Common practice, no source.
const angleSetting = 0.041

var kindOf = func() map[What]*Kind {
	m := make(map[What]*Kind, len(Kinds))
	for i := range Kinds {
		m[Kinds[i].What] = &Kinds[i]
	}
	return m
}()

// alsoRead are names that a kind had before, or that people say for it. A sheet
// may hold them; nothing writes them.
var alsoRead = []struct {
	name string
	what What
}{{"fit", Trial}, {"walk", SpacerWalk}, {"trial-piece", Trial}}

// KindOf finds a kind by its name, or by one it had before. The error wraps
// [ErrWhat] and names the nearest.
func KindOf(name string) (*Kind, error) {
	if k, ok := kindOf[What(name)]; ok {
		return k, nil
	}
	for _, a := range alsoRead {
		if a.name == name {
			return kindOf[a.what], nil
		}
	}
	return nil, fmt.Errorf("%w %q: did you mean %s?", ErrWhat, name, nearest(name))
}

// nearest is the kind whose name, or one it had before, has the fewest edits to s.
func nearest(s string) What {
	s = strings.ToLower(strings.ReplaceAll(strings.TrimSpace(s), "_", "-"))
	best, least := What(""), math.MaxInt
	try := func(name string, what What) {
		if e := edits(s, name); e < least {
			best, least = what, e
		}
	}
	for i := range Kinds {
		try(string(Kinds[i].What), Kinds[i].What)
	}
	for _, a := range alsoRead {
		try(a.name, a.what)
	}
	return best
}

// Words is what a person calls the kind, where its name in a sheet is short for
// something.
func (w What) Words() string {
	switch w {
	case Trial:
		return "trial piece"
	case SpacerWalk:
		return "spacer walk"
	}
	return string(w)
}

// edits counts single-character insertions, deletions and changes (Levenshtein
// 1966) between two short strings; a longer s is cut.
func edits(s, t string) int {
	if len(s) > 40 {
		s = s[:40]
	}
	row := make([]int, len(t)+1)
	for j := range row {
		row[j] = j
	}
	for i := range len(s) {
		diag := row[0]
		row[0] = i + 1
		for j := range len(t) {
			change := diag
			if s[i] != t[j] {
				change++
			}
			diag = row[j+1]
			row[j+1] = min(change, row[j]+1, row[j+1]+1)
		}
	}
	return row[len(t)]
}

// Unit is the unit of a kind's value and u.
func (k *Kind) Unit() string {
	switch k.Measure {
	case Angle:
		return "°"
	case Lean:
		return "mm/m"
	case Celsius:
		return "°C"
	case Percent:
		return "%"
	}
	return "mm"
}

// ParseAt reads the station of a reading of this kind.
func (k *Kind) ParseAt(s string) (At, error) { return k.at.parse(s) }

// ParseHeight reads the height above the base rail; empty is at the rail.
func (k *Kind) ParseHeight(s string) (unit.Length, error) {
	s = strings.TrimSpace(s)
	if s == "" {
		return 0, nil
	}
	if !k.Height {
		return 0, fmt.Errorf("%w: %s takes no height; leave it empty", ErrAt, k.What)
	}
	h, err := unit.ParseLength(s)
	if err != nil {
		return 0, err
	}
	if h < 0 || h > 3*unit.Metre {
		return 0, fmt.Errorf("height %s %w: write mm above the base rail, 0 to 3000", h, ErrAbsurd)
	}
	return h, nil
}

// ParseValue reads a value of this kind and refuses what no stair has.
func (k *Kind) ParseValue(s string) (Quantity, error) {
	if strings.TrimSpace(s) == "" {
		return Quantity{}, fmt.Errorf("value of %s is empty: write the reading, or leave the row out", k.What)
	}
	q, err := parseQuantity(k.Measure, s)
	if err != nil {
		return Quantity{}, err
	}
	return q, k.believable(q)
}

func (k *Kind) believable(q Quantity) error {
	check := func(what string, v, lo, hi float64, u string) error {
		if v < 0 && lo >= 0 {
			return fmt.Errorf("%s of %g %s %w: a length here is not negative; read it again", what, v, u, ErrAbsurd)
		}
		if v < lo || v > hi {
			return fmt.Errorf("%s of %g %s %w: expected %g to %g %s; check the unit and the column", what, v, u, ErrAbsurd, lo, hi, u)
		}
		return nil
	}
	switch k.Measure {
	case Section:
		if q.Together != 0 && (k.What != SpindleSize || q.Together < 2 || q.Together > mostTogether) {
			return fmt.Errorf("%s of %d pieces together %w: spindles alone are measured together, 2 to %d of them", k.What, q.Together, ErrAbsurd, mostTogether)
		}
		for i, n := range q.N {
			if i == 2 && n == 0 {
				continue
			}
			if err := check(string(k.What), unit.Length(n).MM(), k.Low, k.High, "mm"); err != nil {
				return err
			}
		}
		if q.N[2] > q.N[0] {
			return fmt.Errorf("%s %w: the thinnest width, third, is above the first", k.What, ErrAbsurd)
		}
		return nil
	case Walk:
		if err := check("number of spacers", float64(q.N[0]), 1, 200, ""); err != nil {
			return err
		}
		if err := check("spacer", unit.Length(q.N[1]).MM(), 10, 600, "mm"); err != nil {
			return err
		}
	case Tried:
		if err := q.believableTrial(); err != nil {
			return err
		}
		piece, known, _, _ := q.Trial()
		if !known {
			return nil
		}
		return check("trial piece", piece.MM(), k.Low, k.High, k.Unit())
	case Lean:
		if over := unit.Length(q.N[1]); over < 50*unit.Millimetre {
			return fmt.Errorf("%s over %s %w: take it over 50 mm at least", k.What, over, ErrAbsurd)
		}
	}
	return check(string(k.What), q.Value(), k.Low, k.High, k.Unit())
}
