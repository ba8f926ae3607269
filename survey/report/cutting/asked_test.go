package cutting

import (
	"context"
	"encoding/csv"
	"encoding/json"
	"reflect"
	"regexp"
	"strings"
	"testing"

	"pinchrod/calc/pieces"
	"pinchrod/survey/asfound"
	"pinchrod/survey/report/scene"
	"pinchrod/survey/report/scene/scenetest"
)

// A sheet that is not of the book's own settings says so in every form, on the sheet
// and on its card; one that is, nowhere.
func TestAsked(t *testing.T) {
	set := asfound.Defaults()
	set.Fillets = asfound.SquareEnded
	b := bookOf(t, whole(t))
	f, err := asfound.Work(context.Background(), b, set)
	if err != nil {
		t.Fatal(err)
	}
	for _, asked := range [][]string{nil, {"fillet-ends=square (the book has both)"}, {"fillet-ends=square (the book has both)", "long=0.3 (the book does not set it)"}} {
		s, err := New(&f.Bays[0], Options{Job: b.Job.Name, JobID: jobID, Settings: set, Rules: f.Rules, Entry: "01-1", Date: day, Asked: asked})
		if err != nil {
			t.Fatal(err)
		}
		say := "Trial settings: do not cut from this. It is printed with " + strings.Join(asked, " and ") + "."
		flat := strings.Join(strings.Fields(text(t, s, 80)), " ")
		if n := strings.Count(flat, say); len(asked) > 0 && n != 2 || len(asked) == 0 && strings.Contains(flat, "Trial settings") {
			t.Errorf("%q: the text says %d times %q", asked, n, say)
		}
		rows, err := csv.NewReader(strings.NewReader(write(t, s, "csv"))).ReadAll()
		if err != nil {
			t.Fatal(err)
		}
		for _, row := range rows[1:] {
			if note := row[len(row)-1]; strings.HasSuffix(note, say) != (len(asked) > 0) || strings.HasPrefix(note, ";") {
				t.Errorf("%q: the note of %s is %q", asked, row[4], note)
			}
		}
		var out struct{ Asked []string }
		if err := json.Unmarshal([]byte(write(t, s, "json")), &out); err != nil || out.Asked == nil || len(out.Asked) != len(asked) {
			t.Errorf("%q: JSON has %q, %v", asked, out.Asked, err)
		}
		n := 0
		for _, p := range s.Pages() {
			if strings.Contains(wholeText(p), "Trial settings") {
				n++
			}
		}
		if want := min(len(asked), 1) * 2; n != want {
			t.Errorf("%q: %d pages say it, want %d", asked, n, want)
		}
	}
}

func wholeText(p scene.Page) string {
	var all strings.Builder
	for _, l := range scenetest.Texts(p) {
		all.WriteString(l.S + " ")
	}
	return all.String()
}

// Which ends are square is told of every kind, also while its readings do not
// suffice.
func TestSquareEnds(t *testing.T) {
	set := asfound.Defaults()
	set.Fillets = asfound.SquareEnded
	s := one(t, ofDemo(t, "F2/left"), set)
	if s.Final() || len(s.Sets) != 3 {
		t.Fatalf("%d sets, final %t; want 3, of which some cannot be cut yet", len(s.Sets), s.Final())
	}
	for k, square := range map[pieces.Kind]bool{pieces.Spindle: false, pieces.BaseFillet: true, pieces.RailFillet: true} {
		if got, want := s.SquareEnds(k), [2]bool{square, square}; got != want {
			t.Errorf("%s: %v, want %v", k, got, want)
		}
	}
}

// Names of the contract with scripts are lower case, without a dot.
func TestJSONNames(t *testing.T) {
	names := map[string]bool{}
	var walk func(t reflect.Type)
	walk = func(t reflect.Type) {
		switch t.Kind() {
		case reflect.Pointer, reflect.Slice:
			walk(t.Elem())
		case reflect.Struct:
			for i := range t.NumField() {
				name, _, _ := strings.Cut(t.Field(i).Tag.Get("json"), ",")
				names[name] = true
				walk(t.Field(i).Type)
			}
		}
	}
	walk(reflect.TypeOf(jsonSheet{}))
	form := regexp.MustCompile(`^[a-z][a-z0-9]*(_[a-z0-9]+)*$`)
	for n := range names {
		if !form.MatchString(n) {
			t.Errorf("%q is no name of the contract", n)
		}
	}
	for _, want := range []string{"number", "asked", "tip_to_tip", "steps", "spindle"} {
		if !names[want] {
			t.Errorf("%q is missing", want)
		}
	}
}
