//go:build browser

package bench

import (
	"bytes"
	"cmp"
	"context"
	"flag"
	"fmt"
	"image"
	"image/color"
	"image/draw"
	"image/png"
	"maps"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"testing"

	devtools "github.com/chromedp/cdproto/page"
	"github.com/chromedp/chromedp"
)

var shots = flag.String("shots", "", "folder that pictures of all pages are written to")

// seen are the pages that a person sees, by a short name.
func seen() map[string]string {
	return map[string]string{
		"jobs": "/", "job": base, "bay": base + "/F1/left", "drift": base + "/F1/right", "slip": base + "/F2/left",
		"what-if": base + "/F1/left?joint=1.5&target=60", "sheet": base + "/F1/left/sheet", "graded": base + "/F1/right/sheet",
		"later": base + "/F2/left/sheet", "stock": base + "/stock",
	}
}

// TestBrowserShots writes what the pages look like: at a desk, on a phone, on paper.
// Without the flag it only sees that each can be drawn.
func TestBrowserShots(t *testing.T) {
	b := open(t, demo(t))
	write := func(name string, data []byte) {
		if len(data) == 0 {
			t.Errorf("%s: nothing drawn", name)
		}
		if *shots == "" {
			return
		}
		if err := os.WriteFile(filepath.Join(*shots, name), data, 0o666); err != nil {
			t.Fatal(err)
		}
	}
	for name, path := range seen() {
		b.see(path)
		var desk, phone, paper []byte
		b.do(chromedp.EmulateViewport(1280, 900), chromedp.FullScreenshot(&desk, 100))
		b.phone()
		b.do(chromedp.FullScreenshot(&phone, 100), print(&paper))
		for end, data := range map[string][]byte{"desk.png": desk, "phone.png": phone, "paper.pdf": paper} {
			write(strings.Join([]string{name, end}, "-"), data)
		}
	}
}

// TestBrowserShotOfBay draws the picture of a bay's page for the README, when it is told
// to with -update. Two machines letter a page differently, so that nothing else is
// held to it; see TestPicture.
func TestBrowserShotOfBay(t *testing.T) {
	b := open(t, demo(t))
	b.see(base + "/F1/right")
	var shot []byte
	b.do(chromedp.EmulateViewport(shotWide, shotHigh), chromedp.Poll(`[...document.images].every((i) => i.complete)`, nil), chromedp.CaptureScreenshot(&shot))
	whole, err := png.Decode(bytes.NewReader(shot))
	if err != nil {
		t.Fatal(err)
	}
	if size := whole.Bounds().Size(); size != image.Pt(shotWide, shotHigh) {
		t.Fatalf("drawn %v, want %d x %d", size, shotWide, shotHigh)
	}
	if !*update {
		return
	}
	var out bytes.Buffer
	if err := (&png.Encoder{CompressionLevel: png.BestCompression}).Encode(&out, fewColours(whole)); err != nil {
		t.Fatal(err)
	}
	if err := os.WriteFile(shotFile, out.Bytes(), 0o666); err != nil {
		t.Fatal(err)
	}
}

// fewColours is a picture in the 256 colours that it has most of, each pixel in the
// nearest.
func fewColours(whole image.Image) *image.Paletted {
	count := map[color.Color]int{}
	r := whole.Bounds()
	for y := r.Min.Y; y < r.Max.Y; y++ {
		for x := r.Min.X; x < r.Max.X; x++ {
			count[whole.At(x, y)]++
		}
	}
	all := slices.Collect(maps.Keys(count))
	slices.SortFunc(all, func(a, b color.Color) int {
		return cmp.Or(cmp.Compare(count[b], count[a]), strings.Compare(fmt.Sprint(a), fmt.Sprint(b)))
	})
	out := image.NewPaletted(r, all[:min(len(all), 256)])
	draw.Draw(out, r, whole, r.Min, draw.Src)
	return out
}

// print makes a PDF of the page as a browser prints it on A4.
func print(into *[]byte) chromedp.Action {
	return chromedp.ActionFunc(func(ctx context.Context) (err error) {
		*into, _, err = devtools.PrintToPDF().WithPreferCSSPageSize(true).WithPrintBackground(false).Do(ctx)
		return err
	})
}
