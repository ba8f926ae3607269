package survey

import (
	"errors"
	"fmt"
	"slices"
	"strconv"
	"strings"

	"pinchrod/calc/unit"
)

// What is wrong with a list of pieces, or of offcuts.
var (
	ErrNumbers = errors.New("not piece numbers")
	ErrOffcuts = errors.New("not lengths of offcuts")
)

// ParseNumbers reads which pieces of a part: "1-9", "1, 2, 5", "S01-S04 S06". A
// letter before a number is that of a piece's name, and must be the part's own:
// who writes S01 does not mean a fillet. While the part is not known, and empty,
// it may be any. They come back rising. The error wraps [ErrNumbers].
func ParseNumbers(part Part, s string) ([]uint32, error) {
	s = strings.NewReplacer("–", "-", "—", "-", ",", " ", ";", " ").Replace(s)
	for strings.Contains(s, " -") || strings.Contains(s, "- ") {
		s = strings.ReplaceAll(strings.ReplaceAll(s, " -", "-"), "- ", "-")
	}
	var out []uint32
	one := func(t string) (uint32, error) {
		number, of := t, part
		for _, p := range Parts {
			if rest, named := strings.CutPrefix(strings.ToUpper(t), p.letter()); named {
				number, of = rest, p
			}
		}
		n, err := strconv.ParseUint(number, 10, 32)
		switch {
		case err != nil || n == 0 || n > mostPieces:
			return 0, fmt.Errorf("%w: %q: write 1-9, or 1, 2, 5", ErrNumbers, t)
		case part != "" && of != part:
			return 0, fmt.Errorf("%w: %s is a %s; %ss are %s01 and so on", ErrNumbers, strings.ToUpper(t), of.Words(), part.Words(), part.letter())
		}
		return uint32(n), nil
	}
	for _, f := range strings.Fields(s) {
		from, to, span := strings.Cut(f, "-")
		a, err := one(from)
		b := a
		if err == nil && span {
			b, err = one(to)
		}
		if err != nil {
			return nil, err
		}
		if b < a {
			return nil, fmt.Errorf("%w: %q runs down: write the lower number first", ErrNumbers, f)
		}
		for n := a; n <= b; n++ {
			out = append(out, n)
		}
	}
	slices.Sort(out)
	for i := range len(out) - 1 {
		if out[i] == out[i+1] {
			return nil, fmt.Errorf("%w: %d stands there twice", ErrNumbers, out[i])
		}
	}
	return out, nil
}

// Numbers writes piece numbers 1, 2, 3, 5 as "1-3, 5".
func Numbers(n []uint32) string {
	var out []string
	for i := 0; i < len(n); {
		j := i
		for j+1 < len(n) && n[j+1] == n[j]+1 {
			j++
		}
		s := fmt.Sprint(n[i])
		if j > i {
			s += fmt.Sprintf("-%d", n[j])
		}
		out = append(out, s)
		i = j + 1
	}
	return strings.Join(out, ", ")
}

// mostOffcuts bounds a list of offcuts, as it is typed and as a page holds it.
const mostOffcuts = 100

// ParseOffcuts reads lengths, each behind a semicolon, a new line, or a comma and
// a space; 3 x 412 is three of them. A comma without a space is left to the
// length, which refuses it: 412,5 is one offcut to some and two to others. The error wraps
// [ErrOffcuts].
func ParseOffcuts(s string) ([]unit.Length, error) {
	s = strings.NewReplacer("\r", "\n", ";", "\n", ", ", "\n").Replace(s)
	var out []unit.Length
	for line := range strings.Lines(s) {
		line = strings.TrimSpace(line)
		if line == "" {
			continue
		}
		count, length := uint64(1), line
		if n, rest, ok := strings.Cut(strings.ToLower(line), "x"); ok {
			var err error
			if count, err = strconv.ParseUint(strings.TrimSpace(n), 10, 8); err != nil || count == 0 {
				return nil, fmt.Errorf("%w: %q: write how many before the x, such as 3 x 412", ErrOffcuts, line)
			}
			length = rest
		}
		l, err := unit.ParseLength(length)
		if err != nil {
			return nil, fmt.Errorf("%w: %w; two offcuts are written 412; 380", ErrOffcuts, err)
		}
		if l <= 0 {
			return nil, fmt.Errorf("%w: %q is no length", ErrOffcuts, line)
		}
		if len(out)+int(count) > mostOffcuts {
			return nil, fmt.Errorf("%w: more than %d at once", ErrOffcuts, mostOffcuts)
		}
		for range count {
			out = append(out, l)
		}
	}
	return out, nil
}
