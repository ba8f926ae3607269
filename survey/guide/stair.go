package guide

import (
	"errors"
	"fmt"
	"slices"
	"strconv"
	"strings"

	"pinchrod/survey"
)

// ErrStair means that a line does not describe a stair.
var ErrStair = errors.New("not the plan of a stair")

// Flight is one flight of a [Stair], or a landing. Parts that were not asked
// yet are empty: Rises is 0 and Landing false, Bays is nil. A flight without
// balustrade has Bays that is empty and not nil.
type Flight struct {
	Name    string
	Landing bool
	Rises   int
	Bays    []string
}

// Stair is what the surveyor says of the stair before the walk, from the
// bottom up. A last flight without a name stands for one that is still to be
// asked about: is there another? It is kept as one line of text:
//
//	F1 rises 13 bays left,right; L1 landing bays edge; F2 rises 4 bays none
//
// and as it grows: "F1", "F1 rises 13", "F1 rises 13 bays left; ?".
type Stair []Flight

// Bounds that keep a line from another device from making a walk without end;
// common practice, no source.
const (
	maxRises   = 99 // the most steps survey takes
	maxFlights = 30
	maxBays    = 20 // of one flight
)

// kindKnown tells whether it was said that f is a landing or how many rises it
// has.
func (f Flight) kindKnown() bool { return f.Landing || f.Rises > 0 }

// String writes the stair as [ParseStair] reads it.
func (s Stair) String() string {
	parts := make([]string, len(s))
	for i, f := range s {
		p := f.Name
		if p == "" {
			p = "?"
		}
		switch {
		case f.Landing:
			p += " landing"
		case f.Rises > 0:
			p += " rises " + strconv.Itoa(f.Rises)
		}
		switch {
		case len(f.Bays) > 0:
			p += " bays " + strings.Join(f.Bays, ",")
		case f.Bays != nil:
			p += " bays none"
		}
		parts[i] = p
	}
	return strings.Join(parts, "; ")
}

// ParseStair reads the line that [Stair.String] writes. An empty line is a
// stair of which nothing is known. The error wraps [ErrStair].
func ParseStair(line string) (Stair, error) {
	if strings.TrimSpace(line) == "" {
		return nil, nil
	}
	var s Stair
	parts := strings.Split(line, ";")
	if len(parts) > maxFlights+1 {
		return nil, fmt.Errorf("%w: %d flights, at most %d", ErrStair, len(parts), maxFlights)
	}
	for i, p := range parts {
		words := strings.Fields(p)
		if len(words) == 1 && words[0] == "?" && i == len(parts)-1 {
			s = append(s, Flight{})
			continue
		}
		f, err := parseFlight(words)
		if err != nil {
			return nil, fmt.Errorf("%q: %w", strings.TrimSpace(p), err)
		}
		if s.has(f.Name) {
			return nil, fmt.Errorf("%w: flight %s is there twice", ErrStair, f.Name)
		}
		s = append(s, f)
	}
	return s, nil
}

func (s Stair) has(name string) bool {
	return slices.ContainsFunc(s, func(f Flight) bool { return f.Name == name })
}

// parseFlight reads NAME [landing | rises N [bays A,B | bays none]].
func parseFlight(words []string) (Flight, error) {
	bad := func() (Flight, error) {
		return Flight{}, fmt.Errorf("%w: write F1 rises 13 bays left,right, or L1 landing bays edge", ErrStair)
	}
	if len(words) == 0 {
		return bad()
	}
	f := Flight{Name: words[0]}
	if err := checkName(f.Name); err != nil {
		return Flight{}, err
	}
	words = words[1:]
	switch {
	case len(words) == 0:
		return f, nil
	case words[0] == "landing":
		f.Landing, words = true, words[1:]
	case words[0] == "rises" && len(words) > 1:
		n, err := strconv.Atoi(words[1])
		if err != nil || n < 1 || n > maxRises {
			return Flight{}, fmt.Errorf("%w: %q rises: write a number from 1 to %d", ErrStair, words[1], maxRises)
		}
		f.Rises, words = n, words[2:]
	default:
		return bad()
	}
	if len(words) == 0 {
		return f, nil
	}
	if words[0] != "bays" || len(words) == 1 {
		return bad()
	}
	var err error
	f.Bays, err = parseBays(strings.Join(words[1:], ""))
	return f, err
}

// parseBays reads names with commas between them, or none.
func parseBays(s string) ([]string, error) {
	if s == "none" {
		return []string{}, nil
	}
	names := strings.Split(s, ",")
	if len(names) > maxBays {
		return nil, fmt.Errorf("%w: %d bays, at most %d", ErrStair, len(names), maxBays)
	}
	for i, n := range names {
		if err := checkName(n); err != nil {
			return nil, err
		}
		if n == "none" || slices.Contains(names[:i], n) {
			return nil, fmt.Errorf("%w: bay %s: give each bay a name of its own, or write none alone", ErrStair, n)
		}
	}
	return names, nil
}

// checkName refuses a name that a place cannot have.
func checkName(n string) error {
	if p, err := survey.ParsePlace(n); err != nil || p.InBay() {
		return fmt.Errorf("%w: name %q: use letters, digits, - and _, at most 24", ErrStair, n)
	}
	return nil
}

// next is a name for the flight after these, the first of F1, F2 and so on
// that is free.
func (s Stair) next() string {
	for i := 1; ; i++ {
		if n := "F" + strconv.Itoa(i); !s.has(n) {
			return n
		}
	}
}

// nextLanding is a name for a landing, the first of L1, L2 and so on that is
// free.
func (s Stair) nextLanding() string {
	for i := 1; ; i++ {
		if n := "L" + strconv.Itoa(i); !s.has(n) {
			return n
		}
	}
}

// isLanding tells whether a name is a landing's: L and a number, as in the
// field sheet.
func isLanding(name string) bool {
	n, ok := strings.CutPrefix(name, "L")
	return ok && n != "" && strings.Trim(n, "0123456789") == ""
}

// clone copies s so deep that no change of one shows in the other.
func (s Stair) clone() Stair {
	c := slices.Clone(s)
	for i := range c {
		c[i].Bays = slices.Clone(c[i].Bays)
	}
	return c
}
