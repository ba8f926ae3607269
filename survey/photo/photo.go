// Package photo reads the pictures a surveyor takes of a stair: what they are,
// how large, when they were taken; it takes the place they were taken at out of
// them, and makes small ones for a page. Bytes in, bytes out.
//
// # What Strip takes out
//
// A picture says where it was taken in more than one way, and what it is meant
// to say can be read only in part. So [Strip] keeps what is known not to be a
// position, rather than dropping what is known to be one:
//
//   - EXIF: the entry of the GPS directory, the maker's note and other entries
//     whose inside is the maker's own are taken out of their directory, and
//     every byte of the block that no remaining entry refers to becomes zero.
//     The small picture inside is kept, and cleaned in the same way.
//   - XMP is emptied where it speaks of a position; its extension always.
//   - Comments and texts go where they speak of a position.
//   - Application segments of JPEG other than JFIF, ICC, MPF and Adobe become
//     zero. Chunks of PNG that are neither needed to show it nor known here are
//     left out.
//   - What follows the picture is cut off, such as a film, unless it is one more
//     JPEG picture; that is cleaned too.
//
// All else stays as it was, byte for byte; in a JPEG file at the same place as
// well. The image data is never touched. What a person wrote in words, such as
// an address, and what the picture shows, is not looked for.
//
// EXIF is CIPA DC-008 (JEITA CP-3451), a TIFF structure; its tags and types, the
// segments of JPEG (ITU-T T.81, table B.1) and the chunks of PNG (ISO/IEC 15948)
// are cited by number, from memory.
package photo

import (
	"bytes"
	"errors"
	"fmt"
)

// What a caller has to tell apart.
var (
	// ErrType: a file that is neither a JPEG nor a PNG picture.
	ErrType = errors.New("not a JPEG or PNG picture")
	// ErrMalformed: the file breaks the rules of its format, or ends too soon.
	ErrMalformed = errors.New("malformed")
	// ErrTooLarge: it would take more memory or time than a picture may.
	ErrTooLarge = errors.New("too large")
)

func malformed(format string, args ...any) error {
	return fmt.Errorf("%w: %s", ErrMalformed, fmt.Sprintf(format, args...))
}

// Type is a media type.
type Type string

// The types of picture that are accepted.
const (
	JPEG Type = "image/jpeg"
	PNG  Type = "image/png"
)

const (
	jpegStart = "\xff\xd8\xff"
	pngStart  = "\x89PNG\r\n\x1a\n"
)

// Sniff tells what a file is by its first bytes. The error wraps [ErrType].
func Sniff(b []byte) (Type, error) {
	switch {
	case bytes.HasPrefix(b, []byte(jpegStart)):
		return JPEG, nil
	case bytes.HasPrefix(b, []byte(pngStart)):
		return PNG, nil
	}
	return "", fmt.Errorf("%w: have the camera save JPEG, or save the picture again as JPEG or PNG", ErrType)
}

// Strip returns a copy of the picture without the place it was taken at; the
// package comment says what goes. had tells whether a position was found; what
// goes because it cannot be read, such as a maker's note, does not count. A
// file that cannot be followed to its end is refused with [ErrMalformed], for
// a position may hide in it.
func Strip(b []byte) (out []byte, had bool, err error) {
	t, err := Sniff(b)
	if err != nil {
		return nil, false, err
	}
	strip := stripJPEG
	if t == PNG {
		strip = stripPNG
	}
	out, had, err = strip(bytes.Clone(b))
	if err != nil {
		return nil, false, fmt.Errorf("taking the position out: %w; save the picture again, or keep the position on purpose", err)
	}
	return out, had, nil
}

// HasPosition tells whether [Strip] would find a position. Its errors are
// Strip's.
func HasPosition(b []byte) (bool, error) {
	_, had, err := Strip(b)
	return had, err
}

// positionWords are in the name of every property that XMP gives a position in
// (exif:GPSLatitude and its like), whatever its prefix.
var positionWords = [][]byte{[]byte("gps"), []byte("latitude"), []byte("longitude")}

// speaksOfPosition looks for those words in a text: in either case, and in
// UTF-16 as in UTF-8.
func speaksOfPosition(text []byte) bool {
	plain := make([]byte, 0, len(text))
	for _, c := range text {
		switch {
		case c == 0:
		case c >= 'A' && c <= 'Z':
			plain = append(plain, c+'a'-'A')
		default:
			plain = append(plain, c)
		}
	}
	for _, w := range positionWords {
		if bytes.Contains(plain, w) {
			return true
		}
	}
	return false
}
