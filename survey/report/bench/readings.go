package bench

import (
	"fmt"
	"math"
	"strings"

	"pinchrod/store/journal"
	"pinchrod/survey"
	"pinchrod/survey/asfound"
	"pinchrod/survey/fieldbook"
	"pinchrod/survey/report/figure"
	"pinchrod/survey/report/lines"
)

// readingLine is a reading with all that was said of it.
type readingLine struct {
	Name, Title, Value, U string
	Tool, By, Note        string
	Residual, W           string // empty for what no adjustment holds
	State                 string // used, suspect, struck, corrected, counted as it stands …
	Struck                bool   // drawn struck through
	Suspect               bool
	Says                  []string // why, by whom, and what to do
	Pictures              []pictureLine
}

// readingLines lists the readings of a place, those that do not count too.
func (s *site) readingLines(w *Work, place survey.Place, results []asfound.Result) (out []readingLine) {
	by := map[journal.Ref]*asfound.Result{}
	for i := range results {
		by[results[i].Ref] = &results[i]
	}
	for i := range w.Book.Entries {
		e := &w.Book.Entries[i]
		if e.Reading.Where != place {
			continue
		}
		l := readingOf(e, w.Kit)
		if r := by[e.Ref]; r != nil {
			l.adjusted(r, results)
		}
		l.Pictures = s.pictureLines(w.Book.PicturesOf(e.Ref))
		out = append(out, l)
	}
	return out
}

// readingOf is a reading by itself.
func readingOf(e *fieldbook.Entry, kit survey.Kit) readingLine {
	r := &e.Reading
	l := readingLine{Name: e.Ref.Short(), Title: lines.Clean(r.Title()), Note: lines.Clean(r.Note), State: "counts as it stands"}
	l.By = lines.Clean(strings.Join(nonEmpty(r.By, r.When), ", "))
	l.Value, l.Tool = lines.Clean(r.Text), lines.Clean(r.Tool)
	if k := r.Kind(); k != nil {
		l.Value = lines.Clean(r.Value.String())
		if u, err := r.StandardU(kit); err == nil {
			l.U = "±" + figure.Fixed(2*u, figure.Decimals(u)) + figure.Unit(k.Unit())
		}
		if l.Tool == "" {
			l.Tool = k.Tool
		}
	}
	if err := r.Check(); err != nil {
		l.State = "not used"
		l.Says = append(l.Says, "Not used: "+lines.Clean(err.Error())+".")
	}
	if e.Newer {
		l.State = "not used"
		l.Says = append(l.Says, "Written by a newer version: kept, not used.")
	}
	for _, k := range e.Kept {
		l.Says = append(l.Says, "Kept: "+ruled(k))
	}
	if len(e.Fixed) > 0 {
		l.State, l.Struck = "corrected", true
		var names []string
		for _, f := range e.Fixed {
			names = append(names, f.Short())
		}
		l.Says = append(l.Says, "Corrected by "+strings.Join(names, " and ")+".")
	}
	if r.Replaces != (journal.Ref{}) {
		l.Says = append(l.Says, "Corrects "+r.Replaces.Short()+".")
	}
	for _, k := range e.Struck {
		l.State, l.Struck = "struck", true
		l.Says = append(l.Says, "Struck: "+ruled(k))
	}
	return l
}

// adjusted says what the adjustment says of a reading.
func (l *readingLine) adjusted(r *asfound.Result, all []asfound.Result) {
	unit := r.Reading.Kind().Unit()
	l.State = "used"
	l.Residual = residual(r) + figure.Unit(unit)
	if !r.Unchecked {
		l.W = fmt.Sprintf("%+.1f", r.W)
	}
	if r.Kept != "" {
		l.State = "kept"
	}
	if r.Suspect {
		l.State, l.Suspect = "suspect", true
		say := fmt.Sprintf("Probably wrong by %s", figure.Signed(r.Error, unit))
		if r.Slip != "" {
			say += ", " + r.Slip
		}
		var rivals []string
		for _, i := range r.Rivals {
			rivals = append(rivals, all[i].Ref.Short())
		}
		if len(rivals) > 0 {
			say += "; as likely it is " + strings.Join(rivals, " or ")
		}
		l.Says = append(l.Says, lines.Clean(say)+". It is left out of the figures: read it again, then strike or keep it.")
	}
	if r.Unchecked {
		l.Says = append(l.Says, "Nothing checks it: a slip here would not be seen. It would be checked by "+lines.Clean(r.Check)+".")
	}
}

// residual is written to a tenth of the reading's U: one within it is not nought.
func residual(r *asfound.Result) string {
	s := figure.Fixed(r.Residual, figure.Decimals(r.U/10))
	if !strings.HasPrefix(s, "-") {
		s = "+" + s
	}
	return s
}

// ruled is a ruling in words.
func ruled(k fieldbook.Ruling) string {
	return lines.Clean(strings.Join(nonEmpty(k.Why, k.By, k.Time.Format("2 Jan 2006 15:04")), ", ")) + "."
}

func nonEmpty(s ...string) []string {
	var out []string
	for _, v := range s {
		if strings.TrimSpace(v) != "" {
			out = append(out, v)
		}
	}
	return out
}

// foretold is what the other readings foretell of one that was tried on the
// stair itself: a trial piece, a spacer walk.
type foretold struct {
	Name, Title, Predicted, Found, Difference, W, Says string
}

// odd is the W beyond which a difference is worth a second look: of a hundred
// honest ones five are (normal distribution). What is taken for a slip is farther
// off, and asfound names it.
const odd = 1.96

// foretoldLines tell of every trial piece and spacer walk that was adjusted.
func foretoldLines(results []asfound.Result) (out []foretold) {
	for i := range results {
		r := &results[i]
		if r.Reading.What != survey.Trial && r.Reading.What != survey.SpacerWalk {
			continue
		}
		unit := r.Reading.Kind().Unit()
		f := foretold{Name: r.Ref.Short(), Title: lines.Clean(r.Reading.Title()), Predicted: "nothing foretells it", Found: figure.Of(figure.Known(r.Value, r.U), unit)}
		if p := r.Predicted(); p.Known {
			off := figure.Known(r.Value-p.Value, math.Hypot(r.U, p.U))
			f.Predicted, f.Difference, f.W = figure.Of(p, unit), figure.Signed(off, unit), fmt.Sprintf("%+.1f", r.W)
			switch {
			case r.Suspect:
				f.Says = "Too far apart: one of the readings is probably wrong. See the suspect ones."
			case math.Abs(r.W) > odd:
				f.Says = "Farther apart than 19 of 20 honest ones: worth a second look."
			default:
				f.Says = "As good as the uncertainties say."
			}
		}
		out = append(out, f)
	}
	return out
}

// disagreement is a reading with two standing corrections.
type disagreement struct {
	Of      string
	Answers []string
}

func disagreements(w *Work, place survey.Place) (out []disagreement) {
	for _, d := range w.Book.Disagreements() {
		if d.Of.Reading.Where != place {
			continue
		}
		line := disagreement{Of: lines.Clean(d.Of.Ref.Short() + ", " + d.Of.Reading.Title() + ", " + d.Of.Reading.Value.String())}
		for _, e := range d.Answers {
			line.Answers = append(line.Answers, lines.Clean(strings.Join(nonEmpty(e.Ref.Short()+", "+e.Reading.Value.String(), e.Reading.By, e.Reading.When, e.Reading.Note), ", ")))
		}
		out = append(out, line)
	}
	return out
}
