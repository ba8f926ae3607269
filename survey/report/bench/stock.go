package bench

import (
	"bytes"
	"fmt"
	"html/template"
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
	URL, Code, AsOf string
	Fields          []field
	Query           string // of the figures that are not the usual ones, for the links to the files
	Left            []string
	Nothing         bool // to cut
	How             []string
	AsDrawn         string
	Sections        []sectionPart
	Result          string // of all sections
	Groups          []groupPart
	Done, Keeps     []string
	Sheets          []link
}

// sectionPart is all that is cut from one section of stock.
type sectionPart struct {
	Name, Pieces, Result string
	Buy                  []buyLine
}

type buyLine struct{ From, What string }

// groupPart is bars that are cut alike.
type groupPart struct {
	Title, Left string
	Picture     template.HTML // SVG of scene.SVG, which escapes what it writes
	Runs        []runLine
}

type runLine struct{ Cut, Stop, Side, Setting, Low, High, From, To, Pieces, Remark string }

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
	p.AsOf, p.How, p.AsDrawn = plan.AsOf(), plan.How(), stockplan.AsDrawn
	for _, l := range plan.Left {
		p.Left = append(p.Left, lines.Sentence(lines.Clean(l.String())))
	}
	p.Nothing = len(plan.Bars) == 0
	for i := range plan.Sections {
		p.Sections = append(p.Sections, sectionOf(&plan.Sections[i]))
	}
	if len(plan.Sections) > 1 {
		p.Result = lines.Sentence(lines.Clean(plan.Result()))
	}
	for _, g := range plan.Groups {
		part, err := groupOf(plan, g)
		if err != nil {
			return err
		}
		p.Groups = append(p.Groups, part)
	}
	for _, d := range plan.Done {
		p.Done = append(p.Done, lines.Sentence(lines.Clean(d.String())))
	}
	p.Keeps = sentences(plan.Keeps())
	for _, sh := range plan.Sheets {
		p.Sheets = append(p.Sheets, link{s.bayURL(work.Book.Job.ID, sh.Bay) + "/sheet", sh.String()})
	}
	status := http.StatusOK
	if bad {
		status = http.StatusBadRequest
	}
	return s.render(w, status, "stock", p)
}

func sectionOf(s *stockplan.Section) sectionPart {
	p := sectionPart{Name: lines.Clean(s.Name), Pieces: report.Count(s.Pieces, "piece"), Result: lines.Sentence(s.Result())}
	for _, b := range s.Buy {
		p.Buy = append(p.Buy, buyLine{b.From(), lines.Clean(b.String())})
	}
	return p
}

func groupOf(p *stockplan.Plan, g stockplan.Group) (groupPart, error) {
	bar := &p.Bars[g.Bars[0]]
	out := groupPart{Title: lines.Clean(p.Numbers(g) + ": " + p.Stuff(g)), Left: bar.Left()}
	var svg bytes.Buffer
	if err := scene.SVG(&svg, p.GroupPage(g)); err != nil {
		return out, err
	}
	out.Picture = template.HTML(svg.String())
	for _, r := range g.Runs {
		first, last := &bar.Cuts[r.From], &bar.Cuts[r.To-1]
		out.Runs = append(out.Runs, runLine{
			Cut: r.Numbers(), Stop: first.Stop, Side: first.Side.String(), Setting: first.Setting, Low: first.Low.Degrees(), High: first.High.Degrees(),
			From: figure.Fixed(first.From, 1), To: figure.Fixed(last.To, 1), Pieces: p.Makes(g, r), Remark: lines.Sentence(p.Remark(g, r)),
		})
	}
	return out, nil
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
