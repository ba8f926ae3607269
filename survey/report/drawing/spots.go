package drawing

import (
	"math"
	"strings"

	"pinchrod/survey"
	"pinchrod/survey/asfound"
	"pinchrod/survey/report/scene"
)

// between is the middle of the open space nearest to x, where the figures under
// the base rail leave a way through.
func (f *shape) between(x float64) float64 {
	best := x
	for k := range len(f.spindles) + 1 {
		l, r, _ := f.space(k+1, 0)
		if m := (l + r) / 2; k == 0 || math.Abs(m-x) < math.Abs(best-x) {
			best = m
		}
	}
	return best
}

// spotsOf is where a flag of a bay belongs.
func (f *shape) spotsOf(b *asfound.Bay) func(*asfound.Flag) []spot {
	up, down := scene.Point{Y: -1}, scene.Point{Y: 1}
	left, right := scene.Point{X: -1}, scene.Point{X: 1}
	used := map[int]bool{}
	at := func(t, h float64, toward scene.Point) []spot {
		x := t * f.run
		if h == 0 {
			x = f.between(x)
		}
		return []spot{{x, f.base(x) + h*(f.rail(x)-f.base(x)), toward}}
	}
	post := func(upper bool, h float64) []spot {
		gap, toward, in := f.gap, left, -f.posts[0]/2
		if upper {
			gap, toward, in = f.gapAtUpper(), right, f.posts[1]/2
		}
		x, y := f.face(upper, h*gap)
		return []spot{{x + in, y, toward}}
	}
	return func(fl *asfound.Flag) []spot {
		switch fl.Name {
		case "plumb-lower":
			return post(false, 0.7)
		case "plumb-upper":
			return post(true, 0.7)
		case "plumb-lower-across":
			return post(false, 0.35)
		case "plumb-upper-across":
			return post(true, 0.35)
		case "parallel":
			return at(0.85, 1, up)
		case "drift":
			return at(0.97, 0.55, right)
		case "middle-gap":
			return at(0.5, 0.6, up)
		case "bow-base":
			return at(0.5, 0, down)
		case "bow-rail":
			return at(0.5, 1, up)
		case "pitch-base":
			return at(0.2, 0, down)
		case "pitch-rail":
			return at(0.2, 1, up)
		case "square":
			return at(0.35, 0.4, down)
		case "guard-height", "handrail-height":
			return at(0.65, 1, up)
		case "under-rail":
			return at(0.35, 0, down)
		case "opening":
			if l := b.Layout; l != nil {
				h := 0.12 * f.gap
				if l.WidestHeight > 0 {
					h = 0.85 * f.gap
				}
				x0, x1, y := f.space(l.WidestSpace, h)
				return []spot{{(x0 + x1) / 2, y, up}}
			}
			return at(0.5, 0.4, down)
		case "slip":
			for i := range b.Readings {
				r := &b.Readings[i]
				if r.Suspect && !used[i] && strings.HasPrefix(fl.Of, r.Reading.Title()+",") {
					used[i] = true
					return f.spotOf(&r.Reading)
				}
			}
		case "two-answers":
			for i := range b.Readings {
				if r := &b.Readings[i].Reading; strings.HasPrefix(fl.Of, r.Title()+",") {
					return f.spotOf(r)
				}
			}
		}
		return nil
	}
}

// spotOf is where a reading of a bay was taken.
func (f *shape) spotOf(r *survey.Reading) []spot {
	up, down := scene.Point{Y: -1}, scene.Point{Y: 1}
	t := 0.5
	switch r.At.Mark {
	case survey.Bottom:
		t = 0.03
	case survey.Top:
		t = 0.97
	case survey.Distance:
		t = min(max(float64(r.At.N)/1000/f.run, 0.03), 0.97)
	}
	x := t * f.run
	at := func(h float64, toward scene.Point) []spot {
		return []spot{{x, f.base(x) + h*(f.rail(x)-f.base(x)), toward}}
	}
	switch r.What {
	case survey.LeanAlong, survey.LeanAcross, survey.PostPosition, survey.PostSection:
		upper := r.At.Mark == survey.Upper
		px, py := f.face(upper, 0.5*f.gap)
		if upper {
			return []spot{{px + f.posts[1]/2, py, scene.Point{X: 1}}}
		}
		return []spot{{px - f.posts[0]/2, py, scene.Point{X: -1}}}
	case survey.BaseAngle, survey.BowBase, survey.SpacerWalk, survey.UnderGap, survey.StringAngle:
		x = f.between(x)
		return at(0, down)
	case survey.RailAngle, survey.BowRail, survey.GuardHeight:
		return at(1, up)
	case survey.Run, survey.SlopeRun:
		return at(min(max(r.Height.MM()/f.gap, 0.06), 0.94), down)
	}
	return at(0.5, up)
}
