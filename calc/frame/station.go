package frame

// Station is a place along the run: a fraction of the run, which moves when the run is adjusted, or a fixed distance
// from the lower post, which does not. The zero Station is Bottom.
type Station struct {
	value float64
	fixed bool
}

// The three stations every bay is asked for.
var (
	Bottom = Fraction(0)
	Middle = Fraction(0.5)
	Top    = Fraction(1)
)

// Fraction is the station at t of the run, 0 at the lower post and 1 at the upper.
func Fraction(t float64) Station { return Station{value: t} }

// At is the station x mm, taken level, from the lower post.
func At(x float64) Station { return Station{value: x, fixed: true} }

// X is the station's level distance from the lower post in a bay of the given run, both in mm.
func (s Station) X(run float64) float64 {
	if s.fixed {
		return s.value
	}
	return s.value * run
}

// fraction is t = x/R and its derivative by R.
func (s Station) fraction(run float64) (t, dt float64) {
	if s.fixed {
		t = s.value / positive(run)
		return t, -t / run
	}
	return s.value, 0
}
