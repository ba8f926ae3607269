package asfound

import (
	"cmp"
	"fmt"
	"math"
	"slices"

	"gonum.org/v1/gonum/mat"

	"pinchrod/calc/fit"
	"pinchrod/calc/rules"
	"pinchrod/calc/unit"
	"pinchrod/store/journal"
	"pinchrod/survey"
	"pinchrod/survey/fieldbook"
)

// Proposal is a reading to take next.
type Proposal struct {
	Reading survey.Reading // Where, What, At and Height
	Minutes float64        // what it takes, with those that belong to it
	Worth   float64        // minutes it is expected to save; 0 where it has to be settled before anything is cut
	Gains   []string       // what it does, in words
}

// walkMinutes is what it takes to walk a spacer up the base rail; common practice, no source.
const walkMinutes = 4

// Proposals lists the readings worth taking, place by place: what has to be settled before anything is cut or an opening
// is called safe, then what saves more minutes of cutting than it takes. None is an answer: nothing more is worth the time.
//
// It is the rule of [Verdict.Measure], so that the two cannot disagree.
func (f *Findings) Proposals() (out []Proposal) {
	for i := range f.Flights {
		out = append(out, openQuestions(f.Flights[i].Place, f.Flights[i].Results, f.Flights[i].Flags, nil)...)
		for j := range f.Bays {
			if b := &f.Bays[j]; b.Place.Flight() == string(f.Flights[i].Place) {
				out = append(out, b.proposals()...)
			}
		}
	}
	return out
}

func (b *Bay) proposals() []Proposal {
	out := openQuestions(b.Place, b.Readings, b.Flags, b.Again)
	if v := b.Spindles; v != nil {
		for _, a := range v.Measure {
			p := Proposal{Reading: a.Reading, Minutes: a.Takes, Worth: a.Saves}
			p.Reading.Where = b.Place
			for _, r := range a.With[1:] {
				p.Gains = append(p.Gains, "take it with "+r.Title())
			}
			p.Gains = append(p.Gains, fmt.Sprintf("all spindles fit %s after it", Chance(a.PAfter)))
			out = append(out, p)
		}
	}
	for _, f := range b.Flags {
		switch {
		case f.State != rules.Unsure:
		case f.Name == "opening":
			out = append(out, Proposal{
				Reading: survey.Reading{Where: b.Place, What: survey.Run}, Minutes: minutesOf(survey.Run),
				Gains: []string{"says whether the openings are safe"},
			})
		case f.Name == "last-space":
			out = append(out, Proposal{
				Reading: survey.Reading{Where: b.Place, What: survey.SpacerWalk}, Minutes: walkMinutes,
				Gains: []string{"says whether the last opening is safe, and what the fillets measure"},
			})
		}
	}
	return out
}

// openQuestions are the readings to take again: those of a slip that nobody has ruled on.
func openQuestions(at survey.Place, results []Result, flags []Flag, again []journal.Ref) (out []Proposal) {
	for i := range results {
		r := &results[i]
		if !r.Suspect && !slices.Contains(again, r.Ref) {
			continue
		}
		p := Proposal{Reading: survey.Reading{Where: at, What: r.Reading.What, At: r.Reading.At, Height: r.Reading.Height}, Minutes: minutesOf(r.Reading.What)}
		what := "probably wrong"
		if len(r.Rivals) > 0 || slices.Contains(again, r.Ref) {
			what = "one of those that could be wrong"
		}
		p.Gains = []string{fmt.Sprintf("%s, %s, is %s: read it again", r.Ref.Short(), r.Reading.Value, what)}
		out = append(out, p)
	}
	return out
}

// minutesOf is what a reading takes; common practice, no source.
func minutesOf(what survey.What) float64 {
	for _, c := range candidates {
		if c.what == what {
			return c.minutes
		}
	}
	return 1
}

// candidate is a reading of a bay that could be taken, with what it takes; minutes are common practice, no source.
type candidate struct {
	what    survey.What
	mark    survey.Mark
	high    bool // taken near the handrail
	minutes float64
}

// tryAgain is what it takes to try a trial piece that is there already, minutes.
const tryAgain = 1.5

var candidates = []candidate{
	{survey.Gap, survey.Bottom, false, 1}, {survey.Gap, survey.Middle, false, 1}, {survey.Gap, survey.Top, false, 1},
	{survey.Trial, survey.Bottom, false, 4}, {survey.Trial, survey.Middle, false, 4}, {survey.Trial, survey.Top, false, 4},
	{survey.Run, survey.Nowhere, false, 1}, {survey.Run, survey.Nowhere, true, 2}, {survey.SlopeRun, survey.Nowhere, false, 1},
	{survey.LeanAlong, survey.Lower, false, 2}, {survey.LeanAlong, survey.Upper, false, 2},
	{survey.BaseAngle, survey.Bottom, false, 1}, {survey.BaseAngle, survey.Top, false, 1},
	{survey.RailAngle, survey.Bottom, false, 1}, {survey.RailAngle, survey.Top, false, 1},
	{survey.BowBase, survey.Middle, false, 3}, {survey.BowRail, survey.Middle, false, 3},
	{survey.FrameDiagonal, survey.Rising, false, 2}, {survey.FrameDiagonal, survey.Falling, false, 2},
}

// help is a reading that could be taken next, and what package fit asks of it.
type help struct {
	reading survey.Reading
	fit.Candidate
}

// helps lists what could be read. A reading shares its tool's errors with those that were taken, so that repeating one
// with the same tool brings only what is its own.
func (w *worker) helps() []help {
	if w.help != nil {
		return w.help
	}
	high := unit.FromMM(max(0, w.bay.Adjusted.GapBottom.Value-100)).Round(50 * unit.Millimetre)
	thought := *w // its reader's memory is its own: these readings are not taken
	thought.read = newReader(w.set.Kit, nil)
	for _, c := range candidates {
		r := survey.Reading{What: c.what, At: survey.At{Mark: c.mark}}
		if c.high {
			r.Height = high
		}
		r.Value.Measure = r.Kind().Measure
		o, ok, err := thought.observe(entryOf(r))
		if !ok || err != nil {
			continue
		}
		if m := r.Value.Measure; m == survey.Length || m == survey.Tried { // a tape's u grows with the length
			r.Value.N[0] = int64(unit.FromMM(o.eq(w.sol.X, nil)))
			if o, _, err = thought.observe(entryOf(r)); err != nil {
				continue
			}
		}
		eq, u := w.model(&o)
		g := make([]float64, len(w.sol.X))
		if v := eq(w.sol.X, g); math.IsNaN(v) {
			continue
		}
		h := help{r, fit.Candidate{Grad: g, U: u, Minutes: c.minutes}}
		if c.what == survey.Trial {
			h.Group, h.Again = 1, tryAgain
			if w.has(survey.Trial) {
				h.Minutes = tryAgain
			}
		}
		w.help = append(w.help, h)
	}
	return w.help
}

// advise puts down the readings that save more minutes than they take.
func (w *worker) advise(v *Verdict, jac *mat.Dense) error {
	helps := w.helps()
	c := make([]fit.Candidate, len(helps))
	for i := range helps {
		c[i] = helps[i].Candidate
	}
	gains, err := w.shop.Worth([]fit.Pieces{{Needed: v.Needed, Jac: jac, Verdict: &v.Verdict}}, w.sol.Cov, c)
	if err != nil {
		return err
	}
	for _, g := range gains {
		a := Advice{Reading: helps[g.Candidate].reading, PAfter: g.PAfter, Takes: g.SetTakes, Saves: g.SetSaves}
		for _, i := range g.With {
			a.With = append(a.With, helps[i].reading)
		}
		v.Measure = append(v.Measure, a)
	}
	return nil
}

// why says what the verdict on the spindles comes to.
func why(v *Verdict) string {
	o := v.Chosen()
	if o == nil {
		return ""
	}
	s := fmt.Sprintf("about %.0f minutes", o.Expected)
	switch {
	case o.Cut == fit.FitEach:
		return fmt.Sprintf("lengths spread %.1f mm and each is known to ±%.1f mm: %s", v.Spread, 2*v.Sigma, s)
	case o.Cut == fit.Graded && o.Settings == len(v.Needed.Mean):
		s = fmt.Sprintf("%d lengths, one for each: %s", o.Settings, s)
	case o.Cut == fit.Graded:
		s = fmt.Sprintf("%d stops: %s", o.Settings, s)
	}
	s += "; all fit " + Chance(o.P)
	if o.Trims+o.Recuts >= 0.05 {
		s += fmt.Sprintf("; expect %.1f to trim and %.1f to cut again", o.Trims, o.Recuts)
	}
	return s
}

// Chosen is the option of the way that was chosen, nil where nothing is to be cut yet.
func (v *Verdict) Chosen() *fit.Option {
	for i := range v.Options {
		if v.Options[i].Cut == v.Cut {
			return &v.Options[i]
		}
	}
	return nil
}

// Chance writes a probability as a person says it, never as certain when it is not.
func Chance(p float64) string {
	switch {
	case p < 0.0005:
		return "less than once in 1000"
	case p < 0.015:
		return "once in 100"
	case p < 0.995:
		return fmt.Sprintf("%.0f times in 100", 100*p)
	case p < 0.9995:
		return fmt.Sprintf("%.0f times in 1000", 1000*p)
	case p < 1:
		return "over 999 times in 1000"
	}
	return "every time"
}

// Open is what a visit would leave open at a place.
type Open struct {
	Place     survey.Place
	Missing   []fieldbook.Want
	Suspect   []string // short names of readings
	Unsure    []string // names of flags
	Up        []string // names of flags that are up, slips left out
	Unchecked []string
}

// Empty tells whether nothing is open.
func (o *Open) Empty() bool {
	return len(o.Missing)+len(o.Suspect)+len(o.Unsure)+len(o.Unchecked) == 0
}

// Leave lists what is missing, suspect, unsure or unchecked, place by place:
// what would be regretted once the surveyor has left.
func Leave(f *Findings) []Open {
	var out []Open
	add := func(o Open, results []Result, flags []Flag) {
		for i := range results {
			switch r := &results[i]; {
			case r.Suspect:
				o.Suspect = append(o.Suspect, r.Ref.Short())
			case r.Unchecked:
				o.Unchecked = append(o.Unchecked, r.Ref.Short())
			}
		}
		for _, fl := range flags {
			switch {
			case fl.State == rules.Unsure:
				o.Unsure = append(o.Unsure, fl.Name)
			case fl.State == rules.Flag && fl.Name != "slip":
				o.Up = append(o.Up, fl.Name)
			}
		}
		slices.SortFunc(o.Unsure, func(a, b string) int { return cmp.Compare(a, b) })
		o.Unsure = slices.Compact(o.Unsure)
		out = append(out, o)
	}
	for i := range f.Flights {
		fl := &f.Flights[i]
		add(Open{Place: fl.Place}, fl.Results, fl.Flags)
	}
	for i := range f.Bays {
		b := &f.Bays[i]
		add(Open{Place: b.Place, Missing: b.Missing}, b.Readings, b.Flags)
	}
	return out
}
