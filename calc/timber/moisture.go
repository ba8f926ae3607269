package timber

import (
	"fmt"
	"math"
	"slices"
)

// Service is where joinery is put, and the moisture content it should have there.
type Service struct {
	Name      string
	Low, High float64 // MC in %
}

// The classes of EN 942:2007, from memory.
var services = []Service{
	{"internal, heated above 21 °C", 6, 10},
	{"internal, heated to 12 to 21 °C", 9, 13},
	{"internal, unheated", 12, 16},
	{"external", 12, 19},
}

// Services lists the moisture contents of joinery in service, driest first: EN 942:2007, from memory.
func Services() []Service { return slices.Clone(services) }

// MC is (low + high)/2 and (high − low)/√12, both in %: the moisture content to reckon with in a place of which nothing
// but its class is known, and its u (JCGM 100:2008, 4.3.7). Outdoors it lies beyond what [Movement] takes.
func (s Service) MC() (mc, u float64) { return rectangular(s.Low, s.High) }

// Where [EMC] holds: the table that goes with the equation, Wood Handbook Table 4–2, runs from 30 to 270 °F and from 5
// to 95 % RH; from memory.
const (
	lowRH, highRH           = 5.0, 95.0
	lowCelsius, highCelsius = (30. - 32) * 5 / 9, (270. - 32) * 5 / 9
)

// EMC is the equilibrium moisture content in %, to which timber settles in air of relative humidity rh, in %, at a
// temperature in °C:
//
//	M = 1800/W·(K·h/(1 − K·h) + (K1·K·h + 2·K1·K2·K²·h²)/(1 + K1·K·h + K1·K2·K²·h²)),  h = rh/100,
//	W  = 349 + 1.29·T + 0.0135·T²
//	K  = 0.805 + 0.000736·T − 0.00000273·T²
//	K1 = 6.27 − 0.00938·T − 0.000303·T²
//	K2 = 1.91 + 0.0407·T − 0.000293·T²
//
// Source: Wood Handbook, FPL-GTR-190 (2010), eq. 4–5, coefficients from memory. It is one curve for every timber: species
// differ, and a piece that dries stays wetter than one that takes up, so that the air of a room foretells the timber
// in it to about 1 % MC (common practice, no source).
//
// The error wraps [ErrRange]: 5 to 95 % RH, 30 to 270 °F (−1.1 to 132.2 °C).
func EMC(rh, celsius float64) (float64, error) {
	m, _, _, err := emc(rh, celsius)
	return m, err
}

// EMCU is [EMC] with its standard uncertainty in % MC from those of the humidity, uRH in %, and of the temperature,
// uCelsius in °C,
//
//	u² = (∂M/∂rh·uRH)² + (∂M/∂T·uCelsius)²,
//
// to which that of the equation itself is still to be added.
//
// The errors are those of EMC; a u that is negative or not finite is [ErrInput].
func EMCU(rh, uRH, celsius, uCelsius float64) (m, u float64, err error) {
	m, byRH, byT, err := emc(rh, celsius)
	if err != nil {
		return 0, 0, err
	}
	for _, v := range []float64{uRH, uCelsius} {
		if !(v >= 0) || math.IsInf(v, 1) {
			return 0, 0, fmt.Errorf("finding the moisture content: %w: u of %g", ErrInput, v)
		}
	}
	return m, math.Hypot(byRH*uRH, byT*uCelsius), nil
}

// emc is the equation with its derivatives by rh in % and by the temperature.
func emc(rh, celsius float64) (m, byRH, byT float64, err error) {
	if !(rh >= lowRH && rh <= highRH) {
		return 0, 0, 0, fmt.Errorf("finding the moisture content: %g %% RH %w: %g to %g %%", rh, ErrRange, lowRH, highRH)
	}
	if !(celsius >= lowCelsius && celsius <= highCelsius) {
		return 0, 0, 0, fmt.Errorf("finding the moisture content: %g °C %w: %.1f to %.1f °C", celsius, ErrRange, lowCelsius, highCelsius)
	}
	w, dw := parabola(349, 1.29, 0.0135, celsius)
	k, dk := parabola(0.805, 0.000736, -0.00000273, celsius)
	k1, dk1 := parabola(6.27, -0.00938, -0.000303, celsius)
	k2, dk2 := parabola(1.91, 0.0407, -0.000293, celsius)

	// With a = K·h: a/(1 − a) + (p + 2q)/(1 + p + q), p = K1·a, q = K1·K2·a².
	h := rh / 100
	a := k * h
	p, q := k1*a, k1*k2*a*a
	sum := 1 + p + q
	content := a/(1-a) + (p+2*q)/sum
	m = 1800 / w * content

	by := func(da, dp, dq float64) float64 {
		return da/((1-a)*(1-a)) + ((dp+2*dq)*sum-(p+2*q)*(dp+dq))/(sum*sum)
	}
	byRH = 1800 / w * by(k, k1*k, 2*q/h) / 100
	da := dk * h
	byT = 1800/w*by(da, dk1*a+k1*da, dk1*k2*a*a+k1*dk2*a*a+2*k1*k2*a*da) - m*dw/w
	return m, byRH, byT, nil
}

// parabola is c0 + c1·t + c2·t² and its derivative.
func parabola(c0, c1, c2, t float64) (v, slope float64) {
	return c0 + t*(c1+t*c2), c1 + 2*t*c2
}
