package bench

import (
	"fmt"
	"net/http"

	"pinchrod/survey/asfound"
	"pinchrod/survey/report"
	"pinchrod/survey/report/cutting"
	"pinchrod/survey/report/figure"
	"pinchrod/survey/report/lines"
)

type bayPage struct {
	page
	URL, SheetURL string
	Now           *justNow // what was just written, or struck; nil when nothing was
	NowURL        string   // where it stands
	Code          string
	Out, Unsure   string
	Suspects      int
	Spacing       string
	Made          string
	WhatIf        whatIf
	DrawingAlt    string
	Up, Cannot    []flagLine
	Clear         []flagLine
	Verdicts      []verdictLine
	NoPieces      string
	Doubtful      string // readings to take again
	Adjusted      []figureLine
	Agreement     string
	Missing       []wantLine
	Notes         []string
	Readings      []readingLine
	Folded        bool // there are so many that they are folded away on a screen
	Disagreements []disagreement
	Pictures      []pictureLine
	MadeLines     []madeLine
	Recut         *form  // for a piece cut again on site; nil while no piece can be cut
	Bad           []link // what is wrong with the form that was sent
	Foretold      []foretold
	Spacers       []string
}

type figureLine struct{ Name, Value string }

type wantLine struct {
	Title, Why string
	Needed     bool
}

// mostUnfolded is how many readings stand open on a bay's page: what a phone shows
// with a stroke of the thumb. On paper all are open.
const mostUnfolded = 12

// bay is the page of a bay, with the book's settings or with some turned.
func (s *site) bay(w http.ResponseWriter, r *http.Request) error {
	work, bay, err := s.workBay(r)
	if err != nil {
		return err
	}
	wonder, shown, b, err := s.wonder(r.Context(), r.URL.Query(), work, bay)
	if err != nil {
		return err
	}
	var p bayPage
	if wonder.On { // it has no sheet, and making one takes as long as working it out
		p = s.bayPage(r, shown, b)
		p.Title += ": " + notTheBook
		p.Paper = p.URL + "/print.css?" + wonder.Query
	} else if p, _, err = s.bookPage(r, work, bay); err != nil {
		return err
	}
	p.WhatIf = wonder
	p.just(r.URL.Query(), work, bay.Place)
	status := http.StatusOK
	if wonder.Bad {
		status = http.StatusBadRequest
	}
	return s.render(w, status, "bay", p)
}

// bookPage is the page of a bay as the book has it, with the sheet that it leads to.
func (s *site) bookPage(r *http.Request, w *Work, b *asfound.Bay) (bayPage, *cutting.Sheet, error) {
	p := s.bayPage(r, w, b)
	_, p.WhatIf.Sliders, _ = turned(nil, w.Settings)
	sh, err := s.sheetOf(w, b)
	if err != nil {
		return p, nil, err
	}
	p.Paper = p.URL + "/print.css"
	p.Code, p.Recut = sh.Code, s.emptyRecut(r, p.URL, sh, entriesOf(w, b.Place))
	return p, sh, nil
}

func (s *site) bayPage(r *http.Request, w *Work, b *asfound.Bay) bayPage {
	p := bayPage{page: s.ofJob(r, w, string(b.Place)), URL: s.bayURL(w.Book.Job.ID, b.Place)}
	p.Trail = append(p.Trail, link{s.jobURL(w.Book.Job.ID), p.Of})
	p.SheetURL = p.URL + "/sheet"
	p.Up, p.Cannot, p.Clear = flagLines(b.Flags)
	p.Out, p.Unsure = flagNames(p.Up), flagNames(p.Cannot)
	for i := range b.Readings {
		if b.Readings[i].Suspect {
			p.Suspects++
		}
	}
	p.Spacing = lines.Sentence(report.Spacing(b))
	p.Made = madeWords(w, b)
	p.DrawingAlt = drawingAlt(b, p.Out)
	p.Verdicts = verdictLines(b)
	switch {
	case b.NoLayout != "":
		p.NoPieces = lines.Sentence(lines.Clean(b.NoLayout))
	default:
		p.NoPieces = report.NotYet(b)
	}
	p.Doubtful = report.Doubtful(b)
	p.Adjusted, p.Agreement = adjustedLines(b), lines.Sentence(report.Agreement(b))
	for _, m := range b.Missing {
		p.Missing = append(p.Missing, wantLine{lines.Clean(m.Title()), lines.Sentence(lines.Clean(m.Why)), m.Needed})
	}
	for _, n := range append(append([]string(nil), w.Found.Notes...), b.Notes...) {
		p.Notes = append(p.Notes, lines.Sentence(lines.Clean(n)))
	}
	p.Readings = s.readingLines(w, b.Place, b.Readings)
	p.Folded = len(p.Readings) > mostUnfolded
	p.Disagreements = disagreements(w, b.Place)
	p.Pictures = s.picturesOf(w, b.Place)
	p.MadeLines = s.madeLines(w, b, p.Who)
	p.Foretold = foretoldLines(b.Readings)
	for i := range b.Spacers {
		p.Spacers = append(p.Spacers, lines.Sentence(report.SpacerWords(&b.Spacers[i])))
	}
	return p
}

// drawingAlt says what the drawing shows, for whoever cannot see it.
func drawingAlt(b *asfound.Bay, out string) string {
	s := fmt.Sprintf("Bay %s drawn to scale as found", b.Place)
	a := &b.Adjusted
	if a.Run.Known {
		s += ", run " + figure.Of(a.Run, "mm")
	}
	if a.GapBottom.Known {
		s += ", gap " + figure.Of(a.GapBottom, "mm") + " at the bottom"
	}
	if a.GapTop.Known {
		s += ", " + figure.Of(a.GapTop, "mm") + " at the top"
	}
	if l := b.Layout; l != nil {
		s += ", " + report.Count(l.Count, "spindle")
	}
	if out == "" {
		return s + ". Nothing is out of true."
	}
	return s + ". Out of true: " + lines.Clean(out) + "."
}

// adjustedLines are the figures of the bay as found, those that are known.
func adjustedLines(b *asfound.Bay) (out []figureLine) {
	a := &b.Adjusted
	for _, f := range []struct {
		name, unit string
		q          asfound.Quantity
		signed     bool
	}{
		{"Run at the base rail", "mm", a.Run, false},
		{"Gap at the bottom", "mm", a.GapBottom, false}, {"Gap at the middle", "mm", a.GapMiddle, false}, {"Gap at the top", "mm", a.GapTop, false},
		{"Pitch of the base rail", "°", a.BaseAngle, false}, {"Pitch of the handrail", "°", a.RailAngle, false},
		{"Lower post leans up the stair", "mm/m", a.LeanLower, true}, {"Upper post leans up the stair", "mm/m", a.LeanUpper, true},
		{"Lower post leans to the well", "mm/m", a.AcrossLower, true}, {"Upper post leans to the well", "mm/m", a.AcrossUpper, true},
		{"Base rail humps up by", "mm", a.BowBase, true}, {"Handrail humps up by", "mm", a.BowRail, true},
		{"Guard height", "mm", a.Guard, false},
	} {
		switch {
		case !f.q.Known:
		case f.signed:
			out = append(out, figureLine{f.name, figure.Signed(f.q, f.unit)})
		default:
			out = append(out, figureLine{f.name, figure.Of(f.q, f.unit)})
		}
	}
	return out
}
