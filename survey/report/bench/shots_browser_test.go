//go:build browser

package bench

import (
	"context"
	"flag"
	"os"
	"path/filepath"
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

// TestShots writes what the pages look like: at a desk, on a phone, on paper.
// Without the flag it only sees that each can be drawn.
func TestShots(t *testing.T) {
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

// TestShotOfBay is the picture of a bay's page for the README.
func TestShotOfBay(t *testing.T) {
	b := open(t, demo(t))
	b.see(base + "/F1/right")
	var png []byte
	b.do(chromedp.EmulateViewport(1000, 1000), chromedp.CaptureScreenshot(&png))
	const most = 150_000
	if len(png) == 0 || len(png) > most {
		t.Errorf("%d bytes, want up to %d", len(png), most)
	}
	if *shots != "" {
		if err := os.WriteFile(filepath.Join(*shots, "bay.png"), png, 0o666); err != nil {
			t.Fatal(err)
		}
	}
}

// print makes a PDF of the page as a browser prints it on A4.
func print(into *[]byte) chromedp.Action {
	return chromedp.ActionFunc(func(ctx context.Context) (err error) {
		*into, _, err = devtools.PrintToPDF().WithPreferCSSPageSize(true).WithPrintBackground(false).Do(ctx)
		return err
	})
}
