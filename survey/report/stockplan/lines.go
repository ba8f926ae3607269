package stockplan

import (
	"fmt"
	"io"
	"strings"
	"unicode/utf8"

	"pinchrod/survey/report"
)

// lines writes lines no wider than a style allows, as the cutting sheet does. The
// first error of the writer stops it.
type lines struct {
	w     io.Writer
	style report.Style
	err   error
}

// leastWidth keeps a page from falling apart, and below narrowWidth the columns
// of a table do not fit.
const (
	leastWidth  = 24
	narrowWidth = 78
)

func newLines(w io.Writer, s report.Style) *lines {
	if s.Width <= 0 {
		s.Width = 80
	}
	s.Width = max(s.Width, leastWidth)
	return &lines{w: w, style: s}
}

func (p *lines) narrow() bool { return p.style.Width < narrowWidth }

func (p *lines) line(s string) {
	if p.err == nil {
		_, p.err = io.WriteString(p.w, strings.TrimRight(s, " ")+"\n")
	}
}

func (p *lines) blank() { p.line("") }

func (p *lines) bold(s string) string {
	if !p.style.Colour {
		return s
	}
	return "\x1b[1m" + s + "\x1b[0m"
}

func (p *lines) heading(s string) {
	for _, l := range wrap(report.Clean(s), p.style.Width) {
		p.line(p.bold(l))
	}
}

// para wraps text behind a hanging indent.
func (p *lines) para(first, text string) {
	n := utf8.RuneCountInString(first)
	for i, l := range wrap(report.Clean(text), p.style.Width-n) {
		if i > 0 {
			first = strings.Repeat(" ", n)
		}
		p.line(first + l)
	}
}

// labelled is a line with a word in the left column.
func (p *lines) labelled(label, text string) {
	if p.narrow() {
		p.para("  ", label+": "+text)
		return
	}
	p.para(fmt.Sprintf("  %-10s ", label), text)
}

// wrap breaks text between its words into lines of at most n characters; a word
// that is longer is cut.
func wrap(text string, n int) []string {
	n = max(n, 8)
	var out []string
	line := ""
	for _, word := range strings.Fields(text) {
		for utf8.RuneCountInString(word) > n {
			if line != "" {
				out, line = append(out, line), ""
			}
			r := []rune(word)
			out, word = append(out, string(r[:n])), string(r[n:])
		}
		switch {
		case line == "":
			line = word
		case utf8.RuneCountInString(line)+1+utf8.RuneCountInString(word) <= n:
			line += " " + word
		default:
			out, line = append(out, line), word
		}
	}
	return append(out, line)
}
