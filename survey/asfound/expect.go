package asfound

import (
	"fmt"
	"math"

	"pinchrod/calc/adjust"
	"pinchrod/calc/fit"
	"pinchrod/calc/flight"
	"pinchrod/calc/frame"
	"pinchrod/survey"
	"pinchrod/survey/fieldbook"
)

// Site answers on the spot, while readings come in. It holds the standing
// readings in memory and is not for use by several goroutines.
type Site struct {
	set      Settings
	shop     *fit.Shop
	standing map[survey.Place][]fieldbook.Entry
}

// NewSite takes the standing readings of a book. The error is that of [Work].
func NewSite(book *fieldbook.Book, s Settings) (*Site, error) {
	shop, err := fit.NewShop(s.House, s.Accuracy)
	if err != nil {
		return nil, fmt.Errorf("working on site: %w", err)
	}
	site := &Site{set: s, shop: shop, standing: map[survey.Place][]fieldbook.Entry{}}
	for _, e := range book.Pieced() {
		site.Add(e)
	}
	return site, nil
}

// Add takes in a reading that was written down.
func (s *Site) Add(e fieldbook.Entry) {
	s.standing[e.Reading.Where] = append(s.standing[e.Reading.Where], e)
}

// Drop takes out a reading that no longer stands.
func (s *Site) Drop(e fieldbook.Entry) {
	here := s.standing[e.Reading.Where]
	for i := range here {
		if here[i].Ref == e.Ref {
			s.standing[e.Reading.Where] = append(here[:i:i], here[i+1:]...)
			return
		}
	}
}

// Expected is what the readings so far say that a reading should be, in its own
// unit, with the standard uncertainty of the difference to it: its own and the
// prediction's together. It is not known where they say nothing.
func (s *Site) Expected(r survey.Reading) Quantity {
	e := fieldbook.Entry{Reading: r}
	if !r.Where.InBay() {
		return s.expectedOfFlight(e)
	}
	w := newWorker(&Bay{Place: r.Where}, s.set, s.shop, s.standing[r.Where], s.standing[survey.Place(r.Where.Flight())])
	w.sections()
	w.gather()
	o, ok, err := w.observe(e)
	if err != nil || !ok || len(w.obs) == 0 || w.adjust() != nil {
		return Quantity{}
	}
	if r.What == survey.PostPosition && !w.known[frame.IndexDatum] {
		return Quantity{} // the first position sets the datum for the others
	}
	if !w.measured(o.eq) {
		return Quantity{}
	}
	eq, u := w.model(&o)
	q := w.figure(eq, 1/o.scale)
	q.U = math.Hypot(q.U, u/o.scale)
	return q
}

// outside says that a reading was taken beyond the upper post of its bay, as the
// run was read so far; empty where it was not, or where no run was read.
func (s *Site) outside(r survey.Reading) string {
	if !r.Where.InBay() {
		return ""
	}
	w := newWorker(&Bay{Place: r.Where}, s.set, s.shop, s.standing[r.Where], s.standing[survey.Place(r.Where.Flight())])
	w.gather()
	run, ok := median(w.values(is(survey.Run)))
	if !ok {
		return ""
	}
	x, beyond := w.beyondPost(&r, run)
	if !beyond {
		return ""
	}
	return fmt.Sprintf("%.0f mm from the lower post, and the run is %.0f mm", x, run)
}

func (s *Site) expectedOfFlight(e fieldbook.Entry) Quantity {
	r := &e.Reading
	w := workFlight(&Flight{Place: r.Where}, s.set, s.standing[r.Where], nil)
	var sight *sight
	var eq flight.Equation
	switch r.What {
	case survey.Rise, survey.Going, survey.TotalRise, survey.TotalGoing:
		part, step := flight.Rise, int(r.At.N)
		if r.What == survey.Going || r.What == survey.TotalGoing {
			part = flight.Going
		}
		sight, eq = w.stepsSight, w.st.Total(part)
		if r.At.Mark == survey.Step {
			if _, ok := w.st.Index(part, step); !ok {
				return Quantity{}
			}
			eq = w.st.One(part, step)
		}
	case survey.Width:
		sight, eq = w.planSight, flight.Width(widthPlace(r.At.Mark))
	case survey.Side:
		sight, eq = w.planSight, flight.Side(r.At.Mark == survey.Right)
	case survey.Diagonal:
		sight, eq = w.planSight, flight.Diagonal(r.At.Mark == survey.Rising)
	}
	if sight == nil {
		return Quantity{}
	}
	q := figureOf(sight.sol, sight.weak, eq, 1)
	read, err := w.read.figure(e)
	if err != nil {
		return Quantity{}
	}
	q.U = math.Hypot(q.U, read.U)
	return q
}

// Odd says in words how far a reading is from what was expected, empty while
// that is no more than honest readings differ by (Baarda, 0.1 %), or that it was
// taken where the bay has ended.
func (s *Site) Odd(r survey.Reading) string {
	if outside := s.outside(r); outside != "" {
		return outside
	}
	want := s.Expected(r)
	k := r.Kind()
	if !want.Known || k == nil {
		return ""
	}
	v := r.Value.Value()
	if d := v - want.Value; math.Abs(d) > adjust.Critical*want.U {
		unit := k.Unit()
		if unit != "°" {
			unit = " " + unit
		}
		return fmt.Sprintf("expected %.1f ±%.1f%s, you read %s: %.1f%s %s", want.Value, 2*want.U, unit, r.Value, math.Abs(d), unit, pick(d, "over", "under"))
	}
	return ""
}

// Verdict is the state of a bay, or the flags of a flight.
func (s *Site) Verdict(p survey.Place) (flags []Flag, bay *Bay) {
	if !p.InBay() {
		f := &Flight{Place: p}
		workFlight(f, s.set, s.standing[p], nil)
		return f.Flags, nil
	}
	b := &Bay{Place: p}
	newWorker(b, s.set, s.shop, s.standing[p], s.standing[survey.Place(p.Flight())]).work()
	return b.Flags, b
}
