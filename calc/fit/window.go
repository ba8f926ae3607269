package fit

import "math"

// window is how far a piece may be off, seen from the middle of what fits.
type window struct {
	middle float64 // best stop minus needed length, mm
	half   float64 // half the width, mm
	noise  float64 // sigma of waviness and saw together, mm

	// The chance of a fit as cubics about nodes a step apart. Decide needs some
	// hundred thousand values per verdict, but none better than to 1e-8.
	from, step float64
	cubic      [][4]float64
}

// The nodes are noise/32 apart: the remainder of the Taylor series is at most
// 2·max|d⁴Φ/dx⁴|·(1/64)⁴/24 = 7e-9, as that derivative stays below 1.4. They reach
// 7 sigma to both sides of the edge, where Φ is 1e-12 from 0 or 1.
const (
	windowGrid  = 32
	windowReach = 7
)

func newWindow(h House) *window {
	w := &window{
		middle: (h.Long - h.Short) / 2,
		half:   (h.Long + h.Short) / 2,
		noise:  math.Hypot(h.Waviness, h.Saw),
	}
	if w.noise == 0 {
		return w
	}
	w.step = w.noise / windowGrid
	w.from = max(w.half-windowReach*w.noise, 0)
	w.cubic = make([][4]float64, int((w.half+windowReach*w.noise-w.from)/w.step)+1)
	d := w.noise
	for i := range w.cubic {
		x := w.from + float64(i)*w.step
		a, b := (-w.half-x)/d, (w.half-x)/d
		fa, fb := density(a), density(b)
		// The derivatives of φ are −x·φ and (x²−1)·φ; those of a and b are −1/d.
		w.cubic[i] = [4]float64{
			between(a, b),
			-(fb - fa) / d,
			(a*fa - b*fb) / (2 * d * d),
			-((b*b-1)*fb - (a*a-1)*fa) / (6 * d * d * d),
		}
	}
	return w
}

// fits returns the chance that a piece off by x mm on average fits:
// Φ((half−x)/noise) − Φ((−half−x)/noise).
func (w *window) fits(x float64) float64 {
	x = math.Abs(x)
	if w.noise == 0 {
		if x <= w.half {
			return 1
		}
		return 0
	}
	if x -= w.from; x < 0 {
		return 1
	}
	x /= w.step
	if !(x < float64(len(w.cubic)-1)) { // also what no int can hold
		return 0
	}
	i := int(x + 0.5)
	h := (x - float64(i)) * w.step
	c := &w.cubic[i]
	return max(c[0]+h*(c[1]+h*(c[2]+h*c[3])), 0)
}
