package bench

import (
	"fmt"
	"math"
	"net/http"
	"slices"
	"strconv"
	"strings"

	"pinchrod/survey"
	"pinchrod/survey/fieldbook"
	"pinchrod/survey/report/cutting"
	"pinchrod/survey/report/figure"
	"pinchrod/survey/report/lines"
	"pinchrod/survey/report/stockplan"
)

// batchOf makes the form for what was cut at one setting, with some values in it.
func batchOf(bayURL string, sh *cutting.Sheet, part string, t *cutting.Set, g *cutting.Setting, entries int, values map[string]string) form {
	f := form{
		ID: part + "-" + g.Name, Action: bayURL + "/made", Button: "Write it down",
		Title:  fmt.Sprintf("%s, setting %s: what was cut", capital(t.Kind.String()+"s"), g.Name),
		Hidden: []hidden{{"part", part}, {"setting", g.Name}, {"code", sh.Code}, {fieldEntries, strconv.Itoa(entries)}},
	}
	f.fill([]field{
		{Name: fieldLength, Label: "Length of a cut piece", Hint: fmt.Sprintf("measured along the %s, where the stop is; the sheet says %s mm", g.Side, t.StopText(g)), Mode: "decimal"},
		{Name: fieldPieces, Label: "Which pieces", Hint: "numbers, such as 1-9 or 1, 2, 5; empty when none of the bay's"},
		{Name: fieldSpares, Label: "Spares cut with them", Hint: "how many", Mode: "numeric"},
		{Name: fieldKept, Label: "Offcuts kept", Hint: "lengths that went onto the rack, such as 412; 3 x 380"},
		{Name: fieldUsed, Label: "Offcuts used", Hint: "lengths that were taken from the rack"},
	}, values)
	return f
}

// capital is text with a capital before it.
func capital(s string) string { return strings.TrimSuffix(lines.Sentence(s), ".") }

// emptyForm is the form with what is likely in it: the pieces that are not
// written down yet, today, and who is signed in.
func (s *site) emptyForm(r *http.Request, bayURL string, sh *cutting.Sheet, part string, t *cutting.Set, g *cutting.Setting, entries int, made map[uint32]string) form {
	var left, done []uint32
	for _, n := range g.Pieces {
		if _, ok := made[uint32(n)]; ok {
			done = append(done, uint32(n))
		} else {
			left = append(left, uint32(n))
		}
	}
	values := s.signed(r)
	values[fieldPieces], values[fieldSpares] = survey.Numbers(left), strconv.Itoa(sh.SparesLeft(t, g))
	f := batchOf(bayURL, sh, part, t, g, entries, values)
	switch {
	case len(left) == 0:
		f.Already = "all of them are written down"
	case len(done) > 0:
		f.Already = survey.Numbers(done) + " written down already"
	}
	return f
}

// take puts a form that was sent in the place of the empty one.
func (p *sheetPage) take(sent form) {
	sent.Open = true
	p.Bad = sent.problems()
	for i := range p.Sets {
		for j := range p.Sets[i].Forms {
			if f := &p.Sets[i].Forms[j]; f.ID == sent.ID {
				sent.Already = f.Already
				*f = sent
			}
		}
	}
}

// farthest a cut piece may be off its stop, and one that was cut again off what its
// place needs, mm: what is more is another piece or a slip of the pen. Common
// practice, no source.
const farthest = 20

// batch takes what was sent of a batch, and marks what is wrong with it.
func (f *form) batch(got *written, sh *cutting.Sheet, t *cutting.Set, g *cutting.Setting) survey.Made {
	f.mark(got)
	is := &got.made
	m := sh.Made(t, g, is.Length)
	m.Pieces, m.Spares, m.Kept, m.Used, m.By, m.When, m.Note = is.Pieces, is.Spares, is.Kept, is.Used, is.By, is.When, is.Note
	if len(m.Pieces) == 0 && m.Spares == 0 {
		m.Line = 0
	} else if off := is.Length.MM() - g.Stop; math.Abs(off) > farthest {
		f.wrong(fieldLength, fmt.Sprintf("%s is %s mm off the stop of %s mm: measure again, and look whether it is of this setting", is.Length, figure.Fixed(math.Abs(off), 1), t.StopText(g)))
	}
	for _, n := range m.Pieces {
		if !slices.Contains(g.Pieces, int(n)) {
			f.wrong(fieldPieces, fmt.Sprintf("%d is not cut at setting %s: that makes %s", n, g.Name, t.Names(g.Pieces)))
		}
	}
	if !f.bad() {
		if err := m.Check(); err != nil {
			f.Problem = lines.Sentence(lines.Clean(err.Error()))
		}
	}
	return m
}

// again marks what stands in the book already. A form that was merely sent twice
// does not come so far: see [sentBefore].
func (f *form) again(w *Work, m *survey.Made) {
	if n, in := w.Book.Before(m); in != nil {
		f.wrong(fieldPieces, fmt.Sprintf("%d is written down already, in %s: leave it out, or strike that entry first", n, in.Ref.Short()))
		return
	}
	if len(m.Pieces) > 0 {
		return
	}
	if e := standing(w, m); e != nil {
		f.wrong(fieldNote, fmt.Sprintf("the same is written down already, in %s: if it was done twice, say so in the note", e.Ref.Short()))
	}
}

// record writes down what was cut at one setting.
func (s *site) record(w http.ResponseWriter, r *http.Request) error {
	if err := r.ParseForm(); err != nil {
		return badForm(err)
	}
	s.recording.Lock()
	defer s.recording.Unlock()
	work, bay, err := s.workBay(r)
	if err != nil {
		return err
	}
	q := r.PostForm
	got, err := readBatch(q, bay.Place, s.today())
	if err != nil {
		return badForm(err)
	}
	if e := sentBefore(work, q, got); e != nil {
		s.toNoted(w, r, work, bay.Place, e.Ref.Short())
		return nil
	}
	sh, err := s.sheetOf(work, bay)
	if err != nil {
		return err
	}
	part := got.made.Part
	changed := &failure{
		status: http.StatusConflict, title: "The cutting sheet has changed", cause: err,
		next: "Nothing was written. Open the sheet again, and write down what was cut at the setting that it is of now.",
	}
	t, err := sh.PartSet(part)
	if err != nil {
		changed.cause = err
		return changed
	}
	g, err := t.Setting(q.Get("setting"))
	if err != nil {
		changed.cause = err
		return changed
	}
	f := batchOf(s.bayURL(work.Book.Job.ID, bay.Place), sh, string(part), t, g, entriesOf(work, bay.Place), sent(q))
	m := f.batch(got, sh, t, g)
	f.stale(q, sh, "setting "+g.Name+" is still what was cut")
	if !f.bad() {
		f.again(work, &m)
	}
	if !f.bad() && len(m.Used) > 0 {
		bars, err := s.Source.Bars()
		if err != nil {
			return err
		}
		if err := fieldbook.Taken(stockplan.Rack(bars), m.Section, m.Used); err != nil {
			f.wrong(fieldUsed, err.Error())
		}
	}
	if f.bad() {
		return s.render(w, http.StatusUnprocessableEntity, "sheet", s.sheetPage(r, work, sh, &f))
	}
	entry, err := s.Source.Record(work.Book.Job.ID.String(), m, nil)
	if err != nil {
		return err
	}
	s.toNoted(w, r, work, bay.Place, entry)
	return nil
}
