package asfound

import (
	"math"

	"pinchrod/calc/adjust"
	"pinchrod/calc/unit"
	"pinchrod/survey"
)

// LevelSpacer asks about a spacer walk whose spacers are off what the bay needs by
// the pitch, empty where nothing needs to be asked: the walk as it is written is
// farther from what the other readings foretell than honest readings differ by
// (Baarda, 0.1 %), and it is not with spacers of
//
//	s/cos p, where s was taken level, or s·cos p, where s was lengthened once too often
//
// for s along the pitch p. Such a spacer would lay the bay out anew.
func (s *Site) LevelSpacer(r survey.Reading) string {
	if r.What != survey.SpacerWalk || !s.astray(r) {
		return ""
	}
	w := newWorker(&Bay{Place: r.Where}, s.set, s.shop, s.standing[r.Where], s.standing[survey.Place(r.Where.Flight())])
	w.gather()
	p, _ := w.pitches()
	for _, by := range []float64{1 / math.Cos(p), math.Cos(p)} {
		other := r
		other.Value.N[1] = int64(unit.FromMM(unit.Length(r.Value.N[1]).MM() * by))
		if !s.astray(other) {
			return "the spacer is longer or shorter than this bay's by the pitch: is it the length along the rail?"
		}
	}
	return ""
}

// astray tells whether a reading is farther from what the others foretell than
// honest readings differ by.
func (s *Site) astray(r survey.Reading) bool {
	want := s.Expected(r)
	return want.Known && math.Abs(r.Value.Value()-want.Value) > adjust.Critical*want.U
}
