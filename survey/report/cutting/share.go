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
