package flight

import "math"

// Part is what a step has two of.
type Part int

// The parts of a step.
const (
	Rise  Part = iota // height of one riser, tread to tread
	Going             // level depth of one tread, nosing to nosing
)

func (p Part) String() string {
	if p == Going {
		return "going"
	}
	return "rise"
}

// Steps says how many rises and goings a flight has. Their unknowns stand in one vector, in mm,
//
//	R_1 … R_Rises  G_1 … G_Goings,
//
// step 1 at the bottom. A flight between two floors has commonly one going less than rises. One of the counts may be 0:
// a flight whose goings nobody read is adjusted as Steps{Rises: n}.
//
// An equation that asks for a step the flight has not is NaN.
type Steps struct{ Rises, Goings int }

// Unknowns is Rises + Goings.
func (s Steps) Unknowns() int { return s.count(Rise) + s.count(Going) }

// Index is the place of a step's rise or going in the vector; not ok where the flight has no such step.
func (s Steps) Index(p Part, step int) (i int, ok bool) {
	if step < 1 || step > s.count(p) {
		return 0, false
	}
	return s.first(p) + step - 1, true
}

func (s Steps) count(p Part) int {
	if p == Going {
		return max(0, s.Goings)
	}
	return max(0, s.Rises)
}

func (s Steps) first(p Part) int {
	if p == Going {
		return s.count(Rise)
	}
	return 0
}

// all is the part of a vector that holds the rises or the goings; nil of nil.
func (s Steps) all(p Part, x []float64) []float64 {
	if x == nil {
		return nil
	}
	return x[s.first(p) : s.first(p)+s.count(p)]
}

// noSuchStep is NaN everywhere.
func noSuchStep(_, grad []float64) float64 {
	clear(grad)
	return math.NaN()
}

// One is R_i or G_i in mm.
func (s Steps) One(p Part, step int) Equation {
	i, ok := s.Index(p, step)
	if !ok {
		return noSuchStep
	}
	return func(x, grad []float64) float64 {
		clear(grad)
		if grad != nil {
			grad[i] = 1
		}
		return x[i]
	}
}

// Total is Σ R_i or Σ G_i in mm.
func (s Steps) Total(p Part) Equation { return s.sum(p, 1) }

// Mean is Σ R_i/n or Σ G_i/n in mm.
func (s Steps) Mean(p Part) Equation {
	if s.count(p) < 1 {
		return noSuchStep
	}
	return s.sum(p, 1/float64(s.count(p)))
}

func (s Steps) sum(p Part, scale float64) Equation {
	return func(x, grad []float64) float64 {
		clear(grad)
		total := 0.0
		for _, v := range s.all(p, x) {
			total += v
		}
		by := s.all(p, grad)
		for i := range by {
			by[i] = scale
		}
		return total * scale
	}
}

// AgainstNeighbour is R_i − R_(i−1) or G_i − G_(i−1) in mm, i from 2 up: a step against the one below it.
func (s Steps) AgainstNeighbour(p Part, step int) Equation {
	return minus(s.One(p, step), s.One(p, step-1))
}

// AgainstMean is R_i − Σ R/n or G_i − Σ G/n in mm: a step against the flight.
func (s Steps) AgainstMean(p Part, step int) Equation { return minus(s.One(p, step), s.Mean(p)) }

// Extremes are the steps of the largest and of the smallest rise or going in x; where some are equal, the last of the
// largest and the first of the smallest. Both are 0 when there are none.
func (s Steps) Extremes(p Part, x []float64) (largest, smallest int) {
	all := s.all(p, x)
	for i, v := range all {
		if largest == 0 || v >= all[largest-1] {
			largest = i + 1
		}
		if smallest == 0 || v < all[smallest-1] {
			smallest = i + 1
		}
	}
	return largest, smallest
}

// Spread is max R − min R or max G − min G in mm, of two steps or more. Its gradient, and so its u, is that of the
// two steps [Extremes] names.
//
// The largest of many readings is largest partly by its error: n steps truly alike, each read with u, show a spread of
// 1.13, 2.33, 3.08 and 3.34 u on average for n = 2, 5, 10 and 13 (range of normal samples, Tippett 1925, from memory).
// So a spread near those says nothing of the stair.
func (s Steps) Spread(p Part) Equation {
	if s.count(p) < 2 {
		return noSuchStep
	}
	return func(x, grad []float64) float64 {
		largest, smallest := s.Extremes(p, x)
		return minus(s.One(p, largest), s.One(p, smallest))(x, grad)
	}
}

// Stride is 2R_i + G_i in mm: twice the rise plus the going of a step.
func (s Steps) Stride(step int) Equation {
	r, okR := s.Index(Rise, step)
	g, okG := s.Index(Going, step)
	if !okR || !okG {
		return noSuchStep
	}
	return func(x, grad []float64) float64 {
		clear(grad)
		if grad != nil {
			grad[r], grad[g] = 2, 1
		}
		return 2*x[r] + x[g]
	}
}

// Pitch is atan(R_i/G_i): the pitch of one step in rad.
func (s Steps) Pitch(step int) Equation { return pitch(s.One(Rise, step), s.One(Going, step)) }

// MeanPitch is atan((Σ R/n)/(Σ G/m)) in rad, with n rises and m goings: the pitch of the flight, even where it has one
// going less than rises.
func (s Steps) MeanPitch() Equation { return pitch(s.Mean(Rise), s.Mean(Going)) }

// pitch is atan(rise/going), two equations of which no unknown is in both.
func pitch(rise, going Equation) Equation {
	return func(x, grad []float64) float64 {
		if grad == nil {
			return angle(rise(x, nil), going(x, nil))
		}
		byGoing := make([]float64, len(grad))
		r, g := rise(x, grad), going(x, byGoing)
		for i := range grad {
			grad[i] = (grad[i]*g - byGoing[i]*r) / (r*r + g*g)
		}
		return angle(r, g)
	}
}

// angle is atan(rise/going), NaN where the going is no length.
func angle(rise, going float64) float64 {
	if !(going > 0) {
		return math.NaN()
	}
	return math.Atan(rise / going)
}
