package bench

import (
	"net/http"
	"strings"

	"pinchrod/survey/asfound"
	"pinchrod/survey/fieldbook"
	"pinchrod/survey/report"
	"pinchrod/survey/report/figure"
	"pinchrod/survey/report/lines"
)

type jobPage struct {
	page
	StockURL string
	Entry    string
	Notes    []string
	Flights  []flightPart
}

// flightPart is a flight with its bays.
type flightPart struct {
	Place              string
	Up, Cannot, Clear  []flagLine
	Steps              []stepLine
	Rise, Going, Pitch string
	Readings           []readingLine
	Disagreements      []disagreement
	Pictures           []pictureLine
	Notes              []string
	PlanURL, PlanAlt   string
	Bays               []bayLine
	OfItself           bool // has something to say beside its bays
}

type stepLine struct {
	Number             int
	Rise, Going, Pitch string
}

// bayLine is a bay in a row of a table.
type bayLine struct {
	Place, URL, SheetURL string
	Out, Unsure, Suspect string
	Spindles, Fillets    string
	Missing, Made        string
}

// job is the page of a stair.
func (s *site) job(w http.ResponseWriter, r *http.Request) error {
	work, err := s.work(r, "")
	if err != nil {
		return err
	}
	p := jobPage{page: s.ofJob(r, work, lines.Clean(work.Book.Job.Name)), Entry: work.Entry}
	p.Of = ""
	p.StockURL = s.jobURL(work.Book.Job.ID) + "/stock"
	for _, n := range work.Found.Notes {
		p.Notes = append(p.Notes, lines.Sentence(lines.Clean(n)))
	}
	for i := range work.Found.Flights {
		p.Flights = append(p.Flights, s.flightPart(work, &work.Found.Flights[i]))
	}
	return s.render(w, http.StatusOK, "job", p)
}

func (s *site) flightPart(w *Work, f *asfound.Flight) flightPart {
	p := flightPart{Place: string(f.Place)}
	p.Up, p.Cannot, p.Clear = flagLines(f.Flags)
	for _, st := range f.Steps {
		p.Steps = append(p.Steps, stepLine{st.Number, figure.Of(st.Rise, "mm"), figure.Of(st.Going, "mm"), figure.Of(st.Pitch, "°")})
	}
	p.Rise, p.Going, p.Pitch = figure.Of(f.TotalRise, "mm"), figure.Of(f.TotalGoing, "mm"), figure.Of(f.Pitch, "°")
	if f.Plan != nil {
		p.PlanURL = s.jobURL(w.Book.Job.ID) + "/" + string(f.Place) + "/plan"
		p.PlanAlt = "Flight " + string(f.Place) + " in plan as found: its top end is off to the right by " + figure.Signed(f.Plan.Swing, "mm") +
			", its top edge out of square by " + figure.Signed(f.Plan.Skew, "mm") + " over the width."
	}
	for _, n := range f.Notes {
		p.Notes = append(p.Notes, lines.Sentence(lines.Clean(n)))
	}
	p.Readings = s.readingLines(w, f.Place, f.Results)
	p.Disagreements = disagreements(w, f.Place)
	p.Pictures = s.picturesOf(w, f.Place)
	p.OfItself = len(p.Readings)+len(p.Pictures)+len(f.Flags)+len(p.Notes) > 0
	for i := range w.Found.Bays {
		if b := &w.Found.Bays[i]; b.Place.Flight() == string(f.Place) {
			p.Bays = append(p.Bays, s.bayLine(w, b))
		}
	}
	return p
}

func (s *site) bayLine(w *Work, b *asfound.Bay) bayLine {
	up, unsure, _ := flagLines(b.Flags)
	l := bayLine{
		Place: string(b.Place), URL: s.bayURL(w.Book.Job.ID, b.Place), Out: flagNames(up), Unsure: flagNames(unsure),
		Suspect: suspects(b.Readings), Spindles: report.InShort(b), Missing: missingWords(b.Missing), Made: madeWords(w, b),
		Fillets: report.FilletsInShort(b),
	}
	l.SheetURL = l.URL + "/sheet"
	return l
}

// suspects names the readings that are probably wrong.
func suspects(results []asfound.Result) string {
	var names []string
	for i := range results {
		if r := &results[i]; r.Suspect {
			names = append(names, r.Ref.Short()+" "+lines.Clean(r.Reading.Title()))
		}
	}
	return strings.Join(names, ", ")
}

// missingWords says how many readings a bay lacks, and how many of them it needs.
func missingWords(all []fieldbook.Want) string {
	needed := 0
	for _, m := range all {
		if m.Needed {
			needed++
		}
	}
	switch {
	case len(all) == 0:
		return "none"
	case needed > 0:
		return report.Count(needed, "reading") + " needed"
	}
	return report.Count(len(all), "reading") + " would check others"
}
