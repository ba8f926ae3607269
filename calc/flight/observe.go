package flight

import (
	"fmt"
	"math"
)

// WholeFlight is the Step of a reading of the total.
const WholeFlight = 0

// Reading is one reading of a rise, a going, or their total. Two readings of one step are two readings, each with its
// own u, as long as they were taken independently.
type Reading struct {
	Part  Part
	Step  int     // from 1 at the bottom, or WholeFlight
	Value float64 // mm, > 0
	U     float64 // mm, > 0
}

// Observation is a value in mm of standard uncertainty U in mm, and the equation that predicts it.
type Observation struct {
	Value, U float64
	Model    Equation
}

// Observations are the observations that the readings make, one each and in their order,
//
//	R_i = value ± u   G_i = value ± u   Σ R = value ± u   Σ G = value ± u.
//
// A step that was not read makes none. With the total, a single such step comes out as the total less the others, at
// u² = u_t² + Σ u_i², and nothing is left to check any of them. Two or more, or one without the total, are undetermined:
// add [Steps.Unread] as weak priors.
//
// The errors wrap [ErrInput]: a step that the flight has not, a value or u that is not positive and finite.
func (s Steps) Observations(readings []Reading) ([]Observation, error) {
	if err := s.check(readings); err != nil {
		return nil, fmt.Errorf("observing a flight: %w", err)
	}
	out := make([]Observation, len(readings))
	for i, r := range readings {
		out[i] = Observation{r.Value, r.U, s.One(r.Part, r.Step)}
		if r.Step == WholeFlight {
			out[i].Model = s.Total(r.Part)
		}
	}
	return out, nil
}

func (s Steps) check(readings []Reading) error {
	if s.Rises < 0 || s.Goings < 0 || s.Unknowns() == 0 {
		return fmt.Errorf("%w: a flight of %d rises and %d goings", ErrInput, s.Rises, s.Goings)
	}
	for i, r := range readings {
		switch _, ok := s.Index(r.Part, r.Step); {
		case r.Part != Rise && r.Part != Going:
			return fmt.Errorf("%w: reading %d is of part %d", ErrInput, i, int(r.Part))
		case !ok && (r.Step != WholeFlight || s.count(r.Part) == 0):
			return fmt.Errorf("%w: reading %d is of %s %d, and the flight has %d", ErrInput, i, r.Part, r.Step, s.count(r.Part))
		case !(r.Value > 0) || math.IsInf(r.Value, 1):
			return fmt.Errorf("%w: %s %d of %g mm", ErrInput, r.Part, r.Step, r.Value)
		case !(r.U > 0) || math.IsInf(r.U, 1):
			return fmt.Errorf("%w: %s %d with u of %g mm", ErrInput, r.Part, r.Step, r.U)
		}
	}
	return nil
}

// Unread are weak priors, one for each step of a part that no reading is of,
//
//	R_i − (mean of the rises that were read) = 0 ± u,
//
// or of all of them where none was. Use them only where the readings leave a step open, since a step that nobody read is
// not known to be like the others: u in mm must cover a bad step, so that what is derived from it stays in doubt. With
// neither a step nor a total read the part remains undetermined.
//
// The errors are those of [Steps.Observations]; a u that is not positive and finite is one of them.
func (s Steps) Unread(readings []Reading, uRise, uGoing float64) ([]Observation, error) {
	if err := s.check(readings); err != nil {
		return nil, fmt.Errorf("observing unread steps: %w", err)
	}
	var out []Observation
	for p, u := range []float64{Rise: uRise, Going: uGoing} {
		if !(u > 0) || math.IsInf(u, 1) {
			return nil, fmt.Errorf("observing unread steps: %w: u of %g mm", ErrInput, u)
		}
		of := s.byStep(Part(p), readings)
		read := of.steps()
		for i, o := range of.each {
			if !o.read() {
				out = append(out, Observation{0, u, minus(s.One(Part(p), i+1), s.meanOf(Part(p), read))})
			}
		}
	}
	return out, nil
}

// meanOf is the mean of some steps, or of all where none is named.
func (s Steps) meanOf(p Part, steps []int) Equation {
	if len(steps) == 0 {
		return s.Mean(p)
	}
	first, share := s.first(p), 1/float64(len(steps))
	return func(x, grad []float64) float64 {
		clear(grad)
		total := 0.0
		for _, step := range steps {
			total += x[first+step-1]
			if grad != nil {
				grad[first+step-1] = share
			}
		}
		return total * share
	}
}

// Start returns starting values, of length [Steps.Unknowns]: a step that was read starts at its reading, the others
// share what is left of the total, or are the mean of those read. The equations of the readings are linear, so any start
// will do for them; this one keeps a pitch in its domain.
//
// The errors are those of [Steps.Observations], and [ErrUnread] where a part has neither a step nor a total read.
func (s Steps) Start(readings []Reading) ([]float64, error) {
	if err := s.check(readings); err != nil {
		return nil, fmt.Errorf("starting a flight: %w", err)
	}
	x := make([]float64, 0, s.Unknowns())
	for _, p := range []Part{Rise, Going} {
		of := s.byStep(p, readings)
		sum, open := 0.0, 0
		for _, o := range of.each {
			sum += o.value()
			if !o.read() {
				open++
			}
		}
		share := 0.0
		switch left := of.total.value() - sum; {
		case open == 0:
		case of.total.read() && left > 0:
			share = left / float64(open)
		case open < len(of.each):
			share = sum / float64(len(of.each)-open)
		default:
			return nil, fmt.Errorf("starting a flight: %s %w", p, ErrUnread)
		}
		for _, o := range of.each {
			if o.read() {
				x = append(x, o.value())
			} else {
				x = append(x, share)
			}
		}
	}
	return x, nil
}

// weighted gathers readings of one thing: Σ w·value and Σ w with w = 1/u².
type weighted struct{ sum, weight float64 }

func (w *weighted) add(r Reading) {
	weight := 1 / (r.U * r.U)
	w.sum += weight * r.Value
	w.weight += weight
}

func (w weighted) read() bool { return w.weight > 0 }

// value is the weighted mean, or 0 when not read.
func (w weighted) value() float64 {
	if !w.read() {
		return 0
	}
	return w.sum / w.weight
}

func (w weighted) variance() float64 { return 1 / w.weight }

// gathered are the readings of one part.
type gathered struct {
	each  []weighted
	total weighted
}

func (s Steps) byStep(p Part, readings []Reading) gathered {
	g := gathered{each: make([]weighted, s.count(p))}
	for _, r := range readings {
		switch {
		case r.Part != p:
		case r.Step == WholeFlight:
			g.total.add(r)
		default:
			g.each[r.Step-1].add(r)
		}
	}
	return g
}

// steps are the numbers of those read.
func (g gathered) steps() (read []int) {
	for i, o := range g.each {
		if o.read() {
			read = append(read, i+1)
		}
	}
	return read
}

// Closure is, of the readings as they are and before any adjustment,
//
//	c = Σ r_i − t,   u_c = √(Σ u_i² + u_t²)
//
// in mm, r_i being the reading of step i and t that of the total; + when the steps add up to more. Of several readings
// of one thing it takes the mean weighted by 1/u².
//
// The errors wrap [ErrInput] as those of [Steps.Observations] do, or [ErrUnread], naming what was not read.
func (s Steps) Closure(p Part, readings []Reading) (c, u float64, err error) {
	if err := s.check(readings); err != nil {
		return 0, 0, fmt.Errorf("closing a flight: %w", err)
	}
	of := s.byStep(p, readings)
	if !of.total.read() {
		return 0, 0, fmt.Errorf("closing a flight: total %s %w", p, ErrUnread)
	}
	variance := of.total.variance()
	for i, o := range of.each {
		if !o.read() {
			return 0, 0, fmt.Errorf("closing a flight: %s %d %w", p, i+1, ErrUnread)
		}
		c += o.value()
		variance += o.variance()
	}
	return c - of.total.value(), math.Sqrt(variance), nil
}

// StringAgainstPitch is, in rad,
//
//	d = reading − pitch,   u_d = √(u_reading² + u_pitch²):
//
// a string angle read from level against the pitch that rises and goings give, [Steps.MeanPitch] with its u from the
// adjustment; + when the string is steeper. It holds where the angle was not itself used for that pitch. Read at
// several places with one gauge, the differences share the gauge's own error.
//
// The error wraps [ErrInput]: an angle that is not finite, or a u that is negative or not.
func StringAgainstPitch(reading, uReading, pitch, uPitch float64) (d, u float64, err error) {
	if d = reading - pitch; math.IsNaN(d) || math.IsInf(d, 0) {
		return 0, 0, fmt.Errorf("comparing a string with the pitch: %w: %g and %g rad", ErrInput, reading, pitch)
	}
	if u = math.Hypot(uReading, uPitch); !(uReading >= 0) || !(uPitch >= 0) || math.IsInf(u, 1) {
		return 0, 0, fmt.Errorf("comparing a string with the pitch: %w: u of %g and %g rad", ErrInput, uReading, uPitch)
	}
	return d, u, nil
}
