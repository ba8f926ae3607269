package stockplan

import (
	"errors"
	"fmt"
	"regexp"
	"strconv"
	"strings"

	"pinchrod/calc/stock"
	"pinchrod/calc/unit"
)

// ErrBar means a text that is no bar.
var ErrBar = errors.New("not a bar")

// ParseBar reads a bar as a person types it: its section, how many there are, its
// length, its price, of which only the length is needed.
//
//	2400 mm
//	4 x 2400 mm
//	2400 mm @ 6.50
//	41 x 41 mm: 4 x 2400 mm @ 6.50
//
// A bar without a section serves every section of the job, and may have no number
// where there are several; one without a number is there as often as it is wanted. Lengths are in any notation that
// [unit.ParseLength] reads. The error wraps [ErrBar].
func ParseBar(s string) (stock.Bar, error) {
	b, err := parseBar(s)
	if err != nil {
		return stock.Bar{}, fmt.Errorf("%w: %q: %w; write \"2400 mm\", or \"41 x 41 mm: 4 x 2400 mm @ 6.50\"", ErrBar, s, err)
	}
	return b, nil
}

// times stands between how many and how long, as it may between the sides of a
// section.
var times = regexp.MustCompile(`[x×X]`)

func parseBar(s string) (b stock.Bar, err error) {
	if before, after, ok := strings.Cut(s, ":"); ok {
		b.Section, s = strings.TrimSpace(before), after
		if _, err := parseSection(b.Section); err != nil {
			return b, err
		}
	}
	length, price, priced := strings.Cut(s, "@")
	if by := times.FindStringIndex(length); by != nil {
		if b.Count, err = parseCount(strings.TrimSpace(length[:by[0]])); err != nil {
			return b, err
		}
		length = length[by[1]:]
	}
	if b.Length, err = parseLength(length); err != nil {
		return b, err
	}
	if priced {
		b.Price, err = parsePrice(price)
		if err == nil && b.Price == 0 {
			err = fmt.Errorf("a price of 0: leave @ out where there is no price; an offcut stands in a rack file")
		}
	}
	return b, err
}

// Bounds of a bar: shorter than a fillet holds no piece, and none is longer than
// a lorry; common practice, no source.
const (
	leastBar = 50 * unit.Millimetre
	mostBar  = 20 * unit.Metre
)

func parseLength(s string) (float64, error) {
	l, err := unit.ParseLength(strings.TrimSpace(s))
	if err == nil && (l < leastBar || l > mostBar) {
		err = fmt.Errorf("a bar of %s: expected %s to %s; check the unit", l, leastBar, mostBar)
	}
	return l.MM(), err
}

// parseCount reads how many bars of a kind there are.
func parseCount(s string) (int, error) {
	n, err := strconv.Atoi(s)
	if err != nil || n < 1 || n > mostBars {
		return 0, fmt.Errorf("%q: write how many there are, 1 to %d, or nothing for as many as wanted", s, mostBars)
	}
	return n, nil
}

// perPrice are the parts of a price that calc/stock tells apart, and mostPrice is
// the dearest bar it takes.
const (
	perPrice  = 10_000
	mostPrice = 1_000_000
)

func parsePrice(s string) (float64, error) {
	n, err := unit.ParseDecimal(strings.TrimSpace(s), perPrice)
	switch {
	case err != nil:
		return 0, fmt.Errorf("price: %w", err)
	case n < 0 || n > mostPrice*perPrice:
		return 0, fmt.Errorf("price of %s: expected 0 to %d", strings.TrimSpace(s), mostPrice)
	}
	return float64(n) / perPrice, nil
}
