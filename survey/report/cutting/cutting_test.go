package cutting

import (
	"bytes"
	"context"
	"errors"
	"flag"
	"math"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"

	"pinchrod/calc/fit"
	"pinchrod/calc/pieces"
	"pinchrod/store/journal"
	"pinchrod/survey"
	"pinchrod/survey/asfound"
	"pinchrod/survey/fieldbook"
	"pinchrod/survey/report"
	"pinchrod/survey/sheet"
)

var day = time.Date(2026, 11, 20, 9, 30, 0, 0, time.UTC)

const jobID = "019f0000-0000-7000-8000-000000000001"

// bookOf makes a book of a field sheet, as an import would.
func bookOf(t testing.TB, csv string) *fieldbook.Book {
	t.Helper()
	rows, err := sheet.Read(strings.NewReader(csv), survey.HouseKit)
	if err != nil {
		t.Fatal(err)
	}
	b := &fieldbook.Book{Job: fieldbook.Job{Name: "14 Weir Street"}}
	for i, r := range rows {
		b.Entries = append(b.Entries, fieldbook.Entry{Ref: journal.Ref{Device: journal.ID{0: 1}, Page: 1, Item: uint32(i + 1)}, Reading: r})
	}
	return b
}

// sheets makes the sheet of every bay of a book.
func sheets(t testing.TB, b *fieldbook.Book, set asfound.Settings) []*Sheet {
	t.Helper()
	f, err := asfound.Work(context.Background(), b, set)
	if err != nil {
		t.Fatal(err)
	}
	var out []*Sheet
	for i := range f.Bays {
		s, err := New(&f.Bays[i], Options{Job: b.Job.Name, JobID: jobID, Settings: set, Rules: f.Rules, Entry: "01-1", Date: day})
		if err != nil {
			t.Fatal(err)
		}
		out = append(out, s)
	}
	return out
}

func read(t testing.TB, path string) string {
	t.Helper()
	b, err := os.ReadFile(path)
	if err != nil {
		t.Fatal(err)
	}
	return string(b)
}

const demoSheet = "../../../cmd/internal/cli/demo.csv"

// workedBays are those of testdata/reference/bays by name, with the sections
// that they do not have.
func workedBays(t testing.TB) map[string]string {
	t.Helper()
	files, err := filepath.Glob("../../../testdata/reference/bays/*.csv")
	if err != nil || len(files) != 5 {
		t.Fatalf("%d worked bays, %v; want 5", len(files), err)
	}
	out := map[string]string{}
	for _, f := range files {
		out[strings.TrimSuffix(filepath.Base(f), ".csv")] = read(t, f) + "F1/left,spindle-section,,,41 x 41 mm,\nF1/left,fillet-section,,,41 x 8 mm,\n"
	}
	return out
}

func text(t testing.TB, s *Sheet, width int) string {
	t.Helper()
	var b bytes.Buffer
	if err := s.Text(&b, report.Style{Width: width}); err != nil {
		t.Fatal(err)
	}
	return b.String()
}

// write renders a sheet in one format.
func write(t testing.TB, s *Sheet, format string) string {
	t.Helper()
	var b bytes.Buffer
	var err error
	switch format {
	case "txt":
		err = s.Text(&b, report.Style{Width: 80})
	case "narrow.txt":
		err = s.Text(&b, report.Style{Width: 40})
	case "csv":
		err = s.CSV(&b)
	case "json":
		err = s.JSON(&b)
	}
	if err != nil {
		t.Fatal(err)
	}
	return b.String()
}

var update = flag.Bool("update", false, "write the golden files anew")

// The five worked bays of testdata/reference/bays, with sections, and the bays of
// the demo, as they are printed. The figures follow from the findings by the
// properties below; here they are held still.
func TestGolden(t *testing.T) {
	all := map[string]*Sheet{}
	for name, csv := range workedBays(t) {
		all[name] = sheets(t, bookOf(t, csv), asfound.Defaults())[0]
	}
	for _, s := range sheets(t, bookOf(t, read(t, demoSheet)), asfound.Defaults()) {
		all["demo-"+strings.ReplaceAll(string(s.Bay), "/", "-")] = s
	}
	if len(all) != 8 {
		t.Fatalf("%d sheets, want 8", len(all))
	}
	for name, s := range all {
		for _, format := range []string{"txt", "narrow.txt", "csv", "json"} {
			path := filepath.Join("testdata", name+"."+format)
			got := write(t, s, format)
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
}

// whole is a bay that batches: of the demo, F1/left.
func whole(t testing.TB) string { return ofDemo(t, "F1/left") }

// ofDemo are the readings of one bay of the demo and of its flight.
func ofDemo(t testing.TB, bay string) string {
	t.Helper()
	flight, _, _ := strings.Cut(bay, "/")
	var b strings.Builder
	for line := range strings.Lines(read(t, demoSheet)) {
		if strings.HasPrefix(line, "where") || strings.HasPrefix(line, bay+",") || strings.HasPrefix(line, flight+",") {
			b.WriteString(line)
		}
	}
	return b.String()
}

func one(t testing.TB, csv string, set asfound.Settings) *Sheet {
	t.Helper()
	all := sheets(t, bookOf(t, csv), set)
	if len(all) != 1 {
		t.Fatalf("%d bays, want 1", len(all))
	}
	return all[0]
}

// Anything the cuts hang on makes another code; nothing else does.
func TestCode(t *testing.T) {
	csv := whole(t)
	set := asfound.Defaults()
	base := one(t, csv, set)
	same := func(what string, s *Sheet, want bool) {
		t.Helper()
		stale, err := s.Stale(base.Code)
		if err != nil || stale == want {
			t.Errorf("%s: stale %t, %v; code %s, was %s", what, stale, err, s.Code, base.Code)
		}
	}
	same("the same book", one(t, csv, set), true)
	same("a note", one(t, strings.Replace(csv, "trial piece\n", "another note\n", 1), set), true)
	same("who read", one(t, strings.ReplaceAll(csv, "MK", "JB"), set), true)
	same("a guard's height, which no cut hangs on", one(t, csv+"F1/left,guard-height,middle,,915,,,\n", set), true)
	same("another bay's reading", sheets(t, bookOf(t, csv+"F1/right,run,,0,1421,,,\n"), set)[0], true)
	same("a reading changed", one(t, strings.Replace(csv, "F1/left,gap,middle,,806,", "F1/left,gap,middle,,805,", 1), set), false)
	same("a reading added", one(t, csv+"F1/left,gap,top,,806,,,\n", set), false)
	same("a hole", one(t, csv+"F1/left,access,base,,300,,,\n", set), false)
	same("a section", one(t, strings.Replace(csv, "41 x 8 mm", "41 x 9 mm", 1), set), false)

	aside := one(t, csv+"F1/left,gap,top,,836,,,\n", set)
	if len(aside.SetAside) != len(base.SetAside)+1 {
		t.Fatalf("set aside: %v, want the gap of 836", aside.SetAside)
	}
	same("a reading that is set aside", aside, true)

	b := bookOf(t, csv+"F1/left,gap,top,,816,,,\n")
	b.Entries[len(b.Entries)-1].Struck = []fieldbook.Ruling{{Why: "misread"}}
	same("a struck reading", sheets(t, b, set)[0], true)
	square := set
	square.Fillets = asfound.SquareEnded
	same("a setting", one(t, csv, square), false)
	later, err := New(&asfound.Bay{Place: "F1/left"}, Options{Settings: set})
	if err != nil {
		t.Fatal(err)
	}
	same("no readings", later, false)

	if stale, err := base.Stale(" " + strings.ToLower(base.Code[:3]) + "-" + base.Code[3:]); stale || err != nil {
		t.Errorf("the code in small letters with a dash: %t, %v", stale, err)
	}
	label := Label{Tag: base.Tag, Bay: base.Bay, Piece: "S07", Code: base.Code}
	for _, tt := range []struct {
		text  string
		stale bool
	}{
		{label.Text(), false}, {" " + label.Text() + "\n", false},
		{Label{Tag: base.Tag, Bay: base.Bay, Piece: "S07", Code: "AAAAAA"}.Text(), true},
		{Label{Tag: base.Tag, Bay: "F1/right", Piece: "S07", Code: base.Code}.Text(), true},
		{Label{Tag: "AAAAAA", Bay: base.Bay, Piece: "S07", Code: base.Code}.Text(), true},
	} {
		if stale, err := base.Stale(tt.text); stale != tt.stale || err != nil {
			t.Errorf("Stale(%q): %t, %v; want %t", tt.text, stale, err, tt.stale)
		}
	}
	if _, err := base.Stale(label.Text() + "/x"); !errors.Is(err, ErrLabel) {
		t.Errorf("what is no label: %v, want %v", err, ErrLabel)
	}
	for _, bad := range []string{"", "12345", base.Code + "A", "O0O0O0", "ABCDE\u0130"} {
		if _, err := base.Stale(bad); !errors.Is(err, ErrCode) {
			t.Errorf("Stale(%q): %v, want %v", bad, err, ErrCode)
		}
	}
	for _, c := range base.Code + base.Tag {
		if !strings.ContainsRune(alphabet, c) {
			t.Errorf("%q is not of the alphabet", c)
		}
	}
}

// short takes the first 30 bits of SHA-256; that of the empty text begins
// e3b0c442 (FIPS 180-4 example values, from memory), in bits
// 11100 01110 11000 01100 01000 10000.
func TestShort(t *testing.T) {
	want := ""
	for _, i := range []int{0b11100, 0b01110, 0b11000, 0b01100, 0b01000, 0b10000} {
		want += alphabet[i : i+1]
	}
	if got := short(""); got != want {
		t.Errorf("short of nothing is %s, want %s", got, want)
	}
}

func TestLabelText(t *testing.T) {
	s := one(t, whole(t), asfound.Defaults())
	l := s.Labels()
	if len(l) != 12+1+13+1+13+1 {
		t.Fatalf("%d labels, want 41", len(l))
	}
	if want := "pinchrod:" + s.Tag + "/F1/left/S01/" + s.Code; l[0].Text() != want {
		t.Errorf("first label %q, want %q", l[0].Text(), want)
	}
	for _, bad := range []string{"", "pinchrod:", "http://x/F1/left/S01/ABCDEF", "pinchrod:222222/F1/left/S01", "pinchrod:222222/F1/left/Q01/222222",
		"pinchrod:222222/F1/left/S/222222", "pinchrod:222222/F1/le ft/S01/222222", "pinchrod:22222/F1/left/S01/222222", "pinchrod:222222/F1/left/S01/000000"} {
		if _, err := ParseLabel(bad); !errors.Is(err, ErrLabel) {
			t.Errorf("ParseLabel(%q): %v, want %v", bad, err, ErrLabel)
		}
	}
}

// A hole marks the fillet over it, at its own rail, and one that a spindle
// hides is said.
func TestAccess(t *testing.T) {
	csv := whole(t)
	plain := one(t, csv, asfound.Defaults())
	// Stations of the demo's F1/left: a clear gap of 86.2 and 41 of spindle, so
	// the fourth space is from 3·127.2 = 381.6 to 467.8.
	s := one(t, csv+"F1/left,access,,,400,,,\nF1/left,access,rail,,40,,,\nF1/left,access,base,,100,,,\nF1/left,access,base,,5000,,,\n", asfound.Defaults())
	want := []Hole{{At: 400, Piece: "B04"}, {Rail: true, At: 40, Piece: "R01"}, {At: 100, Under: 1}, {At: 5000}}
	if diff := cmp.Diff(want, s.Holes); diff != "" {
		t.Errorf("holes (-want +got):\n%s", diff)
	}
	for i := range s.Sets {
		for k, p := range s.Sets[i].Pieces {
			if want := p.ID == "B04" || p.ID == "R01"; p.Access != want {
				t.Errorf("%s: access %t, want %t", p.ID, p.Access, want)
			}
			if diff := cmp.Diff(plain.Sets[i].Pieces[k].Needed, p.Needed); diff != "" {
				t.Errorf("%s is cut otherwise with a hole: %s", p.ID, diff)
			}
		}
	}
	page := strings.Join(strings.Fields(text(t, s, 80)), " ")
	for _, say := range []string{"under B04, which has to come out again: glue it at", "under spindle S01, out of reach", "under no piece of this sheet"} {
		if !strings.Contains(page, say) {
			t.Errorf("the page does not say %q", say)
		}
	}
	if !strings.Contains(write(t, s, "csv"), "access: glue one end only") {
		t.Error("the table does not mark the fillet")
	}
}

// While the readings do not suffice no length of those pieces leaves the sheet,
// in any format, and none of their labels.
func TestMeasureMoreGivesNoCuts(t *testing.T) {
	var s *Sheet
	for _, b := range sheets(t, bookOf(t, read(t, demoSheet)), asfound.Defaults()) {
		if b.Bay == "F2/left" {
			s = b
		}
	}
	spindles := s.Set(pieces.Spindle)
	if spindles.Cut != fit.MeasureMore || s.Final() || len(spindles.Settings) != 0 || !strings.HasPrefix(spindles.ToRead(), "read again ") {
		t.Fatalf("%+v, want measure-more without settings", spindles)
	}
	for _, p := range spindles.Pieces {
		if p.Needed != 0 || p.Setting != -1 {
			t.Errorf("%s has figures: %+v", p.ID, p)
		}
	}
	for _, l := range s.Labels() {
		if l.Piece[0] == 'S' {
			t.Errorf("label of %s", l.Piece)
		}
	}
	for _, format := range []string{"txt", "narrow.txt", "csv"} {
		out := write(t, s, format)
		if !strings.Contains(out, "Do not cut yet: read again ") {
			t.Errorf("%s does not say that nothing is to be cut", format)
		}
		for _, line := range strings.Split(out, "\n") {
			if strings.Contains(line, ",spindle,") && strings.Contains(strings.SplitN(line, "Do not cut", 2)[0], "81") {
				t.Errorf("a length of a spindle: %s", line)
			}
		}
	}
}

func TestFitEach(t *testing.T) {
	set := asfound.Defaults()
	set.House.Minutes.Fit, set.House.Minutes.Recut, set.House.Waviness = 0.5, 60, 1.2 // fitting each is the least work
	s := one(t, whole(t), set)
	sp := s.Set(pieces.Spindle)
	if sp.Cut != fit.FitEach || len(sp.Settings) != 1 {
		t.Fatalf("%s with %d settings, want fit-each with 1", sp.Cut, len(sp.Settings))
	}
	g := sp.Settings[0]
	most := 0.0
	for _, p := range sp.Pieces {
		most = max(most, p.Needed)
	}
	if over := g.Stop - most; over < set.House.Allowance-1e-9 || over > set.House.Allowance+1 || g.Stop != math.Trunc(g.Stop) {
		t.Errorf("blank of %g mm for a longest of %g mm, want %g to %g mm over in whole mm", g.Stop, most, set.House.Allowance, set.House.Allowance+1)
	}
	page := text(t, s, 80)
	if !strings.Contains(page, "final") || !strings.Contains(page, "S12") || !strings.Contains(page, "______") {
		t.Errorf("no column to write the final lengths in:\n%s", page)
	}
}

// A handrail that has to move is said before any length, and again on the card.
func TestHold(t *testing.T) {
	set := asfound.Defaults()
	if err := set.Set("profile", "england"); err != nil {
		t.Fatal(err)
	}
	s := one(t, strings.Replace(whole(t), "guard-height,bottom,,918", "guard-height,bottom,,880", 1), set)
	if len(s.Hold) == 0 || !strings.HasPrefix(s.Hold[0], "guard-height ") {
		t.Fatalf("hold %q, want the guard's height", s.Hold)
	}
	page := text(t, s, 80)
	at := strings.Index(page, "Settle this before anything is cut: guard-height")
	if cuts := strings.Index(page, "SPINDLES"); at < 0 || at > cuts {
		t.Errorf("the page does not say first what to settle:\n%s", page)
	}
	if card := s.Card(); !strings.Contains(strings.Join(card[0].Steps, "\n"), "Settle first: guard-height") {
		t.Errorf("the card begins with %q", card[0].Steps)
	}
}

// A bay that cannot be laid out has a sheet that says why and cuts nothing.
func TestNothing(t *testing.T) {
	s := one(t, "where,what,at,value\nF1/left,gap,top,812\nF1/left,spindle-section,,41 x 41 mm\n", asfound.Defaults())
	if s.Missing == "" || len(s.Sets) != 0 || s.Final() || len(s.Labels()) != 0 || s.Card() != nil {
		t.Errorf("%+v, want nothing to cut", s)
	}
	if page := text(t, s, 80); !strings.Contains(page, "Nothing to cut") || !strings.Contains(page, "Caution") {
		t.Errorf("page:\n%s", page)
	}
}
