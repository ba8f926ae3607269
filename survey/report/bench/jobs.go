package bench

import (
	"net/http"

	"pinchrod/survey/report/lines"
)

type jobsPage struct {
	page
	Jobs []jobLine
}

type jobLine struct{ URL, Name, Since string }

// jobs is the list of jobs.
func (s *site) jobs(w http.ResponseWriter, r *http.Request) error {
	jobs, err := s.Source.Jobs()
	if err != nil {
		return err
	}
	p := jobsPage{page: s.page(r, "Jobs")}
	for _, j := range jobs {
		p.Jobs = append(p.Jobs, jobLine{s.jobURL(j.ID), lines.Clean(j.Name), j.Since.Format("2 Jan 2006")})
	}
	return s.render(w, http.StatusOK, "jobs", p)
}
