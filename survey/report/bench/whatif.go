package bench

import (
	"context"
	"fmt"
	"math"
	"net/url"
	"strconv"
	"strings"

	"pinchrod/survey/asfound"
	"pinchrod/survey/report"
	"pinchrod/survey/report/figure"
	"pinchrod/survey/report/lines"
)

// knob is a setting that a person may turn to see what would follow. Low to High
// is what the slider spans, narrower than what the setting may be; both, and the
// step, are common practice, no source. What a child's head may pass is no
// matter of taste and has no knob.
type knob struct {
	name, label, unit string
	low, high, step   float64
	now               func(*asfound.Settings) float64
}

var knobs = []knob{
	{"joint", "Widest joint that still looks closed", "mm", 0.1, 2, 0.05, func(s *asfound.Settings) float64 { return s.Joint }},
	{"short", "Too short by this still fits", "mm", 0.1, 3, 0.1, func(s *asfound.Settings) float64 { return s.House.Short }},
	{"long", "Too long by this still fits", "mm", 0.1, 3, 0.1, func(s *asfound.Settings) float64 { return s.House.Long }},
	{"play", "A spindle's head may be slid along the rail by", "mm", 0, 3, 0.1, func(s *asfound.Settings) float64 { return s.Play }},
	{"target", "Clear gap aimed at between spindles", "mm", 60, 120, 1, func(s *asfound.Settings) float64 { return s.Target }},
	{"saw-step", "The saw's stop can be set to steps of", "mm", 0.1, 2, 0.1, func(s *asfound.Settings) float64 { return s.House.SawStep }},
	{"minutes-setting", "Setting and proving a stop takes", "minutes", 0, 15, 0.5, func(s *asfound.Settings) float64 { return s.House.Minutes.Setting }},
	{"minutes-fit", "Fitting a piece at its place takes", "minutes", 0, 30, 0.5, func(s *asfound.Settings) float64 { return s.House.Minutes.Fit }},
	{"minutes-recut", "Cutting a short piece again takes", "minutes", 0, 60, 1, func(s *asfound.Settings) float64 { return s.House.Minutes.Recut }},
}

// slider is a knob as a form has it.
type slider struct {
	Name, Label, Unit, Min, Max, Step, Value, Book string
	Turned                                         bool // not as the book has it
	Problem                                        string
}

func number(v float64) string { return strconv.FormatFloat(v, 'g', -1, 64) }

// turned reads what a query asks to be otherwise than the book has it: the
// settings, and the sliders that show them. A value that the book would refuse
// is left out of set, and its slider says what is wrong with it.
func turned(q url.Values, book asfound.Settings) (set map[string]string, sliders []slider, bad bool) {
	set = map[string]string{}
	for _, k := range knobs {
		now := k.now(&book)
		sl := slider{Name: k.name, Label: k.label, Unit: k.unit, Value: number(now), Book: number(now)}
		v := now
		if asked := strings.TrimSpace(q.Get(k.name)); asked != "" {
			try := book
			if err := try.Set(k.name, asked); err != nil {
				sl.Problem, bad = lines.Sentence(lines.Clean(err.Error())), true
			} else if v = k.now(&try); v != now {
				set[k.name], sl.Value, sl.Turned = asked, number(v), true
			}
		}
		low, high := min(k.low, v, now), max(k.high, v, now)
		sl.Min, sl.Max, sl.Step = number(low), number(high), number(k.step)
		if off := (v - low) / k.step; math.Abs(off-math.Round(off)) > 1e-6 {
			sl.Step = "any" // else the browser would move it to a step, and the book's value would look turned
		}
		sliders = append(sliders, sl)
	}
	return set, sliders, bad
}

// change is something that would be otherwise.
type change struct{ What, Before, After string }

// compare says what a what-if changes of a bay, a line for each kind of piece and
// for each flag that would be in another state.
func compare(before, after *asfound.Bay) (changed []change, same []string) {
	add := func(what, b, a string) {
		if a == b {
			same = append(same, fmt.Sprintf("%s: %s", what, a))
			return
		}
		changed = append(changed, change{what, b, a})
	}
	add("spacing", spacing(before), spacing(after))
	for _, k := range kinds {
		add(k.name, verdictWords(before, k.name), verdictWords(after, k.name))
	}
	states := func(b *asfound.Bay) map[string]string {
		out := map[string]string{}
		for i := range b.Flags {
			f := &b.Flags[i]
			out[f.Name+" ("+f.Of+")"] = string(f.State)
		}
		return out
	}
	was := states(before)
	for i := range after.Flags {
		f := &after.Flags[i]
		key := f.Name + " (" + f.Of + ")"
		if b, ok := was[key]; ok && b != string(f.State) {
			changed = append(changed, change{lines.Clean(f.Name), b, string(f.State)})
		}
	}
	return changed, same
}

func spacing(b *asfound.Bay) string {
	l := b.Layout
	if l == nil {
		return "none"
	}
	return fmt.Sprintf("%s, clear gap %s", report.Count(l.Count, "spindle"), figure.Of(l.Clear, "mm"))
}

// notTheBook stands on all that a what-if shows, on each printed page of it too.
const notTheBook = "WHAT IF, not the book"

// whatIf is the what-if of a bay.
type whatIf struct {
	Sliders []slider
	On      bool   // the page shows a what-if and not the book
	Query   string // that asks for it
	Bad     bool   // some value was refused
	Asked   []string
	Changed []change
	Same    []string
}

// wonder works out the what-if that a query asks for, if it asks for one.
func (s *site) wonder(ctx context.Context, q url.Values, w *Work, bay *asfound.Bay) (whatIf, *Work, *asfound.Bay, error) {
	set, sliders, bad := turned(q, w.Settings)
	out := whatIf{Sliders: sliders, Bad: bad, On: len(set) > 0}
	if !out.On {
		return out, w, bay, nil
	}
	for _, sl := range sliders {
		if sl.Turned {
			out.Asked = append(out.Asked, fmt.Sprintf("%s %s, in the book %s", sl.Name, sl.Value+figure.Unit(sl.Unit), sl.Book+figure.Unit(sl.Unit)))
		}
	}
	ask := url.Values{}
	for name, value := range set {
		ask.Set(name, value)
	}
	out.Query = ask.Encode()
	other, err := s.Source.Work(ctx, w.Book.Job.ID.String(), bay.Place, set)
	if err != nil {
		return out, nil, nil, err
	}
	then, err := other.bay(bay.Place)
	if err != nil {
		return out, nil, nil, err
	}
	out.Changed, out.Same = compare(bay, then)
	return out, other, then, nil
}
