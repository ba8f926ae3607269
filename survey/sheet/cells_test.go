package sheet

import (
	"bytes"
	"errors"
	"fmt"
	"io"
	"slices"
	"strings"
	"testing"
	"testing/iotest"

	"github.com/google/go-cmp/cmp"
	"github.com/google/go-cmp/cmp/cmpopts"

	"pinchrod/calc/unit"
	"pinchrod/survey"
)

// Nothing of a row is lost, whatever the order of its cells; and it is written
// as it was read.
func TestEveryCell(t *testing.T) {
	want := []survey.Reading{{
		Where: "F1/left", What: survey.Run, Height: 350 * unit.Millimetre,
		Value: survey.Quantity{Measure: survey.Length, N: [3]int64{1254500}}, Text: "1254.5 mm",
		U: 700_000, Tool: "laser", By: "AB", When: "2026-11-25 14:30", Note: "over the carpet",
	}, {
		Where: "F1/right", What: survey.LeanAlong, At: survey.At{Mark: survey.Upper},
		Value: survey.Quantity{Measure: survey.Lean, N: [3]int64{-3000, 900_000}}, Text: "-3 mm in 900 mm", Tool: "level", By: "CD",
	}}
	cells := [][]string{
		strings.Split("where,what,at,height,value,u,tool,by,when,note", ","),
		strings.Split("F1/left,run,,350,1254.5 mm,0.7,laser,AB,2026-11-25 14:30,over the carpet", ","),
		strings.Split("F1/right,lean-along,upper,,-3 mm in 900 mm,,level,CD,,", ","),
	}
	for turn := range cells[0] { // each column is the first once
		name, s := cells[0][turn]+" first", ""
		for _, row := range cells {
			turned := append(slices.Clone(row[turn:]), row[:turn]...)
			s += strings.Join(turned, ",") + "\n"
		}
		rows := read(t, s)
		if diff := cmp.Diff(want, rows, cmpopts.IgnoreUnexported(survey.At{})); diff != "" {
			t.Errorf("%s (-want +got):\n%s", name, diff)
		}
		var out bytes.Buffer
		if err := Write(&out, rows); err != nil {
			t.Fatal(err)
		}
		const sheet = "where,what,at,height,value,u,tool,by,when,note\n" +
			"F1/left,run,,350,1254.5 mm,0.7,laser,AB,2026-11-25 14:30,over the carpet\n" +
			"F1/right,lean-along,upper,,-3 mm in 900 mm,,level,CD,,\n"
		if got := out.String(); got != sheet {
			t.Errorf("%s: written as\n%swant\n%s", name, got, sheet)
		}
	}
}

// A bad cell of every column is reported alone, with its own line and column:
// here each stands below a note of three lines, in columns of another order.
func TestEveryBadCell(t *testing.T) {
	order := []string{"note", "value", "by", "at", "where", "tool", "what", "u", "height", "when"}
	good := map[string]string{
		"note": "three\nlines\nof it", "value": "1254", "by": "AB", "at": "", "where": "F1/left",
		"tool": "tape", "what": "run", "u": "0.5", "height": "350", "when": "2026-11-25",
	}
	for name, tt := range map[string]struct {
		cell string
		want error
	}{
		"value":  {"12,54", unit.ErrComma},
		"by":     {strings.Repeat("who", 30), survey.ErrTooLong},
		"at":     {"top", survey.ErrAt},
		"where":  {"F1", survey.ErrPlace},
		"tool":   {"yardstick", survey.ErrTool},
		"what":   {"runn", survey.ErrWhat},
		"u":      {"0,5", unit.ErrComma},
		"height": {"9000", survey.ErrAbsurd},
		"when":   {"yesterday", survey.ErrWhen},
		"note":   {"three\nlines\n" + strings.Repeat("of it ", 400), survey.ErrTooLong},
	} {
		cells := make([]string, len(order))
		column := 0
		for i, c := range order {
			cells[i] = good[c]
			if c == name {
				cells[i], column = tt.cell, i+1
			}
			cells[i] = `"` + cells[i] + `"`
		}
		line := 6 // the row begins on line 4, and its note has three lines
		if name == "note" {
			line = 4
		}
		const blank = "\n\"\",,,,,,,,,\n,,,,,,,,,\n" // two rows of a spreadsheet
		sheet := strings.Join(order, ",") + blank + strings.Join(cells, ",") + "\n"
		_, err := Read(strings.NewReader(sheet), survey.HouseKit)
		var report Report
		if !errors.As(err, &report) {
			t.Errorf("%s: %v, want a report", name, err)
			continue
		}
		got := report[len(report)-1]
		if len(report) != 1 || got.Line != line || got.Column != column || got.Name != name || !errors.Is(got, tt.want) {
			t.Errorf("%s: %v; want %v alone, at line %d, column %d", name, err, tt.want, line, column)
		}
		if want := fmt.Sprintf("line %d, column %d (%s): ", line, column, name); !strings.HasPrefix(err.Error(), want) {
			t.Errorf("%s: %q does not begin %q", name, err, want)
		}
	}
}

// Rows, columns and lost quotes are reported at their place too, in words that
// say what to write.
func TestPlacesInWords(t *testing.T) {
	for name, tt := range map[string]struct {
		sheet string
		want  []string // each line of the report, how it begins or what it says
	}{
		"a column nobody knows": {"where,what,colour,value,shade\n", []string{
			`line 1, column 3: header row: unknown column "colour"; the columns are where, what, at, `, `line 1, column 5: header row: unknown column "shade"`}},
		"a column twice": {"where,what,value,What\n", []string{
			`line 1, column 4: header row: column "what" stands a second time, first as column 2; take one out`}},
		"columns missing": {"at,height\n", []string{
			`line 1: header row: column "where" is missing; where, what and value are needed`, `column "what" is missing`, `column "value" is missing`}},
		"semicolons": {"where;what;value\n", []string{"line 1: header row is separated by semicolons: save the sheet as CSV with commas"}},
		"semicolons in one of several columns": {"where,what;value,value\n", []string{
			`line 1, column 2: header row: unknown column "what;value"`, `line 1: header row: column "what" is missing`}},
		"tabs":    {"where\twhat\tvalue\n", []string{"line 1: header row is separated by tabs: save"}},
		"nothing": {"", []string{"line 1: header row is missing: the sheet is empty; start it with where,what,value"}},
		"a cell too few": {"where,what,value\nF1/left,run\n", []string{
			"line 2: number of cells is 2, the header has 3: write a comma for every empty cell"}},
		"a cell too many": {"where,what,value\nF1/left,run,812,5\n", []string{
			"line 2: number of cells is 4, the header has 3: put a cell that holds a comma in quotes"}},
		"a cell too few below a row of three lines": {"where,what,value,note\nF1/left,run,1254,\"a\nb\nc\"\nF1/left,run\n", []string{
			"line 5: number of cells is 2, the header has 4: "}},
		"no column at":               {"where,what,value\nF1/left,gap,812\n", []string{"line 2: column at is missing, and gap needs it: "}},
		"two bad cells":              {"where,what,value\nF9,run,-5\n", []string{"line 2, column 1 (where): ", "line 2, column 3 (value): "}},
		"a kind and a place":         {"value,what,where\n812,gasp,!\n", []string{"line 2, column 2 (what): ", "line 2, column 3 (where): "}},
		"a lost quote in the header": {"where,what,\"val\"ue\n", []string{"line 1: quotes do not match from here on: "}},
		"a lost quote": {"where,what,value\nF1/left,run,9\nF1/left,run,\"12\"54\nF1/left,run,1254\n", []string{
			"line 2, column 3 (value): ", "line 3: quotes do not match from here on: put a cell that holds a quote or a comma in quotes"}},
	} {
		_, err := Read(strings.NewReader(tt.sheet), survey.HouseKit)
		if err == nil {
			t.Errorf("%s: no error", name)
			continue
		}
		var report Report
		if errors.As(err, &report) {
			for _, p := range report {
				if p.Column == 0 && p.Name != "" {
					t.Errorf("%s: what is wrong with a whole row names column %q", name, p.Name)
				}
			}
		}
		got := strings.Split(err.Error(), "\n")
		same := len(got) == len(tt.want)
		for i := range tt.want {
			same = same && (strings.HasPrefix(got[i], tt.want[i]) || i > 0 && strings.Contains(got[i], tt.want[i]))
		}
		if !same {
			t.Errorf("%s: the report is\n%s\nwant\n%s", name, err, strings.Join(tt.want, "\n"))
		}
	}
}

// What the reader or the writer itself meets is no fault of the sheet.
func TestBrokenLine(t *testing.T) {
	broken := errors.New("the card was pulled out")
	for _, part := range []string{"", "where,wh", "where,what,value\n", "where,what,value\nF1/left,run,12"} {
		_, err := Read(io.MultiReader(strings.NewReader(part), iotest.ErrReader(broken)), survey.HouseKit)
		var report Report
		if !errors.Is(err, broken) || errors.As(err, &report) || !strings.HasPrefix(err.Error(), "reading the sheet: ") {
			t.Errorf("after %q: %v, want %v and no report", part, err, broken)
		}
	}
	rows := make([]survey.Reading, 200)
	for i := range rows {
		rows[i] = survey.Reading{Where: "F1/left", What: survey.Run, Value: survey.Quantity{Measure: survey.Length, N: [3]int64{1254000}}, Text: "1254"}
	}
	for _, n := range []int{1, 200} { // what fits the buffer, and what does not
		if err := Write(failing{broken}, rows[:n]); !errors.Is(err, broken) || !strings.HasPrefix(err.Error(), "writing the sheet: ") {
			t.Errorf("writing %d rows: %v, want %v", n, err, broken)
		}
	}
	rows[1].What = "sag"
	if err := Write(io.Discard, rows); !errors.Is(err, survey.ErrNewer) {
		t.Errorf("a kind of tomorrow: %v, want ErrNewer", err)
	}
	rows = rows[:1]
	rows[0].Text = "1255" // it is not what the value says
	var out bytes.Buffer
	if err := Write(&out, rows); err != nil || !strings.Contains(out.String(), ",1254 mm,") {
		t.Errorf("%v\n%swant the value", err, out.String())
	}
}

type failing struct{ err error }

func (f failing) Write([]byte) (int, error) { return 0, f.err }
