package asfound

import (
	"fmt"

	"pinchrod/calc/timber"
	"pinchrod/survey"
)

// serviceU is u of the moisture content that timber comes to in service, %,
// where one figure is given for it; common practice, no source.
const serviceU = 1.0

// movement is what the thinnest width of a spindle changes by from its moisture
// content as read to that in service, + when it swells. It is not known, and
// nothing is reckoned with, unless a moisture content was read and a species and
// a moisture content in service are set.
func (w *worker) movement() Quantity {
	s := &w.set
	if s.Species.Name == "" || s.Service == 0 || w.width == 0 {
		return Quantity{}
	}
	read := weightedMean(w.read, w.here, survey.Moisture, survey.At{})
	if !read.Known {
		w.note("no moisture content was read, so the timber is taken not to move")
		return Quantity{}
	}
	width := w.width
	if w.thin > 0 {
		width = w.thin
	}
	c, uc := s.Species.Coefficient(timber.UnknownGrain)
	d, u, err := timber.MovementU(width, c, uc, read.Value, read.U, s.Service, serviceU)
	if err != nil {
		w.note("the movement of the timber is not reckoned with: %v", err)
		return Quantity{}
	}
	source := s.Species.Source
	if s.Species.Memory {
		source += "; from memory, check the document"
	}
	w.note("%s, from %s to %g %% moisture: a spindle's width changes by %s (%s)",
		s.Species.Name, plusMinus(read, "%"), s.Service, signedFigure(Quantity{d, u, true}, "mm"), source)
	return Quantity{d, u, true}
}

func plusMinus(q Quantity, unit string) string {
	return fmt.Sprintf("%.1f ±%.1f %s", q.Value, 2*q.U, unit)
}

func signedFigure(q Quantity, unit string) string {
	return fmt.Sprintf("%+.2f ±%.2f %s", q.Value, 2*q.U, unit)
}
