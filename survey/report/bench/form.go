package bench

import (
	"fmt"
	"net/http"
	"net/url"
	"slices"

	"pinchrod/survey/report/cutting"
	"pinchrod/survey/report/lines"
)

// form is something to write down, with what is wrong with it.
type form struct {
	ID, Action, Title, Button string
	Already                   string // what of it is written down already
	Open                      bool
	Problem                   string // with the form as a whole
	Hidden                    []hidden
	Fields                    []field
}

// field is one input of a form, with what is wrong with it.
type field struct {
	ID, Name, Label, Hint, Type, Mode string
	Value, Problem                    string
	Options                           []option // to choose from
	Long, Focus                       bool
}

// option is something that a field may be, and what it is called.
type option struct{ Value, Text string }

// hidden is what a form says of itself.
type hidden struct{ Name, Value string }

// The fields of the forms.
const (
	fieldPart, fieldNumber                = "part", "number"
	fieldLength, fieldPieces, fieldSpares = "length", "pieces", "spares"
	fieldKept, fieldUsed                  = "kept", "used"
	fieldBy, fieldWhen, fieldNote         = "by", "when", "note"
)

// signature are the fields that every form ends with.
var signature = []field{
	{Name: fieldBy, Label: "Cut by", Hint: "name or initials"},
	{Name: fieldWhen, Label: "Date", Type: "date"},
	{Name: fieldNote, Label: "Note", Long: true},
}

// fill gives the form its fields with some values in them.
func (f *form) fill(fields []field, values map[string]string) {
	for _, x := range slices.Concat(fields, signature) {
		x.ID, x.Value = f.ID+"-"+x.Name, values[x.Name]
		if x.Type == "" {
			x.Type = "text"
		}
		f.Fields = append(f.Fields, x)
	}
}

// sent are the values of a form as they came, safe to show again.
func sent(q url.Values) map[string]string {
	values := map[string]string{}
	for name := range q {
		values[name] = lines.Clean(q.Get(name))
	}
	values[fieldNote] = q.Get(fieldNote) // of several lines
	return values
}

// signed are the values that are likely to be right of any form: who is signed in,
// and today.
func (s *site) signed(r *http.Request) map[string]string {
	return map[string]string{fieldBy: lines.Clean(s.Who(r)), fieldWhen: s.today().Format("2006-01-02")}
}

// stale marks a form that was opened on another sheet than the one of now.
func (f *form) stale(q url.Values, sh *cutting.Sheet, look string) {
	if code := q.Get("code"); code != sh.Code {
		f.Problem = fmt.Sprintf("The sheet has changed since this form was opened: it was %s and is %s now. Look whether %s, then send it again.", lines.Clean(code), sh.Code, look)
	}
}

// wrong marks a field; the first that is marked gets the focus.
func (f *form) wrong(name, problem string) {
	focus := !f.bad()
	for i := range f.Fields {
		if x := &f.Fields[i]; x.Name == name && x.Problem == "" {
			x.Problem, x.Focus = lines.Sentence(lines.Clean(problem)), focus
		}
	}
}

func (f *form) bad() bool {
	return f.Problem != "" || slices.ContainsFunc(f.Fields, func(x field) bool { return x.Problem != "" })
}

// problems lead to what is wrong with a form, for the head of its page.
func (f *form) problems() (out []link) {
	if f.Problem != "" {
		out = append(out, link{"#" + f.ID, f.Problem})
	}
	for _, x := range f.Fields {
		if x.Problem != "" {
			out = append(out, link{"#" + x.ID, x.Label + ": " + x.Problem})
		}
	}
	return out
}

// badForm is a form that no page of ours sends.
func badForm(err error) error {
	if f := shown(err); f == errBig {
		return f
	}
	return &failure{http.StatusBadRequest, "The form is not understood", "Nothing was written. Open the page again and send the form from it.", err}
}
