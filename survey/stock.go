package survey

import (
	"fmt"

	"pinchrod/calc/unit"
)

// stock takes the widest range of all sections of timber.
var stock, _ = KindOf(string(FilletSize))

// ParseStock reads the section of a bar, "41 x 41 mm", "41x41" or 1 5/8 x 1 5/8 in:
// its two sides, as they are written. A bar can be turned, so who tells sections
// apart compares the smaller sides and the larger.
//
// The errors are those of a fillet's section, and one for a turned profile, which no
// bar has.
func ParseStock(s string) (a, b unit.Length, err error) {
	q, err := stock.ParseValue(s)
	if err != nil {
		return 0, 0, err
	}
	if q.N[2] != 0 {
		return 0, 0, fmt.Errorf("%q is a turned profile: a bar has two sides", s)
	}
	return unit.Length(q.N[0]), unit.Length(q.N[1]), nil
}
