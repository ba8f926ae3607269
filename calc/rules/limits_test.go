package rules_test

import (
	"math"
	"testing"

	"pgregory.net/rapid"

	"pinchrod/calc/calctest"
	"pinchrod/calc/rules"
)

func TestAngleLimit(t *testing.T) {
	// A 41 mm spindle and a 0.3 mm joint: by hand, 0.3/41 = 0.0073171 and the arc
	// is that less its cube over three, 0.41923°.
	if got := rules.AngleLimit(0.3, 41) * 180 / math.Pi; !calctest.Near(got, 0.41923, 5e-6) {
		t.Errorf("got %.6f°, want 0.41923°", got)
	}
	if got := rules.AngleLimit(41, 41); !calctest.Near(got, math.Pi/4, 1e-15) {
		t.Errorf("joint as wide as the piece: %g, want π/4", got)
	}
	for _, c := range [][2]float64{{0.3, 0}, {0.3, -1}, {-0.1, 41}, {math.NaN(), 41}, {0.3, math.NaN()}} {
		if got := rules.AngleLimit(c[0], c[1]); !math.IsNaN(got) {
			t.Errorf("AngleLimit(%g, %g) = %g, want NaN", c[0], c[1], got)
		}
	}
	rapid.Check(t, func(t *rapid.T) {
		joint, width := rapid.Float64Range(0, 10).Draw(t, "joint"), rapid.Float64Range(1, 200).Draw(t, "width")
		// At the limit, a piece turned about one edge opens the joint at the other.
		d := rules.AngleLimit(joint, width)
		if open := width * math.Tan(d); !calctest.Near(open, joint, 1e-12) {
			t.Fatalf("turned by %g the joint is %g, want %g", d, open, joint)
		}
	})
}

// Limits on openings as the rules print them. Those marked READ were read in a
// copy or a secondary source, MEM is from memory; all want re-reading in the
// official text before a rule profile relies on them.
func TestOpeningAtTheLimits(t *testing.T) {
	const inch = 25.4
	for _, c := range []struct {
		rule string
		ball float64 // mm
	}{
		{"England, Approved Document K 2013, 3.3 (READ)", 100},
		{"IRC R312.1.3, guards (READ, in a local code)", 4 * inch},
		{"IRC R312.1.3 exception, stair sides (READ, in a local code)", (4 + 3.0/8) * inch},
		{"IRC R312.1.3 exception, tread, riser and bottom rail (READ, in a local code)", 6 * inch},
		{"Washington, WAC 246-359-520 (READ)", 4 * inch},
		{"Ontario, guards (READ)", 100},
		{"Canada, NBC 9.8.8.5 (MEM)", 100},
		{"Australia, NCC 2022 (READ)", 125},
		{"Germany, DIN 18065, clear gap (READ)", 120},
	} {
		o := rules.Opening{Ball: c.ball}
		for _, g := range []struct {
			off, u float64
			judge  rules.State
			allow  bool
		}{
			{0, 0, rules.Clear, true},
			{-0.1, 0, rules.Clear, true},
			{0.1, 0, rules.Flag, false},
			{0, 0.4, rules.Unsure, false},
			// 0.4 mm: 1.645 u is 0.658, 2 u is 0.8.
			{-0.65, 0.4, rules.Unsure, false},
			{-0.67, 0.4, rules.Clear, false},
			{-0.81, 0.4, rules.Clear, true},
			{0.65, 0.4, rules.Unsure, false},
			{0.67, 0.4, rules.Flag, false},
		} {
			gap := c.ball + g.off
			if got := o.Judge(gap, g.u); got != g.judge {
				t.Errorf("%s: gap %.2f ± %g is %s, want %s", c.rule, gap, g.u, got, g.judge)
			}
			if got := o.Allows(gap, g.u); got != g.allow {
				t.Errorf("%s: gap %.2f ± %g allowed %v, want %v", c.rule, gap, g.u, got, g.allow)
			}
		}
	}
	// The exact millimetres of the inch limits.
	if got, want := (4+3.0/8)*inch, 111.125; !calctest.Near(got, want, 1e-12) {
		t.Errorf("4 3/8 in = %g mm, want %g", got, want)
	}
}

func TestDefaultOpening(t *testing.T) {
	o := rules.DefaultOpening()
	if o.Judge(100, 0) != rules.Clear || o.Judge(100.01, 0) != rules.Flag {
		t.Errorf("default opening %+v does not stop a ball of 100 mm", o)
	}
	if o.Allows(math.NaN(), 0) || o.Allows(90, math.NaN()) || o.Allows(90, -1) {
		t.Error("a gap that is no number, or of no uncertainty, is allowed")
	}
}
