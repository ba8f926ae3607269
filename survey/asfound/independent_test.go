package asfound

import (
	"math"
	"slices"
	"testing"

	"gonum.org/v1/gonum/diff/fd"
	"gonum.org/v1/gonum/mat"

	"pinchrod/calc/calctest"
	"pinchrod/calc/unit"
	"pinchrod/survey"
)

// The independent adjustment of the tests. It shares nothing with calc/adjust and calc/frame: dense normal equations in
// place of the QR factorisation, derivatives by finite differences, and the geometry drawn anew with points and lines.
// It is of readings whose own u was given, which share no tool's error.

// drawn is a bay as points: run, leans, slopes, gap and bows in the order of a plane's unknowns, mm and tan.
type drawn [8]float64

func (d drawn) base(x float64) float64 {
	t := x / d[0]
	return d[3]*x + 4*d[6]*t*(1-t)
}

func (d drawn) rail(x float64) float64 {
	t := x / d[0]
	return d[5] + d[4]*x + 4*d[7]*t*(1-t)
}

// where is the level distance of a station from the lower post.
func (d drawn) where(at survey.At) float64 {
	switch at.Mark {
	case survey.Middle:
		return d[0] / 2
	case survey.Top:
		return d[0]
	case survey.Distance:
		return unit.Length(at.N).MM()
	}
	return 0
}

// slope is the tan of a rail's pitch at x, from two points a tenth of a mm apart.
func slope(rail func(float64) float64, x float64) float64 {
	return (rail(x+0.05) - rail(x-0.05)) / 0.1
}

// corner is where the face of a post that stands on (x, y) and leans by l meets the straight of the handrail from post
// to post: the height h at which y + h = G + q·(x + l·h), found by halving.
func (d drawn) corner(x, l float64) (cx, cy float64) {
	y := d[3] * x
	low, high := 0.0, 5000.0
	for range 200 {
		h := (low + high) / 2
		if y+h < d[5]+d[4]*(x+l*h) {
			low = h
		} else {
			high = h
		}
	}
	return x + l*low, y + low
}

// standing is the length of a piece that leans by l at x, from rail to rail along itself, found by halving.
func (d drawn) standing(x float64) float64 {
	l := d[1] + (d[2]-d[1])*x/d[0]
	low, high := 0.0, 5000.0
	for range 200 {
		h := (low + high) / 2
		if d.base(x)+h < d.rail(x+l*h) {
			low = h
		} else {
			high = h
		}
	}
	return math.Sqrt(1+l*l) * low
}

// says is what a reading should be in the bay, in its own unit.
func (d drawn) says(t *testing.T, r survey.Reading, plumb bool) float64 {
	at := d.where(r.At)
	switch string(r.What) {
	case "run":
		return d[0] + r.Height.MM()*(d[2]-d[1])
	case "lean-along":
		return 1000 * d[1+b2i(r.At.Mark == survey.Upper)]
	case "base-angle":
		return math.Atan(slope(d.base, at)) * 180 / math.Pi
	case "rail-angle":
		return math.Atan(slope(d.rail, at)) * 180 / math.Pi
	case "gap":
		return d.rail(at) - d.base(at)
	case "trial":
		if plumb {
			return d.rail(at) - d.base(at)
		}
		return d.standing(at)
	case "bow-base":
		return (d.base(at) - d[3]*at) / math.Hypot(1, d[3])
	case "bow-rail":
		return (d.rail(at) - d[5] - d[4]*at) / math.Hypot(1, d[4])
	case "frame-diagonal":
		if r.At.Mark == survey.Rising {
			x, y := d.corner(d[0], d[2])
			return math.Hypot(x, y)
		}
		x, y := d.corner(0, d[1])
		return math.Hypot(d[0]-x, d[3]*d[0]-y)
	}
	t.Fatalf("the independent adjustment does not know %s", r.What)
	return 0
}

func b2i(b bool) int {
	if b {
		return 1
	}
	return 0
}

// adjustment is what the independent adjustment comes to.
type adjustment struct {
	figures         map[string]Quantity
	residuals, r, w []float64
	chi2            float64
	dof             int
}

// independently adjusts readings, some of which take no part, with the priors that always stand: bows 0 ± 2 mm per m of
// the median level run, rails parallel within 0.5°, posts plumb within 5 mm/m.
func independently(t *testing.T, rows []survey.Reading, aside []bool, plumb bool) adjustment {
	t.Helper()
	var runs []float64
	for _, r := range rows {
		if r.What == survey.Run {
			runs = append(runs, r.Value.Value())
		}
	}
	slices.Sort(runs)
	run := (runs[(len(runs)-1)/2] + runs[len(runs)/2]) / 2
	x := []float64{run, 0, 0, math.Tan(39 * math.Pi / 180), math.Tan(39 * math.Pi / 180), 800, 0, 0}
	values, us := make([]float64, len(rows)), make([]float64, len(rows))
	for i, r := range rows {
		u, err := r.StandardU(survey.HouseKit)
		if err != nil || r.U == 0 {
			t.Fatalf("%s: u %g, %v; want one that was given", r.Title(), u, err)
		}
		values[i], us[i] = r.Value.Value(), u
	}
	priors := func(y, x []float64) {
		copy(y, []float64{x[6] / (2 * run / 1000), x[7] / (2 * run / 1000), (math.Atan(x[4]) - math.Atan(x[3])) / (0.5 * math.Pi / 180), x[1] / 0.005, x[2] / 0.005})
	}
	m := len(rows) + 5
	weighted := func(y, x []float64) { // what all say, in units of their u
		for i, r := range rows {
			y[i] = drawn(x).says(t, r, plumb) / us[i]
		}
		priors(y[len(rows):], x)
	}
	// Steps of 1e-3 of each unknown's size: mm, and slopes of 1e-6.
	j := mat.NewDense(m, 8, nil)
	jacobian := func() {
		scaled := make([]float64, 8)
		for k := range scaled {
			scaled[k] = x[k] / unknownSize[k]
		}
		fd.Jacobian(j, func(y, s []float64) {
			at := make([]float64, 8)
			for k := range at {
				at[k] = s[k] * unknownSize[k]
			}
			weighted(y, at)
		}, scaled, &fd.JacobianSettings{Formula: fd.Central, Step: 1e-3})
	}
	var cov mat.Dense
	says := make([]float64, m)
	for range 12 {
		jacobian()
		weighted(says, x)
		normal, right := mat.NewDense(8, 8, nil), make([]float64, 8)
		for i := range m {
			if i < len(rows) && aside[i] {
				continue
			}
			v := -says[i]
			if i < len(rows) {
				v += values[i] / us[i]
			}
			for a := range 8 {
				right[a] += j.At(i, a) * v
				for b := range 8 {
					normal.Set(a, b, normal.At(a, b)+j.At(i, a)*j.At(i, b))
				}
			}
		}
		if err := cov.Inverse(normal); err != nil {
			t.Fatal(err)
		}
		for a := range 8 {
			for b := range 8 {
				x[a] += cov.At(a, b) * right[b] * unknownSize[a]
			}
		}
	}
	jacobian()
	weighted(says, x)
	u2 := func(i int) float64 { // of what is said, in units of u
		sum := 0.0
		for a := range 8 {
			for b := range 8 {
				sum += j.At(i, a) * cov.At(a, b) * j.At(i, b)
			}
		}
		return sum
	}
	out := adjustment{figures: map[string]Quantity{}, dof: 5 - 8}
	for i := range rows {
		v := values[i]/us[i] - says[i]
		// Of one that took no part: as if it alone were put back.
		r := 1 - u2(i)
		w := v / math.Sqrt(r)
		if aside[i] {
			r = 1 / (1 + u2(i))
			w = v * math.Sqrt(r)
		} else {
			out.chi2 += v * v
			out.dof++
		}
		out.residuals, out.r, out.w = append(out.residuals, v*us[i]), append(out.r, r), append(out.w, w)
	}
	for i := len(rows); i < m; i++ {
		out.chi2 += says[i] * says[i]
	}
	figure := func(name string, of func(d drawn) float64) {
		g := make([]float64, 8)
		for k := range g {
			up, down := slices.Clone(x), slices.Clone(x)
			up[k] += 1e-3 * unknownSize[k]
			down[k] -= 1e-3 * unknownSize[k]
			g[k] = (of(drawn(up)) - of(drawn(down))) / 2e-3
		}
		v := 0.0
		for a := range 8 {
			for b := range 8 {
				v += g[a] * cov.At(a, b) * g[b]
			}
		}
		out.figures[name] = Quantity{of(drawn(x)), math.Sqrt(v), true}
	}
	gap := func(share float64) func(d drawn) float64 {
		return func(d drawn) float64 { return d.rail(share*d[0]) - d.base(share*d[0]) }
	}
	figure("run", func(d drawn) float64 { return d[0] })
	figure("lean lower", func(d drawn) float64 { return 1000 * d[1] })
	figure("lean upper", func(d drawn) float64 { return 1000 * d[2] })
	figure("base angle", func(d drawn) float64 { return math.Atan(d[3]) * 180 / math.Pi })
	figure("rail angle", func(d drawn) float64 { return math.Atan(d[4]) * 180 / math.Pi })
	figure("gap bottom", gap(0))
	figure("gap middle", gap(0.5))
	figure("gap top", gap(1))
	figure("bow base", func(d drawn) float64 { return d[6] })
	figure("bow rail", func(d drawn) float64 { return d[7] })
	return out
}

// unknownSize is what each unknown moves by when a reading moves by about a mm.
var unknownSize = [8]float64{1, 1e-3, 1e-3, 1e-3, 1e-3, 1, 1, 1}

// agree holds a bay against the independent adjustment of its readings. Both solve the same least squares to rounding;
// what is left is the truncation of the finite differences, below 1e-4 of any u.
func agree(t *testing.T, name string, b *Bay, rows []survey.Reading, plumb bool) {
	t.Helper()
	if len(b.Readings) != len(rows) {
		t.Fatalf("%s: %d readings adjusted, want %d", name, len(b.Readings), len(rows))
	}
	aside := make([]bool, len(rows))
	for i := range rows {
		aside[i] = b.Readings[i].Suspect
	}
	want := independently(t, rows, aside, plumb)
	for figure, got := range b.Adjusted.figures() {
		w := want.figures[figure]
		if !got.Known || !calctest.Near(got.Value, w.Value, 2e-4) || !calctest.Near(got.U, w.U, 2e-4) {
			t.Errorf("%s: %s = %.5f, u %.5f; want %.5f, u %.5f", name, figure, got.Value, got.U, w.Value, w.U)
		}
	}
	if !calctest.Near(b.Chi2.Value, want.chi2, 1e-3) || b.Chi2.DOF != want.dof {
		t.Errorf("%s: chi2 %.4f on %d, want %.4f on %d", name, b.Chi2.Value, b.Chi2.DOF, want.chi2, want.dof)
	}
	for i, r := range b.Readings {
		if !calctest.Near(r.Residual, want.residuals[i], 2e-4) || !calctest.Near(r.Redundancy, want.r[i], 2e-4) || !calctest.Near(r.W, want.w[i], 1e-3) {
			t.Errorf("%s: %s residual %.4f r %.4f w %.4f; want %.4f %.4f %.4f", name, r.Reading.Title(), r.Residual, r.Redundancy, r.W,
				want.residuals[i], want.r[i], want.w[i])
		}
	}
}
