package bench

import (
	"encoding/hex"
	"errors"
	"io/fs"
	"net/http"

	"pinchrod/survey"
	"pinchrod/survey/fieldbook"
	"pinchrod/survey/report/lines"
)

// pictureLine is a picture with what it shows.
type pictureLine struct{ URL, Shows, Note string }

// pictureLines lists pictures that stand.
func (s *site) pictureLines(all []fieldbook.Picture) (out []pictureLine) {
	for i := range all {
		p := &all[i]
		if !p.Stands() {
			continue
		}
		out = append(out, pictureLine{s.Prefix + "/picture/" + hex.EncodeToString(p.Picture.Sum[:]), lines.Clean(p.Picture.Title()), lines.Clean(p.Picture.Note)})
	}
	return out
}

// picturesOf lists the pictures of a place.
func (s *site) picturesOf(w *Work, place survey.Place) []pictureLine {
	var here []fieldbook.Picture
	for _, p := range w.Book.Pictures() {
		if p.Picture.Where == place {
			here = append(here, p)
		}
	}
	return s.pictureLines(here)
}

// picture serves a small picture.
func (s *site) picture(w http.ResponseWriter, r *http.Request) error {
	b, err := hex.DecodeString(r.PathValue("sum"))
	if err != nil || len(b) != 32 {
		return errNoPage
	}
	small, err := s.Source.Picture([32]byte(b))
	switch {
	case errors.Is(err, fs.ErrNotExist) && shown(err) == errNoPage: // and it is no book that is not there
		return errNoPic
	case err != nil:
		return err
	}
	send(w, r, r.PathValue("sum")+".jpg", "", small)
	return nil
}
