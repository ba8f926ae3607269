package bench

import (
	"fmt"
	"net/http"
	"slices"

	"pinchrod/calc/fit"
	"pinchrod/survey"
	"pinchrod/survey/asfound"
	"pinchrod/survey/report/cutting"
	"pinchrod/survey/report/lines"
)

type sheetPage struct {
	page
	URL, BayURL, Place, Code string
	AsOf                     string   // which day and state of the book
	Banners                  []string // what nobody may overlook
	How                      []string // how to read the figures
	Sets                     []setPart
	Facts                    [][2]string // what stands below the cuts
	Card                     []cutting.Part
	CardSource               string
	Labels                   bool     // there are some
	PrintPages               []string // of the sheet as it is printed, by their addresses
	Bad                      []link   // what is wrong with the form that was sent
}

// setPart is one kind of piece.
type setPart struct {
	Name, Part, Count, Cut, Words string
	Why, Chance, Common, Worth    string
	Later                         bool // cannot be cut yet
	Ends                          [2]string
	Stops, Fitted                 []settingLine // to a stop, and over length
	Pieces                        []pieceLine   // to be fitted one by one
	Notes                         []string
	Forms                         []form
	Fold                          string // what the forms are folded under, when there are many
}

// settingLine is a setting of the saw.
type settingLine struct {
	Name, Stop, Count, Pieces string
	Low, High, Tip            string
	Remark                    string
}

// settingsTable is a table of settings.
type settingsTable struct {
	Title string
	Ends  [2]string
	Lines []settingLine
}

// pieceLine is a piece whose final length is written in on site.
type pieceLine struct{ ID, Expect, Low, High string }

// sheetOf makes the cutting sheet of a bay, of the day.
func (s *site) sheetOf(w *Work, b *asfound.Bay) (*cutting.Sheet, error) {
	return cutting.New(b, cutting.Options{
		Job: w.Book.Job.Name, JobID: w.Book.Job.ID.String(), Settings: w.Settings, Rules: w.Found.Rules, Entry: w.Entry, Date: s.today(),
	})
}

// sheet is the page of a cutting sheet. It is of the book: a what-if has none.
func (s *site) sheet(w http.ResponseWriter, r *http.Request) error {
	work, bay, err := s.workBay(r)
	if err != nil {
		return err
	}
	sheet, err := s.sheetOf(work, bay)
	if err != nil {
		return err
	}
	return s.render(w, http.StatusOK, "sheet", s.sheetPage(r, work, sheet, nil))
}

// sheetPage makes the page, with a form that was sent and came back in the place
// of an empty one. What it says is what the sheet says on paper.
func (s *site) sheetPage(r *http.Request, w *Work, sh *cutting.Sheet, sent *form) sheetPage {
	place := string(sh.Bay)
	sh.Office = true // what is printed is not
	p := sheetPage{page: s.ofJob(r, w, "Cutting sheet "+sh.Code), Place: place, Code: sh.Code, BayURL: s.bayURL(w.Book.Job.ID, sh.Bay)}
	p.Trail = append(p.Trail, link{s.jobURL(w.Book.Job.ID), p.Of}, link{p.BayURL, place})
	p.URL = p.BayURL + "/sheet"
	p.Paper = p.BayURL + "/print.css"
	p.AsOf, p.Banners, p.How = sh.AsOf(), cleaned(sh.Banners()), sh.How()
	made := madeOf(w, sh.Bay)
	for i := range sh.Sets {
		p.Sets = append(p.Sets, s.setPart(r, p.BayURL, sh, &sh.Sets[i], entriesOf(w, sh.Bay), made))
	}
	if sent != nil {
		p.take(*sent)
	}
	for _, f := range sh.Facts() {
		p.Facts = append(p.Facts, [2]string{f[0], lines.Sentence(lines.Clean(f[1]))})
	}
	p.Card, p.CardSource = sh.Card(), cutting.CardSource
	p.Labels = len(sh.Labels()) > 0
	for i := range sh.Pages() {
		p.PrintPages = append(p.PrintPages, fmt.Sprintf("%s.svg?page=%d", p.URL, i+1))
	}
	return p
}

// cleaned is text that is safe to show.
func cleaned(all []string) []string {
	out := make([]string, len(all))
	for i, s := range all {
		out[i] = lines.Clean(s)
	}
	return out
}

// sentences are texts as sentences that are safe to show.
func sentences(all []string) []string {
	out := cleaned(all)
	for i, s := range out {
		out[i] = lines.Sentence(s)
	}
	return out
}

func (s *site) setPart(r *http.Request, bayURL string, sh *cutting.Sheet, t *cutting.Set, entries int, made map[survey.Part]map[uint32]string) setPart {
	kind := kinds[slices.IndexFunc(kinds, func(k kindRow) bool { return k.kind == t.Kind })]
	p := setPart{
		Name: kind.name, Part: string(kind.part), Count: t.Count(), Cut: string(t.Cut), Words: t.Way(), Why: lines.Sentence(t.Why),
		Later: !t.Final(), Notes: sentences(t.Notes),
	}
	if p.Later {
		return p
	}
	p.Chance, p.Common, p.Worth = t.Chance(), t.Common(), lines.Sentence(lines.Clean(t.Worth))
	for i, name := range cutting.EndNames(t.Kind) {
		p.Ends[i] = capital(name)
	}
	for i := range t.Settings {
		g := &t.Settings[i]
		if l := settingOf(t, g); g.ToFit {
			p.Fitted = append(p.Fitted, l)
		} else {
			p.Stops = append(p.Stops, l)
		}
		p.Forms = append(p.Forms, s.emptyForm(r, bayURL, sh, p.Part, t, g, entries, made[kind.part]))
	}
	if t.Cut == fit.FitEach {
		for i := range t.Pieces {
			f := &t.Pieces[i]
			p.Pieces = append(p.Pieces, pieceLine{f.ID, t.Expect(f), f.Own(0), f.Own(1)})
		}
	}
	if n := len(p.Forms); n > 2 { // of more, the sheet's next part would be far below
		p.Fold = fmt.Sprintf("%s, settings %s to %s: what was cut", capital(p.Name), t.Settings[0].Name, t.Settings[n-1].Name)
		if slices.ContainsFunc(p.Forms, func(f form) bool { return f.Already != "" }) {
			p.Fold += " (some is written down already)"
		}
	}
	return p
}

// Opened tells whether some form of the set is to be seen.
func (p setPart) Opened() bool {
	return slices.ContainsFunc(p.Forms, func(f form) bool { return f.Open })
}

// settingOf is a setting in words.
func settingOf(t *cutting.Set, g *cutting.Setting) settingLine {
	return settingLine{
		Name: g.Name, Stop: t.StopText(g), Count: g.Count(), Pieces: t.Names(g.Pieces), Remark: lines.Sentence(t.Remark(g)),
		Low: g.Low.String(), High: g.High.String(), Tip: t.TipText(g),
	}
}
