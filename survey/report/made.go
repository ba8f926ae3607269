package report

import (
	"fmt"
	"io"
	"math"
	"slices"
	"strings"

	"pinchrod/calc/adjust"
	"pinchrod/store/journal"
	"pinchrod/survey"
	"pinchrod/survey/asfound"
	"pinchrod/survey/report/figure"
	"pinchrod/survey/report/lines"
)

// made says what was cut, and, once something was, how well what was tried on
// site was foretold.
func (p *page) made(b *asfound.Bay) {
	if len(b.Made) == 0 {
		return
	}
	for i := range b.Made {
		p.labelled("as made", madeLine(&b.Made[i]))
	}
	for i := range b.Readings {
		r := &b.Readings[i]
		if r.Reading.What != survey.Trial && r.Reading.What != survey.SpacerWalk {
			continue
		}
		if q := r.Predicted(); q.Known {
			unit := r.Reading.Kind().Unit()
			p.labelled("foretold", fmt.Sprintf("%s (%s): %s by the other readings, found %s%s, %s",
				r.Reading.Title(), r.Ref.Short(), figure.Of(q, unit), figure.Fixed(r.Value, 1), figure.Unit(unit), Off(r.Value-q.Value, r.W)))
		}
	}
}

// Off says how far something is off what was foretold: in mm, and by w, the same
// in units of its standard uncertainty. Of honest ones 95 in 100 are within 2,
// and 999 in 1000 within [adjust.Critical].
func Off(off, w float64) string {
	than := "within measuring error"
	switch w = math.Abs(w); {
	case w > adjust.Critical:
		than = "far more than measuring error"
	case w > 2:
		than = "more than measuring error mostly is"
	}
	return fmt.Sprintf("off by %s mm, %s", signedFixed(off, 1), than)
}

func signedFixed(v float64, d int) string {
	s := figure.Fixed(v, d)
	if s[0] != '-' {
		s = "+" + s
	}
	return s
}

func madeLine(m *asfound.Made) string {
	s := MadeTitle(&m.Made)
	switch {
	case m.Made.Recut && len(m.Off) > 0:
		o := m.Off[m.Worst]
		// What was foretold is the line that the piece fills, not the side that was
		// measured: only how far off it is can stand beside the length.
		s += "; against what was foretold, " + Off(o.Error, o.InU())
	case m.P.Known && len(m.Off) == 1:
		s += "; it fits " + asfound.Chance(m.P.Value)
	case m.P.Known:
		s += "; all fit " + asfound.Chance(m.P.Value)
	case m.Unknown != "":
		s += "; " + m.Unknown
	}
	return fmt.Sprintf("%s (%s)", s, m.Ref.Short())
}

// Held writes how an entry of what was made fits what the book says is needed,
// a line for each flag; where a piece cut again contradicts the book, that too.
func Held(w io.Writer, b *asfound.Bay, entry journal.Ref) error {
	p := newPage(w, Style{Width: math.MaxInt32}) // a line each, as the entry itself
	for i := range b.Flags {
		f := &b.Flags[i]
		if f.Name == "as-made" && strings.Contains(f.Of, "("+entry.Short()+")") || f.Name == "recut" {
			fig, _ := FlagFigure(f)
			p.Line(lines.Clean(fmt.Sprintf("%s: %s, %s. %s", f.State, f.Of, fig, lines.Sentence(f.Text))))
		}
	}
	return p.Err()
}

// MadeTitle says what was made in a line: "13 spindles at 812.4 mm, Ann,
// 2026-11-25"; of what cannot be so, as much as it says.
func MadeTitle(m *survey.Made) string {
	part := m.Part.Words()
	var parts []string
	switch {
	case m.Recut && len(m.Pieces) == 1:
		parts = append(parts, fmt.Sprintf("%s %d cut again at %s", part, m.Pieces[0], m.Length))
	case len(m.Pieces) > 0:
		over := ""
		if m.ToFit {
			over = ", to be trimmed on site"
		}
		parts = append(parts, fmt.Sprintf("%s at %s%s", count(len(m.Pieces), part), m.Length, over))
		if !runOn(m.Pieces) {
			parts[0] += " (" + numbersOf(m.Pieces) + ")"
		}
	}
	if m.Spares > 0 {
		parts = append(parts, fmt.Sprintf("%s of %s", count(int(m.Spares), "spare"), m.Length))
	}
	for _, l := range m.Kept {
		parts = append(parts, fmt.Sprintf("offcut of %s kept", l))
	}
	for _, l := range m.Used {
		parts = append(parts, fmt.Sprintf("offcut of %s used", l))
	}
	for _, s := range []string{m.By, m.When} {
		if s != "" {
			parts = append(parts, s)
		}
	}
	if m.Sheet != "" {
		parts = append(parts, "sheet "+m.Sheet)
	}
	if m.Note != "" {
		parts = append(parts, m.Note)
	}
	return lines.Clean(strings.Join(parts, ", "))
}

// runOn tells whether pieces are 1 to n.
func runOn(pieces []uint32) bool {
	return pieces[0] == 1 && pieces[len(pieces)-1] == uint32(len(pieces))
}

func numbersOf(pieces []uint32) string {
	n := make([]int, len(pieces))
	for i, p := range pieces {
		n[i] = int(p)
	}
	slices.Sort(n)
	return ranges(n)
}
