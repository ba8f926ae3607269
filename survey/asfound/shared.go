package asfound

import (
	"math"

	"pinchrod/calc/adjust"
	"pinchrod/calc/frame"
	"pinchrod/survey"
)

// offsetOf names an error that several readings have in common.
type offsetOf struct{ tool, of string }

// share is what one of these errors does to a reading: by times the error's own standard uncertainty, which is the unit
// that the unknown is counted in.
type share struct {
	key offsetOf
	by  float64
}

// shares splits a reading's standard uncertainty u, in its own unit, into its own part and what it has in common with
// other readings of its tool:
//
//	u² = own² + offset² + scale²
//
// The offset of a tool is split once more, half of its variance to all readings of one measure (length, angle) and
// half to those of one kind (run, trial), since a tool errs in both ways and nobody knows which: with either alone 2u
// covers too little where the other is true. A level is turned between posts, so its offset is one a post. A tape's
// scale is one unknown of the tape. A u that was given with the reading is the reading's own.
func shares(r *survey.Reading, u float64, kit survey.Kit) (own float64, of []share, err error) {
	s, err := r.Shared(kit)
	if err != nil || s.Tool == "" {
		return u, nil, err
	}
	if own, err = r.OwnU(kit); err != nil {
		return 0, nil, err
	}
	add := func(name string, by float64) {
		if by > 0 {
			of = append(of, share{offsetOf{s.Tool, name}, by})
		}
	}
	if r.Value.Measure == survey.Lean {
		add("post "+r.At.String(), s.Offset)
		return own, of, nil
	}
	half := s.Offset / math.Sqrt2
	measure := "lengths"
	if r.Value.Measure == survey.Angle {
		measure = "angles"
	}
	add(measure, half)
	add(string(r.What), half)
	add("scale", s.Scale)
	return own, of, nil
}

// placeOffsets gives each shared error of the observations its unknown, behind the slots of package frame, and a prior of
// 0 ± 1 to it.
func (w *worker) placeOffsets() (priors []adjust.Observation) {
	w.offsets = map[offsetOf]int{}
	for i := range w.obs {
		for _, s := range w.obs[i].shares {
			if _, ok := w.offsets[s.key]; ok {
				continue
			}
			at := len(w.start)
			w.offsets[s.key] = at
			w.start = append(w.start, 0)
			priors = append(priors, adjust.Observation{U: 1, Model: frame.Unknown(at), Prior: true})
		}
	}
	return priors
}

// model is what a reading observes: its equation and its tool's shared errors. An error that no reading of the
// adjustment shares is the reading's own; ownU has it in.
func (w *worker) model(o *observation) (eq frame.Equation, ownU float64) {
	var at []int
	var by []float64
	ownU = o.u
	for _, s := range o.shares {
		if i, ok := w.offsets[s.key]; ok {
			at, by = append(at, i), append(by, s.by)
		} else {
			ownU = math.Hypot(ownU, s.by)
		}
	}
	return func(x, grad []float64) float64 {
		v := o.eq(x, grad)
		for k, i := range at {
			v += by[k] * x[i]
			if grad != nil {
				grad[i] += by[k]
			}
		}
		return v
	}, ownU
}
