package asfound

import (
	"fmt"
	"math"
	"slices"

	"pinchrod/calc/frame"
	"pinchrod/calc/unit"
	"pinchrod/survey"
	"pinchrod/survey/fieldbook"
)

// observation is a reading as the adjustment sees it: in mm, radians or tan.
type observation struct {
	entry  fieldbook.Entry
	value  float64
	u      float64
	shares []share // what it has in common with others of its tool, in the same unit as u, which is its own part
	scale  float64 // of a figure in the reading's own unit to one here
	cut    bool    // a piece that was cut again until it fitted
	eq     frame.Equation
	prior  bool          // taken for granted, last of all; no reading
	others []alternative // what the reading would be of, had it been taken in the wrong place
}

// alternative is another place a reading could have been taken at by mistake.
type alternative struct {
	slip string
	eq   frame.Equation
}

const degree = math.Pi / 180

// station is where on the run a reading of a rail or a gap was taken.
func station(at survey.At) frame.Station {
	switch at.Mark {
	case survey.Middle:
		return frame.Middle
	case survey.Top:
		return frame.Top
	case survey.Distance:
		return frame.At(unit.Length(at.N).MM())
	}
	return frame.Bottom
}

// ofStation is an equation at a station, with the other end of the rail as the
// place it could have been taken at by mistake.
func ofStation(at survey.At, eq func(frame.Station) frame.Equation) (frame.Equation, []alternative) {
	var others []alternative
	switch at.Mark {
	case survey.Bottom:
		others = []alternative{{"taken at the top end", eq(frame.Top)}, {"taken at the middle", eq(frame.Middle)}}
	case survey.Middle:
		others = []alternative{{"taken at the bottom end", eq(frame.Bottom)}, {"taken at the top end", eq(frame.Top)}}
	case survey.Top:
		others = []alternative{{"taken at the bottom end", eq(frame.Bottom)}, {"taken at the middle", eq(frame.Middle)}}
	}
	return eq(station(at)), others
}

// observed are the kinds that say something of the bay's plane.
var observed = map[survey.What]bool{
	survey.Run: true, survey.SlopeRun: true, survey.PostPosition: true, survey.LeanAlong: true, survey.BaseAngle: true,
	survey.RailAngle: true, survey.Gap: true, survey.Trial: true, survey.BowBase: true, survey.BowRail: true,
	survey.FrameDiagonal: true, survey.SpacerWalk: true,
}

// observe gives the observation of a reading, or ok false for one that says
// nothing of the bay's plane, such as a section.
func (w *worker) observe(e fieldbook.Entry) (o observation, ok bool, err error) {
	r := &e.Reading
	if !observed[r.What] {
		return o, false, nil
	}
	q, err := w.read.figure(e)
	if err != nil {
		return o, false, err
	}
	o = observation{entry: e, value: q.Value, scale: 1}
	if o.u, o.shares, err = shares(r, q.U, w.set.Kit); err != nil {
		return o, false, err
	}
	upper, rising := r.At.Mark == survey.Upper, r.At.Mark == survey.Rising
	height := r.Height.MM()
	switch r.What {
	case survey.Run:
		o.eq = frame.RunAt(height)
		o.others = []alternative{{"taken along the pitch, not level", frame.SlopeRun(height)}}
	case survey.SlopeRun:
		o.eq = frame.SlopeRun(height)
		o.others = []alternative{{"taken level, not along the pitch", frame.RunAt(height)}}
	case survey.PostPosition:
		o.eq = frame.PostPosition(upper)
		o.others = []alternative{{"taken to the wrong post", frame.PostPosition(!upper)}}
		// The post's other face, when its section is known, is as near at hand.
		if t := w.posts[r.At.Mark]; t > 0 {
			if !upper {
				t = -t
			}
			o.others = append(o.others, alternative{"taken to the post's far face", shifted(o.eq, t)})
		}
	case survey.LeanAlong:
		o.eq, o.scale = frame.Lean(upper), 1e-3
		o.others = []alternative{{"taken on the wrong post", frame.Lean(!upper)}}
	case survey.BaseAngle:
		o.eq, o.others = ofStation(r.At, frame.BaseAngle)
		o.scale = degree
	case survey.RailAngle:
		o.eq, o.others = ofStation(r.At, frame.RailAngle)
		o.scale = degree
	case survey.Gap:
		o.eq, o.others = ofStation(r.At, frame.Gap)
	case survey.Trial:
		o.eq, o.others = ofStation(r.At, w.tried)
		if w.recut(e) {
			// What was cut until it fitted says that its need lies between its length less long and its length plus short:
			// a rectangular distribution, u² = width²/12 (JCGM 100:2008, 4.3.7).
			h := w.set.House
			o.cut, o.shares = true, nil
			o.value += (h.Short - h.Long) / 2
			o.u = math.Hypot(h.Saw, (h.Short+h.Long)/math.Sqrt(12))
		}
	case survey.BowBase:
		o.eq = frame.BowBase(station(r.At))
		o.others = []alternative{{"taken on the wrong rail", frame.BowRail(station(r.At))}}
	case survey.BowRail:
		o.eq = frame.BowRail(station(r.At))
		o.others = []alternative{{"taken on the wrong rail", frame.BowBase(station(r.At))}}
	case survey.FrameDiagonal:
		o.eq = frame.FrameDiagonal(rising)
		o.others = []alternative{{"the other diagonal", frame.FrameDiagonal(!rising)}}
	case survey.SpacerWalk:
		if w.width == 0 {
			return o, false, fmt.Errorf("a spacer walk needs the spindles' section: read spindle-section")
		}
		spacers, spacer := int(r.Value.N[0]), unit.Length(r.Value.N[1]).MM()
		// Between m spacers stand m−1 spindles.
		k, kU := w.foot()
		o.eq = frame.Walk(spacers, spacer, spacers-1, k)
		if r.U == 0 {
			// Every spacer is cut to the one length, which was read once, so its error counts as often as it is walked; what
			// the spindles take of the rail counts along the pitch.
			one, err := survey.HouseKit.Tool("rule")
			if err != nil {
				return o, false, err
			}
			p, _ := w.pitches()
			o.u = math.Hypot(o.u, math.Hypot(float64(spacers)*one.U(spacer, 0), float64(spacers-1)*w.width*kU/math.Cos(p)))
		}
	}
	o.value *= o.scale
	o.u *= o.scale
	for i := range o.shares {
		o.shares[i].by *= o.scale
	}
	return o, true, nil
}

// tried is the length of a trial piece at a station: as a spindle stands there, or plumb where the spindles do.
func (w *worker) tried(st frame.Station) frame.Equation {
	if w.set.Plumb {
		return frame.Gap(st)
	}
	return frame.Trial(st)
}

// recut tells whether a trial piece is a spindle that was cut again on site: then both stand on one page.
func (w *worker) recut(e fieldbook.Entry) bool {
	return slices.ContainsFunc(w.made, func(m fieldbook.Made) bool {
		return m.Made.Recut && m.Ref.Device == e.Ref.Device && m.Ref.Page == e.Ref.Page
	})
}

// foot is what a spindle takes of the base rail on the level, in its widths, and its standard uncertainty:
//
//	k = √(1+l²)/(1 − p·l),  u(k) = p·u(l), to the first order of l
//
// with l the spindles' mean lean and p the tan of the base rail's pitch, both as they were read; plumb it is 1.
func (w *worker) foot() (k, u float64) {
	if w.set.Plumb {
		return 1, 0
	}
	pitch, _ := w.pitches()
	p := math.Tan(pitch)
	l, leanU := w.lean()
	return math.Hypot(1, l) / (1 - p*l), math.Abs(p) * leanU
}

// shifted is an equation with a constant added.
func shifted(eq frame.Equation, by float64) frame.Equation {
	return func(x, grad []float64) float64 { return eq(x, grad) + by }
}

// entryOf is a reading that is only thought of.
func entryOf(r survey.Reading) fieldbook.Entry { return fieldbook.Entry{Reading: r} }
