package unit

import (
	"fmt"
	"math/big"
	"strings"
)

// Length is a length in whole micrometres. The largest, 2⁶³ µm, is nine
// thousand kilometres.
type Length int64

// Lengths of the notations. All are exact.
const (
	Micrometre Length = 1
	Millimetre        = 1000 * Micrometre
	Centimetre        = 10 * Millimetre
	Metre             = 1000 * Millimetre
	Inch              = 25400 * Micrometre
	Foot              = 12 * Inch
)

// MM gives the length in millimetres.
func (l Length) MM() float64 { return float64(l) / float64(Millimetre) }

// FromMM rounds mm to the nearest micrometre. The caller keeps mm finite and
// below 9·10¹².
func FromMM(mm float64) Length { return Length(round(mm * float64(Millimetre))) }

// String writes the length in millimetres with its unit, exactly.
func (l Length) String() string { return l.Format(MM) }

// Notation is a way of writing a length.
type Notation uint8

// The notations of a length.
const (
	MM         Notation = iota // 1254.5 mm
	M                          // 1.2545 m
	Inches                     // 49 3/8 in
	FeetInches                 // 4 ft 1 3/8 in
)

// Format writes l so that [ParseLength] reads l back. Inches are written in
// the coarsest binary fraction down to 1/64 that does, else with decimals.
func (l Length) Format(n Notation) string {
	neg, abs := "", l
	if l < 0 {
		neg, abs = "-", -l
	}
	reads := func(unit string) func(string) bool {
		return func(s string) bool {
			got, err := ParseLength(s + unit)
			return err == nil && got == abs
		}
	}
	switch n {
	case M:
		return neg + decimals(int64(abs), big.NewRat(int64(Metre), 1), 6, reads(" m")) + " m"
	case Inches:
		return neg + inches(abs, reads(" in")) + " in"
	case FeetInches:
		ft, rest := abs/Foot, abs%Foot
		if ft == 0 {
			return l.Format(Inches)
		}
		return fmt.Sprintf("%s%d ft %s in", neg, ft, inches(rest, func(s string) bool {
			got, err := ParseLength(fmt.Sprintf("%d ft %s in", ft, s))
			return err == nil && got == abs
		}))
	default:
		return neg + decimals(int64(abs), big.NewRat(int64(Millimetre), 1), 3, reads(" mm")) + " mm"
	}
}

// inches writes a length below as whole inches and a binary fraction.
func inches(l Length, back func(string) bool) string {
	for den := int64(1); den <= 64; den *= 2 {
		n := round(float64(l) * float64(den) / float64(Inch))
		s := fmt.Sprint(n / den)
		if n%den != 0 {
			s = fmt.Sprintf("%d/%d", n%den, den)
			if n >= den {
				s = fmt.Sprintf("%d %s", n/den, s)
			}
		}
		if back(s) {
			return s
		}
	}
	// 10⁻⁵ in is 0.254 µm: below half a micrometre, so this always reads back.
	return decimals(int64(l), big.NewRat(int64(Inch), 1), 5, back)
}

// suffixes of a length, longest first where one ends another.
var lengthUnits = []struct {
	suffix string
	of     Length
}{
	{"mm", Millimetre}, {"cm", Centimetre}, {"m", Metre}, {"inches", Inch}, {"inch", Inch}, {"in", Inch}, {`"`, Inch}, {"″", Inch},
}

var feetMarks = []string{"ft", "feet", "foot", "'", "′"}

// ParseLength reads a length: 1254, 1254 mm, 1.254 m, 125.4 cm, 49 3/8 in,
// 4 ft 1 3/8 in, 4' 1 3/8". A bare number is millimetres. The error wraps
// [ErrComma], [ErrSyntax] or [ErrRange] and says what would be right.
func ParseLength(s string) (Length, error) {
	neg, body := sign(s)
	sum := new(big.Rat)
	for _, mark := range feetMarks {
		before, after, ok := strings.Cut(body, mark)
		if !ok {
			continue
		}
		ft, err := number(strings.TrimSpace(before))
		if err != nil {
			return 0, fmt.Errorf("length %q: feet: %w", s, err)
		}
		sum.Mul(ft, new(big.Rat).SetInt64(int64(Foot)))
		body = strings.TrimSpace(after)
		if body == "" {
			return finish(s, sum, neg)
		}
		if !hasInches(body) {
			return 0, fmt.Errorf("length %q %w: after feet write inches with their unit, such as 4 ft 1 3/8 in", s, ErrSyntax)
		}
		break
	}
	num, of := body, Millimetre
	for _, u := range lengthUnits {
		if n, ok := strings.CutSuffix(body, u.suffix); ok {
			num, of = n, u.of
			break
		}
	}
	num = strings.TrimSpace(num)
	read := number
	if of == Inch {
		read = mixed
	}
	r, err := read(num)
	if err != nil {
		return 0, fmt.Errorf("length %q: %w", s, err)
	}
	sum.Add(sum, r.Mul(r, new(big.Rat).SetInt64(int64(of))))
	return finish(s, sum, neg)
}

func hasInches(s string) bool {
	for _, u := range lengthUnits {
		if u.of == Inch && strings.HasSuffix(s, u.suffix) {
			return true
		}
	}
	return false
}

func finish(s string, r *big.Rat, neg bool) (Length, error) {
	n, err := whole(r, neg)
	if err != nil {
		return 0, fmt.Errorf("length %q: %w", s, err)
	}
	return Length(n), nil
}

// Round rounds l to the nearest multiple of step, which is above zero.
func (l Length) Round(step Length) Length { return Length(round(float64(l)/float64(step))) * step }
