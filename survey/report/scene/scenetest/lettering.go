package scenetest

import (
	"io"

	"pinchrod/survey/report/scene"
)

// Texts are the lines of lettering on a page.
func Texts(p scene.Page) []scene.Text {
	var out []scene.Text
	for _, it := range p.Items {
		if t, ok := it.(scene.Text); ok {
			out = append(out, t)
		}
	}
	return out
}

// Block is what a level text fills, without the room for accents and tails, mm.
type Block struct {
	scene.Text
	X0, Y0, X1, Y1 float64
}

// Blocks are what the lettering of a page fills.
func Blocks(p scene.Page) []Block {
	var out []Block
	for _, t := range Texts(p) {
		c := t.Corners()
		out = append(out, Block{t, c[0].X, t.At.Y - t.H, c[1].X, t.At.Y})
	}
	return out
}

// LaidOut checks that a page can be written, that all its lettering is so many mm
// inside the paper and so high at least, and that no two lines lie on each other.
func LaidOut(t interface{ Errorf(string, ...any) }, p scene.Page, inset, least float64) {
	if err := scene.SVG(io.Discard, p); err != nil {
		t.Errorf("%s: %v", p.Title, err)
	}
	const near = 0.01 // mm: a tenth of a printer's dot
	all := Blocks(p)
	for i, a := range all {
		if a.X0 < inset-near || a.X1 > p.W-inset+near || a.Y0 < inset-near || a.Y1 > p.H-inset+near {
			t.Errorf("%s: %q reaches to %.1f, %.1f and %.1f, %.1f", p.Title, a.S, a.X0, a.Y0, a.X1, a.Y1)
		}
		if a.H < least {
			t.Errorf("%s: %q is %.1f mm high", p.Title, a.S, a.H)
		}
		for _, b := range all[:i] {
			if min(a.X1, b.X1)-max(a.X0, b.X0) > 5*near && min(a.Y1, b.Y1)-max(a.Y0, b.Y0) > 5*near {
				t.Errorf("%s: %q lies on %q at %.1f, %.1f", p.Title, a.S, b.S, a.X0, a.Y1)
			}
		}
	}
}
