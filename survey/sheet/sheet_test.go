package sheet

import (
	"bytes"
	"errors"
	"fmt"
	"os"
	"path/filepath"
	"strings"
	"testing"

	"github.com/google/go-cmp/cmp"
	"github.com/google/go-cmp/cmp/cmpopts"

	"pinchrod/calc/unit"
	"pinchrod/survey"
)

func read(t *testing.T, s string) []survey.Reading {
	t.Helper()
	rows, err := Read(strings.NewReader(s), survey.HouseKit)
	if err != nil {
		t.Fatalf("Read: %v", err)
	}
	return rows
}

func TestRead(t *testing.T) {
	want := []survey.Reading{
		{Where: "F1/left", What: survey.Gap, At: survey.At{Mark: survey.Top}, Value: survey.Quantity{Measure: survey.Length, N: [3]int64{812500}}, Text: "812.5 mm", U: 500000, By: "AB"},
		{Where: "F1", What: survey.Rise, At: survey.At{Mark: survey.Step, N: 2}, Value: survey.Quantity{Measure: survey.Length, N: [3]int64{190000}}, Text: "190", Note: "carpet, lifted\nat the edge"},
	}
	for name, s := range map[string]string{
		"plain":           "where,what,at,value,u,by,note\nF1/left,gap,top,812.5 mm,0.5,AB,\nF1,rise,2,190,,,\"carpet, lifted\nat the edge\"\n",
		"byte-order mark": "\ufeffwhere,what,at,value,u,by,note\nF1/left,gap,top,812.5 mm,0.5,AB,\nF1,rise,2,190,,,\"carpet, lifted\nat the edge\"\n",
		"CRLF":            "where,what,at,value,u,by,note\r\nF1/left,gap,top,812.5 mm,0.5,AB,\r\nF1,rise,2,190,,,\"carpet, lifted\r\nat the edge\"\r\n",
		"other order":     "note,value,what,at,where,by,u\n,812.5 mm,gap,top,F1/left,AB,0.5\n\"carpet, lifted\nat the edge\",190,rise,2,F1,,\n",
		"spaces, case":    " Where ,WHAT,at,value,u,by,note\n F1/left , gap , Top , 812.5 mm , 0.5 , AB ,\n,,,,,,\nF1,rise,2,190,,,\"carpet, lifted\nat the edge\"",
	} {
		if diff := cmp.Diff(want, read(t, s), cmpopts.IgnoreUnexported(survey.At{})); diff != "" {
			t.Errorf("%s (-want +got):\n%s", name, diff)
		}
	}
}

// Every bad cell is reported in one pass, with its line and column.
func TestReport(t *testing.T) {
	const s = `where,what,at,height,value,u,tool,by,when,note
F1/left,gap,top,,"812,5",,,,,
F1/left,gap,side,,-812,0.5 mm,yardstick,,yesterday,
F1,gap,top,,812,,,,,
F1/left,gasp,top,,812,,,,,
F1/left,gap,middle,,NaN,,,,,
F1/left,gap,middle,,81200,,,,,
F1/left,gap,middle,812
F1/left,run,,350,1254,,,,,"two
lines"
!,run,,-5,1254,,,,,
F1/left,gap,middle,,812,5,,,,,
`
	_, err := Read(strings.NewReader(s), survey.HouseKit)
	var report Report
	if !errors.As(err, &report) {
		t.Fatalf("Read error = %v, want a Report", err)
	}
	var got []string
	for _, p := range report {
		got = append(got, fmt.Sprintf("%d:%d %s", p.Line, p.Column, p.Name))
	}
	want := []string{
		"2:5 value", "3:3 at", "3:5 value", "3:6 u", "3:7 tool", "3:9 when", "4:1 where", "5:2 what", "6:5 value", "7:5 value",
		"8:0 ", "11:1 where", "11:4 height", "12:0 ",
	}
	if diff := cmp.Diff(want, got); diff != "" {
		t.Errorf("places (-want +got):\n%s\n%v", diff, err)
	}
	for _, e := range []error{unit.ErrComma, survey.ErrAbsurd, survey.ErrTool, survey.ErrWhen, survey.ErrPlace, survey.ErrWhat, unit.ErrSyntax, ErrCells, survey.ErrAt} {
		if !errors.Is(err, e) {
			t.Errorf("the report does not wrap %q", e)
		}
	}
	for _, mend := range []string{"write a point, 812.5", "did you mean gap?", "write one of tape", "write 2026-11-25", "after the slash"} {
		if !strings.Contains(err.Error(), mend) {
			t.Errorf("the report does not say %q:\n%v", mend, err)
		}
	}
}

func TestHeader(t *testing.T) {
	for name, tt := range map[string]struct{ sheet, says string }{
		"empty":          {"", "the sheet is empty"},
		"only a mark":    {"\ufeff", "the sheet is empty"},
		"unknown column": {"where,what,value,colour\n", `unknown column "colour"`},
		"twice":          {"where,what,value,value\n", "stands a second time"},
		"missing":        {"where,what\n", `column "value" is missing`},
		"semicolons":     {"where;what;value\n", "with commas"},
		"tabs":           {"where\twhat\tvalue\n", "with commas"},
		"no header":      {"F1/left,gap,812\n", "unknown column"},
		"binary":         {"\x00\x01\x02\xff\xfe", "unknown column"},
	} {
		_, err := Read(strings.NewReader(tt.sheet), survey.HouseKit)
		if !errors.Is(err, ErrHeader) || !strings.Contains(err.Error(), tt.says) {
			t.Errorf("%s: error = %v, want one that says %q", name, err, tt.says)
		}
	}
}

func TestLostQuote(t *testing.T) {
	_, err := Read(strings.NewReader("where,what,at,value\nF1/left,gap,tip,812\nF1/left,gap,top,49 3/8\"\n"), survey.HouseKit)
	if !errors.Is(err, ErrQuotes) || !errors.Is(err, survey.ErrAt) {
		t.Errorf("error = %v, want the quotes and the row before them", err)
	}
}

func TestAtNeedsItsColumn(t *testing.T) {
	_, err := Read(strings.NewReader("where,what,value\nF1/left,gap,812\n"), survey.HouseKit)
	if !errors.Is(err, survey.ErrAt) {
		t.Errorf("error = %v, want ErrAt", err)
	}
	if rows := read(t, "where,what,value\nF1/left,run,1254\n"); len(rows) != 1 {
		t.Errorf("a run without a station: %d rows, want 1", len(rows))
	}
}

func TestWriteReadsBack(t *testing.T) {
	files, err := filepath.Glob("../../testdata/reference/bays/*.csv")
	if err != nil || len(files) == 0 {
		t.Fatalf("no sheets: %v", err)
	}
	for _, f := range files {
		b, err := os.ReadFile(f)
		if err != nil {
			t.Fatal(err)
		}
		checkRoundTrip(t, read(t, string(b)))
	}
}

func checkRoundTrip(t *testing.T, rows []survey.Reading) {
	t.Helper()
	var out bytes.Buffer
	if err := Write(&out, rows); err != nil {
		t.Fatal(err)
	}
	back, err := Read(&out, survey.HouseKit)
	if err != nil {
		t.Fatalf("reading back: %v\n%s", err, out.String())
	}
	if diff := cmp.Diff(rows, back, cmpopts.IgnoreUnexported(survey.At{})); diff != "" {
		t.Errorf("a sheet came back changed (-want +got):\n%s", diff)
	}
}

// A sheet of the names that trial pieces and spacer walks had first reads as one
// of those they have now, and is written with these.
func TestOldNames(t *testing.T) {
	const old = "where,what,at,value\nF1/left,fit,top,812\nF1/left,fit,450,2 ft 8 in\nF1/left,walk,,10 x 118.2 mm short 5 mm\n"
	now := strings.NewReplacer("fit", "trial", "walk", "spacer-walk").Replace(old)
	rows := read(t, old)
	if diff := cmp.Diff(read(t, now), rows, cmpopts.IgnoreUnexported(survey.At{})); diff != "" {
		t.Errorf("old names (-now +old):\n%s", diff)
	}
	var out bytes.Buffer
	if err := Write(&out, rows); err != nil {
		t.Fatal(err)
	}
	const want = "F1/left,trial,top,,812,,,,,\nF1/left,trial,450,,2 ft 8 in,,,,,\nF1/left,spacer-walk,,,10 x 118.2 mm short 5 mm,,,,,\n"
	if _, got, _ := strings.Cut(out.String(), "\n"); got != want {
		t.Errorf("written as\n%s\nwant\n%s", got, want)
	}
}

func TestHundredThousandRows(t *testing.T) {
	var s strings.Builder
	s.WriteString("where,what,at,value\n")
	for i := range 100_000 {
		fmt.Fprintf(&s, "F%d/left,gap,%d,%d.%d\n", i/100, i%1000, 700+i%100, i%10)
	}
	if got := len(read(t, s.String())); got != 100_000 {
		t.Errorf("%d rows, want 100000", got)
	}
}

// What is read is written so that it is read as the same.
func FuzzRead(f *testing.F) {
	f.Add("where,what,at,height,value,u,tool,by,when,note\nF1/left,run,,350,1254,0.5,tape,AB,2026-11-25,\"a \"\"b\"\"\nc\"\n")
	f.Add("where,what,at,value\nF1/left,fit,bottom,812\nF1/left,trial,top,812 loose 1 mm\nF1/left,trial,middle,tight\nF1/left,spindle-section,,10 together 412 mm\n")
	f.Add("where,what,value\nF1/left,walk,10 x 118.2 mm short 5 mm\nF1/left,spindle-section,41x41x22\nF1/left,run,1254\n")
	f.Add("\ufeffwhere,what,at,value\r\nF1/left,lean-along,upper,-3 mm in 900 mm\r\nF1,rise,2,7 1/2 in\r\n")
	f.Fuzz(func(t *testing.T, s string) {
		rows, err := Read(strings.NewReader(s), survey.HouseKit)
		var report Report
		if err != nil && (!errors.As(err, &report) || len(rows) > 0) {
			t.Fatalf("error = %v with %d rows, want a Report and none", err, len(rows))
		}
		if err == nil && len(rows) > 0 {
			checkRoundTrip(t, rows)
		}
	})
}

func BenchmarkRead20000(b *testing.B) {
	var s strings.Builder
	s.WriteString("where,what,at,value,u,note\n")
	for i := range 20_000 {
		fmt.Fprintf(&s, "F%d/left,gap,%d,%d.%d mm,0.5,row %d\n", i/20, i%1000, 700+i%100, i%10, i)
	}
	for b.Loop() {
		if _, err := Read(strings.NewReader(s.String()), survey.HouseKit); err != nil {
			b.Fatal(err)
		}
	}
}
