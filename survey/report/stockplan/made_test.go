package stockplan

import (
	"fmt"
	"math"

	"pgregory.net/rapid"

	"pinchrod/calc/fit"
	"pinchrod/calc/pieces"
	"pinchrod/survey"
	"pinchrod/survey/report/cutting"
)

// A sheet can be put together by hand: what follows makes any that a bay could
// have, and many that none has.

// sides of a piece in the order of its edges, by kind.
var sidesOf = map[pieces.Kind][2]pieces.Side{
	pieces.Spindle:    {pieces.LowerEdge, pieces.UpperEdge},
	pieces.BaseFillet: {pieces.RailFace, pieces.OpenFace},
	pieces.RailFillet: {pieces.OpenFace, pieces.RailFace},
}

// setting is a saw's setting for pieces of a length on the centre line between
// two bevels, in degrees to a tenth, + with the long point of the low end on the
// first side and of the high end on the second.
func setting(name string, kind pieces.Kind, length, across float64, bevel [2]float64, numbers []int, spares int, toFit bool) cutting.Setting {
	sides := sidesOf[kind]
	g := cutting.Setting{Name: name, Pieces: numbers, Spares: spares, ToFit: toFit, Side: sides[0]}
	tan := [2]float64{math.Tan(bevel[0] * math.Pi / 180), math.Tan(bevel[1] * math.Pi / 180)}
	for i, y := range [2]float64{-across / 2, across / 2} {
		g.Edges[i] = pieces.Edge{Side: sides[i], Length: length + y*(tan[1]-tan[0])}
	}
	for end, c := range [2]*cutting.Cut{&g.Low, &g.High} {
		c.Dial = math.Abs(bevel[end])
		switch {
		case bevel[end] > 0:
			c.Long = sides[end]
		case bevel[end] < 0:
			c.Long = sides[1-end]
		}
	}
	g.Stop = g.Edges[0].Length
	g.Blank = math.Ceil(length + across)
	return g
}

var prefixes = map[pieces.Kind]string{pieces.Spindle: "S", pieces.BaseFillet: "B", pieces.RailFillet: "R"}

// setOf puts settings together to a set of a section.
func setOf(kind pieces.Kind, section string, across float64, settings ...cutting.Setting) cutting.Set {
	t := cutting.Set{Kind: kind, Cut: fit.Graded, Section: section, Across: across, Step: 0.1, Settings: settings}
	n := 0
	for _, g := range settings {
		n += len(g.Pieces)
		t.Spares += g.Spares
	}
	t.Pieces = make([]cutting.Piece, n)
	for i, g := range settings {
		for _, k := range g.Pieces {
			t.Pieces[k-1] = cutting.Piece{ID: fmt.Sprintf("%s%02d", prefixes[kind], k), Number: k, Setting: i}
		}
	}
	return t
}

func sheetOf(bay survey.Place, sets ...cutting.Set) *cutting.Sheet {
	return &cutting.Sheet{Job: "14 Weir Street", Bay: bay, Code: cutting.ShortCode(string(bay)), Sets: sets}
}

// upTo counts 1 to n.
func upTo(n int) []int {
	out := make([]int, n)
	for i := range out {
		out[i] = i + 1
	}
	return out
}

// plainSheet has one setting: so many spindles of a length, square.
func plainSheet(bay survey.Place, n int, length float64) *cutting.Sheet {
	return sheetOf(bay, setOf(pieces.Spindle, "41 x 41 mm", 41, setting("A", pieces.Spindle, length, 41, [2]float64{}, upTo(n), 0, false)))
}

// anySheets draws sheets of a job.
func anySheets(t *rapid.T) []*cutting.Sheet {
	var out []*cutting.Sheet
	for i := range rapid.IntRange(1, 3).Draw(t, "bays") {
		pitch := math.Round(rapid.Float64Range(-45, 45).Draw(t, "pitch")*10) / 10
		var sets []cutting.Set
		for _, kind := range []pieces.Kind{pieces.Spindle, pieces.BaseFillet, pieces.RailFillet} {
			if rapid.IntRange(0, 3).Draw(t, "none") == 0 {
				continue
			}
			section, across, base := "41 x 41 mm", 41.0, 800.0
			if kind != pieces.Spindle {
				section, across, base = rapid.SampledFrom([]string{"41 x 8 mm", "8 x 41 mm"}).Draw(t, "section"), 8, 100
				if section == "8 x 41 mm" {
					across = 41
				}
			}
			var settings []cutting.Setting
			number := 0
			for s := range rapid.IntRange(1, 4).Draw(t, "settings") {
				var which []int
				for range rapid.IntRange(1, 6).Draw(t, "pieces") {
					number++
					which = append(which, number)
				}
				off := func(name string) float64 {
					return pitch + float64(rapid.SampledFrom([]int{0, 0, 0, 3, -4}).Draw(t, name))/10
				}
				bevel := [2]float64{off("low"), off("high")}
				if rapid.IntRange(0, 5).Draw(t, "square") == 0 {
					bevel[rapid.IntRange(0, 1).Draw(t, "end")] = 0
				}
				length := base + rapid.Float64Range(0, 60).Draw(t, "length")
				settings = append(settings, setting(string(rune('A'+s)), kind, length, across, bevel, which, rapid.IntRange(0, 1).Draw(t, "spares"), rapid.IntRange(0, 4).Draw(t, "fit") == 0))
			}
			sets = append(sets, setOf(kind, section, across, settings...))
		}
		out = append(out, sheetOf(survey.Place(fmt.Sprintf("F%d/left", i+1)), sets...))
	}
	return out
}
