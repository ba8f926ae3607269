// Package lines writes pages of text: lines no wider than a style allows, on a
// terminal or on paper.
package lines

import (
	"io"
	"regexp"
	"slices"
	"strings"
	"unicode"
	"unicode/utf8"
)

// Style is how a page may look.
type Style struct {
	Width  int  // columns; 0 means 80
	Colour bool // bold, struck through and colour by escape sequences
}

// leastWidth keeps a page from falling apart altogether.
const leastWidth = 24

// Writer writes lines no wider than its style. The first error of what it writes
// to stops it.
type Writer struct {
	Style Style
	w     io.Writer
	err   error
}

// New begins a page.
func New(w io.Writer, s Style) *Writer {
	if s.Width <= 0 {
		s.Width = 80
	}
	s.Width = max(s.Width, leastWidth)
	return &Writer{Style: s, w: w}
}

// Err is the first error.
func (p *Writer) Err() error { return p.err }

// Line writes a line as it is, spaces at its end left out.
func (p *Writer) Line(s string) {
	if p.err == nil {
		_, p.err = io.WriteString(p.w, strings.TrimRight(s, " ")+"\n")
	}
}

// Blank writes an empty line.
func (p *Writer) Blank() { p.Line("") }

// Para wraps text behind a hanging indent: first leads the first line, and the
// rest stand under its end.
func (p *Writer) Para(first, text string) {
	indent := strings.Repeat(" ", Width(first))
	lead := first
	for _, l := range Wrap(Clean(text), p.Style.Width-Width(first)) {
		p.Line(lead + l)
		lead = indent
	}
}

// Heading is a line that stands out.
func (p *Writer) Heading(s string) {
	for _, l := range Wrap(Clean(s), p.Style.Width) {
		p.Line(p.Bold(l))
	}
}

// What a terminal can do to text, by its code (ECMA-48, 8.3.117, from memory).
const (
	Bold   = "1"
	Struck = "9"
	Red    = "31;1"
	Yellow = "33;1"
)

// Render gives text as a terminal is to show it, where the style lets it.
func (p *Writer) Render(code, s string) string {
	if !p.Style.Colour || s == "" {
		return s
	}
	return "\x1b[" + code + "m" + s + "\x1b[0m"
}

// Bold is text that stands out.
func (p *Writer) Bold(s string) string { return p.Render(Bold, s) }

// Width counts the columns of s, its escape sequences left out. What the trade
// writes takes one column a character; combining marks take none.
func Width(s string) int {
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

// Pad fills s with spaces to n columns.
func Pad(s string, n int) string { return s + strings.Repeat(" ", max(0, n-Width(s))) }

var isFraction = regexp.MustCompile(`^[0-9]+/[0-9]+\b`)

// glued splits text into words, a figure with its ± and its unit being one, and
// whole inches with their fraction.
func glued(text string) []string {
	var words []string
	for _, w := range strings.Fields(text) {
		last := len(words) - 1
		unit := strings.HasPrefix(w, "±") || slices.Contains([]string{"mm", "mm/m", "in"}, strings.TrimRight(w, ".,:;)"))
		part := isFraction.MatchString(w) // of an inch, behind the whole ones
		if (unit || part) && last >= 0 && strings.ContainsAny(words[last][len(words[last])-1:], "0123456789") {
			words[last] += " " + w
			continue
		}
		words = append(words, w)
	}
	return words
}

// leastWrap is how narrow a text is wrapped, however little room there is.
const leastWrap = 8

// Wrap breaks text between its words into lines of at most n columns; a word
// that is longer is cut.
func Wrap(text string, n int) []string {
	n = max(n, leastWrap)
	var out []string
	line := ""
	for _, word := range glued(text) {
		for Width(word) > n {
			if line != "" {
				out, line = append(out, line), ""
			}
			cut := 0
			for range n {
				_, size := utf8.DecodeRuneInString(word[cut:])
				cut += size
			}
			out, word = append(out, word[:cut]), word[cut:]
		}
		switch {
		case line == "":
			line = word
		case Width(line)+1+Width(word) <= n:
			line += " " + word
		default:
			out, line = append(out, line), word
		}
	}
	return append(out, line)
}

// Clean makes text from a sheet or from another device safe to show: control
// characters, which could move the cursor or hide a line, become spaces.
func Clean(s string) string {
	return strings.Map(func(r rune) rune {
		if unicode.IsControl(r) || unicode.Is(unicode.Cf, r) {
			return ' '
		}
		return r
	}, s)
}

// Sentence is text that begins with a capital and ends with one full stop.
func Sentence(s string) string {
	if s == "" {
		return s
	}
	_, n := utf8.DecodeRuneInString(s)
	return strings.ToUpper(s[:n]) + strings.TrimSuffix(s[n:], ".") + "."
}
