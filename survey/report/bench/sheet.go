package bench

import (
	"cmp"
	"fmt"
	"net/http"
	"slices"
	"strings"

	"pinchrod/calc/fit"
	"pinchrod/calc/pieces"
	"pinchrod/store/journal"
	"pinchrod/survey"
	"pinchrod/survey/asfound"
	"pinchrod/survey/report"
	"pinchrod/survey/report/cutting"
	"pinchrod/survey/report/figure"
	"pinchrod/survey/report/lines"
)

type sheetPage struct {
	page
	URL, BayURL, Place, Code string
	Holds                    string   // what the sheet rests on
	Banners                  []string // what nobody may overlook
	How                      []string // how to read the figures
	Sets                     []setPart
	Walk                     string
	Holes, Settle, SetAside  []string
	Unsure, Used             string
	Notes                    []string
	Card                     []cutting.Part
	CardSource               string
	Labels                   bool     // there are some
	PrintPages               []string // of the sheet as it is printed, by their addresses
	Bad                      []link   // what is wrong with the form that was sent
}

// setPart is one kind of piece.
type setPart struct {
	Name, Part, Cut, Words, Count, Section string
	Why, Chance, Lie, Hand                 string
	Later                                  bool // cannot be cut yet
	First                                  []string
	Edges                                  [2]string
	Stops, Fitted                          []settingLine // to a stop, and over length
	Pieces                                 []pieceLine   // to be fitted one by one
	Notes                                  []string
	Forms                                  []madeForm
}

// settingLine is a setting of the saw.
type settingLine struct {
	Name, Stop, Side, Count, Pieces string
	Low, High, Blank                string
	Edges                           [2]string
	Remark                          string
}

// settingsTable is a table of settings.
type settingsTable struct {
	Title string
	Edges [2]string
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

// codeOf is the code of a bay's sheet.
func (s *site) codeOf(w *Work, b *asfound.Bay) (string, error) {
	sh, err := s.sheetOf(w, b)
	if err != nil {
		return "", err
	}
	return sh.Code, nil
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
// of an empty one.
func (s *site) sheetPage(r *http.Request, w *Work, sh *cutting.Sheet, sent *madeForm) sheetPage {
	place := string(sh.Bay)
	p := sheetPage{page: s.ofJob(r, w, "Cutting sheet "+sh.Code), Place: place, Code: sh.Code, BayURL: s.bayURL(w.Book.Job.ID, sh.Bay)}
	p.Trail = append(p.Trail, link{s.jobURL(w.Book.Job.ID), p.Of}, link{p.BayURL, place})
	p.URL = p.BayURL + "/sheet"
	p.Paper = p.BayURL + "/print.css"
	p.Holds = fmt.Sprintf("%s, from the book up to %s.", sh.Date.Format("2006-01-02"), sh.Entry)
	p.Banners, p.How = banners(sh), how(sh, w.Settings.House)
	made := madeOf(w, sh.Bay)
	for i := range sh.Sets {
		p.Sets = append(p.Sets, s.setPart(r, p.BayURL, sh, &sh.Sets[i], made))
	}
	if sent != nil {
		p.take(*sent)
	}
	if k := sh.Walk; k != nil && len(sh.Sets) > 0 {
		p.Walk = fmt.Sprintf("%s mm, walked %d times up the base rail; if all is well it ends %s, ±%.1f mm.", figure.Fixed(k.Spacer, 1), k.Count, ending(k.Short.Value), 2*k.Short.U)
	}
	for _, h := range sh.Holes {
		p.Holes = append(p.Holes, lines.Sentence(h.String()))
	}
	for _, f := range sh.Settle {
		p.Settle = append(p.Settle, lines.Sentence(lines.Clean(f)))
	}
	for _, x := range sh.SetAside {
		p.SetAside = append(p.SetAside, lines.Clean(fmt.Sprintf("%s %s, %s: %s.", x.Short, x.Title, x.Value, x.Why)))
	}
	p.Used, p.Unsure = fmt.Sprintf("%s: %s.", report.Count(len(sh.Used), "reading"), runsOf(sh.Used)), strings.Join(sh.Unsure, ", ")
	for _, n := range sh.Notes {
		p.Notes = append(p.Notes, lines.Sentence(lines.Clean(n)))
	}
	p.Card, p.CardSource = sh.Card(), cutting.CardSource
	p.Labels = len(sh.Labels()) > 0
	for i := range sh.Pages() {
		p.PrintPages = append(p.PrintPages, fmt.Sprintf("%s.svg?page=%d", p.URL, i+1))
	}
	return p
}

// runsOf names readings; those that follow each other in one page of the log as
// one run, HW-2.9 to 15.
func runsOf(all []cutting.Reading) string {
	var refs []journal.Ref
	for _, x := range all {
		if ref, err := journal.ParseRef(x.Ref); err == nil {
			refs = append(refs, ref)
		}
	}
	slices.SortFunc(refs, func(a, b journal.Ref) int {
		return cmp.Or(a.Device.Compare(b.Device), cmp.Compare(a.Page, b.Page), cmp.Compare(a.Item, b.Item))
	})
	var out []string
	for i := 0; i < len(refs); {
		j := i
		for j+1 < len(refs) && refs[j+1] == (journal.Ref{Device: refs[i].Device, Page: refs[i].Page, Item: refs[j].Item + 1}) {
			j++
		}
		s := refs[i].Short()
		if j > i {
			s += fmt.Sprintf(" to %d", refs[j].Item)
		}
		out = append(out, s)
		i = j + 1
	}
	return strings.Join(out, ", ")
}

// ending says how a spacer walk ends.
func ending(short float64) string {
	if short < 0 {
		return figure.Fixed(-short, 1) + " mm over"
	}
	return figure.Fixed(short, 1) + " mm short"
}

// banners are what nobody may overlook.
func banners(sh *cutting.Sheet) (out []string) {
	for _, h := range sh.Hold {
		out = append(out, "Settle before anything is cut: "+lines.Clean(h)+".")
	}
	var lacking []string
	for _, k := range kinds {
		if sh.Set(k.kind) == nil {
			lacking = append(lacking, k.name)
		}
	}
	switch {
	case sh.Missing == "":
	case len(sh.Sets) == 0:
		out = append(out, "Nothing to cut: "+lines.Clean(sh.Missing)+".")
	default:
		out = append(out, fmt.Sprintf("Not on this sheet: %s: %s.", strings.Join(lacking, ", "), lines.Clean(sh.Missing)))
	}
	return out
}

// how says how to read the figures.
func how(sh *cutting.Sheet, house fit.House) []string {
	if len(sh.Sets) == 0 {
		return nil
	}
	lengths := "Lengths are in mm, ± is U = 2u."
	if slices.ContainsFunc(sh.Sets, func(t cutting.Set) bool { return t.Cut == fit.Batch || t.Cut == fit.Graded }) {
		off, way := (house.Short-house.Long)/2, "under"
		if off < 0 {
			off, way = -off, "over"
		}
		lengths += fmt.Sprintf(" A stop is %s %s what a place needs: from %s short to %s long fits.", figure.Plain(off), way, figure.Plain(house.Short), figure.Plain(house.Long))
	}
	return []string{lengths, "Dials: degrees from a square cut, in brackets from the edge. Low is the end at the lower post; the stop holds its long point."}
}

func (s *site) setPart(r *http.Request, bayURL string, sh *cutting.Sheet, t *cutting.Set, made map[survey.Part]map[uint32]string) setPart {
	kind := kinds[slices.IndexFunc(kinds, func(k kindRow) bool { return k.kind == t.Kind })]
	p := setPart{
		Name: kind.name, Part: string(kind.part), Cut: string(t.Cut), Words: cutWords[t.Cut], Section: t.Section, Later: !t.Final(),
		Count: fmt.Sprintf("%d and %s", len(t.Pieces), report.Count(t.Spares, "spare")), Why: lines.Sentence(t.Why),
	}
	for _, n := range t.Notes {
		p.Notes = append(p.Notes, lines.Sentence(lines.Clean(n)))
	}
	for _, m := range t.Measure {
		p.First = append(p.First, fmt.Sprintf("%s: all fit with probability %s then.", lines.Clean(m.Title), asfound.Chance(m.PAfter)))
	}
	if p.Later {
		return p
	}
	switch {
	case t.Cut == fit.FitEach:
		p.Chance = fmt.Sprintf("Every blank is long enough with probability %s.", asfound.Chance(t.P))
	case t.Kind == pieces.Spindle:
		p.Chance = fmt.Sprintf("With the stops to %g mm all fit with probability %s.", t.Step, asfound.Chance(t.P))
	default:
		p.Chance = fmt.Sprintf("With the stops to %g mm, and the last cut to fit, all fit with probability %s.", t.Step, asfound.Chance(t.P))
	}
	lie, hand := alike(t)
	if lie != "" {
		p.Lie = lines.Sentence(lie)
	}
	if hand != "" {
		p.Hand = lines.Sentence(hand)
	}
	for i := range t.Settings {
		g := &t.Settings[i]
		p.Edges = [2]string{g.Edges[0].Side.String(), g.Edges[1].Side.String()}
		l := settingOf(t, g, lie == "", hand == "")
		if g.ToFit {
			p.Fitted = append(p.Fitted, l)
		} else {
			p.Stops = append(p.Stops, l)
		}
		p.Forms = append(p.Forms, s.emptyForm(r, bayURL, sh, p.Part, t, g, made[kind.part]))
	}
	if t.Cut == fit.FitEach {
		for _, f := range t.Pieces {
			p.Pieces = append(p.Pieces, pieceLine{f.ID, figure.Of(figure.Known(f.Needed, f.U), ""), ownBevel(f.Bevels[0]), ownBevel(f.Bevels[1])})
		}
	}
	return p
}

// settingOf is a setting in words, with how its pieces lie and go in where that
// differs from setting to setting.
func settingOf(t *cutting.Set, g *cutting.Setting, lies, hands bool) settingLine {
	d := 1
	if t.Step < 0.1 && !g.ToFit {
		d = 2
	}
	l := settingLine{
		Name: g.Name, Stop: figure.Fixed(g.Stop, d), Side: g.Side.String(), Count: fmt.Sprint(len(g.Pieces)), Pieces: namesOf(t, g.Pieces),
		Low: dial(g.Low), High: dial(g.High), Blank: figure.Fixed(g.Blank, 0), Edges: [2]string{figure.Fixed(g.Edges[0].Length, 1), figure.Fixed(g.Edges[1].Length, 1)},
	}
	if g.Spares > 0 {
		l.Count += fmt.Sprintf(" + %s", report.Count(g.Spares, "spare"))
	}
	var remarks []string
	first := t.Pieces[g.Pieces[0]-1]
	switch {
	case t.Cut == fit.FitEach:
	case g.ToFit:
		remarks = append(remarks, "the last: cut to fit, about "+figure.Of(figure.Known(first.Needed, first.U), "mm"))
	case len(g.Pieces) == 1 && first.First:
		remarks = append(remarks, "the first, against the lower post")
	}
	if lies {
		remarks = append(remarks, lieOf(g))
	}
	if hands {
		remarks = append(remarks, g.Hand)
	}
	l.Remark = lines.Sentence(strings.Join(remarks, "; "))
	return l
}

// alike is what is true of every setting of a set: how its pieces lie on the saw,
// and how they go into their places; empty what differs.
func alike(t *cutting.Set) (lie, hand string) {
	lie, hand = lieOf(&t.Settings[0]), t.Settings[0].Hand
	for i := range t.Settings {
		if lieOf(&t.Settings[i]) != lie {
			lie = ""
		}
		if t.Settings[i].Hand != hand {
			hand = ""
		}
	}
	return lie, hand
}

// lieOf says how the pieces of a setting lie on the saw.
func lieOf(g *cutting.Setting) string {
	end := func(name string, c cutting.Cut) string {
		if c.Long == pieces.Neither {
			return name + " end square"
		}
		return fmt.Sprintf("long point of the %s end on the %s", name, c.Long)
	}
	return fmt.Sprintf("%s, %s; stop along the %s", end("low", g.Low), end("high", g.High), g.Side)
}

// dial writes a bevel as the saw's scale reads, either way it counts.
func dial(c cutting.Cut) string {
	if c.Long == pieces.Neither {
		return "square"
	}
	return fmt.Sprintf("%.1f° (%.1f°)", c.Dial, c.FromEdge())
}

// ownBevel writes a piece's own bevel.
func ownBevel(b float64) string {
	if b < 0 {
		b = -b
	}
	if s := figure.Fixed(b, 1); s != "0.0" {
		return s + "°"
	}
	return "square"
}

// namesOf writes pieces by their names, S01-S03 S05.
func namesOf(t *cutting.Set, n []int) string {
	var out []string
	for i := 0; i < len(n); {
		j := i
		for j+1 < len(n) && n[j+1] == n[j]+1 {
			j++
		}
		s := t.Pieces[n[i]-1].ID
		if j > i {
			s += "–" + t.Pieces[n[j]-1].ID
		}
		out = append(out, s)
		i = j + 1
	}
	return strings.Join(out, " ")
}
