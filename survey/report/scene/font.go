package scene

import (
	"math"
	"strings"
	"sync"
	"unicode"
	"unicode/utf8"

	"golang.org/x/image/font"
	"golang.org/x/image/font/gofont/gobold"
	"golang.org/x/image/font/gofont/goregular"
	"golang.org/x/image/font/sfnt"
	"golang.org/x/image/math/fixed"
	"golang.org/x/text/unicode/norm"
)

// The Go fonts are embedded in every output that can hold a font. They have
// Latin with its accents (WGL4), Greek and Cyrillic. What they lack is written
// without its accent where that helps, and as a box where it does not.
var faces = [2]func() *face{
	sync.OnceValue(func() *face { return newFace(goregular.TTF) }),
	sync.OnceValue(func() *face { return newFace(gobold.TTF) }),
}

func faceOf(bold bool) *face {
	if bold {
		return faces[1]()
	}
	return faces[0]()
}

// face is a font with what is known of its characters.
type face struct {
	font *sfnt.Font
	em   float64 // units per em
	caps float64 // height of the capitals in em

	mu     sync.Mutex
	buf    sfnt.Buffer
	glyphs map[rune]glyph
}

type glyph struct {
	index   sfnt.GlyphIndex // 0 when the font has none
	advance float64         // em
}

// newFace reads a font that is part of the program, so an error is the
// program's own.
func newFace(ttf []byte) *face {
	f, err := sfnt.Parse(ttf)
	if err != nil {
		panic("embedded font: " + err.Error())
	}
	out := &face{font: f, em: float64(f.UnitsPerEm()), glyphs: map[rune]glyph{}}
	m, err := f.Metrics(&out.buf, fixed.I(int(f.UnitsPerEm())), font.HintingNone)
	if err != nil {
		panic("embedded font: " + err.Error())
	}
	out.caps = float64(m.CapHeight) / 64 / out.em
	return out
}

func (f *face) glyph(r rune) glyph {
	f.mu.Lock()
	defer f.mu.Unlock()
	g, ok := f.glyphs[r]
	if !ok {
		// Both calls fail only on a damaged font, which leaves the character out.
		g.index, _ = f.font.GlyphIndex(&f.buf, r)
		a, _ := f.font.GlyphAdvance(&f.buf, g.index, fixed.I(int(f.em)), font.HintingNone)
		g.advance = float64(a) / 64 / f.em
		f.glyphs[r] = g
	}
	return g
}

func (f *face) has(r rune) bool { return f.glyph(r).index != 0 }

// box stands for a character that the font does not have.
const box = '□'

// drawable is s as the fonts can draw it. Both fonts have the same characters.
func drawable(s string) string {
	f := faceOf(false)
	known := func(r rune) bool { return r != utf8.RuneError && !unicode.IsControl(r) && f.has(r) }
	if strings.IndexFunc(s, func(r rune) bool { return !known(r) }) < 0 {
		return s
	}
	var b strings.Builder
	for _, r := range norm.NFC.String(s) {
		switch {
		case known(r):
			b.WriteRune(r)
		case r == '\t' || r == '\n' || r == '\r':
			b.WriteByte(' ')
		case unicode.In(r, unicode.Mn, unicode.Cc, unicode.Cf): // an accent by itself, or what shows nothing
		default:
			b.WriteRune(plainer(r, known))
		}
	}
	return b.String()
}

// plainer is r with as many of its accents as the font knows together, or the
// box.
func plainer(r rune, known func(rune) bool) rune {
	parts := []rune(norm.NFD.String(string(r)))
	if r == utf8.RuneError || !known(parts[0]) {
		return box
	}
	best := parts[0]
	for _, accent := range parts[1:] {
		c, n := utf8.DecodeRuneInString(norm.NFC.String(string([]rune{best, accent})))
		if n == len(norm.NFC.String(string([]rune{best, accent}))) && known(c) {
			best = c
		}
	}
	return best
}

// em is the size of the font in mm at which its capitals are H high.
func (t Text) em() float64 { return t.H / faceOf(t.Bold).caps }

// Width is the length of the text in mm.
func (t Text) Width() float64 { return TextWidth(t.S, t.H, t.Bold) }

// TextWidth is the length in mm of a line of text of nominal height h.
func TextWidth(s string, h float64, bold bool) float64 {
	f := faceOf(bold)
	w := 0.0
	for _, r := range drawable(s) {
		w += f.glyph(r).advance
	}
	return w * h / f.caps
}

// start is where the text begins, whatever its anchor.
func (t Text) start() Point {
	back := 0.0
	switch t.Anchor {
	case Middle:
		back = t.Width() / 2
	case End:
		back = t.Width()
	}
	sin, cos := math.Sincos(t.Angle * math.Pi / 180)
	return Point{t.At.X - back*cos, t.At.Y + back*sin}
}

// descent is how far a text reaches below its baseline, in heights: the tail of
// a g. above is how far accents reach over the capitals.
const (
	descent = 0.3
	above   = 0.1
)

// Corners are the corners of the box that a text fills: at the start under the
// baseline, and on anticlockwise as the text is read.
func (t Text) Corners() [4]Point {
	sin, cos := math.Sincos(t.Angle * math.Pi / 180)
	along, up := Point{cos, -sin}, Point{-sin, -cos}
	a := t.start().Add(up.Mul(-descent * t.H))
	b := a.Add(along.Mul(t.Width()))
	rise := up.Mul((1 + above + descent) * t.H)
	return [4]Point{a, b, b.Add(rise), a.Add(rise)}
}

// Wrap breaks a text between its words into lines of at most w mm. A word that
// is longer by itself is cut.
func Wrap(s string, h float64, bold bool, w float64) []string {
	var lines []string
	line := ""
	for _, word := range strings.Fields(s) {
		for TextWidth(word, h, bold) > w {
			head := fitting(word, h, bold, w)
			if line != "" {
				lines, line = append(lines, line), ""
			}
			lines, word = append(lines, word[:head]), word[head:]
		}
		switch next := line + " " + word; {
		case word == "":
		case line == "":
			line = word
		case TextWidth(next, h, bold) <= w:
			line = next
		default:
			lines, line = append(lines, line), word
		}
	}
	if line != "" {
		lines = append(lines, line)
	}
	return lines
}

// fitting is how many bytes of s fit into w, one character at least.
func fitting(s string, h float64, bold bool, w float64) int {
	end := 0
	for i, r := range s {
		next := i + utf8.RuneLen(max(r, 0))
		if r == utf8.RuneError {
			_, n := utf8.DecodeRuneInString(s[i:])
			next = i + n
		}
		if end > 0 && TextWidth(s[:next], h, bold) > w {
			break
		}
		end = next
	}
	return end
}

// Shorten cuts s so that it fits into w mm, and marks the cut.
func Shorten(s string, h float64, bold bool, w float64) string {
	if TextWidth(s, h, bold) <= w {
		return s
	}
	const cut = "…"
	room := w - TextWidth(cut, h, bold)
	n := fitting(s, h, bold, room)
	if TextWidth(s[:n], h, bold) > room {
		return cut
	}
	return strings.TrimRight(s[:n], " ") + cut
}
