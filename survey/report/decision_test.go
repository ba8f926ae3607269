package report

import (
	"bytes"
	"encoding/json"
	"strings"
	"testing"

	"github.com/google/go-cmp/cmp"

	"pinchrod/calc/fit"
	"pinchrod/calc/layout"
	"pinchrod/calc/rules"
	"pinchrod/store/journal"
	"pinchrod/survey"
	"pinchrod/survey/asfound"
)

// thinBay is a bay with one trial piece: it can be cut, but two more trials save
// more than they take.
const thinBay = `where,what,at,height,value
F1/left,run,,0,1612
F1/left,base-angle,bottom,,41.3 deg
F1/left,base-angle,top,,41.3 deg
F1/left,rail-angle,bottom,,41.3 deg
F1/left,rail-angle,top,,41.3 deg
F1/left,trial,bottom,,806
F1/left,spindle-section,,,41 x 41 mm
F1/left,fillet-section,,,41 x 8 mm
`

func needed(n int) fit.Needed { return fit.Needed{Mean: make([]float64, n)} }

func TestDecision(t *testing.T) {
	batch := fit.Option{Cut: fit.Batch, P: 0.974, Stops: []float64{805.5}, Lengths: []float64{805.62}, Settings: 1, Minutes: 8, Expected: 8.6, Trims: 0.2, Recuts: 0.06}
	graded := fit.Option{Cut: fit.Graded, P: 0.9, Stops: []float64{790, 790.5, 790}, Lengths: []float64{790.1, 790.4, 790.1}, Settings: 2, Group: []int{0, 1, 0}, Minutes: 7, Expected: 9.4}
	many := fit.Option{Cut: fit.Graded, P: 1, Stops: []float64{807, 800, 798, 796, 794}, Settings: 5, Group: []int{4, 3, 2, 1, 0}, Minutes: 15, Expected: 15}
	fitEach := fit.Option{Cut: fit.FitEach, P: 0.999, Stops: []float64{819}, Settings: 1, Minutes: 80, Expected: 80}
	fine := fit.Option{Cut: fit.Batch, P: 1, Stops: []float64{805.65625}, Settings: 1, Minutes: 8, Expected: 8}
	advice := asfound.Advice{
		Reading: survey.Reading{What: survey.Trial, At: survey.At{Mark: survey.Middle}}, PAfter: 0.98, Takes: 3, Saves: 30.4,
		With: []survey.Reading{{What: survey.Trial, At: survey.At{Mark: survey.Middle}}, {What: survey.Trial, At: survey.At{Mark: survey.Top}}},
	}
	of := func(cut fit.Cut, n int, series bool, options ...fit.Option) *asfound.Verdict {
		return &asfound.Verdict{Verdict: fit.Verdict{Cut: cut, Options: options}, Needed: needed(n), Series: series, Blank: 122}
	}
	measured := of(fit.FitEach, 12, false, batch, fitEach)
	measured.Measure = []asfound.Advice{advice}
	waits := of(fit.MeasureMore, 12, false, batch, fitEach)
	waits.Why = "do not cut yet: read again run (K7-1.1)"
	for name, tt := range map[string]struct {
		v    *asfound.Verdict
		walk bool
		want Decision
	}{
		"batch": {of(fit.Batch, 12, false, batch, graded, fitEach), false, Decision{
			Cut: "batch", Do: "cut all 12 to one stop, 805.5 mm",
			Why:  "about 9 minutes; all fit 97 times in 100; expect 0.2 to trim and 0.1 to cut again",
			Ways: []string{"2 stops: less than a minute more", "fit each at its place: 71 minutes more"},
		}},
		"one spindle":  {of(fit.Batch, 1, false, fine), false, Decision{Cut: "batch", Do: "cut it to 805.66 mm", Why: "about 8 minutes; all fit every time"}},
		"two stops":    {of(fit.Graded, 3, false, graded), false, Decision{Cut: "graded", Do: "cut to 2 stops: 790.0 mm for no. 1 and 3, 790.5 mm for no. 2", Why: "about 9 minutes; all fit 90 times in 100"}},
		"one for each": {of(fit.Graded, 5, false, many), false, Decision{Cut: "graded", Do: "cut to 5 lengths, one for each, from 794.0 mm to 807.0 mm", Why: "about 15 minutes; all fit every time"}},
		"many stops":   {of(fit.Graded, 9, false, many), false, Decision{Cut: "graded", Do: "cut to 5 stops, from 794.0 mm to 807.0 mm", Why: "about 15 minutes; all fit every time"}},
		"fit each": {measured, false, Decision{
			Cut: "fit-each", Do: "cut 12 blanks of 819.0 mm and fit each at its place", Why: "about 80 minutes; every blank is long enough 999 times in 1000",
			Ways: []string{"one stop, 805.5 mm: less than a minute more"},
			Next: []string{"trial piece at middle with trial piece at top: takes 3 minutes, saves 30 minutes; then all fit 98 times in 100"},
		}},
		"not yet": {waits, false, Decision{Cut: "measure-more", Later: true, Do: "do not cut yet: read again run (K7-1.1)"}},
		"fillets": {of(fit.Batch, 13, true, fit.Option{Cut: fit.Batch, P: 1, Stops: []float64{114.7}, Settings: 1, Expected: 14.6}), false, Decision{
			Cut: "batch", Do: "cut to one stop, 114.7 mm along the rail; the last is cut to fit", Why: "glue from the lower post up; the last blank is 122 mm; about 15 minutes",
		}},
		"fillets after a walk": {of(fit.Batch, 13, true, fit.Option{Cut: fit.Batch, P: 1, Stops: []float64{114.7}, Settings: 1, Expected: 1}), true, Decision{
			Cut: "batch", Do: "walk the spacer first (4 minutes), then cut to one stop, 114.7 mm along the rail; the last is cut to fit", Why: "glue from the lower post up; the last blank is 122 mm; about 1 minute",
		}},
	} {
		if diff := cmp.Diff(tt.want, decision("", tt.v, tt.walk)); diff != "" {
			t.Errorf("%s (-want +got):\n%s", name, diff)
		}
	}
}

// The readings that have to be settled are named with what they read, whatever
// kinds of piece wait for them.
func TestReadAgain(t *testing.T) {
	b := &asfound.Bay{Readings: []asfound.Result{
		{Ref: journal.Ref{Page: 1, Item: 1}, Reading: survey.Reading{What: survey.Gap, At: survey.At{Mark: survey.Top}, Value: survey.Quantity{Measure: survey.Length, N: [3]int64{822_000}}}},
	}}
	first, other := b.Readings[0].Ref, journal.Ref{Page: 2, Item: 7}
	for _, tt := range []struct {
		again []journal.Ref
		want  string
	}{
		{nil, ""},
		{[]journal.Ref{first}, "gap at top, 822 mm (" + first.Short() + ")"},
		{[]journal.Ref{first, other}, "gap at top, 822 mm (" + first.Short() + ") or " + other.Short()},
	} {
		b.Again = tt.again
		if got := ReadAgain(b); got != tt.want {
			t.Errorf("read again %q, want %q", got, tt.want)
		}
		want := ""
		if tt.want != "" {
			want = "Gap" + strings.TrimPrefix(tt.want, "gap") + ": not all of these can be right."
		}
		if got := Doubtful(b); got != want {
			t.Errorf("doubtful %q, want %q", got, want)
		}
	}
	b.Spindles = &asfound.Verdict{Verdict: fit.Verdict{Cut: fit.MeasureMore}, Why: "do not cut yet: read again that"}
	if got := Doubtful(b); got != "" {
		t.Errorf("%q beside a decision that names the readings", got)
	}
}

// The closing line says what to do first, then what is out.
func TestClosing(t *testing.T) {
	up, unsure := asfound.Flag{Name: "drift", State: rules.Flag}, asfound.Flag{Name: "last-space", State: rules.Unsure}
	clear := asfound.Flag{Name: "square", State: rules.Clear}
	thin := mustWork(book(t, thinBay), asfound.Defaults())
	ref := journal.Ref{Device: journal.ID{0: 1}, Page: 1, Item: 14}
	slipped := &slip(t).Bays[0]
	torn := asfound.Bay{Layout: &asfound.Layout{Layout: layout.Layout{Candidate: layout.Candidate{Count: 8}}}, Again: []journal.Ref{ref}}
	for _, tt := range []struct {
		flags []asfound.Flag
		b     *asfound.Bay
		want  string
	}{
		{nil, nil, "no fault found yet"},
		{[]asfound.Flag{clear}, &asfound.Bay{}, "no fault found yet"},
		{[]asfound.Flag{clear, up, unsure}, nil, "out: drift; not sure: last-space"},
		{nil, &thin.Bays[0], "12 spindles; " + Decisions(&thin.Bays[0])[0].Do + "; next: trial piece at top"},
		{nil, &torn, "8 spindles; read again " + ref.Short()},
		{slipped.Flags, slipped, "9 spindles; read again gap at top, 766.6 mm (" + ref.Short() + "); cut all 9 to one stop, 758.0 mm; not sure: drift, middle-gap, bow-rail"},
	} {
		if got := Closing(tt.flags, tt.b); got != tt.want {
			t.Errorf("%q, want %q", got, tt.want)
		}
	}
}

// Check, advise, leave, JSON and the closing line say the same of a bay: what
// pays to be read, and how it is cut as it stands.
func TestPagesAgree(t *testing.T) {
	f := mustWork(book(t, thinBay), asfound.Defaults())
	b := &f.Bays[0]
	var check, advise, leave, js, scripts bytes.Buffer
	for _, err := range []error{
		Check(&check, f, false, Style{Width: 400}), Advise(&advise, f, Style{Width: 400}), Leave(&leave, f, asfound.Leave(f), Style{Width: 400}),
		JSON(&js, f), AdviseJSON(&scripts, f),
	} {
		if err != nil {
			t.Fatal(err)
		}
	}
	d := Decisions(b)[0]
	if len(d.Next) == 0 || len(f.Proposals()) == 0 {
		t.Fatalf("no reading pays in a bay with one trial piece: %+v", d)
	}
	for name, page := range map[string]*bytes.Buffer{"check": &check, "advise": &advise, "leave": &leave} {
		if !strings.Contains(strings.ToLower(page.String()), d.Do) {
			t.Errorf("%s does not say %q:\n%s", name, d.Do, page)
		}
	}
	if want := d.Next[0]; !strings.Contains(check.String(), want) {
		t.Errorf("check does not say %q", want)
	}
	if want := b.Spindles.Measure[0].Reading.Title(); !strings.Contains(advise.String(), "  "+want+", ") {
		t.Errorf("advise does not name %q:\n%s", want, &advise)
	}
	var out struct {
		Bays []struct {
			Verdict struct{ Spindles jsonVerdict }
		}
	}
	if err := json.Unmarshal(js.Bytes(), &out); err != nil {
		t.Fatal(err)
	}
	m := out.Bays[0].Verdict.Spindles.Measure
	if len(m) != len(b.Spindles.Measure) || m[0].What != "trial" || !(m[0].Saves > m[0].Takes) || len(m[0].With) != len(b.Spindles.Measure[0].With)-1 {
		t.Errorf("measure is %+v", m)
	}
	for _, unwanted := range []string{"chi-square", "U = 2u", "0.001", "probability"} {
		if strings.Contains(check.String(), unwanted) {
			t.Errorf("check says %q", unwanted)
		}
	}
}

// Where nothing more pays, advise says how to cut all the same.
func TestNothingMoreComesWithACut(t *testing.T) {
	csv := thinBay + "F1/left,trial,middle,,806\nF1/left,trial,top,,806\nF1/left,spacer-walk,,,13 x 114.5 mm short 2 mm\n"
	f := mustWork(book(t, csv), asfound.Defaults())
	var out bytes.Buffer
	if err := Advise(&out, f, Style{Width: 400}); err != nil {
		t.Fatal(err)
	}
	for _, want := range []string{"Nothing more is worth the time.", "12 spindles; cut "} {
		if !strings.Contains(out.String(), want) {
			t.Errorf("no %q in:\n%s", want, &out)
		}
	}
}
