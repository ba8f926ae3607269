package stockplan

import (
	"errors"
	"fmt"
	"strings"

	"pinchrod/calc/pieces"
	"pinchrod/calc/unit"
	"pinchrod/survey"
	"pinchrod/survey/report/cutting"
)

// ErrSection means a text that is no section of stock.
var ErrSection = errors.New("not a section")

// section is a section by its measure, the smaller side first: a bar can be
// turned.
type section struct{ small, large unit.Length }

// parseSection reads "41 x 41 mm", "41x41" or 1 5/8 x 1 5/8 in.
func parseSection(s string) (section, error) {
	a, b, err := sides(s)
	return section{min(a, b), max(a, b)}, err
}

func sides(s string) (a, b unit.Length, err error) {
	if a, b, err = survey.ParseStock(s); err != nil {
		// What is believable is told of a fillet's section there.
		err = fmt.Errorf("%w: %s", ErrSection, strings.ReplaceAll(err.Error(), string(survey.FilletSize), "a side"))
	}
	return a, b, err
}

// lies is a section and how it lies in the bay.
type lies struct {
	across unit.Length // in the plane of the bevels
	other  unit.Length
}

func (l lies) section() section { return section{min(l.across, l.other), max(l.across, l.other)} }

// liesOf says how the stock of a set lies: a spindle is its first side wide, a
// fillet its second side thick.
func liesOf(t *cutting.Set) (lies, error) {
	a, b, err := sides(t.Section)
	if t.Kind == pieces.Spindle {
		return lies{a, b}, err
	}
	return lies{b, a}, err
}
