package scene

import (
	"bufio"
	"fmt"
	"io"
	"math"
	"strconv"
	"strings"
	"unicode"
)

// SVG writes a page as a picture of its true size. It holds no script, no style
// sheet and no font: a browser takes its own, and each text says how long it
// is, so that it fits all the same. The error wraps [ErrPage], or is the
// writer's.
func SVG(w io.Writer, p Page) error {
	if err := p.check(); err != nil {
		return fmt.Errorf("writing SVG: %w", err)
	}
	b := bufio.NewWriter(w)
	fmt.Fprintf(b, `<svg xmlns="http://www.w3.org/2000/svg" width="%[1]smm" height="%[2]smm" viewBox="0 0 %[1]s %[2]s" role="img" font-family="Go, Helvetica, Arial, sans-serif" stroke-linejoin="round">`+"\n", num(p.W), num(p.H))
	fmt.Fprintf(b, "<title>%s</title>\n", escaped(p.Title))
	if p.Desc != "" {
		fmt.Fprintf(b, "<desc>%s</desc>\n", escaped(p.Desc))
	}
	fmt.Fprintf(b, `<rect width="%s" height="%s" fill="#fff"/>`+"\n", num(p.W), num(p.H))
	for _, it := range p.Items {
		svgItem(b, it)
	}
	b.WriteString("</svg>\n")
	if err := b.Flush(); err != nil {
		return fmt.Errorf("writing SVG: %w", err)
	}
	return nil
}

func svgItem(b *bufio.Writer, it Item) {
	switch it := it.(type) {
	case Line:
		if it.Pen.Weight != NoLine {
			fmt.Fprintf(b, `<line x1="%s" y1="%s" x2="%s" y2="%s"%s/>`+"\n", num(it.A.X), num(it.A.Y), num(it.B.X), num(it.B.Y), stroke(it.Pen))
		}
	case Poly:
		if len(it.Points) > 1 {
			fmt.Fprintf(b, `<path d="%s"%s%s/>`+"\n", path(it.Points, it.Closed), fill(it.Fill), stroke(it.Pen))
		}
	case Arc:
		svgArc(b, it)
	case Text:
		if it.S != "" {
			svgText(b, it)
		}
	case Modules:
		var d strings.Builder
		it.rects(func(x, y, w, h float64) { fmt.Fprintf(&d, "M%s %sh%sv%sh%sz", num(x), num(y), num(w), num(h), num(-w)) })
		fmt.Fprintf(b, `<path d="%s" shape-rendering="crispEdges"/>`+"\n", d.String())
	}
}

func svgArc(b *bufio.Writer, a Arc) {
	if a.whole() {
		fmt.Fprintf(b, `<circle cx="%s" cy="%s" r="%s"%s%s/>`+"\n", num(a.Centre.X), num(a.Centre.Y), num(a.R), fill(a.Fill), stroke(a.Pen))
		return
	}
	from, to := a.at(a.From), a.at(a.To)
	large := 0
	if a.To-a.From > 180 {
		large = 1
	}
	d := fmt.Sprintf("M%s %sA%s %s 0 %d 0 %s %s", num(from.X), num(from.Y), num(a.R), num(a.R), large, num(to.X), num(to.Y))
	if a.Fill != Clear {
		fmt.Fprintf(b, `<path d="%sL%s %sz"%s/>`+"\n", d, num(a.Centre.X), num(a.Centre.Y), fill(a.Fill))
	}
	if a.Pen.Weight != NoLine {
		fmt.Fprintf(b, `<path d="%s" fill="none"%s/>`+"\n", d, stroke(a.Pen))
	}
}

func svgText(b *bufio.Writer, t Text) {
	at := t.start()
	fmt.Fprintf(b, `<text x="%s" y="%s" font-size="%s"`, num(at.X), num(at.Y), num(t.em()))
	if w := t.Width(); w > 0 {
		fmt.Fprintf(b, ` textLength="%s" lengthAdjust="spacingAndGlyphs"`, num(w))
	}
	if t.Bold {
		b.WriteString(` font-weight="bold"`)
	}
	if t.Shade != Clear && t.Shade != Black {
		b.WriteString(fill(t.Shade))
	}
	if t.Angle != 0 {
		fmt.Fprintf(b, ` transform="rotate(%s %s %s)"`, num(-t.Angle), num(at.X), num(at.Y))
	}
	fmt.Fprintf(b, ">%s</text>\n", escaped(t.S))
}

func path(pts []Point, closed bool) string {
	var d strings.Builder
	for i, p := range pts {
		d.WriteByte("ML"[min(i, 1)])
		d.WriteString(num(p.X) + " " + num(p.Y))
	}
	if closed {
		d.WriteByte('z')
	}
	return d.String()
}

func fill(s Shade) string {
	if s == Clear {
		return ` fill="none"`
	}
	return fmt.Sprintf(` fill="%s"`, hex(s))
}

func hex(s Shade) string { return fmt.Sprintf("#%02[1]x%02[1]x%02[1]x", s.grey()) }

func stroke(p Pen) string {
	if p.Weight == NoLine {
		return ""
	}
	s := fmt.Sprintf(` stroke="%s" stroke-width="%s"`, hex(p.Shade), num(p.Weight.MM()))
	if d := p.dashes(); len(d) > 0 {
		var parts []string
		for _, v := range d {
			parts = append(parts, num(v))
		}
		s += fmt.Sprintf(` stroke-dasharray="%s"`, strings.Join(parts, " "))
	}
	if p.Round {
		s += ` stroke-linecap="round"`
	}
	return s
}

// num writes mm to a thousandth, and no minus before nought.
func num(v float64) string {
	v = math.Round(v*1000) / 1000
	if v == 0 {
		v = 0
	}
	return strconv.FormatFloat(v, 'f', -1, 64)
}

var markup = strings.NewReplacer("&", "&amp;", "<", "&lt;", ">", "&gt;", `"`, "&quot;")

// escaped is text as XML takes it: no markup, and nothing that XML forbids or
// that turns the writing round.
func escaped(s string) string {
	clean := strings.Map(func(r rune) rune {
		switch {
		case r == '\t' || r == '\n' || r == '\r':
			return ' '
		case unicode.IsControl(r) || unicode.Is(unicode.Cf, r) || r == 0xFFFE || r == 0xFFFF:
			return -1
		}
		return r
	}, strings.ToValidUTF8(s, string(box)))
	return markup.Replace(clean)
}

// rects calls f with the dark squares, those beside each other as one.
func (m Modules) rects(f func(x, y, w, h float64)) {
	for i, row := range m.Dark {
		for j := 0; j < len(row); j++ {
			k := j
			for k < len(row) && row[k] {
				k++
			}
			if k > j {
				f(m.At.X+m.Size*float64(j), m.At.Y+m.Size*float64(i), m.Size*float64(k-j), m.Size)
				j = k
			}
		}
	}
}
