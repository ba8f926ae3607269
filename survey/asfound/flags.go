package asfound

import (
	"fmt"
	"math"
	"strings"

	"pinchrod/calc/adjust"
	"pinchrod/calc/frame"
	"pinchrod/calc/rules"
	"pinchrod/survey"
	"pinchrod/survey/fieldbook"
)

// The limits of the flags follow from the work. With a joint that looks closed
// up to j, a spindle or post w wide, n+1 fillets to a rail, and an end that
// fits when it is up to s short or l long:
//
//   - An angle error d over a width w opens w·tan d at its edge, so tan d ≤ j/w
//     is the limit of a lean, along or across, and of the pitch of a rail
//     against its chord, which the saw is set to.
//   - A rail's angle changes evenly from one end of a bow to the other, so its
//     ends are off the chord by half the change: the limit of pitch bottom
//     against top is 2·atan(j/w).
//   - Posts not parallel by d over their height share d among n+1 spaces, so a
//     fillet at the handrail differs from the one below it by d/(n+1): the
//     limit of d is j·(n+1).
//   - One stop fits lengths that spread by s+l at most. So s+l is the limit of
//     the drift of the gap, of the belly of its middle, and of either bow.
//   - The frame is out of square by its diagonals when they differ by more
//     than posts leaning j/w together would make them.
func (w *worker) flags() {
	s := w.set
	width := w.width
	joint := fmt.Sprintf("a %.1f mm joint over a spindle %g mm wide", s.Joint, width)
	if width == 0 {
		width = defaultWidth
		joint = fmt.Sprintf("a %.1f mm joint over a spindle taken as %g mm wide", s.Joint, width)
	}
	lean := s.Joint / width // tan
	spread := s.House.Short + s.House.Long
	one := fmt.Sprintf("what one stop covers: %.1f mm short to %.1f mm long", s.House.Short, s.House.Long)
	a := &w.bay.Adjusted

	if !w.alone {
		w.bay.Flags = append(w.bay.Flags, slipFlags(w.bay.Readings)...)
	}
	post := func(name, which, way string, q Quantity, eq frame.Equation, plus, minus string) {
		w.judge(flagOf{
			name: name, q: q, eq: eq, scale: 1000, limit: 1000 * lean, unit: "mm/m", from: joint,
			of:    fmt.Sprintf("%s post out of plumb %s", which, way),
			clear: fmt.Sprintf("%s post is plumb %s: square bevels hold", which, way),
			flag: func(v float64) string {
				side := plus
				if v < 0 {
					side = minus
				}
				text := fmt.Sprintf("%s post leans %s: plumb it, or cut the ends against it to its lean", which, side)
				if eq != nil && !w.has(survey.LeanAlong) {
					named := w.leading(eq)
					text += ". No lean was read: take a level to the post, or read again " + w.named(named[:min(2, len(named))])
				}
				return text
			},
			settle: fmt.Sprintf("plumb the %s post again over its full height", which),
		})
	}
	post("plumb-lower", "lower", "along", Quantity{}, frame.Lean(false), "up the stair", "down the stair")
	post("plumb-upper", "upper", "along", Quantity{}, frame.Lean(true), "up the stair", "down the stair")
	post("plumb-lower-across", "lower", "across", a.AcrossLower, nil, "to the well", "from the well")
	post("plumb-upper-across", "upper", "across", a.AcrossUpper, nil, "to the well", "from the well")

	spaces := 1.0
	if w.bay.Layout != nil {
		spaces = float64(w.bay.Layout.Count + 1)
	}
	w.judge(flagOf{
		name: "parallel", eq: frame.RunChange(), scale: 1, limit: s.Joint * spaces, unit: "mm",
		from:  fmt.Sprintf("a %.1f mm joint at each of %g fillets", s.Joint, spaces),
		of:    "run at the handrail less run at the base rail",
		clear: "posts are parallel: base and rail fillets come alike",
		flag: func(v float64) string {
			return fmt.Sprintf("posts %s upwards: cut the rail fillets to their own stop", pick(v, "spread", "close"))
		},
		settle: "read the run at handrail height again",
	})
	w.judge(flagOf{
		name: "drift", eq: w.driftOf(), scale: 1, limit: spread, unit: "mm", from: one,
		of:    "spindle at the top less spindle at the bottom",
		clear: "rails are parallel: the gap holds from end to end",
		flag: func(v float64) string {
			return fmt.Sprintf("the gap %s up the stair: the spindles are not all of one length", pick(v, "opens", "closes"))
		},
		settle: "try a piece at the bottom and at the top",
	})
	w.judge(flagOf{
		name: "middle-gap", eq: w.bellyOf(), scale: 1, limit: spread, unit: "mm", from: one,
		of:    "spindle at the middle less the mean of those at the ends",
		clear: "the middle agrees with the ends",
		flag: func(v float64) string {
			return fmt.Sprintf("the gap is %s at the middle: the middle spindles are %s", pick(v, "wider", "narrower"), pick(v, "longer", "shorter"))
		},
		settle: "try a piece at the middle",
	})
	for _, rail := range []struct {
		name, means string
		bow, change frame.Equation
	}{
		{"base", "base rail", frame.Unknown(frame.IndexBowBase), frame.BasePitchChange()},
		{"rail", "handrail", frame.Unknown(frame.IndexBowRail), frame.RailPitchChange()},
	} {
		w.judge(flagOf{
			name: "bow-" + rail.name, eq: rail.bow, scale: 1, limit: spread, unit: "mm", from: one,
			of:    rail.means + " off the straight at mid-run",
			clear: fmt.Sprintf("%s is straight", rail.means),
			flag: func(v float64) string {
				text := fmt.Sprintf("%s %s: straighten it, or take every length at its own place", rail.means, pick(v, "humps up", "sags"))
				if most := oddBow * bowPrior * w.bay.Adjusted.Run.Value / 1000; math.Abs(v) > most {
					named := w.leading(rail.bow)
					text += ". Few rails are so; read again " + w.named(named[:min(2, len(named))])
				}
				return text
			},
			settle: fmt.Sprintf("read the bow of the %s off a tight line", rail.means),
		})
		w.judge(flagOf{
			name: "pitch-" + rail.name, eq: rail.change, scale: 1 / degree, limit: 2 * rules.AngleLimit(s.Joint, width) / degree, unit: "°",
			from:  joint + ", off by half the change at either end",
			of:    fmt.Sprintf("pitch of the %s, bottom less top", rail.means),
			clear: fmt.Sprintf("one bevel serves the whole %s", rail.means),
			flag: func(v float64) string {
				return fmt.Sprintf("the %s is %s at the bottom than at the top: set the bevel for each end", rail.means, pick(v, "steeper", "flatter"))
			},
			settle: fmt.Sprintf("read the %s's angle at bottom and top again", rail.means),
		})
	}
	if w.has("frame-diagonal") {
		grad := make([]float64, len(w.sol.X))
		frame.OutOfSquare()(w.sol.X, grad)
		w.judge(flagOf{
			name: "square", eq: frame.OutOfSquare(), scale: 1, limit: lean * math.Abs(grad[frame.IndexLeanLower]+grad[frame.IndexLeanUpper]), unit: "mm",
			from:  joint + ", both posts leaning together",
			of:    "difference of the diagonals beyond a true frame's",
			clear: "the frame is square",
			flag: func(v float64) string {
				return fmt.Sprintf("the frame leans %s the stair: plumb the posts, or fit each spindle", pick(v, "up", "down"))
			},
			settle: "read both diagonals again",
		})
	}
	w.openings()
}

// oddBow is how many u of what is taken for granted a bow may be before the readings that say so are named: one rail in
// 22 is farther off. From beyondAssumed on nothing is cut to it.
const oddBow = 2

// defaultWidth stands in for a spindle that was not read, mm; common practice,
// no source.
const defaultWidth = 41

// driftOf is the length that a spindle needs at the upper post less that at the lower.
func (w *worker) driftOf() frame.Equation {
	return weighted([]float64{1, -1}, w.tried(frame.Top), w.tried(frame.Bottom))
}

// bellyOf is the length that a spindle needs at mid-run less the mean of those at the posts.
func (w *worker) bellyOf() frame.Equation {
	return weighted([]float64{1, -0.5, -0.5}, w.tried(frame.Middle), w.tried(frame.Bottom), w.tried(frame.Top))
}

// weighted is a sum of equations, each by its factor.
func weighted(by []float64, eqs ...frame.Equation) frame.Equation {
	return func(x, grad []float64) float64 {
		sum := 0.0
		var one, all []float64
		if grad != nil {
			one, all = make([]float64, len(grad)), make([]float64, len(grad))
		}
		for k, eq := range eqs {
			sum += by[k] * eq(x, one)
			for i := range all {
				all[i] += by[k] * one[i]
			}
		}
		copy(grad, all)
		return sum
	}
}

func pick(v float64, plus, minus string) string {
	if v < 0 {
		return minus
	}
	return plus
}

type flagOf struct {
	name, of, unit, from string
	q                    Quantity
	eq                   frame.Equation // what q is of, unless it was read as it is
	scale                float64
	limit                float64
	clear, settle        string
	flag                 func(v float64) string
}

// judge holds |y| against its limit. What is not known, or only taken for
// granted, is left out: Missing names it.
func (w *worker) judge(f flagOf) {
	if f.eq != nil {
		f.q = w.figure(f.eq, f.scale)
	}
	if !f.q.Known || f.eq != nil && !w.measured(f.eq) {
		return
	}
	w.bay.Flags = append(w.bay.Flags, judged(f))
}

// judged holds |y| against its limit.
func judged(f flagOf) Flag {
	out := Flag{Name: f.name, Value: f.q.Value, U: f.q.U, Limit: f.limit, Unit: f.unit, Of: f.of, From: f.from, low: -f.limit, high: f.limit}
	out.State = rules.JudgeAbs(f.q.Value, f.q.U, f.limit)
	switch out.State {
	case rules.Clear:
		out.Text = f.clear
	case rules.Flag:
		out.Text = f.flag(f.q.Value)
	default:
		out.Text = "cannot tell yet; this would settle it: " + f.settle
	}
	return out
}

// slipFlags raises a flag for every suspect reading. It was set aside for the
// figures, and only the surveyor can rule on it.
func slipFlags(results []Result) []Flag {
	var out []Flag
	for i := range results {
		r := &results[i]
		if !r.Suspect {
			continue
		}
		k := r.Reading.Kind()
		name := r.Slip
		if name == "" {
			name = "no usual slip fits"
		}
		who := r.Ref.Short()
		if len(r.Rivals) > 0 {
			var rivals []string
			for _, j := range r.Rivals {
				rivals = append(rivals, results[j].Ref.Short())
			}
			who += " or " + strings.Join(rivals, " or ") + ", as likely,"
		}
		out = append(out, Flag{
			Name: "slip", State: rules.Flag, Value: r.Error.Value, U: r.Error.U, Unit: k.Unit(),
			Limit: adjust.Critical * r.Error.U,
			Of:    r.Reading.Title() + ", less what the other readings say",
			From:  "false alarm once in 1000",
			Text:  fmt.Sprintf("%s is probably wrong (%s): read it again, then strike or keep it", who, name),
		})
	}
	return out
}

// openings judges what is open between the spindles and beside the upper post.
func (w *worker) openings() {
	if l := w.bay.Layout; l != nil {
		w.bay.Flags = append(w.bay.Flags, w.openingsWith(l)...)
		return
	}
	if w.bay.NoLayout != "" {
		ball, from := w.set.opening(isLanding(w.bay.Place))
		w.bay.Flags = append(w.bay.Flags, Flag{
			Name: "opening", Absolute: true, Limit: ball, Unit: "mm", Of: "widest opening between spindles", From: from, State: rules.Flag, Text: w.bay.NoLayout,
		})
	}
}

// dispute raises a flag for a reading with two standing answers.
func dispute(d fieldbook.Disagreement) Flag {
	var names []string
	low, high := math.Inf(1), math.Inf(-1)
	for _, e := range d.Answers {
		v := e.Reading.Value.Value()
		low, high = min(low, v), max(high, v)
		names = append(names, e.Ref.Short())
	}
	unit := ""
	if k := d.Of.Reading.Kind(); k != nil {
		unit = k.Unit()
	}
	return Flag{
		Name: "two-answers", State: rules.Flag, Value: high - low, Unit: unit,
		Of: d.Of.Reading.Title() + ", corrected twice", From: "one correction may stand",
		Text: fmt.Sprintf("%s both correct %s: strike the one that is wrong", strings.Join(names, " and "), d.Of.Ref.Short()),
	}
}
