package survey

import (
	"fmt"
	"math"
	"regexp"
	"strconv"
	"strings"

	"pinchrod/calc/unit"
)

// mostTogether is how many pieces a person lays side by side and reads across at
// most. Common practice, no source.
const mostTogether = 50

// sectionString writes a section as parseSection reads it.
func (q Quantity) sectionString() string {
	widths := []string{q.acrossString()}
	if q.Together == 0 || q.N[1] != q.N[0] || q.N[2] != 0 {
		widths = append(widths, bare(unit.Length(q.N[1])))
	}
	if q.N[2] != 0 {
		widths = append(widths, bare(unit.Length(q.N[2])))
	}
	s := strings.Join(widths, " x ") + " mm"
	if q.Together != 0 {
		s = fmt.Sprintf("%d together %s", q.Together, s)
	}
	return s
}

// bare is a length in mm without its unit.
func bare(l unit.Length) string { return strings.TrimSuffix(l.String(), " mm") }

// acrossString is the first width, of several pieces together the sum of theirs:
// the roundest that gives the width of one again, since one width is kept in whole
// micrometres, and 413 mm across 12 is not 12 of those.
func (q Quantity) acrossString() string {
	if q.Together <= 0 {
		return bare(unit.Length(q.N[0]))
	}
	sum := q.N[0] * q.Together
	for step := unit.Millimetre; step > unit.Micrometre; step /= 10 {
		if round := unit.Length(sum).Round(step); oneOf(round, q.Together) == q.N[0] {
			return bare(round)
		}
	}
	return bare(unit.Length(sum))
}

// oneOf is the width of one piece, to the nearest micrometre, of n that measure
// across together.
func oneOf(across unit.Length, n int64) int64 {
	return int64(math.Round(float64(across) / float64(n)))
}

// by splits "41 x 41 mm" at its crosses.
var by = regexp.MustCompile(`\s*[x×X]\s*`)

var togetherForm = regexp.MustCompile(`(?i)^(\d{1,4})\s+together:?\s+(.+)$`)

// parseSection reads 90 x 90 mm, or 41 x 41 x 22 mm with the thinnest width of
// a turned profile last. A unit at the end holds for all.
//
// It also reads 10 together 412 mm: ten laid side by side measure 412 mm across,
// so one is 41.2 mm wide. One is as deep as it is wide then, unless its depth
// follows: 10 together 412 x 38 mm.
func parseSection(s string, q *Quantity) error {
	body, least := strings.TrimSpace(s), 2
	if f := togetherForm.FindStringSubmatch(body); f != nil {
		n, err := strconv.ParseInt(f[1], 10, 64)
		if err != nil {
			return fmt.Errorf("section %q: %w", s, err)
		}
		if n < 2 || n > mostTogether {
			return fmt.Errorf("section %q: %d pieces together %w: expected 2 to %d", s, n, ErrAbsurd, mostTogether)
		}
		q.Together, body, least = n, f[2], 1
	}
	parts := by.Split(body, -1)
	if len(parts) < least || len(parts) > 3 {
		return fmt.Errorf("section %q %w: write two widths such as 41 x 41 mm, a third for the thinnest width of a turned profile; or 10 together 412 mm", s, errForm)
	}
	unitOf := ""
	if i := strings.LastIndexAny(parts[len(parts)-1], "0123456789"); i >= 0 {
		unitOf = parts[len(parts)-1][i+1:]
	}
	for i, p := range parts {
		if i < len(parts)-1 && !strings.HasSuffix(p, unitOf) {
			p += unitOf
		}
		l, err := unit.ParseLength(p)
		if err != nil {
			return fmt.Errorf("section %q: %w", s, err)
		}
		q.N[i] = int64(l)
	}
	if q.Together != 0 {
		q.N[0] = oneOf(unit.Length(q.N[0]), q.Together)
		if len(parts) == 1 {
			q.N[1] = q.N[0]
		}
	}
	if len(parts) == 3 && q.N[2] == 0 {
		return fmt.Errorf("section %q %w: the thinnest width is above zero; leave it out for a square profile", s, errForm)
	}
	return nil
}
