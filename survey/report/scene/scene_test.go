package scene

import (
	"bytes"
	"encoding/xml"
	"errors"
	"flag"
	"image"
	"image/png"
	"io"
	"math"
	"os"
	"strings"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"
	"pgregory.net/rapid"

	"pinchrod/calc/calctest"
)

var update = flag.Bool("update", false, "write the golden files anew")

// every is a page with one of everything.
func every() Page {
	p := Page{W: 100, H: 70, Title: "Łódź — Ångström & <Søn>", Desc: "one of everything"}
	thin := Pen{Weight: W25}
	for i, w := range []Weight{W18, W25, W35, W50, W70} {
		for j, lt := range []LineType{Continuous, Dashed, Chain} {
			y := 5 + 3*float64(i) + float64(j)
			p.Add(Line{Point{5, y}, Point{45, y}, Pen{Weight: w, Type: lt}})
		}
	}
	p.Add(
		Box(Point{50, 5}, 20, 10, thin, Pale),
		Poly{Points: []Point{{75, 5}, {95, 8}, {80, 20}}, Closed: true, Pen: Pen{Weight: W70}, Fill: Light},
		Poly{Points: []Point{{50, 20}, {60, 25}, {70, 20}}, Pen: Pen{Weight: W50, Round: true, Shade: Dark}},
		Circle(Point{15, 30}, 5, thin, Black),
		Text{At: Point{15, 31.25}, S: "7", H: 2.5, Anchor: Middle, Bold: true, Shade: White},
		Circle(Point{30, 30}, 5, Pen{Weight: W35, Type: Dashed}, White),
		Arc{Centre: Point{45, 30}, R: 6, From: 10, To: 130, Pen: Pen{Weight: W35}, Fill: Pale},
		Text{At: Point{5, 45}, S: "Ø 41 ±0.3 mm — 39,6° Łódź Ångström Žižek Ελλάς Київ ½ × −2", H: 2.5},
		Text{At: Point{95, 50}, S: "gap at top 812.4 ±0.7", H: 3.5, Anchor: End, Bold: true},
		Text{At: Point{50, 58}, S: "a turn of 90°", H: 2.5, Anchor: Middle, Angle: 30},
		Text{At: Point{96, 65}, S: "read from the right", H: 2.5, Angle: 90, Shade: Dark},
		Modules{At: Point{5, 50}, Size: 1, Dark: [][]bool{{true, true, false}, {true, false, true}, {true, true, true}}},
	)
	p.Add(Hatch([]Point{{20, 52}, {40, 52}, {30, 66}}, 2, 45, Pen{Weight: W18})...)
	return p
}

func writers() map[string]func(io.Writer, Page) error {
	return map[string]func(io.Writer, Page) error{
		"svg": SVG,
		"pdf": func(w io.Writer, p Page) error {
			return PDF(w, []Page{p}, Meta{Title: p.Title, Date: time.Date(2026, 11, 25, 9, 0, 0, 0, time.UTC), Lang: "en"})
		},
		"png": func(w io.Writer, p Page) error { return PNG(w, p, 150) },
	}
}

// The same page gives the same bytes, whatever was written in between.
func TestSameBytes(t *testing.T) {
	for name, write := range writers() {
		var first []byte
		for i := range 4 {
			var out, other bytes.Buffer
			if err := write(&out, every()); err != nil {
				t.Fatalf("%s: %v", name, err)
			}
			if i == 0 {
				first = out.Bytes()
				t.Logf("%s: %d bytes", name, len(first))
			} else if !bytes.Equal(first, out.Bytes()) {
				t.Errorf("%s: run %d has other bytes", name, i+1)
			}
			if err := write(&other, Page{W: 20, H: 20, Items: []Item{Text{At: Point{1, 10}, S: "Ωmega", H: 3, Bold: true}}}); err != nil {
				t.Fatal(err)
			}
		}
	}
}

func TestGoldenSVG(t *testing.T) {
	var out bytes.Buffer
	if err := SVG(&out, every()); err != nil {
		t.Fatal(err)
	}
	const file = "testdata/every.svg"
	if *update {
		if err := os.WriteFile(file, out.Bytes(), 0o644); err != nil {
			t.Fatal(err)
		}
	}
	want, err := os.ReadFile(file)
	if err != nil {
		t.Fatal(err)
	}
	if diff := cmp.Diff(string(want), out.String()); diff != "" {
		t.Errorf("%s (-want +got):\n%s", file, diff)
	}
}

// parsed is the text of an SVG, after every byte of it was read as XML.
func parsed(t testing.TB, doc []byte) string {
	t.Helper()
	var text strings.Builder
	d := xml.NewDecoder(bytes.NewReader(doc))
	for {
		tok, err := d.Token()
		if err == io.EOF {
			return text.String()
		}
		if err != nil {
			t.Fatalf("not XML: %v\n%s", err, doc)
		}
		switch tok := tok.(type) {
		case xml.CharData:
			text.Write(tok)
		case xml.StartElement:
			if tok.Name.Local == "script" || tok.Name.Local == "style" {
				t.Fatalf("a %s in the picture", tok.Name.Local)
			}
		}
	}
}

func TestSVGIsText(t *testing.T) {
	var out bytes.Buffer
	if err := SVG(&out, every()); err != nil {
		t.Fatal(err)
	}
	text := parsed(t, out.Bytes())
	for _, want := range []string{"Łódź — Ångström & <Søn>", "Ø 41 ±0.3 mm — 39,6°", "Ελλάς Київ"} {
		if !strings.Contains(text, want) {
			t.Errorf("no %q in the picture's text", want)
		}
	}
	if strings.Contains(out.String(), "http") && strings.Count(out.String(), "http") != 1 {
		t.Error("the picture fetches something")
	}
}

// What a name may hold from another device does no harm.
func TestHostileText(t *testing.T) {
	const evil = "a\x1b[2J\u202eb</text><script>\"&'\x00\uffff 你好 \xff\xf0\x9f x\u0301"
	p := Page{W: 100, H: 20, Title: evil, Desc: evil, Items: []Item{Text{At: Point{5, 10}, S: evil, H: 2.5}}}
	for name, write := range writers() {
		var out bytes.Buffer
		if err := write(&out, p); err != nil {
			t.Errorf("%s: %v", name, err)
		}
		if name == "svg" {
			if text := parsed(t, out.Bytes()); strings.ContainsAny(text, "\x1b\x00\u202e\uffff") || !strings.Contains(text, "你好") {
				t.Errorf("the text is %q", text)
			}
		}
	}
	var out bytes.Buffer
	if err := PDF(&out, []Page{p}, Meta{Title: evil, Author: evil + "\U0001F600", Lang: evil}); err != nil {
		t.Error(err)
	}
}

func TestDrawable(t *testing.T) {
	for _, tt := range []struct{ in, want string }{
		{"Łódź ±0.5° Ø", "Łódź ±0.5° Ø"},
		{"e\u0301te\u0301", "été"}, // accents written by themselves
		{"Nguyễn", "Nguyên"},       // two accents, of which the font has one
		{"Ạnh", "Anh"},             // an accent the font does not have
		{"你好", "□□"},               // a script it does not have
		{"a\u202eb\u200b", "ab"},   // marks that show nothing
		{"a\tb\nc", "a b c"},       //
		{"\xff", "□"},              // not text
		{"x\u0307\u0323", "x"},     // no such letter
		{"😀", "□"},                 // beyond the first plane
		{"a\x00\x1bb", "ab"},       // what a terminal would obey
		{"ﬁ", "ﬁ"}, {"№ 5", "№ 5"}, // in the font as they are
	} {
		if got := drawable(tt.in); got != tt.want {
			t.Errorf("drawable(%q) = %q, want %q", tt.in, got, tt.want)
		}
	}
}

// Advances in the font's own table, hmtx, of 2048 units to the em, and the
// capitals' height in OS/2, both read by hand from the bytes of the file.
func TestTextWidth(t *testing.T) {
	const h = 2.5
	em := h * 2048 / 1480 // capitals are 1480 high
	for _, tt := range []struct {
		s    string
		want float64
	}{{"", 0}, {"a", 1139}, {"iW", 505 + 1933}, {"a a", 2*1139 + 569}} {
		if got, want := TextWidth(tt.s, h, false), tt.want/2048*em; !calctest.Near(got, want, 1e-9) {
			t.Errorf("TextWidth(%q) = %v, want %v", tt.s, got, want)
		}
	}
	long := strings.Repeat("word ", 30) + strings.Repeat("x", 200) + " é"
	rapid.Check(t, func(t *rapid.T) {
		w := rapid.Float64Range(5, 120).Draw(t, "w")
		bold := rapid.Bool().Draw(t, "bold")
		lines := Wrap(long, h, bold, w)
		for _, l := range lines {
			if TextWidth(l, h, bold) > w && len([]rune(l)) > 1 {
				t.Fatalf("a line of %v mm, want at most %v: %q", TextWidth(l, h, bold), w, l)
			}
		}
		if strings.Join(strings.Fields(strings.Join(lines, "")), "") != strings.Join(strings.Fields(long), "") {
			t.Fatalf("words are lost: %q", lines)
		}
		if s := Shorten(long, h, bold, w); TextWidth(s, h, bold) > max(w, TextWidth("…", h, bold)) {
			t.Fatalf("cut to %v mm, want at most %v", TextWidth(s, h, bold), w)
		}
	})
}

func TestCorners(t *testing.T) {
	s := Text{At: Point{50, 50}, S: "Wall", H: 10}
	w := s.Width()
	for _, tt := range []struct {
		anchor     Anchor
		angle      float64
		start, end Point // along the baseline, less the descent
	}{
		{Start, 0, Point{50, 53}, Point{50 + w, 53}},
		{Middle, 0, Point{50 - w/2, 53}, Point{50 + w/2, 53}},
		{End, 0, Point{50 - w, 53}, Point{50, 53}},
		{Start, 90, Point{53, 50}, Point{53, 50 - w}},
		{End, 180, Point{50 + w, 47}, Point{50, 47}},
	} {
		s.Anchor, s.Angle = tt.anchor, tt.angle
		got := s.Corners()
		if !calctest.Near(got[0].Sub(tt.start).Len(), 0, 1e-9) || !calctest.Near(got[1].Sub(tt.end).Len(), 0, 1e-9) {
			t.Errorf("anchor %d at %g°: from %v to %v, want %v to %v", tt.anchor, tt.angle, got[0], got[1], tt.start, tt.end)
		}
	}
}

// Lengths add up: of 100 line widths, a dashed line draws 12 and leaves 3 in
// turn: 6 dashes of 12 and one of 10.
func TestDashes(t *testing.T) {
	d := Pen{Weight: W50, Type: Dashed}
	pieces := dashed([]Point{{0, 0}, {20, 0}, {20, 30}}, false, d.dashes())
	if len(pieces) != 7 {
		t.Fatalf("%d dashes, want 7", len(pieces))
	}
	for i, p := range pieces {
		l := 0.0
		for k := 1; k < len(p); k++ {
			l += p[k].Sub(p[k-1]).Len()
		}
		if want := []float64{6, 6, 6, 6, 6, 6, 5}[i]; !calctest.Near(l, want, 1e-9) {
			t.Errorf("dash %d is %v mm long, want %v", i+1, l, want)
		}
	}
	if p := pieces[2]; len(p) != 3 || p[1] != (Point{20, 0}) {
		t.Errorf("the third dash does not go round the corner: %v", p)
	}
}

func TestHatch(t *testing.T) {
	// A square from 1 to 11 mm hatched level every 2 mm: 2, 4, 6, 8, 10.
	lines := Hatch([]Point{{0, 1}, {10, 1}, {10, 11}, {0, 11}}, 2, 0, Pen{Weight: W18})
	if len(lines) != 5 {
		t.Fatalf("%d lines, want 5", len(lines))
	}
	for _, l := range lines {
		if l := l.(Line); !calctest.Near(l.B.Sub(l.A).Len(), 10, 1e-9) {
			t.Errorf("a line from %v to %v, want 10 mm", l.A, l.B)
		}
	}
	if got := Hatch([]Point{{0, 0}, {10, 0}, {10, 10}}, 0, 45, Pen{}); got != nil {
		t.Errorf("no spacing gives %d lines", len(got))
	}
}

func decode(t *testing.T, p Page, dpi float64) *image.Gray {
	t.Helper()
	var out bytes.Buffer
	if err := PNG(&out, p, dpi); err != nil {
		t.Fatal(err)
	}
	img, err := png.Decode(&out)
	if err != nil {
		t.Fatal(err)
	}
	return img.(*image.Gray)
}

// At 254 dpi a mm is ten dots: a bar of 0.5 x 10 mm darkens 5 x 100 of them,
// wherever it lies and however it is turned.
func TestPNGCoverage(t *testing.T) {
	ink := func(img *image.Gray) (sum float64) {
		for _, v := range img.Pix {
			sum += float64(255-v) / 255
		}
		return sum
	}
	for _, tt := range []struct {
		name string
		it   Item
		want float64
	}{
		{"line", Line{Point{5, 10}, Point{15, 10}, Pen{Weight: W50}}, 500},
		{"slanting line", Line{Point{5.03, 5.07}, Point{11.03, 13.07}, Pen{Weight: W50}}, 500},
		{"dashed line", Line{Point{5, 10}, Point{15, 10}, Pen{Weight: W50, Type: Dashed}}, 5 * (60 + 25)},
		{"round line", Line{Point{5, 10}, Point{15, 10}, Pen{Weight: W50, Round: true}}, 500 + math.Pi*2.5*2.5},
		{"box", Box(Point{2, 2}, 10, 5, Pen{}, Black), 5000},
		{"pale box", Box(Point{2, 2}, 10, 5, Pen{}, Mid), 5000 * 127.0 / 255},
		{"circle", Circle(Point{10, 10}, 5, Pen{}, Black), math.Pi * 2500},
		{"half a circle", Arc{Centre: Point{10, 10}, R: 5, From: 45, To: 225, Fill: Black}, math.Pi * 1250},
		{"modules", Modules{At: Point{2.04, 2.04}, Size: 1.1, Dark: [][]bool{{true, true}, {false, true}}}, 3 * 121},
		{"off the page", Line{Point{-5, 10}, Point{25, 10}, Pen{Weight: W50}}, 1000},
	} {
		img := decode(t, Page{W: 20, H: 20, Items: []Item{tt.it}}, 254)
		if b := img.Bounds(); b.Dx() != 200 || b.Dy() != 200 {
			t.Fatalf("%v dots, want 200 x 200", b)
		}
		if got := ink(img); !calctest.Near(got, tt.want, 0.02*tt.want) {
			t.Errorf("%s: %.1f dots of ink, want %.1f", tt.name, got, tt.want)
		}
	}
}

func TestRefused(t *testing.T) {
	for name, p := range map[string]Page{
		"no size":      {},
		"endless":      {W: math.Inf(1), H: 10},
		"not a number": {W: 10, H: 10, Items: []Item{Line{Point{math.NaN(), 0}, Point{1, 1}, Pen{}}}},
		"far off":      {W: 10, H: 10, Items: []Item{Text{At: Point{1e6, 0}, S: "a", H: 2}}},
		"endless arc":  {W: 10, H: 10, Items: []Item{Arc{Centre: Point{5, 5}, R: 1, To: math.Inf(1)}}},
	} {
		for kind, write := range writers() {
			if err := write(io.Discard, p); !errors.Is(err, ErrPage) {
				t.Errorf("%s as %s: %v, want ErrPage", name, kind, err)
			}
		}
	}
	if err := PNG(io.Discard, every(), 1e9); !errors.Is(err, ErrPage) {
		t.Errorf("dpi of 1e9: %v, want ErrPage", err)
	}
	if err := PDF(io.Discard, nil, Meta{}); err == nil {
		t.Error("a document of no pages is written")
	}
}
