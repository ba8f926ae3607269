package bench

import (
	"fmt"
	"math"
	"net/http"
	"net/url"
	"slices"
	"strconv"
	"strings"

	"pinchrod/calc/unit"
	"pinchrod/survey"
	"pinchrod/survey/report/cutting"
	"pinchrod/survey/report/figure"
	"pinchrod/survey/report/lines"
)

// batchOf makes the form for what was cut at one setting, with some values in it.
func batchOf(bayURL string, sh *cutting.Sheet, part string, t *cutting.Set, g *cutting.Setting, values map[string]string) form {
	f := form{
		ID: part + "-" + g.Name, Action: bayURL + "/made", Button: "Write it down",
		Title:  fmt.Sprintf("%s, setting %s: what was cut", capital(t.Kind.String()+"s"), g.Name),
		Hidden: []hidden{{"part", part}, {"setting", g.Name}, {"code", sh.Code}},
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
func (s *site) emptyForm(r *http.Request, bayURL string, sh *cutting.Sheet, part string, t *cutting.Set, g *cutting.Setting, made map[uint32]string) form {
	var left, done []uint32
	for _, n := range g.Pieces {
		if _, ok := made[uint32(n)]; ok {
			done = append(done, uint32(n))
		} else {
			left = append(left, uint32(n))
		}
	}
	values := s.signed(r)
	values[fieldPieces], values[fieldSpares] = survey.Numbers(left), "0"
	if len(done) == 0 {
		values[fieldSpares] = strconv.Itoa(g.Spares)
	}
	f := batchOf(bayURL, sh, part, t, g, values)
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

// mostSpares is far above what anybody cuts.
const mostSpares = 1000

// batch takes what was sent of a batch, and marks what is wrong with it.
func (f *form) batch(q url.Values, sh *cutting.Sheet, t *cutting.Set, g *cutting.Setting) survey.Made {
	value := func(name string) string { return strings.TrimSpace(q.Get(name)) }
	numbers, err := survey.ParseNumbers(value(fieldPieces))
	if err != nil {
		f.wrong(fieldPieces, err.Error())
	}
	spares := uint64(0)
	if v := value(fieldSpares); v != "" {
		if spares, err = strconv.ParseUint(v, 10, 32); err != nil || spares > mostSpares {
			f.wrong(fieldSpares, fmt.Sprintf("%q is no number of spares: write 0, 1, 2 …", v))
		}
	}
	var length unit.Length
	switch v := value(fieldLength); {
	case v == "" && (len(numbers) > 0 || spares > 0):
		f.wrong(fieldLength, "measure a cut piece and write its length")
	case v != "":
		if length, err = unit.ParseLength(v); err != nil {
			f.wrong(fieldLength, err.Error())
		} else if off := length.MM() - g.Stop; math.Abs(off) > farthest {
			f.wrong(fieldLength, fmt.Sprintf("%s is %s mm off the stop of %s mm: measure again, and look whether it is of this setting", length, figure.Fixed(math.Abs(off), 1), t.StopText(g)))
		}
	}
	m := sh.Made(t, g, length)
	m.Pieces, m.Spares = numbers, uint32(spares)
	if len(numbers) == 0 && spares == 0 {
		m.Length, m.Line = 0, 0
	}
	for _, n := range numbers {
		if !slices.Contains(g.Pieces, int(n)) {
			f.wrong(fieldPieces, fmt.Sprintf("%d is not cut at setting %s: that makes %s", n, g.Name, t.Names(g.Pieces)))
		}
	}
	for _, x := range []struct {
		name string
		into *[]unit.Length
	}{{fieldKept, &m.Kept}, {fieldUsed, &m.Used}} {
		if *x.into, err = survey.ParseOffcuts(q.Get(x.name)); err != nil {
			f.wrong(x.name, err.Error())
		}
	}
	f.sign(q, &m)
	if !f.bad() {
		if err := m.Check(); err != nil {
			f.Problem = lines.Sentence(lines.Clean(err.Error()))
		}
	}
	return m
}

// again marks what stands in the book already, so that a form that was sent twice
// is written down once.
func (f *form) again(w *Work, m *survey.Made) {
	if n, in := w.Book.Before(m); in != nil {
		f.wrong(fieldPieces, fmt.Sprintf("%d is written down already, in %s: leave it out, or strike that entry first", n, in.Ref.Short()))
		return
	}
	for _, e := range w.Book.Made {
		if e.Stands() && len(m.Pieces) == 0 && sameMade(&e.Made, m) {
			f.wrong(fieldNote, fmt.Sprintf("the same is written down already, in %s: if it was done twice, say so in the note", e.Ref.Short()))
			return
		}
	}
}

func sameMade(a, b *survey.Made) bool {
	return a.Where == b.Where && a.Part == b.Part && a.Spares == b.Spares && a.Length == b.Length &&
		slices.Equal(a.Kept, b.Kept) && slices.Equal(a.Used, b.Used) && a.When == b.When && a.Note == b.Note
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
	sh, err := s.sheetOf(work, bay)
	if err != nil {
		return err
	}
	q := r.PostForm
	part, err := survey.ParsePart(q.Get("part"))
	if err != nil {
		return badForm(err)
	}
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
	f := batchOf(s.bayURL(work.Book.Job.ID, bay.Place), sh, string(part), t, g, sent(q))
	m := f.batch(q, sh, t, g)
	f.stale(q, sh, "setting "+g.Name+" is still what was cut")
	if !f.bad() {
		f.again(work, &m)
	}
	if f.bad() {
		return s.render(w, http.StatusUnprocessableEntity, "sheet", s.sheetPage(r, work, sh, &f))
	}
	entry, err := s.Source.Record(work.Book.Job.ID.String(), m, nil)
	if err != nil {
		return err
	}
	http.Redirect(w, r, s.bayURL(work.Book.Job.ID, bay.Place)+"?noted="+url.QueryEscape(entry)+"#made", http.StatusSeeOther)
	return nil
}
