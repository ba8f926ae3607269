package bench

import (
	"bytes"
	"fmt"
	"html/template"
	"math"
	"net/http"
	"net/url"
	"path"
	"strconv"
	"strings"

	"pinchrod/survey/report"
	"pinchrod/survey/report/cutting"
	"pinchrod/survey/report/figure"
	"pinchrod/survey/report/lines"
	"pinchrod/survey/report/scene"
	"pinchrod/survey/report/stockplan"
)

type stockPage struct {
	page
	URL, Code, Holds string
	Fields           []field
	Query            string // of the figures that are not the usual ones, for the links to the files
	Left             []string
	Nothing          bool // to cut
	Says             []string
	Sections         []sectionPart
	Total            string
	Groups           []groupPart
	Keep             []string
	Sheets           []link
}

// sectionPart is all that is cut from one section of stock.
type sectionPart struct {
	Name, Pieces, Claim string
	Buy                 []buyLine
}

type buyLine struct{ From, Count, Length, Label, Price string }

// groupPart is bars that are cut alike.
type groupPart struct {
	Title, Rest string
	Picture     template.HTML // SVG of scene.SVG, which escapes what it writes
	Runs        []runLine
}

type runLine struct{ Cut, Stop, Side, Low, High, From, To, Pieces, Remark string }

// shopFigure is a figure of the shop that a plan is made with. Its bounds are
// wide: they refuse a slip of the decimal point. Common practice, no source.
type shopFigure struct {
	name, label, hint string
	high, usual       float64
	into              func(*stockplan.Options) *float64
}

var shopFigures = []shopFigure{
	{"kerf", "Kerf, mm", "what a cut of the saw takes", 20, stockplan.DefaultKerf, func(o *stockplan.Options) *float64 { return &o.Kerf }},
	{"trim", "Trim, mm", "what is lost at the ends of a bar before its first piece", 500, stockplan.DefaultTrim, func(o *stockplan.Options) *float64 { return &o.Trim }},
	{"offcut", "Shortest offcut kept, mm", "0 keeps none", 6000, stockplan.DefaultMinOffcut, func(o *stockplan.Options) *float64 { return &o.MinOffcut }},
}

// shopOf reads the figures of the shop from a query. One that is out of reason
// stays at its usual value, and its field says so.
func shopOf(q url.Values, o *stockplan.Options) (fields []field, query string, bad bool) {
	keep := url.Values{}
	for _, f := range shopFigures {
		x := field{ID: "shop-" + f.name, Name: f.name, Label: f.label, Hint: f.hint, Type: "text", Mode: "decimal", Value: number(f.usual)}
		*f.into(o) = f.usual
		if asked := strings.TrimSpace(q.Get(f.name)); asked != "" {
			x.Value = lines.Clean(asked)
			v, err := strconv.ParseFloat(asked, 64)
			if err != nil || !(v >= 0 && v <= f.high) {
				x.Problem, x.Focus, bad = fmt.Sprintf("Give 0 to %g. The plan below is made with %g.", f.high, f.usual), !bad, true
			} else if *f.into(o) = v; v != f.usual {
				keep.Set(f.name, number(v))
			}
		}
		fields = append(fields, x)
	}
	if len(keep) > 0 {
		query = "?" + keep.Encode()
	}
	return fields, query, bad
}

// plan makes the stock plan of a job.
func (s *site) plan(w *Work, o stockplan.Options) (*stockplan.Plan, error) {
	var err error
	if o.Bars, err = s.Source.Bars(); err != nil {
		return nil, err
	}
	var sheets []*cutting.Sheet
	for i := range w.Found.Bays {
		sh, err := s.sheetOf(w, &w.Found.Bays[i])
		if err != nil {
			return nil, err
		}
		sheets = append(sheets, sh)
	}
	o.Job, o.Rules, o.Entry, o.Date, o.Lengths = w.Book.Job.Name, w.Found.Rules, w.Entry, s.today(), stockplan.Lengths(w.Book)
	p, err := stockplan.New(sheets, o)
	if err != nil {
		return nil, &failure{http.StatusUnprocessableEntity, "No stock plan can be made", "Look at the bars of the shop, and at the kerf and the trim.", err}
	}
	return p, nil
}

// stock is the page of the stock plan.
func (s *site) stock(w http.ResponseWriter, r *http.Request) error {
	work, err := s.work(r, "")
	if err != nil {
		return err
	}
	var o stockplan.Options
	fields, query, bad := shopOf(r.URL.Query(), &o)
	plan, err := s.plan(work, o)
	if err != nil {
		return err
	}
	job := s.jobURL(work.Book.Job.ID)
	p := stockPage{page: s.ofJob(r, work, "Stock plan "+plan.Code), URL: job + "/stock", Code: plan.Code, Fields: fields, Query: query}
	p.Trail = append(p.Trail, link{job, p.Of})
	p.Paper = p.URL + ".css" + query
	p.Holds = fmt.Sprintf("%s, from the book up to %s.", plan.Date.Format("2006-01-02"), plan.Entry)
	for _, l := range plan.Left {
		p.Left = append(p.Left, lines.Sentence(lines.Clean(l.String())))
	}
	p.Nothing = len(plan.Bars) == 0
	if !p.Nothing {
		p.Says = saysOf(plan)
	}
	for i := range plan.Sections {
		p.Sections = append(p.Sections, sectionOf(&plan.Sections[i]))
	}
	if len(plan.Sections) > 1 {
		p.Total = totalOf(&plan.Total)
	}
	for _, g := range plan.Groups {
		part, err := groupOf(plan, g)
		if err != nil {
			return err
		}
		p.Groups = append(p.Groups, part)
	}
	for _, k := range plan.Total.Keep {
		p.Keep = append(p.Keep, fmt.Sprintf("%s mm of %s", k, lines.Clean(k.Section)))
	}
	for _, sh := range plan.Sheets {
		p.Sheets = append(p.Sheets, link{s.bayURL(work.Book.Job.ID, sh.Bay) + "/sheet", string(sh.Bay) + " " + sh.Code})
	}
	status := http.StatusOK
	if bad {
		status = http.StatusBadRequest
	}
	return s.render(w, status, "stock", p)
}

// saysOf says how to read the plan.
func saysOf(p *stockplan.Plan) []string {
	saw := fmt.Sprintf("Lengths are in mm. Kerf %s, %s lost at the ends of a bar before its first piece", figure.Plain(p.Kerf), figure.Plain(p.Trim))
	if p.MinOffcut > 0 {
		saw += fmt.Sprintf("; a rest of %s or more is kept", figure.Plain(p.MinOffcut))
	}
	return []string{
		saw + ".",
		"Dress the first end to the low bevel of the first piece, and again where the next low bevel is another. Cut in order, the low end of each piece towards the first end. From and to are on the bar’s centre line; stops and bevels are the sheet’s.",
	}
}

func sectionOf(s *stockplan.Section) sectionPart {
	p := sectionPart{Name: lines.Clean(s.Name), Pieces: report.Count(s.Pieces, "piece")}
	claim := s.Claim
	switch {
	case s.Proven:
	case s.Priced:
		claim += fmt.Sprintf(" (a gap of %.2f)", s.Gap)
	default:
		claim += fmt.Sprintf(" (a gap of %s)", report.Count(int(s.Gap), "bar"))
	}
	p.Claim = lines.Sentence(claim + fmt.Sprintf("; waste %s mm, %s %%", figure.Fixed(s.Waste, 0), figure.Fixed(s.WastePercent(), 1)))
	for _, b := range s.Buy {
		l := buyLine{From: "buy", Count: fmt.Sprint(b.Count), Length: figure.Plain(b.Length) + " mm", Label: lines.Clean(b.Label)}
		if b.Offcut {
			l.From = "from the rack"
		}
		if b.Price > 0 {
			l.Price = fmt.Sprintf("%.2f each, %.2f", b.Price, b.Price*float64(b.Count))
		}
		p.Buy = append(p.Buy, l)
	}
	return p
}

func totalOf(t *stockplan.Total) string {
	s := fmt.Sprintf("%s, %d of them spare, %s to buy", report.Count(t.Pieces, "piece"), t.Spares, report.Count(t.Buy, "bar"))
	if t.Rack > 0 {
		s += ", " + report.Count(t.Rack, "offcut") + " from the rack"
	}
	if t.Priced {
		s += fmt.Sprintf(", cost %.2f", t.Cost)
	}
	return s + fmt.Sprintf("; waste %s mm of %s, %s %%.", figure.Fixed(t.Waste, 0), figure.Plain(t.Length), figure.Fixed(t.WastePercent(), 1))
}

func groupOf(p *stockplan.Plan, g stockplan.Group) (groupPart, error) {
	first, last := &p.Bars[g.Bars[0]], &p.Bars[g.Bars[len(g.Bars)-1]]
	out := groupPart{Title: fmt.Sprintf("Bar %d", first.Number)}
	if last.Number > first.Number {
		out.Title = fmt.Sprintf("Bars %d–%d", first.Number, last.Number)
	}
	out.Title += fmt.Sprintf(" of %d: %d x %s mm of %s", len(p.Bars), len(g.Bars), figure.Plain(first.Length), lines.Clean(first.Section))
	if first.Offcut {
		out.Title += ", from the rack"
	}
	if first.Label != "" {
		out.Title += ", " + lines.Clean(first.Label)
	}
	var svg bytes.Buffer
	if err := scene.SVG(&svg, p.BarPage(g.Bars[0])); err != nil {
		return out, err
	}
	out.Picture = template.HTML(svg.String())
	for _, r := range g.Runs {
		a, z := &first.Cuts[r.From], &first.Cuts[r.To-1]
		l := runLine{
			Cut: span(r.From+1, r.To), Stop: a.Stop, Side: a.Side.String(), Low: dial(a.Low), High: dial(a.High),
			From: figure.Fixed(a.From, 1), To: figure.Fixed(z.To, 1),
		}
		var ids []string
		for _, i := range g.Bars {
			for _, c := range p.Bars[i].Cuts[r.From:r.To] {
				ids = append(ids, c.Piece)
			}
		}
		l.Pieces = fmt.Sprintf("%s, setting %s: %s", a.Bay, a.Setting, strings.Join(ids, " "))
		var remarks []string
		if n := r.To - r.From; len(g.Bars) > 1 {
			remarks = append(remarks, fmt.Sprintf("%d of each bar", n))
		}
		if a.ToFit {
			remarks = append(remarks, "over length, trimmed on site")
		}
		l.Remark = lines.Sentence(strings.Join(remarks, "; "))
		out.Runs = append(out.Runs, l)
	}
	each := ""
	if len(g.Bars) > 1 {
		each = " of each"
	}
	switch {
	case first.Keep > 0:
		out.Rest = fmt.Sprintf("Left%s: %s mm, onto the rack.", each, figure.Fixed(math.Floor(first.Keep), 0))
	case first.Rest < 1:
		out.Rest = "Nothing is left."
	default:
		out.Rest = fmt.Sprintf("Left%s: %s mm, waste.", each, figure.Fixed(math.Floor(first.Rest), 0))
	}
	return out, nil
}

func span(from, to int) string {
	if from == to {
		return fmt.Sprint(from)
	}
	return fmt.Sprintf("%d–%d", from, to)
}

// stockFile serves the files of the stock plan.
func (s *site) stockFile(w http.ResponseWriter, r *http.Request) error {
	work, err := s.work(r, "")
	if err != nil {
		return err
	}
	var o stockplan.Options
	if fields, _, bad := shopOf(r.URL.Query(), &o); bad {
		for _, f := range fields {
			if f.Problem != "" {
				return &failure{http.StatusBadRequest, "A figure of the shop is out of reason", "Go back to the stock plan and give another.", fmt.Errorf("%s %q", f.Name, f.Value)}
			}
		}
	}
	plan, err := s.plan(work, o)
	if err != nil {
		return err
	}
	ext := path.Ext(r.URL.Path)
	var b bytes.Buffer
	switch ext {
	case ".csv":
		err = plan.CSV(&b)
	case ".json":
		err = plan.JSON(&b)
	case ".txt":
		err = plan.Text(&b, report.Style{})
	case ".css":
		b.WriteString(printed("stock plan "+plan.Code, "", plan.Job, plan.Date))
	default:
		err = s.paper(&b, r, ext, work.Book.Job.Name, plan.Pages())
	}
	if err != nil {
		return err
	}
	name := "stock-" + plan.Code + ext
	w.Header().Set("Content-Disposition", fmt.Sprintf("inline; filename=%q", name))
	send(w, r, name, plan.Code, b.Bytes())
	return nil
}
