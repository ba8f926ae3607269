package rules_test

import (
	"errors"
	"fmt"
	"math"
	"os"
	"slices"
	"strconv"
	"strings"
	"testing"

	"github.com/google/go-cmp/cmp"
	"pgregory.net/rapid"

	"pinchrod/calc/rules"
	"pinchrod/calc/unit"
)

const header = "stair,what,low,high,unit,document,clause,edition,seen,clause-seen,note\n"

func TestParse(t *testing.T) {
	// Columns in another order, two left out, a byte-order mark, CRLF, a blank row
	// and capitals, as a spreadsheet and a person leave them.
	got, err := rules.Parse("own.csv", []byte("\ufeffWhat,stair,seen,unit,low,high,document,clause,edition\r\n"+
		"rise,PRIVATE,read,in,4,7 3/4 in,\"By-laws, town\",§ 4,1998\r\n"+
		",,,,,,,,\r\n"+
		"pitch,any,MEM,deg,,41.5°,By-laws,5,1998\r\n"))
	if err != nil {
		t.Fatal(err)
	}
	want := rules.Profile{Name: "own.csv", Title: "own.csv", Limits: []rules.Limit{
		{Stair: rules.Private, What: rules.Rise, Low: 101.6, High: 196.85, LowAs: "4", HighAs: "7 3/4", As: "in",
			Document: "By-laws, town", Clause: "§ 4", Edition: "1998", Seen: rules.Read, ClauseSeen: rules.Read},
		{Stair: rules.Any, What: rules.Pitch, Low: -inf, High: 41.5, HighAs: "41.5", As: "deg",
			Document: "By-laws", Clause: "5", Edition: "1998", Seen: rules.Memory, ClauseSeen: rules.Memory},
	}}
	if diff := cmp.Diff(want, got); diff != "" {
		t.Errorf("(-want +got):\n%s", diff)
	}
}

// Each figure as a document may write it.
func TestFigures(t *testing.T) {
	for _, c := range []struct {
		what, low, high, unit string
		wantLow, wantHigh     float64
	}{
		{"rise", "", "196.85", "mm", -inf, 196.85},
		{"rise", "", "7.75", "in", -inf, 196.85},
		{"rise", "", "7-3/4", "in", -inf, 196.85},
		{"rise-spread", "", "3/8", "in", -inf, 9.525},
		{"rise-spread", "", "3/8in", "IN", -inf, 9.525},
		{"opening-stair-side", "", "4 3/8", "in", -inf, 111.125},
		{"opening", "", "3 15/16", "in", -inf, 100.013}, // 100.0125, to a micrometre
		{"headroom", "6 ft 8", "", "in", 2032, inf},
		{"headroom", "6 ft 8 in", "", "in", 2032, inf},
		{"headroom", "1.95 m", "", "m", 1950, inf},
		{"rise-neighbour", "-3/16", "3/16", "in", -4.763, 4.763}, // 4.7625
		{"rise-neighbour", "−5", "5", "mm", -5, 5},
		{"pitch", "20", "42", "deg", 20, 42},
		{"pitch", "", "42°", "deg", -inf, 42},
		{"pitch", "", "42 deg", "deg", -inf, 42},
		{"pitch", "", "33.333", "deg", -inf, 33.333},
		{"tread-slope", "", "1 in 50", "slope", -inf, 20},
		{"tread-slope", "", "1/4 in in 12 in", "slope", -inf, 1000.0 / 48},
		{"tread-slope", "", "20 mm/m", "slope", -inf, 20},
		{"risers", "3", "16", "count", 3, 16},
		{"nosing", "15", "", "mm", 15, inf},
		{"opening", "", "10", "mm", -inf, 10}, // the ends of what is believable
		{"opening", "", "300", "mm", -inf, 300},
	} {
		row := fmt.Sprintf("any,%s,%s,%s,%s,A,1,2,READ,,\n", c.what, c.low, c.high, c.unit)
		p, err := rules.Parse("own", []byte(header+row))
		if err != nil {
			t.Errorf("%s: %v", row, err)
			continue
		}
		if l := p.Limits[0]; l.Low != c.wantLow || l.High != c.wantHigh {
			t.Errorf("%s: %v to %v, want %v to %v", row, l.Low, l.High, c.wantLow, c.wantHigh)
		}
	}
}

// One bad cell each: its place, its cause and a word of what would be right.
func TestParseRefuses(t *testing.T) {
	const good = "any,rise,,220,mm,A,1,2013,READ,MEM,note\n"
	row := func(r string) string { return header + r + "\n" }
	for _, c := range []struct {
		name, data  string
		place, mend string
		is          error
	}{
		{"empty", "", "line 1: ", "start with stair,what", rules.ErrHeader},
		{"no row", header, "line 1: ", "write a row", rules.ErrEmpty},
		{"blank rows", header + ",,,,,,,,,,\n", "line 2: ", "write a row", rules.ErrEmpty},
		{"semicolons", strings.ReplaceAll(header, ",", ";"), "line 1: ", "with commas", rules.ErrHeader},
		{"unknown column", "colour," + header, "line 1, column 1: ", "the columns are stair, what", rules.ErrHeader},
		{"column twice", "stair," + header, "line 1, column 2 (stair): ", "first as column 1", rules.ErrTwice},
		{"column missing", strings.Replace(header, "seen,", "", 1), "line 1: ", `"seen" is missing`, rules.ErrHeader},
		{"quote in header", "\"stair,what\n", "line 1: ", "write a quote inside it twice", rules.ErrQuotes},
		{"quote in a row", header + good + "any,\"rise,,220,mm,A,1,2,READ,,\n", "line 3: ", "write a quote inside it twice", rules.ErrQuotes},
		{"bare quote", row(`any,rise,,7.75",in,A,1,2,READ,,`), "line 2: ", "in quotes", rules.ErrQuotes},
		{"few cells", row("any,rise"), "line 2: ", "a comma for every empty cell", rules.ErrCells},
		{"many cells", row("any,rise,,1,5,mm,A,1,2,READ,,,"), "line 2: ", "numbers with a point", rules.ErrCells},
		{"stair", row("attic,rise,,220,mm,A,1,2,READ,,"), "line 2, column 1 (stair): ", "private, common, public, utility or any", rules.ErrStair},
		{"no stair", row(",rise,,220,mm,A,1,2,READ,,"), "line 2, column 1 (stair): ", "private, common", rules.ErrStair},
		{"what", row("any,riser,,220,mm,A,1,2,READ,,"), "line 2, column 2 (what): ", "rise, rise-spread", rules.ErrQuantity},
		{"unit", row("any,rise,,22,cm,A,1,2,READ,,"), "line 2, column 5 (unit): ", "mm, m or in", rules.ErrUnit},
		{"unit of another", row("any,pitch,,42,mm,A,1,2,READ,,"), "line 2, column 5 (unit): ", "write deg", rules.ErrUnit},
		{"number", row("any,rise,,tall,mm,A,1,2,READ,,"), "line 2, column 4 (high): ", "such as 812", unit.ErrSyntax},
		{"comma", row(`any,rise,,"7,75",in,A,1,2,READ,,`), "line 2, column 4 (high): ", "7.75", unit.ErrComma},
		{"other unit in the cell", row("any,rise,,22 cm,mm,A,1,2,READ,,"), "line 2, column 4 (high): ", "such as 812", unit.ErrSyntax},
		{"mm in metres", row("any,headroom,2000 mm,,m,A,1,2,READ,,"), "line 2, column 3 (low): ", "such as 812", unit.ErrSyntax},
		{"a date of a spreadsheet", row("any,rise-spread,,03-Aug,in,A,1,2,READ,,"), "line 2, column 4 (high): ", "such as 812", unit.ErrSyntax},
		{"angle", row("any,pitch,,steep,deg,A,1,2,READ,,"), "line 2, column 4 (high): ", "such as 42", unit.ErrSyntax},
		{"angle in inches", row("any,pitch,,2 in,deg,A,1,2,READ,,"), "line 2, column 4 (high): ", "such as 42", unit.ErrSyntax},
		{"count in inches", row("any,risers,,2 in,count,A,1,2,READ,,"), "line 2, column 4 (high): ", "such as 42", unit.ErrSyntax},
		{"slope", row("any,tread-slope,,2,slope,A,1,2,READ,,"), "line 2, column 4 (high): ", "such as 3 mm in 900 mm", unit.ErrSyntax},
		{"half a riser", row("any,risers,,17.5,count,A,1,2,READ,,"), "line 2, column 4 (high): ", "whole number", unit.ErrSyntax},
		{"decimal place", row("any,opening,,1000,mm,A,1,2,READ,,"), "line 2, column 4 (high): ", "between 10 and 300 mm", unit.ErrRange},
		{"mm called in", row("any,rise,,220,in,A,1,2,READ,,"), "line 2, column 4 (high): ", "between 50 and 400 mm", unit.ErrRange},
		{"negative", row("any,opening,,-100,mm,A,1,2,READ,,"), "line 2, column 4 (high): ", "between 10 and", unit.ErrRange},
		{"number too long", row("any,rise,," + strings.Repeat("9", 40) + ",mm,A,1,2,READ,,"), "line 2, column 4 (high): ", "12 digits", unit.ErrRange},
		{"guard in the wrong column", row("any,guard-height-stair,,900,mm,A,1,2,READ,,"), "line 2, column 3 (low): ", "under low", rules.ErrEnds},
		{"ball in the wrong column", row("any,opening,100,,mm,A,1,2,READ,,"), "line 2, column 4 (high): ", "under high", rules.ErrEnds},
		{"half a difference", row("any,rise-neighbour,,5,mm,A,1,2,READ,,"), "line 2, column 3 (low): ", "such as -5 and 5", rules.ErrEnds},
		{"no end", row("any,nosing,,,mm,A,1,2,READ,,"), "line 2, column 3 (low): ", "write one at least", rules.ErrEnds},
		{"ends crossed", row("any,rise,220,150,mm,A,1,2,READ,,"), "line 2, column 3 (low): ", "exchange 220 and 150", rules.ErrEnds},
		{"no document", row("any,rise,,220,mm, ,1,2,READ,,"), "line 2, column 6 (document): ", "not noted", rules.ErrEmpty},
		{"no clause", row("any,rise,,220,mm,A,,2,READ,,"), "line 2, column 7 (clause): ", "not noted", rules.ErrEmpty},
		{"no edition", row("any,rise,,220,mm,A,1,,READ,,"), "line 2, column 8 (edition): ", "not noted", rules.ErrEmpty},
		{"control", row("any,rise,,220,mm,A\x1b[2J,1,2,READ,,"), "line 2, column 6 (document): ", "does not print", rules.ErrText},
		{"newline in a note", row("any,rise,,220,mm,A,1,2,READ,,\"a\nb\""), "line 2, column 11 (note): ", "take it out", rules.ErrText},
		{"not UTF-8", row("any,rise,,220,mm,A\xff,1,2,READ,,"), "line 2, column 6 (document): ", "save the file as UTF-8", rules.ErrText},
		{"long", row("any,rise,,220,mm,A,1,2,READ,," + strings.Repeat("x", 301)), "line 2, column 11 (note): ", "at most 300", rules.ErrText},
		{"not seen", row("any,rise,,220,mm,A,1,2,,,"), "line 2, column 9 (seen): ", "MEM where it is from memory", rules.ErrText},
		{"seen otherwise", row("any,rise,,220,mm,A,1,2,heard,READ,"), "line 2, column 9 (seen): ", "write READ", rules.ErrText},
		{"clause seen otherwise", row("any,rise,,220,mm,A,1,2,READ,heard,"), "line 2, column 10 (clause-seen): ", "write READ", rules.ErrText},
		{"twice", header + good + "any,going,200,,mm,A,1,2,READ,,\n" + good, "line 4: ", "first on line 2", rules.ErrTwice},
	} {
		p, err := rules.Parse("own", []byte(c.data))
		var report rules.Report
		if !errors.As(err, &report) || len(report) != 1 || p.Limits != nil {
			t.Errorf("%s: %d limits, error %v; want a report of one problem", c.name, len(p.Limits), err)
			continue
		}
		if s := err.Error(); !strings.HasPrefix(s, c.place) || !strings.Contains(s, c.mend) || !errors.Is(err, c.is) {
			t.Errorf("%s: got %q (%v), want %q … %q", c.name, s, c.is, c.place, c.mend)
		}
	}
	// One cell without a separator of another sort is a column, if an unknown one.
	if _, err := rules.Parse("own", []byte("colour\n")); err == nil || !strings.Contains(err.Error(), `unknown column "colour"`) || strings.Contains(err.Error(), "with commas") {
		t.Errorf("a header of one word: %v", err)
	}
	for _, tt := range []struct {
		name string
		is   error
	}{{"a\x1b[0m", rules.ErrText}, {"a\xff", rules.ErrText}, {strings.Repeat("n", 301), rules.ErrText}, {"", rules.ErrEmpty}} {
		if _, err := rules.Parse(tt.name, []byte(header+good)); !errors.Is(err, tt.is) || !strings.HasPrefix(err.Error(), "line 1: name of the profile") {
			t.Errorf("name %q: %v", tt.name, err)
		}
	}
	long := strings.Repeat("é", 300) // characters, not bytes
	if p, err := rules.Parse(long, []byte(row("any,rise,,220,mm,A,1,2,READ,,"+long))); err != nil || p.Name != long || p.Limits[0].Note != long {
		t.Errorf("a name and a note of 300 characters: %v", err)
	}
}

// All that is wrong comes in one report, in the order of its lines and columns.
func TestReport(t *testing.T) {
	_, err := rules.Parse("own", []byte(header+
		"attic,rise,,tall,mm,,1,2,heard,,\n"+
		"any,rise\n"+
		"any,rise,,220,mm,A,1,2,READ,,\n"+
		"any,colour,,1,mm,A,1,,READ,,\n"+
		"any,\"rise,,\n"))
	var report rules.Report
	if !errors.As(err, &report) {
		t.Fatalf("error %v is no report", err)
	}
	var got []string
	for _, p := range report {
		got = append(got, fmt.Sprintf("%d %d %s", p.Line, p.Column, p.Name))
	}
	want := []string{"2 1 stair", "2 4 high", "2 6 document", "2 9 seen", "3 0 ", "5 2 what", "5 8 edition", "6 0 "}
	if diff := cmp.Diff(want, got); diff != "" {
		t.Errorf("(-want +got):\n%s\n%v", diff, err)
	}
	if n := strings.Count(err.Error(), "\n"); n != len(want)-1 {
		t.Errorf("%d lines of report, want %d", n+1, len(want))
	}
}

// Columns may stand in any order: the report follows the file's.
func TestReportFollowsTheColumns(t *testing.T) {
	_, err := rules.Parse("own", []byte("edition,clause,document,seen,unit,high,low,what,stair\n,1,,heard,mm,tall,,rise,attic\n"))
	var report rules.Report
	if !errors.As(err, &report) {
		t.Fatalf("error %v is no report", err)
	}
	var got []string
	for _, p := range report {
		got = append(got, fmt.Sprintf("%d %s", p.Column, p.Name))
	}
	if diff := cmp.Diff([]string{"1 edition", "3 document", "4 seen", "6 high", "9 stair"}, got); diff != "" {
		t.Errorf("(-want +got):\n%s", diff)
	}
}

// The profiles of the binary are written as CSV writes them.
func TestEmbeddedFiles(t *testing.T) {
	for _, name := range rules.Profiles() {
		data, err := os.ReadFile("profiles/" + name + ".csv")
		if err != nil {
			t.Fatal(err)
		}
		if diff := cmp.Diff(string(data), string(named(t, name).CSV())); diff != "" {
			t.Errorf("%s (-file +written):\n%s", name, diff)
		}
	}
}

// Every file of the folder is a profile that a person can choose.
func TestEveryFileIsEmbedded(t *testing.T) {
	entries, err := os.ReadDir("profiles")
	if err != nil {
		t.Fatal(err)
	}
	var got []string
	for _, e := range entries {
		got = append(got, strings.TrimSuffix(e.Name(), ".csv"))
	}
	if diff := cmp.Diff(slices.Sorted(slices.Values(rules.Profiles())), got); diff != "" {
		t.Errorf("a file in profiles wants its row in embedded (-embedded +files):\n%s", diff)
	}
}

// The ends that each quantity wants, and how much of it is believed: both ends
// are, and what is beyond them by a micrometre, a thousandth or one is not.
func TestBelievable(t *testing.T) {
	const either, low, high, both = "low high", "low", "high", "both"
	type row struct {
		what        rules.What
		ends        string
		least, most float64
	}
	rows := []row{
		{rules.Rise, high, 50, 400}, {rules.RiseSpread, high, 0, 100}, {rules.RiseNeighbour, both, -100, 100},
		{rules.RiseOffNominal, both, -100, 100}, {rules.FirstRiseOff, both, -100, 100},
		{rules.Going, low, 50, 1500}, {rules.GoingSpread, high, 0, 100}, {rules.GoingNeighbour, both, -100, 100},
		{rules.GoingOffNominal, both, -100, 100}, {rules.StepRule, either, 300, 1000}, {rules.Pitch, high, 1, 90},
		{rules.Nosing, either, 0, 200}, {rules.NosingSpread, high, 0, 100}, {rules.TreadOverlap, low, 0, 200},
		{rules.TreadSlope, high, 0, 200}, {rules.Risers, high, 1, 100},
		{rules.Width, low, 300, 6000}, {rules.WidthOneRail, low, 300, 6000}, {rules.WidthTwoRails, low, 300, 6000},
		{rules.Headroom, low, 1000, 6000}, {rules.HandrailHeight, low, 300, 2000}, {rules.UnrailedRisers, high, 0, 100},
		{rules.GuardStair, low, 300, 3000}, {rules.GuardLanding, low, 300, 3000}, {rules.GuardBalcony, low, 300, 3000},
		{rules.GuardOver12m, low, 300, 3000}, {rules.UnguardedDrop, high, 0, 5000}, {rules.UnguardedRisers, high, 0, 100},
		{rules.ClearOpening, high, 10, 300}, {rules.StairSideOpening, high, 10, 300}, {rules.UnderOpening, high, 10, 300},
		{rules.RiserOpening, high, 10, 300},
	}
	var listed []rules.What
	for _, r := range rows {
		listed = append(listed, r.what)
		as, unitOf, step := "mm", "", 0.001
		switch r.what.Unit() {
		case "°":
			as = "deg"
		case "mm/m":
			as, unitOf, step = "slope", " mm/m", 0.1
		case "":
			as, step = "count", 1
		}
		try := func(low, high string) error {
			_, err := rules.Parse("own", fmt.Appendf(nil, "%sany,%s,%s,%s,%s,A,1,2,READ,,\n", header, r.what, low, high, as))
			return err
		}
		figure := func(v float64) string { return strconv.FormatFloat(v, 'f', -1, 64) + unitOf }
		least, most := figure(r.least), figure(r.most)
		if err := try(least, most); err != nil {
			t.Errorf("%s from %s to %s: %v", r.what, least, most, err)
		}
		if err := try(figure(r.least-step), most); !errors.Is(err, unit.ErrRange) {
			t.Errorf("%s from %s: %v, want it out of range", r.what, figure(r.least-step), err)
		}
		if err := try(least, figure(r.most+step)); !errors.Is(err, unit.ErrRange) {
			t.Errorf("%s to %s: %v, want it out of range", r.what, figure(r.most+step), err)
		}
		if err := try(least, ""); (err == nil) != strings.Contains(r.ends, low) {
			t.Errorf("%s with a low end alone: %v", r.what, err)
		}
		if err := try("", most); (err == nil) != strings.Contains(r.ends, high) {
			t.Errorf("%s with a high end alone: %v", r.what, err)
		}
	}
	if diff := cmp.Diff(rules.Quantities(), listed); diff != "" {
		t.Errorf("quantities (-there +in this table):\n%s", diff)
	}
}

// A profile that was read is written and read as the same.
func TestRoundTrip(t *testing.T) {
	words := rapid.StringOfN(rapid.RuneFrom([]rune(`ab9 ,;"#=\.§±°`)), 1, 20, -1)
	rapid.Check(t, func(t *rapid.T) {
		text := func(name string) string {
			return "x" + words.Draw(t, name) + "x" // cells are trimmed
		}
		p := rules.Profile{Name: "own", Title: "own"}
		stair := rapid.SampledFrom([]rules.Stair{rules.Private, rules.Common, rules.Public, rules.Utility, rules.Any}).Draw(t, "stair")
		for _, w := range rapid.SliceOfNDistinct(rapid.SampledFrom(rules.Quantities()), 1, 5, rapid.ID).Draw(t, "whats") {
			seen := rapid.SampledFrom([]rules.Seen{rules.Read, rules.Memory})
			l := rules.Limit{
				Stair: stair, What: w, Document: text("document"), Clause: text("clause"), Edition: text("edition"),
				Seen: seen.Draw(t, "seen"), ClauseSeen: seen.Draw(t, "clause-seen"), Note: text("note"),
			}
			switch w.Unit() {
			case "mm":
				// No figure is believable of every quantity; one that is refused is left out.
				l.LowAs = rapid.SampledFrom([]string{"", "-20", "50", "400", "1000"}).Draw(t, "low")
				l.HighAs = rapid.SampledFrom([]string{"", "20.125", "90", "500", "1200"}).Draw(t, "high")
				l.As = "mm"
			case "°":
				l.LowAs, l.HighAs, l.As = "25", "41.75", "deg"
			case "mm/m":
				l.LowAs, l.HighAs, l.As = "1 in 100", "1 in 50", "slope"
			default:
				l.LowAs, l.HighAs, l.As = "2", "18", "count"
			}
			one, err := rules.Parse("own", rules.Profile{Limits: []rules.Limit{l}}.CSV())
			if err == nil {
				l.Low, l.High = one.Limits[0].Low, one.Limits[0].High
				p.Limits = append(p.Limits, l)
			}
		}
		if len(p.Limits) == 0 {
			return
		}
		got, err := rules.Parse("own", p.CSV())
		if err != nil {
			t.Fatal(err)
		}
		if diff := cmp.Diff(p, got); diff != "" {
			t.Fatalf("(-want +got):\n%s", diff)
		}
	})
}

func FuzzParse(f *testing.F) {
	// Short ones: the fuzzer spends its time on making long ones shorter.
	f.Add([]byte(header + "private,rise,,7 3/4,in,IRC,R311.7.5.1,2018,READ,MEM,\"a, b\"\nany,pitch,,42,deg,A,1,2,MEM,,\n"))
	f.Add([]byte(header + "any,tread-slope,,1 in 50,slope,A,not noted,2,READ,,\nany,risers,2,18,count,A,1,2,READ,,\n"))
	f.Add([]byte(header + "any,rise-neighbour,-3/16,3/16,in,A,1,2,READ,,\n"))
	f.Add([]byte(header + "any,\"rise\n,,"))
	f.Add([]byte("\ufeffstair;what"))
	f.Fuzz(func(t *testing.T, data []byte) {
		p, err := rules.Parse("own", data)
		if err != nil {
			var report rules.Report
			if !errors.As(err, &report) || len(report) == 0 || p.Limits != nil {
				t.Fatalf("refused with %v and %d limits", err, len(p.Limits))
			}
			for i, pr := range report {
				if pr.Line < 1 || i > 0 && pr.Line < report[i-1].Line {
					t.Fatalf("problem %d is on line %d", i, pr.Line)
				}
			}
			return
		}
		for _, l := range p.Limits {
			if !(l.Low <= l.High) || math.IsInf(l.Low, 0) && math.IsInf(l.High, 0) {
				t.Fatalf("limits nothing: %+v", l)
			}
			for _, end := range []float64{l.Low, l.High} {
				if !math.IsInf(end, 0) && l.Judge(end, 0) != rules.Clear {
					t.Fatalf("%v is not within %+v", end, l)
				}
			}
			if l.Text() == "" || (l.Seen == rules.Memory) != strings.Contains(l.Source(), "; from memory, check the document") {
				t.Fatalf("%q by %q: %+v", l.Text(), l.Source(), l)
			}
		}
		again, err := rules.Parse("own", p.CSV())
		if err != nil {
			t.Fatalf("not read again: %v", err)
		}
		if diff := cmp.Diff(p, again); diff != "" {
			t.Fatalf("(-first +again):\n%s", diff)
		}
	})
}
