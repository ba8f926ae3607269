package fieldbook

import (
	"bytes"
	"cmp"
	"fmt"
	"maps"
	"slices"
	"strings"
	"time"

	"pinchrod/calc/unit"
	"pinchrod/store/journal"
	"pinchrod/survey"
)

// Offcut is a length of stock on the rack.
type Offcut struct {
	Section string
	Length  unit.Length
	Count   int
}

// Rack lists the offcuts that are on the rack, over all jobs, by section and
// length: entry after entry those that it used are taken off and those that it
// kept are put on. There are never fewer than none: one that was used and never
// kept is not owed by the next that is kept. Sections are told apart by their
// measure, either side first, and written as they were first.
//
// The entries come in the order of [inTime].
func Rack(kv KV) ([]Offcut, error) {
	made, err := allMade(kv)
	if err != nil {
		return nil, err
	}
	type key struct {
		stuff  string
		length unit.Length
	}
	count := map[key]int{}
	written := map[string]string{}
	for _, m := range made {
		stuff := stuffOf(m.Made.Section)
		if _, ok := written[stuff]; !ok {
			written[stuff] = m.Made.Section
		}
		for _, l := range m.Made.Used {
			k := key{stuff, l}
			count[k] = max(0, count[k]-1)
		}
		for _, l := range m.Made.Kept {
			count[key{stuff, l}]++
		}
	}
	var rack []Offcut
	for k, n := range count {
		if n > 0 {
			rack = append(rack, Offcut{written[k.stuff], k.length, n})
		}
	}
	slices.SortFunc(rack, func(a, b Offcut) int {
		return cmp.Or(strings.Compare(a.Section, b.Section), cmp.Compare(a.Length, b.Length))
	})
	return rack, nil
}

// allMade are the standing entries of every job, in the order of [inTime].
func allMade(kv KV) (out []Made, err error) {
	jobs, err := Jobs(kv)
	if err != nil {
		return nil, err
	}
	for _, j := range jobs {
		b := &Book{Job: j}
		if err := b.loadMade(kv); err != nil {
			return nil, fmt.Errorf("reading what was made for job %q: %w", j.Name, err)
		}
		struck := map[journal.Ref]*[]Ruling{}
		for i := range b.Made {
			struck[b.Made[i].Ref] = &b.Made[i].Struck
		}
		if err := b.rulings(kv, 'S', struck); err != nil {
			return nil, fmt.Errorf("reading job %q: %w", j.Name, err)
		}
		out = append(out, b.Made...)
	}
	inTime(out)
	return slices.DeleteFunc(out, func(m Made) bool { return !m.Stands() }), nil
}

// inTime orders the entries of several devices by when they were written, and
// those of one device as its log has them, whatever became of its clock: an entry
// counts as no earlier than those before it in its log. Of two at one time that of
// the elder device comes first. So the order depends on what the logs say, and not
// on what arrived first; the order of the logs alone would have a bench use an
// offcut before a tablet with a later name kept it.
func inTime(all []Made) {
	byLog := func(a, b Made) int {
		return cmp.Or(bytes.Compare(a.Ref.Device[:], b.Ref.Device[:]), cmp.Compare(a.Ref.Page, b.Ref.Page), cmp.Compare(a.Ref.Item, b.Ref.Item))
	}
	slices.SortFunc(all, byLog)
	at := map[journal.Ref]time.Time{}
	for i, m := range all {
		at[m.Ref] = m.Time
		if i > 0 && all[i-1].Ref.Device == m.Ref.Device && at[all[i-1].Ref].After(m.Time) {
			at[m.Ref] = at[all[i-1].Ref]
		}
	}
	slices.SortStableFunc(all, func(a, b Made) int { return at[a.Ref].Compare(at[b.Ref]) })
}

// stuffOf is a section with its smaller side first, since a bar can be turned; a
// text that is no section of two sides stands for itself.
func stuffOf(section string) string {
	a, b, err := survey.ParseStock(section)
	if err != nil {
		return section
	}
	return fmt.Sprintf("%d x %d", min(a, b), max(a, b))
}

// Taken tells whether offcuts of a section were on the rack to be used, and says
// what is there where they were not. An offcut without a section serves any.
func Taken(rack []Offcut, section string, used []unit.Length) error {
	stuff := stuffOf(section)
	there := map[unit.Length]int{}
	for _, o := range rack {
		if o.Section == "" || stuffOf(o.Section) == stuff {
			there[o.Length] += o.Count
		}
	}
	wanted := map[unit.Length]int{}
	for _, l := range used {
		wanted[l]++
	}
	for _, l := range slices.Sorted(maps.Keys(wanted)) {
		n, have := wanted[l], there[l]
		switch {
		case n <= have:
		case have > 0:
			return fmt.Errorf("%d x %s of %s on the rack, not %d: look which they were", have, l, section, n)
		case len(there) == 0:
			return fmt.Errorf("no offcut of %s is on the rack: leave it out", section)
		default:
			return fmt.Errorf("no offcut of %s of %s is on the rack; %s: write which it was, or leave it out", l, section, listed(there))
		}
	}
	return nil
}

// listed says what is there, such as "there are 2 x 870 mm, 1 x 640 mm", longest
// first.
func listed(there map[unit.Length]int) string {
	var out []string
	total := 0
	for _, l := range slices.Backward(slices.Sorted(maps.Keys(there))) {
		out = append(out, fmt.Sprintf("%d x %s", there[l], l))
		total += there[l]
	}
	if total == 1 {
		return "there is " + out[0]
	}
	return "there are " + strings.Join(out, ", ")
}
