package report

import (
	"cmp"
	"fmt"
	"io"
	"math"
	"slices"
	"strings"

	"pinchrod/calc/fit"
	"pinchrod/calc/rules"
	"pinchrod/survey/asfound"
	"pinchrod/survey/report/figure"
	"pinchrod/survey/report/lines"
)

// Check writes the page of a job: for each bay what is out, by how much, how
// sure, and what to do.
func Check(w io.Writer, f *asfound.Findings, s Style) error {
	p := newPage(w, s)
	p.Heading(lines.Clean(f.Job) + ", as found")
	p.Para("", "± is U = 2u: the true figure is within it 95 times in 100.")
	for _, n := range f.Notes {
		p.Para("  note: ", n)
	}
	if len(f.Bays) > 1 {
		p.summary(f.Bays)
	}
	for i := range f.Flights {
		p.flight(&f.Flights[i])
	}
	for i := range f.Bays {
		p.bay(&f.Bays[i])
	}
	if len(f.Bays) == 0 {
		p.Blank()
		p.Para("", "No bay has a reading yet: write them in the field sheet as FLIGHT/BAY, such as F1/left.")
	}
	p.Blank()
	p.Para("", Caution(f.Rules))
	return p.Err()
}

// summary is a line for each bay, for whoever reads no further.
func (p *page) summary(bays []asfound.Bay) {
	p.Blank()
	rows := [][]string{{"bay", "out of true", "spindles", "base fillets", "rail fillets"}}
	for i := range bays {
		b := &bays[i]
		var up, unsure []string
		for _, f := range b.Flags {
			switch f.State {
			case rules.Flag:
				up = append(up, f.Name)
			case rules.Unsure:
				unsure = append(unsure, f.Name+"?")
			}
		}
		out := strings.Join(append(up, unsure...), " ")
		if out == "" {
			out = "nothing found"
		}
		n := "none yet"
		if b.Layout != nil {
			n = fmt.Sprint(b.Layout.Count)
			if b.Spindles != nil {
				n += " " + string(b.Spindles.Cut)
			}
		}
		rows = append(rows, []string{string(b.Place), out, n, cutOf(b.BaseFillets), cutOf(b.RailFillets)})
	}
	if p.narrow() {
		for _, r := range rows[1:] {
			p.labelled(r[0], fmt.Sprintf("%s; spindles %s, fillets %s and %s", r[1], r[2], r[3], r[4]))
		}
		return
	}
	for i, r := range rows {
		line := "  " + lines.Pad(r[0], 12) + "  " + lines.Pad(r[2], 17) + "  " + lines.Pad(r[3], 12) + "  " + lines.Pad(r[4], 12) + "  "
		if i == 0 {
			p.Line(p.Bold(line + r[1]))
			continue
		}
		p.Para(line, r[1])
	}
}

func cutOf(v *asfound.Verdict) string {
	if v == nil {
		return "not known"
	}
	return string(v.Cut)
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
	p.flags(b.Flags)
	p.cutting(b)
	p.made(b)
	p.found(b)
	p.doubt(b)
	p.sources(b.Flags)
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
	for _, f := range gathered(flags) {
		mark := map[rules.State]string{
			rules.Flag: p.Render(lines.Red, "FLAG"), rules.Unsure: p.Render(lines.Yellow, "unsure"), rules.Clear: "clear",
		}[f.State]
		p.flag(mark, f)
	}
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
	for _, f := range flags {
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

func (p *page) flag(mark string, f asfound.Flag) {
	fig := figure.Signed(figure.Known(f.Value, f.U), f.Unit)
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
	limit := fmt.Sprintf("limit %s%s", figure.Fixed(f.Limit, 1), figure.Unit(f.Unit))
	if f.Limit == 0 {
		limit = ""
	}
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

// cutting says how many spindles go where and how the pieces are cut.
func (p *page) cutting(b *asfound.Bay) {
	l := b.Layout
	if l == nil {
		return
	}
	p.labelled("spacing", fmt.Sprintf("%s %s mm wide, clear gap %s, widest %s%s",
		count(l.Count, "spindle"), figure.Plain(l.Width), figure.Of(l.Clear, "mm"), figure.Of(l.Widest, "mm"), runnerUp(l)))
	for _, k := range []struct {
		name, along string
		v           *asfound.Verdict
	}{{"spindles", onCentre, b.Spindles}, {"base fillets", alongRail, b.BaseFillets}, {"rail fillets", alongRail, b.RailFillets}} {
		if k.v == nil {
			continue
		}
		p.labelled(k.name, string(k.v.Cut)+": "+lengths(k.v, k.along)+". "+lines.Sentence(k.v.Why))
	}
	if b.NoPieces != "" {
		p.labelled("pieces", "not all: "+b.NoPieces)
	}
	for i := range b.Spacers {
		p.labelled("spacers", SpacerWords(&b.Spacers[i]))
	}
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

func runnerUp(l *asfound.Layout) string {
	if l.RunnerUp == nil {
		return ""
	}
	gap := figure.Known(l.RunnerUp.ClearGap, l.RunnerUp.U)
	return fmt.Sprintf(" (%d would leave %s)", l.RunnerUp.Count, figure.Of(gap, "mm"))
}

// mostLengths is how many lengths are written out on a page that is read in a
// minute.
const mostLengths = 4

// counted is the line that the needed lengths of each kind count along, as
// calc/pieces has it.
const (
	onCentre  = "on the centre line"
	alongRail = "along the rail"
)

// lengths says how long the pieces are cut, along the line that needed lengths
// count along. That is not where a saw's stop is set: bevels and square ends move
// it, and nobody is to cut from this page.
func lengths(v *asfound.Verdict, along string) string {
	i := slices.IndexFunc(v.Options, func(o fit.Option) bool { return o.Cut == v.Cut })
	if i < 0 {
		return "not yet"
	}
	o := v.Options[i]
	switch v.Cut {
	case fit.Batch:
		return fmt.Sprintf("one length, %s mm %s; its stop is on the cutting sheet", figure.Fixed(o.Lengths[0], 1), along)
	case fit.FitEach:
		return fmt.Sprintf("over length, %s mm %s, trimmed on site; the blanks are on the cutting sheet", figure.Fixed(o.Lengths[0], 1), along)
	}
	const stops = "their stops are on the cutting sheet"
	if o.Settings > mostLengths {
		return fmt.Sprintf("%d lengths from %s mm to %s mm %s; %s",
			o.Settings, figure.Fixed(slices.Min(o.Lengths), 1), figure.Fixed(slices.Max(o.Lengths), 1), along, stops)
	}
	// The pieces of a group stand together or not; say the numbers.
	var parts []string
	for g := range o.Settings {
		var pieces []int
		length := 0.0
		for k, of := range o.Group {
			if of == g {
				pieces, length = append(pieces, k+1), o.Lengths[k]
			}
		}
		parts = append(parts, fmt.Sprintf("%s mm for %s", figure.Fixed(length, 1), ranges(pieces)))
	}
	return fmt.Sprintf("lengths %s %s; %s", along, strings.Join(parts, ", "), stops)
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
	if c := b.Chi2; c.Checked < 0.5 {
		p.labelled("readings", fmt.Sprintf("%d adjusted; nothing checks them yet", len(b.Readings)))
	} else {
		verdict := "they agree as well as their uncertainties say"
		if c.P < 0.01 {
			verdict = "they agree worse than their uncertainties say: trust ± less, look for a slip"
		}
		suspects := 0
		for i := range b.Readings {
			if b.Readings[i].Suspect {
				suspects++
			}
		}
		aside := ""
		if suspects > 0 {
			aside = fmt.Sprintf(", %d set aside as suspect", suspects)
		}
		p.labelled("readings", fmt.Sprintf("%d adjusted%s; %s (chi-square %.1f for %d degrees of freedom, p %s)",
			len(b.Readings)-suspects, aside, verdict, c.Value, c.DOF, asfound.Chance(c.P)))
	}
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
