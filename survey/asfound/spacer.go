package asfound

import (
	"errors"
	"fmt"
	"math"
	"slices"

	"pinchrod/calc/fit"
	"pinchrod/calc/unit"
	"pinchrod/store/journal"
	"pinchrod/survey"
	"pinchrod/survey/fieldbook"
)

// spacers corrects the spacers of every walk, where they are to be corrected.
func (w *worker) spacers() {
	for _, e := range w.here {
		r := &e.Reading
		if r.What != survey.SpacerWalk || r.Check() != nil {
			continue
		}
		s := Spacer{Count: int(r.Value.N[0]), Old: unit.Length(r.Value.N[1]).MM(), Short: unit.Length(r.Value.N[2]).MM()}
		u, err := r.StandardU(w.set.Kit)
		if err != nil {
			w.note("%s (%s): %v", e.Ref.Short(), r.Title(), err)
			continue
		}
		s.U = u
		if s.New, err = fit.Walk(s.Old, s.Count, s.Short-w.beyond(s.Count)); errors.Is(err, fit.ErrInput) {
			w.note("%s (%s): %v", e.Ref.Short(), r.Title(), err)
			continue
		}
		if s.Why = w.noSpacer(e.Ref, &s); s.Why != "" {
			s.New = 0
		}
		w.bay.Spacers = append(w.bay.Spacers, s)
	}
}

// walked is a spacer walk that rules the fillets.
type walked struct {
	longer float64 // the fillets than the readings alone say, mm along the rail
	u      float64 // of all of them together, mm along the rail: that of the walk's end, and of the spacer as often as it stands
}

// walkedSpacer is the last walk of so many spacers that was not set aside, against the fillets that the readings need.
// The fillets follow it, so that spacer and fillet are one figure.
func (w *worker) walkedSpacer(count int, need []float64) *walked {
	var out *walked
	for _, e := range fieldbook.InTime(w.here) {
		r := &e.Reading
		if r.What != survey.SpacerWalk || r.Check() != nil || int(r.Value.N[0]) != count || w.suspect(e.Ref) {
			continue
		}
		u, err := r.StandardU(w.set.Kit)
		if err != nil {
			continue
		}
		inner, ends := need[0], 0.0
		if count > 2 {
			inner = need[1]
			ends = need[0] + need[count-1] - 2*inner
		}
		s, err := fit.Walk(unit.Length(r.Value.N[1]).MM(), count, unit.Length(r.Value.N[2]).MM()-ends)
		if err != nil {
			continue
		}
		rule, err := survey.HouseKit.Tool("rule")
		if err != nil {
			continue
		}
		out = &walked{longer: s - inner, u: math.Hypot(u, float64(count-1)*rule.U(s, 0))}
	}
	return out
}

// suspect tells whether a reading was set aside, or could be the one that is wrong.
func (w *worker) suspect(ref journal.Ref) bool {
	if slices.Contains(w.bay.Again, ref) {
		return true
	}
	return slices.ContainsFunc(w.bay.Readings, func(r Result) bool { return r.Ref == ref && r.Suspect })
}

// beyond is what a walk of all the spacers lacks at its end, along the rail, when
// all is well: with a turned profile, whose equal gaps are between its thinnest
// widths, the first and the last space are longer than the others, mm.
func (w *worker) beyond(count int) float64 {
	l := w.bay.Layout
	if l == nil || count != len(l.BaseFillets) || count < 3 {
		return 0
	}
	return l.BaseFillets[0].Length + l.BaseFillets[count-1].Length - 2*l.BaseFillets[1].Length
}

// noSpacer says why no spacer is to be cut to what a walk says; empty where one
// is. A spacer s along a rail pitched by p leaves s·cos p·(1 − l·p) clear on the
// level between spindles that lean by l (package layout), and more where they are
// thinner.
func (w *worker) noSpacer(ref journal.Ref, s *Spacer) string {
	if w.suspect(ref) {
		return "the walk is probably wrong: walk it again"
	}
	l := w.bay.Layout
	if l == nil {
		return ""
	}
	if s.Count != l.Count+1 {
		return fmt.Sprintf("%d spacers are wanted beside %d spindles: walk it again with them", l.Count+1, l.Count)
	}
	a := &w.bay.Adjusted
	p, lean := math.Tan(a.BaseAngle.Value*degree), (a.LeanLower.Value+a.LeanUpper.Value)/2/1000
	thinner := 0.0
	if w.thin > 0 {
		thinner = w.width - w.thin
	}
	open := s.New*math.Cos(a.BaseAngle.Value*degree)*(1-p*lean) + thinner
	if ball, _ := w.set.opening(isLanding(w.bay.Place)); open+2*s.U/float64(s.Count) > ball {
		return fmt.Sprintf("spacers of %.1f mm would leave %.1f mm open, and %.0f mm is the most: read the run again, or take one spindle more", s.New, open, ball)
	}
	return ""
}
