package stockplan

import (
	"errors"
	"strings"
	"testing"

	"github.com/google/go-cmp/cmp"

	"pinchrod/calc/stock"
	"pinchrod/calc/unit"
	"pinchrod/survey/sheet"
)

func TestParseBar(t *testing.T) {
	for _, c := range []struct {
		text string
		want stock.Bar
	}{
		{"2400", stock.Bar{Length: 2400}},
		{"2400 mm", stock.Bar{Length: 2400}},
		{" 2.4 m@6.5 ", stock.Bar{Length: 2400, Price: 6.5}},
		{"8 ft @ 6.50", stock.Bar{Length: 2438.4, Price: 6.5}},
		{"41 x 41 mm: 2400 mm @ 6.50", stock.Bar{Section: "41 x 41 mm", Length: 2400, Price: 6.5}},
		{"4 x 2400 mm", stock.Bar{Length: 2400, Count: 4}},
		{"41 × 41: 12×2.4 m @ 6", stock.Bar{Section: "41 × 41", Length: 2400, Count: 12, Price: 6}},
		{"1 5/8 x 1 5/8 in: 8 ft", stock.Bar{Section: "1 5/8 x 1 5/8 in", Length: 2438.4}},
	} {
		if got, err := ParseBar(c.text); err != nil || got != c.want {
			t.Errorf("%q: %+v, %v; want %+v", c.text, got, err, c.want)
		}
	}
	for _, c := range []struct {
		text string
		want error
		say  string
	}{
		{"", ErrBar, "2400 mm"},
		{"2,4 m", unit.ErrComma, "write"},
		{"24", ErrBar, "check the unit"},
		{"2400 m", ErrBar, "check the unit"},
		{"2400 @", ErrBar, "price"},
		{"2400 @ 0", ErrBar, "price of 0"},
		{"2400 @ -2", ErrBar, "price"},
		{"2400 @ 1e3", ErrBar, "price"},
		{"2400 @ 6,50", unit.ErrComma, "price"},
		{"oak: 2400", ErrSection, "41 x 41"},
		{": 2400", ErrSection, "section"},
		{"41x41: 41x41: 2400", ErrBar, "length"},
		{"0 x 2400", ErrBar, "how many there are, 1 to 10000"},
		{"x 2400", ErrBar, "how many there are"},
		{"1.5 x 2400", ErrBar, "how many there are"},
		{"4 x 2 x 2400", ErrBar, "length"},
	} {
		if _, err := ParseBar(c.text); !errors.Is(err, c.want) || !errors.Is(err, ErrBar) || !strings.Contains(err.Error(), c.say) {
			t.Errorf("%q: %v; want %v, saying %q", c.text, err, c.want, c.say)
		}
	}
}

func TestReadRack(t *testing.T) {
	text := "\ufeffLength, section ,price,count,label,offcut\r\n" +
		"2400 mm,41 x 41 mm,6.50,,,\r\n" +
		",,,,,\r\n" +
		"3 m,41x41,8.10,4,\"back wall, low\",no\r\n" +
		"812,41 x 8,0,2,,\r\n" +
		"700,,,,,Yes\r\n" +
		"650,,1.5,3,shelf,yes\r\n"
	want := []stock.Bar{
		{Section: "41 x 41 mm", Length: 2400, Price: 6.5},
		{Section: "41x41", Length: 3000, Price: 8.1, Count: 4, Label: "back wall, low"},
		{Section: "41 x 8", Length: 812, Count: 2, Offcut: true},
		{Length: 700, Count: 1, Offcut: true},
		{Length: 650, Price: 1.5, Count: 3, Offcut: true, Label: "shelf"},
	}
	got, err := ReadRack(strings.NewReader(text))
	if err != nil {
		t.Fatal(err)
	}
	if diff := cmp.Diff(want, got); diff != "" {
		t.Errorf("(-want +got):\n%s", diff)
	}
	// Only the length is needed.
	if got, err = ReadRack(strings.NewReader("length\n2400\n")); err != nil || len(got) != 1 || got[0] != (stock.Bar{Length: 2400}) {
		t.Errorf("%+v, %v", got, err)
	}
}

// Every bad cell is told, by line and column, in one go; and nothing is taken.
func TestRackProblems(t *testing.T) {
	type at struct{ Line, Column int }
	for _, c := range []struct {
		name, text string
		want       []at
		say        string
	}{
		{"empty", "", []at{{1, 0}}, "start the file with"},
		{"no length", "section,price\n41x41,3\n", []at{{1, 0}}, "length"},
		{"unknown columns", "section,length,colour,lenght\n", []at{{1, 3}, {1, 4}}, "the columns are section, length"},
		{"semicolons", "section;length\n41x41;2400\n", []at{{1, 0}, {1, 1}}, "with commas between them"},
		{"twice", "length,Length\n2400,2400\n", []at{{1, 2}}, "second time"},
		{"cells", "section,length\n41x41,2400,6,50\n41x41\n", []at{{2, 0}, {3, 0}}, "header has 2"},
		{"all at once", "section,length,price,count,label,offcut\noak,24oo,\"6,50\",-1,a\x1b[31m,perhaps\n41x41,2400,0,,,\n,,1,,,\n", []at{{2, 1}, {2, 2}, {2, 3}, {2, 4}, {2, 5}, {2, 6}, {3, 3}, {4, 2}}, "write a point"},
		{"a quote", "length,label\n2400,a\n2400,4' 1\" long \"x\n", []at{{3, 0}}, "quotes"},
		{"too many", "length,count\n2400,10001\n2400,0\n2400,1.5\n", []at{{2, 2}, {3, 2}, {4, 2}}, "1 to 10000"},
	} {
		bars, err := ReadRack(strings.NewReader(c.text))
		var r RackReport
		if !errors.As(err, &r) || bars != nil {
			t.Errorf("%s: %v, %v", c.name, bars, err)
			continue
		}
		var got []at
		for _, p := range r {
			got = append(got, at{p.Line, p.Column})
		}
		if diff := cmp.Diff(c.want, got); diff != "" || !strings.Contains(err.Error(), c.say) {
			t.Errorf("%s: %v\nwant %q (-want +got):\n%s", c.name, err, c.say, diff)
		}
		// The command line takes the report of a field sheet for an import's.
		if s := (sheet.Report)(nil); errors.As(err, &s) {
			t.Errorf("%s: the report of a field sheet", c.name)
		}
	}
	if _, err := ReadRack(strings.NewReader("length\n" + strings.Repeat("2400\n", mostRows+1))); err == nil || !strings.Contains(err.Error(), "no rack") {
		t.Errorf("too many rows: %v", err)
	}
}

// sane tells whether a bar can be given to the planner.
func sane(b stock.Bar) bool {
	_, err := parseSection(b.Section)
	return (b.Section == "" || err == nil) && b.Length >= leastBar.MM() && b.Length <= mostBar.MM() && b.Price >= 0 && b.Price <= mostPrice && b.Count >= 0 && b.Count <= mostBars
}

func FuzzParseBar(f *testing.F) {
	for _, s := range []string{"2400 mm", "2400 @ 6.50", "41 x 41 mm: 2.4 m @ 6", "8 ft", "4 x 1 m", ":@", "x:1@1", "1/0 in"} {
		f.Add(s)
	}
	f.Fuzz(func(t *testing.T, s string) {
		b, err := ParseBar(s)
		switch {
		case err != nil && !errors.Is(err, ErrBar):
			t.Errorf("%q: %v does not wrap ErrBar", s, err)
		case err == nil && !sane(b):
			t.Errorf("%q: %+v", s, b)
		}
	})
}

func FuzzReadRack(f *testing.F) {
	for _, s := range []string{"length\n2400\n", "section,length,price,count,label,offcut\n41x41,2400,6.5,,a,\n,700,0,2,,yes\n", "length,\"", "\ufefflength\r\n1 m"} {
		f.Add(s)
	}
	f.Fuzz(func(t *testing.T, s string) {
		bars, err := ReadRack(strings.NewReader(s))
		var r RackReport
		switch {
		case err != nil && (!errors.As(err, &r) || len(r) == 0 || bars != nil):
			t.Errorf("%q: %v, %v", s, bars, err)
		case err == nil:
			for _, b := range bars {
				if !sane(b) || b.Offcut && b.Count == 0 {
					t.Errorf("%q: %+v", s, b)
				}
			}
		}
	})
}
