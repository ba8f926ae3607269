package cutting

import (
	"fmt"
	"math"
	"slices"

	"pinchrod/calc/rules"
	"pinchrod/survey"
	"pinchrod/survey/asfound"
)

// Already is what the book says was cut of a set.
type Already struct {
	Numbers map[int]bool // pieces that are there, and fit as far as the book can tell
	Spares  []int        // that are there, by setting
	Misfits []Misfit     // what is there and does not fit, or of which it cannot be told
}

// Misfit is an entry of the book whose pieces cannot be counted on.
type Misfit struct {
	Numbers []int // of its pieces, without those that were cut again; the set may have fewer by now
	Spares  []int // by setting
	Why     string
	Next    string // what to do about it
}

// AlreadyCut is what the book says was cut of a set. An entry counts while the
// findings do not flag it and can hold it against what is needed; one that is only
// unsure counts, and so does a piece that was cut again on site, since it was cut
// until it fitted.
//
// An entry does not say at which setting its spares were cut: they are of the one
// that its first piece is of now, and without pieces of the one with the nearest
// stop.
func (s *Sheet) AlreadyCut(t *Set) Already {
	out := Already{Numbers: map[int]bool{}, Spares: make([]int, len(t.Settings))}
	if s.found == nil { // a sheet that New did not make
		return out
	}
	part := parts[t.Kind]
	again := map[int]bool{}
	for _, m := range s.found.Made {
		if m.Made.Part == part && m.Made.Recut {
			for _, n := range m.Made.Pieces {
				again[int(n)], out.Numbers[int(n)] = true, true
			}
		}
	}
	for i := range s.found.Made {
		m := &s.found.Made[i]
		if m.Made.Part != part || m.Made.Recut {
			continue
		}
		var numbers []int
		for _, n := range m.Made.Pieces {
			if !again[int(n)] {
				numbers = append(numbers, int(n))
			}
		}
		spares := make([]int, len(t.Settings))
		if j := t.settingOf(&m.Made); j >= 0 {
			spares[j] = int(m.Made.Spares)
		}
		why, next := s.misfit(t, m, len(numbers))
		if why != "" {
			out.Misfits = append(out.Misfits, Misfit{numbers, spares, why, next})
			continue
		}
		for _, n := range numbers {
			out.Numbers[n] = true
		}
		for j := range spares {
			out.Spares[j] += spares[j]
		}
	}
	// Two devices may have written of the same pieces: what fits is there.
	for i := range out.Misfits {
		out.Misfits[i].Numbers = slices.DeleteFunc(out.Misfits[i].Numbers, func(n int) bool { return out.Numbers[n] })
	}
	return out
}

// misfit says why an entry, with so many pieces that were not cut again, cannot be
// counted on; nothing when it can.
func (s *Sheet) misfit(t *Set, m *asfound.Made, left int) (why, next string) {
	entry := m.Ref.Short()
	switch {
	case left == 0: // spares and offcuts, or all were cut again until they fitted
		return "", ""
	case !m.P.Known:
		return fmt.Sprintf("cut before (%s), and whether they fit cannot be told: %s", entry, m.Unknown),
			fmt.Sprintf("lay them aside, strike %s and cut again", entry)
	case m.State == rules.Flag:
		worst := id(t.Kind, m.Off[m.Worst].Number)
		return fmt.Sprintf("cut before (%s), and no longer all fit: all do %s, %s the least", entry, asfound.Chance(m.P.Value), worst),
			fmt.Sprintf("try %s dry first; if it does not go in, strike %s and cut again", worst, entry)
	}
	return "", ""
}

// settingOf is the setting that an entry's spares are of; -1 when the set has none.
func (t *Set) settingOf(m *survey.Made) int {
	nearest, by := -1, math.Inf(1)
	for j := range t.Settings {
		g := &t.Settings[j]
		if len(m.Pieces) > 0 && slices.Contains(g.Pieces, int(m.Pieces[0])) {
			return j
		}
		if d := math.Abs(g.Stop - m.Length.MM()); d < by {
			nearest, by = j, d
		}
	}
	return nearest
}

// SparesLeft is how many of a setting's spares are still to be cut: what the sheet
// asks for less what the book says is there.
func (s *Sheet) SparesLeft(t *Set, g *Setting) int {
	cut := s.AlreadyCut(t)
	for j := range t.Settings {
		if &t.Settings[j] == g {
			return max(0, g.Spares-cut.Spares[j])
		}
	}
	return g.Spares
}
