package bench

import (
	"net/url"
	"testing"
	"time"

	"pinchrod/survey"
)

func TestParseDay(t *testing.T) {
	t.Parallel()
	for in, want := range map[string]string{
		"": "", "2026-11-20": "2026-11-20", " 2026-11-21 ": "2026-11-21", "2026-11-22": "refused", "2026-11-21T23:59": "2026-11-21T23:59", "2000-01-01": "2000-01-01", "1999-12-31 23:59": "refused",
		"0001-01-01": "refused", "9999-12-31": "refused", "20.11.2026": "refused",
	} {
		got, err := parseDay(in, day)
		if err != nil {
			got = "refused"
		}
		if got != want {
			t.Errorf("%q is %q (%v), want %q", in, got, err, want)
		}
	}
}

// Whatever a form says, an entry that comes of it without a mistake is one that the
// book could hold: within bounds, of a day that has been, and the same when it is
// sent again.
func FuzzWritten(f *testing.F) {
	for _, q := range []string{
		"part=spindle&pieces=1-9&length=805,8&spares=1&kept=412;+2+x+380&used=1120&by=Ann&when=2026-11-20&note=x", "part=spindle&number=S05&length=806.4",
		"part=base-fillet&length=,&pieces=9-1&spares=-1", "part=rail-fillet&length=1e99&when=2026-11-22", "part=newel", "part=spindle&pieces=1&length=-5", "part=spindle&pieces=1&number=1&length=0",
	} {
		f.Add(q)
	}
	f.Fuzz(func(t *testing.T, query string) {
		q, _ := url.ParseQuery(query) // what can be read of it, as of a request
		read := func() []*written {
			out := []*written{readRecut(q, "F1/left", day)}
			if b, err := readBatch(q, "F1/left", day); err == nil {
				out = append(out, b)
			}
			return out
		}
		again := read()
		for i, w := range read() {
			if len(w.wrong) > 0 {
				continue
			}
			m := &w.made
			if !sameMade(m, &again[i].made) {
				t.Errorf("%+v, and then %+v", m, again[i].made)
			}
			if m.Recut && len(m.Pieces) != 1 || len(m.Pieces) == 0 && m.Spares == 0 && m.Length != 0 {
				t.Errorf("%+v: a length without a piece", m)
			}
			if m.Spares > survey.MostSpares || m.When != "" && (m.When < "2000" || m.When > day.AddDate(0, 0, 2).Format(time.DateOnly)) {
				t.Errorf("%+v is out of reason", m)
			}
		}
	})
}
