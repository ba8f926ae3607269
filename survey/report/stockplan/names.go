package stockplan

import (
	"cmp"
	"fmt"
	"strconv"
	"strings"

	"pinchrod/calc/unit"
	"pinchrod/survey/report/figure"
)

// ranges writes S01, S02, S03, SX1 as "S01-S03 SX1".
func ranges(ids []string) string {
	var out []string
	for i := 0; i < len(ids); {
		j := i
		for j+1 < len(ids) && follows(ids[j], ids[j+1]) {
			j++
		}
		s := ids[i]
		if j > i {
			s += "-" + ids[j]
		}
		out = append(out, s)
		i = j + 1
	}
	return strings.Join(out, " ")
}

// byNumber orders pieces of one kind by their numbers, spares last.
func byNumber(a, b string) int {
	pa, na := split(a)
	pb, nb := split(b)
	return cmp.Or(cmp.Compare(pa, pb), cmp.Compare(na, nb))
}

// split parts a piece's name from its number.
func split(id string) (name string, number int) {
	name = strings.TrimRight(id, "0123456789")
	number, err := strconv.Atoi(id[len(name):])
	if err != nil {
		return id, 0
	}
	return name, number
}

// follows tells whether b is the piece after a.
func follows(a, b string) bool {
	pa, na := split(a)
	pb, nb := split(b)
	return pa == pb && nb == na+1
}

// span writes the numbers from a to b, both counted: "3" or "3-7".
func span(a, b int) string {
	if a == b {
		return strconv.Itoa(a)
	}
	return fmt.Sprintf("%d-%d", a, b)
}

// plain is a length in mm as short as it can be, to a micrometre.
func plain(mm float64) string { return strings.TrimSuffix(unit.FromMM(mm).String(), " mm") }

// short is a length as short as it can be, as a rule has it.
func short(mm float64, r figure.Rule) string {
	if r.Inches {
		return r.Length(mm)
	}
	return plain(mm)
}

func tenth(v float64) string { return strconv.FormatFloat(v, 'f', 1, 64) }
