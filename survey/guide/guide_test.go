package guide

import (
	"errors"
	"flag"
	"fmt"
	"os"
	"slices"
	"strconv"
	"strings"
	"testing"
	"unicode/utf8"

	"github.com/google/go-cmp/cmp"
	"pgregory.net/rapid"
	"pinchrod/store/journal"
	"pinchrod/survey"
)

var update = flag.Bool("update", false, "write the golden lists")

// book stands in for the caller: it records events as a book would hold them.
type book struct {
	t interface {
		Helper()
		Fatalf(string, ...any)
	}
	w     *Walk
	stair Stair
	done  []Done
	n     uint32
}

func newBook(t *testing.T, line string) *book {
	t.Helper()
	s, err := ParseStair(line)
	if err != nil {
		t.Fatalf("ParseStair(%q): %v", line, err)
	}
	return &book{t: t, w: New(s, nil), stair: s}
}

// record writes e down, then commits it.
func (b *book) record(e Event) {
	ref := journal.Ref{}
	switch {
	case e.Record != nil:
		b.n++
		ref = journal.Ref{Page: uint64(b.n), Item: 1}
		if e.Replaces {
			b.done = slices.DeleteFunc(b.done, func(d Done) bool { return d.Skipped == nil && d.Ref == e.Record.Replaces })
		}
		b.done = append(b.done, Done{Ref: ref, Reading: *e.Record})
	case e.Skipped != nil:
		s, err := ParseSkipped(e.Skipped.String())
		if err != nil {
			b.t.Fatalf("ParseSkipped: %v", err)
		}
		b.done = append(b.done, Done{Skipped: &s})
	case e.Stair != nil:
		s, err := ParseStair(e.Stair.String())
		if err != nil {
			b.t.Fatalf("ParseStair: %v", err)
		}
		b.stair = s
	}
	b.w.Commit(e, ref)
}

func (b *book) do(act Act, text string) Event {
	b.t.Helper()
	e, err := b.w.Do(Input{act, text})
	if err != nil {
		b.t.Fatalf("at %q: act %d %q: %v", b.at(), act, text, err)
	}
	b.record(e)
	return e
}

// at is the ID of the question that stands.
func (b *book) at() string {
	q, ok := b.w.Question()
	if !ok {
		return "over"
	}
	return q.ID
}

func (b *book) want(id string) {
	b.t.Helper()
	if got := b.at(); got != id {
		b.t.Fatalf("stands at %q, want %q", got, id)
	}
}

// answerTo is a believable answer to a question. 13 rises of 190 and 12 goings
// of 230 are invented.
func answerTo(q Question) string {
	switch q.Form {
	case Text, Count:
		return q.Default
	}
	switch k := q.Reading.Kind(); {
	case k.Measure == survey.Angle:
		return "39.6"
	case k.Measure == survey.Lean:
		return "2 in 900"
	case k.Measure == survey.Section:
		return "41 x 41"
	case k.Measure == survey.Percent:
		return "11"
	case k.Low < 0 && k.High < 100:
		return "1"
	}
	switch q.Reading.What {
	case survey.Rise:
		return "190"
	case survey.Going:
		return "230"
	case survey.TotalRise:
		return "2470"
	case survey.TotalGoing:
		return "2760"
	case survey.Headroom:
		return "2.05 m"
	}
	return "840"
}

func TestPlanFromNothing(t *testing.T) {
	b := newBook(t, "")
	for _, step := range []struct{ at, text, line string }{
		{"plan 1 name", "", "F1"},
		{"plan 1 rises", "13", "F1 rises 13"},
		{"plan 1 bays", "b", "F1 rises 13 bays left,right; ?"},
		{"plan 2 name", "L1", "F1 rises 13 bays left,right; L1"},
		{"plan 2 rises", "0", "F1 rises 13 bays left,right; L1 landing"},
		{"plan 2 bays", "edge", "F1 rises 13 bays left,right; L1 landing bays edge; ?"},
		{"plan 3 name", "y", "F1 rises 13 bays left,right; L1 landing bays edge; F2"},
		{"plan 3 rises", "2", "F1 rises 13 bays left,right; L1 landing bays edge; F2 rises 2"},
		{"plan 3 bays", "n", "F1 rises 13 bays left,right; L1 landing bays edge; F2 rises 2 bays none; ?"},
		{"plan 4 name", "", "F1 rises 13 bays left,right; L1 landing bays edge; F2 rises 2 bays none"},
	} {
		b.want(step.at)
		if q, _ := b.w.Question(); q.N < 1 || q.N > q.Of {
			t.Errorf("%s is %d of %d", q.ID, q.N, q.Of)
		}
		b.do(Answer, step.text)
		if got := b.w.Stair().String(); got != step.line {
			t.Fatalf("after %s: stair %q, want %q", step.at, got, step.line)
		}
		if got, want := New(b.stair, nil).current(), b.w.current(); got != want {
			t.Fatalf("after %s: resumed at %d, want %d", step.at, got, want)
		}
	}
	b.want("F1 string-angle bottom")
}

func TestPlanRefuses(t *testing.T) {
	for _, c := range []struct{ line, text string }{
		{"", "n"}, {"", "a b"}, {"", "F1/left"},
		{"F1", "100"}, {"F1", "-1"}, {"F1", ""}, {"F1", "many"},
		{"F1 rises 3", ""}, {"F1 rises 3", "a,a"}, {"F1 rises 3", "left,none"}, {"F1 rises 3", "a/b"},
		{"F1 rises 3 bays none; ?", "F1"},
	} {
		b := newBook(t, c.line)
		at := b.at()
		if e, err := b.w.Do(Input{Answer, c.text}); err == nil {
			t.Errorf("%q: answer %q gives %+v, want an error", c.line, c.text, e)
		}
		b.want(at)
	}
}

// TestStraightThrough answers a whole flight of 13 steps with two bays and
// finds every reading once, in the golden order.
func TestStraightThrough(t *testing.T) {
	b := newBook(t, "F1 rises 13 bays left,right")
	var lines []string
	seen := map[string]bool{}
	for range 1000 {
		q, ok := b.w.Question()
		if !ok {
			break
		}
		if seen[q.ID] {
			t.Fatalf("%s is asked twice", q.ID)
		}
		seen[q.ID] = true
		if want := 3 + len(seen) + 1; q.N != want || q.Of != len(b.w.asks) {
			t.Fatalf("%s is %d of %d, want %d of %d", q.ID, q.N, q.Of, want, len(b.w.asks))
		}
		lines = append(lines, fmt.Sprintf("%3d/%d  %-28s %-24s %s", q.N, q.Of, q.ID, q.Place, q.Title))
		e := b.do(Answer, answerTo(q))
		if e.Odd != "" {
			t.Errorf("%s: odd: %s", q.ID, e.Odd)
		}
	}
	b.want("over")
	got := strings.Join(lines, "\n") + "\n"
	const golden = "testdata/flight.golden"
	if *update {
		if err := os.WriteFile(golden, []byte(got), 0o644); err != nil {
			t.Fatal(err)
		}
	}
	want, err := os.ReadFile(golden)
	if err != nil {
		t.Fatal(err)
	}
	if d := cmp.Diff(string(want), got); d != "" {
		t.Errorf("questions (-want +got):\n%s", d)
	}
	count := map[survey.What]int{}
	for _, d := range b.done {
		count[d.Reading.What]++
		if k := d.Reading.Kind(); d.Reading.Value == (survey.Quantity{}) || k == nil {
			t.Errorf("%+v holds no value", d.Reading)
		}
		if _, err := survey.ParsePlace(string(d.Reading.Where)); err != nil {
			t.Error(err)
		}
		if at, err := d.Reading.Kind().ParseAt(d.Reading.At.String()); err != nil || at != d.Reading.At {
			t.Errorf("%s at %q: %v", d.Reading.What, d.Reading.At, err)
		}
	}
	if d := cmp.Diff(map[survey.What]int{
		survey.Rise: 13, survey.Going: 12, survey.Headroom: 1, survey.TotalRise: 1, survey.TotalGoing: 1,
		survey.StringAngle: 3, survey.Width: 3, survey.Side: 2, survey.Diagonal: 2,
		survey.SpindleSize: 2, survey.FilletSize: 2, survey.PostSection: 4, survey.PostPosition: 4, survey.LeanAlong: 4, survey.LeanAcross: 4,
		survey.BaseAngle: 6, survey.RailAngle: 6, survey.Gap: 6, survey.BowBase: 2, survey.BowRail: 2, survey.Run: 6,
		survey.GuardHeight: 4, survey.FrameDiagonal: 4, survey.Moisture: 2,
	}, count); d != "" {
		t.Errorf("readings (-want +got):\n%s", d)
	}
}

func TestLanding(t *testing.T) {
	for _, a := range asksOf(Stair{{Name: "L1", Landing: true, Bays: []string{"edge"}}}) {
		switch a.q.Reading.What {
		case survey.Rise, survey.Going, survey.StringAngle, survey.Headroom, survey.TotalRise, survey.PostPosition:
			t.Errorf("a landing is asked for %s", a.q.ID)
		}
	}
}

// TestSizes holds every question to a screen of 40 columns and twelve lines,
// and each kind to a drawing and its explanation.
func TestSizes(t *testing.T) {
	long := strings.Repeat("m", 24)
	asks := asksOf(Stair{{Name: "F1", Rises: 99, Bays: []string{"left"}}, {Name: long, Landing: true, Bays: []string{long}}})
	asks = append(asks, planAsks(nil)...)
	fits := func(id, what string, lines []string, most, columns int) {
		if len(lines) == 0 || len(lines) > most {
			t.Errorf("%s: %s of %d lines, want 1 to %d", id, what, len(lines), most)
		}
		for _, l := range lines {
			if n := utf8.RuneCountInString(l); n > columns || strings.ContainsAny(l, "\t\r") || strings.TrimRight(l, " ") != l {
				t.Errorf("%s: %s: %q is %d columns, want at most %d and no blanks at the end", id, what, l, n, columns)
			}
		}
	}
	used := map[survey.What]bool{}
	for _, a := range asks {
		q := a.q
		fits(q.ID, "how", q.How, 4, 40)
		fits(q.ID, "drawing", q.Drawing, 7, 36)
		fits(q.ID, "title", []string{q.Title}, 1, 40)
		fits(q.ID, "hint", []string{q.Hint}, 1, 40)
		used[q.Reading.What] = true
	}
	for what := range views {
		if !used[what] {
			t.Errorf("view of %s is never shown", what)
		}
	}
}

func TestStairRoundTrip(t *testing.T) {
	for _, line := range []string{
		"F1", "F1 rises 13", "F1 landing", "F1 rises 13 bays none; ?", "?",
		"F1 rises 13 bays left,right; L1 landing bays edge; F2 rises 4 bays none",
	} {
		s, err := ParseStair(line)
		if err != nil || s.String() != line {
			t.Errorf("ParseStair(%q) = %q, %v", line, s, err)
		}
	}
	for _, line := range []string{
		";", "F1;", "?; F1", "F1; F1", "F1 rises", "F1 rises 0", "F1 rises 100", "F1 bays left", "F1 rises 3 bays",
		"F1 rises 3 bays a,,b", "F1 rises 3 bays a,a", "F1 rises 3 bays a,none", "F/1", "F1 flight",
		"F1" + strings.Repeat("; ?", 40), "F1 rises 3 bays " + strings.Repeat("a", 25),
	} {
		if s, err := ParseStair(line); !errors.Is(err, ErrStair) {
			t.Errorf("ParseStair(%q) = %q, %v, want ErrStair", line, s, err)
		}
	}
}

func FuzzParseStair(f *testing.F) {
	f.Add("F1 rises 13 bays left,right; L1 landing bays edge")
	f.Add("F1 rises 13 bays none; ?")
	f.Add(" F1  landing bays a , b;?")
	f.Fuzz(func(t *testing.T, line string) {
		s, err := ParseStair(line)
		if err != nil {
			return
		}
		again, err := ParseStair(s.String())
		if err != nil {
			t.Fatalf("%q reads, what it writes, %q, does not: %v", line, s, err)
		}
		if d := cmp.Diff(s, again); d != "" {
			t.Errorf("%q (-first +second):\n%s", line, d)
		}
		New(s, nil).Question()
	})
}

func TestParseSkippedRefuses(t *testing.T) {
	for _, line := range []string{"", "later", "later x", "later : why", "soon F1 rise 1: carpet", "out F1 rise 1: a\x1b[2J"} {
		if s, err := ParseSkipped(line); !errors.Is(err, ErrSkipped) {
			t.Errorf("ParseSkipped(%q) = %+v, %v, want ErrSkipped", line, s, err)
		}
	}
}

// TestNothingMovesBeforeCommit holds Do to changing nothing.
func TestNothingMovesBeforeCommit(t *testing.T) {
	for _, in := range []Input{{Answer, "900"}, {Skip, "why"}, {Back, ""}, {Jump, "rise 2"}, {Again, ""}, {Again, "40"}, {Note, "n"}, {Help, ""}, {List, ""}, {Leave, ""}} {
		b := newBook(t, "F1 rises 3 bays left")
		b.do(Answer, "40")
		before := fmt.Sprintf("%+v", *b.w)
		if _, err := b.w.Do(in); err != nil {
			t.Errorf("%+v: %v", in, err)
		}
		if after := fmt.Sprintf("%+v", *b.w); after != before {
			t.Errorf("%+v changed the walk", in)
		}
	}
}

func TestSkip(t *testing.T) {
	b := newBook(t, "F1 rises 1 bays none")
	b.do(Answer, "40") // string angle
	b.do(Skip, "no access")
	b.want("F1 rise 1")
	for b.at() != "F1 diagonal falling" {
		q, _ := b.w.Question()
		b.do(Answer, answerTo(q))
	}
	if q, _ := b.w.Question(); q.N != len(b.w.asks) {
		t.Fatalf("diagonal falling is %d of %d, want the last", q.N, q.Of)
	}
	b.do(Answer, answerTo(b.w.question(b.w.current())))
	b.want("F1 width bottom") // at the end of its place
	if q, _ := b.w.Question(); q.Previous != "skipped: no access" {
		t.Errorf("Previous is %q", q.Previous)
	}
	if got := New(b.stair, b.done); got.asks[got.current()].q.ID != "F1 width bottom" {
		t.Error("resumed elsewhere")
	}
	if e := b.do(Skip, "still none"); !e.Skipped.Out {
		t.Errorf("a second skip is %q, want it out", e.Skipped)
	}
	b.want("over")
	b.do(Jump, "width bottom")
	b.do(Answer, "900")
	b.want("over")
	if _, err := b.w.Do(Input{Answer, "900"}); !errors.Is(err, ErrOver) {
		t.Errorf("answer when over: %v", err)
	}
	b.do(Back, "")
	b.want("F1 diagonal falling")
}

// TestSkipPlaces asks what was skipped at the end of its own place, before the
// next one, and in its order.
func TestSkipPlaces(t *testing.T) {
	b := newBook(t, "F1 rises 1 bays left; L1 landing bays none")
	through := func(last string) {
		t.Helper()
		for range 100 {
			q, ok := b.w.Question()
			if !ok {
				break
			}
			b.do(Answer, answerTo(q))
			if q.ID == last {
				return
			}
		}
		t.Fatalf("%s is never asked", last)
	}
	b.do(Answer, "40")
	b.do(Skip, "") // width bottom
	b.do(Skip, "") // rise 1
	through("F1 diagonal falling")
	b.want("F1 width bottom")
	b.do(Skip, "")
	b.want("F1 rise 1")
	b.do(Answer, "190")
	b.want("F1/left spindle-section")
	b.do(Answer, "41 x 41")
	b.do(Answer, "41 x 8")
	b.do(Skip, "") // post section lower
	through("F1/left frame-diagonal falling")
	b.want("F1/left moisture")
	if e := b.do(Skip, "no meter"); !e.Skipped.Out {
		t.Error("moisture is to come again")
	}
	b.want("F1/left post-section lower")
	b.do(Answer, "90 x 90")
	b.want("L1 width bottom")

	// A skip too is where the walk goes on from.
	b.do(Jump, "L1 width top")
	b.do(Skip, "")
	b.want("L1 side left")
	// Of a place, the first open question.
	b.do(Jump, "L1")
	b.want("L1 width bottom")
	b.do(Answer, "900")
	b.do(Jump, "l1")
	b.want("L1 total-going")
	// What was jumped over comes last, when the walk has come round.
	b.do(Jump, "L1 diagonal falling")
	b.do(Answer, "840")
	b.want("L1 width top")
	b.do(Answer, "900")
	b.want("L1 side left")
	b.do(Back, "")
	b.want("L1 width top")
	b.do(Jump, "L1")
	b.want("L1 total-going")

	// Skipped ahead of where one reads, a question still waits for the end.
	b = newBook(t, "L1 landing bays none")
	b.do(Jump, "width middle")
	b.do(Skip, "")
	b.do(Jump, "width bottom")
	b.do(Answer, "900")
	b.do(Answer, "900")
	b.want("L1 width top")
	through("L1 diagonal falling")
	b.want("L1 width middle")
}

// TestSkipLast holds that what was skipped last in its place does not come
// straight back.
func TestSkipLast(t *testing.T) {
	b := newBook(t, "L1 landing bays none")
	for b.at() != "L1 diagonal falling" {
		q, _ := b.w.Question()
		b.do(Answer, answerTo(q))
	}
	if e := b.do(Skip, ""); !e.Skipped.Out {
		t.Error("the last of all is to come again")
	}
	b.want("over")
}

func TestPlanIsNotSkipped(t *testing.T) {
	b := newBook(t, "")
	if _, err := b.w.Do(Input{Skip, "why"}); !errors.Is(err, ErrNoSkip) {
		t.Errorf("skip of the plan: %v", err)
	}
	if _, err := b.w.Do(Input{Back, ""}); err == nil {
		t.Error("back from the first question")
	}
	if _, err := b.w.Do(Input{Again, ""}); err == nil {
		t.Error("again before anything was read")
	}
}

func TestJump(t *testing.T) {
	b := newBook(t, "F1 rises 13 bays left,right; F2 rises 13 bays left")
	for _, c := range []struct{ text, want string }{
		{"gap top", "F1/left gap top"},
		{"F1/right", "F1/right spindle-section"},
		{"gap top", "F1/right gap top"}, // of where one stands
		{"f2 rise 1", "F2 rise 1"},
		{"rise 12", "F2 rise 12"},
		{"F1 rise 4", "F1 rise 4"},
		{"handrail mid", "F1/left rail-angle middle"},
		{"run 350", "F1/left run 350"},
		{"f1", "F1 string-angle bottom"},
		{"2", "plan 1 rises"},
		{"plan 1 bays", "plan 1 bays"},
		{"", "F1 string-angle bottom"}, // back to the walk
	} {
		b.do(Jump, c.text)
		if got := b.at(); got != c.want {
			t.Errorf("jump %q stands at %q, want %q", c.text, got, c.want)
		}
	}
	for _, text := range []string{"0", "9999", "chimney", "rise 14", "/"} {
		if _, err := b.w.Do(Input{Jump, text}); !errors.Is(err, ErrNowhere) {
			t.Errorf("jump %q: %v, want ErrNowhere", text, err)
		}
	}
	// The walk goes on from where one jumped, and comes round.
	b.do(Jump, "F2/left moisture")
	b.do(Answer, "11")
	b.want("F1 string-angle bottom")
	b.do(Jump, "F1/left gap top")
	b.do(Answer, "840")
	b.want("F1/left guard-height top")
	if got := New(b.stair, b.done); got.asks[got.current()].q.ID != "F1/left guard-height top" {
		t.Error("resumed elsewhere")
	}
}

func TestBackCorrectAgain(t *testing.T) {
	b := newBook(t, "F1 rises 13 bays none")
	b.do(Answer, "40")
	b.do(Answer, "900")
	b.want("F1 rise 1")
	first := b.done[1].Ref

	b.do(Back, "")
	b.want("F1 width bottom")
	q, _ := b.w.Question()
	if q.Previous != "900" || q.Default != "900" {
		t.Errorf("Previous %q, Default %q, want 900", q.Previous, q.Default)
	}
	if e := b.do(Answer, ""); !e.Moved || e.Record != nil {
		t.Errorf("an empty answer gives %+v, want what stands kept", e)
	}
	b.want("F1 rise 1")

	b.do(Back, "")
	if e := b.do(Answer, "0.9 m"); e.Record != nil {
		t.Error("the same value is recorded as a correction")
	}
	b.do(Back, "")
	e := b.do(Answer, "910 mm")
	if !e.Replaces || e.Again || e.Record.Replaces != first || e.Record.Text != "910 mm" {
		t.Errorf("correction is %+v of %v", e, e.Record)
	}
	b.want("F1 rise 1")

	b.do(Again, "")
	b.want("F1 width bottom")
	if _, err := b.w.Do(Input{Answer, ""}); !errors.Is(err, ErrEmpty) {
		t.Errorf("empty second reading: %v", err)
	}
	e = b.do(Answer, "910")
	if !e.Again || e.Replaces || e.Record.Replaces != (journal.Ref{}) {
		t.Errorf("second reading is %+v", e)
	}
	b.want("F1 rise 1")
	e = b.do(Again, "925")
	if !e.Again || e.Odd != "15 mm more than the first time: read it again, or keep it" {
		t.Errorf("third reading is %+v", e)
	}
	b.do(Back, "")
	if q, _ := b.w.Question(); q.Previous != "910 mm, 910, 925" {
		t.Errorf("Previous is %q", q.Previous)
	}
}

// TestTwoHands reads where another's reading stands: beside it the first
// time, and as a correction of one's own after that.
func TestTwoHands(t *testing.T) {
	b := newBook(t, "F1 rises 13 bays none")
	b.w.By = "Ann"
	b.do(Answer, "40")
	b.w = New(b.stair, b.done)
	b.w.By = "Ben"
	b.do(Back, "")
	b.want("F1 string-angle bottom")
	if q, _ := b.w.Question(); q.Default != "" || q.Previous != "40" {
		t.Errorf("Default %q, Previous %q, want none and 40", q.Default, q.Previous)
	}
	if e := b.do(Answer, "40"); !e.Again || e.Replaces || e.Record.By != "Ben" {
		t.Errorf("another hand gives %+v", e)
	}
	b.do(Back, "")
	if e := b.do(Answer, "40.2"); e.Again || !e.Replaces || e.Record.Replaces != (journal.Ref{Page: 2, Item: 1}) {
		t.Errorf("a correction of one's own gives %+v", e)
	}
	if len(b.done) != 2 || b.done[0].Reading.By != "Ann" {
		t.Errorf("the book holds %+v", b.done)
	}
}

func TestNoteHelpListLeave(t *testing.T) {
	b := newBook(t, "F1 rises 13 bays left")
	b.do(Answer, "40")
	b.do(Skip, "carpet")
	b.want("F1 rise 1")
	if e := b.do(Note, " nosing broken "); e.Note != "nosing broken" || e.ID != "F1 rise 1" {
		t.Errorf("note is %+v", e)
	}
	if _, err := b.w.Do(Input{Note, " "}); !errors.Is(err, ErrEmpty) {
		t.Errorf("empty note: %v", err)
	}
	if e := b.do(Help, ""); !slices.Contains(e.Show, views[survey.Rise].how[0]) || !slices.Contains(e.Show, drawRise[0]) {
		t.Errorf("help shows %q", e.Show)
	}
	want := []string{"the stair's plan: 4 of 4", "F1: 1 of 38, 1 skipped", "  Clear width at the bottom: skipped: carpet", "> Rise of step 1", "F1/left: 0 of 29"}
	if d := cmp.Diff(want, b.do(List, "").Show); d != "" {
		t.Errorf("list (-want +got):\n%s", d)
	}
	if e := b.do(List, "f1/"); len(e.Show) != 30 {
		t.Errorf("list of the bay has %d lines, want 30", len(e.Show))
	}
	if e := b.do(Leave, ""); !e.Leave {
		t.Errorf("leave is %+v", e)
	}
	b.want("F1 rise 1")
}

// TestPlanChanges changes the number of steps on the way: questions come and
// go, and what is read stays.
func TestPlanChanges(t *testing.T) {
	b := newBook(t, "F1 rises 3 bays none")
	for b.at() != "F1 total-rise" {
		q, _ := b.w.Question()
		b.do(Answer, answerTo(q))
	}
	b.do(Jump, "plan 1 rises")
	if e := b.do(Answer, "5"); e.Odd != "" || e.Stair.String() != "F1 rises 5 bays none" {
		t.Errorf("more steps: %+v", e)
	}
	b.want("F1 going 3")
	b.do(Answer, "230")
	b.want("F1 rise 4")
	b.do(Answer, "190")

	b.do(Jump, "plan 1 rises")
	if e := b.do(Answer, "3"); e.Odd != "2 readings in the book would no longer be asked about" {
		t.Errorf("fewer steps: odd is %q", e.Odd)
	}
	b.do(Jump, "")
	b.want("F1 total-rise")
	b.do(Jump, "plan 1 rises")
	b.do(Answer, "5")
	b.want("F1 going 4") // rise 4 is read

	// Another flight above, and off again.
	b.do(Jump, "plan 2 name")
	b.do(Answer, "F2")
	b.want("plan 2 rises")
	b.do(Jump, "plan 2 name")
	b.do(Answer, "n")
	b.want("F1 going 4")
}

func TestOdd(t *testing.T) {
	for _, c := range []struct {
		name  string
		given []string // jump, answer
		at    string
		text  string
		want  string
	}{
		{"rise", []string{"F1 rise 1", "190", "F1 rise 2", "191", "F1 rise 3", "192"}, "F1 rise 4", "230", "39 mm more than the other rises: read it again, or keep it"},
		{"rise within", []string{"F1 rise 1", "190"}, "F1 rise 2", "220", ""},
		{"first rise", nil, "F1 rise 1", "100", ""},
		{"going", []string{"F1 going 1", "230"}, "F1 going 2", "180", "50 mm less than the other goings: read it again, or keep it"},
		{"gap", []string{"F1/left gap bottom", "840"}, "F1/left gap top", "814", "26 mm less than the other gaps: read it again, or keep it"},
		{"gap of another bay", []string{"F1/right gap bottom", "840"}, "F1/left gap top", "700", ""},
		{"angle", []string{"F1/left base-angle bottom", "40"}, "F1/left rail-angle top", "43.5", "3.5° more than the other angles of the bay: read it again, or keep it"},
		{"angle against the string", []string{"F1 string-angle bottom", "40"}, "F1/left base-angle bottom", "36.5", "3.5° less than the string: read it again, or keep it"},
		{"fillet on edge", nil, "F1/left fillet-section", "8 x 41 mm", "41 mm thick and 8 mm wide? A fillet is width x thickness: read it again, or keep it"},
		{"fillet", nil, "F1/left fillet-section", "41 x 8 mm", ""},
		{"square fillet", nil, "F1/left fillet-section", "12 x 12 mm", ""},
		{"spindle", nil, "F1/left spindle-section", "8 x 41 mm", ""},
		{"correction is not held against itself", []string{"F1/left gap bottom", "840"}, "F1/left gap bottom", "700", ""},
	} {
		b := newBook(t, "F1 rises 13 bays left,right")
		for i := 0; i < len(c.given); i += 2 {
			b.do(Jump, c.given[i])
			b.do(Answer, c.given[i+1])
		}
		b.do(Jump, c.at)
		b.want(c.at)
		if e := b.do(Answer, c.text); e.Odd != c.want {
			t.Errorf("%s: odd is %q, want %q", c.name, e.Odd, c.want)
		}
	}
}

func TestOddTotal(t *testing.T) {
	b := newBook(t, "F1 rises 2 bays none")
	for b.at() != "F1 total-rise" {
		q, _ := b.w.Question()
		b.do(Answer, answerTo(q))
	}
	if e, _ := b.w.Do(Input{Answer, "480"}); e.Odd != "100 mm more than the steps together: read it again, or keep it" {
		t.Errorf("odd is %q", e.Odd)
	}
	if e, _ := b.w.Do(Input{Answer, "386"}); e.Odd != "" { // 2 x 3 mm over
		t.Errorf("odd is %q, want nothing", e.Odd)
	}
}

// TestLean takes a bare number over the length of the lean before.
func TestLean(t *testing.T) {
	b := newBook(t, "F1 rises 3 bays left")
	b.do(Jump, "F1/left lean-along lower")
	if _, err := b.w.Do(Input{Answer, "3"}); err == nil {
		t.Error("a bare number is taken for a first lean")
	}
	b.do(Answer, "3 in 900")
	e := b.do(Answer, "-2")
	if e.Record.Text != "-2 in 900 mm" || e.Record.What != survey.LeanAcross || e.Record.Value.N[0] != -2000 {
		t.Errorf("lean is %+v", e.Record)
	}
	if v, err := e.Record.Kind().ParseValue(e.Record.Text); err != nil || v != e.Record.Value {
		t.Errorf("%q reads back as %v, %v", e.Record.Text, v, err)
	}
}

func TestRefusals(t *testing.T) {
	b := newBook(t, "F1 rises 3 bays none")
	for _, text := range []string{"", "eighty", "80 deg", "4\x1b0", strings.Repeat("4", 65)} {
		if e, err := b.w.Do(Input{Answer, text}); err == nil {
			t.Errorf("string angle %q gives %+v, want an error", text, e)
		}
	}
	b.want("F1 string-angle bottom")
	if _, err := b.w.Do(Input{}); err == nil {
		t.Error("no act at all is taken")
	}
}

// TestResume walks at random and rebuilds the walk from what was recorded
// after every step: it holds the same and goes on the same.
func TestResume(t *testing.T) {
	rapid.Check(t, func(rt *rapid.T) {
		lines := []string{"", "F1", "F1 rises 3 bays left", "F1 rises 2 bays left,right; L1 landing bays edge"}
		s, err := ParseStair(rapid.SampledFrom(lines).Draw(rt, "stair"))
		if err != nil {
			rt.Fatal(err)
		}
		b := &book{t: rt, w: New(s, nil), stair: s}
		for range rapid.IntRange(1, 150).Draw(rt, "steps") {
			b.w.By = rapid.SampledFrom([]string{"", "Ann"}).Draw(rt, "by")
			b.record(b.random(rt))
			again := New(b.stair, b.done)
			again.By = b.w.By
			b.w.same(rt, again)
		}
	})
}

// random is an event of some act that the walk takes.
func (b *book) random(rt *rapid.T) Event {
	acts := []Act{Answer, Answer, Answer, Answer, Answer, Answer, Skip, Skip, Back, Jump, Again, Note, Help, List, Leave}
	in := Input{Act: rapid.SampledFrom(acts).Draw(rt, "act")}
	q, ok := b.w.Question()
	switch in.Act {
	case Answer:
		if ok {
			in.Text = answerTo(q)
		}
		if q.Form == Count {
			in.Text = strconv.Itoa(rapid.IntRange(0, 4).Draw(rt, "rises"))
		}
		if q.Form == Value && rapid.Bool().Draw(rt, "odd") {
			in.Text = rapid.SampledFrom([]string{"", "211", "31", "3 in 800", "90 x 90", "-4"}).Draw(rt, "text")
		}
	case Skip, Note:
		in.Text = rapid.SampledFrom([]string{"", "carpet", "no access: wall"}).Draw(rt, "why")
	case Jump:
		in.Text = strconv.Itoa(rapid.IntRange(0, len(b.w.asks)+1).Draw(rt, "to"))
	case Again:
		in.Text = rapid.SampledFrom([]string{"", "211"}).Draw(rt, "text")
	}
	e, err := b.w.Do(in)
	if err != nil {
		return Event{stand: b.w.stand, again: b.w.again}
	}
	return e
}

func (w *Walk) same(rt *rapid.T, o *Walk) {
	if got, want := o.stair.String(), w.stair.String(); got != want {
		rt.Fatalf("stair is %q, want %q", got, want)
	}
	if got, want := o.next(), w.next(); got != want {
		rt.Fatalf("goes on at %d, want %d", got, want)
	}
	if w.stand == "" {
		q, ok := w.Question()
		p, pk := o.Question()
		if d := cmp.Diff(q, p); d != "" || ok != pk {
			rt.Fatalf("question (-walk +rebuilt):\n%s", d)
		}
	}
	if len(o.asks) != len(w.asks) {
		rt.Fatalf("%d questions, want %d", len(o.asks), len(w.asks))
	}
	for _, a := range w.asks {
		if o.state(a) != w.state(a) || !slices.Equal(o.got[a.q.ID], w.got[a.q.ID]) {
			rt.Fatalf("%s differs", a.q.ID)
		}
	}
}

// The findings know a landing by its name, so the walk gives it one.
func TestLandingIsNamedSo(t *testing.T) {
	say := func(w *Walk, text string) error {
		e, err := w.Do(Input{Act: Answer, Text: text})
		if err == nil {
			w.Commit(e, journal.Ref{})
		}
		return err
	}
	w := New(nil, nil)
	for _, text := range []string{"F1", "3", "left", "y", "0", "edge", "n"} {
		if err := say(w, text); err != nil {
			t.Fatalf("%q: %v", text, err)
		}
	}
	if got, want := w.Stair().String(), "F1 rises 3 bays left; L1 landing bays edge"; got != want {
		t.Errorf("stair %q, want %q", got, want)
	}
	w = New(nil, nil)
	if err := say(w, "L1"); err != nil {
		t.Fatal(err)
	}
	if err := say(w, "3"); err == nil {
		t.Error("a landing with three rises was taken")
	}
}
