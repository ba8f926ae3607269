package asfound

import (
	"fmt"
	"math"
	"math/rand/v2"

	"pinchrod/calc/frame"
	"pinchrod/calc/unit"
	"pinchrod/survey"
)

// truth is a synthetic bay of known shape.
type truth struct {
	frame.Plane
	spindle float64
}

// randomBay draws a bay as stairs are found: spreads are common practice, no
// source.
func randomBay(rng *rand.Rand) truth {
	run := 800 + 1700*rng.Float64()
	pitch := 35 + 7*rng.Float64()
	return truth{frame.Plane{
		Run: run, LeanLower: 0.003 * rng.NormFloat64(), LeanUpper: 0.003 * rng.NormFloat64(),
		BaseSlope: math.Tan(pitch * degree), RailSlope: math.Tan((pitch + 0.2*rng.NormFloat64()) * degree),
		Gap:     700 + 200*rng.Float64(),
		BowBase: bowPrior / 1000 * run * 0.5 * rng.NormFloat64(), BowRail: bowPrior / 1000 * run * 0.5 * rng.NormFloat64(),
	}, 41}
}

// reading makes a reading of an equation's true value, off by u at random.
func (tr truth) reading(rng *rand.Rand, where survey.Place, what survey.What, at survey.Mark, height, u float64, eq frame.Equation) survey.Reading {
	r := survey.Reading{Where: where, What: what, At: survey.At{Mark: at}, Height: unit.FromMM(height)}
	k := r.Kind()
	v := eq(tr.Vector(), nil)
	r.Value.Measure = k.Measure
	r.U = int64(math.Round(u * 1e6))
	switch k.Measure {
	case survey.Angle:
		r.Value.N[0] = int64(unit.FromRad(v + u*degree*rng.NormFloat64()))
		r.U = int64(math.Round(u * degree * 1e9))
	case survey.Lean:
		r.Value.N[0], r.Value.N[1] = int64(unit.FromMM(1000*v+u*rng.NormFloat64())), int64(unit.Metre)
	default:
		r.Value.N[0] = int64(unit.FromMM(v + u*rng.NormFloat64()))
	}
	r.Text = r.Value.String()
	return r
}

// readings takes the twenty readings of a whole bay: three runs, two plumbs,
// angles and gaps at three stations, two bows, two diagonals, the spindles'
// section and the guard's height.
func (tr truth) readings(rng *rand.Rand, where survey.Place) []survey.Reading {
	var rows []survey.Reading
	add := func(what survey.What, at survey.Mark, height, u float64, eq frame.Equation) {
		rows = append(rows, tr.reading(rng, where, what, at, height, u, eq))
	}
	for _, h := range []float64{0, 350, 700} {
		add(survey.Run, survey.Nowhere, h, 0.5, frame.RunAt(h))
	}
	add(survey.LeanAlong, survey.Lower, 0, 0.5, frame.Lean(false))
	add(survey.LeanAlong, survey.Upper, 0, 0.5, frame.Lean(true))
	for _, at := range []survey.Mark{survey.Bottom, survey.Middle, survey.Top} {
		st := station(survey.At{Mark: at})
		add(survey.BaseAngle, at, 0, 0.1, frame.BaseAngle(st))
		add(survey.RailAngle, at, 0, 0.1, frame.RailAngle(st))
		add(survey.Gap, at, 0, 0.5, frame.Gap(st))
	}
	add(survey.BowBase, survey.Middle, 0, 0.5, frame.BowBase(frame.Middle))
	add(survey.BowRail, survey.Middle, 0, 0.5, frame.BowRail(frame.Middle))
	add(survey.FrameDiagonal, survey.Rising, 0, 1, frame.FrameDiagonal(true))
	add(survey.FrameDiagonal, survey.Falling, 0, 1, frame.FrameDiagonal(false))
	size := int64(unit.FromMM(tr.spindle))
	rows = append(rows,
		survey.Reading{Where: where, What: survey.SpindleSize, Value: survey.Quantity{Measure: survey.Section, N: [3]int64{size, size}}, Text: fmt.Sprintf("%g x %g mm", tr.spindle, tr.spindle)},
		survey.Reading{Where: where, What: survey.GuardHeight, At: survey.At{Mark: survey.Bottom}, Value: survey.Quantity{Measure: survey.Length, N: [3]int64{910000}}, Text: "910"})
	return rows
}
