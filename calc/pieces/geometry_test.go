package pieces_test

import (
	"math"
	"testing"

	"github.com/google/go-cmp/cmp"
	"pgregory.net/rapid"

	"pinchrod/calc/calctest"
	"pinchrod/calc/pieces"
)

type point struct{ x, y float64 }

// clip is the part of a polygon where ax + by ≥ c (Sutherland and Hodgman's algorithm, from memory).
func clip(poly []point, a, b, c float64) []point {
	var out []point
	side := func(p point) float64 { return a*p.x + b*p.y - c }
	for i, p := range poly {
		q := poly[(i+1)%len(poly)]
		sp, sq := side(p), side(q)
		if sp >= 0 {
			out = append(out, p)
		}
		if sp >= 0 != (sq >= 0) {
			t := sp / (sp - sq)
			out = append(out, point{p.x + t*(q.x-p.x), p.y + t*(q.y-p.y)})
		}
	}
	return out
}

func area(poly []point) (sum float64) {
	for i, p := range poly {
		q := poly[(i+1)%len(poly)]
		sum += p.x*q.y - q.x*p.y
	}
	return math.Abs(sum) / 2
}

// extent is the least and the greatest of the points along the direction (dx, dy).
func extent(poly []point, dx, dy float64) (least, greatest float64) {
	least, greatest = math.Inf(1), math.Inf(-1)
	for _, p := range poly {
		s := p.x*dx + p.y*dy
		least, greatest = min(least, s), max(greatest, s)
	}
	return least, greatest
}

// leaning clips to what is right (sign 1) or left (−1) of a line through (x, y) with the given lean.
func leaning(poly []point, x, y, lean, sign float64) []point {
	return clip(poly, sign, -sign*lean, sign*(x-lean*y))
}

// With straight rails every piece is a polygon, cut out of a sheet by half-planes.
func TestAgainstPolygons(t *testing.T) {
	const far = 1e4
	sheet := []point{{-far, -far}, {far, -far}, {far, far}, {-far, far}}
	// Coordinates of 1e4 mm round at 2e-12 mm, and a clip loses a few of those; the products of 1e8 mm² in an area round
	// at 2e-8 mm².
	const mm, mm2 = 1e-8, 1e-4
	rapid.Check(t, func(t *rapid.T) {
		f := bays(false).Draw(t, "bay")
		eq := func(p pieces.Piece, what string, got, want, tol float64) {
			t.Helper()
			if !calctest.Near(got, want, tol) {
				t.Errorf("%s %d, %s: got %.10g, want %.10g", p.Kind, p.Number, what, got, want)
			}
		}
		spindles, err := pieces.Spindles(f, f.Stations, f.Width)
		if err != nil {
			t.Fatal(err)
		}
		for _, p := range spindles {
			lean := f.LeanAt(p.X)
			y, secant := f.BaseSlope*p.X, math.Hypot(1, lean)
			wide := f.Width / 2 * secant // half the section, level
			poly := clip(sheet, -f.BaseSlope, 1, 0)
			poly = clip(poly, f.RailSlope, -1, -f.Gap)
			poly = leaning(poly, p.X-wide, y, lean, 1)
			poly = leaning(poly, p.X+wide, y, lean, -1)
			axis := point{lean / secant, 1 / secant}
			least, greatest := extent(poly, axis.x, axis.y)
			eq(p, "blank", p.Blank, greatest-least, mm)
			// The middle line of a quadrilateral with two parallel sides.
			eq(p, "length", p.Length, area(poly)/f.Width, mm2/f.Width)
			for side, sign := range []float64{-1, 1} {
				edge := onLine(poly, 1, -lean, p.X+sign*wide-lean*y)
				least, greatest := extent(edge, axis.x, axis.y)
				eq(p, p.Edges[side].Side.String(), p.Edges[side].Length, greatest-least, mm)
			}
			eq(p, "bevel", f.Width*math.Tan(p.Ends[1].Bevel)-f.Width*math.Tan(p.Ends[0].Bevel),
				edgeLength(p, pieces.UpperEdge)-edgeLength(p, pieces.LowerEdge), mm)
		}

		base, err := pieces.BaseFillets(f, f.Stations, f.Width, f.Thickness)
		if err != nil {
			t.Fatal(err)
		}
		rail, err := pieces.RailFillets(f, f.Stations, f.Width, f.Thickness)
		if err != nil {
			t.Fatal(err)
		}
		for _, p := range append(base, rail...) {
			// The faces it stands between, by a point at base-rail height and a lean.
			left, right := 0.0, f.Run
			i := p.Number - 1
			leanLeft, leanRight := f.LeanLower, f.LeanUpper
			yLeft, yRight := 0.0, f.BaseSlope*f.Run
			if i > 0 {
				left = f.Stations[i-1]
				leanLeft, yLeft = f.LeanAt(left), f.BaseSlope*left
				left += f.Width / 2 * math.Hypot(1, leanLeft)
			}
			if i < len(f.Stations) {
				right = f.Stations[i]
				leanRight, yRight = f.LeanAt(right), f.BaseSlope*right
				right -= f.Width / 2 * math.Hypot(1, leanRight)
			}
			slope, height, up := f.BaseSlope, 0.0, 1.0
			if p.Kind == pieces.RailFillet {
				slope, height, up = f.RailSlope, f.Gap, -1
			}
			secant := math.Hypot(1, slope)
			deep := max(f.Thickness, 1) * secant
			poly := clip(sheet, -up*slope, up, up*height)
			poly = clip(poly, up*slope, -up, -up*(height+up*deep))
			poly = leaning(poly, left, yLeft, leanLeft, 1)
			poly = leaning(poly, right, yRight, leanRight, -1)
			least, greatest := extent(onLine(poly, -slope, 1, height), 1/secant, slope/secant)
			eq(p, "rail face", edgeLength(p, pieces.RailFace), greatest-least, mm)
			eq(p, "length", p.Length, greatest-least, mm)
			if f.Thickness < 1 {
				continue // the polygon was cut 1 thick
			}
			least, greatest = extent(poly, 1/secant, slope/secant)
			eq(p, "blank", p.Blank, greatest-least, mm)
			eq(p, "area", area(poly)/f.Thickness, (p.Edges[0].Length+p.Edges[1].Length)/2, mm2)
		}
	})
}

// onLine is those corners where ax + by = c, to rounding.
func onLine(poly []point, a, b, c float64) []point {
	var out []point
	for _, p := range poly {
		if math.Abs(a*p.x+b*p.y-c) < 1e-8 {
			out = append(out, p)
		}
	}
	return out
}

// With bowed rails an edge is walked by halving until it crosses.
func TestAgainstBisection(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		f := bays(true).Draw(t, "bay")
		cross := func(x, y, lean float64, rail func(float64) float64) point {
			lo, hi := -200.0, 1400.0 // heights above y; the rails are within
			for range 60 {
				mid := (lo + hi) / 2
				if y+mid < rail(x+lean*mid) {
					lo = mid
				} else {
					hi = mid
				}
			}
			return point{x + lean*lo, y + lo}
		}
		length := func(p, q point) float64 { return math.Hypot(q.x-p.x, q.y-p.y) }
		eq := func(what string, i int, got, want float64) {
			t.Helper()
			if !calctest.Near(got, want, 1e-8) {
				t.Errorf("%s %d: got %.10g, want %.10g", what, i+1, got, want)
			}
		}
		spindles, err := pieces.Spindles(f, f.Stations, f.Width)
		if err != nil {
			t.Fatal(err)
		}
		base, err := pieces.BaseFillets(f, f.Stations, f.Width, f.Thickness)
		if err != nil {
			t.Fatal(err)
		}
		rail, err := pieces.RailFillets(f, f.Stations, f.Width, f.Thickness)
		if err != nil {
			t.Fatal(err)
		}
		foot := []point{{0, f.Base(0)}}
		head := []point{cross(0, f.Base(0), f.LeanLower, f.Rail)}
		for i, x := range f.Stations {
			y, lean := f.Base(x), f.LeanAt(x)
			wide := f.Width / 2 * math.Hypot(1, lean)
			eq("spindle", i, spindles[i].Length, length(point{x, y}, cross(x, y, lean, f.Rail)))
			for side, sign := range []float64{-1, 1} {
				lo, hi := cross(x+sign*wide, y, lean, f.Base), cross(x+sign*wide, y, lean, f.Rail)
				eq(spindles[i].Edges[side].Side.String(), i, spindles[i].Edges[side].Length, length(lo, hi))
				foot, head = append(foot, lo), append(head, hi)
			}
			// The cuts follow the chords between the edges. A chord's middle is off the centre line by the lean times the
			// rise of the parabola over half a section, 0.02·0.3 mm, and the pitch differs by 5e-4/mm of that at most.
			for end, corners := range [][]point{foot[2*i+1:], head[2*i+1:]} {
				p, q := corners[0], corners[1]
				want := math.Atan2(q.y-p.y, q.x-p.x) + math.Atan(lean)
				if got := spindles[i].Ends[end].Bevel; !calctest.Near(got, want, 1e-5) {
					t.Errorf("spindle %d, end %d: bevel %g, want %g", i+1, end, got, want)
				}
			}
		}
		foot = append(foot, point{f.Run, f.Base(f.Run)})
		head = append(head, cross(f.Run, f.Base(f.Run), f.LeanUpper, f.Rail))
		for i := range base {
			eq("base fillet", i, base[i].Length, length(foot[2*i], foot[2*i+1]))
			eq("rail fillet", i, rail[i].Length, length(head[2*i], head[2*i+1]))
		}
		// MATH: level clear gap over the cosine of the pitch halfway.
		for i := range base {
			gap := foot[2*i+1].x - foot[2*i].x
			eq("base fillet from its gap", i, base[i].Length, gap*math.Hypot(1, f.BaseSlopeAt(base[i].X)))
		}
		for what, got := range map[string][2][]float64{
			"spindle":     {pieces.SpindleLengths(f, f.Stations, f.Width), lengths(spindles)},
			"base fillet": {pieces.BaseFilletLengths(f, f.Stations, f.Width), lengths(base)},
			"rail fillet": {pieces.RailFilletLengths(f, f.Stations, f.Width), lengths(rail)},
		} {
			if diff := cmp.Diff(got[1], got[0]); diff != "" {
				t.Errorf("%s lengths by the short way: %s", what, diff)
			}
		}
	})
}
