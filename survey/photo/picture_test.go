package photo

import (
	"bytes"
	"encoding/binary"
	"errors"
	"image"
	"image/color"
	"image/draw"
	"image/jpeg"
	"math/rand/v2"
	"runtime"
	"testing"
)

func encodeRGBA(m image.Image) []byte {
	out := image.NewRGBA(m.Bounds())
	draw.Draw(out, out.Rect, m, m.Bounds().Min, draw.Src)
	return out.Pix
}

func TestInfo(t *testing.T) {
	for _, o := range orders {
		in, _ := cameraJPEG(t, o)
		want := Facts{JPEG, 64, 48, 6, "2026-11-25T14:30:05+01:00"}
		if got, err := Info(in); got != want || err != nil {
			t.Errorf("%v: Info = %+v, %v; want %+v", o, got, err, want)
		}
		out, _ := mustStrip(t, in)
		if got, err := Info(out); got != want || err != nil {
			t.Errorf("%v: stripped: Info = %+v, %v; want %+v", o, got, err, want)
		}
		block := buildTIFF(o, camera(o, encodeJPEG(t, scene(8, 8))))
		want.Type, want.Width, want.Height = PNG, 9, 7
		if got, err := Info(withChunks(encodePNG(t, scene(9, 7)), chunk("eXIf", block))); got != want || err != nil {
			t.Errorf("%v: PNG: Info = %+v, %v; want %+v", o, got, err, want)
		}
	}
	plain := Facts{JPEG, 5, 4, 1, ""}
	for name, segments := range map[string][][]byte{
		"no EXIF":          nil,
		"broken EXIF":      {exifSegment([]byte("MM\x00*\xff\xff\xff\xff"))},
		"EXIF cut short":   {segment(markAPP0+1, []byte("Exif\x00"))},
		"orientation 9":    {exifSegment(buildTIFF(binary.BigEndian, &dir{items: []item{{tag: tagOrientation, kind: kindShort, data: []byte{0, 9}}}}))},
		"two orientations": {exifSegment(buildTIFF(binary.BigEndian, &dir{items: []item{{tag: tagOrientation, kind: kindShort, data: []byte{0, 3, 0, 3}}}}))},
	} {
		if got, err := Info(withSegments(encodeJPEG(t, scene(5, 4)), segments...)); got != plain || err != nil {
			t.Errorf("%s: Info = %+v, %v; want %+v", name, got, err, plain)
		}
	}
	if _, err := Info([]byte(jpegStart)); !errors.Is(err, ErrMalformed) {
		t.Errorf("a bare start: %v, want ErrMalformed", err)
	}
	if _, err := Info([]byte("BM")); !errors.Is(err, ErrType) {
		t.Errorf("another type: %v, want ErrType", err)
	}
}

func TestTaken(t *testing.T) {
	for _, tt := range []struct{ local, offset, want string }{
		{"2026:11:25 14:30:05", "", "2026-11-25T14:30:05"},
		{"2026:11:25 14:30:05", "-03:30", "2026-11-25T14:30:05-03:30"},
		{"2026:11:25 14:30:05", "   :  ", "2026-11-25T14:30:05"},
		{"    :  :     :  :  ", "", ""},
		{"0000:00:00 00:00:00", "", ""},
		{"", "", ""},
	} {
		if got := taken(tt.local, tt.offset); got != tt.want {
			t.Errorf("taken(%q, %q) = %q, want %q", tt.local, tt.offset, got, tt.want)
		}
	}
}

// corner tells what colour a picture shows near a corner.
func corner(m image.Image, right, bottom bool) string {
	b := m.Bounds()
	x, y := b.Min.X+b.Dx()/8, b.Min.Y+b.Dy()/8
	if right {
		x = b.Max.X - 1 - b.Dx()/8
	}
	if bottom {
		y = b.Max.Y - 1 - b.Dy()/8
	}
	r, g, _, _ := m.At(x, y).RGBA()
	switch {
	case r > 0xc000 && g < 0x4000:
		return "red"
	case g > 0xc000 && r < 0x4000:
		return "green"
	}
	return "blue"
}

// Where row 0 and column 0 come to lie is the definition of each orientation:
// tag 0x0112 of CIPA DC-008, from memory. Red is where they meet, green the
// other end of row 0.
func TestThumbnailIsUpright(t *testing.T) {
	type place struct{ right, bottom bool }
	tl, tr, bl, br := place{}, place{right: true}, place{bottom: true}, place{true, true}
	for i, want := range []struct{ red, green place }{
		{tl, tr}, {tr, tl}, {br, bl}, {bl, br}, {tl, bl}, {tr, br}, {br, tr}, {bl, tl},
	} {
		o := binary.LittleEndian
		block := buildTIFF(o, &dir{items: []item{{tag: tagOrientation, kind: kindShort, data: short(o, uint16(i+1))}}})
		b, err := Thumbnail(withSegments(encodeJPEG(t, scene(320, 160)), exifSegment(block)), 64)
		if err != nil {
			t.Fatal(err)
		}
		m, err := jpeg.Decode(bytes.NewReader(b))
		if err != nil {
			t.Fatal(err)
		}
		size := image.Pt(64, 32)
		if i >= 4 {
			size = image.Pt(32, 64)
		}
		if got := m.Bounds().Size(); got != size {
			t.Errorf("orientation %d: size %v, want %v", i+1, got, size)
		}
		if got := corner(m, want.red.right, want.red.bottom); got != "red" {
			t.Errorf("orientation %d: %s where row 0 meets column 0", i+1, got)
		}
		if got := corner(m, want.green.right, want.green.bottom); got != "green" {
			t.Errorf("orientation %d: %s at the end of row 0", i+1, got)
		}
		if had, err := HasPosition(b); had || err != nil || bytes.Contains(b, idExif) {
			t.Errorf("orientation %d: the small picture has EXIF", i+1)
		}
	}
}

func TestThumbnailSizes(t *testing.T) {
	for _, tt := range []struct{ w, h, side, wantW, wantH int }{
		{4000, 3000, 400, 400, 300}, {3000, 4000, 400, 300, 400}, {50, 40, 400, 50, 40},
		{400, 400, 400, 400, 400}, {2000, 1, 100, 100, 1}, {1, 2000, 100, 1, 100}, {65535, 3, 1, 1, 1},
	} {
		if w, h := shrink(tt.w, tt.h, tt.side); w != tt.wantW || h != tt.wantH {
			t.Errorf("shrink(%d, %d, %d) = %d, %d", tt.w, tt.h, tt.side, w, h)
		}
	}
	clear := image.NewNRGBA(image.Rect(0, 0, 200, 100)) // transparent all over
	b, err := Thumbnail(encodePNG(t, clear), 50)
	if err != nil {
		t.Fatal(err)
	}
	m, err := jpeg.Decode(bytes.NewReader(b))
	if err != nil || m.Bounds().Size() != image.Pt(50, 25) {
		t.Fatal(m.Bounds(), err)
	}
	if y := color.GrayModel.Convert(m.At(25, 12)).(color.Gray).Y; y < 250 {
		t.Errorf("transparent shows as grey %d, want white", y)
	}
	for _, side := range []int{0, -1, maxThumb + 1} {
		if _, err := Thumbnail(encodePNG(t, clear), side); err == nil {
			t.Errorf("side %d was taken", side)
		}
	}
}

// header is a PNG file that claims a size and has no image.
func header(w, h uint32, depth, colour, interlace byte) []byte {
	d := binary.BigEndian.AppendUint32(binary.BigEndian.AppendUint32(nil, w), h)
	b := append([]byte(pngStart), chunk("IHDR", append(d, depth, colour, 0, 0, interlace))...)
	return append(append(b, chunk("IDAT", nil)...), chunk("IEND", nil)...)
}

// frame is a JPEG file that claims a size and has no image.
func frame(sof byte, w, h uint16, factors ...byte) []byte {
	d := binary.BigEndian.AppendUint16(binary.BigEndian.AppendUint16([]byte{8}, h), w)
	d = append(d, byte(len(factors)))
	for i, f := range factors {
		d = append(d, byte(i+1), f, 0)
	}
	b := append([]byte{0xff, markSOI}, segment(sof, d)...)
	b = append(b, segment(markSOS, []byte{1, 1, 0, 0, 63, 0})...)
	return append(b, 0xff, markEOI)
}

// A file of a few bytes can claim to be any size; nothing of the size is
// taken up before it is refused.
func TestThumbnailRefusesBombs(t *testing.T) {
	many := frame(markSOF2, 100, 100, 0x11)
	scan := segment(markSOS, []byte{1, 1, 0, 0, 63, 0})
	for range maxScans {
		many = append(many[:len(many)-2], append(scan, 0xff, markEOI)...)
	}
	for name, b := range map[string][]byte{
		"101 megapixels":             header(10100, 10000, 8, 2, 0),
		"a hundred million high":     header(1, 100_000_000, 8, 0, 0),
		"16 bits a sample":           header(10000, 10000, 16, 6, 0),
		"interlaced":                 header(9000, 9000, 8, 6, 1),
		"65535 × 65535":              frame(markSOF0, 65535, 65535, 0x11),
		"progressive, 4:4:4":         frame(markSOF2, 7000, 6000, 0x11, 0x11, 0x11),
		"four components":            frame(markSOF0, 9000, 9000, 0x11, 0x11, 0x11, 0x11),
		"a walk for every two bytes": many,
	} {
		var before, after runtime.MemStats
		runtime.ReadMemStats(&before)
		_, err := Thumbnail(b, 400)
		runtime.ReadMemStats(&after)
		if !errors.Is(err, ErrTooLarge) {
			t.Errorf("%s: %v, want ErrTooLarge", name, err)
		}
		if n := after.TotalAlloc - before.TotalAlloc; n > 1<<20 {
			t.Errorf("%s: %d bytes were taken up", name, n)
		}
	}
	// What a telephone takes is no bomb: it is refused for having no image.
	for name, b := range map[string][]byte{
		"12 megapixels":      frame(markSOF0, 4000, 3000, 0x22, 0x11, 0x11),
		"progressive":        frame(markSOF2, 4000, 3000, 0x22, 0x11, 0x11),
		"12 megapixels, PNG": header(4000, 3000, 8, 6, 0),
	} {
		if _, err := Thumbnail(b, 400); !errors.Is(err, ErrMalformed) {
			t.Errorf("%s: %v, want ErrMalformed", name, err)
		}
	}
}

// The samples of a picture, by hand: of 4:2:0 one and a half a pixel.
func TestJPEGMemory(t *testing.T) {
	for _, tt := range []struct {
		b    []byte
		want int64
	}{
		{frame(markSOF0, 320, 320, 0x11), 320 * 320},
		{frame(markSOF0, 320, 320, 0x22, 0x11, 0x11), 320 * 320 * 3 / 2},
		{frame(markSOF2, 320, 320, 0x22, 0x11, 0x11), 320 * 320 * 3 / 2 * 5},
		{frame(markSOF0, 320, 320, 0x11, 0x11, 0x11), 320 * 320 * 3},
		{frame(markSOF0, 320, 320, 0x11, 0x11, 0x11, 0x11), 320 * 320 * 8},
		{frame(markSOF0, 1, 33, 0x11), 32 * 64},
	} {
		if got, err := jpegMemory(tt.b); got != tt.want || err != nil {
			t.Errorf("jpegMemory = %d, %v; want %d", got, err, tt.want)
		}
	}
}

// seeds are pictures of every sort that the fuzz targets start from.
func seeds(f *testing.F) {
	for _, o := range orders {
		b, n := cameraJPEG(f, o)
		f.Add(b)
		f.Add(withChunks(encodePNG(f, scene(8, 8)), chunk("eXIf", b[blockAt:blockAt+n]), chunk("zTXt", []byte("Title\x00\x00"+packed("stair")))))
	}
	plain := encodeJPEG(f, scene(16, 16))
	f.Add(append(bytes.Clone(plain), plain...))
	f.Add(frame(markSOF2, 20, 20, 0x22, 0x11, 0x11))
	f.Add([]byte(jpegStart))
	f.Add([]byte("\xff\xd8\xff\xc0\x00\x0b\b\x00\x01\x00\x01\x01\x01\x11\x00\xff\xda")) // shorter than any PNG
}

func FuzzStrip(f *testing.F) {
	seeds(f)
	f.Fuzz(holdsAfterStrip)
}

// FuzzStripExif goes straight to the block, past lengths and checksums.
func FuzzStripExif(f *testing.F) {
	for _, o := range orders {
		f.Add(buildTIFF(o, camera(o, withSegments(encodeJPEG(f, scene(8, 8)), exifSegment(buildTIFF(o, &dir{}))))))
	}
	small := encodePNG(f, scene(8, 8))
	f.Fuzz(func(t *testing.T, block []byte) {
		holdsAfterStrip(t, withChunks(small, chunk("eXIf", block)))
	})
}

// holdsAfterStrip is what is true of Strip whatever it is given.
func holdsAfterStrip(t *testing.T, b []byte) {
	in := bytes.Clone(b)
	out, _, err := Strip(b)
	if !bytes.Equal(in, b) {
		t.Fatal("Strip wrote into what it was given")
	}
	if err != nil {
		if !errors.Is(err, ErrMalformed) && !errors.Is(err, ErrType) {
			t.Errorf("error %v of no kind", err)
		}
		return
	}
	if len(out) > len(b) {
		t.Errorf("%d bytes out of %d", len(out), len(b))
	}
	again, had, err := Strip(out)
	if err != nil || had || !bytes.Equal(again, out) {
		t.Errorf("stripped twice: had %t, %v, equal %t", had, err, bytes.Equal(again, out))
	}
	// What could be shown before can be shown after, and is as large.
	if before, err := Info(b); err == nil {
		after, err := Info(out)
		if err != nil || after.Width != before.Width || after.Height != before.Height {
			t.Errorf("Info was %+v, is %+v, %v", before, after, err)
		}
	}
}

func FuzzInfo(f *testing.F) {
	seeds(f)
	f.Fuzz(func(t *testing.T, b []byte) {
		got, err := Info(b)
		if err != nil {
			return
		}
		if got.Width <= 0 || got.Height <= 0 || got.Orientation < 1 || got.Orientation > 8 {
			t.Errorf("Info = %+v", got)
		}
	})
}

func FuzzThumbnail(f *testing.F) {
	seeds(f)
	f.Fuzz(func(t *testing.T, b []byte) {
		if got, err := Info(b); err != nil || got.Width*got.Height > 1<<20 {
			return // to keep a fuzz run fast
		}
		small, err := Thumbnail(b, 32)
		if err != nil {
			return
		}
		got, err := Info(small)
		if err != nil || got.Width > 32 || got.Height > 32 || got.Type != JPEG {
			t.Errorf("small picture %+v, %v", got, err)
		}
	})
}

// noisy is a picture whose file is large for its size.
func noisy(b *testing.B, w, h, quality int) []byte {
	b.Helper()
	m := image.NewYCbCr(image.Rect(0, 0, w, h), image.YCbCrSubsampleRatio420)
	r := rand.NewChaCha8([32]byte{})
	for _, plane := range [][]byte{m.Y, m.Cb, m.Cr} {
		r.Read(plane)
		for i := range plane {
			plane[i] = 96 + plane[i]/4
		}
	}
	var out bytes.Buffer
	if err := jpeg.Encode(&out, m, &jpeg.Options{Quality: quality}); err != nil {
		b.Fatal(err)
	}
	o := binary.LittleEndian
	return withSegments(out.Bytes(), exifSegment(buildTIFF(o, camera(o, encodeJPEG(b, scene(160, 120))))))
}

func BenchmarkStrip(b *testing.B) {
	in := noisy(b, 4000, 3000, 75)
	b.SetBytes(int64(len(in)))
	for b.Loop() {
		if _, had, err := Strip(in); !had || err != nil {
			b.Fatal(had, err)
		}
	}
}

func BenchmarkThumbnail12Megapixels(b *testing.B) {
	in := noisy(b, 4000, 3000, 75)
	b.ReportAllocs()
	b.SetBytes(int64(len(in)))
	for b.Loop() {
		if _, err := Thumbnail(in, 400); err != nil {
			b.Fatal(err)
		}
	}
}
