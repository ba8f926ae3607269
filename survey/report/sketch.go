package report

import (
	"fmt"
	"math"
	"strings"

	"pinchrod/survey/asfound"
)

// Sketch draws a bay from the side in characters, with what is out of true made
// larger by a factor that it names. What was not read yet is dotted. It takes
// cols columns and rows lines, of which the last names the factor; too small a
// space gives nothing.
func Sketch(b *asfound.Bay, cols, rows int) []string {
	a := b.Adjusted
	if cols < 20 || rows < 5 || !a.Run.Known {
		return nil
	}
	or := func(q asfound.Quantity, otherwise float64) float64 {
		if q.Known {
			return q.Value
		}
		return otherwise
	}
	run := a.Run.Value
	pitch := math.Tan(or(a.BaseAngle, 0) * math.Pi / 180)
	gap := or(a.GapBottom, 800)
	drift := or(a.GapTop, gap) - gap
	lower, upper := or(a.LeanLower, 0)/1000*gap, or(a.LeanUpper, 0)/1000*gap
	bowBase, bowRail := or(a.BowBase, 0), or(a.BowRail, 0)

	g := canvas{cols: cols, rows: rows - 1}
	height := math.Abs(pitch*run) + gap
	perRow := height * 1.15 / float64(g.rows)
	// The largest thing out of true is drawn a row and a half large.
	most := max(math.Abs(drift), math.Abs(lower), math.Abs(upper), math.Abs(bowBase), math.Abs(bowRail))
	factor := 1.0
	for _, f := range []float64{2, 5, 10, 20, 50, 100} {
		if most > 0 && most*f <= 1.5*perRow {
			factor = f
		}
	}
	floor := min(0, pitch*run) - 0.05*height
	left, right := 3, cols-4
	col := func(x float64) int { return left + int(math.Round(x/run*float64(right-left))) }
	row := func(y float64) int { return g.rows - 1 - int(math.Round((y-floor)/perRow)) }

	for c := left; c <= right; c++ {
		x := float64(c-left) / float64(right-left) * run
		t := x / run
		arch := 4 * t * (1 - t)
		base, rail := pitch*x+factor*bowBase*arch, pitch*x+gap+factor*(drift*t+bowRail*arch)
		g.put(c, row(base), mark(a.BaseAngle.Known || a.RailAngle.Known, '='))
		g.put(c, row(rail), mark(a.GapBottom.Known, '='))
	}
	post := func(x, lean float64, known bool) {
		foot, head := pitch*x-0.1*gap, pitch*x+gap*1.12
		for y := foot; y <= head; y += perRow / 2 {
			// A column stands for as many mm as it does along the run.
			g.put(col(x+factor*lean*(y-pitch*x)/gap), row(y), mark(known, '|'))
		}
	}
	post(0, lower, a.LeanLower.Known)
	post(run, upper, a.LeanUpper.Known)
	return append(g.lines(), fmt.Sprintf("   errors x %g", factor))
}

func mark(known bool, c rune) rune {
	if known {
		return c
	}
	return '.'
}

// canvas is a grid of characters.
type canvas struct {
	cols, rows int
	cells      map[[2]int]rune
}

func (g *canvas) put(c, r int, ch rune) {
	if c < 0 || c >= g.cols || r < 0 || r >= g.rows {
		return
	}
	if g.cells == nil {
		g.cells = map[[2]int]rune{}
	}
	g.cells[[2]int{c, r}] = ch
}

func (g *canvas) lines() []string {
	out := make([]string, g.rows)
	for r := range g.rows {
		var b strings.Builder
		for c := range g.cols {
			if ch, ok := g.cells[[2]int{c, r}]; ok {
				b.WriteRune(ch)
			} else {
				b.WriteByte(' ')
			}
		}
		out[r] = strings.TrimRight(b.String(), " ")
	}
	return out
}
