package fieldbook

import (
	"strings"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"

	"pinchrod/calc/unit"
	"pinchrod/store/journal"
	"pinchrod/survey"
)

func TestRack(t *testing.T) {
	kv := buckets{}
	a, b := newLog(t, kv, 1), newLog(t, kv, 2)
	struck := a.write(survey.Payload{Made: []survey.Made{cut([]unit.Length{640_000, 310_000, 310_000}, nil)}})
	b.job = journal.ID{0: 8}
	b.write(survey.Payload{Job: &survey.JobRecord{Name: "another"}, Made: []survey.Made{cut([]unit.Length{500_000}, []unit.Length{310_000, 777_000})}})
	want := []Offcut{{"41 x 41 mm", 310_000, 1}, {"41 x 41 mm", 500_000, 1}, {"41 x 41 mm", 640_000, 1}}
	got, err := Rack(kv)
	if err != nil {
		t.Fatal(err)
	}
	if diff := cmp.Diff(want, got); diff != "" {
		t.Errorf("(-want +got)\n%s", diff)
	}
	a.strike(struck)
	got, err = Rack(kv)
	if err != nil {
		t.Fatal(err)
	}
	if diff := cmp.Diff(want[1:2], got); diff != "" {
		t.Errorf("after the strike (-want +got)\n%s", diff)
	}
}

// What was used and never kept is not owed by what is kept after it.
func TestRackIsNeverOwed(t *testing.T) {
	const l = 870 * unit.Millimetre
	kv := buckets{}
	a := newLog(t, kv, 1)
	write := func(kept, used []unit.Length) { a.write(survey.Payload{Made: []survey.Made{cut(kept, used)}}) }
	want := func(n int) {
		t.Helper()
		rack, err := Rack(kv)
		if err != nil {
			t.Fatal(err)
		}
		got := 0
		for _, o := range rack {
			got += o.Count
		}
		if got != n {
			t.Errorf("%d on the rack, want %d", got, n)
		}
	}
	write([]unit.Length{l, l}, nil)
	write(nil, []unit.Length{l})
	write(nil, []unit.Length{l, l}) // one more than there is
	want(0)
	write([]unit.Length{l}, nil)
	want(1)
	write([]unit.Length{l}, []unit.Length{l, l}) // what an entry used was there before what it kept
	want(1)
}

// A section is the same stock whichever side is written first.
func TestRackTurnsSections(t *testing.T) {
	kv := buckets{}
	a := newLog(t, kv, 1)
	kept, used := cut([]unit.Length{900_000, 640_000}, nil), cut(nil, []unit.Length{640_000})
	kept.Section, used.Section = "41 x 8 mm", "8 x 41 mm"
	a.write(survey.Payload{Made: []survey.Made{kept, used}})
	got, err := Rack(kv)
	if err != nil {
		t.Fatal(err)
	}
	if diff := cmp.Diff([]Offcut{{"41 x 8 mm", 900_000, 1}}, got); diff != "" {
		t.Errorf("(-want +got)\n%s", diff)
	}
}

// Two devices' entries come in the order of their times, and one device's in the
// order of its log, even when its clock was set back between them.
func TestRackInTime(t *testing.T) {
	const l = 870 * unit.Millimetre
	kept, used := cut([]unit.Length{l}, nil), cut(nil, []unit.Length{l})
	type entry struct {
		device byte
		late   time.Duration
		made   survey.Made
	}
	for _, c := range []struct {
		name    string
		entries []entry
		want    int
	}{
		{"the younger keeps, the elder uses after it", []entry{{2, 0, kept}, {1, time.Hour, used}}, 0},
		{"the elder uses, the younger keeps after it", []entry{{1, 0, used}, {2, time.Hour, kept}}, 1},
		{"a clock that was set back", []entry{{1, 2 * time.Hour, kept}, {1, 0, used}}, 0},
		{"beside another's log", []entry{{1, 2 * time.Hour, kept}, {1, 0, used}, {2, time.Hour, used}}, 0},
		{"at one time", []entry{{1, 0, kept}, {2, 0, used}}, 0},
	} {
		kv := buckets{}
		logs := map[byte]*log{1: newLog(t, kv, 1), 2: newLog(t, kv, 2)}
		for _, e := range c.entries {
			logs[e.device].late = e.late
			logs[e.device].write(survey.Payload{Made: []survey.Made{e.made}})
		}
		rack, err := Rack(kv)
		if err != nil {
			t.Fatal(err)
		}
		if len(rack) != c.want {
			t.Errorf("%s: %v on the rack, want %d", c.name, rack, c.want)
		}
	}
}

func TestTaken(t *testing.T) {
	const mm = unit.Millimetre
	rack := []Offcut{{"41 x 41 mm", 870 * mm, 2}, {"41 x 41 mm", 1120 * mm, 1}, {"41 x 8 mm", 640 * mm, 1}}
	for _, c := range []struct {
		section string
		used    []unit.Length
		want    string // empty where they were there
	}{
		{"41 x 41 mm", nil, ""},
		{"41 x 41 mm", []unit.Length{870 * mm, 1120 * mm, 870 * mm}, ""},
		{"8 x 41 mm", []unit.Length{640 * mm}, ""},
		{"41 x 41 mm", []unit.Length{871 * mm}, "no offcut of 871 mm of 41 x 41 mm is on the rack; there are 1 x 1120 mm, 2 x 870 mm: write which it was, or leave it out"},
		{"41 x 8 mm", []unit.Length{870 * mm}, "no offcut of 870 mm of 41 x 8 mm is on the rack; there is 1 x 640 mm: write which"},
		{"41 x 41 mm", []unit.Length{870 * mm, 870 * mm, 870 * mm}, "2 x 870 mm of 41 x 41 mm on the rack, not 3: look which they were"},
		{"20 x 20 mm", []unit.Length{870 * mm}, "no offcut of 20 x 20 mm is on the rack: leave it out"},
	} {
		err := Taken(rack, c.section, c.used)
		switch {
		case c.want == "" && err != nil:
			t.Errorf("%v of %s: %v", c.used, c.section, err)
		case c.want != "" && (err == nil || !strings.Contains(err.Error(), c.want)):
			t.Errorf("%v of %s: %v, want %q", c.used, c.section, err, c.want)
		}
	}
	if err := Taken([]Offcut{{"", 500 * mm, 1}}, "41 x 41 mm", []unit.Length{500 * mm}); err != nil {
		t.Errorf("an offcut of any section: %v", err)
	}
}
