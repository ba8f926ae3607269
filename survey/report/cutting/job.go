package cutting

import (
	"fmt"
	"io"
	"strings"

	"pinchrod/survey/report"
	"pinchrod/survey/report/lines"
	"pinchrod/survey/report/paper"
	"pinchrod/survey/report/scene"
)

// Job is the sheets of several bays of one job, and before them a summary of what
// each is cut to and of what is not to be cut yet.
type Job []*Sheet

// line is what the summary says of one kind of piece.
type line struct {
	what, count, stops string
	warn               string // what to do before it is cut, empty when it can be cut
}

// summary is what the summary says of a bay.
func (s *Sheet) summary() (all []line) {
	for i := range s.Sets {
		t := &s.Sets[i]
		l := line{what: t.Kind.String() + "s", count: fmt.Sprintf("%d + %d spare", len(t.Pieces), t.Spares), stops: t.summary()}
		switch {
		case !t.Final():
			l.warn = t.NotYet()
		case t.WalkFirst:
			l.warn = "Walk the spacer before the fillets are cut: 4 min."
		}
		if n := len(all); n > 0 && all[n-1].warn == l.warn { // once is enough
			all[n-1].warn = ""
		}
		all = append(all, l)
	}
	return all
}

// summary says what a set is cut to, in few words: "805.5", "16 lengths, 793.5 to
// 807.0".
func (t *Set) summary() string {
	const most = 4 // that are told one by one
	stops := t.stops()
	switch n := len(stops); {
	case !t.Final():
		return "not yet"
	case n == 0:
		return "fit each, from " + t.StopText(&t.Settings[0])
	case n > most:
		return fmt.Sprintf("%d lengths, %s to %s", n, t.StopText(stops[0]), t.StopText(stops[n-1]))
	default:
		out := make([]string, n)
		for i, g := range stops {
			out[i] = t.StopText(g)
		}
		return strings.Join(out, ", ")
	}
}

// about says what the job's sheets are, and in what they count.
func (j Job) about() string {
	return fmt.Sprintf("%s, printed %s Stops are in %s. The sheet of each bay follows, with its bevels.", report.Count(len(j), "bay"), j[0].AsOf(), j[0].Rule.Named())
}

// Text writes the sheets one below the other; of several bays the summary first.
func (j Job) Text(w io.Writer, style report.Style) error {
	if len(j) > 1 {
		p := lines.NewSheet(w, style)
		p.Heading(j[0].Job + ": what to cut")
		p.Para("", j.about())
		for _, s := range j {
			p.Blank()
			p.Heading(fmt.Sprintf("%s  %s", s.Bay, s.Code))
			for _, b := range s.Banners() {
				p.Para("  ", b)
			}
			for _, l := range s.summary() {
				if p.Narrow() {
					p.Para("  ", fmt.Sprintf("%s, %s: %s", l.what, l.count, l.stops))
				} else {
					p.Line(fmt.Sprintf("  %-13s %-14s  %s", l.what, l.count, l.stops))
				}
				if l.warn != "" {
					p.Para("    ", l.warn)
				}
			}
		}
		p.Blank()
		if err := p.Err(); err != nil {
			return err
		}
	}
	for i, s := range j {
		if i > 0 {
			if _, err := fmt.Fprintln(w); err != nil {
				return err
			}
		}
		if err := s.Text(w, style); err != nil {
			return err
		}
	}
	return nil
}

// Pages are the sheets of all bays; of several bays the summary first, which is on
// one page while it has room there.
func (j Job) Pages() []scene.Page {
	var out []scene.Page
	if len(j) > 1 {
		out = j.front()
	}
	for _, s := range j {
		out = append(out, s.Pages()...)
	}
	return out
}

// front is the page of the summary.
func (j Job) front() []scene.Page {
	const (
		colCount = paper.Margin + 40
		colStops = paper.Margin + 75
		step     = 6.4
	)
	p := paper.New(scene.PaperFor(j[0].Rule.Inches))
	title := lines.Clean(j[0].Job)
	p.Title = title + ": what to cut"
	p.Head = func(page *scene.Page) {
		p.Coded(page, title, lines.Clean(j.about()), "")
		p.Foot(page, title+", what to cut")
	}
	p.Turn()
	for _, s := range j {
		p.Together(p.Full(), func(p *paper.Paper) {
			p.Need(4 * step)
			p.Y += 10
			p.Add(paper.Within(paper.Say(paper.Margin, p.Y, lines.Clean(string(s.Bay)), paper.HeadLine, true), paper.TextWide-45), paper.Ends(paper.Edge, p.Y, s.Code, paper.HeadLine, true))
			p.Y += 1.6
			p.Rule(scene.W35)
			for _, b := range s.Banners() {
				p.Para(paper.Margin, b, paper.CardHigh, true)
			}
			for _, l := range s.summary() {
				p.Need(step)
				p.Y += step
				p.Add(paper.Say(paper.Margin, p.Y, l.what, paper.FigHigh, false), paper.Within(paper.Say(colCount, p.Y, l.count, paper.FigHigh, false), colStops-colCount-3),
					paper.Within(paper.Say(colStops, p.Y, l.stops, paper.FigHigh, true), paper.Edge-colStops))
				if l.warn != "" {
					p.Para(colCount, l.warn, paper.CardHigh, true)
				}
			}
		})
	}
	p.Need(16)
	p.Y += 3
	p.Para(paper.Margin, j[0].Caution, paper.BodyHigh, true)
	p.Number()
	return p.Pages
}
