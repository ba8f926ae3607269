package asfound

import (
	"fmt"
	"math"
	"slices"
	"strings"

	"pinchrod/calc/rules"
	"pinchrod/survey"
	"pinchrod/survey/fieldbook"
)

// reader turns readings into figures, with what is known of the tools, and
// remembers what it did for the page.
type reader struct {
	kit     survey.Kit
	celsius Quantity // of the tapes, where it was read
	zeroed  []*toolUse
	flawed  []*toolUse
	warmed  []*toolUse
}

// toolUse is a tool with the readings that were taken with it.
type toolUse struct {
	tool  survey.Tool
	why   string
	short []string
}

func use(list *[]*toolUse, t survey.Tool, why, short string) {
	i := slices.IndexFunc(*list, func(u *toolUse) bool { return u.tool.Name == t.Name && u.why == why })
	if i < 0 {
		i = len(*list)
		*list = append(*list, &toolUse{tool: t, why: why})
	}
	if u := (*list)[i]; short != "" && !slices.Contains(u.short, short) {
		u.short = append(u.short, short)
	}
}

// newReader takes the temperature from the readings of a flight, the mean of
// those there are.
func newReader(kit survey.Kit, flight []fieldbook.Entry) *reader {
	rd := &reader{kit: kit}
	sum, n := 0.0, 0
	for _, e := range flight {
		if e.Reading.What == survey.Temperature && e.Reading.Check() == nil {
			sum, n = sum+e.Reading.Value.Value(), n+1
		}
	}
	if n > 0 {
		rd.celsius = Quantity{Value: sum / float64(n), Known: true}
	}
	return rd
}

// figure gives a reading in its own unit: as read, less the zero error of its
// tool, and for a steel tape as at 20 °C where the temperature was read.
func (rd *reader) figure(e fieldbook.Entry) (Quantity, error) {
	r := &e.Reading
	u, err := r.StandardU(rd.kit)
	if err != nil {
		return Quantity{}, err
	}
	q := Quantity{Value: r.Value.Value(), U: u, Known: true}
	t, err := r.ToolIn(rd.kit)
	if err != nil {
		return q, err
	}
	// A zero error is of a length, a lean or an angle as it stands on the
	// tool; a section or a walk is more than one reading.
	single := r.Value.Measure == survey.Length || r.Value.Measure == survey.Tried || r.Value.Measure == survey.Lean || r.Value.Measure == survey.Angle
	short := e.Ref.Short()
	if t.Tested != "" && single {
		q.Value -= t.Zero
		if r.U != 0 {
			q.U = math.Hypot(q.U, t.ZeroU)
		}
		use(&rd.zeroed, t, "", short)
	}
	if rd.celsius.Known && t.Class != survey.NoClass && r.Value.Measure == survey.Length {
		q.Value = survey.AtTemperature(q.Value, rd.celsius.Value)
		use(&rd.warmed, survey.Tool{}, "", short)
	}
	switch {
	case t.Failed():
		use(&rd.flawed, t, "its check found it beyond its limit: have it set right", short)
	case t.Overdue(r.Day(e.Time)):
		use(&rd.flawed, t, fmt.Sprintf("its check was due on %s: check it", t.Due), short)
	}
	return q, nil
}

// notes says what was corrected.
func (rd *reader) notes() []string {
	var out []string
	for _, z := range rd.zeroed {
		out = append(out, fmt.Sprintf("%s, %s: zero error %+.2f ±%.2f %s taken off %s", z.tool.Name, z.tool.Tested, z.tool.Zero, 2*z.tool.ZeroU, z.tool.Sort.Unit(), plural(len(z.short), "reading")))
	}
	for _, u := range rd.warmed {
		out = append(out, fmt.Sprintf("%s of a steel tape at %.0f °C given as at 20 °C", plural(len(u.short), "reading"), rd.celsius.Value))
	}
	return out
}

// flags raises one flag for each tool that is overdue or failed, and names the
// readings it took.
func (rd *reader) flags() []Flag {
	var out []Flag
	for _, f := range rd.flawed {
		flag := Flag{Name: "tool", State: rules.Flag, Of: fmt.Sprintf("%s taken with %s: %s", plural(len(f.short), "reading"), f.tool.Name, some(f.short)),
			From: "the tool's own record", Text: fmt.Sprintf("%s: %s, or read again with another", f.tool.Name, f.why)}
		if f.tool.Failed() {
			flag.Value, flag.U, flag.Limit, flag.Unit = f.tool.Zero, f.tool.ZeroU, f.tool.MPE(f.tool.CheckedAt), f.tool.Sort.Unit()
		}
		out = append(out, flag)
	}
	return out
}

// some lists names, the first few of many.
func some(names []string) string {
	const few = 6
	if len(names) > few {
		return strings.Join(names[:few], ", ") + fmt.Sprintf(" and %d more", len(names)-few)
	}
	return strings.Join(names, ", ")
}

func plural(n int, what string) string {
	if n == 1 {
		return "1 " + what
	}
	return fmt.Sprintf("%d %ss", n, what)
}
