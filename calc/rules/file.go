package rules

import (
	"bytes"
	"encoding/csv"
	"errors"
	"fmt"
	"math"
	"slices"
	"strings"
	"unicode"
	"unicode/utf8"
)

// columns of a profile, in the order they are written. The last two may be left
// out.
var columns = []string{"stair", "what", "low", "high", "unit", "document", "clause", "edition", "seen", "clause-seen", "note"}

const needed = 9

// What is wrong with a profile as a whole.
var (
	ErrHeader = errors.New("header row")
	ErrCells  = errors.New("number of cells")
	ErrQuotes = errors.New("quotes")
	ErrEmpty  = errors.New("empty")
	ErrText   = errors.New("text")
	ErrTwice  = errors.New("stands twice")
)

// Problem is one thing wrong with a profile.
type Problem struct {
	Line   int    // from 1
	Column int    // from 1, counted in cells; 0 for the whole row
	Name   string // the column's name, where it has one
	Err    error  // what was wrong and what would be right
}

// Error gives the problem with its place.
func (p Problem) Error() string {
	switch {
	case p.Column == 0:
		return fmt.Sprintf("line %d: %v", p.Line, p.Err)
	case p.Name == "":
		return fmt.Sprintf("line %d, column %d: %v", p.Line, p.Column, p.Err)
	}
	return fmt.Sprintf("line %d, column %d (%s): %v", p.Line, p.Column, p.Name, p.Err)
}

// Unwrap gives the cause.
func (p Problem) Unwrap() error { return p.Err }

// Report is everything wrong with a profile, in the order of its lines.
type Report []Problem

// Error lists the problems, one a line.
func (r Report) Error() string {
	lines := make([]string, len(r))
	for i, p := range r {
		lines[i] = p.Error()
	}
	return strings.Join(lines, "\n")
}

// Unwrap gives the problems, so that errors.Is finds any cause.
func (r Report) Unwrap() []error {
	errs := make([]error, len(r))
	for i := range r {
		errs[i] = r[i]
	}
	return errs
}

// Parse reads a profile: CSV by RFC 4180 in UTF-8 with a header row, columns in
// any order,
//
//	stair,what,low,high,unit,document,clause,edition,seen,clause-seen,note
//
// of which clause-seen (empty: as seen) and note may be left out. Stair is a
// [Stair], what one of [Quantities], seen READ or MEM. Low and high are written as
// in the document (150, 7 3/4, 6 ft 8, 1 in 50), in mm, m, in, deg, slope or
// count, with no figure at an end that has no limit; a sixteenth of an inch and
// finer is rounded to a micrometre. A quantity stands once for each stair.
//
// Name is what the profile is called on a page. The error is a [Report] of every
// bad cell, and of a bad name as of line 1.
func Parse(name string, data []byte) (Profile, error) {
	p := Profile{Name: name, Title: name}
	s := scanner{line: 1, cr: csv.NewReader(bytes.NewReader(bytes.TrimPrefix(data, []byte("\ufeff"))))}
	s.cr.FieldsPerRecord = -1 // counted here, for a better answer
	if _, err := words(name); err != nil {
		s.wrong(0, "", fmt.Errorf("name of the profile: %w", err))
	} else if name == "" {
		s.wrong(0, "", fmt.Errorf("name of the profile is %w: a page has to name it", ErrEmpty))
	}
	head, err := s.cr.Read()
	switch {
	case s.quotes(err):
	case err != nil: // the end, as bytes cannot fail otherwise
		s.wrong(0, "", fmt.Errorf("%w is missing: start with %s", ErrHeader, strings.Join(columns, ",")))
	default:
		s.header(head)
	}
	if len(s.report) > 0 {
		return Profile{}, s.report // no row can be read without its columns
	}
	for {
		cells, err := s.cr.Read()
		if err != nil {
			s.quotes(err)
			break
		}
		s.line, _ = s.cr.FieldPos(0)
		if !slices.ContainsFunc(cells, func(c string) bool { return strings.TrimSpace(c) != "" }) {
			continue // a blank row of a spreadsheet
		}
		if l, ok := s.row(cells); ok {
			p.Limits = append(p.Limits, l)
		}
	}
	if len(s.report) == 0 && len(p.Limits) == 0 {
		s.wrong(0, "", fmt.Errorf("profile is %w: write a row for every figure under the header", ErrEmpty))
	}
	if len(s.report) > 0 {
		return Profile{}, s.report
	}
	return p, nil
}

// CSV writes the profile as a file that [Parse] reads as the same limits.
func (p Profile) CSV() []byte {
	var b bytes.Buffer
	w := csv.NewWriter(&b) // a buffer does not fail
	w.Write(columns)
	for _, l := range p.Limits {
		w.Write([]string{
			string(l.Stair), string(l.What), l.LowAs, l.HighAs, l.As,
			l.Document, l.Clause, l.Edition, string(l.Seen), string(l.ClauseSeen), l.Note,
		})
	}
	w.Flush()
	return b.Bytes()
}

type scanner struct {
	cr     *csv.Reader
	line   int
	names  []string // the column's name by its number
	first  map[key]int
	report Report
}

type key struct {
	stair Stair
	what  What
}

func (s *scanner) wrong(column int, name string, err error) {
	s.report = append(s.report, Problem{s.line, column, name, err})
}

// quotes reports quotes that do not match. What follows cannot be told apart, so
// reading ends there.
func (s *scanner) quotes(err error) bool {
	var pe *csv.ParseError
	if !errors.As(err, &pe) {
		return false
	}
	s.line = pe.StartLine
	s.wrong(0, "", fmt.Errorf("%w do not match from here on: put a cell that holds a quote or a comma in quotes, and write a quote inside it twice", ErrQuotes))
	return true
}

func (s *scanner) header(head []string) {
	if len(head) == 1 && strings.ContainsAny(head[0], ";\t") {
		s.wrong(0, "", fmt.Errorf("%w is not separated by commas: save the file as CSV with commas", ErrHeader))
		return
	}
	for i, h := range head {
		name := strings.ToLower(strings.TrimSpace(h))
		switch first := slices.Index(s.names, name); {
		case !slices.Contains(columns, name):
			s.wrong(i+1, "", fmt.Errorf("%w: unknown column %q; the columns are %s", ErrHeader, h, strings.Join(columns, ", ")))
		case first >= 0:
			s.wrong(i+1, name, fmt.Errorf("%w: column %w, first as column %d: take one out", ErrHeader, ErrTwice, first+1))
		}
		s.names = append(s.names, name)
	}
	for _, name := range columns[:needed] {
		if !slices.Contains(s.names, name) {
			s.wrong(0, "", fmt.Errorf("%w: column %q is missing; %s are needed", ErrHeader, name, strings.Join(columns[:needed], ", ")))
		}
	}
	s.first = map[key]int{}
}

// row reads one row, and reports all of its bad cells.
func (s *scanner) row(cells []string) (l Limit, ok bool) {
	before := len(s.report)
	if len(cells) != len(s.names) {
		mend := "put a cell that holds a comma in quotes, and write numbers with a point"
		if len(cells) < len(s.names) {
			mend = "write a comma for every empty cell"
		}
		s.wrong(0, "", fmt.Errorf("%w is %d, the header has %d: %s", ErrCells, len(cells), len(s.names), mend))
		return l, false
	}
	cell := func(name string) string {
		if i := slices.Index(s.names, name); i >= 0 {
			return strings.TrimSpace(cells[i])
		}
		return ""
	}
	check := func(name string, err error) {
		if err != nil {
			s.wrong(slices.Index(s.names, name)+1, name, err)
		}
	}
	text := func(name string, must bool) string {
		t, err := words(cell(name))
		if t == "" && err == nil && must {
			err = fmt.Errorf("%w: every figure names its %s; write %q where nobody knows it", ErrEmpty, name, NotNoted)
		}
		check(name, err)
		return t
	}
	seen := func(name string) Seen {
		c := Seen(strings.ToUpper(cell(name)))
		if c != Read && c != Memory {
			check(name, fmt.Errorf("%w %q: write %s where it was read, %s where it is from memory", ErrText, cell(name), Read, Memory))
		}
		return c
	}

	var err error
	l.Stair, err = ParseStair(cell("stair"))
	check("stair", err)
	s.limit(&l, cell, check)
	l.Document, l.Clause, l.Edition = text("document", true), text("clause", true), text("edition", true)
	l.Seen = seen("seen")
	if l.ClauseSeen = l.Seen; cell("clause-seen") != "" {
		l.ClauseSeen = seen("clause-seen")
	}
	l.Note = text("note", false)

	if len(s.report) == before {
		k := key{l.Stair, l.What}
		if first := s.first[k]; first > 0 {
			s.wrong(0, "", fmt.Errorf("%s of stair %s %w, first on line %d: take one out", k.what, k.stair, ErrTwice, first))
		} else {
			s.first[k] = s.line
		}
	}
	ok = len(s.report) == before
	// Cells were checked in the order they depend on each other.
	slices.SortStableFunc(s.report[before:], func(a, b Problem) int { return a.Column - b.Column })
	return l, ok
}

// limit reads the quantity with its ends.
func (s *scanner) limit(l *Limit, cell func(string) string, check func(string, error)) {
	q := quantityOf(What(strings.ToLower(cell("what"))))
	if q == nil {
		check("what", fmt.Errorf("%w %q: write %s", ErrQuantity, cell("what"), list(Quantities())))
		return
	}
	l.What, l.As = q.what, strings.ToLower(cell("unit"))
	if known := units[q.measure].written; !slices.Contains(known, l.As) {
		check("unit", fmt.Errorf("%w %q of %s: write %s", ErrUnit, cell("unit"), q.what, list(known)))
		return
	}
	before := len(s.report)
	end := func(name string, none float64, must bool) (float64, string) {
		if cell(name) == "" {
			if must {
				check(name, fmt.Errorf("%w: %s has none here, and %s", ErrEnds, q.what, q.ends))
			}
			return none, ""
		}
		v, as, err := q.parse(cell(name), l.As)
		check(name, err)
		return v, as
	}
	l.Low, l.LowAs = end("low", math.Inf(-1), q.ends == needLow || q.ends == needBoth)
	l.High, l.HighAs = end("high", math.Inf(1), q.ends == needHigh || q.ends == needBoth)
	switch {
	case len(s.report) > before:
	case l.LowAs == "" && l.HighAs == "":
		check("low", fmt.Errorf("%w: %s has none at either end: write one at least", ErrEnds, q.what))
	case l.Low > l.High:
		check("low", fmt.Errorf("%w: low is above high: exchange %s and %s", ErrEnds, l.LowAs, l.HighAs))
	}
}

// String says what a limit must have.
func (e ends) String() string {
	switch e {
	case needLow:
		return "rules say the least it may be: write that figure under low"
	case needHigh:
		return "rules say the most it may be: write that figure under high"
	case needBoth:
		return "a difference goes both ways: write both ends, such as -5 and 5"
	}
	return "one end will do"
}

// maxText bounds a cell of words: a page gives it a line or two.
const maxText = 300

// words refuses what would swamp a page or play with the terminal it is shown on.
func words(s string) (string, error) {
	if !utf8.ValidString(s) {
		return "", fmt.Errorf("%w %q is not UTF-8: save the file as UTF-8", ErrText, s)
	}
	if n := utf8.RuneCountInString(s); n > maxText {
		return "", fmt.Errorf("%w is of %d characters: at most %d", ErrText, n, maxText)
	}
	for _, r := range s {
		if !unicode.IsPrint(r) {
			return "", fmt.Errorf("%w %q holds %U, which does not print: take it out", ErrText, s, r)
		}
	}
	return s, nil
}
