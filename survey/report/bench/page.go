package bench

import (
	"bytes"
	"embed"
	"fmt"
	"html/template"
	"net/http"
	"strconv"

	"pinchrod/store/journal"
	"pinchrod/survey"
	"pinchrod/survey/report"
	"pinchrod/survey/report/lines"
)

//go:embed pages/*.html
var pagesFS embed.FS

// pages are the templates, each of them the layout with its own main part.
var pages = func() map[string]*template.Template {
	out := map[string]*template.Template{}
	layout := template.Must(template.New("").Funcs(funcs).ParseFS(pagesFS, "pages/layout.html", "pages/parts.html"))
	for _, name := range []string{"jobs", "job", "bay", "sheet", "stock", "failure"} {
		out[name] = template.Must(template.Must(layout.Clone()).ParseFS(pagesFS, "pages/"+name+".html"))
	}
	return out
}()

// funcs are what the templates need beside the words they are given.
var funcs = template.FuncMap{
	"inc": func(i int) int { return i + 1 },
	"settings": func(title string, edges [2]string, lines []settingLine) settingsTable {
		return settingsTable{title, edges, lines}
	},
}

// page is what every page has.
type page struct {
	Prefix, Site string
	Title        string // the page's heading, and its title with the job's
	Of           string // job, where there is one
	Trail        []link // from the jobs to here, this page left out
	Who          string
	SignOut      string // where a form goes that signs out; empty where there is none, and when nobody is signed in
	Caution      string
	Paper        string // style sheet of what stands on every printed page; empty for a page that is not made to be printed
}

// link is somewhere to go.
type link struct{ URL, Text string }

func (s *site) page(r *http.Request, title string) page {
	p := page{Prefix: s.Prefix, Site: s.Title, Title: title, Who: lines.Clean(s.Who(r))}
	if p.Who != "" {
		p.SignOut = s.SignOut
	}
	return p
}

// ofJob is a page of a job.
func (s *site) ofJob(r *http.Request, w *Work, title string) page {
	p := s.page(r, title)
	p.Of = lines.Clean(w.Book.Job.Name)
	p.Trail = []link{{s.Prefix + "/", s.Title}}
	p.Caution = report.Caution(w.Found.Rules)
	return p
}

func (s *site) jobURL(id journal.ID) string { return s.Prefix + "/job/" + id.String() }

func (s *site) bayURL(id journal.ID, p survey.Place) string {
	return s.jobURL(id) + "/" + string(p) // letters, digits, - and _: see survey.ParsePlace
}

// render writes a page whole, or gives an error and writes nothing.
func (s *site) render(w http.ResponseWriter, status int, name string, data any) error {
	var b bytes.Buffer
	if err := pages[name].ExecuteTemplate(&b, "layout", data); err != nil {
		return fmt.Errorf("making page %s: %w", name, err)
	}
	w.Header().Set("Content-Type", "text/html; charset=utf-8")
	w.Header().Set("Content-Length", strconv.Itoa(b.Len()))
	w.WriteHeader(status)
	w.Write(b.Bytes()) // the line is gone when it fails, and nobody is left to tell
	return nil
}
