package bench

import (
	"cmp"
	"context"
	"errors"
	"io/fs"
	"net/http"

	"pinchrod/store/journal"
	"pinchrod/survey/asfound"
	"pinchrod/survey/fieldbook"
	"pinchrod/survey/report/lines"
)

// failure is an error that a person is shown: what is wrong, and what to do next.
type failure struct {
	status      int
	title, next string
	cause       error // shown after the title, where there is one
}

func (f *failure) Error() string {
	if f.cause == nil {
		return f.title
	}
	return f.title + ": " + f.cause.Error()
}

func (f *failure) Unwrap() error { return f.cause }

var (
	errNoPage = &failure{status: http.StatusNotFound, title: "There is no such page", next: "Go to the jobs and follow the links from there."}
	errNoJob  = &failure{status: http.StatusNotFound, title: "There is no such job", next: "Go to the jobs: it may be there by another name, or not have been fetched yet."}
	errNoBay  = &failure{status: http.StatusNotFound, title: "No reading of this place is in the book", next: "Go back to the job: it lists the flights and bays that have readings."}
	errMethod = &failure{status: http.StatusMethodNotAllowed, title: "This address does not take that", next: "Go to the jobs, and use the links and forms of the pages."}
	errCross  = &failure{status: http.StatusForbidden, title: "The form came from another site", next: "Nothing was written. Open the page here and send the form from it."}
	errHost   = &failure{status: http.StatusMisdirectedRequest, title: "This address is not one of the bench's", next: "Open the address that the bench printed when it was started."}
	errNoPic  = &failure{status: http.StatusNotFound, title: "This picture has not arrived yet", next: "Sync, here and where it was taken, then load the page again."}
	errLong   = &failure{status: http.StatusRequestURITooLong, title: "The address is too long", next: "Go to the jobs and follow the links from there."}
	errBig    = &failure{status: http.StatusRequestEntityTooLarge, title: "The form is too big", next: "Nothing was written. Go back and shorten the note."}
	errBusy   = &failure{status: http.StatusServiceUnavailable, title: "Another window is writing", next: "Wait a moment and load the page again. A form that is sent again by it is written down once."}
	errNoBook = &failure{status: http.StatusServiceUnavailable, title: "The book is not there", next: "Nothing was written. Put its file, or a copy of it, back where it was and load the page again; if it was moved, end the server and start it with that file."}
	errBroken = &failure{status: http.StatusInternalServerError, title: "The book is damaged", next: "Nothing was written. End the server, keep the file, and make a new book of what it still holds with “pinchrod recover”; or put a copy back."}
	errInside = &failure{status: http.StatusInternalServerError, title: "The page could not be made", next: "Nothing was changed by it. Try again; if it stays so, the server's log says why."}
)

// shown is the failure that an error is shown as.
func shown(err error) *failure {
	var big *http.MaxBytesError
	if f, ok := errors.AsType[*failure](err); ok {
		return f
	}
	switch {
	case errors.Is(err, ErrBusy):
		return errBusy
	case errors.Is(err, ErrNoBook):
		return errNoBook
	case errors.Is(err, ErrDamaged), errors.Is(err, journal.ErrDamaged):
		return errBroken
	case errors.Is(err, fieldbook.ErrNoJob):
		return errNoJob
	case errors.As(err, &big):
		return errBig
	case errors.Is(err, fs.ErrNotExist):
		return errNoPage
	case errors.Is(err, asfound.ErrSetting):
		return &failure{http.StatusBadRequest, "A setting is out of reason", "Go back and choose another value.", err}
	case errors.Is(err, fieldbook.ErrNoMade), errors.Is(err, fieldbook.ErrTwo):
		return &failure{http.StatusNotFound, "There is no such entry", "Go back to the bay: it lists what was made, with the entries' names.", err}
	}
	return errInside
}

type failurePage struct {
	page
	Cause, Next string
}

// busyFor is when a program may ask again, seconds: a page is written in far less,
// and a person has not lost patience.
const busyFor = "3"

// fail writes the page of an error.
func (s *site) fail(w http.ResponseWriter, r *http.Request, err error) {
	if errors.Is(err, context.Canceled) && r.Context().Err() != nil {
		return // nobody waits for it
	}
	f := shown(err)
	switch {
	case f == errBusy: // which is nothing to mend
		w.Header().Set("Retry-After", busyFor)
	case f.status >= http.StatusInternalServerError:
		s.Log.Error("making a page", "method", r.Method, "path", r.URL.Path, "error", err)
	}
	p := failurePage{page: s.page(r, f.title), Next: f.next}
	if f.cause != nil {
		p.Cause = lines.Clean(f.cause.Error())
	}
	p.Trail = []link{{s.Prefix + "/", cmp.Or(s.Title, "Jobs")}}
	if err := s.render(w, f.status, "failure", p); err != nil {
		s.Log.Error("making the page of an error", "path", r.URL.Path, "error", err)
		http.Error(w, f.title, f.status)
	}
}
