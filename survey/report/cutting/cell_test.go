package cutting

import (
	"bytes"
	"encoding/csv"
	"testing"

	"pinchrod/survey/asfound"
)

func TestCell(t *testing.T) {
	for in, want := range map[string]string{
		"": "", "F1/left": "F1/left", "-3.5": "-3.5", "+2": "+2", "1e3": "1e3", "a=b": "a=b",
		"=1+2": "'=1+2", "+cmd": "'+cmd", "-": "'-", "@SUM(A1)": "'@SUM(A1)", "-3 mm": "'-3 mm",
		"\x1b[2J": " [2J", "\t=1": "' =1", "\r@a": "' @a", "a\u009bb": "a b", " ": " ", "½": "½",
	} {
		if got := Cell(in); got != want {
			t.Errorf("%q: %q, want %q", in, got, want)
		}
	}
}

// No cell of a sheet plays with a terminal or is a formula.
func TestCSVOfStrangeText(t *testing.T) {
	s := one(t, whole(t), asfound.Defaults())
	s.Job = "=HYPERLINK(\"x\")\x1b[31m"
	s.Asked = []string{"species=\x1b[2J (the book has @oak)"}
	var b bytes.Buffer
	if err := s.CSV(&b); err != nil {
		t.Fatal(err)
	}
	rows, err := csv.NewReader(&b).ReadAll()
	if err != nil {
		t.Fatal(err)
	}
	if got, want := rows[1][0], "'=HYPERLINK(\"x\") [31m"; got != want {
		t.Errorf("job %q, want %q", got, want)
	}
	for i, row := range rows {
		for _, c := range row {
			if c != Cell(c) {
				t.Errorf("row %d: %q", i+1, c)
			}
		}
	}
}
