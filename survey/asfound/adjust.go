package asfound

import (
	"errors"
	"math"

	"gonum.org/v1/gonum/mat"

	"pinchrod/calc/adjust"
	"pinchrod/calc/frame"
	"pinchrod/survey"
	"pinchrod/survey/fieldbook"
)

// ignorance is the u that stands in for an unknown that nothing determines, so that the rest can be adjusted. It moves
// nothing that is read: a slope of any stair, tan 45°, and a length as long again. Wider, and a gap's drift, a slope times
// the run, would send the one or the other off without end.
func ignorance(unknown int, start float64) float64 {
	switch unknown {
	case frame.IndexBaseSlope, frame.IndexRailSlope:
		return 1
	case frame.IndexRun, frame.IndexGap:
		return start
	}
	return 1e6
}

// mostSteps bounds an adjustment. A bay from readings that agree takes under 10 steps, and one with a complement for an
// angle under 30; what is not there after 60 contradicts itself.
const mostSteps = 60

// assumption is what is taken for granted of any stair until readings say otherwise: a prior on a function of the
// unknowns.
type assumption struct {
	of    string // what it is about, for a person
	unit  string
	scale float64 // of a figure to its unit
	adjust.Observation
	said string // the note while no reading says otherwise; empty for a bow, which its flag tells of
}

// assumptions of a bay whose run is about run, mm. They stand always, not only where readings leave something open:
// three trial pieces formally determine the gap and both leans, and the leans would run off.
func (w *worker) assumptions(run float64) []assumption {
	of := func(of, unit string, scale, u float64, eq frame.Equation, said string) assumption {
		return assumption{of, unit, scale, adjust.Observation{U: u, Model: eq, Prior: true}, said}
	}
	bow := bowPrior * run / 1000
	all := []assumption{
		of("bow of the base rail", "mm", 1, bow, frame.Unknown(frame.IndexBowBase), ""),
		of("bow of the handrail", "mm", 1, bow, frame.Unknown(frame.IndexBowRail), ""),
		of("angle between the rails", "°", 1/degree, parallelPrior, frame.PitchDifference(), "rails taken as parallel within 0.5°"),
		of("lean of the lower post", "mm/m", 1000, plumbPrior, frame.Lean(false), "lower post taken as plumb within 5 mm/m"),
		of("lean of the upper post", "mm/m", 1000, plumbPrior, frame.Lean(true), "upper post taken as plumb within 5 mm/m"),
	}
	if isLanding(w.bay.Place) {
		all = append(all, of("pitch of the landing", "°", 1/degree, levelPrior, frame.BasePitch(), "landing taken as level within 0.5°"))
	}
	return all
}

// adjust solves the bay and sets aside the suspects.
func (w *worker) adjust() error {
	w.starting()
	w.known = make([]bool, frame.Slots)
	for i := range w.known {
		w.known[i] = true
	}
	offsets := w.placeOffsets()
	p := adjust.Problem{Start: w.start}
	for i := range w.obs {
		eq, u := w.model(&w.obs[i])
		// A reading that the surveyor kept is never suspected again, nor is a piece that was cut again until it fitted.
		p.Observations = append(p.Observations, adjust.Observation{
			Value: w.obs[i].value, U: u, Model: eq, Prior: len(w.obs[i].entry.Kept) > 0 || w.obs[i].cut,
		})
	}
	w.assumed = w.assumptions(w.start[frame.IndexRun])
	w.priors = nil
	for _, a := range w.assumed {
		w.priors = append(w.priors, a.Observation)
	}
	open := func(i int) {
		w.known[i] = false
		w.priors = append(w.priors, adjust.Observation{Value: w.start[i], U: ignorance(i, w.start[i]), Model: frame.Unknown(i), Prior: true})
	}
	if !w.has(survey.PostPosition) {
		open(frame.IndexDatum)
	}
	if w.width == 0 {
		open(frame.IndexWidth)
	} else {
		offsets = append(offsets, adjust.Observation{Value: w.width, U: w.widthU, Model: frame.Unknown(frame.IndexWidth), Prior: true})
	}
	readings := append(p.Observations, offsets...)
	opt := adjust.Options{MaxIter: mostSteps}
	if w.whole {
		opt.Critical = math.Inf(1)
	}
	for {
		p.Observations = append(readings[:len(readings):len(readings)], w.priors...)
		sol, err := adjust.Snoop(p, opt)
		var undetermined *adjust.Undetermined
		if errors.As(err, &undetermined) {
			fresh := false
			for _, i := range undetermined.Unknowns {
				if w.known[i] {
					fresh = true
					open(i)
				}
			}
			if fresh {
				continue
			}
		}
		if err != nil {
			return err
		}
		w.sol = sol
		w.tellAdjustment()
		return nil
	}
}

// tellAdjustment puts down what holds of the adjustment as a whole.
func (w *worker) tellAdjustment() {
	for _, a := range w.assumed {
		if a.said != "" && !w.measured(a.Model) {
			w.note("%s: nothing that was read says", a.said)
		}
	}
	if len(w.obs) == 0 {
		return
	}
	w.bay.Chi2 = &ChiSquare{Value: w.sol.Chi2, DOF: w.sol.DOF, P: w.sol.P}
	for i := range w.obs {
		w.bay.Chi2.Checked += w.sol.Redundancy[i]
	}
}

// anyBay is a bay with nothing special about it: no figure's derivative by an
// unknown it hangs on is zero here, as at a pitch of 0 or between plumb posts.
var anyBay = []float64{1100, 0.011, 0.017, 0.71, 0.77, 790, 3, 5, 130, 41}

// figure is a quantity derived from the adjusted unknowns, times scale. It is
// not known when it hangs on an unknown that nothing determines.
func (w *worker) figure(eq frame.Equation, scale float64) Quantity {
	grad := make([]float64, len(w.sol.X))
	eq(append(anyBay[:frame.Slots:frame.Slots], w.sol.X[frame.Slots:]...), grad)
	for i, known := range w.known {
		if grad[i] != 0 && !known {
			return Quantity{}
		}
	}
	clear(grad)
	v := eq(w.sol.X, grad)
	u := w.sol.U(grad)
	if math.IsNaN(v) || math.IsNaN(u) {
		return Quantity{}
	}
	return Quantity{v * scale, u * scale, true}
}

// measured tells whether a figure says what was read, and not what was taken
// for granted: whether the priors have less than half of its variance. With g
// its gradient, a prior of gradient j and standard uncertainty u has
// (gᵀ·C·j/u)² of gᵀ·C·g.
func (w *worker) measured(eq frame.Equation) bool {
	g := make([]float64, len(w.sol.X))
	eq(w.sol.X, g)
	return tellsOfReadings(w.sol, w.priors, g)
}

func tellsOfReadings(s *adjust.Snooped, priors []adjust.Observation, g []float64) bool {
	n := len(s.X)
	var cg mat.VecDense
	cg.MulVec(s.Cov, mat.NewVecDense(n, g))
	j := make([]float64, n)
	share := 0.0
	for _, p := range priors {
		clear(j)
		p.Model(s.X, j)
		d := mat.Dot(&cg, mat.NewVecDense(n, j)) / p.U
		share += d * d
	}
	return share < mat.Dot(&cg, mat.NewVecDense(n, g))/2
}

func (w *worker) figures() {
	a := &w.bay.Adjusted
	a.Run = w.figure(frame.Unknown(frame.IndexRun), 1)
	a.LeanLower, a.LeanUpper = w.figure(frame.Lean(false), 1000), w.figure(frame.Lean(true), 1000)
	a.BaseAngle, a.RailAngle = w.figure(frame.BasePitch(), 1/degree), w.figure(frame.RailPitch(), 1/degree)
	a.GapBottom = w.figure(frame.Gap(frame.Bottom), 1)
	a.GapMiddle = w.figure(frame.Gap(frame.Middle), 1)
	a.GapTop = w.figure(frame.Gap(frame.Top), 1)
	a.BowBase = w.figure(frame.Unknown(frame.IndexBowBase), 1)
	a.BowRail = w.figure(frame.Unknown(frame.IndexBowRail), 1)
	a.AcrossLower = weightedMean(w.read, w.here, survey.LeanAcross, survey.At{Mark: survey.Lower})
	a.AcrossUpper = weightedMean(w.read, w.here, survey.LeanAcross, survey.At{Mark: survey.Upper})
}

// weightedMean is the mean of the readings of one kind at one place, which are
// independent, u² = 1/Σ(1/u²).
func weightedMean(rd *reader, entries []fieldbook.Entry, what survey.What, at survey.At) Quantity {
	var sum, weight float64
	for _, e := range entries {
		r := &e.Reading
		if r.What != what || r.At != at || r.Check() != nil {
			continue
		}
		q, err := rd.figure(e)
		if err != nil {
			continue
		}
		sum += q.Value / (q.U * q.U)
		weight += 1 / (q.U * q.U)
	}
	if weight == 0 {
		return Quantity{}
	}
	return Quantity{sum / weight, 1 / math.Sqrt(weight), true}
}

// plane is the adjusted bay, and cov the covariance of its eight unknowns.
func (w *worker) plane() (frame.Plane, error) { return frame.FromVector(w.sol.X) }

func (w *worker) cov() *mat.SymDense {
	c := mat.NewSymDense(frame.Unknowns, nil)
	for i := range frame.Unknowns {
		for j := i; j < frame.Unknowns; j++ {
			c.SetSym(i, j, w.sol.Cov.At(i, j))
		}
	}
	return c
}
