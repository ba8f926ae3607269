package bench

import (
	"bytes"
	"errors"
	"fmt"
	"html/template"
	"net/http"
	"path"

	"pinchrod/survey/report"
	"pinchrod/survey/report/figure"
	"pinchrod/survey/report/lines"
	"pinchrod/survey/report/scene"
	"pinchrod/survey/report/stockplan"
)

type stockPage struct {
	page
	URL, Code, AsOf string
	Fields          []field
	ShopOpen        bool   // the form shows, as there is something to see in it
	Query           string // of the figures that are not the usual ones, for the links to the files
	Left            []string
	NoBars          string // that there is no bar to saw from, and for what
	Nothing         string // that no bar is on the plan
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

// stock is the page of the stock plan.
func (s *site) stock(w http.ResponseWriter, r *http.Request) error {
	work, err := s.work(r, "")
	if err != nil {
		return err
	}
	shop := shopOf(r.URL.Query())
	plan, err := s.plan(work, shop)
	status := http.StatusOK
	if shop.bad {
		status = http.StatusBadRequest
	}
	job := s.jobURL(work.Book.Job.ID)
	p := stockPage{page: s.ofJob(r, work, "Stock plan"), URL: job + "/stock", Fields: shop.fields, Query: shop.query, ShopOpen: shop.bad || shop.query != ""}
	p.Trail = append(p.Trail, link{job, p.Of})
	switch {
	case errors.Is(err, stockplan.ErrNoBars):
		p.ShopOpen = true
		p.NoBars = lines.Sentence(lines.Clean(err.Error()))
		return s.render(w, status, "stock", p)
	case err != nil:
		return err
	}
	if len(plan.Bars) == 0 && !plan.Complete() {
		p.ShopOpen = true
	}
	p.Title += " " + plan.Name()
	p.Code, p.Paper = plan.Name(), p.URL+".css"+p.Query
	p.AsOf, p.How, p.AsDrawn = plan.AsOf(), plan.How(), stockplan.AsDrawn
	for _, l := range plan.Left {
		p.Left = append(p.Left, lines.Sentence(lines.Clean(l.String())))
	}
	p.Nothing = lines.Sentence(plan.Nothing())
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
	shop := shopOf(r.URL.Query())
	plan, err := s.plan(work, shop)
	switch {
	case shop.bad: // a file has no room to say that it is made with other figures
		return shop.failure()
	case errors.Is(err, stockplan.ErrNoBars):
		return &failure{http.StatusUnprocessableEntity, "No stock plan can be made", "Go back to the stock plan and write down the bars there are.", err}
	case err != nil:
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
		b.WriteString(printed("stock plan "+plan.Name(), "", plan.Job, plan.Date))
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
