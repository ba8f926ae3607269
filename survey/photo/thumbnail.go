package photo

import (
	"bytes"
	"encoding/binary"
	"fmt"
	"image"
	"image/color"
	"image/jpeg"
	"image/png"

	"golang.org/x/image/draw"
)

// Limits of what is decoded, for a small file can claim to be a large picture.
// All are common practice, no source.
const (
	maxPixels = 100_000_000 // twice what a telephone takes
	maxSide   = 1<<16 - 1   // JPEG's own; PNG could be one pixel wide and a hundred million high
	maxMemory = 512 << 20   // an eighth of a small tablet's
	maxScans  = 100         // of a progressive JPEG, each a walk over the whole picture; programs write about ten
	maxThumb  = 2048        // side of the small picture
)

// thumbQuality is image/jpeg's scale of 1 to 100; at 80 a small picture shows no
// blocks. Common practice, no source.
const thumbQuality = 80

// Thumbnail makes a small JPEG picture of at most side pixels on its longer
// side, upright, without EXIF, and white where the original is transparent. A
// picture that is smaller already keeps its size. side is 1 to 2048.
//
// A picture of more than 100 megapixels, or one that would take more than
// 512 MiB to decode, is refused with [ErrTooLarge] before it is decoded.
func Thumbnail(b []byte, side int) ([]byte, error) {
	small, err := thumbnail(b, side)
	if err != nil {
		return nil, fmt.Errorf("making a small picture: %w", err)
	}
	return small, nil
}

func thumbnail(b []byte, side int) ([]byte, error) {
	if side < 1 || side > maxThumb {
		return nil, fmt.Errorf("of %d pixels: from 1 to %d", side, maxThumb)
	}
	f, err := Info(b)
	if err != nil {
		return nil, err
	}
	w, h := shrink(f.Width, f.Height, side)
	if err := affordable(b, f, w); err != nil {
		return nil, err
	}
	decode := jpeg.Decode
	if f.Type == PNG {
		decode = png.Decode
	}
	full, err := decode(bytes.NewReader(b))
	if err != nil {
		return nil, fmt.Errorf("%w: %w", ErrMalformed, err)
	}
	small := image.NewRGBA(image.Rect(0, 0, w, h))
	draw.Draw(small, small.Bounds(), image.NewUniform(color.White), image.Point{}, draw.Src)
	draw.BiLinear.Scale(small, small.Bounds(), full, full.Bounds(), draw.Over, nil)
	var out bytes.Buffer
	if err := jpeg.Encode(&out, upright(small, f.Orientation), &jpeg.Options{Quality: thumbQuality}); err != nil {
		return nil, err
	}
	return out.Bytes(), nil
}

// shrink gives the size that fits into a square, in the same shape.
func shrink(w, h, side int) (int, int) {
	long := max(w, h)
	if long <= side {
		return w, h
	}
	return max(1, (w*side+long/2)/long), max(1, (h*side+long/2)/long)
}

// affordable refuses what would take too much to decode and to scale to a
// width of w.
func affordable(b []byte, f Facts, w int) error {
	if n := int64(f.Width) * int64(f.Height); n > maxPixels || max(f.Width, f.Height) > maxSide {
		return fmt.Errorf("%d × %d pixels is %w: at most %d million, and %d a side", f.Width, f.Height, ErrTooLarge, maxPixels/1_000_000, maxSide)
	}
	var need int64
	if f.Type == PNG {
		need = pngMemory(b, f)
	} else {
		var err error
		if need, err = jpegMemory(b); err != nil {
			return err
		}
	}
	// Scaling holds four float64 for every row of the original and column of
	// the small one.
	need += int64(w) * int64(f.Height) * 4 * 8
	if need > maxMemory {
		return fmt.Errorf("%d × %d pixels of this kind are %w: they need %d MiB of at most %d; save the picture smaller",
			f.Width, f.Height, ErrTooLarge, need>>20, maxMemory>>20)
	}
	return nil
}

// pngMemory is what image/png holds at most: four bytes a pixel, eight where
// the samples have 16 bits, and twice that for an interlaced picture, whose
// passes are decoded on their own.
func pngMemory(b []byte, f Facts) int64 {
	const header = len(pngStart) + 8 // IHDR, which Info has read
	need := int64(f.Width) * int64(f.Height) * 4
	if b[header+8] == 16 {
		need *= 2
	}
	if b[header+12] != 0 {
		need *= 2
	}
	return need
}

// jpegMemory is what image/jpeg holds at most: a byte a sample; four more a
// sample for a progressive picture, whose coefficients wait for the last scan;
// four more a pixel where the colours are not YCbCr and are converted. It walks
// through the file, so one that is cut short is refused here.
func jpegMemory(b []byte) (int64, error) {
	var frame []byte
	progressive, convert, scans := false, false, 0
	_, err := walkJPEG(b, func(marker byte, data []byte) error {
		switch {
		case marker >= markSOF0 && marker <= markSOF2 && frame == nil:
			frame, progressive = data, marker == markSOF2
		case marker == markAPP0+14:
			convert = true // Adobe: it may be RGB
		case marker == markSOS:
			if scans++; scans > maxScans {
				return fmt.Errorf("more than %d scans are %w", maxScans, ErrTooLarge)
			}
		}
		return nil
	})
	if err != nil {
		return 0, err
	}
	// Precision, height, width, number of components; then of each its name,
	// its two sampling factors, its table (ITU-T T.81, B.2.2).
	if len(frame) < 6 || len(frame) < 6+3*int(frame[5]) {
		return 0, malformed("no frame")
	}
	n, area, most := int(frame[5]), 0, [2]int{1, 1}
	for i := range n {
		factors := frame[6+3*i+1]
		across, down := int(factors>>4), int(factors&15)
		area += across * down
		most = [2]int{max(most[0], across), max(most[1], down)}
		convert = convert || frame[6+3*i] == "RGBA"[min(i, 3)]
	}
	convert = convert || n > 3
	// Whole blocks of 8 × 8 by the largest factor, 4, are decoded.
	block := func(side int) int64 { return int64(side+31) / 32 * 32 }
	pixels := block(int(binary.BigEndian.Uint16(frame[3:]))) * block(int(binary.BigEndian.Uint16(frame[1:])))
	samples := pixels * int64(area) / int64(most[0]*most[1])
	need := samples
	if progressive {
		need += 4 * samples
	}
	if convert {
		need += 4 * pixels
	}
	return need, nil
}

// upright turns a picture as its orientation says. Of the stored picture, row
// 0 is what orientation names first, column 0 what it names second (tag
// 0x0112, CIPA DC-008): 1 top, left; 2 top, right; 3 bottom, right; 4 bottom,
// left; 5 left, top; 6 right, top; 7 right, bottom; 8 left, bottom.
func upright(m *image.RGBA, orientation int) *image.RGBA {
	w, h := m.Rect.Dx(), m.Rect.Dy()
	x2, y2 := w-1, h-1
	var place func(x, y int) (int, int)
	switch orientation {
	case 2:
		place = func(x, y int) (int, int) { return x2 - x, y }
	case 3:
		place = func(x, y int) (int, int) { return x2 - x, y2 - y }
	case 4:
		place = func(x, y int) (int, int) { return x, y2 - y }
	case 5:
		place = func(x, y int) (int, int) { return y, x }
	case 6:
		place = func(x, y int) (int, int) { return y2 - y, x }
	case 7:
		place = func(x, y int) (int, int) { return y2 - y, x2 - x }
	case 8:
		place = func(x, y int) (int, int) { return y, x2 - x }
	default:
		return m
	}
	if orientation > 4 {
		w, h = h, w
	}
	out := image.NewRGBA(image.Rect(0, 0, w, h))
	for y := range m.Rect.Dy() {
		for x := range m.Rect.Dx() {
			px, py := place(x, y)
			out.SetRGBA(px, py, m.RGBAAt(x, y))
		}
	}
	return out
}
