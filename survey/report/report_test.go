package report

import (
	"bytes"
	"context"
	"encoding/json"
	"fmt"
	"os"
	"reflect"
	"regexp"
	"slices"
	"strings"
	"testing"
	"time"

	"pinchrod/store/journal"
	"pinchrod/survey"
	"pinchrod/survey/asfound"
	"pinchrod/survey/fieldbook"
	"pinchrod/survey/report/lines"
	"pinchrod/survey/sheet"
)

func TestRanges(t *testing.T) {
	if got, want := ranges([]int{1, 2, 3, 5, 8, 9}), "no. 1-3 and 5 and 8-9"; got != want {
		t.Errorf("ranges = %q, want %q", got, want)
	}
}

func book(t *testing.T, csv string) *fieldbook.Book {
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

func mustWork(b *fieldbook.Book, s asfound.Settings) *asfound.Findings {
	f, err := asfound.Work(context.Background(), b, s)
	if err != nil {
		panic(err)
	}
	return f
}

func slip(t *testing.T) *asfound.Findings {
	t.Helper()
	csv, err := os.ReadFile("../../testdata/reference/bays/slip-in-top-gap.csv")
	if err != nil {
		t.Fatal(err)
	}
	return mustWork(book(t, string(csv)+"F1/left,spindle-section,,,41 x 41 mm,\nF1,rise,3,,190 mm,\n"), asfound.Defaults())
}

// No line is wider than the page, whatever its width, and every page that
// states a spacing or a height ends with the caution.
func TestPagesHoldTogether(t *testing.T) {
	f := slip(t)
	b := book(t, "where,what,at,value,note\nF1/left,gap,top,812.5,"+strings.Repeat("word ", 60)+"\nF1/left,walk,,10 x 118.2 mm short 5 mm,"+strings.Repeat("x", 300)+"\nF1,rise,3,190,\n")
	b.Entries[0].Struck = []fieldbook.Ruling{{Why: strings.Repeat("wrong ", 30), Time: time.UnixMilli(0)}}
	for _, n := range []int{24, 40, 64, 80, 200} {
		for _, colour := range []bool{false, true} {
			var check, table bytes.Buffer
			s := Style{Width: n, Colour: colour}
			if err := Check(&check, f, colour, s); err != nil {
				t.Fatal(err)
			}
			if err := Book(&table, b, survey.HouseKit, "No rules.", s); err != nil {
				t.Fatal(err)
			}
			for name, page := range map[string]string{"check": check.String(), "book": table.String()} {
				for line := range strings.Lines(page) {
					if w := lines.Width(strings.TrimRight(line, "\n")); w > n {
						t.Errorf("%s at %d columns has a line of %d: %q", name, n, w, line)
					}
				}
				if flat := strings.Join(strings.Fields(page), " "); !strings.HasSuffix(flat, "decide.") || !strings.Contains(flat, "local building code") {
					t.Errorf("%s at %d columns does not end with the caution", name, n)
				}
				if !colour && strings.Contains(page, "\x1b") {
					t.Errorf("%s has escape sequences without colour", name)
				}
			}
		}
	}
}

// What a sheet or another device says cannot play with the terminal.
func TestHostileText(t *testing.T) {
	b := book(t, "where,what,at,value\nF1/left,gap,top,812.5\n")
	const evil = "a\x1b[2Jb\u202ec\rd\x07"
	b.Job.Name = evil
	b.Entries[0].Reading.Note, b.Entries[0].Reading.By = evil, evil
	b.Entries[0].Reading.Text = evil
	b.Entries[0].Struck = []fieldbook.Ruling{{Why: evil, By: evil}}
	b.Entries = append(b.Entries, fieldbook.Entry{Reading: survey.Reading{Where: evil, What: evil, Text: evil}, Newer: true})
	var out bytes.Buffer
	if err := Book(&out, b, survey.HouseKit, "No rules.", Style{}); err != nil {
		t.Fatal(err)
	}
	if err := Check(&out, mustWork(b, asfound.Defaults()), true, Style{}); err != nil {
		t.Fatal(err)
	}
	if strings.ContainsAny(out.String(), "\x1b\u202e\r\x07") {
		t.Errorf("control characters reach the terminal: %q", out.String())
	}
}

// A struck reading has a line through it.
func TestStruckThrough(t *testing.T) {
	b := book(t, "where,what,at,value\nF1/left,gap,top,812.5\n")
	b.Entries[0].Struck = []fieldbook.Ruling{{Why: "wrong post"}}
	for colour, want := range map[bool]string{true: "\x1b[9mgap at top\x1b[0m", false: "~~gap at top~~"} {
		var out bytes.Buffer
		if err := Book(&out, b, survey.HouseKit, "No rules.", Style{Colour: colour}); err != nil {
			t.Fatal(err)
		}
		if !strings.Contains(out.String(), want) || !strings.Contains(out.String(), "struck: wrong post") {
			t.Errorf("colour %v: %q, want %q with its reason", colour, out.String(), want)
		}
	}
}

// keys lists the paths of an object's keys, those of a list under [].
func keys(v any, at string, into map[string]bool) {
	switch v := v.(type) {
	case map[string]any:
		for k, e := range v {
			into[at+"."+k] = true
			keys(e, at+"."+k, into)
		}
	case []any:
		for _, e := range v {
			keys(e, at+"[]", into)
		}
	}
}

// jsonNames lists the names that a type of an answer can have, by its fields.
func jsonNames(t reflect.Type, into map[string]bool) {
	switch t.Kind() {
	case reflect.Pointer, reflect.Slice:
		jsonNames(t.Elem(), into)
	case reflect.Struct:
		for i := range t.NumField() {
			f := t.Field(i)
			name, _, _ := strings.Cut(f.Tag.Get("json"), ",")
			into[name] = true
			jsonNames(f.Type, into)
		}
	}
}

// A script writes .made[].pieces[].number: names are lower case, without a dot.
func TestJSONNames(t *testing.T) {
	names := map[string]bool{}
	for _, v := range []any{jsonFindings{}, jsonAdvice{}, jsonOpen{}} {
		jsonNames(reflect.TypeOf(v), names)
	}
	form := regexp.MustCompile(`^[a-z][a-z0-9]*(_[a-z0-9]+)*$`)
	for n := range names {
		if !form.MatchString(n) {
			t.Errorf("%q is no name of the contract", n)
		}
	}
	for _, want := range []string{"number", "p_all_fit", "likely_error", "out_of_true", "gains"} {
		if !names[want] {
			t.Errorf("%q is missing", want)
		}
	}
}

// The contract with scripts: names are extended, never renamed.
func TestJSONContract(t *testing.T) {
	var out bytes.Buffer
	if err := JSON(&out, slip(t)); err != nil {
		t.Fatal(err)
	}
	var v any
	if err := json.Unmarshal(out.Bytes(), &v); err != nil {
		t.Fatal(err)
	}
	got := map[string]bool{}
	keys(v, "", got)
	want := strings.Fields(".job .flights .flights[].flight .flights[].flags .bays .bays[].bay .bays[].adjusted .bays[].chi2 " +
		".bays[].chi2.value .bays[].chi2.dof .bays[].chi2.p .bays[].readings .bays[].flags .bays[].layout .bays[].verdict " +
		".bays[].layout.count .bays[].layout.clear_gap .bays[].layout.widest_gap .bays[].layout.stations .bays[].layout.bevel .bays[].layout.last_gap .bays[].again")
	for _, k := range strings.Fields("id what at value residual redundancy w suspect likely_error slip") {
		want = append(want, ".bays[].readings[]."+k)
	}
	for _, k := range strings.Fields("flag state value u limit unit text") {
		want = append(want, ".bays[].flags[]."+k)
	}
	for _, k := range strings.Fields("run lean_lower lean_upper base_angle rail_angle gap_bottom gap_middle gap_top bow_base bow_rail") {
		want = append(want, ".bays[].adjusted."+k, ".bays[].adjusted."+k+".value", ".bays[].adjusted."+k+".u")
	}
	for _, k := range strings.Fields("spindles base_fillets rail_fillets") {
		at := ".bays[].verdict." + k
		want = append(want, at, at+".cut", at+".why", at+".options", at+".measure")
		for _, o := range strings.Fields("cut p_all_fit p_error lengths stops settings minutes expected_minutes expected_trims expected_recuts") {
			want = append(want, at+".options[]."+o)
		}
	}
	var thin bytes.Buffer
	if err := JSON(&thin, mustWork(book(t, thinBay), asfound.Defaults())); err != nil {
		t.Fatal(err)
	}
	var w any
	if err := json.Unmarshal(thin.Bytes(), &w); err != nil {
		t.Fatal(err)
	}
	keys(w, "", got)
	for _, k := range strings.Fields("what at p_after takes_minutes saves_minutes") {
		want = append(want, ".bays[].verdict.spindles.measure[]."+k)
	}
	for _, k := range want {
		if !got[k] {
			t.Errorf("%s is missing", k)
		}
	}
	states := map[string]bool{}
	for _, f := range v.(map[string]any)["bays"].([]any)[0].(map[string]any)["flags"].([]any) {
		states[fmt.Sprint(f.(map[string]any)["state"])] = true
	}
	for s := range states {
		if !slices.Contains([]string{"clear", "flag", "unsure"}, s) {
			t.Errorf("state %q is none of the contract's", s)
		}
	}
}

// What is not known is null, and lists are never null.
func TestJSONOfAThinBay(t *testing.T) {
	var out bytes.Buffer
	if err := JSON(&out, mustWork(book(t, "where,what,value\nF1/left,stock-length,2400\n"), asfound.Defaults())); err != nil {
		t.Fatal(err)
	}
	flat := strings.Join(strings.Fields(out.String()), "")
	for _, want := range []string{`"run":null`, `"chi2":null`, `"readings":[]`, `"flags":[]`, `"layout":null`, `"spindles":{"cut":"measure-more"`} {
		if !strings.Contains(flat, want) {
			t.Errorf("no %s in %s", want, flat)
		}
	}
}
