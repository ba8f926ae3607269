package asfound

import (
	"fmt"
	"math"
	"strings"
	"testing"

	"pinchrod/calc/calctest"
	"pinchrod/calc/frame"
	"pinchrod/calc/rules"
	"pinchrod/survey"
)

// one wants one flag of a name.
func one(t *testing.T, flags []Flag, name string) Flag {
	t.Helper()
	up := upBy(flags, name)
	if len(up) != 1 {
		t.Fatalf("%d flags %s, want one, among %+v", len(up), name, flags)
	}
	return up[0]
}

// stair is a flight of n rises of 200 mm and as many goings of 250, with changes to single rows and more of them.
func stair(n int, change map[string]string, more string) string {
	rows := ""
	add := func(row, value string) {
		if c, ok := change[row]; ok {
			value = c
		}
		if value != "" {
			rows += fmt.Sprintf("F1,%s,,%s\n", row, value)
		}
	}
	for i := 1; i <= n; i++ {
		add(fmt.Sprintf("rise,%d", i), "200")
		add(fmt.Sprintf("going,%d", i), "250")
	}
	add("total-rise,", fmt.Sprint(200*n))
	add("total-going,", fmt.Sprint(250*n))
	return rows + more
}

func flightFrom(t *testing.T, rows string, set Settings) *Flight {
	t.Helper()
	f := mustWork(bookFrom(t, rows), set)
	if len(f.Flights) != 1 {
		t.Fatalf("%d flights, want 1", len(f.Flights))
	}
	return &f.Flights[0]
}

// A step that was not read while the total was: it is said so, and no good step is blamed.
func TestUnreadStep(t *testing.T) {
	f := flightFrom(t, stair(13, map[string]string{"rise,13": "", "going,13": ""}, ""), Defaults())
	steps := upBy(f.Flags, "unread-step")
	if len(steps) != 2 {
		t.Fatalf("flags %+v, want an unread rise and going", f.Flags)
	}
	for i, want := range []struct {
		part  string
		value float64
	}{{"rise", 200}, {"going", 250}} {
		if s := steps[i]; s.State != rules.Unsure || !calctest.Near(s.Value, want.value, 1e-6) || !strings.Contains(s.Text, "read the "+want.part+" of step 13") {
			t.Errorf("%+v, want %s 13 of %g", s, want.part, want.value)
		}
	}
	for _, fl := range f.Flags {
		if fl.State == rules.Flag {
			t.Errorf("a good step is blamed: %s %s", fl.Name, fl.Text)
		}
	}
	for _, r := range f.Results {
		if r.Suspect {
			t.Errorf("%s is suspected", r.Reading.Title())
		}
	}
	if len(f.Steps) != 13 || f.Steps[12].Rise.Known && f.Steps[12].Rise.U < 2 {
		t.Errorf("%d steps, the last %+v; want 13", len(f.Steps), f.Steps[len(f.Steps)-1])
	}
	for _, tt := range []struct {
		name, total string
		n           int
		want        string // step that is to be read
	}{
		{"two of them", "2600", 11, "step 12"}, {"a little more than one", "2649", 12, "step 13"}, {"a little less than one", "2551", 12, "step 13"},
		{"no whole step more", "2651", 12, ""}, {"no whole step less", "2549", 12, ""}, {"none", "2400", 12, ""}, {"one too many", "2200", 12, ""},
		{"of two steps nobody knows", "600", 2, ""}, {"more than were read", "1600", 3, ""},
	} {
		f := flightFrom(t, stair(tt.n, map[string]string{"total-rise,": tt.total, "total-going,": ""}, ""), Defaults())
		up := upBy(f.Flags, "unread-step")
		if (tt.want == "") != (len(up) == 0) || len(up) > 0 && !strings.Contains(up[0].Text, tt.want) {
			t.Errorf("%s: %+v, want %q", tt.name, up, tt.want)
		}
	}
}

// A step 5 mm from its neighbour is where no rule says the limit: 2.5 is clear, 7 is flagged, of both rises beside it.
func TestUnevenSteps(t *testing.T) {
	for _, tt := range []struct {
		rise  string
		state rules.State
	}{{"202.5", rules.Clear}, {"207", rules.Flag}, {"193", rules.Flag}, {"205", rules.Unsure}} {
		f := flightFrom(t, stair(10, map[string]string{"rise,5": tt.rise, "total-rise,": ""}, ""), Defaults())
		var states []rules.State
		for _, fl := range upBy(f.Flags, "rise-neighbour") {
			if fl.Limit != evenStep && fl.Limit != -evenStep || fl.Unit != "mm" || fl.From != house {
				t.Errorf("a rise of %s: %+v, want ±5 mm, the house's", tt.rise, fl)
			}
			states = append(states, fl.State)
		}
		if len(states) == 0 || states[0] != tt.state || tt.state == rules.Flag && len(states) != 2 {
			t.Errorf("a rise of %s: %v, want %s", tt.rise, states, tt.state)
		}
	}
	if evenStep != 5 || unreadStep != 20 {
		t.Errorf("house figures of the steps are %g and %g mm, want 5 and 20", evenStep, unreadStep)
	}
}

// A rise and a going that nobody read is not known; the house takes it as the mean of the rest within 20 mm.
func TestStepThatNobodyRead(t *testing.T) {
	f := flightFrom(t, stair(10, map[string]string{"rise,5": "", "total-rise,": "", "total-going,": ""}, ""), Defaults())
	if f.Steps[4].Rise.Known || !f.Steps[4].Going.Known || f.TotalRise.Known || !f.TotalGoing.Known {
		t.Errorf("step 5 %+v, total rise %+v; want its rise and the total not known", f.Steps[4], f.TotalRise)
	}
}

// Everything that the profile of England holds a stair to is held: Approved Document K 2013 has a private stair rise by
// 150 to 220 mm and go by 220 to 300, a pitch of 42° at most, twice the rise and the going from 550 to 700 mm, 2000 mm
// of headroom, a guard of 900 mm, and no ball of 100 mm.
func TestByRule(t *testing.T) {
	set := Defaults()
	for _, s := range [][2]string{{"profile", "england"}, {"stair", "private"}} {
		if err := set.Set(s[0], s[1]); err != nil {
			t.Fatal(err)
		}
	}
	all := func(change map[string]string, more string) map[string]rules.State {
		f := mustWork(bookFrom(t, stair(10, change, more)), set)
		out := map[string]rules.State{}
		for _, flags := range [][]Flag{f.Flights[0].Flags, f.Bays[0].Flags} {
			for _, fl := range flags {
				if out[fl.Name] != rules.Flag {
					out[fl.Name] = fl.State
				}
			}
		}
		return out
	}
	const bay = "F1,headroom,3,,2100\nF1/left,guard-height,bottom,,920\nF1/left,run,,0,1377\n"
	good := all(nil, bay)
	for _, name := range []string{"rise", "going", "stride", "pitch", "headroom", "guard-height"} {
		if good[name] != rules.Clear {
			t.Errorf("a good stair: %s is %q, want clear", name, good[name])
		}
	}
	tall, short := map[string]string{"total-rise,": ""}, map[string]string{"total-going,": ""}
	for i := 1; i <= 10; i++ {
		tall[fmt.Sprintf("rise,%d", i)], short[fmt.Sprintf("going,%d", i)] = "230", "212"
	}
	for name, tt := range map[string]struct {
		change map[string]string
		more   string
	}{
		"rise": {tall, bay}, "stride": {map[string]string{"going,4": "310", "total-going,": ""}, bay}, "going": {short, bay}, "pitch": {short, bay},
		"headroom": {nil, strings.Replace(bay, "2100", "1950", 1)}, "guard-height": {nil, strings.Replace(bay, "920", "880", 1)},
	} {
		if got := all(tt.change, tt.more); got[name] != rules.Flag {
			t.Errorf("%s out of the rule is %q, want a flag", name, got[name])
		}
	}
	// On a reading as near as it can be to the limit nobody can tell.
	if got := all(nil, strings.Replace(bay, "920", "900", 1)); got["guard-height"] != rules.Unsure {
		t.Errorf("a guard of 900 mm as read is %q, want unsure", got["guard-height"])
	}
	// Of several at one bay the worst is shown.
	f := mustWork(bookFrom(t, bay+"F1/left,guard-height,top,,870\nF1/left,guard-height,middle,,880\n"), set)
	if g := one(t, f.Bays[0].Flags, "guard-height"); !calctest.Near(g.Value, 870, 1e-9) || g.Limit != 900 || g.Unit != "mm" || !strings.Contains(g.Text, "raise or lower") {
		t.Errorf("%+v, want the guard of 870 against 900 mm", g)
	}
	// What passes under the base rail.
	for under, want := range map[string]rules.State{"90": rules.Clear, "110": rules.Flag} {
		f := mustWork(bookFrom(t, bay+"F1/left,under-gap,2,,"+under+"\n"), set)
		if g := one(t, f.Bays[0].Flags, "under-rail"); g.State != want {
			t.Errorf("%s mm under the base rail: %+v, want %s", under, g, want)
		}
	}
	if f := mustWork(bookFrom(t, bay+"F1/left,under-gap,2,,110\n"), Defaults()); one(t, f.Bays[0].Flags, "under-rail").State != rules.Flag || len(upBy(f.Bays[0].Flags, "guard-height")) != 0 {
		t.Errorf("without a profile: %+v, %q", f.Bays[0].Flags, f.Bays[0].Notes)
	}
}

// String angles against the steps, 200 by 250 mm or 38.66°, and bottom against top. The limit is that of a joint of
// 0.5 mm over 41 mm, atan(0.5/41) = 0.699°, and twice that between the ends.
func TestStrings(t *testing.T) {
	for _, tt := range []struct {
		bottom, top string
		at          map[string]rules.State
		says        string
	}{
		{"38.66", "37.3", map[string]rules.State{"string-bottom": rules.Clear, "string-top": rules.Flag, "string-change": rules.Unsure}, "bottom and top again"},
		{"38.66", "38.66", map[string]rules.State{"string-bottom": rules.Clear, "string-top": rules.Clear, "string-change": rules.Clear}, "one pitch serves"},
		{"38.66", "37", map[string]rules.State{"string-bottom": rules.Clear, "string-top": rules.Flag, "string-change": rules.Flag}, "steeper at the bottom"},
		{"40.2", "37", map[string]rules.State{"string-bottom": rules.Flag, "string-top": rules.Flag, "string-change": rules.Flag}, "steeper at the bottom"},
		{"37", "40.2", map[string]rules.State{"string-bottom": rules.Flag, "string-top": rules.Flag, "string-change": rules.Flag}, "flatter at the bottom"},
	} {
		f := flightFrom(t, stair(10, nil, "F1,string-angle,bottom,,"+tt.bottom+"\nF1,string-angle,top,,"+tt.top+"\n"), Defaults())
		for name, want := range tt.at {
			fl := one(t, f.Flags, name)
			limit := math.Atan(0.5/41) / degree
			if name == "string-change" {
				limit *= 2
			}
			if fl.State != want || !calctest.Near(fl.Limit, limit, 1e-9) || fl.Unit != "°" {
				t.Errorf("strings of %s and %s: %s %s %+.2f, limit %.3f; want %s, %.3f", tt.bottom, tt.top, name, fl.State, fl.Value, fl.Limit, want, limit)
			}
		}
		if fl := one(t, f.Flags, "string-change"); !strings.Contains(fl.Text, tt.says) {
			t.Errorf("strings of %s and %s: %q, want %q", tt.bottom, tt.top, fl.Text, tt.says)
		}
	}
}

// The plan of a flight 900 by 3000 mm: square, and with a diagonal 40 mm out, which is a corner of
// acos((900² + 3000² − 3172.1²)/(2·900·3000)) = 92.6°. An end out by 0.5 mm over 41 is the limit.
func TestPlanCorner(t *testing.T) {
	plan := func(rising, falling float64) *Flight {
		return flightFrom(t, fmt.Sprintf("F1,width,bottom,,900\nF1,width,top,,900\nF1,side,left,,3000\nF1,side,right,,3000\nF1,diagonal,rising,,%.1f\nF1,diagonal,falling,,%.1f\n", rising, falling), Defaults())
	}
	square := math.Hypot(900, 3000)
	c := one(t, plan(square, square).Flags, "corner")
	if c.State != rules.Clear || !calctest.Near(c.Value, 0, 0.02) || !calctest.Near(c.Limit, math.Atan(0.5/41)/degree, 1e-9) {
		t.Errorf("a square plan: %+v", c)
	}
	// A parallelogram: d₁² + d₂² = 2(a² + b²).
	out := square + 40
	f := plan(out, math.Sqrt(2*square*square-out*out))
	want := math.Acos((900*900+3000*3000-out*out)/(2*900*3000))/degree - 90
	if c = one(t, f.Flags, "corner"); c.State != rules.Flag || !calctest.Near(math.Abs(c.Value), want, 0.05) || !strings.Contains(c.Text, "scribe what meets it") {
		t.Errorf("a plan out of square: %+v, want %.2f°", c, want)
	}
	if s := one(t, f.Flags, "swing"); s.State != rules.Flag || !calctest.Near(s.Limit, 3000*0.5/41, 0.1) {
		t.Errorf("its swing: %+v, want a flag beyond %.1f mm", s, 3000*0.5/41)
	}
	// Three lengths that close no triangle.
	if p := one(t, flightFrom(t, "F1,width,bottom,,900\nF1,side,left,,3000\nF1,side,right,,3000\nF1,diagonal,rising,,4200\n", Defaults()).Flags, "plan"); p.State != rules.Flag || !strings.Contains(p.Text, "read all three again") {
		t.Errorf("no triangle: %+v", p)
	}
}

// Widths without sides: 10 mm of taper is the limit.
func TestWidthsAlone(t *testing.T) {
	for top, want := range map[string]rules.State{"900": rules.Clear, "920": rules.Flag, "880": rules.Flag} {
		if f := one(t, flightFrom(t, "F1,width,bottom,,900\nF1,width,top,,"+top+"\n", Defaults()).Flags, "taper"); f.State != want || f.Limit != 2*evenStep {
			t.Errorf("900 and %s wide: %+v, want %s", top, f, want)
		}
	}
}

// A steel tape at 30 °C is longer by 11.5e-6 a kelvin, and reads 1377 mm short by 0.16 mm.
func TestTapeTemperature(t *testing.T) {
	rows := "F1/left,run,,0,1377\nF1/left,base-angle,bottom,,41.2\n"
	cold, warm := bayFrom(t, rows), bayFrom(t, "F1,temperature,,,30\n"+rows)
	if got, want := warm.Adjusted.Run.Value-cold.Adjusted.Run.Value, survey.AtTemperature(1377, 30)-1377; !calctest.Near(got, want, 1e-6) || !calctest.Near(want, 0.158, 0.002) {
		t.Errorf("the run at 30 °C is %.4f mm more, want %.4f, some 0.158", got, want)
	}
	if !noted(warm, "1 reading of a steel tape at 30 °C given as at 20 °C") || noted(cold, "°C") {
		t.Errorf("notes %q and %q", warm.Notes, cold.Notes)
	}
	// Two temperatures are taken as their mean.
	if both := bayFrom(t, "F1,temperature,,,25\nF1,temperature,,,35\n"+rows); !calctest.Near(both.Adjusted.Run.Value, warm.Adjusted.Run.Value, 1e-9) {
		t.Errorf("at 25 and 35 °C %g, want as at 30 °C %g", both.Adjusted.Run.Value, warm.Adjusted.Run.Value)
	}
}

// The frame of posts that lean together: both by 12 mm/m, out of the limit of 0.5 mm over 41, or 12.2 mm/m, is not sure;
// by 24 it leans. Between plumb posts it is square.
func TestFrameOutOfSquare(t *testing.T) {
	for lean, want := range map[float64]rules.State{0: rules.Clear, 0.0122: rules.Unsure, 0.024: rules.Flag, -0.024: rules.Flag} {
		tr := truth{frame.Plane{Run: 1600, LeanLower: lean, LeanUpper: lean, BaseSlope: 0.84, RailSlope: 0.84, Gap: 830}, 41}
		b := &mustWork(bookOf((&visitor{}).exactly(tr)), Defaults()).Bays[0]
		f := one(t, b.Flags, "square")
		if f.State != want || want == rules.Flag && !strings.Contains(f.Text, pick(lean, "leans up", "leans down")) {
			t.Errorf("posts that lean by %g: %+v, want %s", lean, f, want)
		}
		for _, post := range []string{"plumb-lower", "plumb-upper"} {
			if p := one(t, b.Flags, post); !calctest.Near(p.Limit, 1000*0.5/41, 1e-9) || p.State == rules.Flag != (want == rules.Flag) {
				t.Errorf("posts that lean by %g: %+v", lean, p)
			}
		}
	}
	if b := bayFrom(t, "F1/left,run,,0,1377\n"); len(upBy(b.Flags, "square")) != 0 {
		t.Error("a frame without diagonals is judged")
	}
}

// The last opening is judged by itself: clear, and not sure with the walk that settles it. Ten spindles leave 87.91 mm in
// a run of 1377; from six readings the last opening has u = 4 mm, from the walk with the house's rule 1.6.
func TestLastSpace(t *testing.T) {
	const rows = "F1/left,run,,0,1377\nF1/left,base-angle,bottom,,41.2\nF1/left,rail-angle,bottom,,41.2\nF1/left,trial,bottom,,812\nF1/left,trial,middle,,812\nF1/left,trial,top,,812\n" +
		"F1/left,spindle-section,,,41 x 41 mm\n"
	const walk = "F1/left,walk,,,11 x 116.8 mm short 0.4 mm\n" // 87.91/cos 41.2° = 116.84
	for _, tt := range []struct {
		name    string
		opening float64
		rows    string
		state   rules.State
		says    string
	}{
		{"room enough", 100, "", rules.Clear, "no ball of 100 mm passes beside the upper post"},
		{"too near to tell", 93, "", rules.Unsure, "walk the spacer first"},
		{"settled by the walk", 93, walk, rules.Clear, "no ball of 93 mm passes beside the upper post"},
	} {
		set := bare()
		set.Opening = tt.opening
		b := &mustWork(bookFrom(t, rows+tt.rows), set).Bays[0]
		if b.Layout.Count != 10 {
			t.Fatalf("%s: %d spindles", tt.name, b.Layout.Count)
		}
		f := one(t, b.Flags, "last-space")
		if f.State != tt.state || !strings.Contains(f.Text, tt.says) || f.Limit != tt.opening {
			t.Errorf("%s: %+v, want %s, %q", tt.name, f, tt.state, tt.says)
		}
		if f.Value != b.Layout.Last.Value || f.U != b.Layout.Last.U || !calctest.Near(f.Value, 87.91, 0.1) {
			t.Errorf("%s: %g ±%g on the flag, %+v in the layout", tt.name, f.Value, f.U, b.Layout.Last)
		}
		walks := 0
		for _, p := range b.proposals() {
			if p.Reading.What == survey.SpacerWalk {
				walks++
				if p.Minutes != walkMinutes || p.Reading.Where != "F1/left" {
					t.Errorf("%s: %+v, want a walk of 4 minutes", tt.name, p)
				}
			}
		}
		if (walks == 1) != (tt.state == rules.Unsure) {
			t.Errorf("%s: advised to walk %d times", tt.name, walks)
		}
	}
	if f := judgedLast(Flag{Value: 104, U: 1, Limit: 100}); f.State != rules.Flag || !strings.Contains(f.Text, "passes beside the upper post: add a spindle") {
		t.Errorf("104 mm: %+v", f)
	}
	if f := judgedOpening(Flag{Value: 104, U: 1, Limit: 100}); f.State != rules.Flag || !strings.Contains(f.Text, "a ball of 100 mm passes: add a spindle") {
		t.Errorf("104 mm between spindles: %+v", f)
	}
}

// Spindles that stand plumb between leaning posts are as long as the plumb gap, and take no more of the rail than their
// width; those that stand with the posts are off by gap·l·tan q, here 830·0.008·0.84 = 5.6 mm.
func TestSpindlesStandPlumb(t *testing.T) {
	tr := truth{frame.Plane{Run: 1600, LeanLower: 0.008, LeanUpper: 0.008, BaseSlope: 0.84, RailSlope: 0.84, Gap: 830}, 41}
	rows := (&visitor{}).exactly(tr)
	for i := range rows {
		if rows[i].What == survey.Trial {
			rows[i].Value.N[0] = 830_000 // held plumb
		}
	}
	set := Defaults()
	set.Plumb = true
	b := &mustWork(bookOf(rows), set).Bays[0]
	for i, n := range b.Spindles.Needed.Mean {
		if !calctest.Near(n, 830, 0.1) {
			t.Errorf("plumb spindle %d needs %.2f mm, want 830", i+1, n)
		}
	}
	if len(upBy(b.Flags, "slip")) != 0 || !calctest.Near(b.Layout.Clear.Value, (1600-float64(b.Layout.Count)*41)/float64(b.Layout.Count+1), 0.05) {
		t.Errorf("plumb: %d spindles, %g clear, flags %+v", b.Layout.Count, b.Layout.Clear.Value, b.Flags)
	}
	leaningSet := &mustWork(bookOf((&visitor{}).exactly(tr)), Defaults()).Bays[0]
	for i, n := range leaningSet.Spindles.Needed.Mean {
		if !calctest.Near(n-830, 830*0.008*0.84, 0.15) {
			t.Errorf("spindle %d that stands with the posts needs %.2f mm more, want 5.6", i+1, n-830)
		}
	}
	w := &worker{set: set}
	if k, u := w.foot(); k != 1 || u != 0 {
		t.Errorf("a plumb spindle takes %g ±%g of its width, want 1", k, u)
	}
}
