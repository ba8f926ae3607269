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

// field is one input of a form, with what is wrong with it.
type field struct {
	ID, Name, Label, Hint, Type, Mode string
	Value, Problem                    string
	Long, Focus                       bool
}

// madeForm is the form for what was cut at one setting.
type madeForm struct {
	ID, Action, Part, Setting, Code string
	Title                           string
	Already                         string // what of it is written down already
	Open                            bool
	Problem                         string // with the form as a whole
	Fields                          []field
}

// The fields of the form, in the order they are filled in.
const (
	fieldLength, fieldPieces, fieldSpares = "length", "pieces", "spares"
	fieldKept, fieldUsed                  = "kept", "used"
	fieldBy, fieldWhen, fieldNote         = "by", "when", "note"
)

// formOf makes the form of a setting with some values in it.
func formOf(bayURL string, sh *cutting.Sheet, part string, t *cutting.Set, g *cutting.Setting, values map[string]string) madeForm {
	f := madeForm{
		ID: part + "-" + g.Name, Action: bayURL + "/made", Part: part, Setting: g.Name, Code: sh.Code,
		Title: fmt.Sprintf("%s, setting %s: write down what was cut", lines.Sentence(t.Kind.String() + "s")[:len(t.Kind.String())+1], g.Name),
	}
	for _, x := range []field{
		{Name: fieldLength, Label: "Length of a cut piece", Hint: fmt.Sprintf("measured along the %s, where the stop is; the sheet says %s mm", g.Side, figure.Fixed(g.Stop, 1)), Mode: "decimal"},
		{Name: fieldPieces, Label: "Which pieces", Hint: "numbers, such as 1-9 or 1, 2, 5; empty when none of the bay's"},
		{Name: fieldSpares, Label: "Spares cut with them", Hint: "how many", Mode: "numeric"},
		{Name: fieldKept, Label: "Offcuts kept", Hint: "lengths that went onto the rack, such as 412; 3 x 380"},
		{Name: fieldUsed, Label: "Offcuts used", Hint: "lengths that were taken from the rack"},
		{Name: fieldBy, Label: "Cut by", Hint: "name or initials"},
		{Name: fieldWhen, Label: "Date", Type: "date"},
		{Name: fieldNote, Label: "Note", Long: true},
	} {
		x.ID, x.Value = f.ID+"-"+x.Name, values[x.Name]
		if x.Type == "" {
			x.Type = "text"
		}
		f.Fields = append(f.Fields, x)
	}
	return f
}

// emptyForm is the form with what is likely in it: the pieces that are not
// written down yet, today, and who is signed in.
func (s *site) emptyForm(r *http.Request, bayURL string, sh *cutting.Sheet, part string, t *cutting.Set, g *cutting.Setting, made map[uint32]string) madeForm {
	var left, done []uint32
	for _, n := range g.Pieces {
		if _, ok := made[uint32(n)]; ok {
			done = append(done, uint32(n))
		} else {
			left = append(left, uint32(n))
		}
	}
	values := map[string]string{
		fieldPieces: numbersOf(left), fieldSpares: "0", fieldBy: lines.Clean(s.Who(r)), fieldWhen: s.today().Format("2006-01-02"),
	}
	if len(done) == 0 {
		values[fieldSpares] = strconv.Itoa(g.Spares)
	}
	f := formOf(bayURL, sh, part, t, g, values)
	switch {
	case len(left) == 0:
		f.Already = "all of them are written down"
	case len(done) > 0:
		f.Already = numbersOf(done) + " written down already"
	}
	return f
}

// wrong marks a field; the first that is marked gets the focus.
func (f *madeForm) wrong(name, problem string) {
	focus := !f.bad()
	for i := range f.Fields {
		if x := &f.Fields[i]; x.Name == name && x.Problem == "" {
			x.Problem, x.Focus = lines.Sentence(lines.Clean(problem)), focus
		}
	}
}

func (f *madeForm) bad() bool {
	return f.Problem != "" || slices.ContainsFunc(f.Fields, func(x field) bool { return x.Problem != "" })
}

// take puts a form that was sent in the place of the empty one.
func (p *sheetPage) take(sent madeForm) {
	sent.Open = true
	if sent.Problem != "" {
		p.Bad = append(p.Bad, link{"#" + sent.ID, sent.Problem})
	}
	for _, x := range sent.Fields {
		if x.Problem != "" {
			p.Bad = append(p.Bad, link{"#" + x.ID, x.Label + ": " + x.Problem})
		}
	}
	for i := range p.Sets {
		for j := range p.Sets[i].Forms {
			if f := &p.Sets[i].Forms[j]; f.ID == sent.ID {
				sent.Already = f.Already
				*f = sent
			}
		}
	}
}

// farthest a cut piece may be off its stop, mm: what is more is another setting's
// piece or a slip of the pen. Common practice, no source.
const farthest = 20

// read takes what was sent, and marks what is wrong with it.
func (f *madeForm) read(q url.Values, sh *cutting.Sheet, t *cutting.Set, g *cutting.Setting) survey.Made {
	value := func(name string) string { return strings.TrimSpace(q.Get(name)) }
	numbers, err := parseNumbers(value(fieldPieces))
	if err != nil {
		f.wrong(fieldPieces, err.Error())
	}
	spares := uint64(0)
	if v := value(fieldSpares); v != "" {
		if spares, err = strconv.ParseUint(v, 10, 32); err != nil || spares > mostNumbers {
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
			f.wrong(fieldLength, fmt.Sprintf("%s is %s mm off the stop of %s mm: measure again, and look whether it is of this setting", length, figure.Fixed(math.Abs(off), 1), figure.Fixed(g.Stop, 1)))
		}
	}
	m := sh.Made(t, g, length)
	m.Pieces, m.Spares = numbers, uint32(spares)
	if len(numbers) == 0 && spares == 0 {
		m.Length, m.Line = 0, 0
	}
	for _, n := range numbers {
		if !slices.Contains(g.Pieces, int(n)) {
			f.wrong(fieldPieces, fmt.Sprintf("%d is not cut at setting %s: that makes %s", n, g.Name, namesOf(t, g.Pieces)))
		}
	}
	for _, x := range []struct {
		name string
		into *[]unit.Length
	}{{fieldKept, &m.Kept}, {fieldUsed, &m.Used}} {
		if *x.into, err = parseOffcuts(q.Get(x.name)); err != nil {
			f.wrong(x.name, err.Error())
		}
	}
	if m.By, err = survey.ParseWord(q.Get(fieldBy)); err != nil {
		f.wrong(fieldBy, err.Error())
	}
	if m.When, err = survey.ParseWhen(q.Get(fieldWhen)); err != nil {
		f.wrong(fieldWhen, err.Error())
	}
	if m.Note, err = survey.ParseNote(strings.ReplaceAll(q.Get(fieldNote), "\r\n", "\n")); err != nil {
		f.wrong(fieldNote, err.Error())
	}
	if !f.bad() {
		if err := m.Check(); err != nil {
			f.Problem = lines.Sentence(lines.Clean(err.Error()))
		}
	}
	return m
}

// again marks what stands in the book already, so that a form that was sent twice
// is written down once.
func (f *madeForm) again(w *Work, m *survey.Made) {
	made := madeOf(w, m.Where)[m.Part]
	for _, n := range m.Pieces {
		if by, ok := made[n]; ok {
			f.wrong(fieldPieces, fmt.Sprintf("%d is written down already, in %s: leave it out, or strike that entry first", n, by))
			return
		}
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
	values := map[string]string{}
	for name := range q {
		values[name] = lines.Clean(q.Get(name))
	}
	values[fieldNote] = q.Get(fieldNote) // of several lines
	f := formOf(s.bayURL(work.Book.Job.ID, bay.Place), sh, string(part), t, g, values)
	m := f.read(q, sh, t, g)
	if code := q.Get("code"); code != sh.Code {
		f.Problem = fmt.Sprintf("The sheet has changed since this form was opened: it was %s and is %s now. Look whether setting %s is still what was cut, then send it again.", lines.Clean(code), sh.Code, g.Name)
	}
	if !f.bad() {
		f.again(work, &m)
	}
	if f.bad() {
		return s.render(w, http.StatusUnprocessableEntity, "sheet", s.sheetPage(r, work, sh, &f))
	}
	entry, err := s.Source.Record(work.Book.Job.ID.String(), m)
	if err != nil {
		return err
	}
	http.Redirect(w, r, s.bayURL(work.Book.Job.ID, bay.Place)+"?noted="+url.QueryEscape(entry)+"#made", http.StatusSeeOther)
	return nil
}

// badForm is a form that no page of ours sends.
func badForm(err error) error {
	if f := shown(err); f == errBig {
		return f
	}
	return &failure{http.StatusBadRequest, "The form is not understood", "Nothing was written. Open the page again and send the form from it.", err}
}
