package stockplan

import (
	"pinchrod/calc/stock"
	"pinchrod/calc/unit"
	"pinchrod/survey"
	"pinchrod/survey/fieldbook"
)

// Lengths are the bars in the shop as they were read in the bays of a book.
func Lengths(b *fieldbook.Book) map[survey.Place][]unit.Length {
	out := map[survey.Place][]unit.Length{}
	for _, e := range b.Standing() {
		if r := &e.Reading; r.What == survey.StockLength && r.Check() == nil {
			out[r.Where] = append(out[r.Where], unit.Length(r.Value.N[0]))
		}
	}
	return out
}

// Offcuts are what a book says is on the rack, as bars. What has no section that
// can be read is passed over: nothing can be cut from it.
func Offcuts(rack []fieldbook.Offcut) []stock.Bar {
	var out []stock.Bar
	for _, r := range rack {
		if _, err := parseSection(r.Section); err == nil {
			out = append(out, stock.Bar{Section: r.Section, Length: r.Length.MM(), Count: r.Count, Offcut: true})
		}
	}
	return out
}

// Rack are the offcuts among the bars of a shop.
func Rack(bars []stock.Bar) []fieldbook.Offcut {
	var out []fieldbook.Offcut
	for _, b := range bars {
		if b.Offcut {
			out = append(out, fieldbook.Offcut{Section: b.Section, Length: unit.FromMM(b.Length), Count: b.Count})
		}
	}
	return out
}
