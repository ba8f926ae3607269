package bench

import (
	"bytes"
	"cmp"
	"fmt"
	"net/http"
	"path"
	"slices"
	"strconv"
	"strings"
	"time"

	"pinchrod/survey"
	"pinchrod/survey/asfound"
	"pinchrod/survey/report"
	"pinchrod/survey/report/drawing"
	"pinchrod/survey/report/figure"
	"pinchrod/survey/report/scene"
)

// dpi is what a page needs to be printed from: letters of 2.5 mm have 15 dots.
const dpi = 150

// today is the day, without its hour, so that a file stays the same all day.
func (s *site) today() time.Time {
	now := s.Now()
	return time.Date(now.Year(), now.Month(), now.Day(), 0, 0, 0, 0, now.Location())
}

// bayFile serves the files of a bay.
func (s *site) bayFile(w http.ResponseWriter, r *http.Request) error {
	file := r.PathValue("file")
	ext := path.Ext(file)
	what := strings.TrimSuffix(file, ext)
	drawn := []string{".svg", ".pdf", ".png"}
	has := map[string][]string{
		"sheet": append(drawn, ".csv", ".json", ".txt"), "labels": drawn, "drawing": drawn, "errors": drawn, "template": drawn,
		"print": {".css"},
	}
	if !slices.Contains(has[what], ext) {
		return errNoPage
	}
	work, bay, err := s.workBay(r)
	if err != nil {
		return err
	}
	if set, _, _ := turned(r.URL.Query(), work.Settings); ext == ".css" && len(set) > 0 {
		send(w, r, file, "", []byte(printed(notTheBook, string(bay.Place), work.Book.Job.Name, s.today())))
		return nil
	}
	sheet, err := s.sheetOf(work, bay)
	if err != nil {
		return err
	}
	name := fmt.Sprintf("%s-%s-%s%s", strings.ReplaceAll(string(bay.Place), "/", "-"), what, sheet.Code, ext)
	var b bytes.Buffer
	switch ext {
	case ".csv":
		err = sheet.CSV(&b)
	case ".json":
		err = sheet.JSON(&b)
	case ".txt":
		err = sheet.Text(&b, report.Style{})
	case ".css":
		b.WriteString(printed(sheet.Code, string(bay.Place), sheet.Job, sheet.Date))
	default:
		block := s.block(work, sheet.Code)
		posts := drawing.PostsOf(work.Book, bay.Place)
		var pages []scene.Page
		switch what {
		case "sheet":
			pages = sheet.Pages()
		case "labels":
			pages, err = sheet.LabelPages()
		case "drawing":
			pages = drawing.Bay(bay, posts, block)
		case "errors":
			pages = drawing.Errors(bay, posts, block)
		case "template":
			for _, bevel := range drawing.Bevels(bay, sheet.SquareEnds) {
				pages = append(pages, drawing.Template(bevel, block))
			}
		}
		if err == nil {
			err = s.paper(&b, r, ext, work.Book.Job.Name, pages)
		}
	}
	if err != nil {
		return err
	}
	w.Header().Set("Content-Disposition", fmt.Sprintf("inline; filename=%q", name))
	send(w, r, name, sheet.Code, b.Bytes())
	return nil
}

// block is what a drawing says of itself.
func (s *site) block(w *Work, code string) drawing.Sheet {
	return drawing.Sheet{
		Job: w.Book.Job.Name, Entry: w.Entry, Date: s.today().Format("2 Jan 2006"), Code: code,
		Profile: cmp.Or(w.Settings.Profile.Name, "none"), Caution: report.Caution(w.Found.Rules), Rule: figure.Rule{Inches: w.Settings.Inches},
	}
}

// paper writes pages as a PDF, or the page that is asked for as a picture.
func (s *site) paper(b *bytes.Buffer, r *http.Request, ext, title string, pages []scene.Page) error {
	if len(pages) == 0 {
		return errNothing
	}
	if ext == ".pdf" {
		return scene.PDF(b, pages, scene.Meta{Title: title, Creator: "pinchrod", Date: s.today(), Lang: "en"})
	}
	n := 1
	if q := r.URL.Query().Get("page"); q != "" {
		var err error
		if n, err = strconv.Atoi(q); err != nil || n < 1 || n > len(pages) {
			return errNoPage
		}
	}
	if ext == ".svg" {
		return scene.SVG(b, pages[n-1])
	}
	return scene.PNG(b, pages[n-1], dpi)
}

var errNothing = &failure{status: http.StatusNotFound, title: "There is nothing to put on paper yet", next: "Go back to the bay: it says which readings are missing."}

// planFile serves a flight in plan.
func (s *site) planFile(w http.ResponseWriter, r *http.Request) error {
	place, err := survey.ParsePlace(r.PathValue("flight"))
	if err != nil || place.InBay() {
		return errNoBay
	}
	work, err := s.work(r, place)
	if err != nil {
		return err
	}
	i := slices.IndexFunc(work.Found.Flights, func(f asfound.Flight) bool { return f.Place == place })
	if i < 0 {
		return errNoBay
	}
	ext := path.Ext(r.URL.Path)
	var b bytes.Buffer
	if err := s.paper(&b, r, ext, work.Book.Job.Name, drawing.Plan(&work.Found.Flights[i], s.block(work, ""))); err != nil {
		return err
	}
	send(w, r, string(place)+"-plan"+ext, "", b.Bytes())
	return nil
}
