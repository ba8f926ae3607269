package bench

import (
	"errors"
	"fmt"
	"net/http"
	"net/url"
	"slices"
	"strings"

	"pinchrod/calc/stock"
	"pinchrod/calc/unit"
	"pinchrod/survey"
	"pinchrod/survey/report/cutting"
	"pinchrod/survey/report/lines"
	"pinchrod/survey/report/stockplan"
)

// shop is what a stock plan is made with beside the book, as its form has it.
// Nothing of it is kept: the address of the page is all that remembers it.
type shop struct {
	fields []field
	query  string // of what is not as usual, for the links to the files
	bad    bool   // something was refused

	kerf, trim, offcut float64 // mm
	bars               []stock.Bar
	leave              bool // the offcuts on the rack
}

// shopFigure is a figure of the saw and of the shop. Its bounds refuse a slip of
// the unit and no odd shop; common practice, no source.
type shopFigure struct {
	name, label, hint string
	high, usual       float64 // mm
	into              func(*shop) *float64
}

var shopFigures = []shopFigure{
	{"kerf", "Kerf, mm", "what a cut of the saw takes", 20, stockplan.DefaultKerf, func(s *shop) *float64 { return &s.kerf }},
	{"trim", "Trim, mm", "what is lost at the ends of a bar before its first piece", 500, stockplan.DefaultTrim, func(s *shop) *float64 { return &s.trim }},
	{"offcut", "Shortest offcut kept, mm", "0 keeps none", 6000, stockplan.DefaultMinOffcut, func(s *shop) *float64 { return &s.offcut }},
}

// The other fields of the form.
const (
	fieldBars = "bars"
	fieldRack = "rack"
	rackLeave = "leave"
)

// mostShopBars is how many lines of bars are taken: more than a shop has lengths,
// and well within an address ([mostURL]).
const mostShopBars = 40

// shopOf reads a query. What cannot be is left at what is usual, and its field
// says so.
func shopOf(q url.Values) *shop {
	s := &shop{}
	keep := url.Values{}
	add := func(f field, asked string) string {
		f.ID, f.Value = "shop-"+f.Name, asked
		s.fields = append(s.fields, f)
		return strings.TrimSpace(asked)
	}
	for _, f := range shopFigures {
		*f.into(s) = f.usual
		shown := field{Name: f.name, Label: f.label, Hint: f.hint, Type: "text"}
		asked := add(shown, lines.Clean(q.Get(f.name)))
		if asked == "" {
			s.fields[len(s.fields)-1].Value = number(f.usual)
			continue
		}
		l, err := unit.ParseLength(decimal(asked))
		switch v := l.MM(); {
		case err != nil:
			s.wrong(f.name, fmt.Sprintf("%s %g mm is taken meanwhile.", lines.Sentence(lines.Clean(err.Error())), f.usual))
		case v < 0 || v > f.high:
			s.wrong(f.name, fmt.Sprintf("Give 0 to %g mm. %g mm is taken meanwhile.", f.high, f.usual))
		case v != f.usual:
			*f.into(s) = v
			keep.Set(f.name, asked)
		}
	}
	asked := add(field{
		Name: fieldBars, Label: "Bars to saw from", Long: true,
		Hint: "A line each: 2400 mm, or 41 x 41 mm: 4 x 2400 mm @ 6.50, with the section, how many there are, and the price of one. None: as read in the bays.",
	}, q.Get(fieldBars))
	if s.readBars(asked); len(s.bars) > 0 {
		keep.Set(fieldBars, asked)
	}
	if s.leave = q.Get(fieldRack) == rackLeave; s.leave {
		keep.Set(fieldRack, rackLeave)
	}
	add(field{
		Name: fieldRack, Label: "Offcuts on the rack", Options: []option{{"", "use them"}, {rackLeave, "leave them"}},
	}, keep.Get(fieldRack))
	if len(keep) > 0 {
		s.query = "?" + keep.Encode()
	}
	return s
}

// readBars takes all the lines or none: a plan without the one that was mistyped
// would look like the plan that was asked for.
func (s *shop) readBars(text string) {
	var problems []string
	n := 0
	for line := range strings.Lines(text) {
		if line = strings.TrimSpace(line); line == "" {
			continue
		}
		n++
		b, err := stockplan.ParseBar(line)
		if err != nil {
			problems = append(problems, lines.Sentence(lines.Clean(err.Error())))
		}
		s.bars = append(s.bars, b)
	}
	if n > mostShopBars {
		problems = []string{fmt.Sprintf("More than %d lines: give them to the server as a file, with --rack.", mostShopBars)}
	}
	if len(problems) > 0 {
		s.bars = nil
		s.wrong(fieldBars, strings.Join(problems, " ")+" None of these is taken meanwhile.")
	}
}

// serve refuses bars of a section that nothing of the job is cut from: most likely a
// figure is mistyped, and the plan would be as if the bar had not been.
func (s *shop) serve(sheets []*cutting.Sheet) {
	var names []string
	has := map[[2]unit.Length]bool{}
	for _, sh := range sheets {
		for i := range sh.Sets {
			if of, ok := sides(sh.Sets[i].Section); ok && !has[of] {
				has[of], names = true, append(names, sh.Sets[i].Section)
			}
		}
	}
	var strange []string
	for _, b := range s.bars {
		if of, ok := sides(b.Section); ok && !has[of] && !slices.Contains(strange, b.Section) {
			strange = append(strange, b.Section)
		}
	}
	if len(strange) == 0 || len(names) == 0 { // before any section is read all may serve
		return
	}
	slices.Sort(names)
	job := "the job's section is "
	if len(names) > 1 {
		job = "the job's sections are "
	}
	s.bars = nil
	s.wrong(fieldBars, lines.Clean("No piece is cut from "+strings.Join(strange, " or ")+"; "+job+strings.Join(names, " and "))+". None of these is taken meanwhile.")
}

// sides are those of a section, the smaller first; false for what no bar has.
func sides(section string) (of [2]unit.Length, ok bool) {
	a, b, err := survey.ParseStock(section)
	return [2]unit.Length{min(a, b), max(a, b)}, err == nil
}

// wrong marks a field; the first that is marked gets the focus.
func (s *shop) wrong(name, problem string) {
	i := slices.IndexFunc(s.fields, func(f field) bool { return f.Name == name })
	s.fields[i].Problem, s.fields[i].Focus, s.bad = problem, !s.bad, true
}

// failure is what is said where there is no form to say it at.
func (s *shop) failure() error {
	i := slices.IndexFunc(s.fields, func(f field) bool { return f.Problem != "" })
	f := &s.fields[i]
	return &failure{http.StatusBadRequest, "A figure of the shop is out of reason", "Go back to the stock plan and give another.", fmt.Errorf("%s %q", f.Name, lines.Clean(f.Value))}
}

// plan makes the stock plan of a job with what the shop has. Bars that were typed
// and cannot be planned with are marked in the form, and left out.
//
// Errors: one that wraps stockplan.ErrNoBars when there is no bar at all.
func (s *site) plan(w *Work, shop *shop) (*stockplan.Plan, error) {
	all, err := s.Source.Bars()
	if err != nil {
		return nil, err
	}
	own := make([]stock.Bar, 0, len(all)) // all is the source's
	for _, b := range all {
		if !shop.leave || !b.Offcut {
			own = append(own, b)
		}
	}
	var sheets []*cutting.Sheet
	for i := range w.Found.Bays {
		sh, err := s.sheetOf(w, &w.Found.Bays[i])
		if err != nil {
			return nil, err
		}
		sheets = append(sheets, sh)
	}
	shop.serve(sheets)
	o := stockplan.Options{
		Job: w.Book.Job.Name, Rules: w.Found.Rules, Entry: w.Entry, Date: s.today(), Lengths: stockplan.Lengths(w.Book),
		Kerf: shop.kerf, Trim: shop.trim, MinOffcut: shop.offcut, Bars: slices.Concat(own, shop.bars),
	}
	p, err := stockplan.New(sheets, o)
	if len(shop.bars) > 0 && errors.Is(err, stockplan.ErrInput) {
		shop.wrong(fieldBars, lines.Sentence(lines.Clean(err.Error()))+" None of these is taken meanwhile.")
		o.Bars = own
		p, err = stockplan.New(sheets, o)
	}
	if err != nil && !errors.Is(err, stockplan.ErrNoBars) {
		err = &failure{http.StatusUnprocessableEntity, "No stock plan can be made", "Look at the bars of the shop, and at the kerf and the trim.", err}
	}
	return p, err
}
