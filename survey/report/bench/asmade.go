package bench

import (
	"fmt"
	"strings"

	"pinchrod/calc/fit"
	"pinchrod/calc/unit"
	"pinchrod/store/journal"
	"pinchrod/survey"
	"pinchrod/survey/asfound"
	"pinchrod/survey/report"
	"pinchrod/survey/report/figure"
	"pinchrod/survey/report/lines"
)

// madeLine is an entry of what was cut, held against what is needed now.
type madeLine struct {
	ID, Name, What, Length, Sheet, By, Note string
	Now                                     *justNow // that just became of it; nil when nothing did
	Reading                                 string   // that it came to, by its name
	Struck                                  []string // why
	Wrong                                   string
	Chance                                  string // that all fit, in a sentence
	Off                                     []offLine
	CanStrike                               bool
	Strike                                  strikeForm
}

// offLine is a piece as made against the piece as needed.
type offLine struct {
	Number                          int
	Needed, Made, Error, InU, Means string
	Worst                           bool
}

// madeLines lists what was cut for a bay, struck entries too; by is whose name a
// strike would be under.
func (s *site) madeLines(w *Work, b *asfound.Bay, by string) (out []madeLine) {
	held := map[journal.Ref]*asfound.Made{}
	for i := range b.Made {
		held[b.Made[i].Ref] = &b.Made[i]
	}
	for _, e := range w.Book.Made {
		m := &e.Made
		if m.Where != b.Place {
			continue
		}
		l := madeLine{
			ID: madeID(e.Ref.Short()), Name: e.Ref.Short(), What: lines.Clean(whatMade(m)), Sheet: lines.Clean(m.Sheet), Note: lines.Clean(m.Note),
			By: lines.Clean(cutBy(m)),
		}
		if m.Length > 0 {
			l.Length = m.Length.String()
		}
		if e.Wrong != nil {
			l.Wrong = lines.Clean(e.Wrong.Error())
		}
		for _, k := range e.Struck {
			l.Struck = append(l.Struck, "Struck: "+ruled(k))
		}
		if len(e.Struck) == 0 {
			l.CanStrike = true
			l.Strike = strikeForm{What: l.Name, ID: "strike-" + e.Ref.String(), Action: s.jobURL(w.Book.Job.ID) + "/made/" + e.Ref.String() + "/strike", By: by}
		}
		if reading := w.Book.TrialOf(&e); reading != nil {
			l.Reading = reading.Ref.Short()
			l.Strike.What += " and its reading " + l.Reading
		}
		if h := held[e.Ref]; h != nil && e.Stands() {
			l.hold(h, w.Settings.House)
		}
		out = append(out, l)
	}
	return out
}

// cutBy says who cut something and when: "by Jo, 2026-11-19", or what is known of it.
func cutBy(m *survey.Made) string {
	by := m.By
	if by != "" {
		by = "by " + by
	}
	return strings.Join(nonEmpty(by, m.When), ", ")
}

// whatMade says what an entry is of: "spindles 1-9; 1 spare", or "spindle 5; cut
// again on site".
func whatMade(m *survey.Made) string {
	var parts []string
	name := string(m.Part)
	for _, k := range kinds {
		if k.part == m.Part {
			name = k.name
		}
	}
	if len(m.Pieces) == 1 {
		name = m.Part.Words()
	}
	if len(m.Pieces) > 0 {
		parts = append(parts, fmt.Sprintf("%s %s", name, survey.Numbers(m.Pieces)))
	} else {
		parts = append(parts, name)
	}
	if m.Spares > 0 {
		parts = append(parts, report.Count(int(m.Spares), "spare"))
	}
	if m.ToFit {
		parts = append(parts, "over length, to be trimmed on site")
	}
	if m.Recut {
		parts = append(parts, "cut again on site")
	}
	if len(m.Kept) > 0 {
		parts = append(parts, "offcuts kept: "+lengthsOf(m.Kept))
	}
	if len(m.Used) > 0 {
		parts = append(parts, "offcuts used: "+lengthsOf(m.Used))
	}
	return strings.Join(parts, "; ")
}

func lengthsOf(all []unit.Length) string {
	var out []string
	for _, l := range all {
		out = append(out, l.String())
	}
	return strings.Join(out, ", ")
}

// hold says how a batch is off what is needed, and by the best guess whether each
// piece fits.
func (l *madeLine) hold(m *asfound.Made, house fit.House) {
	switch {
	case m.P.Known && len(m.Off) == 1:
		l.Chance = fmt.Sprintf("It fits %s.", asfound.Chance(m.P.Value))
	case m.P.Known:
		l.Chance = fmt.Sprintf("All %d fit %s.", len(m.Off), asfound.Chance(m.P.Value))
	case m.Unknown != "":
		l.Chance = "Cannot be held against anything: " + lines.Clean(m.Unknown) + "."
	}
	for i, o := range m.Off {
		line := offLine{
			Number: o.Number, Needed: figure.Of(o.Predicted, "mm"), Made: figure.Fixed(o.Made, 2) + " mm",
			Error: figure.Signed(figure.Known(o.Error, o.U), "mm"), InU: fmt.Sprintf("%+.1f", o.InU()), Worst: i == m.Worst && len(m.Off) > 1,
		}
		switch {
		case m.Made.ToFit:
			line.Means = "long enough to trim"
			if o.Error < 0 {
				line.Means = "too short to trim"
			}
		case m.Made.Recut:
			line.Means = "cut until it fitted; this says how well it was foreseen"
		case o.Error > house.Long:
			line.Means = "too long"
		case o.Error < -house.Short:
			line.Means = "too short"
		default:
			line.Means = "within what fits"
		}
		l.Off = append(l.Off, line)
	}
}

// madeOf counts which pieces of each part of a bay stand as made.
func madeOf(w *Work, place survey.Place) map[survey.Part]map[uint32]string {
	out := map[survey.Part]map[uint32]string{}
	for _, e := range w.Book.Made {
		if e.Made.Where != place || !e.Stands() {
			continue
		}
		if out[e.Made.Part] == nil {
			out[e.Made.Part] = map[uint32]string{}
		}
		for _, n := range e.Made.Pieces {
			out[e.Made.Part][n] = e.Ref.Short()
		}
	}
	return out
}

// madeWords says how much of a bay is made.
func madeWords(w *Work, b *asfound.Bay) string {
	made := madeOf(w, b.Place)
	var out []string
	whole := true
	for _, k := range kinds {
		v := k.of(b)
		if v == nil {
			continue
		}
		n, of := len(made[k.part]), len(v.Needed.Mean)
		whole = whole && n >= of
		if n > 0 {
			out = append(out, fmt.Sprintf("%s %d of %d", k.name, n, of))
		}
	}
	switch {
	case len(out) == 0:
		return "nothing yet"
	case whole:
		return "all: " + strings.Join(out, ", ")
	}
	return strings.Join(out, ", ")
}
