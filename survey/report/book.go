package report

import (
	"fmt"
	"io"
	"strings"

	"pinchrod/survey"
	"pinchrod/survey/fieldbook"
	"pinchrod/survey/report/figure"
	"pinchrod/survey/report/lines"
)

// Book writes every reading of a job as a table, each flight and bay under its
// own heading, with its U by kit. Struck and corrected readings are struck
// through, and what was ruled stands under them.
func Book(w io.Writer, b *fieldbook.Book, kit survey.Kit, rules string, s Style) error {
	p := newPage(w, s)
	p.Heading(b.Job.Name)
	p.Para("", fmt.Sprintf("%s, %d standing. %s", count(len(b.Entries), "reading"), len(b.Standing()), Holds))
	by := map[survey.Place][]*fieldbook.Entry{}
	for i := range b.Entries {
		e := &b.Entries[i]
		by[e.Reading.Where] = append(by[e.Reading.Where], e)
	}
	made := map[survey.Place][]*fieldbook.Made{}
	for i := range b.Made {
		m := &b.Made[i]
		made[m.Made.Where] = append(made[m.Made.Where], m)
	}
	for _, place := range b.Places() {
		if len(by[place])+len(made[place]) == 0 {
			continue
		}
		p.Blank()
		p.Heading(string(place))
		name, title, value := 0, 0, 0
		for _, e := range by[place] {
			name, title, value = max(name, lines.Width(e.Ref.Short())), max(title, lines.Width(e.Reading.Title())), max(value, lines.Width(valueOf(e, kit)))
		}
		for _, e := range by[place] {
			p.entry(e, kit, name, title, value)
		}
		for _, m := range made[place] {
			p.madeEntry(m, name)
		}
	}
	p.Blank()
	p.Para("", Caution(rules))
	return p.Err()
}

func (p *page) entry(e *fieldbook.Entry, kit survey.Kit, name, title, value int) {
	id, t, v := e.Ref.Short(), lines.Clean(e.Reading.Title()), lines.Clean(valueOf(e, kit))
	stands := e.Stands()
	rest := lines.Clean(strings.Join(nonEmpty(e.Reading.By, e.Reading.When, e.Reading.Tool, e.Reading.Note), ", "))
	indent := "  " + lines.Pad("", name) + "  "
	// Of the columns, the last goes under the others where it has no room.
	title, value = title+p.marks(), value+p.marks()
	wide := 2 + name + 2 + title + 2 + value + 2
	switch {
	case p.Style.Width >= wide+12:
		p.Para("  "+lines.Pad(id, name)+"  "+lines.Pad(p.struck(t, !stands), title)+"  "+lines.Pad(p.struck(v, !stands), value)+"  ", rest)
	case p.Style.Width >= wide:
		p.Line("  " + lines.Pad(id, name) + "  " + lines.Pad(p.struck(t, !stands), title) + "  " + p.struck(v, !stands))
		if rest != "" {
			p.Para(indent, rest)
		}
	default:
		for i, l := range lines.Wrap(t, p.Style.Width-lines.Width(indent)-4) {
			lead := indent
			if i == 0 {
				lead = "  " + lines.Pad(id, name) + "  "
			}
			p.Line(lead + p.struck(l, !stands))
		}
		for _, l := range lines.Wrap(v, p.Style.Width-lines.Width(indent)-4) {
			p.Line(indent + p.struck(l, !stands))
		}
		if rest != "" {
			p.Para(indent, rest)
		}
	}
	p.rulings(indent, "struck", e.Struck)
	p.rulings(indent, "kept", e.Kept)
	if len(e.Fixed) > 0 {
		var names []string
		for _, f := range e.Fixed {
			names = append(names, f.Short())
		}
		p.Para(indent, "corrected by "+strings.Join(names, " and "))
	}
	if e.Newer {
		p.Para(indent, "written by a newer version: kept, not used")
	}
}

// madeEntry is a line of what was made, under the readings of its bay.
func (p *page) madeEntry(m *fieldbook.Made, name int) {
	indent := "  " + lines.Pad("", name) + "  "
	for i, l := range lines.Wrap("made: "+MadeTitle(&m.Made), p.Style.Width-lines.Width(indent)-4) {
		lead := indent
		if i == 0 {
			lead = "  " + lines.Pad(m.Ref.Short(), name) + "  "
		}
		p.Line(lead + p.struck(l, len(m.Struck) > 0))
	}
	p.rulings(indent, "struck", m.Struck)
	if m.Wrong != nil {
		p.Para(indent, "not used: "+m.Wrong.Error())
	}
}

// rulings are the lines of what was ruled on an entry.
func (p *page) rulings(indent, past string, all []fieldbook.Ruling) {
	for _, r := range all {
		p.Para(indent, past+": "+strings.Join(nonEmpty(r.Why, r.By, r.Time.Format("2006-01-02 15:04")), ", "))
	}
}

// struck draws a line through text: by the terminal where it can, else by a
// pair of tildes on either side.
func (p *page) struck(s string, struck bool) string {
	switch {
	case !struck:
		return s
	case p.Style.Colour:
		return p.Render(lines.Struck, s)
	}
	return "~~" + s + "~~"
}

// marks is how many columns struck takes on top of the text, which a row that
// stands leaves empty so that the columns agree.
func (p *page) marks() int {
	if p.Style.Colour {
		return 0
	}
	return 4
}

func valueOf(e *fieldbook.Entry, kit survey.Kit) string {
	r := &e.Reading
	k := r.Kind()
	if k == nil {
		return r.Text
	}
	v := r.Value.String()
	if r.Check() != nil {
		return v + " (not believable, not used)"
	}
	u, err := r.StandardU(kit)
	if err != nil {
		return v
	}
	unit := k.Unit()
	return v + " ±" + figure.Fixed(2*u, figure.Decimals(u)) + figure.Unit(unit)
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
