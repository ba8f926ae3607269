package guide

import (
	"fmt"
	"strconv"

	"pinchrod/calc/unit"
	"pinchrod/survey"
)

// ask is one question of the walk in its place.
type ask struct {
	q      Question
	plan   planStep // of the plan of the stair
	flight int      // of the plan: which
	open   bool     // of the plan: not answered
	once   bool     // not asked again after a skip
}

// place of a reading: skipped ones are asked again at its end.
func (a ask) place() survey.Place { return a.q.Reading.Where }

// id names the question that a reading answers. Headroom is asked once a
// flight, wherever it was least, so its step does not count.
func id(r survey.Reading) string {
	s := string(r.Where) + " " + string(r.What)
	if r.At.Mark != survey.Nowhere && r.What != survey.Headroom {
		s += " " + r.At.String()
	}
	if k := r.Kind(); k != nil && k.Height {
		s += " " + strconv.FormatFloat(r.Height.MM(), 'f', -1, 64)
	}
	return s
}

// heights above the base rail at which the run is read: near the rail, half
// way and near the handrail. Common practice, no source.
var heights = [...]unit.Length{0, 350 * unit.Millimetre, 700 * unit.Millimetre}

// lister gathers the questions of one flight or bay.
type lister struct {
	asks  []ask
	where survey.Place
	spot  string // such as "at the bottom"
}

func (l *lister) add(what survey.What, at survey.At, height unit.Length) *ask {
	r := survey.Reading{Where: l.where, What: what, At: at, Height: height}
	l.asks = append(l.asks, ask{q: Question{
		ID: id(r), Form: Value, Title: title(r), Hint: hint(r), How: views[what].how, Drawing: views[what].drawing,
		Reading: r, Skips: true, Place: string(l.where) + ", " + l.spot,
	}})
	return &l.asks[len(l.asks)-1]
}

func (l *lister) at(m survey.Mark, whats ...survey.What) {
	for _, w := range whats {
		l.add(w, survey.At{Mark: m}, 0)
	}
}

func (l *lister) step(what survey.What, n int) {
	l.add(what, survey.At{Mark: survey.Step, N: int64(n)}, 0)
}

// flightAsks lists what is read of a flight, from the bottom up.
func flightAsks(f Flight) []ask {
	l := &lister{where: survey.Place(f.Name), spot: "at the bottom"}
	if f.Rises > 0 {
		l.at(survey.Bottom, survey.StringAngle)
	}
	l.at(survey.Bottom, survey.Width)
	for i := 1; i <= f.Rises; i++ {
		l.spot = fmt.Sprintf("step %d of %d", i, f.Rises)
		l.step(survey.Rise, i)
		if i < f.Rises {
			l.step(survey.Going, i)
		}
		if i == (f.Rises+1)/2 {
			l.step(survey.Headroom, i)
		}
	}
	l.spot = "at the top"
	if f.Rises > 0 {
		l.at(survey.Nowhere, survey.TotalRise)
	}
	if f.Landing || f.Rises > 1 {
		l.at(survey.Nowhere, survey.TotalGoing)
	}
	for _, m := range []survey.Mark{survey.Middle, survey.Top} {
		l.spot = map[survey.Mark]string{survey.Middle: "in the middle", survey.Top: "at the top"}[m]
		if f.Rises > 0 {
			l.at(m, survey.StringAngle)
		}
		l.at(m, survey.Width)
	}
	l.spot = "as a whole"
	l.at(survey.Left, survey.Side)
	l.at(survey.Right, survey.Side)
	l.at(survey.Rising, survey.Diagonal)
	l.at(survey.Falling, survey.Diagonal)
	return l.asks
}

// bayAsks lists what is read of a bay, from its lower post to its upper one.
func bayAsks(f Flight, bay string) []ask {
	l := &lister{where: survey.Place(f.Name + "/" + bay), spot: "at the bottom"}
	// A landing has no bottom riser to take a post's position from.
	post := func(m survey.Mark) {
		l.at(m, survey.PostSection)
		if !f.Landing {
			l.at(m, survey.PostPosition)
		}
		l.at(m, survey.LeanAlong, survey.LeanAcross)
	}
	station := []survey.What{survey.BaseAngle, survey.RailAngle, survey.Gap}

	l.at(survey.Nowhere, survey.SpindleSize)
	l.add(survey.FilletSize, survey.At{}, 0).once = true // not every balustrade has them
	post(survey.Lower)
	l.at(survey.Bottom, append(station, survey.GuardHeight)...)
	for _, h := range heights {
		l.add(survey.Run, survey.At{}, h)
	}
	l.spot = "in the middle"
	l.at(survey.Middle, append(station, survey.BowBase, survey.BowRail)...)
	l.spot = "at the top"
	l.at(survey.Top, append(station, survey.GuardHeight)...)
	post(survey.Upper)
	l.spot = "as a whole"
	l.at(survey.Rising, survey.FrameDiagonal)
	l.at(survey.Falling, survey.FrameDiagonal)
	l.add(survey.Moisture, survey.At{}, 0).once = true
	return l.asks
}

// asksOf lists every question of a stair: its plan, then each flight with its
// bays. Nothing is read of a flight before the plan stands.
func asksOf(s Stair) []ask {
	asks := planAsks(s)
	if asks[len(asks)-1].open {
		return asks
	}
	return append(asks, readingAsks(s)...)
}

// readingAsks lists the readings of those flights whose plan is whole.
func readingAsks(s Stair) []ask {
	var asks []ask
	for _, f := range s {
		if !f.kindKnown() || f.Bays == nil {
			continue
		}
		asks = append(asks, flightAsks(f)...)
		for _, b := range f.Bays {
			asks = append(asks, bayAsks(f, b)...)
		}
	}
	return asks
}

// title says what is read, for a line of 40 columns.
func title(r survey.Reading) string {
	name := views[r.What].name
	at := r.At.String()
	switch r.At.Mark {
	case survey.Nowhere:
		if r.Kind().Height {
			if r.Height == 0 {
				return name + " level, at the base rail"
			}
			return name + " level, " + r.Height.String() + " up"
		}
		return name
	case survey.Step:
		if r.What == survey.Headroom {
			return name
		}
		return name + " of step " + at
	case survey.Lower, survey.Upper:
		return name + ", " + at + " post"
	case survey.Bottom, survey.Top:
		return name + " at the " + at
	case survey.Middle:
		return name + " in the middle"
	}
	return name + ", " + at
}

// hint says how an answer looks.
func hint(r survey.Reading) string {
	switch r.Kind().Measure {
	case survey.Angle:
		return "degrees, or 7:11, or 41°48'"
	case survey.Lean:
		return "such as 3 in 900, - the other way"
	case survey.Section:
		switch r.What {
		case survey.FilletSize:
			return "such as 41 x 8"
		case survey.PostSection:
			return "such as 90 x 90"
		}
		return "such as 41 x 41"
	case survey.Percent:
		return "per cent"
	}
	if r.Kind().Low < 0 {
		return "mm, - the other way"
	}
	return "mm, or 2 ft 8 1/2 in"
}
