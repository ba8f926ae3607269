package fit

import (
	"math"
	"slices"
	"testing"
)

// buildGenerator constructs an embedded lattice component by component: given
// the first components, the next is the candidate with the least
//
//	Σ_m log e²_m,  e²_m = −1 + 2^−m Σ_i Π_j (1 + γ_j·2π²·B2({i·g_j/2^m})),
//
// over m = 5..16, the shift-averaged squared worst-case error of the lattice of 2^m points
// in the weighted Korobov space of smoothness 2 (Sloan and Joe 1994; the
// component-by-component rule is Sloan and Reztsov 2002, the sum over m after
// Cools, Kuo and Nuyens 2006; from memory), with weights γ_j = 1/j because the
// factors come sorted by size.
func buildGenerator(dims int) []uint32 {
	const low, high, candidates = 5, 16, 160
	size := 1 << high
	kernel := make([]float64, size)
	for i := range kernel {
		x := float64(i) / float64(size)
		kernel[i] = 2 * math.Pi * math.Pi * (x*x - x + 1.0/6)
	}
	product := make([]float64, size)
	for i := range product {
		product[i] = 1
	}
	// {i·g/2^m} for i < 2^m are the multiples of 2^(high−m) in the full lattice.
	score := func(g uint32, gamma float64) float64 {
		var s, sum float64
		for m := low; m <= high; m++ {
			step := size >> m
			first := step
			if m == low {
				first, sum = 0, 0
			}
			// The points of 2^m that the lattice of 2^(m−1) does not have.
			by := 2 * step
			if m == low {
				by = step
			}
			for i := first; i < size; i += by {
				sum += product[i] * (1 + gamma*kernel[uint32(i)*g%uint32(size)])
			}
			s += math.Log(sum/float64(int(1)<<m) - 1)
		}
		return s
	}
	out := make([]uint32, dims)
	for j := range out {
		gamma := 1 / float64(j+1)
		best, least := uint32(1), math.Inf(1)
		for c := range uint32(candidates) {
			// Fibonacci hashing spreads the candidates over the odd numbers below 2^16.
			g := (c*2654435761)>>16 | 1
			if s := score(g, gamma); s < least {
				best, least = g, s
			}
			if j == 0 {
				break // every odd number gives the same first component
			}
		}
		out[j] = best
		for i := range product {
			product[i] *= 1 + gamma*kernel[uint32(i)*best%uint32(size)]
		}
	}
	return out
}

func TestGeneratorIsTheOneConstructed(t *testing.T) {
	if got := buildGenerator(16); !slices.Equal(got, generator[:]) {
		t.Errorf("generator = %v, the construction gives %v", generator, got)
	}
}
