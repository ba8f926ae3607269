package report

import (
	"fmt"
	"io"
	"slices"
	"strings"

	"pinchrod/survey"
	"pinchrod/survey/asfound"
	"pinchrod/survey/report/figure"
	"pinchrod/survey/report/lines"
)

// Advise writes which readings to take next, place by place, with what each
// does and the minutes it takes, and how each bay is cut as it stands.
func Advise(w io.Writer, f *asfound.Findings, s Style) error {
	p := newPage(w, s)
	p.Heading(lines.Clean(f.Job) + ", what to read next")
	if all := f.Proposals(); len(all) == 0 {
		p.Para("", "Nothing more is worth the time.")
	} else {
		p.proposals(all)
	}
	p.asItStands(f)
	p.Blank()
	p.Para("", Caution(f.Rules))
	return p.Err()
}

// asItStands says how each bay is cut with the readings that are there.
func (p *page) asItStands(f *asfound.Findings) {
	if len(f.Bays) == 0 {
		return
	}
	p.Blank()
	p.Heading("As it stands")
	for i := range f.Bays {
		b := &f.Bays[i]
		p.labelled(string(b.Place), lines.Sentence(Stands(b)))
	}
}

func (p *page) proposals(proposals []asfound.Proposal) {
	place, minutes := survey.Place(""), 0.0
	for _, a := range proposals {
		if a.Reading.Where != place {
			place = a.Reading.Where
			p.Blank()
			p.Heading(string(place))
		}
		minutes += a.Minutes
		p.Para("  ", Proposed(a))
	}
	p.Blank()
	p.Para("", fmt.Sprintf("All of it takes %s min. What is not listed is not worth the time.", figure.Plain(minutes)))
}

// Proposed says what a reading that is proposed takes, saves and does.
func Proposed(a asfound.Proposal) string {
	s := fmt.Sprintf("%s, %s min", a.Reading.Title(), figure.Plain(a.Minutes))
	if a.Worth > 0 {
		s += fmt.Sprintf(", saves %s min", figure.Fixed(a.Worth, 0))
	}
	return lines.Clean(s + ": " + strings.Join(a.Gains, "; "))
}

// Leave writes the end-of-visit check: what is still open.
func Leave(w io.Writer, f *asfound.Findings, open []asfound.Open, s Style) error {
	p := newPage(w, s)
	p.Heading(lines.Clean(f.Job) + ", before you leave")
	all := true
	for i := range open {
		o := &open[i]
		if o.Empty() && len(o.Up) == 0 {
			continue
		}
		p.Blank()
		p.Heading(string(o.Place))
		if i := slices.IndexFunc(f.Bays, func(b asfound.Bay) bool { return b.Place == o.Place }); i >= 0 {
			p.labelled("read again", ReadAgain(&f.Bays[i]))
		}
		p.labelled("suspect", strings.Join(o.Suspect, ", "))
		p.labelled("unsure", strings.Join(o.Unsure, ", "))
		p.labelled("unchecked", strings.Join(o.Unchecked, ", "))
		var missing []string
		for _, m := range o.Missing {
			missing = append(missing, m.Title())
		}
		p.labelled("missing", strings.Join(missing, "; "))
		p.labelled("out of true", strings.Join(o.Up, ", "))
		all = all && o.Empty()
	}
	p.Blank()
	if all {
		p.Para("", "Nothing is missing, suspect, unsure or unchecked: you can leave.")
	} else {
		p.Para("", "Not all is settled: advise says which readings are worth taking; strike or keep what is suspect.")
	}
	p.asItStands(f)
	p.Blank()
	p.Para("", Caution(f.Rules))
	return p.Err()
}
