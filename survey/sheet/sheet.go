// Package sheet reads and writes the field sheet: CSV by RFC 4180 in UTF-8
// with a header row, columns in any order,
//
//	where,what,at,height,value,u,tool,by,when,note
//
// of which where, what and value are required. A byte-order mark, CRLF and
// newlines inside quotes are taken. A sheet is read whole or not at all: every
// bad cell is reported, with its line and column, in one [Report].
package sheet

import (
	"bufio"
	"cmp"
	"encoding/csv"
	"errors"
	"fmt"
	"io"
	"slices"
	"strings"

	"pinchrod/survey"
)

// columns of the sheet, in the order they are written.
var columns = []string{"where", "what", "at", "height", "value", "u", "tool", "by", "when", "note"}

// Problem is one thing wrong with a sheet.
type Problem struct {
	Line   int    // from 1; of a quoted cell over several lines, its first
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

// Report is everything wrong with a sheet, in the order of its lines.
type Report []Problem

// Error lists the problems, one a line.
func (r Report) Error() string {
	var b strings.Builder
	for i, p := range r {
		if i > 0 {
			b.WriteByte('\n')
		}
		b.WriteString(p.Error())
	}
	return b.String()
}

// Unwrap gives the problems, so that errors.Is finds any cause.
func (r Report) Unwrap() []error {
	errs := make([]error, len(r))
	for i := range r {
		errs[i] = r[i]
	}
	return errs
}

// What is wrong with a sheet as a whole.
var (
	ErrHeader = errors.New("header row")
	ErrCells  = errors.New("number of cells")
	ErrQuotes = errors.New("quotes")
)

// Read reads a sheet. Tools must be in kit. The error is a [Report] when the
// sheet is at fault, else it is the reader's own.
func Read(r io.Reader, kit survey.Kit) ([]survey.Reading, error) {
	br := bufio.NewReader(r)
	if mark, err := br.Peek(3); err == nil && string(mark) == "\ufeff" {
		br.Discard(3)
	}
	cr := csv.NewReader(br)
	cr.FieldsPerRecord = -1 // counted here, for a better answer
	cr.ReuseRecord = true

	head, err := cr.Read()
	if err == io.EOF {
		return nil, Report{{1, 0, "", fmt.Errorf("%w is missing: the sheet is empty; start it with where,what,value", ErrHeader)}}
	}
	if err != nil {
		return nil, quotes(cr, err)
	}
	s := scanner{kit: kit, names: make([]string, len(head))}
	s.header(head)
	if len(s.report) > 0 {
		return nil, s.report // no row can be read without its columns
	}
	var rows []survey.Reading
	for {
		cells, err := cr.Read()
		if err == io.EOF {
			break
		}
		if err != nil {
			err = quotes(cr, err)
			var more Report
			if !errors.As(err, &more) {
				return nil, err
			}
			return nil, append(s.sorted(), more...)
		}
		if !slices.ContainsFunc(cells, func(c string) bool { return strings.TrimSpace(c) != "" }) {
			continue // a blank row of a spreadsheet
		}
		if row, ok := s.row(cr, cells); ok {
			rows = append(rows, row)
		}
	}
	if len(s.report) > 0 {
		return nil, s.sorted()
	}
	return rows, nil
}

// quotes turns the CSV reader's complaint into a report. What follows a lost
// quote cannot be told apart, so reading ends there.
func quotes(cr *csv.Reader, err error) error {
	var pe *csv.ParseError
	if !errors.As(err, &pe) {
		return fmt.Errorf("reading the sheet: %w", err)
	}
	return Report{{pe.StartLine, 0, "", fmt.Errorf("%w do not match from here on: put a cell that holds a quote or a comma in quotes, and write a quote inside it twice; inches may be written in", ErrQuotes)}}
}

type scanner struct {
	kit    survey.Kit
	names  []string // the column's name by its number
	report Report
	line   int
}

func (s *scanner) wrong(column int, name string, err error) {
	s.report = append(s.report, Problem{s.line, column, name, err})
}

// sorted is the report in the order of lines and columns, which is not the
// order that cells are read in: the kind comes first.
func (s *scanner) sorted() Report {
	slices.SortStableFunc(s.report, func(a, b Problem) int {
		return cmp.Or(cmp.Compare(a.Line, b.Line), cmp.Compare(a.Column, b.Column))
	})
	return s.report
}

func (s *scanner) header(head []string) {
	s.line = 1
	if len(head) == 1 {
		for _, sep := range []struct{ mark, name string }{{";", "semicolons"}, {"\t", "tabs"}} {
			if strings.Contains(head[0], sep.mark) {
				s.wrong(0, "", fmt.Errorf("%w is separated by %s: save the sheet as CSV with commas", ErrHeader, sep.name))
				return
			}
		}
	}
	seen := map[string]int{}
	for i, h := range head {
		name := strings.ToLower(strings.TrimSpace(h))
		switch first, twice := seen[name]; {
		case !slices.Contains(columns, name):
			s.wrong(i+1, "", fmt.Errorf("%w: unknown column %q; the columns are %s", ErrHeader, h, strings.Join(columns, ", ")))
		case twice:
			s.wrong(i+1, "", fmt.Errorf("%w: column %q stands a second time, first as column %d; take one out", ErrHeader, name, first))
		}
		seen[name] = i + 1
		s.names[i] = name
	}
	for _, name := range []string{"where", "what", "value"} {
		if seen[name] == 0 {
			s.wrong(0, "", fmt.Errorf("%w: column %q is missing; where, what and value are needed", ErrHeader, name))
		}
	}
}

// row reads one row, and reports all of its bad cells.
func (s *scanner) row(cr *csv.Reader, cells []string) (r survey.Reading, ok bool) {
	s.line, _ = cr.FieldPos(0)
	before := len(s.report)
	if len(cells) != len(s.names) {
		mend := "put a cell that holds a comma in quotes, and write numbers with a point, 812.5"
		if len(cells) < len(s.names) {
			mend = "write a comma for every empty cell"
		}
		s.wrong(0, "", fmt.Errorf("%w is %d, the header has %d: %s", ErrCells, len(cells), len(s.names), mend))
		return r, false
	}
	cell := map[string]string{}
	column := map[string]int{}
	for i, c := range cells {
		cell[s.names[i]] = strings.TrimSpace(c)
		column[s.names[i]] = i + 1
	}
	check := func(name string, err error) {
		if err != nil {
			s.line, _ = cr.FieldPos(column[name] - 1)
			s.wrong(column[name], name, err)
		}
	}
	var err error
	kind, err := survey.KindOf(cell["what"])
	check("what", err)
	if kind != nil {
		r.What, r.Text = kind.What, cell["value"]
		r.Where, err = kind.ParseWhere(cell["where"])
		check("where", err)
		r.Value, err = kind.ParseValue(cell["value"])
		check("value", err)
		if column["at"] > 0 {
			r.At, err = kind.ParseAt(cell["at"])
			check("at", err)
		} else if r.At, err = kind.ParseAt(""); err != nil {
			s.wrong(0, "", fmt.Errorf("column at is missing, and %s needs it: %w", kind.What, err))
		}
		if column["height"] > 0 {
			r.Height, err = kind.ParseHeight(cell["height"])
			check("height", err)
		}
		if column["u"] > 0 {
			r.U, err = kind.ParseU(cell["u"])
			check("u", err)
		}
	} else { // the place can be wrong as well
		_, err = survey.ParsePlace(cell["where"])
		check("where", err)
	}
	if name := cell["tool"]; name != "" {
		t, err := s.kit.Tool(name)
		check("tool", err)
		r.Tool = t.Name
	}
	r.By, err = survey.ParseWord(cell["by"])
	check("by", err)
	r.When, err = survey.ParseWhen(cell["when"])
	check("when", err)
	r.Note, err = survey.ParseNote(cell["note"])
	check("note", err)
	return r, len(s.report) == before
}

// Write writes readings as a sheet that [Read] reads as the same readings.
// Values stand as they were typed.
func Write(w io.Writer, rows []survey.Reading) error {
	cw := csv.NewWriter(w)
	if err := cw.Write(columns); err != nil {
		return fmt.Errorf("writing the sheet: %w", err)
	}
	for i := range rows {
		r := &rows[i]
		k := r.Kind()
		if k == nil {
			return fmt.Errorf("writing the sheet: %s: %w", r.What, survey.ErrNewer)
		}
		text, height := r.Text, ""
		if q, err := k.ParseValue(text); err != nil || q != r.Value {
			text = r.Value.String()
		}
		if k.Height {
			height = strings.TrimSuffix(r.Height.String(), " mm")
		}
		if err := cw.Write([]string{string(r.Where), string(r.What), r.At.String(), height, text, k.FormatU(r.U), r.Tool, r.By, r.When, r.Note}); err != nil {
			return fmt.Errorf("writing the sheet: %w", err)
		}
	}
	cw.Flush()
	if err := cw.Error(); err != nil {
		return fmt.Errorf("writing the sheet: %w", err)
	}
	return nil
}
