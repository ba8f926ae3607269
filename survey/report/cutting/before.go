package cutting

import (
	"fmt"
	"slices"

	"pinchrod/calc/pieces"
	"pinchrod/calc/rules"
	"pinchrod/survey"
	"pinchrod/survey/asfound"
	"pinchrod/survey/report/lines"
)

// cutBefore says of the pieces that the book has as cut, by the code on their
// labels, which still fit and which may not, as the findings have it. kept tells
// that some with another code than this sheet's are to be kept.
func (s *Sheet) cutBefore() (say []string, kept bool) {
	again := map[survey.Part][]uint32{}
	for _, m := range s.found.Made {
		if m.Made.Recut {
			again[m.Made.Part] = append(again[m.Made.Part], m.Made.Pieces...)
		}
	}
	var codes, recut []string
	fitting := map[string][]string{} // by code, the kinds that still fit
	for i := range s.found.Made {
		m := &s.found.Made[i]
		kind, known := kindOf(m.Made.Part)
		code, err := ParseCode(m.Made.Sheet)
		replaced := !m.Made.Recut && !slices.ContainsFunc(m.Made.Pieces, func(n uint32) bool { return !slices.Contains(again[m.Made.Part], n) })
		if !known || err != nil || replaced || len(m.Made.Pieces) == 0 {
			continue
		}
		what := kind.String() + "s"
		switch {
		case m.Made.Recut && s.stillFits(m, kind):
			for _, n := range m.Made.Pieces {
				recut = append(recut, id(kind, int(n)))
			}
		case s.stillFits(m, kind):
			if code == s.Code || slices.Contains(fitting[code], what) {
				continue
			}
			if fitting[code] == nil {
				codes = append(codes, code)
			}
			fitting[code] = append(fitting[code], what)
		case m.P.Known:
			said := fmt.Sprintf("whether all %s with code %s still fit cannot be told yet", what, code)
			if m.State == rules.Flag {
				said = fmt.Sprintf("%s with code %s no longer all fit", what, code)
			}
			say = append(say, lines.Sentence(fmt.Sprintf("%s (as-made): all do %s, %s the least. Try that one dry first; what does not go in is cut again",
				said, asfound.Chance(m.P.Value), id(kind, m.Off[m.Worst].Number))))
		default:
			say = append(say, lines.Sentence(fmt.Sprintf("%s with code %s were cut before, and whether they fit cannot be told: %s. Lay them aside", what, code, m.Unknown)))
		}
	}
	for _, code := range codes {
		say = append(say, lines.Sentence(fmt.Sprintf("%s with code %s were cut before and still fit (as-made): keep them", list(fitting[code]), code)))
	}
	if len(recut) > 0 {
		slices.Sort(recut)
		say = append(say, fmt.Sprintf("Cut again on site until it fitted, whatever its label says, and to be kept: %s.", list(slices.Compact(recut))))
	}
	return say, len(codes)+len(recut) > 0
}

// kindOf is the kind of piece that a part of the log names.
func kindOf(p survey.Part) (pieces.Kind, bool) {
	for k, part := range parts {
		if part == p {
			return k, true
		}
	}
	return 0, false
}

// stillFits tells whether what was made fits as surely as the house asks. A piece
// that was cut again fits: it was cut until it did. It does while the bay has a
// place of its number.
func (s *Sheet) stillFits(m *asfound.Made, k pieces.Kind) bool {
	if t := s.Set(k); m.Made.Recut {
		return t != nil && int(slices.Max(m.Made.Pieces)) <= len(t.Pieces)
	}
	return m.State == rules.Clear
}
