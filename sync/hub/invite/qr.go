package invite

import (
	"fmt"
	"strings"

	"rsc.io/qr"
)

// quiet is the width of the light margin around a QR code (ISO/IEC 18004 asks
// for four modules).
const quiet = 4

// A Code is a QR code for a terminal.
type Code struct{ code *qr.Code }

// QR makes the QR code of a text. A screen has no stains, so the lowest level
// of correction does: the code is the smaller for it.
func QR(text string) (*Code, error) {
	c, err := qr.Encode(text, qr.L)
	if err != nil {
		return nil, fmt.Errorf("making a QR code: %w", err)
	}
	return &Code{c}, nil
}

// Side returns the code's side in modules, its quiet margin among them.
func (c *Code) Side() int { return c.code.Size + 2*quiet }

// dark reports whether a module is dark, counted from the margin's corner.
func (c *Code) dark(x, y int) bool { return c.code.Black(x-quiet, y-quiet) }

// Blocks draws the code with half blocks: Side columns wide, and half as many
// lines. lightInk says that the terminal writes light on dark; the light
// modules are then what is written.
func (c *Code) Blocks(lightInk bool) string {
	ink := func(x, y int) bool { return c.dark(x, y) != lightInk }
	return c.draw(2, func(b *strings.Builder, x, y int) {
		b.WriteString([...]string{" ", "▄", "▀", "█"}[2*bit(ink(x, y))+bit(ink(x, y+1))])
	})
}

// Plain draws the code with number signs: two columns a module, one line each.
func (c *Code) Plain(lightInk bool) string {
	return c.draw(1, func(b *strings.Builder, x, y int) {
		b.WriteString([...]string{"  ", "##"}[bit(c.dark(x, y) != lightInk)])
	})
}

func (c *Code) draw(rows int, cell func(b *strings.Builder, x, y int)) string {
	var b strings.Builder
	for y := 0; y < c.Side(); y += rows {
		for x := range c.Side() {
			cell(&b, x, y)
		}
		b.WriteByte('\n')
	}
	return b.String()
}

func bit(b bool) int {
	if b {
		return 1
	}
	return 0
}
