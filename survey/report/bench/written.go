package bench

import (
	"fmt"
	"net/url"
	"regexp"
	"strconv"
	"strings"
	"time"

	"pinchrod/calc/unit"
	"pinchrod/survey"
)

// written is what a form says was made, as far as it can be read without the sheet,
// and what is wrong with its fields. Of the entry the place, part, pieces, spares,
// length, offcuts, signature and Recut are set; the sheet gives the rest.
type written struct {
	made  survey.Made
	wrong []mistake
}

// mistake is what is wrong with a field.
type mistake struct{ field, problem string }

func (w *written) mistake(field, problem string) { w.wrong = append(w.wrong, mistake{field, problem}) }

// mark marks the mistakes in a form.
func (f *form) mark(w *written) {
	for _, m := range w.wrong {
		f.wrong(m.field, m.problem)
	}
}

// readBatch reads the form of a batch. The error is of a part that no form of ours
// sends.
func readBatch(q url.Values, place survey.Place, today time.Time) (*written, error) {
	part, err := survey.ParsePart(q.Get(fieldPart))
	if err != nil {
		return nil, err
	}
	w := &written{made: survey.Made{Where: place, Part: part}}
	m := &w.made
	if m.Pieces, err = survey.ParseNumbers(m.Part, strings.TrimSpace(q.Get(fieldPieces))); err != nil {
		w.mistake(fieldPieces, err.Error())
	}
	if v := strings.TrimSpace(q.Get(fieldSpares)); v != "" {
		spares, err := strconv.ParseUint(v, 10, 32)
		if err != nil || spares > survey.MostSpares {
			w.mistake(fieldSpares, fmt.Sprintf("%q is no number of spares: write 0, 1, 2 …", v))
		}
		m.Spares = uint32(min(spares, survey.MostSpares))
	}
	cut := len(m.Pieces) > 0 || m.Spares > 0
	switch v := decimal(q.Get(fieldLength)); {
	case v == "" && cut:
		w.mistake(fieldLength, "measure a cut piece and write its length")
	case v != "":
		if m.Length, err = unit.ParseLength(v); err != nil {
			w.mistake(fieldLength, err.Error())
		} else if !cut {
			m.Length = 0 // offcuts alone: there is no piece that it would be of
		}
	}
	if m.Kept, err = survey.ParseOffcuts(q.Get(fieldKept)); err != nil {
		w.mistake(fieldKept, err.Error())
	}
	if m.Used, err = survey.ParseOffcuts(q.Get(fieldUsed)); err != nil {
		w.mistake(fieldUsed, err.Error())
	}
	w.sign(q, today)
	return w, nil
}

// readRecut reads the form of one piece that was cut again.
func readRecut(q url.Values, place survey.Place, today time.Time) *written {
	w := &written{made: survey.Made{Where: place, Recut: true}}
	m := &w.made
	var err error
	if m.Part, err = survey.ParsePart(strings.TrimSpace(q.Get(fieldPart))); err != nil {
		w.mistake(fieldPart, err.Error())
	}
	m.Pieces, err = survey.ParseNumbers(m.Part, strings.TrimSpace(q.Get(fieldNumber)))
	switch {
	case err != nil:
		w.mistake(fieldNumber, err.Error())
	case len(m.Pieces) != 1:
		w.mistake(fieldNumber, "write the number of one piece, counted from the lower post")
	}
	switch v := decimal(q.Get(fieldLength)); v {
	case "":
		w.mistake(fieldLength, "measure the piece that fitted and write its length")
	default:
		if m.Length, err = unit.ParseLength(v); err != nil {
			w.mistake(fieldLength, err.Error())
		}
	}
	w.sign(q, today)
	return w
}

// sign reads who made something, when, and the note.
func (w *written) sign(q url.Values, today time.Time) {
	m := &w.made
	var err error
	if m.By, err = survey.ParseWord(q.Get(fieldBy)); err != nil {
		w.mistake(fieldBy, err.Error())
	}
	if m.When, err = parseDay(q.Get(fieldWhen), today); err != nil {
		w.mistake(fieldWhen, err.Error())
	}
	if m.Note, err = survey.ParseNote(strings.ReplaceAll(q.Get(fieldNote), "\r\n", "\n")); err != nil {
		w.mistake(fieldNote, err.Error())
	}
}

// firstYear is before every book, and after every clock that was never set.
const firstYear = 2000

// parseDay reads when something was made: neither in the future, nor a slip of the
// century.
func parseDay(s string, today time.Time) (string, error) {
	when, err := survey.ParseDone(s, today)
	if err == nil && when != "" && when < fmt.Sprint(firstYear) {
		return "", fmt.Errorf("%s is before %d: write the day it was done", when, firstYear)
	}
	return when, err
}

var withComma = regexp.MustCompile(`^\s*\d+,\d+\s*$`)

// decimal is a field of one number, with a point where a comma was typed. The keypad
// that a browser shows for such a field has a comma alone where that is the custom,
// and here no second number can stand behind it. Everywhere else a comma is refused:
// in a cell of a sheet or a list of offcuts it may as well part two figures, or
// thousands, and a reading that is taken for another is worse than one that is
// asked for again.
func decimal(s string) string {
	if withComma.MatchString(s) {
		s = strings.Replace(s, ",", ".", 1)
	}
	return strings.TrimSpace(s)
}
