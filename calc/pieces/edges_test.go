package pieces_test

import (
	"testing"

	"pinchrod/calc/calctest"
	"pinchrod/calc/frame"
	"pinchrod/calc/pieces"
)

// Nothing is refused for being small: a model of a bay is one.
func TestSmall(t *testing.T) {
	spindles, base, rail := all(t, frame.Plane{Run: 0.9, Gap: 0.8}, []float64{0.45}, 0.1, 0)
	for _, c := range []struct {
		name      string
		got, want float64
	}{{"spindle", spindles[0].Length, 0.8}, {"base fillet", base[0].Length, 0.4}, {"last base fillet", base[1].Length, 0.4}, {"rail fillet", rail[0].Length, 0.4}} {
		if !calctest.Near(c.got, c.want, 1e-12) {
			t.Errorf("%s of %g mm, want %g", c.name, c.got, c.want)
		}
	}
}

// A bevel below a thousandth of a microradian is rounding, and has no long point; one that is above has.
func TestSquare(t *testing.T) {
	for _, c := range []struct {
		slope      float64
		foot, head pieces.Side
	}{
		{0, pieces.Neither, pieces.Neither}, {5e-10, pieces.Neither, pieces.Neither}, {-5e-10, pieces.Neither, pieces.Neither},
		{5e-9, pieces.LowerEdge, pieces.UpperEdge}, {-5e-9, pieces.UpperEdge, pieces.LowerEdge},
	} {
		p, err := pieces.Spindles(frame.Plane{Run: 1200, Gap: 900, BaseSlope: c.slope, RailSlope: c.slope}, []float64{600}, 40)
		if err != nil {
			t.Fatal(err)
		}
		if got := p[0].Ends; got[0].LongPoint != c.foot || got[1].LongPoint != c.head {
			t.Errorf("slope %g: long points %s and %s, want %s and %s", c.slope, got[0].LongPoint, got[1].LongPoint, c.foot, c.head)
		}
	}
}

func TestNames(t *testing.T) {
	for kind, want := range map[pieces.Kind]string{0: "no piece", pieces.Spindle: "spindle", pieces.BaseFillet: "base fillet", pieces.RailFillet: "rail fillet", 9: "no piece"} {
		if got := kind.String(); got != want {
			t.Errorf("kind %d is %q, want %q", kind, got, want)
		}
	}
	for side, want := range map[pieces.Side]string{
		pieces.Neither: "neither", pieces.LowerEdge: "downhill side", pieces.UpperEdge: "uphill side", pieces.RailFace: "rail face", pieces.OpenFace: "open face", 9: "neither",
	} {
		if got := side.String(); got != want {
			t.Errorf("side %d is %q, want %q", side, got, want)
		}
	}
}
