package rules_test

import (
	"errors"
	"math"
	"slices"
	"strings"
	"testing"

	"github.com/google/go-cmp/cmp"

	"pinchrod/calc/calctest"
	"pinchrod/calc/rules"
)

// The figures as the documents have them, typed here a second time so that a slip
// in a data file shows. Inches are worked out by hand: 7 3/4 in is 196.85 mm. The
// two marks are how the figure and how the clause's number was seen.
var published = []struct {
	profile, stairs string
	what            rules.What
	low, high       float64
	source          string // document, edition, clause
	seen, clause    rules.Seen
}{
	{"england", "private", "rise", 150, 220, "Approved Document K 2013, Table 1.1", "READ", "READ"},
	{"england", "private", "going", 220, 300, "Approved Document K 2013, Table 1.1", "READ", "READ"},
	{"england", "private", "pitch", -inf, 42, "Approved Document K 2013, Table 1.1 note 1", "READ", "READ"},
	{"england", "common public", "rise", 150, 170, "Approved Document K 2013, Table 1.1", "READ", "READ"},
	{"england", "common public", "going", 250, 400, "Approved Document K 2013, Table 1.1", "READ", "READ"},
	{"england", "utility", "rise", 150, 190, "Approved Document K 2013, Table 1.1", "READ", "READ"},
	{"england", "utility", "going", 250, 400, "Approved Document K 2013, Table 1.1", "READ", "READ"},
	{"england", "any", "two-rise-plus-going", 550, 700, "Approved Document K 2013, Table 1.1 footnote", "READ", "READ"},
	{"england", "any", "tread-overlap", 16, inf, "Approved Document K 2013, section 1", "READ", "READ"},
	{"england", "any", "open-riser", -inf, 100, "Approved Document K 2013, section 1", "MEM", "MEM"},
	{"england", "any", "headroom", 2000, inf, "Approved Document K 2013, 1.11", "MEM", "MEM"},
	{"england", "any", "handrail-height", 900, 1000, "Approved Document K 2013, 1.34 to 1.36", "READ", "MEM"},
	{"england", "private common public utility", "guard-height-stair", 900, inf, "Approved Document K 2013, Diagram 3.1", "READ", "READ"},
	{"england", "private", "guard-height-landing", 900, inf, "Approved Document K 2013, Diagram 3.1", "READ", "READ"},
	{"england", "common public utility", "guard-height-landing", 1100, inf, "Approved Document K 2013, Diagram 3.1", "READ", "READ"},
	{"england", "private common public utility", "guard-height-balcony", 1100, inf, "Approved Document K 2013, Diagram 3.1", "READ", "READ"},
	{"england", "any", "opening", -inf, 100, "Approved Document K 2013, 3.3", "READ", "READ"},
	{"england", "private", "unguarded-drop", -inf, 600, "Approved Document K 2013, 1.41", "READ", "READ"},
	{"england", "common public utility", "unguarded-risers", -inf, 1, "Approved Document K 2013, 1.40", "READ", "READ"},

	{"us", "private", "rise", -inf, 196.85, "IRC 2018, R311.7.5.1", "READ", "READ"},
	{"us", "private", "going", 254, inf, "IRC 2018, R311.7.5.2", "READ", "READ"},
	{"us", "private", "rise-spread", -inf, 9.525, "IRC 2018, R311.7.5.1", "READ", "MEM"},
	{"us", "private", "going-spread", -inf, 9.525, "IRC 2018, R311.7.5.2", "READ", "MEM"},
	{"us", "private", "nosing-spread", -inf, 9.525, "IRC 2018, R311.7.5.3", "READ", "MEM"},
	{"us", "private", "open-riser", -inf, 101.6, "IRC 2018, R311.7.5.1", "MEM", "MEM"},
	{"us", "private", "width", 914.4, inf, "IRC 2018, R311.7.1", "READ", "READ"},
	{"us", "private", "width-one-rail", 800.1, inf, "IRC 2018, R311.7.1", "READ", "READ"},
	{"us", "private", "width-two-rails", 685.8, inf, "IRC 2018, R311.7.1", "READ", "READ"},
	{"us", "private", "headroom", 2032, inf, "IRC 2018, R311.7.2", "READ", "READ"},
	{"us", "private", "unrailed-risers", -inf, 3, "IRC 2018, R311.7.8", "READ", "READ"},
	{"us", "private", "handrail-height", 863.6, 965.2, "IRC 2018, R311.7.8.1", "READ", "READ"},
	{"us", "private", "unguarded-drop", -inf, 762, "IRC 2018, R312.1.1", "READ", "MEM"},
	{"us", "private", "guard-height-stair", 863.6, inf, "IRC 2018, R312.1.2", "READ", "MEM"},
	{"us", "private", "guard-height-landing", 914.4, inf, "IRC 2018, R312.1.2", "READ", "MEM"},
	{"us", "private", "opening", -inf, 101.6, "IRC 2018, R312.1.3", "READ", "READ"},
	{"us", "private", "opening-stair-side", -inf, 111.125, "IRC 2018, R312.1.3 exceptions", "READ", "READ"},
	{"us", "private", "opening-under", -inf, 152.4, "IRC 2018, R312.1.3 exceptions", "READ", "READ"},
	{"us", "public", "rise", 100, 180, "ABA Standards (edition not noted), 504.2", "READ", "READ"},
	{"us", "public", "going", 280, inf, "ABA Standards (edition not noted), 504.2", "READ", "READ"},

	{"ontario", "private", "rise", 125, 200, "National Building Code of Canada (edition not noted), 9.8.4.1", "MEM", "MEM"},
	{"ontario", "private", "going", 255, 355, "National Building Code of Canada (edition not noted), 9.8.4.1", "MEM", "MEM"},
	{"ontario", "private", "guard-height-stair", 900, inf, "National Building Code of Canada (edition not noted), 9.8.8.3", "MEM", "MEM"},
	{"ontario", "private", "guard-height-landing", 900, inf, "National Building Code of Canada (edition not noted), 9.8.8.3", "MEM", "MEM"},
	{"ontario", "private", "opening", -inf, 100, "National Building Code of Canada (edition not noted), 9.8.8.5", "MEM", "MEM"},
	{"ontario", "common public", "rise", 125, 180, "Ontario Building Code (edition not noted), 3.4.6.8", "READ", "READ"},
	{"ontario", "common public", "going", 280, 355, "Ontario Building Code (edition not noted), 3.4.6.8", "READ", "READ"},
	{"ontario", "common public", "guard-height-landing", 1070, inf, "Ontario Building Code (edition not noted), 3.3.1.18", "READ", "MEM"},
	{"ontario", "common public", "opening", -inf, 100, "Ontario Building Code (edition not noted), 3.3.1.18", "READ", "MEM"},
	{"ontario", "common public", "unguarded-drop", -inf, 600, "Ontario Building Code (edition not noted), 3.3.1.18", "READ", "MEM"},
	{"ontario", "any", "rise-neighbour", -5, 5, "Ontario Building Code O. Reg. 332/12, 9.8.4.4", "READ", "MEM"},
	{"ontario", "any", "rise-spread", -inf, 10, "Ontario Building Code O. Reg. 332/12, 9.8.4.4", "READ", "MEM"},
	{"ontario", "any", "going-neighbour", -5, 5, "Ontario Building Code O. Reg. 332/12, 9.8.4.4", "READ", "MEM"},
	{"ontario", "any", "going-spread", -inf, 10, "Ontario Building Code O. Reg. 332/12, 9.8.4.4", "READ", "MEM"},
	{"ontario", "any", "tread-slope", -inf, 20, "Ontario Building Code O. Reg. 332/12, 9.8.4.4", "READ", "MEM"},
	{"ontario", "any", "nosing", 0, 25, "Ontario Building Code (edition not noted), 9.8.4.2(2)", "READ", "READ"},

	{"germany", "private", "rise", 140, 200, "DIN 18065 (edition not noted), Table 1", "READ", "READ"},
	{"germany", "private", "going", 230, 370, "DIN 18065 (edition not noted), Table 1", "READ", "READ"},
	{"germany", "private", "width", 800, inf, "DIN 18065 (edition not noted), Table 1", "READ", "READ"},
	{"germany", "private", "headroom", 2000, inf, "DIN 18065 (edition not noted), Table 1", "READ", "READ"},
	{"germany", "private", "first-rise-off", -15, 15, "DIN 18065 (edition not noted), clause not noted", "READ", "READ"},
	{"germany", "common public", "rise", 140, 190, "DIN 18065 (edition not noted), Table 1", "READ", "READ"},
	{"germany", "common public", "going", 260, 370, "DIN 18065 (edition not noted), Table 1", "READ", "READ"},
	{"germany", "common public", "width", 1000, inf, "DIN 18065 (edition not noted), Table 1", "READ", "READ"},
	{"germany", "any", "two-rise-plus-going", 590, 650, "DIN 18065 (edition not noted), clause not noted", "READ", "READ"},
	{"germany", "any", "risers", -inf, 18, "DIN 18065 (edition not noted), clause not noted", "READ", "READ"},
	{"germany", "any", "rise-off-nominal", -5, 5, "DIN 18065 (edition not noted), clause not noted", "READ", "READ"},
	{"germany", "any", "rise-neighbour", -5, 5, "DIN 18065 (edition not noted), clause not noted", "READ", "READ"},
	{"germany", "any", "going-off-nominal", -5, 5, "DIN 18065 (edition not noted), clause not noted", "MEM", "MEM"},
	{"germany", "any", "going-neighbour", -5, 5, "DIN 18065 (edition not noted), clause not noted", "MEM", "MEM"},
	{"germany", "any", "guard-height-stair", 900, inf, "DIN 18065 (edition not noted), clause not noted", "READ", "READ"},
	{"germany", "any", "guard-height-landing", 900, inf, "DIN 18065 (edition not noted), clause not noted", "READ", "READ"},
	{"germany", "any", "guard-height-fall-over-12m", 1100, inf, "DIN 18065 (edition not noted), clause not noted", "READ", "READ"},
	{"germany", "any", "opening", -inf, 120, "DIN 18065 (edition not noted), clause not noted", "READ", "READ"},

	{"australia", "any", "rise", 115, 190, "NCC 2022, Housing Provisions 11.2.2 / D3D14", "READ", "READ"},
	{"australia", "private", "going", 240, 355, "NCC 2022, Housing Provisions 11.2.2", "READ", "READ"},
	{"australia", "any", "risers", 2, 18, "NCC 2022, Housing Provisions 11.2.2 / D3D14", "READ", "READ"},
	{"australia", "any", "open-riser", -inf, 125, "NCC 2022, Housing Provisions 11.2.2 / D3D14", "READ", "READ"},
	{"australia", "any", "rise-neighbour", -5, 5, "NCC 2022, Housing Provisions 11.2.2 / D3D14", "READ", "READ"},
	{"australia", "any", "rise-spread", -inf, 10, "NCC 2022, Housing Provisions 11.2.2 / D3D14", "READ", "READ"},
	{"australia", "any", "going-neighbour", -5, 5, "NCC 2022, Housing Provisions 11.2.2 / D3D14", "MEM", "MEM"},
	{"australia", "any", "going-spread", -inf, 10, "NCC 2022, Housing Provisions 11.2.2 / D3D14", "MEM", "MEM"},
	{"australia", "private", "two-rise-plus-going", 550, 700, "NCC 2022, Housing Provisions 11.2.2", "MEM", "MEM"},
	{"australia", "private", "guard-height-stair", 865, inf, "NCC 2022, Housing Provisions 11.3.4", "READ", "READ"},
	{"australia", "private", "guard-height-landing", 1000, inf, "NCC 2022, Housing Provisions 11.3.4", "READ", "READ"},
	{"australia", "private", "opening", -inf, 125, "NCC 2022, Housing Provisions 11.3.4", "MEM", "MEM"},
}

func named(t *testing.T, name string) rules.Profile {
	t.Helper()
	p, err := rules.Named(name)
	if err != nil {
		t.Fatal(err)
	}
	return p
}

// Every figure of every profile: its ends and source, and the answer at, just
// inside and just outside each end. A figure that the table lacks fails.
func TestProfiles(t *testing.T) {
	tested := map[string]int{}
	for _, c := range published {
		for _, stair := range strings.Fields(c.stairs) {
			tested[c.profile]++
			where := c.profile + ", " + stair + " " + string(c.what)
			i := slices.IndexFunc(named(t, c.profile).Limits, func(l rules.Limit) bool {
				return l.What == c.what && string(l.Stair) == stair
			})
			if i < 0 {
				t.Errorf("%s is not in the profile", where)
				continue
			}
			l := named(t, c.profile).Limits[i]
			if l.Low != c.low || l.High != c.high {
				t.Errorf("%s: %v to %v, want %v to %v", where, l.Low, l.High, c.low, c.high)
			}
			if l.Seen != c.seen || l.ClauseSeen != c.clause {
				t.Errorf("%s: figure %s, clause %s; want %s, %s", where, l.Seen, l.ClauseSeen, c.seen, c.clause)
			}
			source, check := strings.CutSuffix(l.Source(), ", check the document")
			source, _, _ = strings.Cut(source, ";")
			if source != c.source || check != (c.seen == rules.Memory || c.clause == rules.Memory) {
				t.Errorf("%s: source %q, want %q and a request to check when from memory", where, l.Source(), c.source)
			}
			for _, end := range []struct{ at, in float64 }{{c.low, 1}, {c.high, -1}} {
				if math.IsInf(end.at, 0) {
					continue
				}
				judge := func(off, u float64, want rules.State) {
					t.Helper()
					if got := l.Judge(end.at+off, u); got != want {
						t.Errorf("%s: %v ± %g %s is %s, want %s", where, end.at+off, u, l.What.Unit(), got, want)
					}
				}
				// 1.645 u is 0.0658: 0.07 past an end is sure, 0.06 is not. Every
				// range is far wider than that.
				const u = 0.04
				judge(0, 0, rules.Clear)
				judge(end.in*0.01, 0, rules.Clear)
				judge(-end.in*0.01, 0, rules.Flag)
				judge(0, u, rules.Unsure)
				judge(end.in*0.06, u, rules.Unsure)
				judge(end.in*0.07, u, rules.Clear)
				judge(-end.in*0.06, u, rules.Unsure)
				judge(-end.in*0.07, u, rules.Flag)
				// The next number there is.
				if got := l.Judge(math.Nextafter(end.at, end.at-end.in), 0); got != rules.Flag {
					t.Errorf("%s: the next number outside %v is %s, want flag", where, end.at, got)
				}
			}
		}
	}
	for _, name := range rules.Profiles() {
		if got, want := tested[name], len(named(t, name).Limits); got != want {
			t.Errorf("%s has %d figures, the table %d", name, want, got)
		}
	}
}

// Computed checks: geometry, no citation, to the digits given.
func TestGeometry(t *testing.T) {
	near := func(what string, got, want, tol float64) {
		t.Helper()
		if !calctest.Near(got, want, tol) {
			t.Errorf("%s: got %.7f, want %v", what, got, want)
		}
	}
	near("pitch of 220 in 245", rules.PitchOf(220, 245), 41.9225, 5e-5)
	near("pitch of 220 in 244", rules.PitchOf(220, 244), 42.0391, 5e-5)
	// The least going at 42° for a rise of 220, 220/tan 42°.
	near("pitch of 220 in 244.3348", rules.PitchOf(220, 244.3348), 42, 1e-5)
	near("pitch of 7 3/4 in 10", rules.PitchOf(7.75, 10), 37.7757, 5e-5)
	near("ball in 7 3/4 by 10", rules.BallUnder(7.75, 10, 0), 5.0984, 5e-5)
	near("ball in 7 3/4 by 10, rail 1.083 off", rules.BallUnder(7.75, 10, 1.083), 6, 5e-4)
	// A 3-4-5 triangle: inscribed diameter 2, height 2.4 on the long side, so a
	// rail half that height nearer halves the ball.
	near("ball in 3 by 4", rules.BallUnder(3, 4, 0), 2, 1e-15)
	near("ball in 3 by 4, rail 1.2 in", rules.BallUnder(3, 4, -1.2), 1, 1e-15)
	near("rail through the corner", rules.BallUnder(3, 4, -2.4), 0, 1e-15)
	near("rail below the corner", rules.BallUnder(3, 4, -5), 0, 0)
	for _, c := range [][3]float64{{3, 4, 5}, {0, 4, 1}, {3, math.NaN(), 0}, {3, 4, math.NaN()}} {
		if got := rules.BallUnder(c[0], c[1], c[2]); !math.IsNaN(got) {
			t.Errorf("BallUnder(%v) = %v, want NaN", c, got)
		}
	}

	england := named(t, "england")
	pitch := england.For(rules.Private, rules.Pitch)[0]
	step := england.For(rules.Private, rules.StepRule)[0]
	for _, c := range []struct {
		rise, going float64
		pitch, step rules.State
	}{
		{220, 245, rules.Clear, rules.Clear}, // 2R + G 685
		{220, 244, rules.Flag, rules.Clear},
		{220, 260, rules.Clear, rules.Clear}, // 700, at the end
		{220, 261, rules.Clear, rules.Flag},
	} {
		if got := pitch.Judge(rules.PitchOf(c.rise, c.going), 0); got != c.pitch {
			t.Errorf("pitch of %v in %v is %s, want %s", c.rise, c.going, got, c.pitch)
		}
		if got := step.Judge(2*c.rise+c.going, 0); got != c.step {
			t.Errorf("step rule of %v and %v is %s, want %s", c.rise, c.going, got, c.step)
		}
	}
}

// A ball inside the triangle touches tread, riser and rail: its centre is a
// radius from each. The corner is the origin, the tread along x, the riser y.
func TestBallUnderTouches(t *testing.T) {
	for _, c := range [][3]float64{{180, 250, 0}, {196.85, 254, 27.5}, {220, 220, -40}, {150, 300, 60}} {
		r, g, off := c[0], c[1], c[2]
		ball := rules.BallUnder(r, g, off)
		// The nosing line is x/g + y/r = 1; the rail is off it, away from the corner.
		fromNosing := (ball/2/g + ball/2/r - 1) / math.Hypot(1/g, 1/r)
		if toRail := off - fromNosing; !calctest.Near(toRail, ball/2, 1e-12*r) {
			t.Errorf("%v: centre %v from the rail, %v from tread and riser", c, toRail, ball/2)
		}
	}
}

func TestText(t *testing.T) {
	for _, c := range []struct {
		profile      string
		stair        rules.Stair
		what         rules.What
		text, source string
	}{
		{"england", "private", "rise", "150 to 220 mm", "Approved Document K 2013, Table 1.1"},
		{"england", "private", "pitch", "at most 42°", "Approved Document K 2013, Table 1.1 note 1"},
		{"england", "private", "headroom", "at least 2.0 m", "Approved Document K 2013, 1.11; from memory, check the document"},
		{"england", "public", "handrail-height", "900 to 1000 mm", "Approved Document K 2013, 1.34 to 1.36; clause number from memory, check the document"},
		{"us", "private", "rise", "at most 7 3/4 in", "IRC 2018, R311.7.5.1"},
		{"us", "private", "headroom", "at least 6 ft 8 in", "IRC 2018, R311.7.2"},
		{"us", "private", "unrailed-risers", "at most 3", "IRC 2018, R311.7.8"},
		{"ontario", "common", "tread-slope", "at most 1 in 50", "Ontario Building Code O. Reg. 332/12, 9.8.4.4; clause number from memory, check the document"},
		{"germany", "public", "rise-neighbour", "±5 mm", "DIN 18065 (edition not noted), clause not noted"},
		{"australia", "public", "risers", "2 to 18", "NCC 2022, Housing Provisions 11.2.2 / D3D14"},
	} {
		all := named(t, c.profile).For(c.stair, c.what)
		if len(all) != 1 {
			t.Errorf("%s: %d limits of %s on a %s stair, want 1", c.profile, len(all), c.what, c.stair)
			continue
		}
		if got := all[0].Text(); got != c.text {
			t.Errorf("%s %s: text %q, want %q", c.profile, c.what, got, c.text)
		}
		if got := all[0].Source(); got != c.source {
			t.Errorf("%s %s: source %q, want %q", c.profile, c.what, got, c.source)
		}
	}
}

// Stairs apart: a limit of one sort of stair is not one of another.
func TestFor(t *testing.T) {
	england := named(t, "england")
	for _, c := range []struct {
		stair rules.Stair
		rise  []float64 // greatest
		slope int       // pitch limits
	}{
		{rules.Private, []float64{220}, 1}, {rules.Common, []float64{170}, 0}, {rules.Public, []float64{170}, 0},
		{rules.Utility, []float64{190}, 0}, {rules.Any, nil, 0}, {"", nil, 0},
	} {
		var got []float64
		for _, l := range england.For(c.stair, rules.Rise) {
			got = append(got, l.High)
		}
		if diff := cmp.Diff(c.rise, got); diff != "" {
			t.Errorf("rises of a %s stair (-want +got):\n%s", c.stair, diff)
		}
		if got := len(england.For(c.stair, rules.Pitch)); got != c.slope {
			t.Errorf("%d pitch limits of a %s stair, want %d", got, c.stair, c.slope)
		}
	}
	p, err := rules.Parse("own", []byte(header+"any,width,900,,mm,A,1,1,READ,,\npublic,width,1200,,mm,A,2,1,READ,,\n"))
	if err != nil {
		t.Fatal(err)
	}
	if got := p.For(rules.Public, rules.Width); len(got) != 2 {
		t.Errorf("a public stair has %d limits of width, want that of any and its own", len(got))
	}
	if p.Limits[0].Stair != rules.Any || p.Limits[1].Stair != rules.Public {
		t.Error("asking for limits changed the profile")
	}
}

func TestOpening(t *testing.T) {
	for _, c := range []struct {
		profile string
		stair   rules.Stair
		ball    float64
		ok      bool
	}{
		{"england", rules.Private, 100, true}, {"england", rules.Public, 100, true},
		{"us", rules.Private, 101.6, true}, {"us", rules.Public, 100, false}, {"us", rules.Common, 100, false},
		{"ontario", rules.Private, 100, true}, {"germany", rules.Common, 120, true},
		{"australia", rules.Private, 125, true}, {"australia", rules.Public, 100, false},
	} {
		if l, ok := named(t, c.profile).Opening(c.stair); l.High != c.ball || ok != c.ok {
			t.Errorf("%s, %s: ball %v (%v), want %v (%v)", c.profile, c.stair, l.High, ok, c.ball, c.ok)
		}
	}
	p, err := rules.Parse("own", []byte(header+"any,opening,,110,mm,A,1,1,READ,,\npublic,opening,,90,mm,A,2,1,READ,,\n"))
	if err != nil {
		t.Fatal(err)
	}
	if l, ok := p.Opening(rules.Public); l.High != 90 || !ok {
		t.Errorf("of two balls %v is taken, want the smaller", l.High)
	}
	for name, none := range map[string]rules.Profile{"None": rules.None(), "zero": {}} {
		l, ok := none.Opening(rules.Private)
		if l.Judge(100, 0) != rules.Clear || l.Judge(100.01, 0) != rules.Flag || ok != (name == "None") {
			t.Errorf("%s holds openings to %+v (%v)", name, l, ok)
		}
		if l.Text() != "at most 100 mm" || l.Source() != "Approved Document K 2013, 3.3" {
			t.Errorf("%s: %q by %q", name, l.Text(), l.Source())
		}
		if got := none.For(rules.Private, rules.Rise); len(got) != 0 {
			t.Errorf("%s limits a rise: %+v", name, got)
		}
	}
}

func TestUsed(t *testing.T) {
	own := []byte(header + "private,rise,,200,mm,House rules,3,1999,READ,,\n")
	p, err := rules.Parse("house.csv", own)
	if err != nil {
		t.Fatal(err)
	}
	none := "No rule profile is chosen: openings are held to 100 mm, the rest to nothing."
	for _, c := range []struct {
		p     rules.Profile
		stair rules.Stair
		want  string
	}{
		{rules.None(), rules.Private, none},
		{rules.Profile{}, rules.Private, none},
		{named(t, "england"), rules.Private, "Rule profile England, for a private stair: Approved Document K 2013. From memory, check the document: 2 of its 13 figures."},
		{named(t, "england"), rules.Any, "Rule profile England, for any stair: Approved Document K 2013. From memory, check the document: 2 of its 6 figures."},
		{named(t, "us"), rules.Common, "Rule profile United States has no figure for a common stair: openings are held to 100 mm, the rest to nothing."},
		{named(t, "us"), rules.Public, "Rule profile United States, for a public stair: ABA Standards (edition not noted). It has no figure for openings: they are held to 100 mm."},
		{p, rules.Private, "Rule profile house.csv, for a private stair: House rules 1999. It has no figure for openings: they are held to 100 mm."},
	} {
		if got := c.p.Used(c.stair); got != c.want {
			t.Errorf("got  %s\nwant %s", got, c.want)
		}
	}
}

// Without a profile openings are held to the ball of England's rule.
func TestNone(t *testing.T) {
	want := rules.Profile{Title: "none", Limits: []rules.Limit{{
		Stair: rules.Any, What: rules.ClearOpening, Low: -inf, High: 100, HighAs: "100", As: "mm",
		Document: "Approved Document K", Clause: "3.3", Edition: "2013", Seen: rules.Read, ClauseSeen: rules.Read, Note: "no rule profile is chosen",
	}}}
	if diff := cmp.Diff(want, rules.None()); diff != "" {
		t.Errorf("(-want +got):\n%s", diff)
	}
}

func TestTitles(t *testing.T) {
	var got []string
	for _, name := range rules.Profiles() {
		got = append(got, named(t, name).Title)
	}
	if diff := cmp.Diff([]string{"England", "United States", "Ontario", "Germany", "Australia"}, got); diff != "" {
		t.Errorf("(-want +got):\n%s", diff)
	}
}

func TestNamed(t *testing.T) {
	if got, want := rules.Profiles(), []string{"england", "us", "ontario", "germany", "australia"}; !slices.Equal(got, want) {
		t.Errorf("profiles %v, want %v", got, want)
	}
	for _, name := range []string{"", "England", "../england", "france"} {
		p, err := rules.Named(name)
		if !errors.Is(err, rules.ErrProfile) || !strings.Contains(err.Error(), "england, us, ontario, germany or australia") || p.Limits != nil {
			t.Errorf("Named(%q) = %v, %v", name, p, err)
		}
	}
	england := named(t, "england")
	england.Limits[0].High = 1
	if again := named(t, "england"); again.Limits[0].High == 1 {
		t.Error("a change of one profile shows in the next")
	}
}

func TestQuantities(t *testing.T) {
	seen := map[string]rules.What{}
	units := map[rules.What]string{rules.Pitch: "°", rules.TreadSlope: "mm/m", rules.Risers: "", rules.UnrailedRisers: "", rules.UnguardedRisers: ""}
	for _, w := range rules.Quantities() {
		if w.Means() == "" || seen[w.Means()] != "" {
			t.Errorf("%s means %q, as does %q", w, w.Means(), seen[w.Means()])
		}
		seen[w.Means()] = w
		want, ok := units[w]
		if !ok {
			want = "mm"
		}
		if w.Unit() != want {
			t.Errorf("%s is in %q, want %q", w, w.Unit(), want)
		}
	}
	if w := rules.What("colour"); w.Means() != "" || w.Unit() != "" {
		t.Errorf("an unknown quantity means %q, in %q", w.Means(), w.Unit())
	}
}
