package journal

import (
	"encoding/binary"
	"fmt"
	"strconv"
	"strings"
)

// A Ref is a reading's name: its place in the logs. Items count from 1; item
// 0 names the page itself.
type Ref struct {
	Device ID
	Page   uint64
	Item   uint32
}

// String returns the full form, DEVICE-PAGE.ITEM, such as
// 017f22e2-79b0-7cc3-98c4-dc0c0c07398f-142.1.
func (r Ref) String() string {
	return r.Device.String() + "-" + place(r.Page, r.Item)
}

// Short returns the form a person reads and says, such as K7-142.1. Two
// devices can have the same tag, so a short name is looked up, not trusted.
func (r Ref) Short() string {
	return ShortRef{r.Device.Tag(), r.Page, r.Item}.String()
}

// ParseRef reads the full form.
func ParseRef(s string) (Ref, error) {
	i := strings.LastIndexByte(s, '-')
	if i < 0 {
		return Ref{}, fmt.Errorf("reading %q: %w: want DEVICE-PAGE.ITEM", s, ErrSyntax)
	}
	device, err := ParseID(s[:i])
	if err != nil {
		return Ref{}, fmt.Errorf("reading %q: %w", s, err)
	}
	page, item, err := parsePlace(s[i+1:])
	if err != nil {
		return Ref{}, fmt.Errorf("reading %q: %w", s, err)
	}
	return Ref{device, page, item}, nil
}

// MarshalText writes the full form; the zero Ref is empty.
func (r Ref) MarshalText() ([]byte, error) {
	if r == (Ref{}) {
		return nil, nil
	}
	return []byte(r.String()), nil
}

// UnmarshalText reads what MarshalText writes.
func (r *Ref) UnmarshalText(b []byte) (err error) {
	if len(b) == 0 {
		*r = Ref{}
		return nil
	}
	*r, err = ParseRef(string(b))
	return err
}

// A ShortRef is a short name as a person gave it: the device is known by its
// tag only.
type ShortRef struct {
	Tag  string
	Page uint64
	Item uint32
}

// String returns TAG-PAGE.ITEM.
func (s ShortRef) String() string { return s.Tag + "-" + place(s.Page, s.Item) }

// Names reports whether r can be meant.
func (s ShortRef) Names(r Ref) bool {
	return s == ShortRef{r.Device.Tag(), r.Page, r.Item}
}

// ParseShort reads the short form, in either case.
func ParseShort(s string) (ShortRef, error) {
	tag, rest, ok := strings.Cut(s, "-")
	tag = strings.ToUpper(tag)
	if !ok || len(tag) != 2 || strings.IndexByte(tagLetters, tag[0]) < 0 || strings.IndexByte(tagAll, tag[1]) < 0 {
		return ShortRef{}, fmt.Errorf("reading %q: %w: want a device's tag and a place, such as K7-142.1", s, ErrSyntax)
	}
	page, item, err := parsePlace(rest)
	if err != nil {
		return ShortRef{}, fmt.Errorf("reading %q: %w", s, err)
	}
	return ShortRef{tag, page, item}, nil
}

// The tag's alphabet leaves out what is taken for something else when written
// by hand or read aloud: 0 O Q, 1 I L, 2 Z, 5 S, 6 G, 8 B, U V. Of the pairs
// of a digit and a letter the digit stays, but for 0 and 1; of U V the V.
const (
	tagLetters = "ACDEFHJKMNPRTVWXY"
	tagAll     = tagLetters + "23456789"
)

// Tag returns the device's two characters: a letter, then a letter or digit,
// from the first two bytes of SHA-256("pinchrod tag v1" 00, device), as one
// number n: letter n mod 17, then character (n div 17) mod 25. There are 425,
// so a firm with more than a few devices will see one twice.
func (id ID) Tag() string {
	h := sum(tagDomain, id[:])
	n := int(binary.BigEndian.Uint16(h[:]))
	return string([]byte{tagLetters[n%len(tagLetters)], tagAll[n/len(tagLetters)%len(tagAll)]})
}

func place(page uint64, item uint32) string {
	return strconv.FormatUint(page, 10) + "." + strconv.FormatUint(uint64(item), 10)
}

// parsePlace reads PAGE.ITEM; a number must print back as it was read.
func parsePlace(s string) (page uint64, item uint32, err error) {
	p, i, _ := strings.Cut(s, ".")
	page, perr := strconv.ParseUint(p, 10, 64)
	n, ierr := strconv.ParseUint(i, 10, 32)
	if perr != nil || ierr != nil || page == 0 || place(page, uint32(n)) != s {
		return 0, 0, fmt.Errorf("place %q: %w: want PAGE.ITEM, such as 142.1", s, ErrSyntax)
	}
	return page, uint32(n), nil
}
