package asfound

import (
	"fmt"
	"math"
	"strings"
	"testing"

	"pinchrod/calc/calctest"
	"pinchrod/calc/fit"
	"pinchrod/calc/rules"
)

// leaning is a bay of spindles 40 mm wide in a run of 1254 mm at 45°, whose posts
// lean down the stair by 9 mm in 900 mm, with more rows.
func leaning(rows string) string {
	return "where,what,at,value,u\nF1/left,run,,1254,0.28\nF1/left,run,,1254,0.28\nF1/left,lean-along,lower,-9 mm in 900 mm,0.2\nF1/left,lean-along,upper,-9 mm in 900 mm,0.2\n" +
		"F1/left,base-angle,bottom,45,0.05\nF1/left,base-angle,top,45,0.05\nF1/left,rail-angle,bottom,45,0.05\nF1/left,rail-angle,top,45,0.05\n" +
		"F1/left,gap,bottom,800,0.3\nF1/left,gap,middle,800,0.3\nF1/left,gap,top,800,0.3\nF1/left,bow-base,middle,0,0.3\nF1/left,bow-rail,middle,0,0.3\n" +
		"F1/left,spindle-section,,40 x 40 mm,0.1\nF1/left,fillet-section,,40 x 8 mm,0.1\n" + rows
}

// bare are the defaults with spindles whose heads are not slid: the openings are what the fillets leave.
func bare() Settings {
	set := Defaults()
	set.Play = 0
	return set
}

// Where posts lean down a stair, what stands between them is wider apart than its
// feet are on the level: by (1 − l·p), here 1.01. Nine of 40 mm leave
// (1254·1.01 − 360)/10 = 90.654 mm, and what the fillets leave agrees.
func TestOpeningsOfLeaningSpindles(t *testing.T) {
	b := &workWith(t, leaning(""), bare()).Bays[0]
	l := b.Layout
	if l == nil || l.Count != 9 {
		t.Fatalf("layout = %+v, want 9 spindles", l)
	}
	near(t, "clear gap", l.Clear, 90.654, 0.01)
	near(t, "widest gap", l.Widest, 90.654, 0.02)
	for i, p := range l.BaseFillets {
		bevel := (p.Ends[0].Bevel + p.Ends[1].Bevel) / 2
		if got := p.Length * math.Cos(bevel) / math.Cos(bevel-math.Pi/4); !calctest.Near(got, l.Spaces[i].Bottom, 0.02) {
			t.Errorf("space %d: its fillet leaves %.3f mm, the layout says %.3f", i+1, got, l.Spaces[i].Bottom)
		}
		if !calctest.Near(p.Length, l.BaseFillets[0].Length, 0.02) {
			t.Errorf("base fillet %d is %.3f mm, the first %.3f: the spaces are equal", i+1, p.Length, l.BaseFillets[0].Length)
		}
	}
	// Each opening is a fillet's 126.94 mm along the rail: u(stop), u(saw) and u(width) are 0.1 mm each. Four angles of
	// 0.05° that the gaps tie together know the pitch to 0.025°, 4.4e-4 rad, and 89.8·4.4e-4 = 0.039 mm; two leans of
	// 0.2 mm/m know their mean to 0.14, 89.8·0.14e-3 = 0.013, and their difference to 0.28, over 800 of 1254 mm in 130:
	// 0.023. √(3·0.1² + 0.039² + 0.013² + 0.023²) = 0.1796.
	if !calctest.Near(l.Widest.U, 0.1796, 5e-4) {
		t.Errorf("u of the widest gap = %.4f mm, want 0.1796", l.Widest.U)
	}
	// The last one takes nine widths of 0.1, nine stops of 0.1 and √9 saws of 0.1, u(R) = 0.2, the pitch nine times
	// 0.039 and the leans 1254·0.14e-3 = 0.18: √(0.9² + 0.9² + 0.3² + 0.2² + 0.35² + 0.18²) = 1.38.
	near(t, "last gap", l.Last, 90.654, 0.03)
	if !calctest.Near(l.Last.U, 1.38, 0.03) {
		t.Errorf("u of the last gap = %.4f mm, want 1.38", l.Last.U)
	}
	// With a ball of 90.7 mm it is 90.654 + 2·0.094 that counts: a tenth spindle.
	set := bare()
	set.Opening = 90.7
	if got := workWith(t, leaning(""), set).Bays[0].Layout.Count; got != 10 {
		t.Errorf("%d spindles where no ball of 90.7 mm may pass, want 10", got)
	}
	for _, f := range b.Flags {
		if f.Name == "opening" && (f.State != rules.Clear || !calctest.Near(f.Value, 90.654, 0.02)) {
			t.Errorf("opening %+v", f)
		}
	}
}

// A head that is slid opens the space behind it: two spindles may be slid apart, and the last one from the post.
func TestOpeningsPayForPlay(t *testing.T) {
	for _, play := range []float64{0, 1, 1.5} {
		set := Defaults()
		set.Play = play
		l := workWith(t, leaning(""), set).Bays[0].Layout
		near(t, "widest gap", l.Widest, 90.654+2*play, 0.02)
		near(t, "last gap", l.Last, 90.654+play, 0.03)
	}
	// A landing's openings pay as its rails are level: the head is not held by a slope either way, and nothing is slid.
	set := Defaults()
	level := strings.ReplaceAll(strings.ReplaceAll(leaning(""), "F1/left", "L1/edge"), ",45,", ",0,")
	with := workWith(t, level, set).Bays[0].Layout
	set.Play = 0
	if without := workWith(t, level, set).Bays[0].Layout; with.Widest != without.Widest {
		t.Errorf("play opens a landing: %+v, want %+v", with.Widest, without.Widest)
	}
	// The count leaves room for it: nine leave 90.654 + 2·1 and their doubt, too much for a ball of 92.7 mm.
	set = Defaults()
	set.Opening = 92.7
	if got := workWith(t, leaning(""), set).Bays[0].Layout.Count; got != 10 {
		t.Errorf("%d spindles where no ball of 92.7 mm may pass, want 10", got)
	}
	set.Opening = 93
	if got := workWith(t, leaning(""), set).Bays[0].Layout.Count; got != 9 {
		t.Errorf("%d spindles where no ball of 93 mm may pass, want 9", got)
	}
}

// What a spacer walk says of its spacers, and when none is cut to it.
func TestSpacers(t *testing.T) {
	// Ten spacers as long as the fillets, 90.654/(0.7071·1.01) = 126.94 mm, end where they should.
	for _, c := range []struct {
		name, walk string
		want       float64
		why        string
	}{
		{"as it should", "10 x 126.9 mm short 0.4 mm", 126.94, ""},
		{"a little short", "10 x 126.9 mm short 1.4 mm", 127.04, ""},
		{"of another count", "9 x 126.9 mm short 183.2 mm", 0, "10 spacers are wanted beside 9 spindles"},
		{"far off", "10 x 126.9 mm short 100.4 mm", 0, "probably wrong: walk it again"},
	} {
		b := oneBay(t, leaning("F1/left,walk,,"+c.walk+",\n"))
		if len(b.Spacers) != 1 {
			t.Fatalf("%s: %d spacers", c.name, len(b.Spacers))
		}
		s := b.Spacers[0]
		if !calctest.Near(s.New, c.want, 0.005) || !strings.Contains(s.Why, c.why) || (s.Why == "") != (c.why == "") {
			t.Errorf("%s: %+v, want %g, %q", c.name, s, c.want, c.why)
		}
	}
	// A walk that was kept counts, and may yet leave too much open.
	b := oneBay(t, "where,what,at,value,u\nL1/edge,walk,,10 x 95 mm short 56 mm,1\nL1/edge,spindle-section,,40 x 40 mm,\nL1/edge,base-angle,bottom,0,0.1\nL1/edge,base-angle,top,0,0.1\n")
	if len(b.Spacers) != 1 || b.Spacers[0].New != 0 || !strings.Contains(b.Spacers[0].Why, "spacers are wanted") {
		t.Errorf("a walk that leaves 100.6 mm: %+v", b.Spacers)
	}
	set := Defaults()
	set.Opening = 91
	w := &worker{bay: b, set: set, width: 40}
	w.bay.Layout.Count = 9
	if got := w.noSpacer(b.Readings[0].Ref, &Spacer{Count: 10, New: 92, U: 1}); !strings.Contains(got, "would leave 92.0 mm open, and 91 mm is the most") {
		t.Errorf("spacers that leave more than a ball may pass: %q", got)
	}
	// Between turned spindles the first and the last space are longer by what
	// these are thinner, 20 mm, and so is the end of the walk.
	turned := "where,what,at,value,u\nL1/edge,run,,1254,0.2\nL1/edge,spindle-section,,40 x 40 x 20 mm,0.1\nL1/edge,gap,bottom,900,0.3\nL1/edge,gap,top,900,0.3\nL1/edge,base-angle,bottom,0,0.05\nL1/edge,base-angle,top,0,0.05\n" +
		"L1/edge,rail-angle,bottom,0,0.05\nL1/edge,rail-angle,top,0,0.05\n"
	n := oneBay(t, turned).Layout.Count
	gap := (1254 - 20*float64(n)) / float64(n+1)
	b = oneBay(t, turned+fmt.Sprintf("L1/edge,walk,,%d x %.3f mm short 20 mm,\n", n+1, gap-20))
	if len(b.Spacers) != 1 || b.Spacers[0].Why != "" || !calctest.Near(b.Spacers[0].New, (gap-20), 0.02) {
		t.Errorf("a walk between turned spindles as it should be: %+v, want %.2f", b.Spacers, gap-20)
	}
}

// A walk between leaning spindles is expected where the fillets say it ends, and
// is no slip.
func TestWalkBetweenLeaningSpindles(t *testing.T) {
	rows := strings.ReplaceAll(leaning(""), "-9 mm in 900", "-22.5 mm in 900")
	walk := oneBay(t, rows).Layout.Walk
	if walk == nil {
		t.Fatal("no walk")
	}
	r := rows + fmt.Sprintf("F1/left,walk,,%d x %.1f mm %s,\n", walk.Count, walk.Spacer, ending(walk.Short.Value))
	for _, got := range oneBay(t, r).Readings {
		if got.Reading.What == "walk" && !calctest.Near(got.W, 0, 0.1) {
			t.Errorf("the walk that was foreseen is off by %.2f of its u", got.W)
		}
	}
}

// A station beyond the upper post is no reading of the bay: it or the run was written down wrong, and nothing is cut
// until one of them is read again. A station 6 mm beyond is a tape laid by eye.
func TestBeyondTheUpperPost(t *testing.T) {
	b := oneBay(t, leaning("F1/left,gap,5000,800,0.3\nF1/left,gap,1260,800,0.3\n"))
	var got []Flag
	for _, f := range b.Flags {
		if f.Name == "beyond-post" {
			got = append(got, f)
		}
	}
	if len(got) != 1 || got[0].State != rules.Flag || got[0].Value != 5000 || !calctest.Near(got[0].Limit, 1254, 1e-9) || !strings.Contains(got[0].Text, "read its place or the run again") {
		t.Errorf("flags %+v, want one that names the place at 5000 mm", got)
	}
	if len(b.Again) != 1 || b.Again[0].Item != 16 {
		t.Errorf("to read again %v, want the one at 5000 mm", b.Again)
	}
	if b.Spindles == nil || b.Spindles.Cut != fit.MeasureMore || b.Spindles.Chosen() != nil {
		t.Errorf("verdict %+v, want nothing cut", b.Spindles)
	}
	for _, r := range b.Readings {
		if r.Reading.At.N == 5000000 {
			t.Error("it is adjusted")
		}
	}
}

// Timber that shrinks opens the gaps: what a ball may not pass holds for the
// spindles as they will be.
func TestOpeningsInService(t *testing.T) {
	set := bare()
	set.Opening = 91.4
	rows := leaning("F1/left,moisture,,14 %,0.5\n")
	// Nine leave 90.654 and 2·0.094 of doubt, within 91.4 as they stand.
	if got := workWith(t, rows, set).Bays[0].Layout.Count; got != 9 {
		t.Fatalf("%d spindles of timber that does not move, want 9", got)
	}
	for name, value := range map[string]string{"species": "white oak", "service-moisture": "7"} {
		if err := set.Set(name, value); err != nil {
			t.Fatal(err)
		}
	}
	// They lose 0.76 mm each, and 91.4 less that is no room for 90.654 and the doubt
	// of both, 2·0.225.
	b := workWith(t, rows, set).Bays[0]
	if b.Layout.Count != 10 || !noted(&b, "a spindle's width changes by -") {
		t.Errorf("%d spindles, notes %q; want 10 of timber that shrinks", b.Layout.Count, b.Notes)
	}
}
