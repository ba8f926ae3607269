package asfound

import (
	"fmt"
	"maps"
	"math"
	"reflect"
	"slices"
	"strings"
	"testing"

	"pinchrod/calc/calctest"
	"pinchrod/calc/fit"
	"pinchrod/calc/frame"
	"pinchrod/calc/unit"
	"pinchrod/survey"
)

// notOfThePlane are the kinds that say nothing of a bay's plane, and where they are used instead.
var notOfThePlane = map[survey.What]string{
	survey.TotalRise: "steps", survey.TotalGoing: "steps", survey.Rise: "steps", survey.Going: "steps", survey.Headroom: "by rule",
	survey.Width: "plan", survey.Side: "plan", survey.Diagonal: "plan", survey.StringAngle: "borrowed by a bay without base angles",
	survey.Temperature: "of the tape", survey.PostSection: "the post's far face", survey.LeanAcross: "read as it is",
	survey.GuardHeight: "by rule", survey.UnderGap: "by rule", survey.Access: "taken as it stands", survey.SpindleSize: "the width",
	survey.FilletSize: "the fillets", survey.Moisture: "movement", survey.StockLength: "stock",
}

// notAdvised are the kinds of the plane that advice never asks for by what they save.
var notAdvised = map[survey.What]string{
	survey.PostPosition: "a run tells as much with one tape",
	survey.SpacerWalk:   "asked for where the last opening is not sure",
}

// Every kind of reading either says something of the bay's plane, and is then connected everywhere, or is named here as
// one that does not. A kind that is connected by half fails.
func TestEveryKindIsConnected(t *testing.T) {
	tr := truth{frame.Plane{Run: 1600, LeanLower: 0.004, LeanUpper: -0.003, BaseSlope: 0.84, RailSlope: 0.845, Gap: 830, BowBase: 2, BowRail: -1}, 41}
	others := slices.DeleteFunc(newVisitor(nil, byTool).exactly(tr), func(r survey.Reading) bool { return r.What == survey.SpindleSize })
	advised := map[survey.What]bool{}
	for _, c := range candidates {
		advised[c.what] = true
		if !(c.minutes > 0) {
			t.Errorf("advice takes %s for free", c.what)
		}
	}
	for i := range survey.Kinds {
		k := &survey.Kinds[i]
		_, not := notOfThePlane[k.What]
		if observed[k.What] == not {
			t.Errorf("%s: observed %t, and here said to be not of the plane: %t", k.What, observed[k.What], not)
		}
		if not {
			if advised[k.What] {
				t.Errorf("%s is advised, and is not of the plane", k.What)
			}
			continue
		}
		if _, not := notAdvised[k.What]; advised[k.What] == not {
			t.Errorf("%s: advised %t, and here said not to be: %t", k.What, advised[k.What], not)
		}
		if minutesOf(k.What) <= 0 {
			t.Errorf("%s takes no time", k.What)
		}
		if checkedBy[k.What] == "" {
			t.Errorf("%s: nothing is named that would check it", k.What)
		}
		// Added to a bay it takes part in the adjustment, of an equation that some unknown of the plane moves, and agrees.
		r := tr.exact(k.What)
		b := &mustWork(bookOf(append(append(slices.Clone(others), tr.section()), r...)), Defaults()).Bays[0]
		n := 0
		for _, got := range b.Readings {
			if got.Reading.What == k.What {
				n++
				if got.Suspect || !calctest.Near(got.W, 0, 0.5) {
					t.Errorf("%s, exact: off by %.3f, w %.2f", got.Reading.Title(), got.Residual, got.W)
				}
				if got.Unchecked != (got.Check != "") {
					t.Errorf("%s: unchecked %t, and %q would check it", got.Reading.Title(), got.Unchecked, got.Check)
				}
			}
		}
		if n < len(r) {
			t.Errorf("%s: %d of %d took part", k.What, n, len(r))
		}
		// It starts from itself: without the other readings of its kind the bay still adjusts to it.
		alone := slices.DeleteFunc(slices.Clone(others), func(o survey.Reading) bool { return o.What == k.What })
		b = &mustWork(bookOf(append(append(alone, tr.section()), r...)), Defaults()).Bays[0]
		if !b.Adjusted.Run.Known || len(upBy(b.Flags, "contradiction"))+len(upBy(b.Flags, "slip")) > 0 {
			t.Errorf("with %s in place of the others of its kind: %+v", k.What, b.Flags)
		}
	}
	for what := range checkedBy {
		if !slices.ContainsFunc(survey.Kinds, func(k survey.Kind) bool { return k.What == what }) {
			t.Errorf("checkedBy names %s, which is no kind", what)
		}
	}
	// Those of a flight that are adjusted are checked by something as well.
	for _, what := range []survey.What{survey.TotalRise, survey.TotalGoing, survey.Rise, survey.Going, survey.Width, survey.Side, survey.Diagonal, survey.StringAngle} {
		if checkedBy[what] == "" {
			t.Errorf("%s: nothing is named that would check it", what)
		}
	}
	for name := range maps.Keys(notOfThePlane) {
		if _, err := survey.KindOf(string(name)); err != nil {
			t.Error(err)
		}
	}
}

// exactly are a whole bay's readings without any error.
func (v *visitor) exactly(tr truth) (rows []survey.Reading) {
	for _, what := range []survey.What{survey.Run, survey.LeanAlong, survey.BaseAngle, survey.RailAngle, survey.Gap, survey.Trial, survey.BowBase, survey.BowRail, survey.FrameDiagonal} {
		rows = append(rows, tr.exact(what)...)
	}
	return append(rows, tr.section())
}

// exact are readings of one kind, wherever it is taken, without any error.
func (tr truth) exact(what survey.What) (rows []survey.Reading) {
	add := func(at survey.Mark, height float64, eq frame.Equation) {
		r := survey.Reading{Where: "F1/left", What: what, At: survey.At{Mark: at}, Height: unit.FromMM(height)}
		v := eq(append(tr.Vector(), 500, tr.spindle), nil)
		switch r.Value.Measure = r.Kind().Measure; r.Value.Measure {
		case survey.Angle:
			r.Value.N[0] = int64(math.Round(v * 1e6))
		case survey.Lean:
			r.Value.N[0], r.Value.N[1] = int64(math.Round(v*1e6)), 1_000_000
		default:
			r.Value.N[0] = int64(math.Round(v * 1e3))
		}
		r.Text = r.Value.String()
		rows = append(rows, r)
	}
	ends := []survey.Mark{survey.Bottom, survey.Middle, survey.Top}
	switch what {
	case survey.Run:
		add(survey.Nowhere, 0, frame.RunAt(0))
		add(survey.Nowhere, 700, frame.RunAt(700))
	case survey.SlopeRun:
		add(survey.Nowhere, 0, frame.SlopeRun(0))
	case survey.PostPosition:
		add(survey.Lower, 0, frame.PostPosition(false))
		add(survey.Upper, 0, frame.PostPosition(true))
	case survey.LeanAlong:
		add(survey.Lower, 0, frame.Lean(false))
		add(survey.Upper, 0, frame.Lean(true))
	case survey.FrameDiagonal:
		add(survey.Rising, 0, frame.FrameDiagonal(true))
		add(survey.Falling, 0, frame.FrameDiagonal(false))
	case survey.BowBase:
		add(survey.Middle, 0, frame.BowBase(frame.Middle))
	case survey.BowRail:
		add(survey.Middle, 0, frame.BowRail(frame.Middle))
	case survey.SpacerWalk:
		k := math.Hypot(1, 0.0005) / (1 - 0.84*0.0005)
		end := frame.Walk(13, 117, 12, k)(append(tr.Vector(), 0, tr.spindle), nil)
		rows = append(rows, survey.Reading{Where: "F1/left", What: what, Text: "x",
			Value: survey.Quantity{Measure: survey.Walk, N: [3]int64{13, 117_000, int64(math.Round(1000 * end))}}})
	default:
		of := map[survey.What]func(frame.Station) frame.Equation{survey.BaseAngle: frame.BaseAngle, survey.RailAngle: frame.RailAngle, survey.Gap: frame.Gap, survey.Trial: frame.Trial}[what]
		for _, at := range ends {
			add(at, 0, of(station(survey.At{Mark: at})))
		}
	}
	return rows
}

// setTo is a value of each setting that is not its default.
var setTo = map[string]string{
	OwnProfile: "", "profile": "england", "stair": "common", "target": "80", "opening": "88", "joint": "0.1", "species": "white oak",
	"service-moisture": "7", "units": "in", "fillet-ends": "square", "ends": "butt", "short": "0.4", "long": "1.5", "play": "4",
	"stand": "plumb", "saw": "workshop", "saw-step": "5", "spares": "0", "all-fit": "0.9999",
	"minutes-setting": "5", "minutes-cut": "1", "minutes-sort": "90", "minutes-trim": "900", "minutes-fit": "60", "minutes-recut": "900", "minutes-visit": "900",
}

// shownElsewhere are settings that the findings do not show, and what reads them.
var shownElsewhere = map[string]string{
	"fillet-ends": "the sheet's ends and stops",
	OwnProfile:    "its own test: a profile is text",
}

// besides are the settings without which another one says nothing.
var besides = map[string][2]string{
	"species": {"service-moisture", "7"}, "service-moisture": {"species", "white oak"}, "stair": {"profile", "england"},
	"spares": {"saw", "workshop"}, "minutes-visit": {"saw", "workshop"},
}

// Every setting changes the settings and what is found: an option that nothing reads fails.
func TestEverySettingIsRead(t *testing.T) {
	rows := "F1/left,run,,0,1377\nF1/left,base-angle,bottom,,41.2\nF1/left,rail-angle,bottom,,41.6\nF1/left,rail-angle,top,,41.5\nF1/left,gap,bottom,,812\nF1/left,gap,top,,815\n" +
		"F1/left,spindle-section,,,41 x 41 mm\nF1/left,fillet-section,,,41 x 8 mm\nF1/left,moisture,,,14 %\nF1/left,lean-along,lower,,9 mm in 900 mm\nF1/left,guard-height,bottom,,880\n" +
		"F1,total-rise,,,2600\nF1,total-going,,,2600\nF1,width,bottom,,820\n"
	for i := 1; i <= 13; i++ {
		rows += fmt.Sprintf("F1,rise,%d,,200\nF1,going,%d,,200\n", i, i)
	}
	book := bookFrom(t, rows)
	if !reflect.DeepEqual(mustWork(book, Defaults()), mustWork(book, Defaults())) {
		t.Fatal("the same settings find something else")
	}
	for _, o := range options {
		value, ok := setTo[o.name]
		if !ok {
			t.Errorf("%s: no value here that is not its default", o.name)
			continue
		}
		if o.name == OwnProfile {
			continue
		}
		before, after := Defaults(), Defaults()
		if b, ok := besides[o.name]; ok {
			for _, s := range []*Settings{&before, &after} {
				if err := s.Set(b[0], b[1]); err != nil {
					t.Fatal(err)
				}
			}
		}
		if err := after.Set(o.name, value); err != nil {
			t.Errorf("%s: %v", o.name, err)
			continue
		}
		if reflect.DeepEqual(before, after) {
			t.Errorf("%s changes no setting", o.name)
		}
		changed := !reflect.DeepEqual(mustWork(book, before), mustWork(book, after))
		if why, ok := shownElsewhere[o.name]; changed == ok {
			t.Errorf("%s: changes the findings %t, and here said to show in %q", o.name, changed, why)
		}
	}
	if len(setTo) != len(options) {
		t.Errorf("%d values for %d settings", len(setTo), len(options))
	}
	for _, n := range SettingNames() {
		if n[0] == OwnProfile || setTo[n[0]] == "" || n[1] == "" {
			t.Errorf("setting %v is listed", n)
		}
	}
}

// What is refused, and that it says what would be right.
func TestSettingsRefuse(t *testing.T) {
	for name, tt := range map[string]struct{ value, says string }{
		"target": {"9", "10 to 1000"}, "opening": {"1001", "10 to 1000"}, "joint": {"NaN", "0.05 to 10"}, "play": {"-0.1", "0 to 10"},
		"short": {"0", "0.05 to 10"}, "long": {"11", "0.05 to 10"}, "stand": {"leaning", "posts or plumb"}, "saw": {"home", "site or workshop"},
		"saw-step": {"0.01", "0.05 to 5"}, "spares": {"-1", "0 to 100"}, "all-fit": {"1", "0 to 0.9999"}, "ends": {"glued", "groove, butt or peg"},
		"units": {"cm", "mm or in"}, "minutes-visit": {"1001", "0 to 1000"}, "profile": {"own", "--profile-file"}, "stair": {"x", ""}, "species": {"plastic", ""},
		OwnProfile: {"no profile", ""}, "colour": {"red", "the settings are profile"},
	} {
		s := Defaults()
		err := s.Set(name, tt.value)
		if err == nil || !strings.Contains(err.Error(), tt.says) {
			t.Errorf("%s %s: %v, want %q", name, tt.value, err, tt.says)
		}
		if !reflect.DeepEqual(s, Defaults()) {
			t.Errorf("%s %s was refused and changed a setting", name, tt.value)
		}
	}
	for name, values := range map[string][2]string{"spares": {"0", "100"}, "target": {"10", "1000"}, "all-fit": {"0", "0.9999"}} {
		for _, v := range values {
			s := Defaults()
			if err := s.Set(name, v); err != nil {
				t.Errorf("%s %s: %v", name, v, err)
			}
		}
	}
}

// How the ends are held sets what is short and long still fits, and each may be set besides. In inches a saw is set to
// 1/32 in.
func TestEndsAndUnits(t *testing.T) {
	for ends, want := range map[Ends][2]float64{Grooved: {2, 0.5}, Butted: {0.5, 0.5}, Pegged: {3, 1}} {
		s := Defaults()
		if err := s.Set("ends", string(ends)); err != nil || s.House.Short != want[0] || s.House.Long != want[1] || s.Ends != ends {
			t.Errorf("ends %s: %g short and %g long, %v; want %v", ends, s.House.Short, s.House.Long, err, want)
		}
	}
	// What one setting sets for others is set before them, so that these may be set besides.
	order := func(name string) int { return slices.IndexFunc(options, func(o option) bool { return o.name == name }) }
	if order("ends") > order("short") || order("ends") > order("long") || order("units") > order("saw-step") || order(OwnProfile) > order("profile") {
		t.Error("a setting is applied over one that was set besides it")
	}
	s := Defaults()
	if err := s.Set("units", "in"); err != nil || !s.Inches || !calctest.Near(s.House.SawStep, 25.4/32, 1e-12) {
		t.Errorf("in inches the saw is set to %g mm, %v", s.House.SawStep, err)
	}
	if err := s.Set("units", "mm"); err != nil || s.Inches || s.House.SawStep != fit.DefaultHouse().SawStep {
		t.Errorf("in mm the saw is set to %g mm, %v", s.House.SawStep, err)
	}
}
