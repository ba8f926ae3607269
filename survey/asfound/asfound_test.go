package asfound

import (
	"math"
	"math/rand/v2"
	"runtime"
	"slices"
	"strings"
	"testing"

	"github.com/google/go-cmp/cmp"
	"github.com/google/go-cmp/cmp/cmpopts"
	"gonum.org/v1/gonum/mat"

	"pinchrod/calc/calctest"
	"pinchrod/calc/frame"
	"pinchrod/calc/rules"
	"pinchrod/survey"
	"pinchrod/survey/sheet"
)

func work(t *testing.T, csv string) *Findings {
	t.Helper()
	return workWith(t, csv, Defaults())
}

func workWith(t *testing.T, csv string, set Settings) *Findings {
	t.Helper()
	rows, err := sheet.Read(strings.NewReader(csv), survey.HouseKit)
	if err != nil {
		t.Fatal(err)
	}
	return mustWork(bookOf(rows), set)
}

func oneBay(t *testing.T, csv string) *Bay {
	t.Helper()
	f := work(t, csv)
	if len(f.Bays) != 1 {
		t.Fatalf("%d bays, want 1", len(f.Bays))
	}
	return &f.Bays[0]
}

func near(t *testing.T, what string, got Quantity, want, tol float64) {
	t.Helper()
	if !got.Known || !calctest.Near(got.Value, want, tol) {
		t.Errorf("%s = %+v, want %g within %g", what, got, want, tol)
	}
}

func noted(b *Bay, text string) bool { return strings.Contains(strings.Join(b.Notes, "\n"), text) }

// A clear run of 1254 mm, 40 mm spindles, a 90 mm target and a 100 mm limit
// give (1254−90)/(90+40) = 8.95, so 9 spindles and gaps of 89.4 mm. Common
// practice, no source.
func TestFactOfTheTrade(t *testing.T) {
	b := oneBay(t, "where,what,value\nF1/left,run,1254\nF1/left,spindle-section,40 x 40 mm\n")
	if b.Layout == nil || b.Layout.Count != 9 {
		t.Fatalf("layout = %+v, want 9 spindles", b.Layout)
	}
	near(t, "clear gap", b.Layout.Clear, 89.4, 1e-9)
}

// A walk 5 mm short over 10 spacers lengthens each by 0.5 mm. Common practice,
// no source. Ten spacers and nine 40 mm spindles on a level run of 1254 mm: the
// walk tells the run as well, 10·88.9 + 9·40 + 5 = 1254.
func TestSpacerWalk(t *testing.T) {
	b := oneBay(t, "where,what,at,value,u\nL1/edge,walk,,10 x 88.9 mm short 5 mm,1\nL1/edge,spindle-section,,40 x 40 mm,\nL1/edge,base-angle,bottom,0,0.1\nL1/edge,base-angle,top,0,0.1\n")
	if len(b.Spacers) != 1 || !calctest.Near(b.Spacers[0].New, 89.4, 1e-9) {
		t.Errorf("spacers = %+v, want one of 89.4 mm", b.Spacers)
	}
	near(t, "run", b.Adjusted.Run, 1254, 0.02)
	b = oneBay(t, "where,what,value\nF1/left,walk,10 x 88.9 mm over 2 mm\nF1/left,run,1254\n")
	if len(b.Spacers) != 1 || !calctest.Near(b.Spacers[0].New, 88.7, 1e-9) {
		t.Errorf("spacers = %+v, want one of 88.7 mm", b.Spacers)
	}
	if !noted(b, "needs the spindles' section") {
		t.Errorf("notes %q do not say why the walk is not adjusted", b.Notes)
	}
}

func TestBorrowedPitch(t *testing.T) {
	b := oneBay(t, "where,what,at,value,u\nF1,string-angle,bottom,41,0.1\nF1,string-angle,top,41.2,0.1\nF1/left,run,,1400,\n")
	near(t, "base angle", b.Adjusted.BaseAngle, 41.1, 0.01)
	// Two of √(0.1² + 0.1°²) each: 0.1°.
	if !calctest.Near(b.Adjusted.BaseAngle.U, 0.1, 0.005) {
		t.Errorf("u = %g°, want 0.1°: that of the gauge, widened by 0.1°, over two readings", b.Adjusted.BaseAngle.U)
	}
	if !noted(b, "string angle stands in") {
		t.Errorf("notes %q do not say that the pitch is borrowed", b.Notes)
	}
	b = oneBay(t, "where,what,at,value,u\nF1,string-angle,bottom,41,0.1\nF1/left,run,,1400,\nF1/left,base-angle,bottom,40,0.1\nF1/left,base-angle,top,40,0.1\n")
	near(t, "base angle of its own", b.Adjusted.BaseAngle, 40, 0.01)
}

func TestPostPositions(t *testing.T) {
	b := oneBay(t, "where,what,at,value\nF1/left,post-position,lower,310\nF1/left,post-position,upper,1722\nF1/left,gap,bottom,810\n")
	near(t, "run", b.Adjusted.Run, 1412, 1e-6)
	b = oneBay(t, "where,what,at,value\nF1/left,post-position,upper,1722\n")
	if b.Adjusted.Run.Known {
		t.Errorf("one post gives a run of %+v", b.Adjusted.Run)
	}
}

func TestLandingIsLevel(t *testing.T) {
	b := oneBay(t, "where,what,at,value\nL1/edge,run,,1400\nL1/edge,gap,bottom,900\n")
	near(t, "base angle", b.Adjusted.BaseAngle, 0, 1e-6)
	if !noted(b, "landing taken as level") {
		t.Errorf("notes %q do not say that the landing is taken as level", b.Notes)
	}
	b = oneBay(t, "where,what,at,value\nF1/edge,run,,1400\nF1/edge,gap,bottom,900\n")
	if b.Adjusted.BaseAngle.Known || b.Spindles != nil {
		t.Error("a flight without an angle has a pitch")
	}
}

// What was never read gets no flag, clear or other: Missing names it.
func TestNoFlagOfWhatIsTakenForGranted(t *testing.T) {
	b := oneBay(t, "where,what,at,height,value\nF1/left,run,,0,1400\nF1/left,run,,700,1404\nF1/left,gap,bottom,,810\nF1/left,gap,top,,812\nF1/left,base-angle,bottom,,41\n")
	var names []string
	for _, f := range b.Flags {
		names = append(names, f.Name)
	}
	if got, want := strings.Join(names, " "), "parallel drift"; got != want {
		t.Errorf("flags %q, want %q: the runs tell of the posts against each other, the gaps of the rails", got, want)
	}
}

func TestNothingToWorkWith(t *testing.T) {
	b := oneBay(t, "where,what,value\nF1/left,stock-length,2400\n")
	if b.Adjusted.Run.Known || b.Chi2 != nil || len(b.Missing) == 0 {
		t.Errorf("a bay of one bar: %+v", b)
	}
}

// A reading that no sheet would let through may come from another device.
func TestUnbelievableReadingIsNotUsed(t *testing.T) {
	rows := readSheet(t, "../../testdata/reference/bays/clean.csv")
	good := mustWork(bookOf(rows), Defaults()).Bays[0].Adjusted
	bad := rows[0]
	bad.Value.N[0] = math.MinInt64
	wrong := rows[4]
	wrong.Value.N[1] = 0
	b := &mustWork(bookOf(append(rows, bad, wrong)), Defaults()).Bays[0]
	if b.Adjusted != good {
		t.Errorf("adjusted %+v, want as without it %+v", b.Adjusted, good)
	}
	if !noted(b, "is not used") {
		t.Errorf("notes %q do not say so", b.Notes)
	}
}

// Findings do not depend on the number of cores or on the run.
func TestFindingsAreDeterministic(t *testing.T) {
	rng := rand.New(rand.NewPCG(4, 4))
	var rows []survey.Reading
	for _, p := range []survey.Place{"F1/a", "F1/b", "F2/a", "F2/b", "L1/a"} {
		rows = append(rows, randomBay(rng).readings(rng, p)...)
	}
	want := mustWork(bookOf(rows), Defaults())
	defer runtime.GOMAXPROCS(runtime.GOMAXPROCS(1))
	if diff := cmp.Diff(want, mustWork(bookOf(rows), Defaults()), cmpopts.IgnoreUnexported(Flag{}, survey.At{}), cmp.AllowUnexported(mat.SymDense{})); diff != "" {
		t.Errorf("the findings differ on one core:\n%s", diff)
	}
}

func TestFlagged(t *testing.T) {
	f := work(t, "where,what,value\nF1,total-rise,2600\n")
	if f.Flagged() {
		t.Error("a stair without a bay is flagged")
	}
	f.Flights[0].Flags = []Flag{{State: rules.Unsure}}
	if f.Flagged() {
		t.Error("unsure counts as flagged")
	}
	f.Flights[0].Flags = append(f.Flights[0].Flags, Flag{State: rules.Flag})
	if !f.Flagged() {
		t.Error("a flag on a flight does not count")
	}
}

// Both answers of a disagreement stand, and the bay says so.
func TestTwoAnswersAreFlagged(t *testing.T) {
	rows := readSheet(t, "../../testdata/reference/bays/clean.csv")
	book := bookOf(rows)
	first := book.Entries[0]
	for i := range 2 {
		e := first
		e.Ref.Item = uint32(100 + i)
		e.Reading.Replaces = first.Ref
		book.Entries = append(book.Entries, e)
		book.Entries[0].Fixed = append(book.Entries[0].Fixed, e.Ref)
	}
	b := &mustWork(book, Defaults()).Bays[0]
	if len(b.Readings) != len(rows)+1 {
		t.Errorf("%d readings adjusted, want %d: both answers, not the corrected one", len(b.Readings), len(rows)+1)
	}
	last := b.Flags[len(b.Flags)-1]
	if last.Name != "two-answers" || last.State != rules.Flag {
		t.Errorf("last flag = %+v, want two-answers", last)
	}
}

// Advice ends where a reading saves less than it takes, and what check and advise say is one rule.
func TestNothingMoreIsWorthTheTime(t *testing.T) {
	few := work(t, `where,what,at,value
F1/left,spindle-section,,41 x 41 mm
F1/left,run,,1502
F1/left,base-angle,bottom,41.2
F1/left,rail-angle,bottom,41.0
F1/left,gap,bottom,812
`)
	v := few.Bays[0].Spindles
	if v == nil || v.Chosen() == nil || len(v.Measure) == 0 {
		t.Fatalf("verdict %+v, want a way to cut and a reading worth taking", v)
	}
	a := v.Measure[0]
	if a.Reading.What != survey.Trial || a.Saves <= a.Takes || len(a.With) == 0 {
		t.Errorf("advice %+v, want a trial piece that saves more than it takes", a)
	}
	var of []Proposal
	for _, p := range few.Proposals() {
		if p.Worth > 0 {
			of = append(of, p)
		}
	}
	if len(of) != len(v.Measure) || of[0].Reading.What != a.Reading.What || of[0].Worth != a.Saves || of[0].Minutes != a.Takes {
		t.Errorf("advise says %+v, check %+v", of, v.Measure)
	}
	book := bookOf(newVisitor(rand.New(rand.NewPCG(6, 6)), byTool).eight(fittersBay(rand.New(rand.NewPCG(7, 7)), 0.7)))
	none := mustWork(book, Defaults()).Bays[0].Spindles
	if none.Chosen() == nil || len(none.Measure) != 0 {
		t.Errorf("after eight readings %+v, want a way to cut and nothing more", none)
	}
}

// A reading that advice names brings what it said: taken as it was expected, the minutes fall by about that.
func TestAdviceKeepsItsPromise(t *testing.T) {
	rng := rand.New(rand.NewPCG(8, 8))
	v := newVisitor(rng, byBoth)
	said, real, n := 0.0, 0.0, 0
	for range 60 {
		tr := fittersBay(rng, 3)
		v.arrive()
		rows := slices.DeleteFunc(v.eight(tr), func(r survey.Reading) bool { return r.What == survey.Trial })
		rows = append(rows, v.read(tr, survey.Gap, survey.Bottom, 0, frame.Gap(frame.Bottom)))
		before := mustWork(bookOf(rows), Defaults()).Bays[0].Spindles
		if before == nil || len(before.Measure) == 0 {
			continue
		}
		a := before.Measure[0]
		for _, r := range a.With {
			eq, ok := tr.equation(r)
			if !ok {
				t.Fatalf("%s was advised, and nothing here reads it", r.Title())
			}
			rows = append(rows, v.read(tr, r.What, r.At.Mark, r.Height.MM(), eq))
		}
		after := mustWork(bookOf(rows), Defaults()).Bays[0].Spindles
		if after == nil || after.Chosen() == nil {
			continue
		}
		said += a.Saves
		real += before.Chosen().Expected - after.Chosen().Expected
		n++
	}
	if n < 30 {
		t.Fatalf("%d bays tell", n)
	}
	if !calctest.Near(real, said, 0.2*said) {
		t.Errorf("advice saved %.1f minutes a bay, and %.1f were foretold", real/float64(n), said/float64(n))
	}
	t.Logf("%d bays: %.1f minutes saved, %.1f foretold", n, real/float64(n), said/float64(n))
}

// equation is what a reading is of.
func (tr truth) equation(r survey.Reading) (frame.Equation, bool) {
	st := station(r.At)
	switch r.What {
	case survey.Trial:
		return frame.Trial(st), true
	case survey.Gap:
		return frame.Gap(st), true
	case survey.BaseAngle:
		return frame.BaseAngle(st), true
	case survey.RailAngle:
		return frame.RailAngle(st), true
	case survey.Run:
		return frame.RunAt(r.Height.MM()), true
	case survey.LeanAlong:
		return frame.Lean(r.At.Mark == survey.Upper), true
	case survey.BowBase:
		return frame.BowBase(st), true
	case survey.BowRail:
		return frame.BowRail(st), true
	case survey.FrameDiagonal:
		return frame.FrameDiagonal(r.At.Mark == survey.Rising), true
	}
	return nil, false
}

// Leave asks for what would be regretted: here the middle, and nothing that was
// read well.
func TestLeave(t *testing.T) {
	open := Leave(mustWork(bookOf(readSheet(t, "../../testdata/reference/bays/slip-in-top-gap.csv")), Defaults()))
	last := open[len(open)-1]
	if len(last.Suspect) != 1 || last.Empty() {
		t.Errorf("open = %+v, want one suspect", last)
	}
	if (&Open{Up: []string{"drift"}}).Empty() != true {
		t.Error("what is out of true, and settled, keeps nobody on site")
	}
}
