// Package stock plans how pieces are sawn from the bars in the shop: the one-dimensional cutting-stock problem with a
// saw's kerf, bevelled ends, bars of several lengths and prices, and offcuts on the rack.
//
// A plan costs as little as can be, then wastes as little as can be, and says how sure that is: Bound is what no plan
// undercuts, proven in whole micrometres and not in floating point. What a piece takes of a bar stands at [Piece].
//
// The method is column generation (Gilmore and Gomory 1961, from memory) inside branch and bound. It stops after a count
// of steps, never by a clock, so the same job gives the same plan each time; what it had proven by then is the bound.
//
// Lengths are in mm, bevels in radians.
package stock

import (
	"errors"
	"fmt"
	"math"
	"slices"
)

// Causes of a refusal.
var (
	ErrInput   = errors.New("not a job that can be planned")
	ErrTooLong = errors.New("longer than every bar")
	ErrStock   = errors.New("not enough stock")
	ErrSteps   = errors.New("no plan found in the steps allowed")
)

// Piece is what is wanted. For a kerf k and a section that is w wide across the bevel,
//
//	a piece takes  L + w/2·|tan β2 − tan β1| + k/cos β  of its bar, β the steeper of β1 and β2;
//	a bar loses    w·(max τ − min τ)  over its pieces and τ = 0, τ being the slope between tan β1 and tan β2 nearest 0.
//
// So
//
//	square ends             take L + k,                                      and the bar loses nothing;
//	parallel bevels β, β    take L + k/cos β, nested on the common bevel,    and the bar loses w·tan β, once;
//	one bevel 0, β          take L + w/2·tan β + k/cos β: to the long point, and the bar loses nothing;
//	opposed bevels β, −β    take L + w·tan β + k/cos β: between long points, and the bar loses nothing.
//
// That is never short. Between a piece that ends at slope r and one that begins at slope s the centre lines must stay
// w/2·|r − s| + k/cos(atan r) apart, the kerf being that of the cut that parts the first piece from the bar; at the
// square ends of the bar the neighbour's slope is 0. In order of τ, with |r − s| ≤ |r − τ| + |τ − τ'| + |τ' − s|, the
// first and the last term of all junctions add up to the pieces' own w/2·|tan β2 − tan β1|, the middle terms to
// 2·(max τ − min τ) from 0 back to 0, and each piece pays for one cut. The cut that dresses a bar's first end runs in
// the waste; what else is lost there is [Options].Trim. For pieces of parallel ends, whatever their bevels, it is
// exact. Pieces are laid as they are given: none is turned or flipped to nest.
//
// Where w·τ of two pieces differ by less than 0.5 mm and have the same sign, both count as the larger, so that the
// hundred slightly different bevels of a bowed rail are few to the planner (0.5 mm in a bar of some metres: common
// practice, no source). One common bevel is not touched by that. Each figure is rounded up to a micrometre.
type Piece struct {
	Section string     // only bars of the same section serve
	Length  float64    // on the centre line: the mean of both edges
	Bevel   [2]float64 // of its two ends, from square; two of the same sign are parallel
	Count   int        // how many, 1 or more
	Label   string     // for messages
}

// Bar is one kind of bar in the shop.
//
// When no bar has a price, a bar counts 1 and an offcut 0. When one has, every bar that is no offcut needs its own.
type Bar struct {
	Section string
	Length  float64
	Width   float64 // of the section across the bevel; 0 does where no piece of the section is bevelled
	Price   float64
	Count   int  // how many there are; 0 is as many as wanted
	Offcut  bool // already on the rack: its price, which may be 0, is as given
	Label   string
}

// Options of a plan.
type Options struct {
	Kerf      float64 // what a square cut takes
	Trim      float64 // what is lost at the ends of every bar before its first piece, kerf included
	MinOffcut float64 // the shortest rest of a bar that is kept and no waste; at 0 none is kept

	// Steps bounds the search, in each section and for each of its two aims. A step is a node in the search for a pattern,
	// or what takes about as long. What is begun when they are up is ended, and one plan is looked for in any case. 0 is
	// DefaultSteps.
	Steps int
}

// DefaultSteps take half a second, a step some 25 ns, and with 10 000 bars of as many lengths up to 3 s for both aims
// (measured).
const DefaultSteps = 20_000_000

// Result is a plan.
type Result struct {
	Bars    []Sawn // by section as the pieces come, then as the bars come
	Offcuts int    // how many of them are from the rack

	Priced bool    // costs are prices; else they count bars that are no offcuts
	Cost   float64 // of all bars
	Bound  float64 // no plan costs less
	Proven bool    // none costs less than this one

	Waste       float64 // of all bars: what is neither piece nor kept offcut
	WasteBound  float64 // no plan of the same cost wastes less, pieces taking of a bar what stands at Piece
	WasteProven bool
}

// Sawn is one bar with its cuts.
type Sawn struct {
	Bar    int     // index into the bars given
	Cuts   []Cut   // in the order of the saw, from the first end
	Rest   float64 // what is left beyond the last cut, measured square: no less than that
	Offcut float64 // the rest when it is kept, else 0
	Waste  float64 // what is neither piece nor kept offcut: kerfs, wedges, trim, a short rest
}

// Cut is one piece where it lies in its bar.
type Cut struct {
	Piece    int     // index into the pieces given
	From, To float64 // its ends on the centre line of the bar, from the first end
}

// Gap is how much less another plan might cost: 0 when it is proven.
func (r Result) Gap() float64 { return r.Cost - r.Bound }

// Claim says what is proven, such as "4 bars to buy, none fewer possible; 1 offcut". It is of the cost alone: where bars
// have no price an offcut costs nothing, and whether fewer of them would do is not asked.
func (r Result) Claim() string {
	if r.Priced {
		bars := plural(len(r.Bars)-r.Offcuts, "bar")
		if r.Offcuts > 0 {
			bars += " and " + plural(r.Offcuts, "offcut")
		}
		if r.Proven {
			return fmt.Sprintf("%s for %.2f, none cheaper possible", bars, r.Cost)
		}
		return fmt.Sprintf("%s for %.2f; a cheaper plan, down to %.2f, is not ruled out", bars, r.Cost, r.Bound)
	}
	claim := plural(int(r.Cost), "bar") + " to buy"
	switch {
	case r.Cost == 0:
		claim = "no bar to buy"
	case r.Proven:
		claim += ", none fewer possible"
	default:
		claim += fmt.Sprintf("; a plan with fewer, down to %d, is not ruled out", int(r.Bound))
	}
	if r.Offcuts > 0 {
		claim += "; " + plural(r.Offcuts, "offcut")
	}
	return claim
}

func plural(n int, what string) string {
	if n == 1 {
		return "1 " + what
	}
	return fmt.Sprintf("%d %ss", n, what)
}

// Plan lays all pieces onto bars. The cost does not depend on the order of pieces and bars.
//
// It fails with ErrInput for what is no job, with ErrTooLong for a piece that fits on no bar of its section, with
// ErrStock where the bars cannot hold the pieces, and with ErrSteps where they may but no way was found.
func Plan(pieces []Piece, bars []Bar, o Options) (Result, error) {
	if err := check(pieces, bars, o); err != nil {
		return Result{}, fmt.Errorf("planning the bars: %w", err)
	}
	if o.Steps == 0 {
		o.Steps = DefaultSteps
	}
	r := Result{Priced: slices.ContainsFunc(bars, func(b Bar) bool { return b.Price > 0 }), Proven: true, WasteProven: true}
	var done []string
	var cost, bound int64
	for _, p := range pieces {
		if slices.Contains(done, p.Section) {
			continue
		}
		done = append(done, p.Section)
		s, err := newShop(p.Section, pieces, bars, o, r.Priced)
		if err != nil {
			return Result{}, fmt.Errorf("planning the bars: %w", err)
		}
		a, err := s.plan(o.Steps)
		if err != nil {
			return Result{}, fmt.Errorf("planning the bars%s: %w", of(p.Section), err)
		}
		sawn := s.lay(a.bars)
		waste := 0.0
		for _, b := range sawn {
			waste += b.Waste
			if bars[b.Bar].Offcut {
				r.Offcuts++
			}
		}
		r.Waste += waste
		r.WasteBound += waste - float64(a.waste-a.wasteBound)/perMM
		r.Bars = append(r.Bars, sawn...)
		cost += a.cost * s.unit
		bound += a.bound * s.unit
		r.WasteProven = r.WasteProven && a.wasteBound == a.waste
	}
	r.Proven = cost == bound
	r.Cost, r.Bound = float64(cost), float64(bound)
	if r.Priced {
		r.Cost, r.Bound = r.Cost/perPrice, r.Bound/perPrice
	}
	return r, nil
}

func of(section string) string {
	if section == "" {
		return ""
	}
	return " of " + section
}

// straight is a bevel that no saw and no eye can tell from a square cut: over a metre it opens 1e-6 mm.
const straight = 1e-9

// Bounds of a sensible job. A bar of a kilometre and prices of a billion keep every sum within 62 bits.
const (
	maxLength = 1e6  // mm
	maxPrice  = 1e6  // a bar
	maxPieces = 1e4  // of a job
	maxBevel  = 1.45 // 83°: beyond it no saw cuts, and w·tan runs away
)

func check(pieces []Piece, bars []Bar, o Options) error {
	length := func(x, from float64) bool { return x >= from && x <= maxLength }
	switch {
	case !length(o.Kerf, 0):
		return fmt.Errorf("%w: kerf of %g mm", ErrInput, o.Kerf)
	case !length(o.Trim, 0):
		return fmt.Errorf("%w: trim of %g mm", ErrInput, o.Trim)
	case !length(o.MinOffcut, 0):
		return fmt.Errorf("%w: least offcut of %g mm", ErrInput, o.MinOffcut)
	case o.Steps < 0:
		return fmt.Errorf("%w: %d steps", ErrInput, o.Steps)
	}
	total := 0
	for i, p := range pieces {
		square := true
		for _, b := range p.Bevel {
			if !(math.Abs(b) <= maxBevel) {
				return fmt.Errorf("%w: %s: bevel of %g rad", ErrInput, p.name(i), b)
			}
			square = square && math.Abs(b) <= straight
		}
		switch {
		case !length(p.Length, 1.0/perMM):
			return fmt.Errorf("%w: %s: length %g mm", ErrInput, p.name(i), p.Length)
		case p.Count < 1 || p.Count > maxPieces:
			return fmt.Errorf("%w: %s: %d wanted", ErrInput, p.name(i), p.Count)
		}
		if total += p.Count; total > maxPieces {
			return fmt.Errorf("%w: more than %g pieces", ErrInput, maxPieces)
		}
		for j, b := range bars {
			if b.Section != p.Section || square {
				continue
			}
			if b.Width == 0 {
				return fmt.Errorf("%w: %s is bevelled and %s has no width", ErrInput, p.name(i), b.name(j))
			}
			if short := p.Length - b.Width/2*math.Abs(math.Tan(p.Bevel[1])-math.Tan(p.Bevel[0])); short < 0 {
				return fmt.Errorf("%w: %s: its ends cross inside the section, %g mm wide", ErrInput, p.name(i), b.Width)
			}
		}
	}
	priced := slices.ContainsFunc(bars, func(b Bar) bool { return b.Price > 0 })
	width := map[string]float64{}
	for i, b := range bars {
		w, seen := width[b.Section]
		width[b.Section] = b.Width
		switch {
		case !length(b.Length, 1.0/perMM):
			return fmt.Errorf("%w: %s: length %g mm", ErrInput, b.name(i), b.Length)
		case !length(b.Width, 0):
			return fmt.Errorf("%w: %s: width %g mm", ErrInput, b.name(i), b.Width)
		case seen && w != b.Width:
			return fmt.Errorf("%w: %s: width %g mm, another of the same section has %g mm", ErrInput, b.name(i), b.Width, w)
		case !(b.Price >= 0 && b.Price <= maxPrice):
			return fmt.Errorf("%w: %s: price %g", ErrInput, b.name(i), b.Price)
		case priced && b.Price == 0 && !b.Offcut:
			return fmt.Errorf("%w: %s has no price and others have", ErrInput, b.name(i))
		case b.Count < 0:
			return fmt.Errorf("%w: %s: %d there", ErrInput, b.name(i), b.Count)
		}
	}
	return nil
}

func (p Piece) name(i int) string { return name("piece", i, p.Label) }
func (b Bar) name(i int) string   { return name("bar", i, b.Label) }

func name(what string, i int, label string) string {
	if label == "" {
		return fmt.Sprintf("%s %d", what, i+1)
	}
	return what + " " + label
}
