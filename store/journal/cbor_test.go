package journal

import (
	"bytes"
	"encoding/hex"
	"errors"
	"slices"
	"strings"
	"testing"
)

// What is not deterministic is refused wherever it stands, and what is, is not:
// alone, in an array, as a key and as a value of a map, under a tag. The forms
// are those of RFC 8949, sections 3 and 4.2.1, worked by hand.
func TestCanonicalEverywhere(t *testing.T) {
	for _, tc := range []struct {
		item string // in hex
		ok   bool
	}{
		// Arguments in their shortest form: below 24, 8, 16, 32 and 64 bits.
		{"17", true}, {"1817", false}, {"1818", true}, {"18ff", true}, {"1900ff", false}, {"190100", true},
		{"19ffff", true}, {"1a0000ffff", false}, {"1a00010000", true}, {"1affffffff", true},
		{"1b00000000ffffffff", false}, {"1b0000000100000000", true}, {"3800", false}, {"3818", true},
		{"18", false}, {"19ff", false}, {"1a000100", false}, {"1b00000001000000", false},
		{"1c", false}, {"1d", false}, {"1e", false}, {"1f", false},
		// Strings, with a length of their own, and no longer than what is there.
		{"40", true}, {"4107", true}, {"41", false}, {"5801aa", false}, {"5f4107ff", false},
		{"60", true}, {"6161", true}, {"61", false}, {"61ff", false}, {"62c3a9", true}, {"62c328", false},
		// Arrays and maps, with keys that ascend.
		{"80", true}, {"8101", true}, {"81", false}, {"9f01ff", false}, {"a0", true}, {"a10102", true}, {"a1", false}, {"a101", false},
		{"a201020304", true}, {"a203040102", false}, {"a201020103", false}, {"a2010241ff03", true}, {"bf0102ff", false},
		// Tags, and bignums only where no integer reaches.
		{"c001", true}, {"c0", false}, {"c249010000000000000000", true}, {"c349010000000000000000", true}, {"c24900ffffffffffffffff", false},
		{"c248ffffffffffffffff", false}, {"c348ffffffffffffffff", false}, {"c240", false}, {"c201", false}, {"c26161", false}, {"c269616263646566676869", false}, {"c44801", false}, {"c448ffffffffffffffff", true},
		// Simple values, and floats in their shortest form.
		{"f4", true}, {"f5", true}, {"f6", true}, {"f818", false}, {"f81f", false}, {"f820", true}, {"f8ff", true}, {"f8", false},
		{"f97e00", true}, {"f97e01", false}, {"f97c01", false}, {"f9fe00", false}, {"f97c00", true}, {"f9fc00", true}, {"f90001", true}, {"f93c00", true}, {"f9", false},
		{"fa7f800000", false}, {"fa7fc00000", false}, {"fa00000000", false}, {"fa80000000", false}, // infinity, NaN, 0, -0
		{"fa477fe000", false}, {"fa477ff000", true}, {"fa47800000", true}, // 65504 and beyond what half holds
		{"fa3f802000", false}, {"fa3f801000", true}, // 1 + 2^-10 and 1 + 2^-11
		{"fa38800000", false}, {"fa38802000", false}, {"fa38801000", true}, // 2^-14, and with the last bit and half of it
		{"fa38000000", false}, {"fa38400000", false}, {"fa38402000", true}, // 2^-15 and multiples of 2^-24 below 2^-14
		{"fa38004000", false}, {"fa38002000", true}, {"fa34000000", false}, {"fa33800000", false}, {"fa33c00000", true}, {"fa33000000", true}, // 2^-23, 2^-24, 1.5·2^-24, 2^-25
		{"fa34400000", false}, {"fa34600000", true}, // 3·2^-24, and a half of 2^-24 more
		{"fb7ff0000000000000", false}, {"fb7ff8000000000000", false}, {"fb3ff0000000000000", false}, {"fb3ff0000020000000", false}, {"fb3ff0000010000000", true}, {"fb3ff199999999999a", true},
		{"fb36a0000000000000", false}, {"fb3690000000000000", true}, {"fb47efffffe0000000", false}, {"fb47f0000000000000", true}, // the least and the greatest of 32 bits
	} {
		b, err := hex.DecodeString(tc.item)
		if err != nil {
			t.Fatal(err)
		}
		for where, in := range map[string][]byte{
			"alone":                b,
			"in an array":          slices.Concat([]byte{0x82, 0x01}, b),
			"first in an array":    slices.Concat([]byte{0x82}, b, []byte{0x01}),
			"as a value":           slices.Concat([]byte{0xa1, 0x01}, b),
			"as the first value":   slices.Concat([]byte{0xa2, 0x01}, b, []byte{0x02, 0x03}),
			"as a key":             slices.Concat([]byte{0xa1}, b, []byte{0x01}),
			"under a tag":          slices.Concat([]byte{0xc0}, b),
			"deep in all of these": slices.Concat([]byte{0x81, 0xa1, 0x01, 0xc1, 0x81}, b),
		} {
			err := Canonical(in)
			if (err == nil) != tc.ok || err != nil && (!errors.Is(err, ErrNotCanonical) || !strings.Contains(err.Error(), ": at byte ")) {
				t.Errorf("%s, %s (%x): %v, want it taken: %t", tc.item, where, in, err, tc.ok)
			}
			n, lenErr := ItemLen(append(bytes.Clone(in), 0xff))
			if tc.ok && (lenErr != nil || n != len(in)) {
				t.Errorf("%s, %s: the item has %d bytes, %v; want %d", tc.item, where, n, lenErr, len(in))
			}
		}
	}
}

// Nesting and numbers of elements are bounded, and not below what is promised.
func TestCanonicalBounds(t *testing.T) {
	for _, tc := range []struct{ name, open, leaf, shut string }{
		{"arrays", "\x81", "\x00", ""},
		{"values of maps", "\xa1\x00", "\x00", ""},
		{"keys of maps", "\xa1", "\x00", "\x00"},
		{"tags", "\xc1", "\x00", ""},
	} {
		for deep, ok := range map[int]bool{31: true, 32: true, 33: false} {
			b := strings.Repeat(tc.open, deep) + tc.leaf + strings.Repeat(tc.shut, deep)
			if err := Canonical([]byte(b)); (err == nil) != ok || err != nil && !strings.Contains(err.Error(), "nested deeper than 32") {
				t.Errorf("%d %s in each other: %v, want it taken: %t", deep, tc.name, err, ok)
			}
		}
	}
	const most = 1 << 20
	array := append([]byte{0x9a, 0x00, 0x10, 0x00, 0x00}, make([]byte, most)...)
	if err := Canonical(array); err != nil {
		t.Errorf("%d elements: %v", most, err)
	}
	more := append([]byte{0x9a, 0x00, 0x10, 0x00, 0x01}, make([]byte, most+1)...)
	if err := Canonical(more); !errors.Is(err, ErrNotCanonical) || !strings.Contains(err.Error(), "array of 1048577 elements") {
		t.Errorf("%d elements: %v", most+1, err)
	}
	pairs := []byte{0xba, 0x00, 0x10, 0x00, 0x00}
	for i := range most { // keys of five bytes each, ascending
		pairs = append(pairs, 0x1a, 0x01, byte(i>>16), byte(i>>8), byte(i), 0x00)
	}
	if err := Canonical(pairs); err != nil {
		t.Errorf("%d pairs: %v", most, err)
	}
	pairs[4] = 1
	if err := Canonical(append(pairs, 0x1a, 0x02, 0, 0, 0, 0)); !errors.Is(err, ErrNotCanonical) || !strings.Contains(err.Error(), "map of 1048577 pairs") {
		t.Errorf("%d pairs: %v", most+1, err)
	}
	// Claims of more than there can be are refused before anything is read.
	for claim, says := range map[string]string{
		"\x82\x00":                             "array of 2 elements",
		"\x81":                                 "array of 1 elements",
		"\xa1\x00":                             "map of 1 pairs",
		"\xa2\x00\x00\x01":                     "map of 2 pairs",
		"\x5b\xff\xff\xff\xff\xff\xff\xff\xff": "string of 18446744073709551615 bytes, 0 are left",
		"\x42\x00":                             "string of 2 bytes, 1 are left",
	} {
		if err := Canonical([]byte(claim)); !errors.Is(err, ErrNotCanonical) || !strings.Contains(err.Error(), "at byte 0: "+says) {
			t.Errorf("%x: %v, want %q", claim, err, says)
		}
	}
	if err := Canonical([]byte{0x00, 0x01, 0x02}); !errors.Is(err, ErrNotCanonical) || !strings.Contains(err.Error(), "at byte 1: 2 bytes follow the item") {
		t.Errorf("two bytes after the item: %v", err)
	}
}
