package fieldbook

import (
	"errors"
	"fmt"
	"slices"
	"strings"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"

	"pinchrod/calc/unit"
	"pinchrod/store/journal"
	"pinchrod/survey"
)

// written is when the pages of a log are written, and in which zone.
func written(late time.Duration) time.Time {
	return time.UnixMilli(1764000000000).Add(late).In(time.FixedZone("", 3600))
}

// A ruling is loaded with all it says, onto the reading it is of: a keep leaves
// the reading standing, a strike does not.
func TestRulings(t *testing.T) {
	kv := buckets{}
	a, b := newLog(t, kv, 1), newLog(t, kv, 2)
	ref := a.read(gap(survey.Top, 812))
	other := a.read(gap(survey.Middle, 811))
	b.late = time.Hour
	keep := b.write(survey.Payload{Keeps: []survey.Strike{
		{Reading: ref, Why: "read twice", By: "CD"},
		{Reading: journal.Ref{Device: a.device, Page: 77, Item: 1}, Why: "of one that has not come"},
	}})
	a.late = 2 * time.Hour
	strike := a.write(survey.Payload{
		Strikes: []survey.Strike{{Reading: other, Why: "wrong post", By: "AB"}},
		Keeps:   []survey.Strike{{Reading: ref, Why: "and again"}},
	})
	again := strike
	again.Item = 2 // a page's keeps are numbered after its strikes
	book := a.load()
	if len(book.Entries) != 2 {
		t.Fatalf("%d entries, want 2", len(book.Entries))
	}
	kept, struck := book.Entries[0], book.Entries[1]
	if want := []Ruling{{again, "and again", "", written(2 * time.Hour)}, {keep, "read twice", "CD", written(time.Hour)}}; !cmp.Equal(want, kept.Kept) || kept.Struck != nil || !kept.Stands() {
		t.Errorf("the kept reading: stands %t, struck %v, kept\n%v\nwant\n%v", kept.Stands(), kept.Struck, kept.Kept, want)
	}
	if want := []Ruling{{strike, "wrong post", "AB", written(2 * time.Hour)}}; !cmp.Equal(want, struck.Struck) || struck.Kept != nil || struck.Stands() {
		t.Errorf("the struck reading: stands %t, kept %v, struck\n%v\nwant\n%v", struck.Stands(), struck.Kept, struck.Struck, want)
	}
	if got, zone := kept.Time.Zone(); !kept.Time.Equal(written(0)) || zone != 3600 {
		t.Errorf("written at %v, %s", kept.Time, got)
	}
}

// A setting stands until another replaces it; two that were set apart both do.
func TestSettings(t *testing.T) {
	kv := buckets{}
	a, b := newLog(t, kv, 1), newLog(t, kv, 2)
	elsewhere := newLog(t, kv, 3)
	elsewhere.job = journal.ID{0: 10}
	elsewhere.write(survey.Payload{Settings: []survey.Setting{{Name: "stair", Value: "of another job"}}})
	set := func(l *log, name, value string, replaces ...journal.Ref) journal.Ref {
		return l.write(survey.Payload{Settings: []survey.Setting{{Name: name, Value: value, Replaces: replaces}}})
	}
	first := set(a, "stair", "private", journal.Ref{})
	short := set(a, "short", "0.3")
	second := set(a, "stair", "common", first)
	b.late = time.Hour
	apart := set(b, "stair", "institutional", first)
	show := func() (out []string) {
		for _, c := range a.load().Settings() {
			out = append(out, fmt.Sprintf("%s %s %s", c.Name, c.Value, c.Ref))
		}
		return out
	}
	want := []string{"short 0.3 " + short.String(), "stair common " + second.String(), "stair institutional " + apart.String()}
	if got := show(); !slices.Equal(got, want) {
		t.Errorf("set %q, want %q", got, want)
	}
	chosen := a.load().Chosen("stair")
	if len(chosen) != 2 || chosen[1].Value != "institutional" || !chosen[1].Time.Equal(written(time.Hour)) {
		t.Errorf("the stair is set to %+v, want two values", chosen)
	}
	if got := a.load().Chosen("never"); len(got) != 0 {
		t.Errorf("never set, and is %+v", got)
	}
	ruled := set(b, "stair", "private", second, apart)
	if got, want := show(), []string{want[0], "stair private " + ruled.String()}; !slices.Equal(got, want) {
		t.Errorf("after a ruling %q, want %q", got, want)
	}
}

// The kit has the tools of the book, and what checks said of them, whichever
// device wrote them: of several the last by its day.
func TestLoadKit(t *testing.T) {
	kv := buckets{}
	l := newLog(t, kv, 1)
	mine := survey.ToolRecord{Name: "AB-1", Sort: survey.SortTape, Class: survey.ClassI}
	check := func(tool, when string, micron int64) survey.ToolCheck {
		return survey.ToolCheck{Tool: tool, Kind: survey.KnownLength, First: []int64{1000_000 + micron}, Second: []int64{1000_000}, When: when}
	}
	early, late, nobody := check("AB-1", "2026-11-19", 300), check("AB-1", "2026-11-20", 700), check("CD-9", "2026-11-20", 0)
	l.write(survey.Payload{Tools: []survey.ToolRecord{mine}, Checks: []survey.ToolCheck{late, nobody}})
	l.write(survey.Payload{Checks: []survey.ToolCheck{early}})
	kit, wrong, err := LoadKit(kv, survey.HouseKit)
	if err != nil || len(wrong) != 1 || !errors.Is(wrong[0], survey.ErrTool) {
		t.Fatalf("%v, %v; want what is wrong with the check of nobody's tool", wrong, err)
	}
	tool, err := kit.Tool("AB-1")
	if err != nil || tool.Class != survey.ClassI || tool.Zero < 0.69 || tool.Zero > 0.71 {
		t.Errorf("%+v, %v; want the zero error of the later day, 0.7", tool, err)
	}
	if _, err := kit.Tool("level"); err != nil {
		t.Errorf("the house's own: %v", err)
	}
}

// The pictures of all jobs are listed once a job, struck ones among them.
func TestAllPictures(t *testing.T) {
	kv := buckets{}
	a, b := newLog(t, kv, 1), newLog(t, kv, 2)
	b.job = journal.ID{0: 10}
	a.strike(a.write(survey.Payload{Pictures: []survey.Picture{shot(1), shot(2)}}))
	a.write(survey.Payload{Pictures: []survey.Picture{shot(1)}})
	b.write(survey.Payload{Pictures: []survey.Picture{shot(1)}})
	got, err := AllPictures(kv)
	want := []JobPicture{{a.job, [32]byte{1}, 1000}, {a.job, [32]byte{2}, 1000}, {b.job, [32]byte{1}, 1000}}
	if err != nil || !slices.Equal(got, want) {
		t.Errorf("%v, %v; want %v", got, err, want)
	}
}

// everything is a page with one of each thing that a page can say.
func everything() survey.Payload {
	ref := journal.Ref{Device: journal.ID{1}, Page: 1, Item: 1}
	return survey.Payload{
		Job:      &survey.JobRecord{Name: "14 Mill Lane"},
		Readings: []survey.Reading{gap(survey.Top, 812)},
		Strikes:  []survey.Strike{{Reading: ref, Why: "x"}},
		Keeps:    []survey.Strike{{Reading: ref, Why: "x"}},
		Settings: []survey.Setting{{Name: "stair", Value: "private"}},
		Tools:    []survey.ToolRecord{{Name: "AB-1", Sort: survey.SortTape}},
		Checks:   []survey.ToolCheck{{Tool: "AB-1", Kind: survey.KnownLength, First: []int64{1}, Second: []int64{1}}},
		Pictures: []survey.Picture{shot(1)},
		Made:     []survey.Made{cut(nil, nil)},
	}
}

// full is a store that has no room for one write, after so many others.
type full struct {
	buckets
	before int
}

var errFull = errors.New("no space left")

func (f *full) Put(k, v []byte) error {
	if f.before--; f.before == -1 {
		return errFull
	}
	return f.buckets.Put(k, v)
}

// Whatever of a page cannot be written, the page is not said to be written.
func TestProjectTellsOfEveryWrite(t *testing.T) {
	b, err := everything().Encode()
	if err != nil {
		t.Fatal(err)
	}
	page := journal.Page{Device: journal.ID{1}, Seq: 1, Job: journal.ID{0: 9}, Time: written(0), Payload: b}
	const writes = 9
	for before := range writes {
		if err := Project(&full{buckets{}, before}, page); !errors.Is(err, errFull) {
			t.Errorf("no room after %d writes: %v, want %v", before, err, errFull)
		}
	}
	kv := &full{buckets{}, writes}
	if err := Project(kv, page); err != nil {
		t.Fatal(err)
	}
	// One key of each kind, numbered in the order of the page.
	items := map[byte]byte{}
	for k := range kv.buckets {
		items[k[0]] = k[len(k)-1]
	}
	if want := map[byte]byte{'J': 0, 'R': 1, 'S': 2, 'K': 3, 'C': 4, 'T': 5, 'U': 6, 'P': 7, 'M': 8}; !cmp.Equal(items, want) {
		t.Errorf("numbered %v, want %v", items, want)
	}
	page.Payload = []byte("junk")
	if err := Project(&full{buckets{}, 0}, page); !errors.Is(err, errFull) {
		t.Errorf("noting a page that cannot be read: %v", err)
	}
}

// What is kept in another form than it was written in is an error, and never
// a book without it; a key that is none is passed over.
func TestLoadTellsOfDamage(t *testing.T) {
	load := func(kv KV) error {
		_, err := Load(kv, Job{ID: journal.ID{0: 9}, Name: "14 Mill Lane"})
		return err
	}
	jobs := func(kv KV) error { _, err := Jobs(kv); return err }
	find := func(kv KV) error { _, err := FindJob(kv, "14 Mill Lane"); return err }
	rack := func(kv KV) error { _, err := Rack(kv); return err }
	kit := func(kv KV) error { _, _, err := LoadKit(kv, nil); return err }
	pictures := func(kv KV) error { _, err := AllPictures(kv); return err }
	for kind, readers := range map[byte]map[string]func(KV) error{
		'J': {"Jobs": jobs, "FindJob": find, "Rack": rack},
		'R': {"Load": load}, 'K': {"Load": load}, 'C': {"Load": load},
		'S': {"Load": load},
		'M': {"Load": load, "Rack": rack},
		'P': {"Load": load, "AllPictures": pictures},
		'T': {"LoadKit": kit}, 'U': {"LoadKit": kit},
	} {
		for name, read := range readers {
			kv := buckets{}
			l := newLog(t, kv, 1)
			// The rulings are of what the book holds: else they would wait.
			p := everything()
			p.Strikes[0].Reading = journal.Ref{Device: l.device, Page: 2, Item: 1}
			p.Keeps[0].Reading = p.Strikes[0].Reading
			l.write(p)
			if err := read(kv); err != nil {
				t.Fatalf("%s of a sound book: %v", name, err)
			}
			for k := range kv {
				if k[0] == kind && len(k) > 20 {
					kv[k+"and more"] = []byte("junk") // no key of ours
				}
			}
			longer := read(kv)
			if passes := !strings.ContainsRune("JTUC", rune(kind)); passes && longer != nil {
				t.Errorf("%s: a key of kind %c that is too long: %v, want it passed over", name, kind, longer)
			}
			for k := range kv {
				if k[0] == kind {
					kv[k] = []byte("junk")
				}
			}
			if err := read(kv); err == nil {
				t.Errorf("%s: what is kept as %c is junk, and no error", name, kind)
			}
		}
	}
	// A reading that is two numbers where its kind has one.
	kv := buckets{}
	newLog(t, kv, 1).read(gap(survey.Top, 812))
	reading := gap(survey.Top, 812)
	two := reading.Wire()
	two.Value = []int64{812_000, 1}
	for k := range kv {
		if k[0] == 'R' {
			b, err := journal.Marshal(storedReading{Reading: two})
			if err != nil {
				t.Fatal(err)
			}
			kv[k] = b
		}
	}
	if err := load(kv); err == nil {
		t.Error("Load: a gap of two numbers, and no error")
	}
	// A strike of what was cut, which is junk, is told of the rack too.
	kv = buckets{}
	l := newLog(t, kv, 1)
	l.strike(l.write(survey.Payload{Made: []survey.Made{cut(nil, nil)}}))
	for k := range kv {
		if k[0] == 'S' {
			kv[k] = []byte("junk")
		}
	}
	if err := rack(kv); err == nil {
		t.Error("Rack: a strike is junk, and no error")
	}
}

// alike finds two devices with one tag: a short name then fits both.
func alike(t *testing.T) (a, b journal.ID) {
	t.Helper()
	by := map[string]journal.ID{}
	for i := range 1000 {
		id := journal.ID{0: 1, 14: byte(i >> 8), 15: byte(i)}
		if first, ok := by[id.Tag()]; ok {
			return first, id
		}
		by[id.Tag()] = id
	}
	t.Fatal("no two devices with one tag")
	return a, b
}

// A short name that fits two things is asked about, with both full names.
func TestFindTwo(t *testing.T) {
	kv := buckets{}
	a, b := newLog(t, kv, 1), newLog(t, kv, 2)
	a.device, b.device = alike(t)
	a.seq, b.seq = 4, 4
	p := survey.Payload{Readings: []survey.Reading{gap(survey.Top, 812)}, Pictures: []survey.Picture{shot(1)}, Made: []survey.Made{cut(nil, nil)}}
	first, second := a.write(p), b.write(p)
	book := a.load()
	for i, find := range []func(id string) (r journal.Ref, err error){
		func(id string) (r journal.Ref, err error) {
			e, err := book.Find(id)
			if err == nil {
				r = e.Ref
			}
			return r, err
		},
		func(id string) (r journal.Ref, err error) {
			p, err := book.FindPicture(id)
			if err == nil {
				r = p.Ref
			}
			return r, err
		},
		func(id string) (r journal.Ref, err error) {
			m, err := book.FindMade(id)
			if err == nil {
				r = m.Ref
			}
			return r, err
		},
	} {
		one, two := first, second
		one.Item, two.Item = uint32(i+1), uint32(i+1)
		if _, err := find(one.Short()); !errors.Is(err, ErrTwo) || !strings.Contains(err.Error(), one.String()) || !strings.Contains(err.Error(), two.String()) {
			t.Errorf("%s: %v, want ErrTwo and both names", one.Short(), err)
		}
		if got, err := find(" " + two.String()); err != nil || got != two {
			t.Errorf("%s: %v, %v", two, got, err)
		}
	}
}

// Entries come in the order of their times, those of one time as they stood.
func TestInTime(t *testing.T) {
	kv := buckets{}
	a, b := newLog(t, kv, 1), newLog(t, kv, 2)
	a.late = time.Hour
	a.write(survey.Payload{Readings: []survey.Reading{gap(survey.Top, 3), gap(survey.Top, 4)}})
	b.read(gap(survey.Top, 1))
	b.read(gap(survey.Top, 2))
	var got []string
	for _, e := range InTime(a.load().Entries) {
		got = append(got, e.Reading.Text)
	}
	if want := []string{"1", "2", "3", "4"}; !slices.Equal(got, want) {
		t.Errorf("in the order %v, want %v", got, want)
	}
}

// An empty bay lacks all of this, in this order, and for these reasons.
func TestMissingOfAnEmptyBay(t *testing.T) {
	show := func(here []Entry) (out []string) {
		for _, w := range Missing(here) {
			mark := map[bool]string{true: "needed, ", false: ""}[w.Needed]
			out = append(out, fmt.Sprintf("%s: %s%s", w.Title(), mark, w.Why))
		}
		return out
	}
	all := []string{
		"spindle-section: needed, without it no spindles can be laid out",
		"run at height 0 mm: needed, everything else hangs on it",
		"gap at bottom: needed, the spindles' length hangs on it",
		"run at height 700 mm: nothing says whether the posts are parallel",
		"lean-along, lower post: nothing says whether the post is plumb",
		"lean-along, upper post: nothing says whether the post is plumb",
		"base-angle at bottom: the bevel at the base rail is not checked",
		"base-angle at top: the bevel at the base rail is not checked",
		"rail-angle at bottom: the bevel at the handrail is not checked",
		"rail-angle at top: the bevel at the handrail is not checked",
		"gap at top: nothing says whether the gap drifts",
		"gap at middle: the middle was never checked, so a bow may hide there",
		"frame-diagonal, rising: nothing checks the frame as a whole",
		"frame-diagonal, falling: nothing checks the frame as a whole",
	}
	if diff := cmp.Diff(all, show(nil)); diff != "" {
		t.Errorf("an empty bay (-want +got)\n%s", diff)
	}
	at := func(m survey.Mark) survey.At { return survey.At{Mark: m} }
	for _, tt := range []struct {
		name  string
		r     survey.Reading
		found []string // the titles that it leaves out
	}{
		{"a run at the rail", survey.Reading{What: survey.Run}, all[1:2]},
		{"a run just under half way up", survey.Reading{What: survey.Run, Height: 350*unit.Millimetre - 1}, all[1:2]},
		{"a run half way up", survey.Reading{What: survey.Run, Height: 350 * unit.Millimetre}, []string{all[1], all[3]}},
		{"a run along the pitch", survey.Reading{What: survey.SlopeRun}, all[1:2]},
		{"the upper post's place", survey.Reading{What: survey.PostPosition, At: at(survey.Upper)}, all[1:2]},
		{"the lower post's place", survey.Reading{What: survey.PostPosition, At: at(survey.Lower)}, nil},
		{"the upper post's lean", survey.Reading{What: survey.LeanAlong, At: at(survey.Upper)}, []string{all[3], all[5]}},
		{"the lower post's lean", survey.Reading{What: survey.LeanAlong, At: at(survey.Lower)}, all[4:5]},
		{"a trial piece at the bottom", survey.Reading{What: survey.Trial, At: at(survey.Bottom)}, all[2:3]},
		{"a trial piece at the top", survey.Reading{What: survey.Trial, At: at(survey.Top)}, all[10:11]},
		{"a gap in the middle", survey.Reading{What: survey.Gap, At: at(survey.Middle)}, all[11:12]},
		{"a diagonal", survey.Reading{What: survey.FrameDiagonal, At: at(survey.Falling)}, all[13:14]},
		{"an angle", survey.Reading{What: survey.RailAngle, At: at(survey.Top)}, all[9:10]},
	} {
		want := slices.DeleteFunc(slices.Clone(all), func(s string) bool { return slices.Contains(tt.found, s) })
		if diff := cmp.Diff(want, show([]Entry{{Reading: tt.r}})); diff != "" {
			t.Errorf("%s (-want +got)\n%s", tt.name, diff)
		}
	}
}

// Jobs come in the order of their ids, which is that of their making, and are
// found by their name however it is written.
func TestJobs(t *testing.T) {
	kv := buckets{}
	a := newLog(t, kv, 1)
	b := newLog(t, kv, 2)
	b.job, b.late = journal.ID{0: 10}, time.Hour
	b.write(survey.Payload{Job: &survey.JobRecord{Name: "9 High Street"}})
	got, err := Jobs(kv)
	want := []Job{{a.job, "14 Mill Lane", written(0)}, {b.job, "9 High Street", written(time.Hour)}}
	if diff := cmp.Diff(want, got, cmp.Comparer(func(x, y time.Time) bool { return x.Equal(y) && x.String() == y.String() })); err != nil || diff != "" {
		t.Errorf("%v (-want +got)\n%s", err, diff)
	}
	for _, name := range []string{"9 High Street", " 9 high street ", b.job.String()} {
		if j, err := FindJob(kv, name); err != nil || j.ID != b.job {
			t.Errorf("FindJob(%q) = %v, %v", name, j, err)
		}
	}
	if _, err := FindJob(kv, "nowhere"); !errors.Is(err, ErrNoJob) || !strings.HasSuffix(err.Error(), `the book holds "14 Mill Lane", "9 High Street"`) {
		t.Errorf("nowhere: %v", err)
	}
	// A page of another zone keeps it, in whole minutes; UTC is UTC.
	for _, zone := range []int{0, 3600, -5 * 3600, 19800} {
		at := time.UnixMilli(1764000000123).In(time.FixedZone("", zone))
		if zone == 0 {
			at = at.UTC()
		}
		ms, minutes := stamp(at)
		if got := unstamp(ms, minutes); !got.Equal(at) || got.String() != at.String() || minutes != zone/60 {
			t.Errorf("zone %d: %v came back as %v", zone, at, got)
		}
	}
}

// Each place is listed once, however many readings it has.
func TestPlacesOnce(t *testing.T) {
	b := &Book{}
	for _, p := range []survey.Place{"F1/left", "F1/left", "F1", "F1/right", "F1/left", "F1"} {
		b.Entries = append(b.Entries, Entry{Reading: survey.Reading{Where: p}})
	}
	if got, want := fmt.Sprint(b.Places()), "[F1 F1/left F1/right]"; got != want {
		t.Errorf("places %s, want %s", got, want)
	}
}

// Two chains that meet: what is before the meeting is handed on once, and only
// when both have come to it.
func TestChainsThatMeet(t *testing.T) {
	for _, links := range [][]int{{1, 2, 3, -1, 2}, {2, 0, 3, -1, 2}, {-1, 0, 1, 1, 3}, {3, 3, 0, -1, 0}} {
		b, at := chained(links, make([]bool, len(links)))
		b.corrections(at)
		for i := range links {
			var want []journal.Ref
			for j := range links {
				for k := links[j]; k >= 0; k = links[k] {
					if k == i {
						want = append(want, b.Entries[j].Ref)
					}
				}
			}
			if diff := cmp.Diff(want, b.Entries[i].Fixed); diff != "" {
				t.Errorf("links %v: entry %d (-want +got)\n%s", links, i, diff)
			}
		}
	}
}

// Stuff without a measure is what it is called.
func TestRackOfOtherStuff(t *testing.T) {
	kv := buckets{}
	l := newLog(t, kv, 1)
	for _, section := range []string{"dowel", "scrap"} {
		m := cut([]unit.Length{500_000}, nil)
		m.Section = section
		b, err := journal.Marshal(storedMade{Made: m.Wire()})
		if err != nil {
			t.Fatal(err)
		}
		l.seq++
		kv[string(refKey(jobKey('M', l.job), journal.Ref{Device: l.device, Page: l.seq, Item: 1}))] = b
	}
	got, err := Rack(kv)
	if want := []Offcut{{"dowel", 500_000, 1}, {"scrap", 500_000, 1}}; err != nil || !slices.Equal(got, want) {
		t.Errorf("%v, %v; want %v", got, err, want)
	}
	if err := Taken(got, "dowel", []unit.Length{500_000, 500_000}); err == nil {
		t.Error("two dowels were taken where there is one")
	}
}
