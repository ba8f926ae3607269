package bench

import (
	"net/http"

	"pinchrod/store/journal"
	"pinchrod/survey"
	"pinchrod/survey/report/lines"
)

// strike says that an entry of what was made no longer counts, and why. The reading
// that a piece cut again came to goes with it.
func (s *site) strike(w http.ResponseWriter, r *http.Request) error {
	if err := r.ParseForm(); err != nil {
		return badForm(err)
	}
	s.recording.Lock()
	defer s.recording.Unlock()
	work, err := s.work(r, "")
	if err != nil {
		return err
	}
	e, err := work.Book.FindMade(r.PathValue("entry"))
	if err != nil {
		return err
	}
	bay, err := work.bay(e.Made.Where)
	if err != nil {
		return err
	}
	why, problem := survey.ParseNote(r.PostForm.Get("why"))
	by, byProblem := survey.ParseWord(r.PostForm.Get("by"))
	form := strikeForm{Why: r.PostForm.Get("why"), By: lines.Clean(r.PostForm.Get("by")), Open: true}
	switch {
	case problem != nil:
		form.Problem = lines.Sentence(lines.Clean(problem.Error()))
	case why == "":
		form.Problem = "Say why, so that whoever reads the book knows."
	case byProblem != nil:
		form.ByProblem = lines.Sentence(lines.Clean(byProblem.Error()))
	}
	if len(e.Struck) == 0 && form.Problem+form.ByProblem != "" {
		p, _, err := s.bookPage(r, work, bay)
		if err != nil {
			return err
		}
		for i := range p.MadeLines {
			if l := &p.MadeLines[i]; l.Name == e.Ref.Short() {
				form.ID, form.Action, form.What = l.Strike.ID, l.Strike.Action, l.Strike.What
				l.Strike = form
			}
		}
		return s.render(w, http.StatusUnprocessableEntity, "bay", p)
	}
	if len(e.Struck) == 0 { // else it was struck meanwhile, or the form was sent twice
		entries := []journal.Ref{e.Ref}
		if reading := work.Book.TrialOf(e); reading != nil {
			entries = append(entries, reading.Ref)
		}
		if err := s.Source.Strike(work.Book.Job.ID.String(), entries, why, by); err != nil {
			return err
		}
	}
	s.toMade(w, r, work, bay.Place, "struck", e.Ref.Short())
	return nil
}

// strikeForm is the form that strikes an entry.
type strikeForm struct {
	ID, Action, What, Why, By, Problem, ByProblem string
	Open                                          bool
}
