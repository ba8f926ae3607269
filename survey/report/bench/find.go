package bench

import (
	"net/http"

	"pinchrod/store/journal"
	"pinchrod/survey"
	"pinchrod/survey/asfound"
)

// jobOf reads the job of a request; what is no ID is no job.
func jobOf(r *http.Request) (string, error) {
	id, err := journal.ParseID(r.PathValue("id"))
	if err != nil {
		return "", errNoJob
	}
	return id.String(), nil
}

// work works out the job of a request, or a place of it, with the book's own
// settings.
func (s *site) work(r *http.Request, place survey.Place) (*Work, error) {
	id, err := jobOf(r)
	if err != nil {
		return nil, err
	}
	return s.Source.Work(r.Context(), id, place, nil)
}

// placeOf reads the bay of a request.
func placeOf(r *http.Request) (survey.Place, error) {
	p, err := survey.ParsePlace(r.PathValue("flight") + "/" + r.PathValue("bay"))
	if err != nil {
		return "", errNoBay
	}
	return p, nil
}

// workBay works out the bay of a request.
func (s *site) workBay(r *http.Request) (*Work, *asfound.Bay, error) {
	place, err := placeOf(r)
	if err != nil {
		return nil, nil, err
	}
	w, err := s.work(r, place)
	if err != nil {
		return nil, nil, err
	}
	bay, err := w.bay(place)
	return w, bay, err
}

func (w *Work) bay(p survey.Place) (*asfound.Bay, error) {
	for i := range w.Found.Bays {
		if w.Found.Bays[i].Place == p {
			return &w.Found.Bays[i], nil
		}
	}
	return nil, errNoBay
}
