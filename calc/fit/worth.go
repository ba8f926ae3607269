package fit

import (
	"cmp"
	"fmt"
	"math"
	"slices"

	"gonum.org/v1/gonum/floats"
	"gonum.org/v1/gonum/mat"
)

// Candidate is a reading that could still be taken.
type Candidate struct {
	Grad    []float64 // of the reading by the unknowns, as many as the covariance has
	U       float64   // its own standard uncertainty, in its unit
	Minutes float64   // what it takes, the first of its Group
	Again   float64   // what a further one of its Group takes; 0: as the first
	Group   int       // candidates that share preparation, such as one trial piece; 0: none
}

// Pieces is a set of like pieces that the readings are to serve.
type Pieces struct {
	Needed  Needed
	Jac     *mat.Dense // needed lengths by unknowns; trailing unknowns that no length hangs on may be left out
	Verdict *Verdict   // of Decide on Needed
}

// Gain is a reading that is worth its time.
type Gain struct {
	Candidate    int     // index into the candidates given; the first of With
	Takes, Saves float64 // minutes, of the reading by itself
	PAfter       float64 // P(all fit) after With, if they read as expected; of several sets the least

	With               []int // the smallest set of readings that pays, in the order to take them
	SetTakes, SetSaves float64
}

const (
	mostTogether = 4 // readings that the look-ahead takes together
	mostTold     = 5 // gains that are named: taking the first changes what the others bring
)

// Worth returns the readings that save more minutes than they take, best first,
// the five best at most. An empty answer means that nothing more is worth the
// time. A reading y = gᵀx + e, e ~ N(0, U²), of unknowns of covariance C moves the needed lengths
// and leaves their covariance
//
//	mean + δ·z, Cov − δ·δᵀ, δ = J·C·g/√(gᵀ·C·g + U²), z ~ N(0, 1),
//
// so that it saves least(mean, Cov) − E_z least(mean + δ·z, Cov − δ·δᵀ), least
// being the least expected minutes. The expectation is the mean over nine fixed
// values of z, or over 32 fixed points for several readings.
//
// If no reading pays by itself, up to four together are tried: one more at a
// time, the one that takes most variance a minute. The answer is then the one
// smallest set that pays. A tool's own offset is among the unknowns, so reading
// again with one tool brings only what is that reading's own.
//
// Errors: ErrInput, ErrCovariance, ErrFactors.
func (s *Shop) Worth(sets []Pieces, cov *mat.SymDense, c []Candidate) ([]Gain, error) {
	if err := checkWorth(sets, cov, c); err != nil {
		return nil, err
	}
	a := &ahead{s: s, c: c, seen: map[[mostTogether]int]float64{}}
	for _, p := range sets {
		if len(p.Needed.Mean) > 0 {
			a.sets = append(a.sets, p)
		}
	}
	var err error
	if a.now, err = a.minutes(nil, math.Inf(1)); err != nil {
		return nil, fmt.Errorf("minutes before a reading: %w", err)
	}
	for _, p := range a.sets {
		a.known += p.Verdict.Known
		a.floor += s.house.Minutes.Setting + float64(len(p.Needed.Mean))*s.house.Minutes.Cut
	}
	gains, err := a.alone(cov)
	if err == nil && len(gains) == 0 {
		gains, err = a.together(cov)
	}
	if err != nil {
		return nil, fmt.Errorf("minutes after a reading: %w", err)
	}
	return gains, nil
}

// ahead looks at what readings would bring.
type ahead struct {
	s     *Shop
	sets  []Pieces
	c     []Candidate
	now   float64 // least expected minutes before any
	known float64 // with exactly known lengths
	floor float64 // no way of cutting takes less
	seen  map[[mostTogether]int]float64
}

// move is what one reading does to the lengths of each set: δ, mm. The readings
// before it are reckoned with.
type move [][]float64

// pays tells whether readings could save what they take.
func (a *ahead) pays(takes float64) bool { return a.now-a.known > takes }

// alone tries each reading by itself.
func (a *ahead) alone(cov *mat.SymDense) (gains []Gain, err error) {
	for i, c := range a.c {
		if !a.pays(c.Minutes) {
			continue
		}
		m, _ := a.move(cov, c)
		// Three of the nine values tell most readings that bring nothing. Half of what
		// the reading takes is left for what three values miss.
		roughly, err := a.mean([]move{m}, thirds, math.Inf(1))
		if err != nil {
			return nil, err
		}
		if a.now-roughly < c.Minutes/2 {
			continue
		}
		after, err := a.minutes([]move{m}, a.now-c.Minutes)
		if err != nil {
			return nil, err
		}
		if saves := a.now - after; saves > c.Minutes {
			gains = append(gains, Gain{Candidate: i, Takes: c.Minutes, Saves: saves, With: []int{i}, SetTakes: c.Minutes, SetSaves: saves})
		}
	}
	slices.SortStableFunc(gains, func(x, y Gain) int { return cmp.Compare(y.Saves-y.Takes, x.Saves-x.Takes) })
	gains = gains[:min(len(gains), mostTold)]
	for i := range gains {
		m, _ := a.move(cov, a.c[gains[i].Candidate])
		if gains[i].PAfter, err = a.chance([]move{m}); err != nil {
			return nil, err
		}
	}
	return gains, nil
}

// together tries sets of readings: of all kinds, and of each group by itself,
// since the first of a group costs its preparation and the others little.
func (a *ahead) together(cov *mat.SymDense) ([]Gain, error) {
	groups := []int{0}
	for _, c := range a.c {
		if !slices.Contains(groups, c.Group) {
			groups = append(groups, c.Group)
		}
	}
	var best *Gain
	for _, only := range groups {
		g, err := a.grow(cov, only)
		if err != nil {
			return nil, err
		}
		if g == nil {
			continue
		}
		if best == nil || len(g.With) < len(best.With) ||
			len(g.With) == len(best.With) && g.SetSaves-g.SetTakes > best.SetSaves-best.SetTakes {
			best = g
		}
	}
	if best == nil {
		return nil, nil
	}
	return []Gain{*best}, nil
}

// grow adds readings of a group (0: of all) until the set pays; nil if it never does.
func (a *ahead) grow(cov *mat.SymDense, only int) (*Gain, error) {
	var moves []move
	g := Gain{Candidate: -1}
	for len(g.With) < mostTogether {
		best, most, takes := -1, 0.0, 0.0
		for i, c := range a.c {
			if slices.Contains(g.With, i) || only != 0 && c.Group != only {
				continue
			}
			m, _ := a.move(cov, c)
			price := a.takes(g.With, i)
			if worth := m.variance() / max(price, 1e-9); worth > most {
				best, most, takes = i, worth, price
			}
		}
		if best < 0 || !a.pays(g.SetTakes+takes) {
			return nil, nil
		}
		var m move
		m, cov = a.move(cov, a.c[best])
		moves = append(moves, m)
		g.With, g.SetTakes = append(g.With, best), g.SetTakes+takes
		if len(moves) == 1 {
			continue // by itself it does not pay
		}
		after, err := a.remembered(g.With, moves, a.now-g.SetTakes)
		if err != nil {
			return nil, err
		}
		if g.SetSaves = a.now - after; g.SetSaves > g.SetTakes {
			return a.told(g, moves)
		}
	}
	return nil, nil
}

// told completes the gain of a set.
func (a *ahead) told(g Gain, moves []move) (*Gain, error) {
	g.Candidate = g.With[0]
	g.Takes = a.c[g.Candidate].Minutes
	after, err := a.minutes(moves[:1], math.Inf(1))
	if err != nil {
		return nil, err
	}
	g.Saves = a.now - after
	g.PAfter, err = a.chance(moves)
	return &g, err
}

// takes returns the minutes of one more reading after those of a set.
func (a *ahead) takes(set []int, i int) float64 {
	c := a.c[i]
	if c.Group != 0 && c.Again > 0 && slices.ContainsFunc(set, func(j int) bool { return a.c[j].Group == c.Group }) {
		return c.Again
	}
	return c.Minutes
}

// remembered is minutes, once for each set of readings.
func (a *ahead) remembered(set []int, moves []move, atMost float64) (float64, error) {
	var key [mostTogether]int // counted from 1
	for i, c := range set {
		key[i] = c + 1
	}
	slices.Sort(key[:])
	if after, ok := a.seen[key]; ok {
		return after, nil
	}
	after, err := a.minutes(moves, atMost)
	a.seen[key] = after
	return after, err
}

// move works out what a reading does to the lengths and, when it is asked for,
// the covariance after it, C − C·g·gᵀ·C/(gᵀ·C·g + U²).
func (a *ahead) move(cov *mat.SymDense, c Candidate) (move, *mat.SymDense) {
	out := make(move, len(a.sets))
	g := mat.NewVecDense(len(c.Grad), c.Grad)
	var v mat.VecDense
	v.MulVec(cov, g)
	total := mat.Dot(g, &v) + c.U*c.U
	if !(total > 0) { // it tells what is known already
		for k, p := range a.sets {
			out[k] = make([]float64, len(p.Needed.Mean))
		}
		return out, cov
	}
	scale := 1 / math.Sqrt(total)
	for k, p := range a.sets {
		rows, cols := p.Jac.Dims()
		out[k] = make([]float64, rows)
		for i := range rows {
			for j, x := range p.Jac.RawRowView(i)[:cols] {
				out[k][i] += x * v.AtVec(j)
			}
			out[k][i] *= scale
		}
	}
	after := mat.NewSymDense(len(c.Grad), nil)
	after.SymRankOne(cov, -1/total, &v)
	return out, after
}

// variance returns the sum of the variances that a move takes, mm².
func (m move) variance() (sum float64) {
	for _, set := range m {
		for _, d := range set {
			sum += d * d
		}
	}
	return sum
}

// checkWorth checks what Worth is given: a NaN would make comparisons quietly
// false further on.
func checkWorth(sets []Pieces, cov *mat.SymDense, c []Candidate) error {
	if cov == nil || cov.IsEmpty() {
		return fmt.Errorf("no covariance of the unknowns: %w", ErrInput)
	}
	n := cov.SymmetricDim()
	for i := range n {
		for j := i; j < n; j++ {
			if x := cov.At(i, j); math.IsNaN(x) || math.IsInf(x, 0) {
				return fmt.Errorf("element %d,%d is %g: %w", i+1, j+1, x, ErrCovariance)
			}
		}
	}
	for k, p := range sets {
		if err := p.check(n); err != nil {
			return fmt.Errorf("set %d: %w", k+1, err)
		}
	}
	for i, r := range c {
		if len(r.Grad) != n {
			return fmt.Errorf("candidate %d has %d derivatives of %d: %w", i+1, len(r.Grad), n, ErrInput)
		}
		if slices.ContainsFunc(r.Grad, func(g float64) bool { return math.IsNaN(g) || math.IsInf(g, 0) }) {
			return fmt.Errorf("candidate %d has derivatives %v: %w", i+1, r.Grad, ErrInput)
		}
		for _, x := range []float64{r.U, r.Minutes, r.Again} {
			if !(x >= 0) || math.IsInf(x, 1) {
				return fmt.Errorf("candidate %d has a figure of %g: %w", i+1, x, ErrInput)
			}
		}
	}
	return nil
}

func (p *Pieces) check(unknowns int) error {
	if err := p.Needed.check(); err != nil {
		return err
	}
	if p.Verdict == nil || p.Jac == nil {
		return fmt.Errorf("no verdict or no Jacobian: %w", ErrInput)
	}
	if rows, cols := p.Jac.Dims(); rows != len(p.Needed.Mean) || cols > unknowns {
		return fmt.Errorf("a Jacobian of %d by %d for %d lengths and %d unknowns: %w", rows, cols, len(p.Needed.Mean), unknowns, ErrInput)
	}
	if floats.HasNaN(p.Jac.RawMatrix().Data) {
		return fmt.Errorf("a Jacobian with a NaN: %w", ErrInput)
	}
	return nil
}
