package stockplan

import (
	"bufio"
	"cmp"
	"encoding/csv"
	"errors"
	"fmt"
	"io"
	"slices"
	"strings"

	"pinchrod/calc/stock"
	"pinchrod/survey"
	"pinchrod/survey/sheet"
)

// rackColumns of a rack file, in the order they are told.
var rackColumns = []string{"section", "length", "price", "count", "label", "offcut"}

// mostBars is the most of one row, and mostRows the most rows: a shop that has
// more has slipped a column.
const (
	mostBars = 10_000
	mostRows = 10_000
)

// RackReport is everything wrong with a rack file, in the order of its lines. It
// is not the report of a field sheet: nothing was to be imported.
type RackReport sheet.Report

// Error lists the problems, one a line.
func (r RackReport) Error() string { return sheet.Report(r).Error() }

// Unwrap gives the problems, so that errors.Is finds any cause.
func (r RackReport) Unwrap() []error { return sheet.Report(r).Unwrap() }

// ReadRack reads what is in the shop, a CSV file (RFC 4180) in UTF-8 with a header
// row, columns in any order,
//
//	section,length,price,count,label,offcut
//
// of which length is required. A bar without a section serves every section, and may
// have no count where there are several; one without a count is there as often as it
// is wanted. An offcut without a section serves the one that needs most. A row is
// an offcut when offcut says yes, or when its price is 0 and it has a count;
// offcuts without a count are one. The file is read whole or not at all: every bad
// cell is reported, with its line and column, in one [RackReport].
func ReadRack(r io.Reader) ([]stock.Bar, error) {
	br := bufio.NewReader(r)
	if mark, err := br.Peek(3); err == nil && string(mark) == "\ufeff" {
		br.Discard(3)
	}
	k := rack{cr: csv.NewReader(br)}
	k.cr.FieldsPerRecord = -1 // counted here, for a better answer
	k.cr.ReuseRecord = true
	bars, err := k.read()
	switch {
	case err != nil:
		return nil, err
	case len(k.report) > 0:
		slices.SortStableFunc(k.report, func(a, b sheet.Problem) int {
			return cmp.Or(cmp.Compare(a.Line, b.Line), cmp.Compare(a.Column, b.Column))
		})
		return nil, RackReport(k.report)
	}
	return bars, nil
}

// rack reads a rack file, and keeps what is wrong with it.
type rack struct {
	cr     *csv.Reader
	names  []string // of the columns
	report sheet.Report
}

func (k *rack) wrong(line, column int, name string, err error) {
	k.report = append(k.report, sheet.Problem{Line: line, Column: column, Name: name, Err: err})
}

// next gives the next row that has something in it, nil at the end.
func (k *rack) next() ([]string, error) {
	for {
		cells, err := k.cr.Read()
		var pe *csv.ParseError
		switch {
		case err == io.EOF:
			return nil, nil
		case errors.As(err, &pe): // what follows a lost quote cannot be told apart
			k.wrong(pe.StartLine, 0, "", fmt.Errorf("%w do not match from here on: write inches as in, or put the cell in quotes", sheet.ErrQuotes))
			return nil, nil
		case err != nil:
			return nil, fmt.Errorf("reading the rack: %w", err)
		}
		if slices.ContainsFunc(cells, func(c string) bool { return strings.TrimSpace(c) != "" }) {
			return cells, nil
		}
	}
}

func (k *rack) read() ([]stock.Bar, error) {
	head, err := k.next()
	if err != nil || len(k.report) > 0 {
		return nil, err
	}
	if k.header(head); len(k.report) > 0 {
		return nil, nil // no row can be read without its columns
	}
	var bars []stock.Bar
	for rows := 1; ; rows++ {
		cells, err := k.next()
		if err != nil || cells == nil {
			return bars, err
		}
		line, _ := k.cr.FieldPos(0)
		if rows > mostRows {
			k.wrong(line, 0, "", fmt.Errorf("more than %d rows: this is no rack", mostRows))
			return nil, nil
		}
		bars = append(bars, k.row(line, cells))
	}
}

func (k *rack) header(head []string) {
	if len(head) == 0 {
		k.wrong(1, 0, "", fmt.Errorf("%w is missing: start the file with section,length,price,count,label", sheet.ErrHeader))
		return
	}
	line, _ := k.cr.FieldPos(0)
	for i, h := range head {
		name := strings.ToLower(strings.TrimSpace(h))
		switch {
		case !slices.Contains(rackColumns, name):
			k.wrong(line, i+1, "", fmt.Errorf("%w: unknown column %q; the columns are %s, with commas between them", sheet.ErrHeader, h, strings.Join(rackColumns, ", ")))
		case slices.Contains(k.names, name):
			k.wrong(line, i+1, "", fmt.Errorf("%w: column %q stands a second time; take one out", sheet.ErrHeader, name))
		}
		k.names = append(k.names, name)
	}
	if !slices.Contains(k.names, "length") {
		k.wrong(line, 0, "", fmt.Errorf("%w: column \"length\" is missing, and is needed", sheet.ErrHeader))
	}
}

// row reads one row, and reports all of its bad cells.
func (k *rack) row(line int, cells []string) (b stock.Bar) {
	if len(cells) != len(k.names) {
		k.wrong(line, 0, "", fmt.Errorf("%w is %d, the header has %d: write a comma for every empty cell, and numbers with a point, 6.50", sheet.ErrCells, len(cells), len(k.names)))
		return b
	}
	cell := func(name string) string {
		if i := slices.Index(k.names, name); i >= 0 {
			return strings.TrimSpace(cells[i])
		}
		return ""
	}
	check := func(name string, err error) {
		if err != nil {
			i := slices.Index(k.names, name)
			at, _ := k.cr.FieldPos(i)
			k.wrong(at, i+1, name, err)
		}
	}
	var err error
	if b.Section = cell("section"); b.Section != "" {
		_, err = parseSection(b.Section)
		check("section", err)
	}
	if cell("length") == "" {
		check("length", errors.New("is empty: write the length, such as 2400 mm, or leave the row out"))
	} else {
		b.Length, err = parseLength(cell("length"))
		check("length", err)
	}
	free := false
	if s := cell("price"); s != "" {
		b.Price, err = parsePrice(s)
		check("price", err)
		free = err == nil && b.Price == 0
	}
	if s := cell("count"); s != "" {
		b.Count, err = parseCount(s)
		check("count", err)
	}
	switch s := strings.ToLower(cell("offcut")); s {
	case "yes":
		b.Offcut, b.Count = true, max(b.Count, 1)
	case "no", "":
		b.Offcut = s == "" && free && b.Count > 0
		if free && !b.Offcut {
			check("price", errors.New("a price of 0: leave it empty where there is no price; an offcut says yes, or has a count"))
		}
	default:
		check("offcut", fmt.Errorf("%q: write yes, or nothing", cell("offcut")))
	}
	b.Label, err = survey.ParseWord(cell("label"))
	check("label", err)
	return b
}
