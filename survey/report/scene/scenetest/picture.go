// Package scenetest holds pages to pictures that were looked at.
package scenetest

import (
	"bytes"
	"image/png"
	"os"
	"testing"

	"pinchrod/survey/report/scene"
)

// dpi of a picture on a screen, where A4 is 794 pixels wide.
const dpi = 96

// Picture compares a page, pixel by pixel, with a PNG file, or writes the file
// anew. Its bytes can differ: how well a PNG is packed is its writer's affair.
func Picture(t *testing.T, file string, p scene.Page, update bool) {
	t.Helper()
	var b bytes.Buffer
	if err := scene.PNG(&b, p, dpi); err != nil {
		t.Fatal(err)
	}
	if update {
		if err := os.WriteFile(file, b.Bytes(), 0o644); err != nil {
			t.Fatal(err)
		}
	}
	f, err := os.Open(file)
	if err != nil {
		t.Fatal(err)
	}
	defer f.Close()
	want, err := png.Decode(f)
	if err != nil {
		t.Fatalf("%s: %v", file, err)
	}
	got, err := png.Decode(&b)
	if err != nil {
		t.Fatal(err)
	}
	if got.Bounds() != want.Bounds() {
		t.Fatalf("%s: %v, want %v; -update writes it anew", file, got.Bounds(), want.Bounds())
	}
	r := want.Bounds()
	for y := r.Min.Y; y < r.Max.Y; y++ {
		for x := r.Min.X; x < r.Max.X; x++ {
			if got.At(x, y) != want.At(x, y) {
				t.Fatalf("%s differs at %d, %d; -update writes it anew, then look at it", file, x, y)
			}
		}
	}
}
