package report

import (
	"fmt"
	"io"
	"strings"

	"pinchrod/survey"
	"pinchrod/survey/asfound"
	"pinchrod/survey/report/figure"
	"pinchrod/survey/report/lines"
)

// Advise writes which readings to take next, place by place, with what each
// would do and the minutes it takes.
func Advise(w io.Writer, job, rules string, proposals []asfound.Proposal, s Style) error {
	p := newPage(w, s)
	p.Heading(lines.Clean(job) + ", what to read next")
	if len(proposals) == 0 {
		p.Para("", "Nothing more is worth the time.")
	} else {
		p.proposals(proposals)
	}
	p.Blank()
	p.Para("", Caution(rules))
	return p.Err()
}

func (p *page) proposals(proposals []asfound.Proposal) {
	p.Para("", "Best first in each place; each counts those before it as taken.")
	place, minutes := survey.Place(""), 0.0
	for _, a := range proposals {
		if a.Reading.Where != place {
			place = a.Reading.Where
			p.Blank()
			p.Heading(string(place))
		}
		minutes += a.Minutes
		why := strings.Join(a.Gains, "; ")
		if why == "" {
			why = "a little of everything"
		}
		p.Para("  ", fmt.Sprintf("%s, %s min: %s", a.Reading.Title(), figure.Plain(a.Minutes), why))
	}
	p.Blank()
	p.Para("", fmt.Sprintf("All of it takes %s min. What is not listed is not worth the time.", figure.Plain(minutes)))
}

// Leave writes the end-of-visit check: what would be regretted later.
func Leave(w io.Writer, job, rules string, open []asfound.Open, s Style) error {
	p := newPage(w, s)
	p.Heading(lines.Clean(job) + ", before you leave")
	all := true
	for i := range open {
		o := &open[i]
		if o.Empty() && len(o.Up) == 0 {
			continue
		}
		p.Blank()
		p.Heading(string(o.Place))
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
	p.Blank()
	p.Para("", Caution(rules))
	return p.Err()
}
