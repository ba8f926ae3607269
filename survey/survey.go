// Package survey holds the trade's nouns: where on a stair a reading belongs,
// what was read, with which tool, and how surely.
//
// A stair is made of flights; a landing is a flight of pitch nought. A bay is
// the stretch of balustrade between two posts of a flight. A [Reading] is one
// thing measured once: it keeps the text as typed beside the value in whole
// micrometres or microradians, and it is never changed. A correction is a new
// reading that names the one it replaces; a [Strike] says why one no longer
// counts.
//
// [Payload] is what a page of the log carries, in deterministic CBOR.
package survey

import (
	"errors"
	"fmt"
	"strings"
)

// What is wrong with a field of a reading. The wrapping error says what would
// be right.
var (
	ErrPlace   = errors.New("unknown place")
	ErrWhat    = errors.New("unknown reading")
	ErrAt      = errors.New("wrong station")
	ErrAbsurd  = errors.New("not believable")
	ErrTool    = errors.New("unknown tool")
	ErrWhen    = errors.New("not a date")
	ErrTooLong = errors.New("too long")
	ErrPiece   = errors.New("which trial piece? give the piece's length first, such as 812 fits")
)

// Place says where a reading belongs: a flight, "F1", or a bay of it,
// "F1/left".
type Place string

// Flight is the part before the slash.
func (p Place) Flight() string {
	f, _, _ := strings.Cut(string(p), "/")
	return f
}

// Bay is the part after the slash, empty for a flight.
func (p Place) Bay() string {
	_, b, _ := strings.Cut(string(p), "/")
	return b
}

// InBay tells whether p is a bay of flight f.
func (p Place) InBay() bool { return p.Bay() != "" }

// maxName bounds a flight's or a bay's name, so that a page keeps its columns.
const maxName = 24

// ParsePlace reads FLIGHT or FLIGHT/BAY; both names are letters, digits, "-"
// and "_". The error wraps [ErrPlace].
func ParsePlace(s string) (Place, error) {
	f, b, inBay := strings.Cut(s, "/")
	if !isName(f) || inBay && !isName(b) {
		return "", fmt.Errorf("%w %q: write a flight such as F1, or a flight and a bay such as F1/left (letters, digits, - and _, at most %d each)", ErrPlace, s, maxName)
	}
	return Place(s), nil
}

func isName(s string) bool {
	if s == "" || len(s) > maxName {
		return false
	}
	for _, c := range []byte(s) {
		if !(c >= 'a' && c <= 'z' || c >= 'A' && c <= 'Z' || c >= '0' && c <= '9' || c == '-' || c == '_') {
			return false
		}
	}
	return true
}
