// Package frame describes the plane of a bay: the stretch of balustrade between two posts.
//
// In that plane x runs level from the inside face of the lower post at the top of the base rail, y runs up. Eight
// unknowns say what was found:
//
//	R     level clear run between the post faces at base-rail height
//	a, b  tan of the in-plane lean of the lower and of the upper post, + up the stair
//	p, q  tan of the chord pitch (post to post) of the base rail and of the handrail
//	G     vertical clear gap at the lower post, top of base rail to underside of handrail
//	B, H  vertical bow at mid-run of the base rail and of the handrail, + humps up
//
// With t = x/R the top of the base rail is y = p·x + 4B·t(1−t), the underside of the handrail y = G + q·x + 4H·t(1−t).
// Lengths are in mm, slopes are tan, angles are in radians.
package frame

import "fmt"

// Places of the unknowns in the vector an adjustment works on.
const (
	IndexRun       = iota // R
	IndexLeanLower        // a
	IndexLeanUpper        // b
	IndexBaseSlope        // p
	IndexRailSlope        // q
	IndexGap              // G
	IndexBowBase          // B
	IndexBowRail          // H

	Unknowns // how many describe a bay

	// IndexDatum is the level distance from the flight's datum to the lower post, mm, an unknown of its own where post
	// positions were read.
	IndexDatum = Unknowns

	// IndexWidth is the spindles' width in the plane, mm, an unknown of its own where their section was read: a spacer
	// walk passes it as often as it passes a spindle.
	IndexWidth = Unknowns + 1

	// Slots is how long a vector is that holds the plane, the datum and the width.
	Slots = Unknowns + 2
)

// Plane is one bay with its unknowns settled.
type Plane struct {
	Run                  float64 // mm
	LeanLower, LeanUpper float64 // tan, + up the stair
	BaseSlope, RailSlope float64 // tan of the chord
	Gap                  float64 // mm, at the lower post
	BowBase, BowRail     float64 // mm, vertical at mid-run, + humps up
}

// FromVector takes a plane out of a vector of unknowns; what stands behind the eight is passed over.
func FromVector(x []float64) (Plane, error) {
	if len(x) < Unknowns {
		return Plane{}, fmt.Errorf("taking a plane from its vector: %d unknowns, want %d", len(x), Unknowns)
	}
	return Plane{
		Run:       x[IndexRun],
		LeanLower: x[IndexLeanLower], LeanUpper: x[IndexLeanUpper],
		BaseSlope: x[IndexBaseSlope], RailSlope: x[IndexRailSlope],
		Gap:     x[IndexGap],
		BowBase: x[IndexBowBase], BowRail: x[IndexBowRail],
	}, nil
}

// Vector is the inverse of FromVector.
func (p Plane) Vector() []float64 {
	return []float64{
		IndexRun:       p.Run,
		IndexLeanLower: p.LeanLower, IndexLeanUpper: p.LeanUpper,
		IndexBaseSlope: p.BaseSlope, IndexRailSlope: p.RailSlope,
		IndexGap:     p.Gap,
		IndexBowBase: p.BowBase, IndexBowRail: p.BowRail,
	}
}

// Base is p·x + 4B·t(1−t), the height of the top of the base rail at x, in mm.
func (p Plane) Base(x float64) float64 { return p.BaseSlope*x + p.BowBase*arch(x/p.Run) }

// Rail is G + q·x + 4H·t(1−t), the height of the underside of the handrail at x, in mm.
func (p Plane) Rail(x float64) float64 { return p.Gap + p.RailSlope*x + p.BowRail*arch(x/p.Run) }

// BaseSlopeAt is p + 4B(1−2t)/R, the tan of the base rail's pitch at x.
func (p Plane) BaseSlopeAt(x float64) float64 {
	return p.BaseSlope + 4*p.BowBase*(1-2*x/p.Run)/p.Run
}

// RailSlopeAt is q + 4H(1−2t)/R, the tan of the handrail's pitch at x.
func (p Plane) RailSlopeAt(x float64) float64 {
	return p.RailSlope + 4*p.BowRail*(1-2*x/p.Run)/p.Run
}

// GapAt is Rail(x) − Base(x), the vertical clear gap at x, in mm.
func (p Plane) GapAt(x float64) float64 {
	return p.Gap + (p.RailSlope-p.BaseSlope)*x + (p.BowRail-p.BowBase)*arch(x/p.Run)
}

// RunAt is R + h(b−a), the level clear run between the post faces h mm above the base rail.
func (p Plane) RunAt(h float64) float64 { return p.Run + h*(p.LeanUpper-p.LeanLower) }

// LeanAt is a + (b−a)·x/R, the tan of the lean at x: what stands between the posts leans in proportion.
func (p Plane) LeanAt(x float64) float64 {
	return p.LeanLower + (p.LeanUpper-p.LeanLower)*x/p.Run
}

// arch is 4t(1−t), the parabola of unit height over the run.
func arch(t float64) float64 { return 4 * t * (1 - t) }
