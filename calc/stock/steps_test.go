package stock

import (
	"fmt"
	"math/rand/v2"
	"testing"
)

// oddRack are as many bars as rows, no two of a length.
func oddRack(rows int, offcut, priced bool) []Bar {
	r := rand.New(rand.NewPCG(1, 2))
	bars := []Bar{{Length: 2400, Width: 41}}
	if priced {
		bars[0].Price = 6.5
	}
	for range rows {
		b := Bar{Length: 300 + float64(r.IntN(2_700_000))/1000, Width: 41, Count: 1, Offcut: offcut}
		if priced {
			b.Price = float64(1+r.IntN(100_000)) / 1e4
		}
		bars = append(bars, b)
	}
	return bars
}

// Steps bound the whole work however many kinds of bar there are: what is begun when
// they are up is ended, and nothing else is begun. A plan is found, and what it
// claims is true.
func TestStepsBoundAnyRack(t *testing.T) {
	var pieces []Piece
	for i := range 20 {
		pieces = append(pieces, Piece{Length: 800 + float64(i)*0.7, Bevel: [2]float64{0.7, 0.7 + float64(i%7)*0.001}, Count: 2})
	}
	const steps = 1_000_000
	for _, c := range []struct {
		rows           int
		offcut, priced bool
	}{{1000, true, false}, {1000, true, true}, {1000, false, true}, {3000, true, true}} {
		t.Run(fmt.Sprint(c), func(t *testing.T) {
			bars := oddRack(c.rows, c.offcut, c.priced)
			o := Options{Kerf: 3, Trim: 10, MinOffcut: 300, Steps: steps}
			s, err := newShop("", pieces, bars, o, c.priced)
			if err != nil {
				t.Fatal(err)
			}
			for _, a := range []aim{{}, {waste: true, limit: 100_000_000}} {
				got, err := s.solve(a, nil, steps)
				if err != nil {
					t.Fatal(err)
				}
				if taken := steps - got.steps; taken > 2*steps {
					t.Errorf("waste %t: took %d steps, want %d and what was begun then", a.waste, taken, steps)
				}
			}
			r, err := Plan(pieces, bars, o)
			if err != nil {
				t.Fatal(err)
			}
			if r.Bound < 0 || r.Bound > r.Cost || r.Proven != (r.Bound == r.Cost) {
				t.Errorf("cost %g, bound %g, proven %t", r.Cost, r.Bound, r.Proven)
			}
			cut := 0
			for _, b := range r.Bars {
				cut += len(b.Cuts)
			}
			if cut != 40 {
				t.Errorf("%d pieces cut, want 40", cut)
			}
		})
	}
}
