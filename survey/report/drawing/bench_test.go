package drawing

import (
	"io"
	"testing"

	"pinchrod/survey/report/scene"
)

func BenchmarkBay(b *testing.B) {
	bay := demoBay(b)
	for b.Loop() {
		Bay(bay, Posts{90, 90}, demoSheet)
	}
}

func BenchmarkSVG(b *testing.B) {
	page := Bay(demoBay(b), Posts{90, 90}, demoSheet)[0]
	for b.Loop() {
		if err := scene.SVG(io.Discard, page); err != nil {
			b.Fatal(err)
		}
	}
}

func BenchmarkPDF(b *testing.B) {
	pages := Bay(demoBay(b), Posts{90, 90}, demoSheet)
	for b.Loop() {
		if err := scene.PDF(io.Discard, pages, scene.Meta{}); err != nil {
			b.Fatal(err)
		}
	}
}

func BenchmarkPNG(b *testing.B) {
	page := Bay(demoBay(b), Posts{90, 90}, demoSheet)[0]
	for b.Loop() {
		if err := scene.PNG(io.Discard, page, 150); err != nil {
			b.Fatal(err)
		}
	}
}
