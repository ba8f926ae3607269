package survey

import (
	"fmt"
	"strconv"
	"strings"

	"pinchrod/calc/unit"
)

// Mark is a word for a station, a post, a side or a diagonal.
type Mark uint8

// The marks. Their numbers are stored: never renumber.
const (
	Nowhere  Mark = iota
	Bottom        // 0 of the run
	Middle        // half of the run
	Top           // the run
	Lower         // the lower post
	Upper         // the upper post
	Left          // looking up the stair
	Right         //
	Rising        // left-bottom to right-top; in a bay, lower post's foot to upper post's head
	Falling       // the other diagonal
	Distance      // N micrometres from the lower post
	Step          // step number N, from the bottom
	OnBase        // on the base rail
	OnRail        // on the handrail
)

var markNames = map[Mark]string{
	Bottom: "bottom", Middle: "middle", Top: "top", Lower: "lower", Upper: "upper",
	Left: "left", Right: "right", Rising: "rising", Falling: "falling",
	OnBase: "base", OnRail: "rail",
}

// At is where on its flight or bay a reading was taken.
type At struct {
	_    struct{} `cbor:",toarray"`
	Mark Mark
	N    int64 // micrometres for Distance, a count for Step, else 0
}

// String writes the station as the field sheet does.
func (a At) String() string {
	switch a.Mark {
	case Nowhere:
		return ""
	case Distance:
		return strings.TrimSuffix(unit.Length(a.N).String(), " mm")
	case Step:
		return strconv.FormatInt(a.N, 10)
	}
	if s, ok := markNames[a.Mark]; ok {
		return s
	}
	return fmt.Sprintf("mark %d", a.Mark)
}

// atRule is which stations a kind of reading takes.
type atRule struct {
	marks    []Mark
	distance bool // mm from the lower post as well
	step     bool // a step number
	empty    Mark // what an empty cell stands for, where it does
}

func (r atRule) want() string {
	var w []string
	for _, m := range r.marks {
		w = append(w, markNames[m])
	}
	if r.distance {
		w = append(w, "mm from the lower post")
	}
	if r.step {
		w = append(w, "a step number")
	}
	if len(w) == 0 {
		return "leave it empty"
	}
	if r.empty != Nowhere {
		w = append(w, "or leave it empty for "+markNames[r.empty])
	}
	return "write " + strings.Join(w, ", ")
}

// maxSteps is more than any stair between two storeys has; a larger number is
// a length in the wrong column. Common practice, no source.
const maxSteps = 99

func (r atRule) parse(s string) (At, error) {
	s = strings.TrimSpace(s)
	for _, m := range r.marks {
		if strings.EqualFold(s, markNames[m]) {
			return At{Mark: m}, nil
		}
	}
	switch {
	case s == "" && r.empty != Nowhere:
		return At{Mark: r.empty}, nil
	case s == "" && len(r.marks) == 0 && !r.step:
		return At{}, nil
	case s != "" && r.step:
		if n, err := strconv.ParseInt(s, 10, 64); err == nil && n >= 1 && n <= maxSteps {
			return At{Mark: Step, N: n}, nil
		}
	case s != "" && r.distance:
		l, err := unit.ParseLength(s)
		if err == nil && l >= 0 && l <= 30*unit.Metre {
			return At{Mark: Distance, N: int64(l)}, nil
		}
	}
	return At{}, fmt.Errorf("%w %q: %s", ErrAt, s, r.want())
}
