package bench

import (
	"fmt"
	"math"
	"net/http"
	"net/url"
	"strings"

	"pinchrod/calc/unit"
	"pinchrod/survey"
	"pinchrod/survey/report"
	"pinchrod/survey/report/cutting"
	"pinchrod/survey/report/figure"
	"pinchrod/survey/report/lines"
)

// recutOf makes the form for one piece that was cut again on site until it fitted;
// nil where the sheet lets none be cut.
func recutOf(bayURL string, sh *cutting.Sheet, values map[string]string) *form {
	f := &form{
		ID: "recut", Action: bayURL + "/recut", Button: "Write it down", Title: "Cut again on site: the piece that fitted",
		Hidden: []hidden{{"code", sh.Code}},
	}
	part := field{Name: fieldPart, Label: "What was cut again"}
	var run, along []string
	for _, k := range kinds {
		t, err := sh.PartSet(k.part)
		if err != nil {
			continue
		}
		part.Options = append(part.Options, option{string(k.part), k.part.Words()})
		run = append(run, fmt.Sprintf("%s 1 to %d", k.name, len(t.Pieces)))
		along = append(along, fmt.Sprintf("%s along the %s", k.name, t.Settings[0].Side))
	}
	if len(part.Options) == 0 {
		return nil
	}
	f.fill([]field{
		part,
		{Name: fieldNumber, Label: "Its number", Hint: "from the lower post: " + strings.Join(run, ", "), Mode: "numeric"},
		{Name: fieldLength, Label: "Length that fitted", Hint: "measured where its stop is: " + strings.Join(along, ", "), Mode: "decimal"},
	}, values)
	return f
}

// emptyRecut is the form with what is likely in it.
func (s *site) emptyRecut(r *http.Request, bayURL string, sh *cutting.Sheet) *form {
	return recutOf(bayURL, sh, s.signed(r))
}

// recut takes what was sent of a piece that was cut again, and marks what is wrong
// with it. The readings are what it comes to.
func (f *form) recut(q url.Values, sh *cutting.Sheet) (m survey.Made, readings []survey.Reading) {
	value := func(name string) string { return strings.TrimSpace(q.Get(name)) }
	part, err := survey.ParsePart(value(fieldPart))
	var t *cutting.Set
	if err == nil {
		t, err = sh.PartSet(part)
	}
	if err != nil {
		f.wrong(fieldPart, err.Error())
	}
	numbers, err := survey.ParseNumbers(value(fieldNumber))
	switch {
	case err != nil:
		f.wrong(fieldNumber, err.Error())
	case len(numbers) != 1:
		f.wrong(fieldNumber, "write the number of one piece, counted from the lower post")
	}
	length, err := unit.ParseLength(value(fieldLength))
	switch {
	case value(fieldLength) == "":
		f.wrong(fieldLength, "measure the piece that fitted and write its length")
	case err != nil:
		f.wrong(fieldLength, err.Error())
	}
	if !f.bad() {
		if m, readings, err = sh.Recut(t, int(numbers[0]), length); err != nil {
			f.wrong(fieldNumber, err.Error())
		} else if p := &t.Pieces[numbers[0]-1]; math.Abs(length.MM()-p.Needed) > farthest {
			f.wrong(fieldLength, fmt.Sprintf("%s is %s mm off what %s needs, %s mm: measure again, and look whether it is that piece",
				length, figure.Fixed(math.Abs(length.MM()-p.Needed), 1), p.ID, p.Expect()))
		}
	}
	f.sign(q, &m)
	if f.bad() {
		return m, nil
	}
	for i := range readings {
		readings[i].By, readings[i].When = m.By, m.When
		if err := readings[i].Check(); err != nil {
			f.Problem = lines.Sentence(lines.Clean(err.Error()))
		}
	}
	if err := m.Check(); err != nil {
		f.Problem = lines.Sentence(lines.Clean(err.Error()))
	}
	return m, readings
}

// recutBefore marks a piece that the book has as cut again already: a form that was
// sent twice is written down once, and of two lengths of one piece the later holds.
func (f *form) recutBefore(w *Work, m *survey.Made) {
	if _, in := w.Book.Before(m); in != nil {
		f.wrong(fieldNumber, fmt.Sprintf("it is written down already, in %s, as %s: strike that entry first", in.Ref.Short(), report.MadeTitle(&in.Made)))
	}
}

// recut writes down a piece that was cut again on site until it fitted.
func (s *site) recut(w http.ResponseWriter, r *http.Request) error {
	if err := r.ParseForm(); err != nil {
		return badForm(err)
	}
	s.recording.Lock()
	defer s.recording.Unlock()
	work, bay, err := s.workBay(r)
	if err != nil {
		return err
	}
	p, sh, err := s.bookPage(r, work, bay)
	if err != nil {
		return err
	}
	f := recutOf(p.URL, sh, sent(r.PostForm))
	if f == nil {
		return &failure{http.StatusConflict, "No piece of this bay can be cut yet", "Nothing was written. Go back to the bay: it says what to read first.", nil}
	}
	m, readings := f.recut(r.PostForm, sh)
	f.stale(r.PostForm, sh, "it is still the piece that was cut again")
	if !f.bad() {
		f.recutBefore(work, &m)
	}
	if f.bad() {
		f.Open = true
		p.Recut, p.Bad = f, f.problems()
		return s.render(w, http.StatusUnprocessableEntity, "bay", p)
	}
	entry, err := s.Source.Record(work.Book.Job.ID.String(), m, readings)
	if err != nil {
		return err
	}
	http.Redirect(w, r, p.URL+"?noted="+url.QueryEscape(entry)+"#made", http.StatusSeeOther)
	return nil
}
