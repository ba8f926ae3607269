// Package report shows what was found: as a page of text that a surveyor reads
// in a minute, and as the machine-readable answer that scripts rely on.
//
// On a page every number carries its unit and, where it was measured, ±U, the
// expanded uncertainty U = 2u. A page that states a spacing or a height ends
// with [Caution].
package report

import (
	"fmt"
	"io"
	"math"
	"slices"
	"strings"
	"unicode"
	"unicode/utf8"

	"pinchrod/survey/asfound"
)

// Style is how a page may look.
type Style struct {
	Width  int  // columns; 0 means 80
	Colour bool // bold, struck through and colour by escape sequences
}

// A page narrower than narrow puts under each other what else stands in
// columns; the widest row of those is a flag's.
const narrow = 72

// leastWidth keeps a page from falling apart altogether.
const leastWidth = 24

// page writes lines no wider than its style. The first error of the writer
// stops it.
type page struct {
	w     io.Writer
	style Style
	err   error
}

func newPage(w io.Writer, s Style) *page {
	if s.Width <= 0 {
		s.Width = 80
	}
	s.Width = max(s.Width, leastWidth)
	return &page{w: w, style: s}
}

func (p *page) narrow() bool { return p.style.Width < narrow }

func (p *page) line(s string) {
	if p.err == nil {
		_, p.err = io.WriteString(p.w, strings.TrimRight(s, " ")+"\n")
	}
}

func (p *page) blank() { p.line("") }

// para wraps text behind a hanging indent: first leads the first line, and the
// rest stand under its end.
func (p *page) para(first, text string) {
	indent := strings.Repeat(" ", width(first))
	lead := first
	for _, l := range wrap(clean(text), p.style.Width-width(first)) {
		p.line(lead + l)
		lead = indent
	}
}

// heading is a line that stands out.
func (p *page) heading(s string) {
	for _, l := range wrap(clean(s), p.style.Width) {
		p.line(p.bold(l))
	}
}

const (
	sgrBold   = "1"
	sgrStruck = "9"
	sgrRed    = "31;1"
	sgrYellow = "33;1"
)

func (p *page) sgr(code, s string) string {
	if !p.style.Colour || s == "" {
		return s
	}
	return "\x1b[" + code + "m" + s + "\x1b[0m"
}

func (p *page) bold(s string) string { return p.sgr(sgrBold, s) }

// width counts the columns of s, its escape sequences left out. What the trade
// writes takes one column a character; combining marks take none.
func width(s string) int {
	n, escape := 0, false
	for _, r := range s {
		switch {
		case r == '\x1b':
			escape = true
		case escape:
			escape = r != 'm'
		case !unicode.Is(unicode.Mn, r):
			n++
		}
	}
	return n
}

// pad fills s with spaces to n columns.
func pad(s string, n int) string { return s + strings.Repeat(" ", max(0, n-width(s))) }

// glued splits text into words, a figure with its ± and its unit being one.
func glued(text string) []string {
	var words []string
	for _, w := range strings.Fields(text) {
		last := len(words) - 1
		unit := strings.HasPrefix(w, "±") || slices.Contains([]string{"mm", "mm/m"}, strings.TrimRight(w, ".,:;)"))
		if unit && last >= 0 && strings.ContainsAny(words[last][len(words[last])-1:], "0123456789") {
			words[last] += " " + w
			continue
		}
		words = append(words, w)
	}
	return words
}

// wrap breaks text between its words into lines of at most n columns; a word
// that is longer is cut.
func wrap(text string, n int) []string {
	n = max(n, 8)
	var lines []string
	line := ""
	for _, word := range glued(text) {
		for width(word) > n {
			if line != "" {
				lines, line = append(lines, line), ""
			}
			cut := 0
			for range n {
				_, size := utf8.DecodeRuneInString(word[cut:])
				cut += size
			}
			lines, word = append(lines, word[:cut]), word[cut:]
		}
		switch {
		case line == "":
			line = word
		case width(line)+1+width(word) <= n:
			line += " " + word
		default:
			lines, line = append(lines, line), word
		}
	}
	return append(lines, line)
}

// clean makes text from a sheet or from another device safe to show: control
// characters, which could move the cursor or hide a line, become spaces.
func clean(s string) string {
	return strings.Map(func(r rune) rune {
		if unicode.IsControl(r) || unicode.Is(unicode.Cf, r) {
			return ' '
		}
		return r
	}, s)
}

// decimals is how many a figure of standard uncertainty u is written with: as
// many as show U to one digit at least, and no fewer than one.
func decimals(u float64) int {
	switch U := 2 * u; {
	case U >= 0.095 || U == 0:
		return 1
	case U >= 0.0095:
		return 2
	}
	return 3
}

// figure writes a value with its ±U and unit.
func figure(q asfound.Quantity, unit string) string {
	if !q.Known {
		return "not known"
	}
	d := decimals(q.U)
	return fmt.Sprintf("%s ±%s%s", fixed(q.Value, d), fixed(2*q.U, d), spaced(unit))
}

// signed is figure with its sign always shown.
func signed(q asfound.Quantity, unit string) string {
	s := figure(q, unit)
	if q.Known && !strings.HasPrefix(s, "-") {
		s = "+" + s
	}
	return s
}

func spaced(unit string) string {
	if unit == "°" || unit == "" {
		return unit
	}
	return " " + unit
}

// fixed writes v with d decimals, and no minus before nought.
func fixed(v float64, d int) string {
	s := fmt.Sprintf("%.*f", d, v)
	if strings.Trim(s, "-0.") == "" {
		s = strings.TrimPrefix(s, "-")
	}
	return s
}

// plain is a number as short as it can be.
func plain(v float64) string { return fmt.Sprintf("%g", math.Round(v*100)/100) }
