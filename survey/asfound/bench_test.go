package asfound

import (
	"fmt"
	"math"
	"math/rand/v2"
	"testing"

	"pinchrod/survey"
)

// BenchmarkWork works out 1000 bays of 20 readings each.
func BenchmarkWork1000Bays(b *testing.B) {
	rng := rand.New(rand.NewPCG(1, 2))
	var rows []survey.Reading
	for i := range 1000 {
		truth := randomBay(rng)
		rows = append(rows, truth.readings(rng, survey.Place(fmt.Sprintf("F%d/b%d", i/10+1, i%10)))...)
	}
	book := bookOf(rows)
	if n := len(rows) / 1000; n != 20 {
		b.Fatalf("%d readings a bay, want 20", n)
	}
	for b.Loop() {
		if f := mustWork(book, Defaults()); len(f.Bays) != 1000 || math.IsNaN(f.Bays[0].Adjusted.Run.Value) {
			b.Fatal("not all bays were worked out")
		}
	}
}
