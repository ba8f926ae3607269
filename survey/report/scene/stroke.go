package scene

import (
	"math"
	"slices"
)

// dashed cuts a line through points into the pieces that a pen draws.
func dashed(pts []Point, closed bool, pattern []float64) [][]Point {
	if closed && len(pts) > 0 {
		pts = append(pts[:len(pts):len(pts)], pts[0])
	}
	total := 0.0
	for _, d := range pattern {
		total += d
	}
	if len(pattern) == 0 || total <= 0 {
		return [][]Point{pts}
	}
	var out [][]Point
	var piece []Point
	i, left, on := 0, pattern[0], true
	for k := 1; k < len(pts); k++ {
		a, b := pts[k-1], pts[k]
		length := b.Sub(a).Len()
		dir := b.Sub(a).Unit()
		at := 0.0
		for {
			if on && piece == nil {
				piece = []Point{a.Add(dir.Mul(at))}
			}
			if at+left > length {
				left -= length - at
				break
			}
			at += left
			if on {
				out = append(out, append(piece, a.Add(dir.Mul(at))))
				piece = nil
			}
			i = (i + 1) % len(pattern)
			left, on = pattern[i], !on
		}
		if on {
			piece = append(piece, b)
		}
	}
	if len(piece) > 1 {
		out = append(out, piece)
	}
	return out
}

// outline is a stroke as polygons that all turn the same way round, so that
// where they lie on each other they add up: a bar for each stretch and a disc
// for each joint, and one for each end that is round.
func outline(pts []Point, closed bool, pen Pen) [][]Point {
	half := pen.Weight.MM() / 2
	disc := Arc{R: half, From: -360, To: 0}.flat(false)
	at := func(c Point) []Point {
		out := make([]Point, len(disc))
		for i, d := range disc {
			out[i] = c.Add(d)
		}
		return out
	}
	var polys [][]Point
	pattern := pen.dashes()
	for _, piece := range dashed(pts, closed, pattern) {
		for k := 1; k < len(piece); k++ {
			a, b := piece[k-1], piece[k]
			n := b.Sub(a).Unit().Turned().Mul(half)
			polys = append(polys, []Point{a.Add(n), a.Sub(n), b.Sub(n), b.Add(n)})
		}
		ring := closed && len(pattern) == 0
		for k, p := range piece {
			if inner := k > 0 && k < len(piece)-1; inner || k == 0 && (ring || pen.Round) || k > 0 && !inner && pen.Round {
				polys = append(polys, at(p))
			}
		}
	}
	return polys
}

// Hatch draws parallel lines over a polygon: spacing mm apart, at some degrees
// anticlockwise. Lines of neighbouring polygons meet.
func Hatch(pts []Point, spacing, deg float64, pen Pen) []Item {
	if len(pts) < 3 || !(spacing > 0) {
		return nil
	}
	sin, cos := math.Sincos(deg * math.Pi / 180)
	along, across := Point{cos, -sin}, Point{sin, cos}
	dot := func(a, b Point) float64 { return a.X*b.X + a.Y*b.Y }
	low, high := math.Inf(1), math.Inf(-1)
	for _, p := range pts {
		low, high = min(low, dot(p, across)), max(high, dot(p, across))
	}
	if !((high-low)/spacing < 1e4) {
		return nil
	}
	var out []Item
	for k := math.Ceil(low / spacing); k*spacing < high; k++ {
		level := k * spacing
		var cuts []float64
		for i, a := range pts {
			b := pts[(i+1)%len(pts)]
			da, db := dot(a, across)-level, dot(b, across)-level
			if (da < 0) != (db < 0) {
				t := da / (da - db)
				cuts = append(cuts, dot(a, along)+t*(dot(b, along)-dot(a, along)))
			}
		}
		slices.Sort(cuts)
		for i := 0; i+1 < len(cuts); i += 2 {
			at := func(s float64) Point { return along.Mul(s).Add(across.Mul(level)) }
			out = append(out, Line{at(cuts[i]), at(cuts[i+1]), pen})
		}
	}
	return out
}
