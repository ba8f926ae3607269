package bench

import (
	"bytes"
	"image/png"
	"os"
	"testing"
)

// The picture of a bay's page in the README: its file, and its size in pixels.
const (
	shotFile           = "../../../testdata/pictures/page.png"
	shotWide, shotHigh = 1000, 1300
)

// The README shows a page; TestBrowserShotOfBay draws it.
func TestPicture(t *testing.T) {
	t.Parallel()
	b, err := os.ReadFile(shotFile)
	if err != nil {
		t.Fatal(err)
	}
	c, err := png.DecodeConfig(bytes.NewReader(b))
	if err != nil {
		t.Fatal(err)
	}
	const most = 150_000 // bytes, of what every clone carries
	if c.Width != shotWide || c.Height != shotHigh || len(b) > most {
		t.Errorf("%d x %d in %d bytes, want %d x %d in up to %d", c.Width, c.Height, len(b), shotWide, shotHigh, most)
	}
}
