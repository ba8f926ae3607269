package photo

import (
	"bytes"
	"compress/zlib"
	"encoding/binary"
	"encoding/hex"
	"errors"
	"image/jpeg"
	"image/png"
	"maps"
	"slices"
	"strings"
	"testing"

	"github.com/google/go-cmp/cmp"
)

func mustStrip(t *testing.T, b []byte) ([]byte, bool) {
	t.Helper()
	in := bytes.Clone(b)
	out, had, err := Strip(b)
	if err != nil {
		t.Fatal(err)
	}
	if !bytes.Equal(in, b) {
		t.Error("Strip wrote into what it was given")
	}
	if again, had, err := Strip(out); err != nil || had || !bytes.Equal(again, out) {
		t.Errorf("stripped twice: had %t, %v, equal %t; want the same bytes and no position", had, err, bytes.Equal(again, out))
	}
	return out, had
}

func TestSniff(t *testing.T) {
	for _, tt := range []struct {
		in   string
		want Type
	}{
		{"\xff\xd8\xff\xe0", JPEG}, {"\x89PNG\r\n\x1a\n", PNG},
		{"", ""}, {"\xff\xd8", ""}, {"GIF89a", ""}, {"\x89PNG\n\n\x1a\n", ""}, {"<svg/>", ""},
	} {
		got, err := Sniff([]byte(tt.in))
		if got != tt.want || errors.Is(err, ErrType) != (tt.want == "") {
			t.Errorf("Sniff(%q) = %q, %v; want %q", tt.in, got, err, tt.want)
		}
	}
}

// The block of EXIF written out by hand, before and after. Its directory has
// three entries: orientation 6, the GPS directory with a latitude of one
// fraction, and a short text.
func TestStripByHand(t *testing.T) {
	for name, tt := range map[string]struct{ before, after string }{
		"II": {
			before: "II*\x00\x08\x00\x00\x00" + "\x03\x00" +
				"\x12\x01\x03\x00\x01\x00\x00\x00\x06\x00\x00\x00" +
				"\x25\x88\x04\x00\x01\x00\x00\x00\x32\x00\x00\x00" +
				"\x98\x82\x02\x00\x03\x00\x00\x00AB\x00\x00" +
				"\x00\x00\x00\x00" +
				"\x01\x00" + "\x02\x00\x05\x00\x01\x00\x00\x00\x44\x00\x00\x00" + "\x00\x00\x00\x00" +
				"\x33\x00\x00\x00\x01\x00\x00\x00",
			after: "II*\x00\x08\x00\x00\x00" + "\x02\x00" +
				"\x12\x01\x03\x00\x01\x00\x00\x00\x06\x00\x00\x00" +
				"\x98\x82\x02\x00\x03\x00\x00\x00AB\x00\x00" +
				"\x00\x00\x00\x00" + strings.Repeat("\x00", 12+18+8),
		},
		"MM": {
			before: "MM\x00*\x00\x00\x00\x08" + "\x00\x03" +
				"\x01\x12\x00\x03\x00\x00\x00\x01\x00\x06\x00\x00" +
				"\x88\x25\x00\x04\x00\x00\x00\x01\x00\x00\x00\x32" +
				"\x82\x98\x00\x02\x00\x00\x00\x03AB\x00\x00" +
				"\x00\x00\x00\x00" +
				"\x00\x01" + "\x00\x02\x00\x05\x00\x00\x00\x01\x00\x00\x00\x44" + "\x00\x00\x00\x00" +
				"\x00\x00\x00\x33\x00\x00\x00\x01",
			after: "MM\x00*\x00\x00\x00\x08" + "\x00\x02" +
				"\x01\x12\x00\x03\x00\x00\x00\x01\x00\x06\x00\x00" +
				"\x82\x98\x00\x02\x00\x00\x00\x03AB\x00\x00" +
				"\x00\x00\x00\x00" + strings.Repeat("\x00", 12+18+8),
		},
	} {
		picture := encodeJPEG(t, scene(8, 8))
		got, had := mustStrip(t, withSegments(picture, exifSegment([]byte(tt.before))))
		if want := withSegments(picture, exifSegment([]byte(tt.after))); !had || !bytes.Equal(got, want) {
			t.Errorf("%s: had %t, got\n%q, want\n%q", name, had, got[:120], want[:120])
		}
		small := encodePNG(t, scene(8, 8))
		got, had = mustStrip(t, withChunks(small, chunk("eXIf", []byte(tt.before))))
		if want := withChunks(small, chunk("eXIf", []byte(tt.after))); !had || !bytes.Equal(got, want) {
			t.Errorf("%s in PNG: had %t, got\n%q, want\n%q", name, had, got[:120], want[:120])
		}
	}
}

func TestStripCamera(t *testing.T) {
	for _, o := range orders {
		in, n := cameraJPEG(t, o)
		if had, err := HasPosition(in); !had || err != nil {
			t.Errorf("%v: HasPosition = %t, %v", o, had, err)
		}
		out, had := mustStrip(t, in)
		if !had || len(out) != len(in) {
			t.Errorf("%v: had %t, %d bytes of %d", o, had, len(out), len(in))
		}
		if !bytes.Equal(out[:blockAt], in[:blockAt]) || !bytes.Equal(out[blockAt+n:], in[blockAt+n:]) {
			t.Errorf("%v: bytes outside EXIF changed", o)
		}
		for _, secret := range [][]byte{latitude(o), makerNote} {
			if !bytes.Contains(in, secret) || bytes.Contains(out, secret) {
				t.Errorf("%v: %q is still there", o, secret)
			}
		}
		want := readTIFF(t, in[blockAt:blockAt+n])
		maps.DeleteFunc(want, func(name, _ string) bool {
			return strings.HasPrefix(name, "0:8825") || name == "0:8769/927c"
		})
		if diff := cmp.Diff(want, readTIFF(t, out[blockAt:blockAt+n])); diff != "" {
			t.Errorf("%v: EXIF that should have stayed (-want +got):\n%s", o, diff)
		}
		thumb := encodeJPEG(t, scene(16, 12))
		if !bytes.Contains(out, thumb) {
			t.Errorf("%v: the small picture inside is gone", o)
		}
	}
}

// Whatever single byte of the EXIF block goes wrong, the latitude is refused or
// gone, and so is its like in the maker's note.
func TestNoDamageLetsThePositionThrough(t *testing.T) {
	for _, o := range orders {
		in, n := cameraJPEG(t, o)
		refused := 0
		for i := range n {
			for _, flip := range []byte{1, 2, 4, 8, 16, 32, 64, 128, 255} {
				b := bytes.Clone(in)
				b[blockAt+i] ^= flip
				out, _, err := Strip(b)
				if err != nil {
					refused++
					if !errors.Is(err, ErrMalformed) {
						t.Fatalf("%v: byte %d ^ %d: %v, want ErrMalformed", o, i, flip, err)
					}
				}
				if bytes.Contains(out, latitude(o)) {
					t.Errorf("%v: byte %d ^ %d lets the latitude through", o, i, flip)
				}
			}
		}
		if refused == 0 || refused == 9*n {
			t.Errorf("%v: %d of %d refused", o, refused, 9*n)
		}
	}
}

func TestStripSegments(t *testing.T) {
	o := binary.BigEndian
	plain := encodeJPEG(t, scene(32, 24))
	with := func(segments ...[]byte) []byte { return withSegments(plain, segments...) }
	app := func(n byte, s string) []byte { return segment(markAPP0+n, []byte(s)) }
	blank := func(n byte, s string, keep int) []byte { return app(n, s[:keep]+strings.Repeat("\x00", len(s)-keep)) }
	xmp := func(s string) []byte { return app(1, string(idXMP)+s) }
	const (
		located = `<rdf:Description exif:GPSLatitude="51,30.441N" dc:title="stair"/>`
		title   = `<rdf:Description dc:title="a stair on the third landing"/>`
	)
	wide := strings.Join(strings.Split("<a GPSLatitude='51,30.4'/>", ""), "\x00") + "\x00"
	gps := exifSegment(buildTIFF(o, &dir{items: []item{{tag: tagGPSIFD, kind: kindLong, sub: &dir{items: []item{{tag: 2, kind: 5, data: latitude(o)}}}}}}))
	noFix := &dir{items: []item{{tag: 0x0132, kind: kindASCII, data: ascii("2026:11:25 14:30:05")}, {tag: tagGPSIFD, kind: kindLong, sub: &dir{items: []item{{tag: 0, kind: kindByte, data: []byte{2, 3, 0, 0}}, {tag: 9, kind: kindASCII, data: ascii("V")}}}}}}
	noFixAfter := buildTIFF(o, &dir{items: noFix.items[:1]})
	noFixAfter = append(noFixAfter[:26:26], append(make([]byte, 12), noFixAfter[26:]...)...) // the value stays where it was
	o.PutUint32(noFixAfter[18:], 38)
	noFixAfter = append(noFixAfter, make([]byte, 30)...)

	for name, tt := range map[string]struct {
		in, want []byte
		had      bool
	}{
		"nothing to do":         {plain, plain, false},
		"JFIF, ICC, MPF, Adobe": {with(app(0, "JFIF\x00\x01"), app(2, "ICC_PROFILE\x00\x01\x01gps"), app(2, "MPF\x00MM"), app(14, "Adobe\x00")), with(app(0, "JFIF\x00\x01"), app(2, "ICC_PROFILE\x00\x01\x01gps"), app(2, "MPF\x00MM"), app(14, "Adobe\x00")), false},
		"XMP of something else": {with(xmp(title)), with(xmp(title)), false},
		"XMP with a position":   {with(xmp(located)), with(xmp(noXMP + strings.Repeat(" ", len(located)-len(noXMP)))), true},
		"short XMP":             {with(xmp("exif:GPSLatitude=1")), with(xmp(strings.Repeat(" ", 18))), true},
		"XMP in UTF-16":         {with(xmp(wide)), with(xmp(noXMP + strings.Repeat(" ", len(wide)-len(noXMP)))), true},
		"XMP's extension":       {with(app(1, "http://ns.adobe.com/xmp/extension/\x00..drone:GpsLatitude")), with(blank(1, "http://ns.adobe.com/xmp/extension/\x00..drone:GpsLatitude", 0)), true},
		"comment":               {with(segment(markCOM, []byte("third step"))), with(segment(markCOM, []byte("third step"))), false},
		"comment with a position": {
			with(segment(markCOM, []byte("Latitude 51.5"))), with(segment(markCOM, make([]byte, 13))), true},
		"unknown segments":     {with(app(13, "Photoshop 3.0\x008BIM"), app(11, "JP??")), with(blank(13, "Photoshop 3.0\x008BIM", 0), blank(11, "JP??", 0)), false},
		"receiver, but no fix": {with(exifSegment(buildTIFF(o, noFix))), with(exifSegment(noFixAfter)), false},
		"empty EXIF":           {with(app(1, "Exif\x00\x00")), with(app(1, "Exif\x00\x00")), false},
		"film behind":          {slices.Concat(plain, []byte("\x00\x00\x00\x18ftypmp42 \xa9xyz+51.5-000.1/")), plain, false},
		"picture behind":       {slices.Concat(plain, plain), slices.Concat(plain, plain), false},
		"picture with a position behind, then a film": {
			slices.Concat(plain, []byte{0, 0}, with(xmp(located)), []byte("film")),
			slices.Concat(plain, []byte{0, 0}, with(xmp(noXMP+strings.Repeat(" ", len(located)-len(noXMP))))), true},
		"fill bytes before a marker": {with([]byte{0xff, 0xff}), with([]byte{0xff, 0xff}), false},
	} {
		got, had := mustStrip(t, tt.in)
		if had != tt.had || !bytes.Equal(got, tt.want) {
			t.Errorf("%s: had %t, want %t; got\n%q, want\n%q", name, had, tt.had, got[:min(200, len(got))], tt.want[:min(200, len(tt.want))])
		}
	}
	// The small picture inside a picture is a picture.
	inner := withSegments(encodeJPEG(t, scene(8, 8)), gps)
	block := buildTIFF(o, &dir{next: &dir{items: []item{{tag: tagThumbOffset, kind: kindLong, image: inner}, {tag: tagThumbLength, kind: kindLong, data: long(o, uint32(len(inner)))}}}})
	out, had := mustStrip(t, with(exifSegment(block)))
	if want, _ := mustStrip(t, inner); !had || bytes.Contains(out, latitude(o)) || !bytes.Contains(out, want) {
		t.Error("the small picture kept its position, or is gone")
	}
}

// Bytes that nothing refers to, and what words say.
func TestStripLeavesNoRemains(t *testing.T) {
	o := binary.LittleEndian
	orphan := buildTIFF(o, &dir{items: []item{{tag: 0x010f, kind: kindASCII, data: ascii("Maker")}}})
	orphan = append(orphan, latitude(o)...)
	out, had := mustStrip(t, withSegments(encodeJPEG(t, scene(8, 8)), exifSegment(orphan)))
	if had || bytes.Contains(out, latitude(o)) || !bytes.Contains(out, []byte("Maker\x00")) {
		t.Error("a position that nothing refers to stayed")
	}
	words := buildTIFF(o, &dir{items: []item{
		{tag: 0x010e, kind: kindASCII, data: ascii("GPS 51.5 N")},
		{tag: 0x010f, kind: kindASCII, data: ascii("Maker")},
		{tag: 0xc0de, kind: 99, data: nil}, // a type that nobody knows
	}})
	out, had = mustStrip(t, withSegments(encodeJPEG(t, scene(8, 8)), exifSegment(words)))
	if !had {
		t.Error("a description with a position was not noticed")
	}
	if diff := cmp.Diff(map[string]string{"0:010f": "Maker\x00"}, readTIFF(t, out[blockAt:])); diff != "" {
		t.Errorf("EXIF (-want +got):\n%s", diff)
	}
}

func TestStripRefuses(t *testing.T) {
	o := binary.BigEndian
	plain := encodeJPEG(t, scene(32, 24))
	exif := func(b []byte) []byte { return withSegments(plain, exifSegment(b)) }
	block := func(items ...item) []byte { return buildTIFF(o, &dir{items: items}) }
	at := func(b []byte, i int, to byte) []byte { b = bytes.Clone(b); b[i] = to; return b }
	name := item{tag: 0x010f, kind: kindASCII, data: ascii("Maker of cameras")}
	small := encodePNG(t, scene(8, 8))
	for why, b := range map[string][]byte{
		"cut in the image data":            plain[:len(plain)-2],
		"cut in a segment":                 plain[:10],
		"cut after the start":              plain[:3],
		"a byte between segments":          withSegments(plain, append(segment(markCOM, nil), 'x')),
		"segment of length 1":              withSegments(plain, []byte{0xff, 0xe1, 0, 1}),
		"a second start":                   withSegments(plain, []byte{0xff, 0xd8}),
		"EXIF without header":              exif([]byte("nothing")),
		"wrong byte order":                 exif([]byte("IM*\x00\x08\x00\x00\x00\x00\x00")),
		"directory outside":                exif(at(block(name), 7, 200)),
		"directory too long":               exif(at(block(name), 9, 200)),
		"value outside":                    exif(at(block(name), 8+2+8+3, 200)),
		"link in a circle":                 exif(at(block(name), 8+2+12+3, 8)),
		"sub-directory in a circle":        exif(block(item{tag: tagExifIFD, kind: kindLong, data: long(o, 8)})),
		"sub-directory that leads nowhere": exif(block(item{tag: tagExifIFD, kind: kindShort, data: []byte{0, 8, 0, 8}})),
		"value in the directory":           exif(block(item{tag: 0x011a, kind: 5, data: make([]byte, 8)})[:26]),
		"small picture outside":            exif(block(item{tag: tagThumbOffset, kind: kindLong, data: long(o, 8)}, item{tag: tagThumbLength, kind: kindLong, data: long(o, 1<<31)})),
		"small picture without length":     exif(block(item{tag: tagThumbOffset, kind: kindLong, data: long(o, 8)})),
		"PNG cut short":                    small[:len(small)-3],
		"PNG with a flipped byte":          at(small, len(small)-20, 'x'),
		"PNG with a chunk too long":        at(small, len(pngStart), 0x7f),
		"PNG with broken EXIF":             withChunks(small, chunk("eXIf", []byte("II"))),
	} {
		if out, _, err := Strip(b); !errors.Is(err, ErrMalformed) || out != nil {
			t.Errorf("%s: Strip gives %d bytes, %v; want ErrMalformed", why, len(out), err)
		}
		if _, err := HasPosition(b); !errors.Is(err, ErrMalformed) {
			t.Errorf("%s: HasPosition gives %v", why, err)
		}
	}
	if _, _, err := Strip([]byte("GIF89a")); !errors.Is(err, ErrType) {
		t.Errorf("a GIF: %v, want ErrType", err)
	}
}

// A value that also lies in the GPS directory's data cannot be kept and taken
// out at once.
func TestStripRefusesSharedBytes(t *testing.T) {
	o := binary.LittleEndian
	in := buildTIFF(o, &dir{items: []item{
		{tag: 0x010e, kind: kindASCII, data: ascii("a text long enough to lie outside")},
		{tag: tagGPSIFD, kind: kindLong, sub: &dir{items: []item{{tag: 2, kind: 5, data: latitude(o)}}}},
	}})
	o.PutUint32(in[8+2+8:], uint32(bytes.Index(in, latitude(o)))-12)
	if _, _, err := Strip(withSegments(encodeJPEG(t, scene(8, 8)), exifSegment(in))); !errors.Is(err, ErrMalformed) {
		t.Errorf("error %v, want ErrMalformed", err)
	}
}

// Many entries that all name the whole block would be read for hours.
func TestStripBoundsItsWork(t *testing.T) {
	o := binary.LittleEndian
	const n = 1000
	items := make([]item, n)
	for i := range items {
		items[i] = item{tag: uint16(0x9000 + i%100), kind: kindASCII}
	}
	b := append(buildTIFF(o, &dir{items: items}), make([]byte, 1<<20)...)
	for i := range n {
		o.PutUint32(b[10+12*i+4:], 1<<20)
		o.PutUint32(b[10+12*i+8:], uint32(len(b)-1<<20))
	}
	if _, _, err := Strip(withChunks(encodePNG(t, scene(8, 8)), chunk("eXIf", b))); !errors.Is(err, ErrMalformed) {
		t.Errorf("error %v, want ErrMalformed", err)
	}
}

func packed(s string) string {
	var b bytes.Buffer
	z := zlib.NewWriter(&b)
	z.Write([]byte(s))
	z.Close()
	return b.String()
}

// hexLines writes bytes as some programs write EXIF into a text.
func hexLines(b []byte) string {
	s := hex.EncodeToString(b)
	return s[:len(s)/2] + "\n" + s[len(s)/2:] + "\n"
}

func TestStripChunks(t *testing.T) {
	plain := encodePNG(t, scene(16, 16))
	with := func(name, data string) []byte { return withChunks(plain, chunk(name, []byte(data))) }
	const property = `<rdf:Description exif:GPSLatitude="51,30.441N"/>`
	located := func(prefix string) []byte {
		o := binary.BigEndian
		sub := &dir{items: []item{{tag: 2, kind: 5, data: latitude(o)}}}
		return append([]byte(prefix), buildTIFF(o, &dir{items: []item{{tag: tagGPSIFD, kind: kindLong, sub: sub}}})...)
	}
	zeros := strings.Repeat("\x00", 1<<20)
	for name, tt := range map[string]struct {
		in   []byte
		keep bool
		had  bool
	}{
		"gamma":                           {with("gAMA", "\x00\x00\xb1\x8f"), true, false},
		"time":                            {with("tIME", "\x07\xea\x0b\x19\x0e\x1e\x05"), true, false},
		"a maker's own":                   {with("maKr", "51.5"), false, false},
		"a signed note":                   {with("caBX", "jumb"), false, false},
		"title":                           {with("tEXt", "Title\x00third step"), true, false},
		"text with a position":            {with("tEXt", "Comment\x00latitude 51.5"), false, true},
		"keyword of a position":           {with("tEXt", "GPSPosition\x0051.5"), false, true},
		"packed text":                     {with("zTXt", "Title\x00\x00"+packed("third step")), true, false},
		"packed text with a position":     {with("zTXt", "Comment\x00\x00"+packed("gps: 51.5")), false, true},
		"text packed otherwise":           {with("zTXt", "Title\x00\x00junk"), false, false},
		"text without keyword":            {with("tEXt", "Title"), false, false},
		"XMP":                             {with("iTXt", "XML:com.adobe.xmp\x00\x00\x00\x00\x00<dc:title/>"), true, false},
		"XMP with a position":             {with("iTXt", "XML:com.adobe.xmp\x00\x00\x00\x00\x00"+property), false, true},
		"packed XMP with a position":      {with("iTXt", "XML:com.adobe.xmp\x00\x01\x00\x00\x00"+packed(property)), false, true},
		"XMP cut short":                   {with("iTXt", "XML:com.adobe.xmp\x00\x00\x00\x00"), false, false},
		"EXIF as digits":                  {with("zTXt", "Raw profile type exif\x00\x00"+packed("\nexif\n 9\n"+hexLines(located("Exif\x00\x00")))), false, true},
		"EXIF without position as digits": {with("zTXt", "Raw profile type APP1\x00\x00"+packed("\nexif\n 9\n"+hexLines(buildTIFF(binary.BigEndian, &dir{})))), false, false},
		"XMP as digits":                   {with("tEXt", "Raw profile type xmp\x00\nxmp\n 9\n"+hexLines([]byte(property))), false, true},
		"digits cut short":                {with("tEXt", "Raw profile type exif\x00\nexif\n 9\n494"), false, false},
		"captions as digits":              {with("zTXt", "Raw profile type iptc\x00\x00"+packed("\niptc\n 1\n00")), false, false},
		"colour profile as digits":        {with("zTXt", "Raw profile type icc\x00\x00"+packed("\nicc\n 1\n00")), true, false},
		"a text that swells beyond sense": {with("zTXt", "Title\x00\x00"+packed(strings.Repeat(zeros, 9))), false, false},
	} {
		want := plain
		if tt.keep {
			want = tt.in
		}
		got, had := mustStrip(t, tt.in)
		if had != tt.had || !bytes.Equal(got, want) {
			t.Errorf("%s: had %t, want %t; kept %t, want %t", name, had, tt.had, bytes.Equal(got, tt.in), tt.keep)
		}
	}
	if got, had := mustStrip(t, append(bytes.Clone(plain), "film"...)); had || !bytes.Equal(got, plain) {
		t.Error("what follows the picture stayed")
	}
}

// The image is the same picture after as before.
func TestStripKeepsTheImage(t *testing.T) {
	in, _ := cameraJPEG(t, binary.LittleEndian)
	out, _ := mustStrip(t, in)
	a, err := jpeg.Decode(bytes.NewReader(in))
	if err != nil {
		t.Fatal(err)
	}
	b, err := jpeg.Decode(bytes.NewReader(out))
	if err != nil {
		t.Fatal(err)
	}
	if diff := cmp.Diff(a, b); diff != "" {
		t.Error("the JPEG image changed")
	}
	small := withChunks(encodePNG(t, scene(9, 7)), chunk("tEXt", []byte("Comment\x00gps")), chunk("eXIf", buildTIFF(binary.BigEndian, camera(binary.BigEndian, encodeJPEG(t, scene(4, 4))))))
	out, had := mustStrip(t, small)
	m, err := png.Decode(bytes.NewReader(out))
	if err != nil || !had {
		t.Fatal(had, err)
	}
	if diff := cmp.Diff(scene(9, 7).Pix, encodeRGBA(m)); diff != "" {
		t.Error("the PNG image changed")
	}
}
