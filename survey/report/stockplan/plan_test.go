package stockplan

import (
	"context"
	"errors"
	"fmt"
	"math"
	"slices"
	"strings"
	"testing"

	"github.com/google/go-cmp/cmp"
	"pgregory.net/rapid"

	"pinchrod/calc/calctest"
	"pinchrod/calc/fit"
	"pinchrod/calc/pieces"
	"pinchrod/calc/stock"
	"pinchrod/calc/unit"
	"pinchrod/store/journal"
	"pinchrod/survey"
	"pinchrod/survey/asfound"
	"pinchrod/survey/fieldbook"
	"pinchrod/survey/report/cutting"
	"pinchrod/survey/report/paper"
	"pinchrod/survey/report/scene"
	"pinchrod/survey/report/scene/scenetest"
)

// piece finds what the sheets say of a piece on the plan.
func piece(sheets []*cutting.Sheet, c Cut) (*cutting.Set, *cutting.Setting) {
	for _, s := range sheets {
		if t := s.Set(c.Kind); s.Bay == c.Bay && t != nil {
			for i := range t.Settings {
				if t.Settings[i].Name == c.Setting {
					return t, &t.Settings[i]
				}
			}
		}
	}
	return nil, nil
}

// recompute holds a plan against its sheets with nothing of the planner's.
func recompute(t interface{ Errorf(string, ...any) }, sheets []*cutting.Sheet, p *Plan) {
	const close = 1e-6 // mm: sums of some hundred float64 of 1e4 mm
	wanted := map[string]int{}
	for _, s := range sheets {
		for i := range s.Sets {
			for _, q := range s.Sets[i].Pieces {
				wanted[string(s.Bay)+" "+q.ID]++
			}
			for n := range s.Sets[i].Spares {
				wanted[fmt.Sprintf("%s %sX%d", s.Bay, prefixes[s.Sets[i].Kind], n+1)]++
			}
		}
	}
	length, waste := 0.0, 0.0
	for i, b := range p.Bars {
		// calc/stock takes what is within a nanometre of a whole micrometre for it,
		// once a piece and once for each end of the bar.
		nanos := close * float64(len(b.Cuts)+3)
		if b.Number != i+1 || len(b.Cuts) == 0 {
			t.Errorf("bar %d is number %d with %d cuts", i+1, b.Number, len(b.Cuts))
		}
		free := [2]float64{p.Trim, p.Trim} // how far each edge is used up
		total := 0.0
		for n, c := range b.Cuts {
			wanted[c.Name()]--
			set, g := piece(sheets, c)
			if g == nil {
				t.Errorf("bar %d: %s is of no sheet", b.Number, c.Name())
				return
			}
			of, err := parseSection(set.Section)
			bar, berr := parseSection(strings.Split(b.Section, ",")[0])
			if err != nil || berr != nil || of != bar || set.Across != b.Across {
				t.Errorf("bar %d of %s, %g mm across: %s is %s, %g mm across", b.Number, b.Section, b.Across, c.Name(), set.Section, set.Across)
			}
			step := 0.1
			if g.ToFit {
				step = 1
			}
			for e := range 2 {
				if c.Start[e] < free[e]-nanos {
					t.Errorf("bar %d, cut %d: edge %d begins at %.4f, the bar is used up to %.4f", b.Number, n+1, e, c.Start[e], free[e])
				}
				// Each edge is as long as the sheet has it, and the rounding more.
				if over := c.End[e] - c.Start[e] - g.Edges[e].Length; over < -close || over > step {
					t.Errorf("bar %d, cut %d: edge %d is %.4f longer than on the sheet", b.Number, n+1, e, over)
				}
				free[e] = c.End[e] + p.Kerf/math.Cos(g.High.Dial*math.Pi/180)
			}
			// The long point of an end lies farthest from the middle of the piece.
			for end, at := range [2][2]float64{{-c.Start[0], -c.Start[1]}, c.End} {
				cut := [2]cutting.Cut{g.Low, g.High}[end]
				for e := range 2 {
					if g.Edges[e].Side == cut.Long && at[e] < at[1-e] {
						t.Errorf("bar %d, cut %d: the long point of end %d is not on the %s", b.Number, n+1, end, cut.Long)
					}
				}
			}
			total += c.To - c.From
		}
		if rest := b.Length - max(free[0], free[1]); b.Rest < 0 || b.Rest > rest+nanos {
			t.Errorf("bar %d: rest %.4f, there is %.4f", b.Number, b.Rest, rest)
		}
		if keep := p.MinOffcut > 0 && b.Rest >= p.MinOffcut; keep != (b.Keep > 0) || keep && b.Keep != b.Rest {
			t.Errorf("bar %d: %.4f is kept of a rest of %.4f", b.Number, b.Keep, b.Rest)
		}
		if !calctest.Near(b.Waste, b.Length-total-b.Keep, close) {
			t.Errorf("bar %d: waste %.4f, want %.4f", b.Number, b.Waste, b.Length-total-b.Keep)
		}
		length, waste = length+b.Length, waste+b.Waste
	}
	for name, n := range wanted {
		if n != 0 {
			t.Errorf("%s: %d too few on the bars", name, n)
		}
	}
	if !calctest.Near(p.Total.Length, length, close) || !calctest.Near(p.Total.Waste, waste, close) || p.Total.Buy+p.Total.Rack != len(p.Bars) {
		t.Errorf("total %+v; the bars come to %.4f with waste %.4f", p.Total, length, waste)
	}
	grouped := 0
	for _, g := range p.Groups {
		for i, at := range g.Bars {
			if at != grouped {
				t.Errorf("bar %d stands in the place of bar %d", at, grouped)
			}
			grouped++
			if a, b := p.Bars[g.Bars[0]], p.Bars[at]; i > 0 && (a.Length != b.Length || !slices.EqualFunc(a.Cuts, b.Cuts, func(x, y Cut) bool {
				return x.alike(&y) && x.From == y.From && x.To == y.To
			})) {
				t.Errorf("bar %d is not cut like bar %d", b.Number, a.Number)
			}
		}
	}
	if grouped != len(p.Bars) {
		t.Errorf("%d bars in groups, %d in all", grouped, len(p.Bars))
	}
}

func TestPlanOfAnySheets(t *testing.T) {
	rapid.Check(t, func(rt *rapid.T) {
		if raced && rapid.IntRange(0, 9).Draw(rt, "race") > 0 {
			return
		}
		sheets := anySheets(rt)
		o := options(stock.Bar{Length: float64(rapid.IntRange(1000, 4800).Draw(rt, "bar"))})
		o.Kerf, o.Trim = rapid.Float64Range(0, 5).Draw(rt, "kerf"), rapid.Float64Range(0, 30).Draw(rt, "trim")
		o.MinOffcut = float64(rapid.SampledFrom([]int{0, 300, 600}).Draw(rt, "keep"))
		if rapid.Bool().Draw(rt, "rack") {
			o.Bars = append(o.Bars, stock.Bar{Section: "41x8", Length: 640, Count: 2, Offcut: true})
		}
		p, err := New(sheets, o)
		if err != nil {
			rt.Fatal(err)
		}
		if !p.Complete() {
			rt.Fatalf("left out: %v", p.Left)
		}
		recompute(rt, sheets, p)
		if rapid.IntRange(0, 2).Draw(rt, "lay out") > 0 {
			return // lettering takes most of the time
		}
		for _, page := range p.Pages() {
			scenetest.LaidOut(rt, page, paper.Margin, paper.SmallHigh)
		}
		for i := range p.Bars {
			scenetest.LaidOut(rt, p.alone(i, true), 0, paper.SmallHigh)
		}
	})
}

// The demo's sheets, whose pieces are of a calculation and not of this test.
func TestPlanOfTheDemo(t *testing.T) {
	sheets := demo(t, false)
	for i := range sheets {
		sheets[i].Sets = slices.DeleteFunc(sheets[i].Sets, func(t cutting.Set) bool { return !t.Final() })
	}
	lengths := []float64{2400, 3600, 1000}
	if raced {
		lengths = lengths[:1] // the others are hard to prove, and take calc/stock all its steps
	}
	for _, length := range lengths {
		recompute(t, sheets, mustPlan(t, sheets, options(stock.Bar{Length: length})))
	}
}

// What cannot be planned is named, with what to do about it; the rest is planned.
func TestLeftOut(t *testing.T) {
	rest := plainSheet("F9/left", 2, 800)
	change := func(do func(s *cutting.Sheet)) []*cutting.Sheet {
		s := plainSheet("F1/left", 3, 900)
		do(s)
		return []*cutting.Sheet{s, rest}
	}
	for _, c := range []struct {
		name   string
		sheets []*cutting.Sheet
		bars   []stock.Bar
		want   []string
		bays   string // on the plan; * for both
	}{
		{"held", change(func(s *cutting.Sheet) { s.Hold = []string{"guard-height too low"} }), nil,
			[]string{"F1/left all pieces: guard-height too low; settle it first; what is cut before is scrap"}, "F9/left"},
		{"not final", change(func(s *cutting.Sheet) {
			s.Sets[0].Cut, s.Sets[0].Why = fit.MeasureMore, "do not cut yet: read again gap at top, run"
		}), nil, []string{"F1/left spindles: not to be cut yet; read again gap at top, run"}, "F9/left"},
		{"no section", change(func(s *cutting.Sheet) { s.Sets[0].Section = "" }), nil,
			[]string{"F1/left spindles: the section of their stock was not read; read spindle-section"}, "F9/left"},
		{"no fillet section", change(func(s *cutting.Sheet) { s.Sets[0].Kind, s.Sets[0].Across = pieces.RailFillet, 0 }), nil,
			[]string{"F1/left rail fillets: the section of their stock was not read; read fillet-section", "F1/left spindles and base fillets: none; check"}, "F9/left"},
		{"turned", change(func(s *cutting.Sheet) { s.Sets[0].Turned, s.Sets[0].Section = true, "41 x 41 x 22 mm" }), nil,
			[]string{"F1/left spindles: turned pieces are not cut anywhere from a bar; get 3 + 0 spare blanks of 41 x 41 x 22 mm, 941 mm long at least. Cut the foot, which stands on the base rail, first. Hold it to the stop and cut the head"}, "F9/left"},
		{"missing", []*cutting.Sheet{{Bay: "F1/left", Missing: "no run was read"}, rest}, nil,
			[]string{"F1/left all pieces: no run was read; check says which readings are missing"}, "F9/left"},
		{"needless", []*cutting.Sheet{{Bay: "F1/left", Missing: "no spindle is needed", Needless: true}, rest}, nil, nil, "F9/left"},
		{"too long", change(func(s *cutting.Sheet) {}), []stock.Bar{{Length: 850}},
			[]string{"F1/left S01-S03: up to 900.0 mm long, and no bar of 41 x 41 mm gives that; add a longer bar"}, "F9/left"},
		{"too few", change(func(s *cutting.Sheet) {}), []stock.Bar{{Length: 1000, Count: 4}},
			[]string{"F9/left S02: the bars of 41 x 41 mm there are do not hold them; 1 more of 1000 mm would do"}, "*"},
		{"no bar of a section", change(func(s *cutting.Sheet) { s.Sets[0].Section, s.Sets[0].Across = "45 x 45 mm", 45 }), []stock.Bar{{Section: "41x41", Length: 1000}},
			[]string{"all 3 pieces of 45 x 45 mm: there is no such bar; add one, such as \"45 x 45 mm: 2400 mm\""}, "F9/left"},
	} {
		if c.name == "no fillet section" {
			c.sheets[0].Missing = "none"
			c.want = []string{
				"F1/left spindles and base fillets: none; check says which readings are missing",
				"F1/left rail fillets: the section of their stock was not read; read fillet-section",
			}
		}
		if c.bars == nil {
			c.bars = []stock.Bar{{Length: 2400}}
		}
		p := mustPlan(t, c.sheets, options(c.bars...))
		var got []string
		for _, l := range p.Left {
			got = append(got, l.String())
		}
		if diff := cmp.Diff(c.want, got); diff != "" {
			t.Errorf("%s (-want +got):\n%s", c.name, diff)
		}
		bays := map[string]bool{}
		for _, b := range p.Bars {
			for _, k := range b.Cuts {
				bays[string(k.Bay)] = true
			}
		}
		if c.bays != "*" && (c.bays == "" && len(bays) > 0 || c.bays != "" && (len(bays) != 1 || !bays[c.bays])) {
			t.Errorf("%s: %v on the plan, want %q", c.name, bays, c.bays)
		}
		if p.Complete() != (len(c.want) == 0) {
			t.Errorf("%s: complete %t", c.name, p.Complete())
		}
		// Said at the top, before any bar.
		if page := text(t, p, 80); len(c.want) > 0 && !strings.Contains(page, "NOT ON THIS PLAN") ||
			strings.Contains(page, "bar 1 of") && strings.Index(page, "NOT ON THIS PLAN") > strings.Index(page, "bar 1 of") {
			t.Errorf("%s: not said at the top:\n%s", c.name, page)
		}
		for _, page := range p.Pages() {
			scenetest.LaidOut(t, page, paper.Margin, paper.SmallHigh)
		}
	}
}

func TestRefusals(t *testing.T) {
	sheets := []*cutting.Sheet{plainSheet("F1/left", 3, 900)}
	for _, c := range []struct {
		name string
		o    func(*Options)
		want error
		say  string
	}{
		{"no bar", func(o *Options) { o.Bars = nil }, ErrNoBars, "for 41 x 41 mm"},
		{"no bar of any section", func(o *Options) { o.Bars = []stock.Bar{{Section: "20 x 20", Length: 2400}} }, ErrNoBars, "for 41 x 41 mm"},
		{"a section that is none", func(o *Options) { o.Bars[0].Section = "oak" }, ErrSection, "bar of 2400 mm"},
		{"a turned bar", func(o *Options) { o.Bars[0].Section = "41 x 41 x 22" }, ErrSection, "turned"},
		{"kerf", func(o *Options) { o.Kerf = -1 }, ErrInput, "kerf"},
		{"no number", func(o *Options) { o.Trim = math.NaN() }, ErrInput, "trim"},
		{"offcut", func(o *Options) { o.MinOffcut = 1e6 }, ErrInput, "offcut"},
		{"some priced", func(o *Options) { o.Bars = append(o.Bars, stock.Bar{Length: 3000, Price: 7}) }, ErrInput, "the bar of 2400 mm of 41 x 41 mm has no price"},
		{"length", func(o *Options) { o.Bars[0].Length = -5 }, ErrInput, "length"},
	} {
		o := options(stock.Bar{Length: 2400})
		c.o(&o)
		if _, err := New(sheets, o); !errors.Is(err, c.want) || !strings.Contains(err.Error(), c.say) {
			t.Errorf("%s: %v; want %v, saying %q", c.name, err, c.want, c.say)
		}
	}
	// Where nothing is to be cut no bar is wanted.
	held := plainSheet("F1/left", 3, 900)
	held.Hold = []string{"too low"}
	for _, c := range []struct {
		sheets []*cutting.Sheet
		say    string
	}{{nil, "NOTHING TO CUT."}, {[]*cutting.Sheet{held}, "NOTHING CAN BE CUT YET."}} {
		p, err := New(c.sheets, Options{})
		if err != nil || len(p.Bars) > 0 || len(p.Pages()) != 1 || !strings.Contains(text(t, p, 80), c.say) {
			t.Errorf("%v, %v; want a plan of no bar that says %q", p, err, c.say)
		}
	}
}

// Bars that are counted are of one section: which, is asked where there are several.
// An offcut is counted and need not say; and stock that lies either way is one.
func TestCountedWithoutSection(t *testing.T) {
	plain := plainSheet("F1/left", 3, 900)
	fillets := func(kind pieces.Kind, section string, across float64) cutting.Set {
		return setOf(kind, section, across, setting("A", kind, 100, across, [2]float64{}, upTo(4), 0, false))
	}
	two := sheetOf("F1/left", plain.Sets[0], fillets(pieces.BaseFillet, "41 x 8 mm", 8))
	turned := sheetOf("F1/left", fillets(pieces.BaseFillet, "41 x 8 mm", 8), fillets(pieces.RailFillet, "8 x 41 mm", 41))
	for _, c := range []struct {
		name  string
		sheet *cutting.Sheet
		bars  []stock.Bar
		say   string // of the refusal; empty where it is planned
	}{
		{"of two", two, []stock.Bar{{Length: 2400, Count: 20}}, "20 x 2400 mm without a section, and there are 41 x 41 mm and 41 x 8 mm: say of which: \"41 x 41 mm: 20 x 2400 mm\""},
		{"of two, and others", two, []stock.Bar{{Length: 2400}, {Length: 3000, Count: 1}}, "1 x 3000 mm without a section"},
		{"of one", plain, []stock.Bar{{Length: 2400, Count: 20}}, ""},
		{"of one, lying either way", turned, []stock.Bar{{Length: 2400, Count: 20}, {Section: "8 x 41", Length: 1000}}, ""},
		{"not counted", two, []stock.Bar{{Length: 2400}}, ""},
		{"an offcut", two, []stock.Bar{{Length: 2400}, {Length: 950, Count: 1, Offcut: true}}, ""},
		{"said", two, []stock.Bar{{Section: "41x41", Length: 2400, Count: 20}, {Section: "8x41", Length: 2400, Count: 2}}, ""},
	} {
		p, err := New([]*cutting.Sheet{c.sheet}, options(c.bars...))
		switch {
		case c.say == "" && (err != nil || !p.Complete()):
			t.Errorf("%s: %v, %v; want a whole plan", c.name, p, err)
		case c.say != "" && (!errors.Is(err, ErrInput) || !strings.Contains(err.Error(), c.say)):
			t.Errorf("%s: %v; want ErrInput, saying %q", c.name, err, c.say)
		}
	}
}

// bought lists which bars a plan draws, by length.
func bought(p *Plan) string {
	var out []string
	for _, s := range p.Sections {
		for _, b := range s.Buy {
			rack := ""
			if b.Offcut {
				rack = " offcut"
			}
			out = append(out, fmt.Sprintf("%s: %d x %g%s", s.Name, b.Count, b.Length, rack))
		}
	}
	return strings.Join(out, "; ")
}

func TestWhichBars(t *testing.T) {
	fillets := setOf(pieces.BaseFillet, "41 x 8 mm", 8, setting("A", pieces.BaseFillet, 100, 8, [2]float64{}, upTo(3), 0, false))
	two := plainSheet("F1/left", 2, 900)
	two.Sets = append(two.Sets, fillets)
	lengths := map[survey.Place][]unit.Length{"F1/left": {2 * unit.Metre, 2 * unit.Metre, unit.Metre}, "F2/left": {3 * unit.Metre}}
	for _, c := range []struct {
		name string
		bars []stock.Bar
		want string
	}{
		{"as read in the bay", nil, "41 x 41 mm: 1 x 2000; 41 x 8 mm: 1 x 1000"},
		{"given for all", []stock.Bar{{Length: 2400}}, "41 x 41 mm: 1 x 2400; 41 x 8 mm: 1 x 2400"},
		{"given for one, spelled otherwise", []stock.Bar{{Section: "8x41", Length: 2400}}, "41 x 41 mm: 1 x 2000; 41 x 8 mm: 1 x 2400"},
		{"in inches", []stock.Bar{{Section: "41.0 × 41 mm", Length: 2400}, {Section: "1 5/8 x 1 5/8 in", Length: 5000}}, "41 x 41 mm: 1 x 2400; 41 x 8 mm: 1 x 1000"},
		{"an offcut beside what was read", []stock.Bar{{Section: "41 x 8", Length: 400, Count: 1, Offcut: true}}, "41 x 41 mm: 1 x 2000; 41 x 8 mm: 1 x 400 offcut"},
		{"an offcut of another section", []stock.Bar{{Section: "41 x 9", Length: 400, Count: 1, Offcut: true}}, "41 x 41 mm: 1 x 2000; 41 x 8 mm: 1 x 1000"},
	} {
		o := options(c.bars...)
		o.Lengths, o.MinOffcut = lengths, 0
		if got := bought(mustPlan(t, []*cutting.Sheet{two}, o)); got != c.want {
			t.Errorf("%s: %s; want %s", c.name, got, c.want)
		}
	}
	// A section used lying on either face: bars that are counted are not drawn twice.
	flat := plainSheet("F1/left", 2, 900)
	flat.Sets[0] = setOf(pieces.Spindle, "41 x 20 mm", 41, setting("A", pieces.Spindle, 900, 41, [2]float64{40, 40}, upTo(2), 0, false))
	flat.Sets = append(flat.Sets, setOf(pieces.BaseFillet, "41 x 20 mm", 20, setting("A", pieces.BaseFillet, 100, 20, [2]float64{40, 40}, upTo(2), 0, false)))
	p := mustPlan(t, []*cutting.Sheet{flat}, options(stock.Bar{Length: 2400, Count: 1}, stock.Bar{Section: "20x41", Length: 1000}))
	if got, want := bought(p), "41 x 20 mm: 1 x 2400; 41 x 20 mm, 20 mm in the bevel: 1 x 1000"; got != want {
		t.Errorf("either face: %s; want %s", got, want)
	}
	recompute(t, []*cutting.Sheet{flat}, p)
}

// A plan's code is of its pieces alone.
func TestStale(t *testing.T) {
	a, b := plainSheet("F1/left", 3, 900), plainSheet("F2/left", 3, 900)
	all := []*cutting.Sheet{a, b}
	o := options(stock.Bar{Length: 2400})
	code := mustPlan(t, all, o).Code
	stale := func(name string, sheets []*cutting.Sheet, code string, want bool) {
		t.Helper()
		if got, err := Stale(sheets, code); err != nil || got != want {
			t.Errorf("%s: %t, %v; want %t", name, got, err, want)
		}
	}
	stale("the same", all, code, false)
	stale("spelled otherwise", all, strings.ToLower(code[:3])+"-"+code[3:], false)
	o.Bars, o.Kerf = []stock.Bar{{Length: 3000, Price: 3}}, 5
	if other := mustPlan(t, all, o).Code; other != code {
		t.Errorf("other bars make code %s of %s", other, code)
	}
	stale("of one bay", all, mustPlan(t, all[1:], o).Code, false)
	stale("another piece", []*cutting.Sheet{a, plainSheet("F2/left", 4, 900)}, code, true)
	stale("another length", []*cutting.Sheet{a, plainSheet("F2/left", 3, 900.1)}, code, true)
	again := plainSheet("F2/left", 3, 900)
	again.Code = "222222"
	stale("another sheet", []*cutting.Sheet{a, again}, code, true)
	held := plainSheet("F2/left", 3, 900)
	held.Hold = []string{"too low"}
	stale("a bay that may not be cut", []*cutting.Sheet{a, held}, code, true)
	// With the mark of its bars, which the sheets know nothing of.
	mark := mustPlan(t, all, o).Mark
	for _, name := range []string{code + ", bars " + mark, "plan " + code + ", bars " + mark, strings.ToLower(code[:3] + "-" + code[3:] + " Bars " + mark), code + ",bars 2222 "} {
		stale(name, all, name, false)
	}
	stale("of another plan", all, "222222, bars "+mark, true)
	for _, name := range []string{"", "ABC", code + mark, code + ", bars", code + ", bars " + mark[1:], code + ", bars 0OI1", "bars " + mark} {
		if _, err := Stale(all, name); !errors.Is(err, cutting.ErrCode) {
			t.Errorf("%q: %v, want ErrCode", name, err)
		}
	}
}

// A plan's mark is of its bars and the saw, and stands wherever its code does.
func TestMark(t *testing.T) {
	sheets := []*cutting.Sheet{plainSheet("F1/left", 3, 900), plainSheet("F2/left", 2, 700)}
	seen := map[string]string{}
	for name, change := range map[string]func(*Options){
		"as it is":       func(*Options) {},
		"a longer bar":   func(o *Options) { o.Bars[0].Length = 3000 },
		"offcuts":        func(o *Options) { o.Bars = append(o.Bars, stock.Bar{Length: 950, Count: 3, Offcut: true}) },
		"another shelf":  func(o *Options) { o.Bars[0].Label = "shelf 2" },
		"kerf":           func(o *Options) { o.Kerf = 2 },
		"trim":           func(o *Options) { o.Trim = 5 },
		"shorter offcut": func(o *Options) { o.MinOffcut = 200 },
	} {
		o := options(stock.Bar{Length: 2400})
		change(&o)
		p := mustPlan(t, sheets, o)
		if other, ok := seen[p.Mark]; ok || len(p.Mark) != markLength {
			t.Errorf("%s: mark %q, as with %s", name, p.Mark, other)
		}
		seen[p.Mark] = name
		if again := mustPlan(t, sheets, o); again.Name() != p.Name() {
			t.Errorf("%s: %s, then %s", name, p.Name(), again.Name())
		}
		if !strings.Contains(text(t, p, 80), "stock plan "+p.Code+", bars "+p.Mark+"\n") {
			t.Errorf("%s: the text is not headed with the mark", name)
		}
		for format, want := range map[string]string{"json": `"bars_code": "` + p.Mark + `"`, "csv": "," + p.Mark + "\n"} {
			if got := write(t, p, format); !strings.Contains(got, want) {
				t.Errorf("%s: no %s in %s", name, want, format)
			}
		}
		for i, page := range p.Pages() {
			if !slices.ContainsFunc(page.Items, func(it scene.Item) bool {
				s, ok := it.(scene.Text)
				return ok && strings.HasPrefix(s.S, "stock plan "+p.Name())
			}) {
				t.Errorf("%s: the foot of page %d does not say %s", name, i+1, p.Name())
			}
		}
	}
	if p := mustPlan(t, nil, Options{}); p.Mark != "" || p.Name() != p.Code {
		t.Errorf("of no bar: %q", p.Name())
	}
}

func TestSections(t *testing.T) {
	for _, c := range []struct {
		a, b string
		same bool
	}{
		{"41 x 41 mm", "41x41", true},
		{"41 x 8 mm", "8 X 41", true},
		{"41.0 × 8.00 mm", "41x8mm", true},
		{"1 x 2 in", "25.4 x 50.8 mm", true},
		{"41 x 41 mm", "41 x 40 mm", false},
		{"41 x 41 mm", "41.1 x 41 mm", false},
	} {
		a, errA := parseSection(c.a)
		b, errB := parseSection(c.b)
		if errA != nil || errB != nil || (a == b) != c.same {
			t.Errorf("%q and %q: %v, %v, %v, %v; want the same: %t", c.a, c.b, a, b, errA, errB, c.same)
		}
	}
	for _, s := range []string{"", "41", "41 x", "x", "41 x 41 x 22", "41 x -8", "4,1 x 8", "41 x 4100", "41 x 41 x 41 x 41"} {
		if _, err := parseSection(s); !errors.Is(err, ErrSection) {
			t.Errorf("%q: %v, want ErrSection", s, err)
		}
	}
}

func TestFromBook(t *testing.T) {
	b := bookOf(t, "where,what,value\nF1/left,stock-length,2400\nF1/left,stock-length,3 m\nF2/left,stock-length,4200\nF1/left,run,1200\n")
	b.Entries[2].Struck = []fieldbook.Ruling{{Why: "sold"}}
	want := map[survey.Place][]unit.Length{"F1/left": {2400 * unit.Millimetre, 3 * unit.Metre}}
	if diff := cmp.Diff(want, Lengths(b)); diff != "" {
		t.Errorf("lengths (-want +got):\n%s", diff)
	}
	rack := []fieldbook.Offcut{{Section: "41 x 8 mm", Length: 640 * unit.Millimetre, Count: 2}, {Section: "", Length: unit.Metre, Count: 1}}
	bars := []stock.Bar{{Section: "41 x 8 mm", Length: 640, Count: 2, Offcut: true}}
	if diff := cmp.Diff(bars, Offcuts(rack)); diff != "" {
		t.Errorf("offcuts (-want +got):\n%s", diff)
	}
}

// Fitted pieces keep what the settings of the demo say when each is cut by itself,
// and one that is square on the saw has no bevel.
func TestFitEach(t *testing.T) {
	sheets := demo(t, true)
	each := 0
	for _, s := range sheets {
		s.Sets = slices.DeleteFunc(s.Sets, func(t cutting.Set) bool { return !t.Final() })
		for i := range s.Sets {
			if s.Sets[i].Cut == fit.FitEach {
				each++
			}
		}
	}
	if each == 0 {
		t.Fatal("nothing is cut to fit")
	}
	recompute(t, sheets, mustPlan(t, sheets, options(stock.Bar{Length: 2400})))
}

func TestRanges(t *testing.T) {
	for _, c := range []struct{ ids, want string }{
		{"S01", "S01"},
		{"S01 S02 S03", "S01-S03"},
		{"S01 S03 S04 SX1", "S01 S03-S04 SX1"},
		{"S99 S100 B101", "S99-S100 B101"},
		{"SX1 SX2", "SX1-SX2"},
	} {
		if got := ranges(strings.Fields(c.ids)); got != c.want {
			t.Errorf("%s: %q, want %q", c.ids, got, c.want)
		}
	}
}

// BenchmarkNew plans 300 pieces of 12 lengths; all but some percent is calc/stock.
func BenchmarkNew(b *testing.B) {
	var settings []cutting.Setting
	for i := range 12 {
		numbers := make([]int, 25)
		for k := range numbers {
			numbers[k] = 25*i + k + 1
		}
		settings = append(settings, setting(string(rune('A'+i)), pieces.Spindle, 780+3.7*float64(i), 41, [2]float64{41.3, 41.3}, numbers, 1, false))
	}
	sheets := []*cutting.Sheet{sheetOf("F1/left", setOf(pieces.Spindle, "41 x 41 mm", 41, settings...))}
	o := options(stock.Bar{Length: 2400}, stock.Bar{Length: 3600})
	for b.Loop() {
		if _, err := New(sheets, o); err != nil {
			b.Fatal(err)
		}
	}
}

// What the book says was cut is on the plan no more, and is named.
func TestCutBefore(t *testing.T) {
	b := bookOf(t, read(t, demoSheet))
	work := func() []*cutting.Sheet {
		f, err := asfound.Work(context.Background(), b, asfound.Defaults())
		if err != nil {
			t.Fatal(err)
		}
		s, err := cutting.New(&f.Bays[0], cutting.Options{Job: b.Job.Name, JobID: "01", Settings: asfound.Defaults(), Rules: f.Rules, Entry: "NK-142", Date: day})
		if err != nil {
			t.Fatal(err)
		}
		return []*cutting.Sheet{s}
	}
	sheets := work()
	whole := mustPlan(t, sheets, options(stock.Bar{Length: 3000}))
	spindles, fillets := sheets[0].Set(pieces.Spindle), sheets[0].Set(pieces.BaseFillet)
	some := sheets[0].Made(fillets, &fillets.Settings[0], 114_400)
	some.Pieces, some.Spares = some.Pieces[:3], 0
	for i, m := range []survey.Made{sheets[0].Made(spindles, &spindles.Settings[0], 805_800), some} {
		b.Made = append(b.Made, fieldbook.Made{Ref: journal.Ref{Device: journal.ID{0: 1}, Page: 2, Item: uint32(i + 1)}, Made: m})
	}
	p := mustPlan(t, work(), options(stock.Bar{Length: 3000}))
	want := []Done{{"F1/left", "S01-S12 SX1"}, {"F1/left", "B01-B03"}}
	if diff := cmp.Diff(want, p.Done); diff != "" {
		t.Errorf("cut before (-want +got):\n%s", diff)
	}
	if got, want := p.Total.Pieces, whole.Total.Pieces-13-3; got != want {
		t.Errorf("%d pieces on the plan, want %d", got, want)
	}
	spares := 0
	for _, bar := range p.Bars {
		for _, c := range bar.Cuts {
			if c.Spare != strings.Contains(c.Piece, "X") {
				t.Errorf("%s: spare %t", c.Piece, c.Spare)
			} else if c.Spare {
				spares++
			}
			if strings.HasPrefix(c.Piece, "S") || c.Piece == "B01" {
				t.Errorf("%s is on the plan", c.Piece)
			}
		}
	}
	if spares != p.Total.Spares || spares != whole.Total.Spares-1 {
		t.Errorf("%d spares on the plan and %d in its total, want %d", spares, p.Total.Spares, whole.Total.Spares-1)
	}
	if p.Code == whole.Code {
		t.Error("the plan of fewer pieces has the code of the whole")
	}
	// What does not fit any more is not taken for done: the plan is not whole.
	fits := b.Made[0].Made.Line
	b.Made[0].Made.Line += 7000
	for _, turned := range []bool{false, true} {
		unfit := work()
		unfit[0].Set(pieces.Spindle).Turned = turned
		p = mustPlan(t, unfit, options(stock.Bar{Length: 3000}))
		if diff := cmp.Diff(want[1:], p.Done); diff != "" || p.Complete() {
			t.Errorf("7 mm too long: complete %t; cut before (-want +got):\n%s", p.Complete(), diff)
		}
		if len(p.Left) != 1 || !strings.HasPrefix(p.Left[0].String(), "F1/left S01-S12 SX1: cut before (J2-2.1), and no longer all fit: all do less than once in 1000") ||
			!strings.HasSuffix(p.Left[0].Next, "strike J2-2.1 and cut again") {
			t.Errorf("7 mm too long: left %v", p.Left)
		}
		for _, bar := range p.Bars {
			if strings.HasPrefix(bar.Cuts[0].Piece, "S") {
				t.Errorf("%s is cut again before anybody tried", bar.Cuts[0].Piece)
			}
		}
	}
	b.Made[0].Made.Line = fits
	// Turned ones are asked for no more either.
	turned := work()
	turned[0].Set(pieces.Spindle).Turned = true
	p = mustPlan(t, turned, options(stock.Bar{Length: 3000}))
	if diff := cmp.Diff(want, p.Done); diff != "" || !p.Complete() {
		t.Errorf("turned, left %v; cut before (-want +got):\n%s", p.Left, diff)
	}
	b.Made[0].Made.Pieces, b.Made[0].Made.Spares = b.Made[0].Made.Pieces[:5], 0
	turned = work()
	turned[0].Set(pieces.Spindle).Turned = true
	p = mustPlan(t, turned, options(stock.Bar{Length: 3000}))
	if len(p.Left) != 1 || !strings.HasPrefix(p.Left[0].Next, "get 7 + 1 spare blanks of 41 x 41 mm") {
		t.Errorf("with five of them cut: left %v, want blanks for the other seven and the spare", p.Left)
	}
}
