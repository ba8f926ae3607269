package stockplan

import (
	"bytes"
	"context"
	"flag"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"
	"unicode/utf8"

	"github.com/google/go-cmp/cmp"

	"pinchrod/calc/stock"
	"pinchrod/store/journal"
	"pinchrod/survey"
	"pinchrod/survey/asfound"
	"pinchrod/survey/fieldbook"
	"pinchrod/survey/report"
	"pinchrod/survey/report/cutting"
	"pinchrod/survey/report/scene"
	"pinchrod/survey/sheet"
)

var update = flag.Bool("update", false, "write the golden files anew")

var day = time.Date(2026, 11, 20, 9, 30, 0, 0, time.UTC)

const demoSheet = "../../../cmd/internal/cli/demo.csv"

func read(t testing.TB, path string) string {
	t.Helper()
	b, err := os.ReadFile(path)
	if err != nil {
		t.Fatal(err)
	}
	return string(b)
}

// bookOf makes a book of a field sheet, as an import would.
func bookOf(t testing.TB, csv string) *fieldbook.Book {
	t.Helper()
	rows, err := sheet.Read(strings.NewReader(csv), survey.HouseKit)
	if err != nil {
		t.Fatal(err)
	}
	b := &fieldbook.Book{Job: fieldbook.Job{Name: "3 Ropewalk Terrace"}}
	for i, r := range rows {
		b.Entries = append(b.Entries, fieldbook.Entry{Ref: journal.Ref{Device: journal.ID{0: 1}, Page: 1, Item: uint32(i + 1)}, Reading: r})
	}
	return b
}

// found are the findings of the demo, by whether each piece is fitted.
var found = map[bool]*asfound.Findings{}

// demo makes the cutting sheet of every bay of the demo.
func demo(t testing.TB, each bool) []*cutting.Sheet {
	t.Helper()
	b, set := bookOf(t, read(t, demoSheet)), asfound.Defaults()
	if each { // who fits as fast as another sets a stop fits each
		set.House.Minutes.Fit, set.House.Minutes.Recut, set.House.Waviness = 0.5, 60, 1.2
	}
	f := found[each]
	if f == nil {
		var err error
		if f, err = asfound.Work(context.Background(), b, set); err != nil {
			t.Fatal(err)
		}
		found[each] = f
	}
	var out []*cutting.Sheet
	for i := range f.Bays {
		s, err := cutting.New(&f.Bays[i], cutting.Options{Job: b.Job.Name, JobID: "01", Settings: set, Rules: f.Rules, Entry: "NK-142", Date: day})
		if err != nil {
			t.Fatal(err)
		}
		out = append(out, s)
	}
	return out
}

// options are those of a shop with bars that are bought.
func options(bars ...stock.Bar) Options {
	return Options{
		Job: "3 Ropewalk Terrace", Rules: "No rule profile is chosen.", Entry: "NK-142", Date: day,
		Bars: bars, Kerf: DefaultKerf, Trim: DefaultTrim, MinOffcut: DefaultMinOffcut,
	}
}

func mustPlan(t testing.TB, sheets []*cutting.Sheet, o Options) *Plan {
	t.Helper()
	p, err := New(sheets, o)
	if err != nil {
		t.Fatal(err)
	}
	return p
}

func text(t testing.TB, p *Plan, width int) string {
	t.Helper()
	var b bytes.Buffer
	if err := p.Text(&b, report.Style{Width: width}); err != nil {
		t.Fatal(err)
	}
	return b.String()
}

// write renders a plan in one format.
func write(t testing.TB, p *Plan, format string) string {
	t.Helper()
	var b bytes.Buffer
	var err error
	switch format {
	case "txt":
		err = p.Text(&b, report.Style{Width: 80})
	case "narrow.txt":
		err = p.Text(&b, report.Style{Width: 40})
	case "csv":
		err = p.CSV(&b)
	case "json":
		err = p.JSON(&b)
	case "svg":
		err = scene.SVG(&b, p.Pages()[0])
	case "bar.svg":
		err = scene.SVG(&b, p.alone(len(p.Bars)-1, true))
	}
	if err != nil {
		t.Fatal(err)
	}
	return b.String()
}

// The demo's plan as it is printed, from bars that are bought and offcuts on the
// rack. The figures follow from the sheets by the properties below; here they are
// held still.
func TestGolden(t *testing.T) {
	p := mustPlan(t, demo(t, false), options(stock.Bar{Length: 2400, Price: 6.5}, stock.Bar{Section: "8x41", Length: 1150, Count: 2, Offcut: true, Label: "shelf 2"}))
	for _, format := range []string{"txt", "narrow.txt", "csv", "json", "svg", "bar.svg"} {
		path := filepath.Join("testdata", "demo."+format)
		got := write(t, p, format)
		if *update {
			if err := os.WriteFile(path, []byte(got), 0o666); err != nil {
				t.Fatal(err)
			}
		}
		if diff := cmp.Diff(read(t, path), got); diff != "" {
			t.Errorf("%s (-want +got):\n%s", path, diff)
		}
	}
}

// No line is wider than the page.
func TestTextKeepsItsWidth(t *testing.T) {
	p := mustPlan(t, demo(t, false), options(stock.Bar{Length: 2400}))
	for _, width := range []int{24, 40, 80, 120} {
		for line := range strings.Lines(text(t, p, width)) {
			if n := utf8.RuneCountInString(strings.TrimSuffix(line, "\n")); n > width {
				t.Errorf("%d columns of %d: %q", n, width, line)
			}
		}
	}
}

// The same sheets give the same bytes.
func TestSameBytes(t *testing.T) {
	sheets := demo(t, false)
	print := func() string {
		p := mustPlan(t, sheets, options(stock.Bar{Length: 3000}))
		var b bytes.Buffer
		if err := scene.PDF(&b, p.Pages(), scene.Meta{Title: p.Job}); err != nil {
			t.Fatal(err)
		}
		return b.String() + write(t, p, "txt") + write(t, p, "csv") + write(t, p, "json")
	}
	if first, again := print(), print(); first != again {
		t.Error("two runs differ")
	}
}
