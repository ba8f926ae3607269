package photo

import (
	"bytes"
	"encoding/binary"
	"fmt"
	"image"
	"image/color"
	"image/jpeg"
	"image/png"
	"testing"
)

// dir is an EXIF directory to be built; next follows it in the chain.
type dir struct {
	items []item
	next  *dir
}

// item is one entry: data by its type, or a directory, or bytes that it says
// the place of.
type item struct {
	tag, kind uint16
	data      []byte
	sub       *dir
	image     []byte
}

var orders = []binary.AppendByteOrder{binary.LittleEndian, binary.BigEndian}

// buildTIFF writes an EXIF block.
func buildTIFF(o binary.AppendByteOrder, first *dir) []byte {
	b := []byte("II*\x00")
	if o == binary.BigEndian {
		b = []byte("MM\x00*")
	}
	return appendDir(o, o.AppendUint32(b, 8), first)
}

func appendDir(o binary.AppendByteOrder, b []byte, d *dir) []byte {
	put := o.(binary.ByteOrder)
	at := len(b)
	b = o.AppendUint16(b, uint16(len(d.items)))
	b = append(b, make([]byte, 12*len(d.items)+4)...)
	for i, it := range d.items {
		p := at + 2 + 12*i
		put.PutUint16(b[p:], it.tag)
		put.PutUint16(b[p+2:], it.kind)
		here := uint32(len(b))
		switch {
		case it.sub != nil:
			put.PutUint32(b[p+4:], 1)
			put.PutUint32(b[p+8:], here)
			b = appendDir(o, b, it.sub)
		case it.image != nil:
			put.PutUint32(b[p+4:], 1)
			put.PutUint32(b[p+8:], here)
			b = append(b, it.image...)
		default:
			put.PutUint32(b[p+4:], uint32(len(it.data)/max(1, int(kindSize[it.kind]))))
			if len(it.data) <= 4 {
				copy(b[p+8:], it.data)
			} else {
				put.PutUint32(b[p+8:], here)
				b = append(b, it.data...)
			}
		}
		if len(b)%2 == 1 {
			b = append(b, 0)
		}
	}
	if d.next != nil {
		put.PutUint32(b[at+2+12*len(d.items):], uint32(len(b)))
		b = appendDir(o, b, d.next)
	}
	return b
}

func short(o binary.AppendByteOrder, n uint16) []byte { return o.AppendUint16(nil, n) }
func long(o binary.AppendByteOrder, n uint32) []byte  { return o.AppendUint32(nil, n) }
func ascii(s string) []byte                           { return append([]byte(s), 0) }

// latitude is 51° 30′ 26.46″ as three fractions, type 5.
func latitude(o binary.AppendByteOrder) (b []byte) {
	for _, n := range []uint32{51, 1, 30, 1, 2646, 100} {
		b = o.AppendUint32(b, n)
	}
	return b
}

var makerNote = []byte("MAKER\x00 where it was: 51.507350")

// camera is what a telephone writes: two directories in a chain, two under
// them, a small picture.
func camera(o binary.AppendByteOrder, thumb []byte) *dir {
	return &dir{
		items: []item{
			{tag: 0x010f, kind: kindASCII, data: ascii("Maker of cameras")},
			{tag: tagOrientation, kind: kindShort, data: short(o, 6)},
			{tag: 0x011a, kind: 5, data: append(long(o, 72), long(o, 1)...)}, // XResolution
			{tag: tagExifIFD, kind: kindLong, sub: &dir{items: []item{
				{tag: tagTaken, kind: kindASCII, data: ascii("2026:11:25 14:30:05")},
				{tag: tagTakenOffset, kind: kindASCII, data: ascii("+01:00")},
				{tag: 0x927c, kind: kindUndefined, data: makerNote},
				{tag: 0x9286, kind: kindUndefined, data: []byte("ASCII\x00\x00\x00third step")}, // UserComment
				{tag: tagInteropIFD, kind: kindLong, sub: &dir{items: []item{
					{tag: 0x0001, kind: kindASCII, data: ascii("R98")},
				}}},
			}}},
			{tag: tagGPSIFD, kind: kindLong, sub: &dir{items: []item{
				{tag: 0x0000, kind: kindByte, data: []byte{2, 3, 0, 0}},
				{tag: 0x0001, kind: kindASCII, data: ascii("N")},
				{tag: 0x0002, kind: 5, data: latitude(o)},
			}}},
			{tag: 0x9c9b, kind: kindByte, data: []byte("s\x00t\x00a\x00i\x00r\x00\x00\x00")}, // XPTitle
		},
		next: &dir{items: []item{
			{tag: 0x0103, kind: kindShort, data: short(o, 6)}, // Compression
			{tag: tagThumbOffset, kind: kindLong, image: thumb},
			{tag: tagThumbLength, kind: kindLong, data: long(o, uint32(len(thumb)))},
		}},
	}
}

// readTIFF lists the entries of an EXIF block in its own way: the value by the
// path of its tag.
func readTIFF(t *testing.T, b []byte) map[string]string {
	t.Helper()
	var o binary.ByteOrder = binary.LittleEndian
	if b[0] == 'M' {
		o = binary.BigEndian
	}
	out := map[string]string{}
	var read func(path string, at uint32) uint32
	read = func(path string, at uint32) uint32 {
		n := uint32(o.Uint16(b[at:]))
		for i := range n {
			e := b[at+2+12*i:]
			tag, count := o.Uint16(e), o.Uint32(e[4:])
			size := count * map[uint16]uint32{1: 1, 2: 1, 3: 2, 4: 4, 5: 8, 7: 1}[o.Uint16(e[2:])]
			value := e[8:]
			if size > 4 {
				value = b[o.Uint32(e[8:]):]
			}
			name := fmt.Sprintf("%s%04x", path, tag)
			switch tag {
			case 0x8769, 0x8825, 0xa005:
				out[name] = ""
				read(name+"/", o.Uint32(e[8:]))
			default:
				out[name] = string(value[:size])
			}
		}
		return o.Uint32(b[at+2+12*n:])
	}
	at := o.Uint32(b[4:])
	for i := 0; at != 0; i++ {
		at = read(fmt.Sprintf("%d:", i), at)
	}
	return out
}

func segment(marker byte, data []byte) []byte {
	b := []byte{0xff, marker}
	return append(binary.BigEndian.AppendUint16(b, uint16(len(data)+2)), data...)
}

func exifSegment(block []byte) []byte {
	return segment(markAPP0+1, append([]byte("Exif\x00\x00"), block...))
}

// withSegments puts segments before all others of a picture.
func withSegments(picture []byte, segments ...[]byte) []byte {
	b := bytes.Clone(picture[:2])
	for _, s := range segments {
		b = append(b, s...)
	}
	return append(b, picture[2:]...)
}

func chunk(name string, data []byte) []byte {
	b := binary.BigEndian.AppendUint32(nil, uint32(len(data)))
	b = append(append(b, name...), data...)
	return binary.BigEndian.AppendUint32(b, chunkCRC(append(b, 0, 0, 0, 0)))
}

// withChunks puts chunks behind the first of a picture.
func withChunks(picture []byte, chunks ...[]byte) []byte {
	const first = len(pngStart) + chunkFrame + 13
	b := bytes.Clone(picture[:first])
	for _, c := range chunks {
		b = append(b, c...)
	}
	return append(b, picture[first:]...)
}

// scene has red where row 0 meets column 0, green at the other end of row 0,
// blue elsewhere.
func scene(w, h int) *image.RGBA {
	m := image.NewRGBA(image.Rect(0, 0, w, h))
	for y := range h {
		for x := range w {
			c := color.RGBA{0, 0, 255, 255}
			if y < h/2 && x < w/2 {
				c = color.RGBA{255, 0, 0, 255}
			} else if y < h/2 {
				c = color.RGBA{0, 255, 0, 255}
			}
			m.SetRGBA(x, y, c)
		}
	}
	return m
}

func encodeJPEG(t testing.TB, m image.Image) []byte {
	t.Helper()
	var b bytes.Buffer
	if err := jpeg.Encode(&b, m, &jpeg.Options{Quality: 95}); err != nil {
		t.Fatal(err)
	}
	return b.Bytes()
}

func encodePNG(t testing.TB, m image.Image) []byte {
	t.Helper()
	var b bytes.Buffer
	if err := png.Encode(&b, m); err != nil {
		t.Fatal(err)
	}
	return b.Bytes()
}

// cameraJPEG is a picture as a telephone makes it, and its EXIF block's length.
func cameraJPEG(t testing.TB, o binary.AppendByteOrder) (b []byte, block int) {
	t.Helper()
	exif := buildTIFF(o, camera(o, encodeJPEG(t, scene(16, 12))))
	return withSegments(encodeJPEG(t, scene(64, 48)), exifSegment(exif)), len(exif)
}

// blockAt is where the EXIF block of cameraJPEG starts.
const blockAt = 2 + 4 + 6
