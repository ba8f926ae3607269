package asfound

import (
	"fmt"
	"math"
	"slices"

	"pinchrod/calc/frame"
	"pinchrod/calc/rules"
	"pinchrod/calc/unit"
	"pinchrod/survey"
)

// values lists the observed values of some kinds of reading, at height nought
// or any.
func (w *worker) values(keep func(*survey.Reading) bool) []float64 {
	var v []float64
	for _, o := range w.obs {
		if keep(&o.entry.Reading) {
			v = append(v, o.value)
		}
	}
	return v
}

func is(what survey.What) func(*survey.Reading) bool {
	return func(r *survey.Reading) bool { return r.What == what }
}

// median of v; 0 and false of none.
func median(v []float64) (float64, bool) {
	if len(v) == 0 {
		return 0, false
	}
	v = slices.Sorted(slices.Values(v))
	n := len(v)
	return (v[(n-1)/2] + v[n/2]) / 2, true
}

// pitches are those of the base rail and the handrail as they were read, radians:
// medians, and one for the other where that was not read.
func (w *worker) pitches() (p, q float64) {
	p, haveP := median(w.values(is(survey.BaseAngle)))
	if !haveP {
		p, haveP = median(w.values(is(survey.StringAngle)))
	}
	q, haveQ := median(w.values(is(survey.RailAngle)))
	switch {
	case !haveP && haveQ:
		p = q
	case haveP && !haveQ:
		q = p
	}
	return p, q
}

// lean is the mean lean of the two posts as it was read, tan, and its standard
// uncertainty: a post that was not read is taken as plumb within its prior.
func (w *worker) lean() (l, u float64) {
	for _, post := range []survey.Mark{survey.Lower, survey.Upper} {
		of := func(r *survey.Reading) bool { return r.What == survey.LeanAlong && r.At.Mark == post }
		own := plumbPrior
		if v, ok := median(w.values(of)); ok {
			l += v / 2
			for i := range w.obs {
				if of(&w.obs[i].entry.Reading) {
					own = min(own, w.obs[i].u)
				}
			}
		}
		u = math.Hypot(u, own/2)
	}
	return l, u
}

// starting values, from the readings; medians, so that one slip does not send
// the adjustment off. A rough guess will do where nothing was read: what the
// readings determine they determine from there as well.
func (w *worker) starting() {
	x := make([]float64, frame.Slots)
	p, q := w.pitches()
	x[frame.IndexBaseSlope], x[frame.IndexRailSlope] = math.Tan(p), math.Tan(q)

	run, haveRun := median(w.values(is(survey.Run)))
	if !haveRun {
		if run, haveRun = median(w.values(is(survey.SlopeRun))); haveRun {
			run *= math.Cos(p)
		}
	}
	lower, haveLower := median(w.values(func(r *survey.Reading) bool { return r.What == survey.PostPosition && r.At.Mark == survey.Lower }))
	upper, haveUpper := median(w.values(func(r *survey.Reading) bool { return r.What == survey.PostPosition && r.At.Mark == survey.Upper }))
	if !haveRun && haveLower && haveUpper {
		run, haveRun = upper-lower, upper > lower
	}
	if haveRun {
		w.outside(run)
	}
	if !haveRun {
		run = 1000
		if d, ok := median(w.values(is(survey.FrameDiagonal))); ok {
			run = d * math.Cos(p)
		}
	}
	x[frame.IndexRun] = run
	gap, haveGap := median(w.values(func(r *survey.Reading) bool { return r.What == survey.Gap || r.What == survey.Trial }))
	if !haveGap {
		gap = 800
	}
	x[frame.IndexGap] = gap
	if w.has(survey.PostPosition) {
		if !haveLower {
			lower = upper - run
		}
		x[frame.IndexDatum] = lower
	}
	x[frame.IndexWidth] = w.width
	w.start = x
}

// stationOff is how far off a station may be written down: what a tape laid along
// the rail by eye may be off, mm; common practice, no source.
const stationOff = 20

// outside takes out what was read beyond the upper post of a bay, where no equation holds: its station or the run was
// written down wrong, and until one of them is read again nothing is cut.
func (w *worker) outside(run float64) {
	w.obs = slices.DeleteFunc(w.obs, func(o observation) bool {
		x, beyond := w.beyondPost(&o.entry.Reading, run)
		if beyond {
			w.contradict(Flag{
				Name: "beyond-post", State: rules.Flag, Value: x, Limit: run, Unit: "mm", Absolute: true,
				Of:   o.entry.Reading.Title() + ", level distance from the lower post",
				From: "the run as it was read",
				Text: fmt.Sprintf("%s lies beyond the upper post: read its place or the run again", o.entry.Ref.Short()),
			}, o.entry.Ref)
		}
		return beyond
	})
}

// beyondPost tells whether a reading was taken farther from the lower post than
// the run goes, and how far.
func (w *worker) beyondPost(r *survey.Reading, run float64) (x float64, beyond bool) {
	if r.At.Mark != survey.Distance || !observed[r.What] {
		return 0, false
	}
	x = unit.Length(r.At.N).MM()
	return x, x > run+stationOff
}
