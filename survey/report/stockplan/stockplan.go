package stockplan

import (
	"time"

	"pinchrod/calc/pieces"
	"pinchrod/calc/stock"
	"pinchrod/calc/unit"
	"pinchrod/survey"
	"pinchrod/survey/report/cutting"
	"pinchrod/survey/report/figure"
)

// What a saw and a shop take when nothing else is said, mm; common practice, no
// source.
const (
	DefaultKerf      = 3.0   // a carbide blade of 250 mm
	DefaultTrim      = 10.0  // the sawmill's end, checked and out of square
	DefaultMinOffcut = 300.0 // what is worth finding again on the rack
)

// Options are what a plan is made with beside the sheets.
type Options struct {
	Job, Rules, Entry string
	Date              time.Time
	// Bars are what is given to saw from. A section may be spelled in any way. One
	// that is empty stands for every section of the job, which of bars to buy that
	// are counted is refused where there are several; an offcut without one goes to
	// the section that needs most. The width is taken from the sheets.
	Bars []stock.Bar
	// Lengths are bars in the shop as they were read in a bay: any section of that
	// bay is cut from them, as many as are wanted. They do not count for a section
	// that Bars has a bar of which is no offcut.
	Lengths   map[survey.Place][]unit.Length
	Kerf      float64 // mm
	Trim      float64 // mm
	MinOffcut float64 // mm; 0 keeps none
}

// Plan is a stock plan of a job.
type Plan struct {
	Job, Entry      string
	Date            time.Time
	Rules, Caution  string
	Code            string      // by which a later book tells whether the plan still holds
	Mark            string      // four characters of its bars and the saw, by which its pages know each other; empty without a bar
	Rule            figure.Rule // that lengths are written by, the sheets'
	Sheets          []SheetRef
	Kerf            float64 // mm
	Trim, MinOffcut float64 // mm
	Left            []Left  // what is left out, and why; none when all is planned
	Done            []Done  // what was cut before, and is not on the plan
	Sections        []Section
	Bars            []Bar // in the order to cut, section by section
	Groups          []Group
	Total           Total
}

// SheetRef is a cutting sheet that the plan cuts from.
type SheetRef struct {
	Bay  survey.Place
	Code string
}

// Left is what could not be planned.
type Left struct {
	Bay  survey.Place // empty for what is not of one bay
	What string       // such as spindles, S01-S12, all pieces
	Why  string
	Next string // what to do about it
}

// Done is what the book says was cut already, and fits as far as it can tell.
type Done struct {
	Bay    survey.Place
	Pieces string // such as S01-S12 SX1
}

// Section is all that is cut from one section of stock.
type Section struct {
	Name   string // such as 41 x 41 mm
	Pieces int    // on the plan, spares with them
	Buy    []Buy  // by length: what is bought, then what is taken from the rack
	Priced bool
	Cost   float64 // of all its bars; 0 when not priced
	Short  []Buy   // bars that are missing, longest first: with so many more all that is left out could be cut; none when all is planned
	Claim  string  // how good the plan is, such as "4 bars to buy, none fewer possible"
	Proven bool    // no plan costs less; false where bars are missing
	Gap    float64 // how much less another plan might cost: bars, or money when priced; 0 where bars are missing
	Length float64 // of all its bars, mm
	Waste  float64 // of that, neither piece nor kept offcut, mm
	// WasteBound is what no plan of the same cost undercuts; 0 where bars are missing.
	WasteBound float64

	rule figure.Rule
}

// Buy is a number of bars of one kind.
type Buy struct {
	Section string
	Length  float64 // mm
	Count   int
	Price   float64 // of one; 0 when there is none
	Offcut  bool    // from the rack
	Label   string

	rule figure.Rule
}

// Total is what the whole plan comes to.
type Total struct {
	Pieces int // spares with them
	Spares int
	Buy    int  // bars to buy
	Rack   int  // offcuts taken from the rack
	Priced bool // some section is
	Cost   float64
	Length float64 // of all bars, mm
	Waste  float64 // mm
	Keep   []Keep  // offcuts that go onto the rack, longest first in each section
}

// WastePercent is the waste in per cent of the bars' length.
func (t Total) WastePercent() float64 { return percent(t.Waste, t.Length) }

// WastePercent is the waste in per cent of the bars' length.
func (s Section) WastePercent() float64 { return percent(s.Waste, s.Length) }

func percent(part, whole float64) float64 {
	if whole == 0 {
		return 0
	}
	return 100 * part / whole
}

// Keep is a number of offcuts of one length that go onto the rack.
type Keep struct {
	Section string
	Length  float64 // mm
	Count   int

	rule figure.Rule
}

// Bar is one bar with its cuts.
type Bar struct {
	Number  int // from 1, over the whole plan
	Section string
	Across  float64 // of the section in the plane of the bevels, mm
	Length  float64 // mm
	Price   float64 // 0 when there is none
	Offcut  bool    // from the rack
	Label   string
	Cuts    []Cut   // in the order of the saw, from the first end
	Rest    float64 // what is left beyond the last cut, measured square, mm
	Keep    float64 // the rest when it is kept, else 0
	Waste   float64 // what is neither piece nor kept offcut, mm

	rule figure.Rule
}

// Cut is one piece where it lies in its bar. What the saw is set to is as on the
// sheet of its bay.
type Cut struct {
	Bay      survey.Place
	Kind     pieces.Kind
	Piece    string // S07; SX1 for a spare
	Setting  string // of the sheet: A, B, C …
	Stop     string // as the sheet prints it
	StopMM   float64
	Side     pieces.Side
	Low      cutting.Cut // the end that lies first in the bar
	High     cutting.Cut
	From, To float64 // its ends on the bar's centre line, from the first end, mm
	// Start and End are where the two edges begin and end, from the first end: of
	// the edge that is drawn above, then of the other.
	Start, End [2]float64
	Spare      bool
	ToFit      bool // over length, trimmed on site
}

// Name is the piece with its bay, such as F1/left S07.
func (c Cut) Name() string { return string(c.Bay) + " " + c.Piece }

// Group are bars that are cut alike: one kind of bar, the same settings in the
// same places.
type Group struct {
	Bars []int // into Plan.Bars, one after the other
	Runs []Run
}

// Run are cuts that follow each other at one setting of the saw.
type Run struct {
	From, To int // into Bar.Cuts, To not included
}
