package stockplan

import (
	"fmt"
	"strings"

	"pinchrod/survey/report/cutting"
)

// Version of the calculation. A change that plans other pieces of the same sheets
// raises it.
const Version = 1

// code is made of what is cut: the codes of the sheets, and the pieces as they
// were planned. The bars are not in it, so that a plan can be asked for without
// giving them again.
func code(all []*kin) string {
	lines := []string{fmt.Sprintf("pinchrod stock plan %d", Version)}
	for _, k := range all {
		lines = append(lines, "section "+k.name)
		for _, p := range k.parts {
			lines = append(lines, fmt.Sprintf("piece %s %s %s %s %.1f %.4f %.4f", p.sheet.Bay, p.sheet.Code, p.setting.Name, strings.Join(p.ids, " "), p.length, p.bevel[0], p.bevel[1]))
		}
	}
	return cutting.ShortCode(strings.Join(lines, "\n"))
}

// Stale tells whether the plan with a code no longer holds: whether a plan of
// these sheets would cut other pieces, more of them, or fewer. A plan may have been of all
// bays or of one.
//
// Errors: cutting.ErrCode.
func Stale(sheets []*cutting.Sheet, text string) (bool, error) {
	want, err := cutting.ParseCode(text)
	if err != nil {
		return false, err
	}
	of := func(s []*cutting.Sheet) bool {
		all, _, _ := gather(s)
		return code(all) == want
	}
	if of(sheets) {
		return false, nil
	}
	for i := range sheets {
		if of(sheets[i : i+1]) {
			return false, nil
		}
	}
	return true, nil
}
