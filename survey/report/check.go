package report

import (
	"cmp"
	"fmt"
	"io"
	"math"
	"slices"
	"strings"

	"pinchrod/calc/rules"
	"pinchrod/survey/asfound"
	"pinchrod/survey/report/figure"
	"pinchrod/survey/report/lines"
)

// Check writes the page of a job: for each bay how it is cut, then what is out
// and what to do, then the figures. Checks that are clear are a number, unless
// all of them are asked for.
func Check(w io.Writer, f *asfound.Findings, all bool, s Style) error {
	p := newPage(w, s)
	p.all = all
	p.Heading(lines.Clean(f.Job) + ", as found")
	for _, n := range f.Notes {
		p.Para("  note: ", n)
	}
	if len(f.Bays) > 1 {
		p.summary(f)
	}
	for i := range f.Bays {
		p.bay(&f.Bays[i])
	}
	for i := range f.Flights {
		p.flight(&f.Flights[i])
	}
	if len(f.Bays) == 0 {
		p.Blank()
		p.Para("", "No bay has a reading yet: write them in the field sheet as FLIGHT/BAY, such as F1/left.")
	}
	p.Blank()
	p.Para("", Holds)
	p.Para("", Caution(f.Rules))
	return p.Err()
}

// Holds says what ± means, once on a page.
const Holds = "± holds 19 times in 20."

// summary is a line for each bay, for whoever reads no further.
func (p *page) summary(f *asfound.Findings) {
	p.Blank()
	rows := [][]string{{"bay", "spindles", "fillets, mm", "out of true"}}
	for i := range f.Bays {
		b := &f.Bays[i]
		rows = append(rows, []string{string(b.Place), InShort(b), FilletsInShort(b), outOfTrue(b.Flags)})
	}
	for i := range f.Flights {
		fl := &f.Flights[i]
		if slices.ContainsFunc(fl.Flags, func(f asfound.Flag) bool { return f.State != rules.Clear }) {
			rows = append(rows, []string{string(fl.Place), "the flight", "", outOfTrue(fl.Flags)})
		}
	}
	if p.narrow() {
		for _, r := range rows[1:] {
			if r[2] != "" {
				r[1] += "; fillets " + r[2]
			}
			p.labelled(r[0], fmt.Sprintf("%s; out of true: %s", r[1], r[3]))
		}
		return
	}
	for i, r := range rows {
		line := "  " + lines.Pad(r[0], 12) + "  " + lines.Pad(r[1], 22) + "  " + lines.Pad(r[2], 15) + "  "
		if i == 0 {
			p.Line(p.Bold(line + r[3]))
			continue
		}
		p.Para(line, r[3])
	}
}

// outOfTrue names the flags that are up, and with a question mark those that
// cannot be told yet, each name once.
func outOfTrue(flags []asfound.Flag) string {
	var up, unsure []string
	for _, f := range flags {
		switch f.State {
		case rules.Flag:
			up = append(up, f.Name)
		case rules.Unsure:
			unsure = append(unsure, f.Name+"?")
		}
	}
	slices.Sort(up)
	slices.Sort(unsure)
	up, unsure = slices.Compact(up), slices.Compact(unsure)
	if len(up)+len(unsure) == 0 {
		return "nothing found"
	}
	return strings.Join(append(up, unsure...), " ")
}

func (p *page) flight(f *asfound.Flight) {
	if f.Readings == 0 && len(f.Flags) == 0 {
		return
	}
	p.Blank()
	p.Heading(string(f.Place))
	p.flags(f.Flags)
	p.steps(f)
	if pl := f.Plan; pl != nil {
		p.labelled("plan", fmt.Sprintf("top end off to the right by %s; top edge out of square by %s over the width, + right end up; corners bottom left %s, bottom right %s, top left %s, top right %s",
			figure.Signed(pl.Swing, "mm"), figure.Signed(pl.Skew, "mm"), figure.Of(pl.Corners[0], "°"), figure.Of(pl.Corners[1], "°"), figure.Of(pl.Corners[2], "°"), figure.Of(pl.Corners[3], "°")))
	}
	p.readings(f.Results)
	for _, n := range f.Notes {
		p.labelled("note", n)
	}
	p.sources(f.Flags)
	if len(f.Flags) == 0 && len(f.Steps) == 0 && f.Plan == nil {
		p.labelled("readings", fmt.Sprintf("%s of the flight itself, too few to judge it by", count(f.Readings, "reading")))
	}
}

// steps is a table of the steps as adjusted.
func (p *page) steps(f *asfound.Flight) {
	if len(f.Steps) == 0 {
		return
	}
	p.labelled("flight", fmt.Sprintf("rise %s, going %s, pitch %s", figure.Of(f.TotalRise, "mm"), figure.Of(f.TotalGoing, "mm"), figure.Of(f.Pitch, "°")))
	show := func(q asfound.Quantity, unit string) string {
		if !q.Known {
			return "-"
		}
		return figure.Of(q, unit)
	}
	for _, s := range f.Steps {
		if p.narrow() {
			p.Line(fmt.Sprintf("  %2d %s %s", s.Number, lines.Pad(show(s.Rise, "mm"), 16), show(s.Going, "mm")))
			continue
		}
		p.Line(fmt.Sprintf("  step %2d       rise %s going %s pitch %s", s.Number, lines.Pad(show(s.Rise, "mm"), 16), lines.Pad(show(s.Going, "mm"), 16), show(s.Pitch, "°")))
	}
}

func (p *page) bay(b *asfound.Bay) {
	p.Blank()
	p.Heading(string(b.Place))
	p.decisions(b)
	p.flags(b.Flags)
	p.made(b)
	p.found(b)
	p.doubt(b)
	p.sources(b.Flags)
}

// decisions say how the pieces are cut, and what to read before.
func (p *page) decisions(b *asfound.Bay) {
	for _, d := range Decisions(b) {
		p.labelled(d.Kind, strings.Join(nonEmpty(lines.Sentence(d.Do), lines.Sentence(d.Why)), " "))
		p.labelled("read first", strings.Join(d.Next, ". "))
		p.labelled("or else", strings.Join(d.Ways, "; "))
	}
	p.labelled("not yet", NotYet(b))
	p.labelled("read again", Doubtful(b))
	p.labelled("spacing", Spacing(b))
	for i := range b.Spacers {
		p.labelled("spacers", SpacerWords(&b.Spacers[i]))
	}
}

// labelled is one line of a bay's block: a label in the left column and what
// it says beside it; on a narrow page, after it.
func (p *page) labelled(label, text string) {
	if text == "" {
		return
	}
	if p.narrow() {
		for i, l := range lines.Wrap(label+": "+lines.Clean(text), p.Style.Width-4) {
			p.Line(strings.Repeat(" ", 2+2*min(i, 1)) + l)
		}
		return
	}
	p.Para(lines.Pad("  "+label, 16), text)
}

func (p *page) flags(flags []asfound.Flag) {
	order := map[rules.State]int{rules.Flag: 0, rules.Unsure: 1, rules.Clear: 2}
	flags = slices.Clone(flags)
	slices.SortStableFunc(flags, func(a, b asfound.Flag) int { return order[a.State] - order[b.State] })
	clear := 0
	for _, f := range flags {
		if f.State == rules.Clear {
			clear++
		}
	}
	for _, f := range gathered(p.shown(flags)) {
		mark := map[rules.State]string{
			rules.Flag: p.Render(lines.Red, "FLAG"), rules.Unsure: p.Render(lines.Yellow, "unsure"), rules.Clear: "clear",
		}[f.State]
		p.flag(mark, f)
	}
	if clear == 0 || p.all {
		return
	}
	other := ""
	if clear < len(flags) {
		other = "other "
	}
	verb := "are"
	if clear == 1 {
		verb = "is"
	}
	p.labelled("clear", fmt.Sprintf("%s %s clear; --all shows which", count(clear, other+"check"), verb))
}

// shown are the flags that a page shows: those that are clear only where all are
// asked for.
func (p *page) shown(flags []asfound.Flag) []asfound.Flag {
	if p.all {
		return flags
	}
	return slices.DeleteFunc(slices.Clone(flags), func(f asfound.Flag) bool { return f.State == rules.Clear })
}

// mostAlike is how many flags of one name and state a page shows one by one: when
// every step of a flight is off, one of them and their number say it.
const mostAlike = 3

// gathered puts what is alike more than mostAlike times into one flag, the one
// farthest beyond its limit, which names the others.
func gathered(flags []asfound.Flag) []asfound.Flag {
	type kind struct {
		name  string
		state rules.State
	}
	by := map[kind][]asfound.Flag{}
	for _, f := range flags {
		k := kind{f.Name, f.State}
		by[k] = append(by[k], f)
	}
	var out []asfound.Flag
	for _, f := range flags {
		alike := by[kind{f.Name, f.State}]
		switch {
		case len(alike) <= mostAlike || f.Name == "slip" || f.Name == "tool":
			out = append(out, f)
		case len(alike) > 0 && alike[0].Of == f.Of:
			worst := slices.MaxFunc(alike, func(a, b asfound.Flag) int {
				return cmp.Compare(math.Abs(a.Value-a.Limit), math.Abs(b.Value-b.Limit))
			})
			var others []string
			for _, o := range alike {
				if o.Of != worst.Of {
					others = append(others, o.Of)
				}
			}
			worst.Text += fmt.Sprintf("; so it is with %d more: %s to %s", len(others), others[0], others[len(others)-1])
			out = append(out, worst)
		}
	}
	return out
}

// sources says where the limits come from, each source once.
func (p *page) sources(flags []asfound.Flag) {
	var from []string
	by := map[string][]string{}
	for _, f := range p.shown(flags) {
		if by[f.From] == nil {
			from = append(from, f.From)
		}
		if !slices.Contains(by[f.From], f.Name) {
			by[f.From] = append(by[f.From], f.Name)
		}
	}
	var all []string
	for _, s := range from {
		all = append(all, fmt.Sprintf("%s: %s", strings.Join(by[s], ", "), s))
	}
	p.labelled("limits", strings.Join(all, ". "))
}

// FlagFigure writes the figure of a flag and its limit; empty what says nothing.
func FlagFigure(f *asfound.Flag) (fig, limit string) {
	fig = figure.Signed(figure.Known(f.Value, f.U), f.Unit)
	if f.Absolute || f.Name == "two-answers" {
		fig = strings.TrimPrefix(fig, "+")
	}
	switch {
	case f.Name == "two-answers":
		fig = strings.Replace(fig, "±0.0 ", "", 1) + " apart"
	case f.Name == "opening" && f.Value == 0:
		fig = "no layout"
	case f.Unit == "" && f.Name == "tool":
		fig = "overdue"
	case f.Unit == "" && f.Limit == 0:
		fig = ""
	}
	switch {
	case f.Limit == 0:
	case f.Absolute || f.Name == "as-made": // as-made may be longer by another figure than shorter
		limit = fmt.Sprintf("limit %s%s", figure.Fixed(f.Limit, 1), figure.Unit(f.Unit))
	default:
		limit = fmt.Sprintf("limit ±%s%s", figure.Fixed(math.Abs(f.Limit), 1), figure.Unit(f.Unit))
	}
	return fig, limit
}

func (p *page) flag(mark string, f asfound.Flag) {
	fig, limit := FlagFigure(&f)
	if p.narrow() {
		p.Para("  "+lines.Pad(mark, 7), f.Name)
		p.Para("    ", strings.Join(nonEmpty(fig, limit), ", "))
	} else {
		p.Line("  " + lines.Pad(mark, 7) + " " + lines.Pad(f.Name, 19) + " " + lines.Pad(fig, 20) + " " + limit)
	}
	if f.State != rules.Clear {
		p.Para(lines.Pad("", p.under()), f.Of+". "+lines.Sentence(f.Text))
	}
}

// under is the column that sentences stand in.
func (p *page) under() int {
	if p.narrow() {
		return 4
	}
	return 10
}

// SpacerWords say how a spacer walk ended, and what the spacers are to be cut to.
func SpacerWords(s *asfound.Spacer) string {
	said := fmt.Sprintf("%d of %s mm end %s %s: ", s.Count, figure.Plain(s.Old), figure.Of(figure.Known(max(s.Short, -s.Short), s.U), "mm"), shortOver(s.Short))
	if s.Why != "" {
		return said + "cut none to it; " + s.Why
	}
	return said + "cut them " + figure.Of(figure.Known(s.New, s.U/float64(s.Count)), "mm")
}

func shortOver(v float64) string {
	if v < 0 {
		return "over"
	}
	return "short"
}

// ranges writes 1, 2, 3, 5 as "1-3, 5".
func ranges(n []int) string {
	var b strings.Builder
	for i := 0; i < len(n); {
		j := i
		for j+1 < len(n) && n[j+1] == n[j]+1 {
			j++
		}
		if b.Len() > 0 {
			b.WriteString(" and ")
		}
		fmt.Fprint(&b, n[i])
		if j > i {
			fmt.Fprintf(&b, "-%d", n[j])
		}
		i = j + 1
	}
	return "no. " + b.String()
}

// found are the adjusted figures.
func (p *page) found(b *asfound.Bay) {
	a := b.Adjusted
	if b.Chi2 == nil {
		return
	}
	p.labelled("run", figure.Of(a.Run, "mm"))
	p.labelled("pitch", fmt.Sprintf("base rail %s, handrail %s", figure.Of(a.BaseAngle, "°"), figure.Of(a.RailAngle, "°")))
	p.labelled("gap", fmt.Sprintf("bottom %s, middle %s, top %s", figure.Of(a.GapBottom, "mm"), figure.Of(a.GapMiddle, "mm"), figure.Of(a.GapTop, "mm")))
	p.labelled("readings", Agreement(b))
}

// Agreement says whether the readings agree with each other; empty where nothing
// could be adjusted.
func Agreement(b *asfound.Bay) string {
	c := b.Chi2
	switch {
	case c == nil:
		return ""
	case c.Checked < 0.5:
		return fmt.Sprintf("%d used; nothing checks them yet", len(b.Readings))
	}
	suspects := 0
	for i := range b.Readings {
		if b.Readings[i].Suspect {
			suspects++
		}
	}
	s := fmt.Sprintf("%d used", len(b.Readings)-suspects)
	if suspects > 0 {
		s += fmt.Sprintf(", %d set aside as suspect", suspects)
	}
	if c.P < 0.01 {
		return s + "; they agree worse than their ± says: trust ± less, and look for a slip"
	}
	return s + "; they agree"
}

// mostNamed is how many readings with one thing the matter are named.
const mostNamed = 4

// readings names those that were kept against the others, and those that
// nothing checks.
func (p *page) readings(results []asfound.Result) {
	for i := range results {
		if r := &results[i]; r.Kept != "" {
			off := figure.Known(r.Residual, r.U)
			p.labelled("kept", fmt.Sprintf("%s %s, %s off the adjusted figure: %s", r.Ref.Short(), r.Reading.Title(), figure.Signed(off, r.Reading.Kind().Unit()), r.Kept))
		}
	}
	// Many readings may want one and the same check.
	var checks []string
	by := map[string][]string{}
	for i := range results {
		if r := &results[i]; r.Unchecked {
			if by[r.Check] == nil {
				checks = append(checks, r.Check)
			}
			by[r.Check] = append(by[r.Check], r.Ref.Short()+" "+r.Reading.Title())
		}
	}
	for _, c := range checks {
		which := by[c]
		if more := len(which) - mostNamed; more > 1 {
			which = append(which[:mostNamed:mostNamed], fmt.Sprintf("%d more", more))
		}
		p.labelled("unchecked", fmt.Sprintf("%s: a slip there would not be seen; %s would check it", strings.Join(which, "; "), c))
	}
}

// doubt is what the figures rest on, and what they lack.
func (p *page) doubt(b *asfound.Bay) {
	p.readings(b.Readings)
	for i := 0; i < len(b.Missing); {
		m := b.Missing[i]
		titles := []string{m.Title()}
		for i++; i < len(b.Missing) && b.Missing[i].Why == m.Why; i++ {
			titles = append(titles, b.Missing[i].Title())
		}
		p.labelled("missing", fmt.Sprintf("%s: %s", strings.Join(titles, " and "), m.Why))
	}
	for _, n := range b.Notes {
		p.labelled("note", n)
	}
}

// Count writes a number of things.
func Count(n int, what string) string { return count(n, what) }

func count(n int, what string) string {
	if n == 1 {
		return "1 " + what
	}
	if stem, ok := strings.CutSuffix(what, "ry"); ok { // an entry
		return fmt.Sprintf("%d %sries", n, stem)
	}
	return fmt.Sprintf("%d %ss", n, what)
}
