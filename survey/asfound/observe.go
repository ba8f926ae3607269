package asfound

import (
	"fmt"
	"math"

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
	scale  float64 // of a figure in the reading's own unit to one here
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
	survey.RailAngle: true, survey.Gap: true, survey.Fit: true, survey.BowBase: true, survey.BowRail: true,
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
	o = observation{entry: e, value: q.Value, u: q.U, scale: 1}
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
	case survey.Gap, survey.Fit:
		o.eq, o.others = ofStation(r.At, frame.Gap)
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
		foot, footU := w.foot()
		o.eq = frame.Walk(spacers, spacer, spacers-1, foot)
		if r.U == 0 {
			// Every spacer is cut to the one length, which was read once, and every
			// spindle is as wide as the one that was: their errors count as often as
			// they are walked, the spindles' along the pitch.
			one, err := survey.HouseKit.Tool("rule")
			if err != nil {
				return o, false, err
			}
			p, _ := w.pitches()
			o.u = math.Hypot(o.u, math.Hypot(float64(spacers)*one.U(spacer, 0), float64(spacers-1)*footU/math.Cos(p)))
		}
	}
	o.value *= o.scale
	o.u *= o.scale
	return o, true, nil
}

// foot is what a spindle takes of the base rail, on the level, and its standard
// uncertainty, mm:
//
//	f = w·√(1+l²)/(1 − p·l)
//	u(f) = √(u(w)² + (w·p·u(l))²), to the first order of l
//
// with w its width, l the posts' mean lean and p the tan of the base rail's pitch,
// both as they were read.
func (w *worker) foot() (f, u float64) {
	pitch, _ := w.pitches()
	p := math.Tan(pitch)
	l, leanU := w.lean()
	return w.width * math.Hypot(1, l) / (1 - p*l), math.Hypot(w.widthU, w.width*p*leanU)
}

// shifted is an equation with a constant added.
func shifted(eq frame.Equation, by float64) frame.Equation {
	return func(x, grad []float64) float64 { return eq(x, grad) + by }
}

// entryOf is a reading that is only thought of.
func entryOf(r survey.Reading) fieldbook.Entry { return fieldbook.Entry{Reading: r} }
