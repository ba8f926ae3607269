package fieldbook

import (
	"errors"
	"fmt"
	"iter"
	"maps"
	"slices"
	"strings"
	"testing"
	"time"

	"pinchrod/store/journal"
	"pinchrod/survey"
)

// buckets is a KV in memory.
type buckets map[string][]byte

func (b buckets) Get(k []byte) []byte   { return b[string(k)] }
func (b buckets) Put(k, v []byte) error { b[string(k)] = v; return nil }
func (b buckets) Scan(prefix []byte) iter.Seq2[[]byte, []byte] {
	return func(yield func(k, v []byte) bool) {
		for _, k := range slices.Sorted(maps.Keys(b)) {
			if strings.HasPrefix(k, string(prefix)) && !yield([]byte(k), b[k]) {
				return
			}
		}
	}
}

// log writes pages as a device would.
type log struct {
	t      *testing.T
	kv     buckets
	device journal.ID
	job    journal.ID
	seq    uint64
	late   time.Duration // of its clock, after the first page's time
}

func newLog(t *testing.T, kv buckets, device byte) *log {
	l := &log{t: t, kv: kv, device: journal.ID{0: 1, 15: device}, job: journal.ID{0: 9}}
	if device == 1 {
		l.write(survey.Payload{Job: &survey.JobRecord{Name: "14 Mill Lane"}})
	}
	return l
}

func (l *log) write(p survey.Payload) journal.Ref {
	l.t.Helper()
	l.seq++
	b, err := p.Encode()
	if err != nil {
		l.t.Fatal(err)
	}
	zone := time.FixedZone("", 3600)
	page := journal.Page{Device: l.device, Seq: l.seq, Time: time.UnixMilli(1764000000000).Add(l.late).In(zone), Job: l.job, Payload: b}
	if err := Project(l.kv, page); err != nil {
		l.t.Fatal(err)
	}
	return journal.Ref{Device: l.device, Page: l.seq, Item: 1}
}

func gap(mark survey.Mark, mm int64) survey.Reading {
	return survey.Reading{Where: "F1/left", What: survey.Gap, At: survey.At{Mark: mark},
		Value: survey.Quantity{Measure: survey.Length, N: [3]int64{mm * 1000}}, Text: fmt.Sprint(mm)}
}

func (l *log) read(r survey.Reading) journal.Ref {
	return l.write(survey.Payload{Readings: []survey.Reading{r}})
}
func (l *log) correct(of journal.Ref, r survey.Reading) journal.Ref {
	r.Replaces = of
	return l.read(r)
}
func (l *log) strike(of journal.Ref) {
	l.write(survey.Payload{Strikes: []survey.Strike{{Reading: of, Why: "wrong post"}}})
}
func (l *log) load() *Book {
	l.t.Helper()
	job, err := FindJob(l.kv, "14 mill lane")
	if err != nil {
		l.t.Fatal(err)
	}
	b, err := Load(l.kv, job)
	if err != nil {
		l.t.Fatal(err)
	}
	return b
}

func (l *log) standing() string {
	var s []string
	for _, e := range l.load().Standing() {
		s = append(s, e.Reading.Text)
	}
	return strings.Join(s, " ")
}

func TestWhatStands(t *testing.T) {
	for name, tt := range map[string]struct {
		do   func(l *log)
		want string
	}{
		"two readings of one place both stand": {func(l *log) { l.read(gap(survey.Top, 812)); l.read(gap(survey.Top, 812)) }, "812 812"},
		"struck":                               {func(l *log) { l.strike(l.read(gap(survey.Top, 812))) }, ""},
		"struck before it arrives": {func(l *log) {
			l.strike(journal.Ref{Device: l.device, Page: l.seq + 2, Item: 1})
			l.read(gap(survey.Top, 812))
		}, ""},
		"corrected": {func(l *log) { l.correct(l.read(gap(survey.Top, 812)), gap(survey.Top, 822)) }, "822"},
		"corrected twice in a row": {func(l *log) {
			l.correct(l.correct(l.read(gap(survey.Top, 812)), gap(survey.Top, 822)), gap(survey.Top, 823))
		}, "823"},
		"correction struck": {func(l *log) {
			l.strike(l.correct(l.read(gap(survey.Top, 812)), gap(survey.Top, 822)))
		}, "812"},
		"middle of a chain struck": {func(l *log) {
			mid := l.correct(l.read(gap(survey.Top, 812)), gap(survey.Top, 822))
			l.correct(mid, gap(survey.Top, 823))
			l.strike(mid)
		}, "823"},
		"links in a circle": {func(l *log) {
			l.correct(journal.Ref{Device: l.device, Page: l.seq + 2, Item: 1}, gap(survey.Top, 1))
			l.correct(journal.Ref{Device: l.device, Page: l.seq, Item: 1}, gap(survey.Top, 2))
		}, ""},
		"corrects itself": {func(l *log) {
			l.correct(journal.Ref{Device: l.device, Page: l.seq + 1, Item: 1}, gap(survey.Top, 1))
		}, "1"},
	} {
		l := newLog(t, buckets{}, 1)
		tt.do(l)
		if got := l.standing(); got != tt.want {
			t.Errorf("%s: %q stands, want %q", name, got, tt.want)
		}
	}
}

func TestTwoStandingAnswers(t *testing.T) {
	kv := buckets{}
	a, b := newLog(t, kv, 1), newLog(t, kv, 2)
	first := a.read(gap(survey.Top, 812))
	a.correct(first, gap(survey.Top, 822))
	second := b.correct(first, gap(survey.Top, 832))
	if got := a.standing(); got != "822 832" {
		t.Errorf("%q stands, want both answers", got)
	}
	ds := a.load().Disagreements()
	if len(ds) != 1 || ds[0].Of.Ref != first || len(ds[0].Answers) != 2 {
		t.Fatalf("disagreements = %+v, want one of %v with two answers", ds, first)
	}
	a.strike(second)
	if ds := a.load().Disagreements(); len(ds) != 0 {
		t.Errorf("after a ruling there are %d disagreements", len(ds))
	}
}

func TestFind(t *testing.T) {
	l := newLog(t, buckets{}, 1)
	ref := l.read(gap(survey.Top, 812))
	book := l.load()
	for _, id := range []string{ref.String(), ref.Short(), strings.ToLower(ref.Short()), " " + ref.Short() + " "} {
		if e, err := book.Find(id); err != nil || e.Ref != ref {
			t.Errorf("Find(%q) = %v, %v; want %v", id, e, err, ref)
		}
	}
	for _, id := range []string{"", "K7", "zz-99.1"} {
		if _, err := book.Find(id); !errors.Is(err, ErrNoReading) {
			t.Errorf("Find(%q) error = %v, want ErrNoReading", id, err)
		}
	}
}

func TestFindJob(t *testing.T) {
	kv := buckets{}
	if _, err := FindJob(kv, "x"); !errors.Is(err, ErrNoJob) {
		t.Errorf("in an empty book: %v, want ErrNoJob", err)
	}
	a := newLog(t, kv, 1)
	if _, err := FindJob(kv, "13 Mill Lane"); !errors.Is(err, ErrNoJob) || !strings.Contains(err.Error(), "14 Mill Lane") {
		t.Errorf("error = %v, want one that names the job there is", err)
	}
	b := newLog(t, kv, 2)
	b.job = journal.ID{0: 10}
	b.write(survey.Payload{Job: &survey.JobRecord{Name: "14 Mill lane"}})
	if _, err := FindJob(kv, "14 Mill Lane"); !errors.Is(err, ErrTwo) {
		t.Errorf("two jobs of one name: %v, want ErrTwo", err)
	}
	if j, err := FindJob(kv, a.job.String()); err != nil || j.Name != "14 Mill Lane" {
		t.Errorf("by its id: %v, %v", j, err)
	}
}

// The same sheet twice adds nothing; a grown one adds what is new; two equal
// rows are two readings.
func TestNew(t *testing.T) {
	l := newLog(t, buckets{}, 1)
	rows := []survey.Reading{gap(survey.Top, 812), gap(survey.Top, 812), gap(survey.Bottom, 810)}
	steps := []struct {
		rows []survey.Reading
		want int
	}{
		{rows, 3}, {rows, 0}, {append(rows, gap(survey.Top, 812), gap(survey.Middle, 811)), 2}, {rows[:1], 0},
	}
	for i, s := range steps {
		fresh := l.load().New(s.rows)
		if len(fresh) != s.want {
			t.Errorf("sheet %d adds %d, want %d", i+1, len(fresh), s.want)
		}
		l.write(survey.Payload{Readings: fresh})
	}
	l.strike(journal.Ref{Device: l.device, Page: 2, Item: 3})
	if fresh := l.load().New(rows); len(fresh) != 0 {
		t.Errorf("a struck reading came back with its sheet: %v", fresh)
	}
	other := gap(survey.Top, 812)
	other.Text = "0.812 m"
	if fresh := l.load().New([]survey.Reading{other}); len(fresh) != 0 {
		t.Error("another spelling of the same reading counts as new")
	}
}

func TestMissing(t *testing.T) {
	l := newLog(t, buckets{}, 1)
	l.read(gap(survey.Bottom, 812))
	l.strike(l.read(gap(survey.Middle, 812)))
	l.read(survey.Reading{Where: "F1/left", What: survey.Trial, At: survey.At{Mark: survey.Top}, Value: survey.Quantity{Measure: survey.Tried, N: [3]int64{812000}}})
	var got []string
	for _, w := range Missing(l.load().Standing()) {
		if w.Needed || w.What == survey.Gap {
			got = append(got, w.Title())
		}
	}
	if want := "spindle-section, run at height 0 mm, gap at middle"; strings.Join(got, ", ") != want {
		t.Errorf("missing %q, want %q", strings.Join(got, ", "), want)
	}
}

func TestPlaces(t *testing.T) {
	l := newLog(t, buckets{}, 1)
	for _, p := range []survey.Place{"F1/left", "F2/right", "F1/right", "F1"} {
		r := gap(survey.Top, 812)
		r.Where = p
		l.read(r)
	}
	if got, want := fmt.Sprint(l.load().Places()), "[F1 F1/left F1/right F2 F2/right]"; got != want {
		t.Errorf("places %s, want %s", got, want)
	}
}

func TestNewerPageIsKeptInPart(t *testing.T) {
	l := newLog(t, buckets{}, 1)
	b, err := journal.Marshal(map[int]any{2: []any{map[int]any{1: "F1", 2: "sag", 5: []int64{1}, 6: "1"}}, 77: 1})
	if err != nil {
		t.Fatal(err)
	}
	if err := Project(l.kv, journal.Page{Device: l.device, Seq: 9, Job: l.job, Payload: b}); err != nil {
		t.Fatal(err)
	}
	if e := l.load().Entries; len(e) != 1 || !e[0].Newer {
		t.Errorf("entries = %+v, want one marked newer", e)
	}
}

// A page that cannot be read stops nobody's log: it is counted, and the others
// stand.
func TestUnreadablePage(t *testing.T) {
	l := newLog(t, buckets{}, 1)
	l.read(gap(survey.Top, 812))
	before := Unreadable(l.kv)
	if err := Project(l.kv, journal.Page{Device: l.device, Seq: 10, Job: l.job, Payload: []byte("junk")}); err != nil {
		t.Fatal(err)
	}
	if got := Unreadable(l.kv); before != 0 || got != 1 {
		t.Errorf("%d, then %d pages unreadable, want 0 and 1", before, got)
	}
	if e := l.load().Entries; len(e) != 1 {
		t.Errorf("entries = %+v, want the one that can be read", e)
	}
}

// Two devices that name one job leave one name, whichever page comes first.
func TestTwoNamesOfOneJob(t *testing.T) {
	page := func(device byte, name string) journal.Page {
		b, err := survey.Payload{Job: &survey.JobRecord{Name: name}}.Encode()
		if err != nil {
			t.Fatal(err)
		}
		return journal.Page{Device: journal.ID{device}, Seq: 1, Job: journal.ID{9}, Payload: b}
	}
	pages := []journal.Page{page(1, "Mill Lane"), page(2, "Mill Lane 3")}
	for range 2 {
		kv := buckets{}
		for _, p := range pages {
			if err := Project(kv, p); err != nil {
				t.Fatal(err)
			}
		}
		jobs, err := Jobs(kv)
		if err != nil || len(jobs) != 1 || jobs[0].Name != "Mill Lane" {
			t.Errorf("jobs %+v, %v, want the eldest device's name", jobs, err)
		}
		slices.Reverse(pages)
	}
}
