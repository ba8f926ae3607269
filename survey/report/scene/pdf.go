package scene

import (
	"bytes"
	"errors"
	"fmt"
	"io"
	"strconv"
	"strings"
	"time"
	"unicode/utf8"

	"codeberg.org/go-pdf/fpdf"
	"golang.org/x/image/font/gofont/gobold"
	"golang.org/x/image/font/gofont/goregular"
)

// Meta is what a document says of itself.
type Meta struct {
	Title, Subject, Author, Creator string
	Date                            time.Time // of making; the zero time is written as 2000-01-01
	Lang                            string    // such as en
}

var errNoPages = errors.New("no pages")

const pointsPerMM = 72 / 25.4

// PDF writes pages as one document, each of its own size, with the fonts in it.
// It asks the reader's print dialogue for the true size, though not all of them
// heed it: what must be printed so has to say so on the page. The error wraps
// [ErrPage], or is the writer's.
func PDF(w io.Writer, pages []Page, m Meta) error {
	out, err := pdf(pages, m)
	if err == nil {
		_, err = w.Write(out)
	}
	if err != nil {
		return fmt.Errorf("writing PDF: %w", err)
	}
	return nil
}

func pdf(pages []Page, m Meta) ([]byte, error) {
	if len(pages) == 0 {
		return nil, errNoPages
	}
	for i := range pages {
		if err := pages[i].check(); err != nil {
			return nil, fmt.Errorf("page %d: %w", i+1, err)
		}
	}
	if m.Date.IsZero() {
		m.Date = time.Date(2000, 1, 1, 0, 0, 0, 0, time.UTC)
	}
	size := func(p *Page) fpdf.SizeType { return fpdf.SizeType{Wd: p.W, Ht: p.H} }
	f := fpdf.NewCustom(&fpdf.InitType{OrientationStr: "P", UnitStr: "mm", Size: size(&pages[0])})
	f.SetCatalogSort(true)
	f.SetCreationDate(m.Date.UTC())
	f.SetModificationDate(m.Date.UTC())
	f.SetTitle(plane0(m.Title), true)
	f.SetSubject(plane0(m.Subject), true)
	f.SetAuthor(plane0(m.Author), true)
	f.SetCreator(plane0(m.Creator), true)
	f.SetProducer("", false)
	f.SetLang(lang(m.Lang))
	f.SetAutoPageBreak(false, 0)
	f.SetMargins(0, 0, 0)
	f.AddUTF8FontFromBytes("go", "", goregular.TTF)
	f.AddUTF8FontFromBytes("go", "B", gobold.TTF)
	for i := range pages {
		f.AddPageFormat("P", size(&pages[i]))
		f.SetLineJoinStyle("round")
		for _, it := range pages[i].Items {
			pdfItem(f, it)
		}
	}
	var buf bytes.Buffer
	if err := f.Output(&buf); err != nil {
		return nil, err
	}
	return actualSize(buf.Bytes())
}

func pdfItem(f *fpdf.Fpdf, it Item) {
	switch it := it.(type) {
	case Line:
		pdfPath(f, []Point{it.A, it.B}, false, it.Pen, Clear)
	case Poly:
		pdfPath(f, it.Points, it.Closed, it.Pen, it.Fill)
	case Arc:
		if it.Fill != Clear {
			pdfPath(f, it.flat(true), true, Pen{}, it.Fill)
		}
		pdfPath(f, it.flat(false), it.whole(), it.Pen, Clear)
	case Text:
		pdfText(f, it)
	case Modules:
		setShade(f.SetFillColor, Black)
		some := false
		it.rects(func(x, y, w, h float64) {
			some = true
			f.MoveTo(x, y)
			f.LineTo(x+w, y)
			f.LineTo(x+w, y+h)
			f.LineTo(x, y+h)
			f.ClosePath()
		})
		if some {
			f.DrawPath("F")
		}
	}
}

func setShade(set func(r, g, b int), s Shade) {
	g := int(s.grey())
	set(g, g, g)
}

func pdfPath(f *fpdf.Fpdf, pts []Point, closed bool, pen Pen, fill Shade) {
	style := ""
	if fill != Clear {
		setShade(f.SetFillColor, fill)
		style = "F"
	}
	if pen.Weight != NoLine {
		setShade(f.SetDrawColor, pen.Shade)
		f.SetLineWidth(pen.Weight.MM())
		f.SetDashPattern(pen.dashes(), 0)
		f.SetLineCapStyle(map[bool]string{true: "round", false: "butt"}[pen.Round])
		style += "D"
	}
	if style == "" || len(pts) < 2 {
		return
	}
	f.MoveTo(pts[0].X, pts[0].Y)
	for _, p := range pts[1:] {
		f.LineTo(p.X, p.Y)
	}
	if closed {
		f.ClosePath()
	}
	f.DrawPath(style)
}

func pdfText(f *fpdf.Fpdf, t Text) {
	s := drawable(t.S)
	if s == "" || t.H <= 0 {
		return
	}
	style := ""
	if t.Bold {
		style = "B"
	}
	f.SetFont("go", style, t.em()*pointsPerMM)
	setShade(f.SetTextColor, t.Shade)
	at := t.start()
	if t.Angle == 0 {
		f.Text(at.X, at.Y, s)
		return
	}
	f.TransformBegin()
	f.TransformRotate(t.Angle, at.X, at.Y)
	f.Text(at.X, at.Y, s)
	f.TransformEnd()
}

// plane0 keeps of a string what the library's UTF-16 can hold, which is
// Unicode's first plane.
func plane0(s string) string {
	return strings.Map(func(r rune) rune {
		if r == utf8.RuneError || r > 0xFFFF {
			return box
		}
		return r
	}, s)
}

// lang keeps of a language's name what may stand in a PDF string.
func lang(s string) string {
	return strings.Map(func(r rune) rune {
		if r == '-' || r >= '0' && r <= '9' || r >= 'A' && r <= 'Z' || r >= 'a' && r <= 'z' {
			return r
		}
		return -1
	}, s)
}

var errLayout = errors.New("the library's file is not laid out as expected")

// actualSize puts the wish to be printed without scaling (ISO 32000-1, 12.2,
// from memory) into the catalogue, which the library cannot do. The catalogue
// is the last object, so nothing else moves but the table behind it.
func actualSize(doc []byte) ([]byte, error) {
	const (
		catalog = "\n/Type /Catalog\n"
		wish    = "/ViewerPreferences << /PrintScaling /None >>\n"
		start   = "startxref\n"
	)
	at, ref := bytes.LastIndex(doc, []byte(catalog)), bytes.LastIndex(doc, []byte(start))
	if at < 0 || ref < at || bytes.Contains(doc[at:ref], []byte(" obj\n")) {
		return nil, errLayout
	}
	at += len(catalog)
	number, rest, ok := bytes.Cut(doc[ref+len(start):], []byte("\n"))
	table, err := strconv.Atoi(string(number))
	if !ok || err != nil {
		return nil, errLayout
	}
	out := append(doc[:at:at], wish...)
	out = append(out, doc[at:ref+len(start)]...)
	out = strconv.AppendInt(out, int64(table+len(wish)), 10)
	out = append(out, '\n')
	return append(out, rest...), nil
}
