package cutting

import (
	"fmt"
	"strings"
)

// ShortCode is a code for any text, made as a sheet's is: six characters that
// are read over a telephone.
func ShortCode(text string) string { return short(text) }

// ParseCode reads a code as [ShortCode] writes it. Case, spaces and dashes do
// not matter.
//
// Errors: ErrCode.
func ParseCode(code string) (string, error) {
	c := strings.Map(func(r rune) rune {
		if r == ' ' || r == '-' {
			return -1
		}
		return r
	}, strings.ToUpper(code))
	if len(c) != codeLength || strings.Trim(c, alphabet) != "" {
		return "", fmt.Errorf("%w: %q: want %d characters of %s", ErrCode, code, codeLength, alphabet)
	}
	return c, nil
}

// StopText is the stop of a setting as the sheet prints it, mm.
func (t *Set) StopText(g *Setting) string { return t.stop(*g) }

// SpareID names spare n of the set, from 1, as the labels do.
func (t *Set) SpareID(n int) string { return spareID(t.Kind, n) }
