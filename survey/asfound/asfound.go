// Package asfound turns a field book into findings: it is the one place where
// the survey's nouns meet the mathematics.
//
// For each bay it adjusts the standing readings (calc/adjust on the equations
// of calc/frame), names the slips, judges what is out of true, lays out the
// spindles, works out the pieces and says how to cut them. A bay with too few
// readings is no error: what can be answered is, the rest is not known, and
// what is missing is named.
package asfound

import (
	"context"
	"fmt"
	"math"
	"runtime"
	"strings"
	"sync"

	"pinchrod/calc/adjust"
	"pinchrod/calc/fit"
	"pinchrod/calc/flight"
	"pinchrod/calc/rules"
	"pinchrod/store/journal"
	"pinchrod/survey"
	"pinchrod/survey/fieldbook"
)

// Quantity is a figure with its standard uncertainty. One that the readings
// do not give is not Known.
type Quantity struct {
	Value, U float64
	Known    bool
}

// Findings is what a job comes to.
type Findings struct {
	Job     string
	Rules   string   // which rules hold, for every page
	Notes   []string // what was wrong with settings and tools
	Flights []Flight
	Bays    []Bay
}

// Flagged tells whether anything is out: a flag that is up, or a suspect
// reading.
func (f *Findings) Flagged() bool {
	for i := range f.Flights {
		if anyUp(f.Flights[i].Flags) {
			return true
		}
	}
	for i := range f.Bays {
		if anyUp(f.Bays[i].Flags) {
			return true
		}
	}
	return false
}

func anyUp(flags []Flag) bool {
	for _, f := range flags {
		if f.State == rules.Flag {
			return true
		}
	}
	return false
}

// Flight is what is found of a flight as a whole.
type Flight struct {
	Place      survey.Place
	Readings   int // standing readings of the flight itself
	Results    []Result
	Flags      []Flag
	Steps      []Step
	Pitch      Quantity // of the steps, degrees
	TotalRise  Quantity
	TotalGoing Quantity
	Plan       *Plan // nil when there are too few readings
	Notes      []string
}

// Bay is what is found of one bay.
type Bay struct {
	Place    survey.Place
	Adjusted Adjusted
	Chi2     *ChiSquare // nil when nothing could be adjusted
	Readings []Result   // every reading that entered the adjustment
	Flags    []Flag
	Layout   *Layout
	NoLayout string // why there is none
	Spindles, BaseFillets,
	RailFillets *Verdict // nil when there are no pieces to judge
	NoPieces string // why there are none, where there is a layout
	Spacers  []Spacer
	Taken    []fieldbook.Entry // readings that count as they stand: sections, moisture, access
	Missing  []fieldbook.Want
	Again    []journal.Ref // readings that have to be settled before anything is cut
	Made     []Made        // what was cut for it, in the order of the logs
	Notes    []string      // what was taken for granted
}

// Adjusted are the figures of the bay as found. Leans are in mm per m, angles
// in degrees, lengths in mm.
type Adjusted struct {
	Run                             Quantity
	LeanLower, LeanUpper            Quantity
	BaseAngle, RailAngle            Quantity
	GapBottom, GapMiddle, GapTop    Quantity
	BowBase, BowRail                Quantity
	AcrossLower, AcrossUpper, Guard Quantity
}

// ChiSquare is the global test of an adjustment: the probability P that honest
// readings fit no better than these.
type ChiSquare struct {
	Value   float64
	DOF     int
	P       float64
	Checked float64 // sum of the readings' redundancies: how many of them the others make superfluous
}

// Result is one reading against the rest. Value, Residual and Error are in the
// reading's own unit: mm, degrees, mm per m.
type Result struct {
	Ref        journal.Ref
	Reading    survey.Reading
	Value      float64
	U          float64
	Residual   float64 // reading less adjusted
	Redundancy float64
	W          float64
	Suspect    bool
	Error      Quantity // likely error, of a suspect one
	Slip       string   // the usual slip that fits the error, if one does
	Rivals     []int    // other Results that could as well be the wrong one
	Kept       string   // why the surveyor keeps it, if it was ruled on
	Unchecked  bool     // a slip in it would not be seen
	Detectable float64  // the smallest error that would be seen
	Check      string   // which reading would check it
}

// Predicted is what the other readings foretell of this one, in its own unit,
//
//	value − residual/redundancy,  u² = u²/redundancy − u²,
//
// by the leave-one-out identity of least squares: residual/redundancy is the
// reading less its prediction without it, u/√redundancy the standard uncertainty
// of that difference, and W the one in units of the other. The residual of a
// suspect reading, which took no part, is that difference already. It is not
// Known for a reading that nothing checks.
func (r *Result) Predicted() Quantity {
	if r.Redundancy < leastRedundancy {
		return Quantity{}
	}
	off := r.Residual / r.Redundancy
	if r.Suspect {
		off = r.Residual
	}
	return Quantity{r.Value - off, r.U * math.Sqrt(max(0, 1/r.Redundancy-1)), true}
}

// leastRedundancy is what a reading needs for a prediction of it to mean
// something: below, its u is over thirty times the reading's own.
const leastRedundancy = 1e-3

// Flag is a figure held against a limit.
type Flag struct {
	Name  string
	State rules.State
	Value float64
	U     float64
	Limit float64
	Unit  string
	Text  string // what it means and what to do, one sentence
	Of    string // what the figure is of, in a few words
	From  string // where the limit comes from

	Absolute bool // a length or an angle as it is, not a difference with a sign

	low  float64 // what is allowed, from and to
	high float64
}

// sight is an adjustment that figures were taken from.
type sight struct {
	sol  *adjust.Snooped
	obs  []observation
	weak []flight.Observation // of a flight
}

// Spacer is what a spacer walk says of its spacers.
type Spacer struct {
	Count    int
	Old, New float64 // mm; New is 0 where Why says why none is to be cut
	Short    float64
	U        float64 // of Short
	Why      string
}

// Work works a book out. Bays are independent of each other and are worked on
// by all the cores; the findings do not depend on their number.
//
// The error is that of settings that make no sense, wrapping fit.ErrInput, or
// the context's.
func Work(ctx context.Context, book *fieldbook.Book, s Settings) (*Findings, error) {
	return WorkAt(ctx, book, "", s)
}

// WorkAt works out one place of a book, as [Work] does it: a flight with its
// bays, or a bay with what is found of its flight. An empty place is all of it.
func WorkAt(ctx context.Context, book *fieldbook.Book, at survey.Place, s Settings) (*Findings, error) {
	shop, err := fit.NewShop(s.House, s.Accuracy)
	if err != nil {
		return nil, fmt.Errorf("working a book out: %w", err)
	}
	f := &Findings{Job: book.Job.Name, Rules: s.Rules(), Notes: s.notes}
	standing := map[survey.Place][]fieldbook.Entry{}
	for _, e := range book.Pieced() {
		standing[e.Reading.Where] = append(standing[e.Reading.Where], e)
	}
	made := map[survey.Place][]fieldbook.Made{}
	for _, m := range book.Made {
		if m.Stands() {
			made[m.Made.Where] = append(made[m.Made.Where], m)
		}
	}
	flights := map[string]int{}
	disputes := map[survey.Place][]Flag{}
	for _, d := range book.Disagreements() {
		disputes[d.Of.Reading.Where] = append(disputes[d.Of.Reading.Where], dispute(d))
	}
	places := book.Places()
	inFlight := map[survey.Place][]survey.Place{}
	for _, p := range places {
		if p.InBay() {
			inFlight[survey.Place(p.Flight())] = append(inFlight[survey.Place(p.Flight())], p)
		}
	}
	for _, p := range places {
		if at != "" && (p.Flight() != at.Flight() || at.InBay() && p.InBay() && p != at) {
			continue
		}
		if _, ok := flights[p.Flight()]; !ok {
			flights[p.Flight()] = len(f.Flights)
			f.Flights = append(f.Flights, Flight{Place: survey.Place(p.Flight())})
		}
		if p.InBay() {
			f.Bays = append(f.Bays, Bay{Place: p})
			continue
		}
		f.Flights[flights[p.Flight()]].Readings = len(standing[p])
	}
	for i := range f.Flights {
		fl := &f.Flights[i]
		workFlight(fl, s, standing[fl.Place], inFlight[fl.Place])
		fl.Flags = append(fl.Flags, disputes[fl.Place]...)
	}
	work := make(chan *Bay)
	var wg sync.WaitGroup
	for range runtime.GOMAXPROCS(0) {
		wg.Go(func() {
			for b := range work {
				w := newWorker(b, s, shop, standing[b.Place], standing[survey.Place(b.Place.Flight())])
				w.made = made[b.Place]
				w.work()
				w.hold()
				b.Flags = append(b.Flags, disputes[b.Place]...)
			}
		})
	}
	for i := range f.Bays {
		if ctx.Err() != nil {
			break
		}
		work <- &f.Bays[i]
	}
	close(work)
	wg.Wait()
	return f, ctx.Err()
}

// isLanding tells whether a flight is a landing by its name, L and a number.
func isLanding(p survey.Place) bool {
	n, ok := strings.CutPrefix(p.Flight(), "L")
	return ok && n != "" && strings.Trim(n, "0123456789") == ""
}
