package stockplan

import (
	"fmt"
	"regexp"
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

// markLength in characters of five bits: two plans of one code share a mark once in
// 2²⁰, and a bench has a handful of them.
const markLength = 4

// mark is made of the bars and the saw: which bars are sawn, with what in each.
func (p *Plan) mark() string {
	if len(p.Bars) == 0 {
		return ""
	}
	lines := []string{fmt.Sprintf("pinchrod stock bars %d", Version), fmt.Sprintf("saw %g %g %g", p.Kerf, p.Trim, p.MinOffcut)}
	for _, b := range p.Bars {
		line := fmt.Sprintf("bar %s %g %t %q", b.Section, b.Length, b.Offcut, b.Label)
		for _, c := range b.Cuts {
			line += " " + c.Name()
		}
		lines = append(lines, line)
	}
	return cutting.ShortCode(strings.Join(lines, "\n"))[:markLength]
}

// marked is a code with the mark behind it, as [Plan.Name] has it or as one hears
// it over a telephone.
var marked = regexp.MustCompile(`(?i)^\s*(?:plan\s+)?([^,]*?),?\s*bars\s+(\S+?)\s*$`)

// parseName reads a plan's code, with its mark or without, and gives the code.
func parseName(text string) (string, error) {
	code := text
	if m := marked.FindStringSubmatch(text); m != nil {
		code = m[1]
		// A mark is the head of a code.
		if _, err := cutting.ParseCode(m[2] + strings.Repeat("2", 2)); err != nil || len(m[2]) != markLength {
			return "", fmt.Errorf("%w: %q: bars %s: want %d characters", cutting.ErrCode, text, m[2], markLength)
		}
	}
	return cutting.ParseCode(code)
}

// Stale tells whether the plan with a code no longer holds: whether a plan of
// these sheets would cut other pieces, more of them, or fewer. A plan may have been of all
// bays or of one. The text may be its code, or its name with the bars' mark, of
// which nothing can be told from the sheets.
//
// Errors: cutting.ErrCode.
func Stale(sheets []*cutting.Sheet, text string) (bool, error) {
	want, err := parseName(text)
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
