package stock_test

import (
	"errors"
	"math"
	"strings"
	"testing"

	"pinchrod/calc/stock"
)

// What lies at the edge of a sensible job is planned, and what lies beyond it is refused by its name.
func TestInputEdges(t *testing.T) {
	nan, inf := math.NaN(), math.Inf(1)
	piece := func(f func(*stock.Piece)) stock.Piece {
		p := stock.Piece{Section: "s", Length: 500, Count: 1}
		f(&p)
		return p
	}
	bar := func(f func(*stock.Bar)) stock.Bar {
		b := stock.Bar{Section: "s", Length: 1000, Width: 40}
		f(&b)
		return b
	}
	for _, c := range []struct {
		name  string
		piece stock.Piece
		bar   stock.Bar
		o     stock.Options
		says  string // "" where it is planned
	}{
		{name: "steepest bevel", piece: piece(func(p *stock.Piece) { p.Bevel = [2]float64{1.45, 1.45} })},
		{name: "steeper", piece: piece(func(p *stock.Piece) { p.Bevel[0] = 1.4501 }), says: "piece 1: bevel"},
		{name: "steeper the other way", piece: piece(func(p *stock.Piece) { p.Bevel[1] = -1.4501 }), says: "piece 1: bevel"},
		{name: "bevel that is none", piece: piece(func(p *stock.Piece) { p.Bevel[0] = nan }), says: "piece 1: bevel"},
		{name: "one bevel and no width", piece: piece(func(p *stock.Piece) { p.Bevel[0] = 0.5 }), bar: bar(func(b *stock.Bar) { b.Width = 0 }), says: "bar 1 has no width"},
		{name: "the other bevel and no width", piece: piece(func(p *stock.Piece) { p.Bevel[1] = 0.5 }), bar: bar(func(b *stock.Bar) { b.Width = 0 }), says: "bar 1 has no width"},
		{name: "square to rounding and no width", piece: piece(func(p *stock.Piece) { p.Bevel = [2]float64{5e-10, -5e-10} }), bar: bar(func(b *stock.Bar) { b.Width = 0 })},
		{name: "hardly bevelled and no width", piece: piece(func(p *stock.Piece) { p.Bevel[0] = 5e-9 }), bar: bar(func(b *stock.Bar) { b.Width = 0 }), says: "no width"},
		{name: "a micrometre", piece: piece(func(p *stock.Piece) { p.Length = 0.001 })},
		{name: "no length", piece: piece(func(p *stock.Piece) { p.Length = 0 }), says: "piece 1: length"},
		{name: "less", piece: piece(func(p *stock.Piece) { p.Length = 0.0005 }), says: "piece 1: length"},
		{name: "a kilometre", piece: piece(func(p *stock.Piece) { p.Length = 1e6 }), bar: bar(func(b *stock.Bar) { b.Length = 1e6 })},
		{name: "a longer piece", piece: piece(func(p *stock.Piece) { p.Length = 1e6 + 1 }), says: "piece 1: length"},
		{name: "a longer bar", bar: bar(func(b *stock.Bar) { b.Length = 1e6 + 1 }), says: "bar 1: length"},
		{name: "a bar of nothing", bar: bar(func(b *stock.Bar) { b.Length = 0 }), says: "bar 1: length"},
		{name: "negative width", bar: bar(func(b *stock.Bar) { b.Width = -1 }), says: "bar 1: width"},
		{name: "endless width", bar: bar(func(b *stock.Bar) { b.Width = inf }), says: "bar 1: width"},
		{name: "a million", bar: bar(func(b *stock.Bar) { b.Price = 1e6 })},
		{name: "more than a million", bar: bar(func(b *stock.Bar) { b.Price = 1e6 + 1 }), says: "bar 1: price"},
		{name: "price that is none", bar: bar(func(b *stock.Bar) { b.Price = nan }), says: "bar 1: price"},
		// They meet where half the width times the difference of the tangents, 20·2·1.03 mm, is the length.
		{name: "ends that cross", piece: piece(func(p *stock.Piece) { p.Length, p.Bevel = 20, [2]float64{-0.8, 0.8} }), says: "ends cross"},
		{name: "ends that nearly do", piece: piece(func(p *stock.Piece) { p.Length, p.Bevel = 21, [2]float64{-0.8, 0.8} }),
			bar: bar(func(b *stock.Bar) { b.Width = 20 })},
		{name: "endless kerf", o: stock.Options{Kerf: inf}, says: "kerf"},
		{name: "endless trim", o: stock.Options{Trim: inf}, says: "trim"},
		{name: "endless offcut", o: stock.Options{MinOffcut: inf}, says: "offcut"},
	} {
		if c.piece.Count == 0 {
			c.piece = piece(func(*stock.Piece) {})
		}
		if c.bar.Section == "" {
			c.bar = bar(func(*stock.Bar) {})
		}
		_, err := stock.Plan([]stock.Piece{c.piece}, []stock.Bar{c.bar}, c.o)
		if c.says == "" && err != nil {
			t.Errorf("%s: %v", c.name, err)
		}
		if c.says != "" && (!errors.Is(err, stock.ErrInput) || !strings.Contains(err.Error(), c.says)) {
			t.Errorf("%s: %v, want a bad input that says %q", c.name, err, c.says)
		}
	}
	half := stock.Piece{Section: "s", Length: 500, Count: 5001}
	if _, err := stock.Plan([]stock.Piece{half, half}, []stock.Bar{bar(func(*stock.Bar) {})}, stock.Options{}); !errors.Is(err, stock.ErrInput) || !strings.Contains(err.Error(), "10000 pieces") {
		t.Errorf("10002 pieces in two rows: %v", err)
	}
	half.Count = 5000
	if r, err := stock.Plan([]stock.Piece{half, half}, []stock.Bar{bar(func(*stock.Bar) {})}, stock.Options{}); err != nil || len(r.Bars) != 5000 {
		t.Errorf("10000 pieces, two to a bar: %d bars, %v", len(r.Bars), err)
	}
}
