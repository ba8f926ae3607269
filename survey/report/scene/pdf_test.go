package scene

import (
	"bytes"
	"compress/zlib"
	"fmt"
	"io"
	"math"
	"regexp"
	"strconv"
	"strings"
	"testing"
	"time"
	"unicode/utf16"
)

// pdfFile is as much of a PDF as the tests look at.
type pdfFile struct {
	doc     []byte
	objects map[int][]byte
	trailer string
}

// readPDF follows the table at the end to every object, so that a file whose
// offsets are wrong does not pass.
func readPDF(t *testing.T, doc []byte) pdfFile {
	t.Helper()
	m := regexp.MustCompile(`startxref\n(\d+)\n%%EOF\n$`).FindSubmatch(doc)
	if m == nil {
		t.Fatal("no startxref at the end")
	}
	at, _ := strconv.Atoi(string(m[1]))
	table := string(doc[at:])
	var n int
	if _, err := fmt.Sscanf(table, "xref\n0 %d\n", &n); err != nil {
		t.Fatalf("no table at %d: %v", at, err)
	}
	f := pdfFile{doc: doc, objects: map[int][]byte{}, trailer: table[strings.Index(table, "trailer"):]}
	for i, line := range strings.Split(table, "\n")[3 : 2+n] {
		offset, _ := strconv.Atoi(line[:10])
		head := fmt.Sprintf("%d 0 obj\n", i+1)
		if !bytes.HasPrefix(doc[offset:], []byte(head)) {
			t.Fatalf("object %d is not at %d", i+1, offset)
		}
		body, _, _ := bytes.Cut(doc[offset+len(head):], []byte("\nendobj"))
		f.objects[i+1] = body
	}
	return f
}

// streams are the page contents, unpacked.
func (f pdfFile) streams(t *testing.T) []string {
	t.Helper()
	var out []string
	for n := 1; n <= len(f.objects); n++ {
		_, rest, ok := bytes.Cut(f.objects[n], []byte("stream\n"))
		if !ok || !bytes.Contains(f.objects[n], []byte("FlateDecode")) || bytes.Contains(f.objects[n], []byte("Length1")) {
			continue
		}
		z, err := zlib.NewReader(bytes.NewReader(rest))
		if err != nil {
			t.Fatal(err)
		}
		s, err := io.ReadAll(z)
		if err != nil {
			t.Fatal(err)
		}
		if bytes.Contains(s, []byte(" Tj")) {
			out = append(out, string(s))
		}
	}
	return out
}

var shown = regexp.MustCompile(`(?s)Td \((.*?)\) Tj ET`)

// texts are the strings shown on a page, out of the library's UTF-16.
func texts(stream string) []string {
	var out []string
	for _, m := range shown.FindAllStringSubmatch(stream, -1) {
		raw := strings.NewReplacer(`\\`, `\`, `\(`, `(`, `\)`, `)`, `\r`, "\r").Replace(m[1])
		var u []uint16
		for i := 0; i+1 < len(raw); i += 2 {
			u = append(u, uint16(raw[i])<<8|uint16(raw[i+1]))
		}
		out = append(out, string(utf16.Decode(u)))
	}
	return out
}

func TestPDF(t *testing.T) {
	var out bytes.Buffer
	pages := []Page{every(), {W: A4Short, H: A4Long, Items: []Item{Text{At: Point{20, 20}, S: "second", H: 5}}}}
	when := time.Date(2026, 11, 25, 9, 30, 0, 0, time.FixedZone("", 3600))
	if err := PDF(&out, pages, Meta{Title: "Łódź", Author: "é", Date: when, Lang: "en"}); err != nil {
		t.Fatal(err)
	}
	f := readPDF(t, out.Bytes())
	doc := string(f.doc)

	// Every page has its own size, in points of 1/72 inch.
	for _, want := range [][2]float64{{100, 70}, {210, 297}} {
		found := false
		for _, m := range regexp.MustCompile(`/MediaBox \[0 0 ([\d.]+) ([\d.]+)\]`).FindAllStringSubmatch(doc, -1) {
			w, _ := strconv.ParseFloat(m[1], 64)
			h, _ := strconv.ParseFloat(m[2], 64)
			found = found || math.Abs(w/72*25.4-want[0]) < 0.01 && math.Abs(h/72*25.4-want[1]) < 0.01
		}
		if !found {
			t.Errorf("no page of %v mm", want)
		}
	}
	if !strings.Contains(doc, "/Count 2\n") {
		t.Error("not two pages")
	}
	if !strings.Contains(doc, "/CreationDate (D:20261125083000)") || !strings.Contains(doc, "/ModDate (D:20261125083000)") {
		t.Error("the dates are not the given one in UTC")
	}
	root := regexp.MustCompile(`/Root (\d+) 0 R`).FindStringSubmatch(f.trailer)
	n, _ := strconv.Atoi(root[1])
	if c := string(f.objects[n]); !strings.Contains(c, "/PrintScaling /None") || !strings.Contains(c, "/Lang (en)") {
		t.Errorf("the catalogue is %q", c)
	}
	streams := f.streams(t)
	if len(streams) != 2 {
		t.Fatalf("%d pages with text, want 2", len(streams))
	}
	all := strings.Join(texts(streams[0]), "\n")
	for _, want := range []string{"Ø 41 ±0.3 mm — 39,6° Łódź Ångström Žižek Ελλάς Київ ½ × −2", "gap at top 812.4 ±0.7", "read from the right"} {
		if !strings.Contains(all, want) {
			t.Errorf("no %q among the texts:\n%s", want, all)
		}
	}
}

// A file that the library lays out otherwise is refused, not spoiled.
func TestActualSizeRefuses(t *testing.T) {
	for _, doc := range []string{"", "\n/Type /Catalog\n>>", "startxref\n1\n\n/Type /Catalog\n", "\n/Type /Catalog\n>>\nstartxref\nx\n", "\n/Type /Catalog\n2 0 obj\nstartxref\n1\n"} {
		if _, err := actualSize([]byte(doc)); err == nil {
			t.Errorf("%q is taken", doc)
		}
	}
}
