package photo

import (
	"bytes"
	"errors"
	"fmt"
	"image/jpeg"
	"image/png"
	"time"
)

// Facts are what a picture says of itself.
type Facts struct {
	Type          Type
	Width, Height int    // as stored, before it is turned upright
	Orientation   int    // EXIF's 1 to 8, 1 when nothing is said
	Taken         string // ISO 8601 by the camera's clock, with its offset where one is kept; else empty
}

// Info reads what a picture says of itself, without decoding it. EXIF that
// cannot be read says nothing.
func Info(b []byte) (Facts, error) {
	t, err := Sniff(b)
	if err != nil {
		return Facts{}, err
	}
	config := jpeg.DecodeConfig
	if t == PNG {
		config = png.DecodeConfig
	}
	c, err := config(bytes.NewReader(b))
	if err == nil && (c.Width <= 0 || c.Height <= 0) {
		err = errors.New("it has no size")
	}
	if err != nil {
		return Facts{}, fmt.Errorf("reading a picture: %w: %w", ErrMalformed, err)
	}
	f := Facts{Type: t, Width: c.Width, Height: c.Height, Orientation: 1}
	if block, err := openTIFF(findExif(t, b)); err == nil {
		f.read(block)
	}
	return f, nil
}

var errFound = errors.New("found")

// findExif returns the first EXIF block, nil when there is none.
func findExif(t Type, b []byte) (block []byte) {
	if t == PNG {
		walkPNG(b, func(name string, chunk []byte) error {
			if name == "eXIf" {
				block = bytes.TrimPrefix(chunkData(chunk), []byte("Exif\x00\x00"))
				return errFound
			}
			return nil
		})
		return block
	}
	walkJPEG(b, func(marker byte, data []byte) error {
		if marker == markAPP0+1 && bytes.HasPrefix(data, idExif) && len(data) > len(idExif) {
			block = data[len(idExif)+1:]
			return errFound
		}
		if marker == markSOS {
			return errFound // EXIF stands before the image
		}
		return nil
	})
	return block
}

func (f *Facts) read(t tiff) {
	first, err := t.directory(t.first())
	if err != nil {
		return
	}
	if e, ok := first.find(tagOrientation); ok {
		if n, ok := t.number(e); ok && n >= 1 && n <= 8 {
			f.Orientation = int(n)
		}
	}
	e, _ := first.find(tagExifIFD)
	if at, ok := t.number(e); ok {
		d, _ := t.directory(at)
		f.Taken = taken(t.text(d, tagTaken), t.text(d, tagTakenOffset))
	}
}

// text is the value of a text entry, without the zero at its end.
func (t tiff) text(d directory, tag uint16) string {
	if e, ok := d.find(tag); ok && e.kind == kindASCII && !e.outside {
		return string(bytes.TrimRight(t.b[e.lo:e.hi], "\x00 "))
	}
	return ""
}

// taken writes EXIF's time in ISO 8601.
func taken(local, offset string) string {
	const form = "2006:01:02 15:04:05"
	if t, err := time.Parse(form+"-07:00", local+offset); err == nil {
		return t.Format("2006-01-02T15:04:05-07:00")
	}
	if t, err := time.Parse(form, local); err == nil {
		return t.Format("2006-01-02T15:04:05")
	}
	return ""
}
