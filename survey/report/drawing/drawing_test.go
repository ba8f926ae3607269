package drawing

import (
	"bytes"
	"errors"
	"flag"
	"fmt"
	"maps"
	"math"
	"os"
	"regexp"
	"slices"
	"strings"
	"testing"

	"github.com/google/go-cmp/cmp"

	"pinchrod/calc/calctest"
	"pinchrod/calc/frame"
	"pinchrod/calc/layout"
	"pinchrod/calc/pieces"
	"pinchrod/calc/rules"
	"pinchrod/survey"
	"pinchrod/survey/asfound"
	"pinchrod/survey/fieldbook"
	"pinchrod/survey/report/figure"
	"pinchrod/survey/report/scene"
	"pinchrod/survey/report/scene/scenetest"
)

var update = flag.Bool("update", false, "write the golden files anew")

var demoSheet = Sheet{
	Job: "14 Weir Street, Łódź", Entry: "K7-142.1", Date: "2026-11-25", Code: "7F3A-91C2", Profile: "england",
	Caution: "Caution: a child's head can pass a gap too wide, and a guard too low lets people fall. Rule profile England, for a private stair: Approved Document K 2013. The local building code, and the person licensed to apply it, decide.",
}

func known(v, u float64) asfound.Quantity { return asfound.Quantity{Value: v, U: u, Known: true} }

// demoPlane is a bay with something wrong everywhere.
var demoPlane = frame.Plane{Run: 1254, LeanLower: 0.001, LeanUpper: 0.009, BaseSlope: math.Tan(41.2 * degree), RailSlope: math.Tan(41.5 * degree), Gap: 806, BowBase: -1.5, BowRail: 3}

const degree = math.Pi / 180

// demoBay is demoPlane as asfound would find it, made without it so that the
// golden files stay when it changes.
func demoBay(t testing.TB) *asfound.Bay {
	t.Helper()
	p := demoPlane
	l, err := layout.Choose(layout.In{Run: p.Run, LeanLower: p.LeanLower, LeanUpper: p.LeanUpper, Height: p.GapAt(p.Run), Width: 41, Opening: 100})
	if err != nil {
		t.Fatal(err)
	}
	out := &asfound.Bay{
		Place: "F1/left", Chi2: &asfound.ChiSquare{Value: 9, DOF: 9, P: 0.5},
		Adjusted: asfound.Adjusted{
			Run: known(p.Run, 0.35), LeanLower: known(1, 0.4), LeanUpper: known(9, 0.4), BaseAngle: known(41.2, 0.04), RailAngle: known(41.5, 0.04),
			GapBottom: known(p.GapAt(0), 0.4), GapMiddle: known(p.GapAt(p.Run/2), 0.4), GapTop: known(p.GapAt(p.Run), 0.4),
			BowBase: known(-1.5, 0.4), BowRail: known(3, 0.4), AcrossLower: known(2, 0.5),
		},
		Layout: &asfound.Layout{Layout: l, Clear: known(l.ClearGap, 0.1), Widest: known(l.WidestGap, 0.2), Bevel: known(41.35, 0.03), Width: 41},
	}
	for _, set := range []struct {
		into *[]pieces.Piece
		make func() ([]pieces.Piece, error)
	}{
		{&out.Layout.Spindles, func() ([]pieces.Piece, error) { return pieces.Spindles(p, l.Stations, 41) }},
		{&out.Layout.BaseFillets, func() ([]pieces.Piece, error) { return pieces.BaseFillets(p, l.Stations, 41, 6) }},
		{&out.Layout.RailFillets, func() ([]pieces.Piece, error) { return pieces.RailFillets(p, l.Stations, 41, 6) }},
	} {
		if *set.into, err = set.make(); err != nil {
			t.Fatal(err)
		}
	}
	for _, what := range []survey.What{survey.BaseAngle, survey.RailAngle} {
		out.Readings = append(out.Readings, asfound.Result{Reading: survey.Reading{Where: "F1/left", What: what}})
	}
	flagged := func(name string, state rules.State, v, u, limit float64, unit, of, text string) {
		out.Flags = append(out.Flags, asfound.Flag{Name: name, State: state, Value: v, U: u, Limit: limit, Unit: unit, Of: of, Text: text})
	}
	flagged("plumb-lower", rules.Clear, 1, 0.4, 12.2, "mm/m", "lower post out of plumb along", "lower post is plumb along: square bevels hold")
	flagged("plumb-upper", rules.Unsure, 9, 1.4, 10.2, "mm/m", "upper post out of plumb along", "cannot tell yet: plumb the upper post again over its full height")
	flagged("parallel", rules.Flag, 6.5, 0.6, 5.5, "mm", "run at the handrail less run at the base rail", "posts spread upwards: cut the rail fillets to their own stop")
	flagged("drift", rules.Flag, 11.8, 0.6, 1.5, "mm", "gap at the top less gap at the bottom", "the gap opens up the stair: one spindle length will not do")
	flagged("middle-gap", rules.Flag, 4.5, 0.5, 1.5, "mm", "gap at the middle less the mean of its ends", "the gap is wider at the middle: the middle spindles are longer")
	flagged("bow-base", rules.Unsure, -1.5, 0.4, 1.5, "mm", "base rail off the straight at mid-run", "cannot tell yet: read the bow of the base rail off a tight line")
	flagged("bow-rail", rules.Flag, 3, 0.4, 1.5, "mm", "handrail off the straight at mid-run", "handrail humps up: straighten it, or take every length at its own place")
	flagged("opening", rules.Clear, l.WidestGap, 0.2, 100, "mm", "widest opening between spindles", "no ball of 100 mm passes between the spindles")
	return out
}

// demoFlight is a plan with corners (0,0), (842,0), (30,3496), (868,3510).
func demoFlight() *asfound.Flight {
	f := &asfound.Flight{Place: "F1"}
	corners := [4]scene.Point{{}, {X: 842}, {X: 30, Y: 3496}, {X: 868, Y: 3510}}
	dist := func(a, b int) float64 { return corners[a].Sub(corners[b]).Len() }
	read := func(what survey.What, at survey.Mark, v float64) {
		f.Results = append(f.Results, asfound.Result{Reading: survey.Reading{Where: "F1", What: what, At: survey.At{Mark: at}}, Value: v + 0.4, Residual: 0.4, U: 0.8, Redundancy: 0.2})
	}
	read(survey.Width, survey.Bottom, dist(0, 1))
	read(survey.Width, survey.Top, dist(2, 3))
	read(survey.Side, survey.Left, dist(0, 2))
	read(survey.Side, survey.Right, dist(1, 3))
	read(survey.Diagonal, survey.Rising, dist(0, 3))
	read(survey.Diagonal, survey.Falling, dist(1, 2))
	angle := func(at, a, b int) asfound.Quantity {
		p, q := corners[a].Sub(corners[at]), corners[b].Sub(corners[at])
		return known(math.Abs(math.Atan2(p.X*q.Y-p.Y*q.X, p.X*q.X+p.Y*q.Y))/degree, 0.05)
	}
	f.Plan = &asfound.Plan{
		Corners: [4]asfound.Quantity{angle(0, 1, 2), angle(1, 0, 3), angle(2, 0, 3), angle(3, 1, 2)},
		Swing:   known(28, 3), Taper: known(-4, 0.9), Skew: known(14, 1.2),
	}
	for n := range 12 {
		f.Steps = append(f.Steps, asfound.Step{Number: n + 1, Rise: known(200, 0.5), Going: known(226, 0.5)})
	}
	f.Flags = []asfound.Flag{
		{Name: "corner", State: rules.Flag, Value: -1, U: 0.05, Limit: 0.7, Unit: "°", Of: "top right corner in plan, less 90°", Text: "the top right corner is sharper than square: scribe what meets it there"},
		{Name: "rise-mean", State: rules.Unsure, Value: 5.2, U: 0.5, Limit: 5, Unit: "mm", Of: "rise of step 4 less the flight's mean", Text: "the rule is ±5 mm, and the reading is too near to tell: read it again, best with a finer tool"},
	}
	return f
}

// texts are the texts of a page.
func texts(p *scene.Page) []scene.Text {
	var out []scene.Text
	for _, it := range p.Items {
		if t, ok := it.(scene.Text); ok {
			out = append(out, t)
		}
	}
	return out
}

func saying(p *scene.Page, s string) bool {
	return slices.ContainsFunc(texts(p), func(t scene.Text) bool { return strings.Contains(t.S, s) })
}

// apart tells whether two convex shapes have a line between them.
func apart(a, b []scene.Point) bool {
	split := func(a, b []scene.Point) bool {
		for i := range a {
			n := a[(i+1)%len(a)].Sub(a[i]).Turned()
			reach := func(pts []scene.Point) (low, high float64) {
				low, high = math.Inf(1), math.Inf(-1)
				for _, p := range pts {
					d := p.X*n.X + p.Y*n.Y
					low, high = min(low, d), max(high, d)
				}
				return low, high
			}
			al, ah := reach(a)
			bl, bh := reach(b)
			if ah <= bl+1e-9 || bh <= al+1e-9 {
				return true
			}
		}
		return false
	}
	return split(a, b) || split(b, a)
}

// failer is a testing.T or a rapid.T.
type failer interface {
	Helper()
	Errorf(format string, args ...any)
}

// checkPage holds what every sheet has to keep: all inside its frame, lettering
// that can be read, no text on another, and no line through a text.
func checkPage(t failer, name string, p *scene.Page) {
	t.Helper()
	in := rect{filing, border, p.W - border, p.H - border}
	all := texts(p)
	boxes := make([][4]scene.Point, len(all))
	for i, x := range all {
		boxes[i] = x.Corners()
		if r := around(boxes[i][:]...); r.x0 < in.x0 || r.y0 < in.y0 || r.x1 > in.x1 || r.y1 > in.y1 {
			t.Errorf("%s: %q is off the frame: %.1f", name, x.S, r)
		}
		if x.H < small {
			t.Errorf("%s: %q is %g mm high, want %g at least", name, x.S, x.H, small)
		}
		if x.Angle < -90+1e-9 || x.Angle > 90+1e-9 {
			t.Errorf("%s: %q stands on its head, at %g°", name, x.S, x.Angle)
		}
		for j := range i {
			if !apart(boxes[i][:], boxes[j][:]) {
				t.Errorf("%s: %q lies on %q", name, x.S, all[j].S)
			}
		}
	}
	checkLines(t, name, p)
}

// checkLines looks for lines that show through a text: those drawn after it,
// and those before that no white box hides.
func checkLines(t failer, name string, p *scene.Page) {
	t.Helper()
	type seg struct {
		at   int
		a, b scene.Point
	}
	var segs []seg
	for i, it := range p.Items {
		switch it := it.(type) {
		case scene.Line:
			segs = append(segs, seg{i, it.A, it.B})
		case scene.Poly:
			if it.Pen.Weight == scene.NoLine {
				continue
			}
			for k := 1; k < len(it.Points); k++ {
				segs = append(segs, seg{i, it.Points[k-1], it.Points[k]})
			}
		}
	}
	for i, it := range p.Items {
		x, ok := it.(scene.Text)
		if !ok {
			continue
		}
		// A little inside the box, between baseline and capitals.
		c := x.Corners()
		up, along := c[3].Sub(c[0]).Unit(), c[1].Sub(c[0]).Unit()
		body := []scene.Point{
			c[0].Add(up.Mul(0.32 * x.H)).Add(along.Mul(0.2)), c[1].Add(up.Mul(0.32 * x.H)).Sub(along.Mul(0.2)),
			c[1].Add(up.Mul(1.25 * x.H)).Sub(along.Mul(0.2)), c[0].Add(up.Mul(1.25 * x.H)).Add(along.Mul(0.2)),
		}
		hidden := -1 // lines up to there are hidden
		for k := i - 1; k >= 0 && hidden < 0; k-- {
			switch b := p.Items[k].(type) {
			case scene.Poly:
				if b.Fill == scene.White && b.Pen.Weight == scene.NoLine && len(b.Points) == 4 && b.Points[0] == c[0] && b.Points[2] == c[2] {
					hidden = k
				}
			case scene.Arc: // a balloon
				if b.Centre.Sub(around(c[:]...).middle()).Len() < 1 && b.R == balloonR {
					hidden = k
				}
			}
		}
		for _, s := range segs {
			if s.at > hidden && !apart(body, []scene.Point{s.a, s.b}) {
				t.Errorf("%s: a line from %.1f to %.1f (%T) goes through %q at %.1f", name, s.a, s.b, p.Items[s.at], x.S, x.At)
			}
		}
	}
}

func demos(t testing.TB) map[string][]scene.Page {
	b := demoBay(t)
	bevels := Bevels(b, nil)
	if len(bevels) == 0 {
		t.Fatal("no bevels")
	}
	return map[string][]scene.Page{
		"bay":      Bay(b, Posts{90, 90}, demoSheet),
		"errors":   Errors(b, Posts{90, 90}, demoSheet),
		"plan":     Plan(demoFlight(), demoSheet),
		"template": {Template(bevels[0], demoSheet)},
	}
}

func TestGolden(t *testing.T) {
	for name, pages := range demos(t) {
		for i := range pages {
			file := fmt.Sprintf("testdata/%s-%d.svg", name, i+1)
			checkPage(t, file, &pages[i])
			var out bytes.Buffer
			if err := scene.SVG(&out, pages[i]); err != nil {
				t.Fatal(err)
			}
			if *update {
				if err := os.WriteFile(file, out.Bytes(), 0o644); err != nil {
					t.Fatal(err)
				}
			}
			want, err := os.ReadFile(file)
			if err != nil {
				t.Fatal(err)
			}
			if diff := cmp.Diff(string(want), out.String()); diff != "" {
				t.Errorf("%s (-want +got):\n%s", file, diff)
			}
		}
	}
}

// In inches every page is on letter paper, and no length of the drawing is in mm:
// leans and what the rules say stay as they are.
func TestInches(t *testing.T) {
	sheet := demoSheet
	sheet.Rule.Inches = true
	b := demoBay(t)
	pages := append(Bay(b, Posts{90, 90}, sheet), Errors(b, Posts{90, 90}, sheet)...)
	pages = append(append(pages, Plan(demoFlight(), sheet)...), Template(Bevels(b, nil)[0], sheet))
	var all strings.Builder
	for i := range pages {
		p := &pages[i]
		checkPage(t, fmt.Sprintf("page %d", i+1), p)
		if got := (scene.Paper{Short: min(p.W, p.H), Long: max(p.W, p.H)}); got != scene.Letter {
			t.Errorf("page %d is %g x %g mm, want letter paper", i+1, p.W, p.H)
		}
		for _, x := range scenetest.Texts(*p) {
			all.WriteString(x.S + "\n")
			if mm := regexp.MustCompile(`[0-9] mm( |$)`); mm.MatchString(x.S) && !strings.Contains(sheet.Caution, x.S) {
				t.Errorf("page %d says %q", i+1, x.S)
			}
		}
	}
	run := sheet.Rule.Of(b.Adjusted.Run, "")
	for _, want := range []string{"run " + run, "Dimensions in inches", "1 in out shows as ", "check bar 4 in"} {
		if !strings.Contains(all.String(), want) {
			t.Errorf("no page says %q", want)
		}
	}
}

// The same findings give the same bytes, in every form.
func TestSameBytes(t *testing.T) {
	all := func() []byte {
		var out bytes.Buffer
		var pages []scene.Page
		byName := demos(t)
		for _, name := range slices.Sorted(maps.Keys(byName)) {
			pages = append(pages, byName[name]...)
		}
		for _, p := range pages {
			if err := errors.Join(scene.SVG(&out, p), scene.PNG(&out, p, 25)); err != nil {
				t.Fatal(err)
			}
		}
		if err := scene.PDF(&out, pages, scene.Meta{Title: "demo"}); err != nil {
			t.Fatal(err)
		}
		return out.Bytes()
	}
	if !bytes.Equal(all(), all()) {
		t.Error("other bytes the second time")
	}
}

// log is a failer that only counts.
type log struct{ said []string }

func (*log) Helper()                          {}
func (l *log) Errorf(format string, a ...any) { l.said = append(l.said, fmt.Sprintf(format, a...)) }

// checkPage sees what it is there for.
func TestCheckPage(t *testing.T) {
	text := func(x, y, angle float64) scene.Text {
		return scene.Text{At: scene.Point{X: x, Y: y}, S: "some words", H: small, Angle: angle}
	}
	line := scene.Line{A: scene.Point{X: 45, Y: 49}, B: scene.Point{X: 80, Y: 49}, Pen: narrow}
	c := text(50, 50, 0).Corners()
	white := scene.Poly{Points: c[:], Closed: true, Fill: scene.White}
	for name, tt := range map[string]struct {
		items []scene.Item
		bad   bool
	}{
		"two apart":           {[]scene.Item{text(50, 50, 0), text(50, 54, 0)}, false},
		"two too near":        {[]scene.Item{text(50, 50, 0), text(50, 53, 0)}, true},
		"crossing":            {[]scene.Item{text(50, 50, 0), text(52, 55, 60)}, true},
		"off the frame":       {[]scene.Item{text(15, 50, 0)}, true},
		"small":               {[]scene.Item{scene.Text{At: scene.Point{X: 50, Y: 50}, S: "a", H: 2}}, true},
		"on its head":         {[]scene.Item{text(50, 50, 180)}, true},
		"line after":          {[]scene.Item{text(50, 50, 0), line}, true},
		"line before":         {[]scene.Item{line, text(50, 50, 0)}, true},
		"line under white":    {[]scene.Item{line, white, text(50, 50, 0)}, false},
		"line over the white": {[]scene.Item{white, line, text(50, 50, 0)}, true},
	} {
		var l log
		checkPage(&l, name, &scene.Page{W: 210, H: 297, Items: tt.items})
		if (len(l.said) > 0) != tt.bad {
			t.Errorf("%s: %q", name, l.said)
		}
	}
}

func TestGrid(t *testing.T) {
	g := newGrid(50, 30)
	g.mark(rect{10, 10, 20, 20})
	g.line(scene.Point{X: 30, Y: 5}, scene.Point{X: 45, Y: 25})
	for _, tt := range []struct {
		r    rect
		want bool
	}{
		{rect{0, 0, 10, 30}, true}, {rect{9, 9, 11, 11}, false}, {rect{19.5, 19.5, 25, 25}, false}, {rect{21, 0, 29, 30}, true},
		{rect{36, 13, 38, 15}, false}, {rect{30, 20, 36, 30}, true}, {rect{-5, -5, 0, 0}, true},
	} {
		if got := g.free(tt.r); got != tt.want {
			t.Errorf("free(%v) = %v, want %v", tt.r, got, tt.want)
		}
	}
	if at, ok := g.corner(rect{0, 0, 50, 30}, 9, 12); !ok || at.x0 != 0 || at.y0 != 0 {
		t.Errorf("corner at %v %v, want the top left", at, ok)
	}
	if at, ok := g.corner(rect{5, 5, 50, 30}, 9, 9); !ok || !g.free(at) || at.x0 < 5 || at.y0 < 5 {
		t.Errorf("corner at %v %v", at, ok)
	}
	if at, ok := g.corner(rect{0, 0, 50, 30}, 40, 15); ok {
		t.Errorf("room for 40 x 15 at %v", at)
	}
	// The way from (5, 15) to (25, 15) crosses the block of 10 mm.
	a, b := scene.Point{X: 5, Y: 15}, scene.Point{X: 25, Y: 15}
	if !g.crosses(a, b, rect{}) || g.crosses(a, b, rect{10, 10, 20, 20}) {
		t.Error("crosses does not see the block, or does not leave it out")
	}
	if got := g.touched(a, b); !calctest.Near(got, 10, 1) {
		t.Errorf("touched %v mm, want 10", got)
	}
}

// scaleOf reads the scale off a title block.
func scaleOf(t *testing.T, p *scene.Page) float64 {
	t.Helper()
	for _, x := range texts(p) {
		var n float64
		if _, err := fmt.Sscanf(x.S, "1:%g", &n); err == nil && x.H == large {
			return n
		}
	}
	t.Fatal("no scale in the title block")
	return 0
}

// What is measured on the paper, times the scale, is what was found.
func TestBayIsToScale(t *testing.T) {
	b := demoBay(t)
	p := &Bay(b, Posts{90, 70}, demoSheet)[0]
	n := scaleOf(t, p)
	if n != 10 && n != 20 {
		t.Errorf("scale 1:%g", n)
	}
	var upright []scene.Line // wide lines near plumb: outer edge and face of each post
	for _, it := range p.Items {
		if l, ok := it.(scene.Line); ok && l.Pen.Weight == scene.W50 && math.Abs(l.A.X-l.B.X) < 0.1*math.Abs(l.A.Y-l.B.Y) {
			upright = append(upright, l)
		}
	}
	slices.SortFunc(upright, func(p, q scene.Line) int { return int(math.Copysign(1, p.A.X-q.A.X)) })
	if len(upright) != 4 {
		t.Fatalf("%d lines of posts, want 4", len(upright))
	}
	at := func(l scene.Line, y float64) float64 { return l.A.X + (l.B.X-l.A.X)*(y-l.A.Y)/(l.B.Y-l.A.Y) }
	// The level run at half the height: R + h(b − a).
	h := 400.0
	lower, upper := upright[1], upright[2]
	foot := func(l scene.Line) float64 { return max(l.A.Y, l.B.Y) - (baseDepth/n + postOver - 4) } // the base corner
	got := (at(upper, foot(upper)-h/n) - at(lower, foot(lower)-h/n)) * n
	if want := demoPlane.RunAt(h); !calctest.Near(got, want, 0.01) {
		t.Errorf("run at %g mm up is drawn %.3f mm, want %.3f", h, got, want)
	}
	if got, want := (foot(lower)-foot(upper))*n, demoPlane.Base(demoPlane.Run); !calctest.Near(got, want, 0.01) {
		t.Errorf("the upper post stands %.3f mm over the lower, want %.3f", got, want)
	}
	for i, want := range []float64{90, 70} {
		if got := (upright[2*i+1].A.X - upright[2*i].A.X) * n; !calctest.Near(got, want, 0.1) {
			t.Errorf("post %d is %.2f mm wide, want %g", i, got, want)
		}
	}
	for _, want := range []string{"run 1254.0 ±0.7", "rise 1097.8", "gap 806.0 ±0.8", "gap at middle ", "clear gap ", "widest ", "base rail 41.20 ±0.08°", "handrail 41.50 ±0.08°",
		"bay F1/left", "K7-142.1", "2026-11-25", "7F3A-91C2", "england", "Caution: ", "sheet 1 of"} {
		if !saying(p, want) {
			t.Errorf("no %q on the drawing", want)
		}
	}
}

// The drawing's own geometry is that of calc/frame and calc/pieces.
func TestFrame(t *testing.T) {
	b := demoBay(t)
	f := shapeOf(b, Posts{})
	for _, x := range []float64{0, 100, 627, 1254} {
		if got, want := f.base(x), demoPlane.Base(x); !calctest.Near(got, want, 1e-9) {
			t.Errorf("base at %g: %v, want %v", x, got, want)
		}
		if got, want := f.rail(x), demoPlane.Rail(x); !calctest.Near(got, want, 1e-9) {
			t.Errorf("rail at %g: %v, want %v", x, got, want)
		}
		if got, want := f.lean(x), demoPlane.LeanAt(x); !calctest.Near(got, want, 1e-12) {
			t.Errorf("lean at %g: %v, want %v", x, got, want)
		}
	}
	for i, p := range b.Layout.Spindles {
		x := b.Layout.Stations[i]
		tx, ty := f.meets(x)
		if got := math.Hypot(tx-x, ty-f.base(x)); !calctest.Near(got, p.Length, 1e-3) {
			t.Errorf("spindle %d is drawn %.4f mm long, want %.4f", i+1, got, p.Length)
		}
	}
	for k, s := range b.Layout.Spaces {
		if l, r, _ := f.space(k+1, 0); !calctest.Near(r-l, s.Bottom, 1e-9) {
			t.Errorf("space %d is drawn %v wide, want %v", k+1, r-l, s.Bottom)
		}
	}
}

func TestMagnify(t *testing.T) {
	for _, tt := range []struct{ e, n, shown, want float64 }{
		{1, 10, 12, 100}, {2.5, 10, 12, 20}, {2.4, 10, 12, 50}, {1, 20, 12, 100}, {9, 20, 12, 20}, {12, 10, 12, 10},
		{100, 10, 12, 1}, {1000, 10, 12, 1}, {0.0001, 10, 12, 100}, {0, 10, 12, 1},
	} {
		if got := magnify(tt.e, tt.n, tt.shown); got != tt.want {
			t.Errorf("magnify(%g, 1:%g, %g mm) = %g, want %g", tt.e, tt.n, tt.shown, got, tt.want)
		}
	}
}

// An error is drawn as large as the sheet says, and no larger than it may be.
func TestErrorsAreMagnified(t *testing.T) {
	b := demoBay(t)
	p := &Errors(b, Posts{90, 90}, demoSheet)[0]
	var factor, shows float64
	for _, x := range texts(p) {
		fmt.Sscanf(x.S, "errors × %g", &factor)
		fmt.Sscanf(x.S, "1 mm out shows as %g mm", &shows)
	}
	n := scaleOf(t, p)
	if factor <= 1 || !calctest.Near(shows, factor/n, 0.005) {
		t.Fatalf("errors × %g at 1:%g, 1 mm as %g mm", factor, n, shows)
	}
	f := shapeOf(b, Posts{})
	w := f.wrong(n)
	if w.factor != factor {
		t.Errorf("drawn × %g, written × %g", w.factor, factor)
	}
	// The gap at the upper post is its true one and factor times the drift.
	drift := demoPlane.GapAt(demoPlane.Run) - demoPlane.GapAt(0)
	if got, want := w.rail(w.run)-w.base(w.run), 806+factor*drift; !calctest.Near(got, want, 1e-9) {
		t.Errorf("gap at the top drawn %v, want %v", got, want)
	}
	if e := f.largest(); e*factor/n > mostShown {
		t.Errorf("%g mm shows as %g mm", e, e*factor/n)
	}
	for _, want := range []string{"upper post +9.0 ±0.8 mm/m", "handrail +3.0 ±0.8 mm at mid-run", "base rail -1.5 ±0.8 mm", "gap +11.8 ±1.2 mm at the top"} {
		if !saying(p, want) {
			t.Errorf("no %q on the drawing", want)
		}
	}
}

// Flags are numbered, those that are up first; what is unsure is told apart by
// its form.
func TestBalloons(t *testing.T) {
	b := demoBay(t)
	entries := numbered(figure.Rule{}, b.Flags, func(*asfound.Flag) []spot { return nil })
	want := []string{"FLAG parallel", "FLAG drift", "FLAG middle-gap", "FLAG bow-rail", "unsure plumb-upper", "unsure bow-base"}
	if len(entries) != len(want) {
		t.Fatalf("%d entries, want %d", len(entries), len(want))
	}
	for i, w := range want {
		if e := entries[i]; !strings.HasPrefix(e.text, w+" ") || e.balloon.n != i+1 || e.balloon.unsure != strings.HasPrefix(w, "unsure") {
			t.Errorf("entry %d: %d %v %q, want %q", i, e.balloon.n, e.balloon.unsure, e.text, w)
		}
	}
	p := &Bay(b, Posts{}, demoSheet)[0]
	for _, c := range []struct {
		s    string
		ink  scene.Shade
		fill scene.Shade
	}{{"1", scene.White, scene.Black}, {"5?", scene.Black, scene.White}} {
		found := 0
		for i, it := range p.Items {
			if x, ok := it.(scene.Text); ok && x.S == c.s && x.Bold {
				if a, ok := p.Items[i-1].(scene.Arc); ok && a.Fill == c.fill && x.Shade == c.ink {
					found++
				}
			}
		}
		if found != 2 { // at its place and in the list
			t.Errorf("balloon %s is there %d times, want 2", c.s, found)
		}
	}
}

// More than a few flags of one kind share a number.
func TestAlikeFlags(t *testing.T) {
	var flags []asfound.Flag
	for i := range 9 {
		flags = append(flags, asfound.Flag{Name: "rise", State: rules.Flag, Value: 190 + float64(i), U: 0.5, Limit: 180, Unit: "mm", Absolute: true, Of: fmt.Sprintf("rise of step %d", i+1)})
	}
	flags = append(flags, asfound.Flag{Name: "slip", State: rules.Flag, Of: "gap at top, less"}, asfound.Flag{Name: "rise", State: rules.Clear})
	got := numbered(figure.Rule{}, flags, func(*asfound.Flag) []spot { return []spot{{}} })
	if len(got) != 2 || len(got[0].balloon.spots) != 9 || !strings.Contains(got[0].text, "198.0") || !strings.Contains(got[0].text, "with 8 more") {
		t.Errorf("got %d entries, the first %q", len(got), got[0].text)
	}
}

// What was not read is dashed, and named.
func TestNotRead(t *testing.T) {
	b := demoBay(t)
	b.Flags = slices.DeleteFunc(b.Flags, func(f asfound.Flag) bool { return f.Name == "plumb-upper" || f.Name == "bow-rail" })
	b.Missing = []fieldbook.Want{{What: survey.LeanAlong, At: survey.At{Mark: survey.Upper}}}
	p := &Bay(b, Posts{}, demoSheet)[0]
	var all strings.Builder
	for _, x := range texts(p) {
		all.WriteString(x.S + " ")
	}
	for _, want := range []string{"the upper post, drawn plumb", "the handrail between its ends, drawn straight", "Missing: lean-along, upper post"} {
		if !strings.Contains(all.String(), want) {
			t.Errorf("no %q in %q", want, all.String())
		}
	}
	if strings.Contains(all.String(), "lower post, drawn plumb") {
		t.Error("the lower post was read")
	}
	dashed := 0
	for _, it := range p.Items {
		switch it := it.(type) {
		case scene.Line:
			if it.Pen.Weight == scene.W50 && it.Pen.Type == scene.Dashed {
				dashed++
			}
		case scene.Poly:
			if it.Pen.Weight == scene.W50 && it.Pen.Type == scene.Dashed {
				dashed++
			}
		}
	}
	if dashed != 2 {
		t.Errorf("%d outlines are dashed, want the upper post's face and the handrail's middle", dashed)
	}
}

// The corners drawn lie as far apart as the adjusted readings say.
func TestPlanCorners(t *testing.T) {
	f := demoFlight()
	q, ok := planOf(f)
	if !ok {
		t.Fatal("no plan")
	}
	for i, want := range []scene.Point{{}, {X: 842}, {X: 30, Y: 3496}, {X: 868, Y: 3510}} {
		if !calctest.Near(q.corners[i].Sub(want).Len(), 0, 1e-6) {
			t.Errorf("corner %d at %v, want %v", i, q.corners[i], want)
		}
	}
	if len(q.steps) != 11 {
		t.Errorf("%d nosings between, want 11", len(q.steps))
	}
	p := &Plan(f, demoSheet)[0]
	for _, want := range []string{"errors × ", "width 842.0", "left side 3496.1", "rising 3615.7", "swing +28.0", "taper -4.0", "top edge +14.0"} {
		if !saying(p, want) {
			t.Errorf("no %q on the drawing", want)
		}
	}
	if pages := Plan(&asfound.Flight{Place: "F1"}, demoSheet); len(pages) != 1 || !saying(&pages[0], "No plan can be drawn yet") {
		t.Error("a flight without a plan says nothing")
	}
}

// A template is full size: its bars are 100 mm, and the lines meet at the bevel.
func TestTemplate(t *testing.T) {
	for k := -320; k <= 320; k += 8 {
		deg := float64(k) / 4
		long := demoSheet
		if k%3 == 0 {
			long.Caution = strings.Repeat(long.Caution+" ", 5) // more than a title block holds
		}
		p := Template(Bevel{Of: "spindles", Angle: known(deg, 0.05), Low: deg - 0.3, High: deg + 0.3, Width: 41}, long)
		checkPage(t, fmt.Sprintf("template %g", deg), &p)
		bars := map[string]bool{}
		best := math.Inf(1)
		for _, it := range p.Items {
			l, ok := it.(scene.Line)
			if !ok {
				continue
			}
			d := l.B.Sub(l.A)
			if math.Abs(d.Len()-100) < 1e-9 && l.Pen.Weight == scene.W35 {
				bars[map[bool]string{true: "level", false: "plumb"}[d.Y == 0]] = true
			}
			if d.X > 0 && l.Pen == narrow && d.Len() > 50 { // the blade's line
				best = min(best, math.Abs(math.Atan2(-d.Y, d.X)/degree-math.Abs(deg)))
			}
		}
		if len(bars) != 2 {
			t.Errorf("%g°: bars %v, want one each way", deg, bars)
		}
		if !calctest.Near(best, 0, 1e-9) {
			t.Errorf("%g°: the cut is drawn %g° off", deg, best)
		}
		if saying(&p, "other face up") != (deg < 0) {
			t.Errorf("%g°: which face is up is not said, or is said for nothing", deg)
		}
		for _, want := range []string{"Print at actual size", "exactly 100 mm", fmt.Sprintf("%.1f° on the saw's dial, %.1f° on a bevel gauge", math.Abs(deg), 90-math.Abs(deg)), "rise : going", "1:1"} {
			if !saying(&p, want) {
				t.Errorf("%g°: no %q", deg, want)
			}
		}
	}
	// What the dial shows as a square cut has no side that is up.
	for deg, want := range map[float64]bool{-0.04: false, -0.06: true, 0.04: false} {
		p := Template(Bevel{Of: "rail fillets", Angle: known(deg, 0.05)}, demoSheet)
		if saying(&p, "other face up") != want {
			t.Errorf("%g°: which face is up is not said, or is said for nothing", deg)
		}
	}
	for _, deg := range []float64{85, -90, math.NaN(), math.Inf(1)} {
		p := Template(Bevel{Angle: known(deg, 0.1)}, demoSheet)
		checkPage(t, fmt.Sprintf("template %g", deg), &p)
		if !saying(&p, "nothing is drawn") {
			t.Errorf("%g° is drawn", deg)
		}
	}
}

// An end that is left square has no bevel to lay a blade to.
func TestBevelsOfSquareEnds(t *testing.T) {
	for _, tt := range []struct {
		name   string
		square SquareEnds
		want   []string
	}{
		{"square", func(k pieces.Kind) [2]bool { return [2]bool{k != pieces.Spindle, k != pieces.Spindle} }, nil},
		{"one", func(k pieces.Kind) [2]bool { return [2]bool{k == pieces.BaseFillet, k == pieces.RailFillet} },
			[]string{"base fillets, uphill end", "rail fillets, downhill end"}},
	} {
		t.Run(tt.name, func(t *testing.T) {
			var of []string
			for _, bv := range Bevels(demoBay(t), tt.square) {
				of = append(of, strings.Split(bv.Of, "; ")...)
			}
			slices.Sort(of)
			if want := append(tt.want, "spindles, foot", "spindles, head"); !slices.Equal(of, want) {
				t.Errorf("bevels of %q, want %q", of, want)
			}
		})
	}
}

// tan 41.2° = 0.87543, so 875.4 in 1000 (computed by hand from a table).
func TestBevels(t *testing.T) {
	var of []string
	dials := map[string]bool{}
	for _, bv := range Bevels(demoBay(t), nil) {
		of = append(of, strings.Split(bv.Of, "; ")...)
		if dial := figure.Fixed(bv.Angle.Value, 1); dials[dial] {
			t.Errorf("%s° stands there twice", dial)
		} else {
			dials[dial] = true
		}
		// pitch + lean: 41.2° to 41.5°, and up to 9 mm/m of lean, 0.52°; bows
		// turn an end by 4·3/1254, 0.55°.
		if bv.Angle.Value < 40.5 || bv.Angle.Value > 42.6 || bv.Low > bv.Angle.Value || bv.High < bv.Angle.Value {
			t.Errorf("%s: %+v", bv.Of, bv)
		}
	}
	slices.Sort(of)
	want := []string{"base fillets, downhill end", "base fillets, uphill end", "rail fillets, downhill end", "rail fillets, uphill end",
		"spindles, foot", "spindles, head"}
	if !slices.Equal(of, want) {
		t.Errorf("bevels of %q, want %q", of, want)
	}
	p := Template(Bevel{Of: "x", Angle: known(41.2, 0.05)}, demoSheet)
	if !saying(&p, "rise : going = 875.4 : 1000 = 1 : 1.142") {
		t.Error("the ratio is wrong")
	}
	if got := Bevels(&asfound.Bay{}, nil); got != nil {
		t.Errorf("a bay without a layout has bevels: %v", got)
	}
}
