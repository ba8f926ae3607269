package asfound

import (
	"math"
	"slices"

	"pinchrod/calc/adjust"
	"pinchrod/survey"
)

// A slip is at least a whole 10 mm, 1° or 10 mm per m: the smallest of the
// usual ones that spoils a cut. A reading in which one of that size would not
// be seen with the power of calc/adjust's MDB is unchecked.
func smallestSlip(m survey.Measure) float64 {
	if m == survey.Angle {
		return 1
	}
	return 10
}

// checkedBy says which reading would check one of each kind.
var checkedBy = map[survey.What]string{
	survey.Run:           "the run along the pitch, or a second run at another height",
	survey.SlopeRun:      "a level run",
	survey.PostPosition:  "a level run between the posts",
	survey.LeanAlong:     "runs at two more heights, or the plumb of the post again",
	survey.BaseAngle:     "the base rail's angle at another station",
	survey.RailAngle:     "the handrail's angle at another station",
	survey.StringAngle:   "the base rail's angle",
	survey.Gap:           "a trial piece there, or the gap again",
	survey.Trial:         "the gap there",
	survey.BowBase:       "the base rail's angle at bottom and top",
	survey.BowRail:       "the handrail's angle at bottom and top",
	survey.FrameDiagonal: "the other diagonal, or the gap at that post",
	survey.SpacerWalk:    "a level run",
	survey.Rise:          "the total rise, or the step again",
	survey.Going:         "the total going, or the step again",
	survey.TotalRise:     "every rise by itself",
	survey.TotalGoing:    "every going by itself",
	survey.Width:         "both diagonals and both sides of the flight",
	survey.Side:          "both diagonals of the flight",
	survey.Diagonal:      "the other diagonal of the flight",
}

// resultsOf holds each reading against the rest.
func resultsOf(obs []observation, s *adjust.Snooped) []Result {
	out := make([]Result, 0, len(obs))
	for i, o := range obs {
		k := o.entry.Reading.Kind()
		r := Result{
			Ref: o.entry.Ref, Reading: o.entry.Reading, Value: o.value / o.scale, U: o.u / o.scale,
			Residual: s.Residuals[i] / o.scale, Redundancy: s.Redundancy[i], W: s.W[i],
			Detectable: adjust.MDB(o.u, s.Redundancy[i]) / o.scale,
		}
		if r.Detectable > smallestSlip(k.Measure) {
			r.Unchecked, r.Check = true, checkedBy[r.Reading.What]
		}
		// A trial piece's length was written down once: its other tries say nothing of a slip in it.
		if r.Reading.What == survey.Trial && !slices.ContainsFunc(obs, func(p observation) bool {
			return p.entry.Reading.What == survey.Gap || p.entry.Reading.What == survey.FrameDiagonal
		}) {
			r.Unchecked, r.Check = true, "the gap at one of its places, by the tape,"
		}
		if kept := o.entry.Kept; len(kept) > 0 {
			r.Kept = kept[0].Why
		}
		out = append(out, r)
	}
	for _, pass := range s.Passes {
		o := obs[pass.Index]
		r := &out[pass.Index]
		r.Suspect, r.Unchecked, r.Rivals = true, false, pass.Rivals
		r.Error = Quantity{pass.Error / o.scale, pass.U / o.scale, true}
		r.Slip = usualSlip(&r.Reading, r.Value, r.Error.Value, r.Error.U, o.elsewhere(s.X))
	}
	return out
}

// elsewhere is what a reading would have been in the places where it could have been taken by mistake.
func (o *observation) elsewhere(x []float64) (out []place) {
	for _, a := range o.others {
		if v := a.eq(x, nil); !math.IsNaN(v) {
			out = append(out, place{a.slip, v / o.scale})
		}
	}
	return out
}
