package fit

import (
	"fmt"
)

// House holds the house figures of cutting and fitting. All defaults are common
// practice, no source.
type House struct {
	Short     float64 // mm a piece may be shorter than needed and still fit; default 2.0 (the end hides between its fillets)
	Long      float64 // mm a piece may be longer than needed and still fit; default 0.5
	Waviness  float64 // local waviness of the rails, one sigma per piece, mm; default 0.15
	Saw       float64 // repeatability of the saw against its stop, one sigma, mm; default 0.1
	SawStep   float64 // what a stop can be set to, mm; default 0.5; 0: anything
	Allowance float64 // least over-length of a blank that is trimmed to its place, mm; default 6

	// Workshop says that the pieces are cut away from the stair. A short piece is
	// then replaced by one of the Spares, carried over length and fitted in Fit
	// minutes; when there are more short pieces than spares, someone comes a second
	// time. Default false: the saw is on site, and a short piece is cut again.
	Workshop bool
	Spares   int // carried over length; default −1: n/10 + 1 of n pieces

	AllFit  float64 // P(all fit) that batch or graded must have to be chosen; default 0: off
	Minutes Minutes
}

// Minutes are the times of the work, each in minutes.
type Minutes struct {
	Setting float64 // set and prove a stop; default 2
	Cut     float64 // cut a piece; default 0.5
	Sort    float64 // mark a graded piece and sort it to its place; default 0.5
	Trim    float64 // shorten a piece that is up to 3 mm too long; default 3
	Fit     float64 // mark, cut and try a piece that is further over length; default 6
	Recut   float64 // cut a short piece again, timber included; default 8
	Visit   float64 // come a second time; default 120
}

// DefaultHouse returns the documented defaults (common practice, no source).
func DefaultHouse() House {
	return House{
		Short: 2, Long: 0.5, Waviness: 0.15, Saw: 0.1, SawStep: 0.5, Allowance: 6, Spares: -1,
		Minutes: Minutes{Setting: 2, Cut: 0.5, Sort: 0.5, Trim: 3, Fit: 6, Recut: 8, Visit: 120},
	}
}

// SparesFor is how many spares are carried from a workshop for n pieces. More than n are never used.
func (h *House) SparesFor(n int) int {
	if h.Spares < 0 {
		return n/10 + 1
	}
	return min(h.Spares, n)
}

func (h *House) check() error {
	m := h.Minutes
	for _, f := range []struct {
		name  string
		value float64
	}{
		{"short", h.Short}, {"long", h.Long}, {"waviness", h.Waviness}, {"saw", h.Saw},
		{"saw step", h.SawStep}, {"allowance", h.Allowance},
		{"minutes of a setting", m.Setting}, {"minutes of a cut", m.Cut}, {"minutes of sorting", m.Sort},
		{"minutes of trimming", m.Trim}, {"minutes of fitting", m.Fit}, {"minutes of a recut", m.Recut},
		{"minutes of a second visit", m.Visit},
	} {
		if !(f.value >= 0 && f.value <= mostLength) {
			return fmt.Errorf("house figure %s is %g: %w", f.name, f.value, ErrInput)
		}
	}
	if !(h.AllFit >= 0 && h.AllFit < 1) {
		return fmt.Errorf("probability that all fit is %g, not from 0 to below 1: %w", h.AllFit, ErrInput)
	}
	return nil
}

// price is what the choice of stops charges for a misfit, minutes.
type price struct{ trim, fit, short float64 }

// prices returns the prices under which stops are looked for. On site one price
// is enough, since the sum of the prices is the minutes. Two other aims are not
// sums over the pieces, so stops are found under several prices, and the best
// of them is chosen by the aim itself:
//   - The minutes of a short piece in the workshop depend on how many others are
//     short. They lie between those of a spare and those of a visit.
//   - P(all fit) of at least AllFit: each misfit is charged so many minutes more.
func (h *House) prices() []price {
	m := h.Minutes
	short := []float64{m.Recut}
	if h.Workshop {
		const steps = 4
		short = nil
		for i := range steps + 1 {
			t := float64(i) / steps
			short = append(short, m.Fit+(m.Visit-m.Fit)*t*t) // closer together where a spare is likely
		}
	}
	more := []float64{0}
	if h.AllFit > 0 {
		more = append(more, 4, 16, 64, 256, 1024)
	}
	var out []price
	for _, c := range short {
		for _, x := range more {
			out = append(out, price{m.Trim + x, m.Fit + x, c + x})
		}
	}
	return out
}
