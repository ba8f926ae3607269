package asfound

import (
	"fmt"
	"math"
	"pinchrod/calc/adjust"
	"pinchrod/calc/rules"
	"pinchrod/survey"
	"slices"
)

// overGoing holds the run to the flight: the posts of one bay do not stand farther apart, level, than the flight goes.
// A slope length taken for a level one does.
func (w *worker) overGoing() {
	going := weightedMean(w.read, w.flight, survey.TotalGoing, survey.At{})
	run := w.bay.Adjusted.Run
	if !going.Known || !run.Known || isLanding(w.bay.Place) {
		return
	}
	limit := going.Value + postsBeyond
	if !(run.Value-adjust.Critical*math.Hypot(run.U, going.U) > limit) {
		return
	}
	var runs []int
	kept := false
	for i := range w.obs {
		if r := &w.obs[i].entry.Reading; r.What == survey.Run || r.What == survey.PostPosition {
			runs = append(runs, i)
			kept = kept || len(w.obs[i].entry.Kept) > 0
		}
	}
	if kept || len(runs) == 0 {
		return
	}
	text := fmt.Sprintf("the posts cannot stand farther apart than the flight goes: read again %s, or the total going", w.named(runs))
	if p := w.bay.Adjusted.BaseAngle; p.Known && run.Value*math.Cos(p.Value*degree) < limit {
		text = fmt.Sprintf("this looks like the length up the slope: read the level distance, with the tape level. Read again %s", w.named(runs))
	}
	w.contradict(Flag{
		Name: "run-going", State: rules.Flag, Value: run.Value, U: run.U, Limit: limit, Unit: "mm", Absolute: true,
		Of: "level distance between the posts, against the flight's total going", From: house, Text: text,
	}, w.refs(runs)...)
}

// pitchApart is how far a base rail's pitch may be from that of its flight, degrees: a rail follows the nosings. A
// gauge read from plumb is off by 7° on a stair of 41.5°, and by more on a flatter one. Common practice, no source.
const pitchApart = 3.0

// againstFlight holds the pitch of the base rail to that of the flight, by its string or by its steps: a gauge that was
// read from plumb all along agrees with itself.
func (w *worker) againstFlight() {
	pitch := w.bay.Adjusted.BaseAngle
	if isLanding(w.bay.Place) || !pitch.Known || !w.has(survey.BaseAngle, survey.RailAngle) {
		return
	}
	flight, of := w.flightPitch()
	if !flight.Known || !(math.Abs(pitch.Value-flight.Value) > pitchApart+adjust.Critical*math.Hypot(pitch.U, flight.U)) {
		return
	}
	var angles []int
	for i := range w.obs {
		if r := &w.obs[i].entry.Reading; r.What == survey.BaseAngle || r.What == survey.RailAngle {
			if len(w.obs[i].entry.Kept) > 0 {
				return
			}
			angles = append(angles, i)
		}
	}
	w.contradict(Flag{
		Name: "pitch-flight", State: rules.Flag, Value: pitch.Value - flight.Value, U: math.Hypot(pitch.U, flight.U), Limit: math.Copysign(pitchApart, pitch.Value-flight.Value), Unit: "°",
		Of: "pitch of the base rail, less that of the flight by its " + of, From: house,
		Text: fmt.Sprintf("the rail is not pitched as the flight is: was the gauge read from plumb? Read again %s, or the flight's %s", w.named(angles), of),
	}, w.refs(angles)...)
}

// flightPitch is the flight's pitch in degrees, by its string angles, else by the mean of its rises and goings, and which.
func (w *worker) flightPitch() (Quantity, string) {
	var sum, n [3]float64
	for _, e := range w.flight {
		q, err := w.read.figure(e)
		k := slices.Index([]survey.What{survey.StringAngle, survey.Rise, survey.Going}, e.Reading.What)
		if err != nil || k < 0 {
			continue
		}
		sum[k], n[k] = sum[k]+q.Value, n[k]+1
	}
	switch {
	case n[0] > 0:
		return Quantity{sum[0] / n[0], 0.2, true}, "string"
	case n[1] > 1 && n[2] > 1: // 2 mm of a mean step of 250 mm are 0.3°
		return Quantity{math.Atan2(sum[1]/n[1], sum[2]/n[2]) / degree, 0.3, true}, "steps"
	}
	return Quantity{}, ""
}

// walkCount holds a bay whose run comes from a spacer walk alone to the number of spindles that was walked: a spacer taken
// level, not along the rail, gives another.
func (w *worker) walkCount() {
	l := w.bay.Layout
	if l == nil || w.has(survey.Run, survey.SlopeRun, survey.PostPosition, survey.FrameDiagonal) {
		return
	}
	for i := range w.obs {
		r := &w.obs[i].entry.Reading
		off := int(r.Value.N[0]) - (l.Count + 1)
		if r.What != survey.SpacerWalk || -1 <= off && off <= 1 || len(w.obs[i].entry.Kept) > 0 {
			continue // one more or less is a matter of the target
		}
		w.contradict(Flag{
			Name: "walk-count", State: rules.Flag, Value: float64(r.Value.N[0]), Limit: float64(l.Count + 1), Absolute: true,
			Of: "spacers walked, against those that the bay has room for", From: "the layout",
			Text: fmt.Sprintf("the spacers do not fit the bay: was the spacer's length taken along the rail? Read the run, or walk again (%s)", w.obs[i].entry.Ref.Short()),
		}, w.obs[i].entry.Ref)
	}
}

// postsBeyond is how much farther apart the posts of a bay may stand than the flight goes, mm: a post before the first
// riser, or back on the landing. Common practice, no source.
const postsBeyond = 100
