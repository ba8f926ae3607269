// Package unit holds the quantities a tape and an angle gauge give, in whole
// numbers, with the trade's notations for them.
//
// A [Length] counts micrometres and an [Angle] microradians, so that what is
// written in a field book compares equal to itself for ever. Exact in a Length
// are millimetres to three decimals, metres to six, and inches in eighths
// (1/8 in = 3175 µm). A sixteenth (1587.5 µm) and finer is rounded to the
// nearest micrometre, half a micrometre at most; an angle is rounded to half a
// microradian (0.00003°). Parsing what Format wrote gives the same number
// back, in every notation: where the short form would not, Format writes a
// longer one.
//
// Numbers are read with a decimal point. A decimal comma is refused with
// [ErrComma], because 1,254 is 1254 to one reader and 1.254 to another.
package unit

import (
	"errors"
	"fmt"
	"math"
	"math/big"
	"strings"
)

// What is wrong with a notation. The error that wraps one of these ends with
// what would be right.
var (
	ErrComma  = errors.New("decimal comma")
	ErrSyntax = errors.New("not understood")
	ErrRange  = errors.New("out of range")
)

// maxDigits bounds a written number: 12 digits before or after the point is a
// thousand kilometres in millimetres, or a micrometre's millionth.
const maxDigits = 12

// number reads an unsigned decimal ("12", "12.5") exactly.
func number(s string) (*big.Rat, error) {
	if strings.Contains(s, ",") {
		return nil, fmt.Errorf("%w in %q: write a point, %s", ErrComma, s, strings.ReplaceAll(s, ",", "."))
	}
	whole, frac, _ := strings.Cut(s, ".")
	if whole == "" && frac == "" || !digits(whole) || !digits(frac) {
		return nil, fmt.Errorf("number %q %w: write digits with at most one point, such as 812 or 812.5", s, ErrSyntax)
	}
	if len(whole) > maxDigits || len(frac) > maxDigits {
		return nil, fmt.Errorf("number %q %w: at most %d digits on either side of the point", s, ErrRange, maxDigits)
	}
	r, ok := new(big.Rat).SetString("0" + whole + "." + frac + "0")
	if !ok {
		return nil, fmt.Errorf("number %q %w", s, ErrSyntax)
	}
	return r, nil
}

func digits(s string) bool {
	for _, c := range []byte(s) {
		if c < '0' || c > '9' {
			return false
		}
	}
	return true
}

// mixed reads an unsigned decimal, a fraction ("3/8") or a whole number with a
// fraction ("49 3/8", "49-3/8").
func mixed(s string) (*big.Rat, error) {
	num, den, isFrac := strings.Cut(s, "/")
	if !isFrac {
		return number(s)
	}
	num = strings.TrimSpace(num)
	whole := ""
	if i := strings.LastIndexAny(num, " -"); i >= 0 {
		whole, num = strings.TrimSpace(num[:i]), num[i+1:]
	}
	n, err := number(num)
	if err != nil {
		return nil, err
	}
	d, err := number(strings.TrimSpace(den))
	if err != nil {
		return nil, err
	}
	if d.Sign() == 0 || !n.IsInt() || !d.IsInt() || n.Cmp(d) >= 0 && whole != "" {
		return nil, fmt.Errorf("fraction %q %w: write a fraction below one, such as 49 3/8", s, ErrSyntax)
	}
	n.Quo(n, d)
	if whole == "" {
		return n, nil
	}
	w, err := number(whole)
	if err != nil {
		return nil, err
	}
	if !w.IsInt() {
		return nil, fmt.Errorf("fraction %q %w: a decimal and a fraction together have no meaning", s, ErrSyntax)
	}
	return n.Add(n, w), nil
}

// sign splits a leading sign off. A minus may be the hyphen or U+2212.
func sign(s string) (neg bool, rest string) {
	s = strings.TrimSpace(s)
	for _, p := range []string{"-", "−"} {
		if strings.HasPrefix(s, p) {
			return true, strings.TrimSpace(s[len(p):])
		}
	}
	return false, strings.TrimSpace(strings.TrimPrefix(s, "+"))
}

// whole rounds r half away from zero.
func whole(r *big.Rat, neg bool) (int64, error) {
	n := new(big.Int).Mul(r.Num(), big.NewInt(2))
	n.Add(n, r.Denom())
	n.Quo(n, new(big.Int).Mul(r.Denom(), big.NewInt(2)))
	if !n.IsInt64() {
		return 0, ErrRange
	}
	if neg {
		n.Neg(n)
	}
	return n.Int64(), nil
}

// decimals writes v/scale with the fewest decimals, max at most, that back
// reads as v. The last try is written even when back refuses it.
func decimals(v int64, scale *big.Rat, max int, back func(string) bool) string {
	r := new(big.Rat).Quo(new(big.Rat).SetInt64(v), scale)
	for n := 0; n < max; n++ {
		if s := r.FloatString(n); back(s) {
			return s
		}
	}
	return r.FloatString(max)
}

// round is the nearest whole number, half away from zero.
func round(f float64) int64 { return int64(math.Round(f)) }

// ParseDecimal reads a plain signed decimal and gives it times scale, rounded
// half away from zero: for counts, per cents and degrees Celsius.
func ParseDecimal(s string, scale int64) (int64, error) {
	neg, body := sign(s)
	r, err := number(body)
	if err != nil {
		return 0, err
	}
	return whole(r.Mul(r, new(big.Rat).SetInt64(scale)), neg)
}

// FormatDecimal writes v/scale with as few decimals as read back as v; scale is
// a power of ten.
func FormatDecimal(v, scale int64) string {
	places := len(fmt.Sprint(scale)) - 1
	return decimals(v, new(big.Rat).SetInt64(scale), places, func(s string) bool {
		got, err := ParseDecimal(s, scale)
		return err == nil && got == v
	})
}
