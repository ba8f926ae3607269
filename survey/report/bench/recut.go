package bench

import (
	"fmt"
	"math"
	"net/http"
	"strconv"
	"strings"

	"pinchrod/survey"
	"pinchrod/survey/report"
	"pinchrod/survey/report/cutting"
	"pinchrod/survey/report/lines"
)

// recutOf makes the form for one piece that was cut again on site until it fitted;
// nil where the sheet lets none be cut.
func recutOf(bayURL string, sh *cutting.Sheet, entries int, values map[string]string) *form {
	f := &form{
		ID: "recut", Action: bayURL + "/recut", Button: "Write it down", Title: "Cut again on site: the piece that fitted",
		Hidden: []hidden{{"code", sh.Code}, {fieldEntries, strconv.Itoa(entries)}},
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
func (s *site) emptyRecut(r *http.Request, bayURL string, sh *cutting.Sheet, entries int) *form {
	return recutOf(bayURL, sh, entries, s.signed(r))
}

// recut takes what was sent of a piece that was cut again, and marks what is wrong
// with it. The readings are what it comes to.
func (f *form) recut(got *written, sh *cutting.Sheet) (m survey.Made, readings []survey.Reading) {
	f.mark(got)
	is := &got.made
	t, err := sh.PartSet(is.Part)
	if err != nil {
		f.wrong(fieldPart, err.Error())
	}
	if !f.bad() {
		number := int(is.Pieces[0])
		if m, readings, err = sh.Recut(t, number, is.Length); err != nil {
			f.wrong(fieldNumber, err.Error())
		} else if p := &t.Pieces[number-1]; math.Abs(is.Length.MM()-p.Expected) > farthest {
			f.wrong(fieldLength, fmt.Sprintf("%s is %s off what %s needs, %s: measure again, and look whether it is that piece",
				is.Length, sh.Rule.With(sh.Rule.Length(math.Abs(is.Length.MM()-p.Expected))), p.ID, sh.Rule.With(t.Expect(p))))
		}
	}
	if f.bad() {
		return m, nil
	}
	m.By, m.When, m.Note = is.By, is.When, is.Note
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

// recutBefore marks a piece that the book has as cut again already: of two lengths
// of one piece the later holds.
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
	got := readRecut(r.PostForm, bay.Place, s.today())
	if e := sentBefore(work, r.PostForm, got); e != nil {
		s.toNoted(w, r, work, bay.Place, e.Ref.Short())
		return nil
	}
	p, sh, err := s.bookPage(r, work, bay)
	if err != nil {
		return err
	}
	f := recutOf(p.URL, sh, entriesOf(work, bay.Place), sent(r.PostForm))
	if f == nil {
		return &failure{http.StatusConflict, "No piece of this bay can be cut yet", "Nothing was written. Go back to the bay: it says what to read first.", nil}
	}
	m, readings := f.recut(got, sh)
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
	s.toNoted(w, r, work, bay.Place, entry)
	return nil
}
