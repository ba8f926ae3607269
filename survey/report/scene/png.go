package scene

import (
	"bytes"
	"encoding/binary"
	"fmt"
	"hash/crc32"
	"image"
	"image/png"
	"io"
	"math"

	"golang.org/x/image/font/sfnt"
	"golang.org/x/image/math/fixed"
	"golang.org/x/image/vector"
)

// Bounds of a resolution, and of the pixels of one picture (A2 at 600 dpi).
const (
	minDPI    = 10
	maxDPI    = 2400
	maxPixels = 140_000_000
)

// PNG writes a page as a picture in greys, which knows its true size. The error
// wraps [ErrPage], or is the writer's.
func PNG(w io.Writer, p Page, dpi float64) error {
	img, err := raster(p, dpi)
	if err != nil {
		return fmt.Errorf("writing PNG: %w", err)
	}
	var buf bytes.Buffer
	if err := png.Encode(&buf, img); err != nil {
		return fmt.Errorf("writing PNG: %w", err)
	}
	if _, err := w.Write(sized(buf.Bytes(), dpi)); err != nil {
		return fmt.Errorf("writing PNG: %w", err)
	}
	return nil
}

// sized puts the pixels per metre behind the picture's header, which is 8 bytes
// of signature and 25 of IHDR (PNG, 11.3.5.3 pHYs, from memory).
func sized(doc []byte, dpi float64) []byte {
	const header = 8 + 25
	per := uint32(math.Round(dpi / 0.0254))
	chunk := binary.BigEndian.AppendUint32(nil, 9)
	chunk = append(chunk, "pHYs"...)
	chunk = binary.BigEndian.AppendUint32(chunk, per)
	chunk = binary.BigEndian.AppendUint32(chunk, per)
	chunk = append(chunk, 1)
	chunk = binary.BigEndian.AppendUint32(chunk, crc32.ChecksumIEEE(chunk[4:]))
	out := append(doc[:header:header], chunk...)
	return append(out, doc[header:]...)
}

func raster(p Page, dpi float64) (*image.Gray, error) {
	if err := p.check(); err != nil {
		return nil, err
	}
	if !(dpi >= minDPI && dpi <= maxDPI) {
		return nil, fmt.Errorf("%w: %g dots per inch, expected %d to %d", ErrPage, dpi, minDPI, maxDPI)
	}
	k := dpi / 25.4
	w, h := int(math.Round(p.W*k)), int(math.Round(p.H*k))
	if w < 1 || h < 1 || w*h > maxPixels {
		return nil, fmt.Errorf("%w: %d x %d dots, expected at most %d in all", ErrPage, w, h, maxPixels)
	}
	c := &canvas{img: image.NewGray(image.Rect(0, 0, w, h)), k: k}
	for i := range c.img.Pix {
		c.img.Pix[i] = 255
	}
	for _, it := range p.Items {
		c.item(it)
	}
	return c.img, nil
}

// canvas paints on a picture of k dots per mm.
type canvas struct {
	img  *image.Gray
	k    float64
	ras  vector.Rasterizer
	mask image.Alpha
}

func (c *canvas) item(it Item) {
	switch it := it.(type) {
	case Line:
		c.stroke([]Point{it.A, it.B}, false, it.Pen)
	case Poly:
		if it.Fill != Clear && len(it.Points) > 2 {
			c.paint([][]Point{it.Points}, it.Fill)
		}
		c.stroke(it.Points, it.Closed, it.Pen)
	case Arc:
		if it.Fill != Clear {
			c.paint([][]Point{it.flat(true)}, it.Fill)
		}
		c.stroke(it.flat(false), it.whole(), it.Pen)
	case Text:
		c.text(it)
	case Modules:
		var polys [][]Point
		it.rects(func(x, y, w, h float64) { polys = append(polys, Box(Point{x, y}, w, h, Pen{}, Black).Points) })
		c.paint(polys, Black)
	}
}

func (c *canvas) stroke(pts []Point, closed bool, pen Pen) {
	if pen.Weight == NoLine || len(pts) < 2 {
		return
	}
	shade := pen.Shade
	if shade == Clear {
		shade = Black
	}
	c.paint(outline(pts, closed, pen), shade)
}

// paint fills polygons with a shade. Those that turn the same way round add up
// where they lie on each other.
func (c *canvas) paint(polys [][]Point, s Shade) {
	segs := make([]segment, 0, 64)
	for _, poly := range polys {
		for i, p := range poly {
			segs = append(segs, segment{op: sfnt.SegmentOp(min(i, 1)), p: [3]Point{p}})
		}
	}
	c.fill(segs, s)
}

// segment is a step of an outline, in mm: a move, a line, or a curve.
type segment struct {
	op sfnt.SegmentOp
	p  [3]Point
}

var argsOf = [...]int{sfnt.SegmentOpMoveTo: 1, sfnt.SegmentOpLineTo: 1, sfnt.SegmentOpQuadTo: 2, sfnt.SegmentOpCubeTo: 3}

func (c *canvas) fill(segs []segment, s Shade) {
	if len(segs) == 0 {
		return
	}
	low, high := Point{math.Inf(1), math.Inf(1)}, Point{math.Inf(-1), math.Inf(-1)}
	for _, g := range segs {
		for _, p := range g.p[:argsOf[g.op]] {
			low, high = Point{min(low.X, p.X), min(low.Y, p.Y)}, Point{max(high.X, p.X), max(high.Y, p.Y)}
		}
	}
	// The rasterizer works on the part of the picture that is touched.
	b := image.Rect(int(math.Floor(low.X*c.k)), int(math.Floor(low.Y*c.k)), int(math.Ceil(high.X*c.k))+1, int(math.Ceil(high.Y*c.k))+1).Intersect(c.img.Bounds())
	if b.Empty() {
		return
	}
	c.ras.Reset(b.Dx(), b.Dy())
	at := func(p Point) (x, y float32) {
		return float32(p.X*c.k - float64(b.Min.X)), float32(p.Y*c.k - float64(b.Min.Y))
	}
	for i, g := range segs {
		x, y := at(g.p[0])
		x1, y1 := at(g.p[1])
		x2, y2 := at(g.p[2])
		switch g.op {
		case sfnt.SegmentOpMoveTo:
			if i > 0 {
				c.ras.ClosePath()
			}
			c.ras.MoveTo(x, y)
		case sfnt.SegmentOpLineTo:
			c.ras.LineTo(x, y)
		case sfnt.SegmentOpQuadTo:
			c.ras.QuadTo(x, y, x1, y1)
		case sfnt.SegmentOpCubeTo:
			c.ras.CubeTo(x, y, x1, y1, x2, y2)
		}
	}
	c.ras.ClosePath()
	c.blend(b, s)
}

// blend lays a shade through the rasterizer's mask on the part b of the picture.
func (c *canvas) blend(b image.Rectangle, s Shade) {
	if n := b.Dx() * b.Dy(); cap(c.mask.Pix) < n {
		c.mask.Pix = make([]uint8, n)
	}
	c.mask.Stride, c.mask.Rect = b.Dx(), image.Rect(0, 0, b.Dx(), b.Dy())
	c.mask.Pix = c.mask.Pix[:b.Dx()*b.Dy()]
	clear(c.mask.Pix)
	c.ras.Draw(&c.mask, c.mask.Rect, image.Opaque, image.Point{})
	to := int(s.grey())
	for y := range b.Dy() {
		row := c.img.Pix[c.img.PixOffset(b.Min.X, b.Min.Y+y):]
		for x, a := range c.mask.Pix[y*b.Dx() : (y+1)*b.Dx()] {
			if a != 0 {
				was := int(row[x])
				row[x] = uint8(was + ((to-was)*int(a)+sign(to-was)*127)/255)
			}
		}
	}
}

func sign(n int) int {
	if n < 0 {
		return -1
	}
	return 1
}

func (c *canvas) text(t Text) {
	f := faceOf(t.Bold)
	shade := t.Shade
	if shade == Clear {
		shade = Black
	}
	sin, cos := math.Sincos(t.Angle * math.Pi / 180)
	em := t.em()
	pen := t.start()
	var segs []segment
	for _, r := range drawable(t.S) {
		g := f.glyph(r)
		for _, s := range f.outline(g.index) {
			out := segment{op: s.Op}
			for i := range argsOf[s.Op] {
				x, y := float64(s.Args[i].X)/64/f.em*em, float64(s.Args[i].Y)/64/f.em*em
				out.p[i] = Point{pen.X + x*cos + y*sin, pen.Y - x*sin + y*cos}
			}
			segs = append(segs, out)
		}
		pen = pen.Add(Point{cos, -sin}.Mul(g.advance * em))
	}
	c.fill(segs, shade)
}

// outline are the curves of a glyph at one unit of the font a dot.
func (f *face) outline(g sfnt.GlyphIndex) sfnt.Segments {
	f.mu.Lock()
	defer f.mu.Unlock()
	s, err := f.font.LoadGlyph(&f.buf, g, fixed.I(int(f.em)), nil)
	if err != nil {
		return nil // only of a damaged font
	}
	// The next call of LoadGlyph writes over them.
	return append(sfnt.Segments(nil), s...)
}
