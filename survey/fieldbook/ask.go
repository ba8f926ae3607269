package fieldbook

import (
	"fmt"
	"slices"
	"strings"

	"pinchrod/calc/unit"
	"pinchrod/store/journal"
	"pinchrod/survey"
)

// Standing lists the readings that count.
func (b *Book) Standing() []Entry {
	var s []Entry
	for _, e := range b.Entries {
		if e.Stands() {
			s = append(s, e)
		}
	}
	return s
}

// InTime gives entries in the order in which they were written down, whichever
// device that was; those of one page keep theirs.
func InTime(entries []Entry) []Entry {
	return slices.SortedStableFunc(slices.Values(entries), func(a, b Entry) int { return a.Time.Compare(b.Time) })
}

// Places lists the flights and bays that have a reading, in the order they
// first appear, each flight before its bays.
func (b *Book) Places() []survey.Place {
	var flights []survey.Place
	bays := map[survey.Place][]survey.Place{}
	seen := map[survey.Place]bool{}
	for i := range b.Entries {
		p := b.Entries[i].Reading.Where
		f := survey.Place(p.Flight())
		if !seen[f] {
			seen[f] = true
			flights = append(flights, f)
		}
		if !seen[p] {
			seen[p] = true
			bays[f] = append(bays[f], p)
		}
	}
	var all []survey.Place
	for _, f := range flights {
		all = append(append(all, f), bays[f]...)
	}
	return all
}

// Find finds a reading by its full name or by its short one. The error wraps
// [ErrNoReading], or [ErrTwo] when two devices share the short name.
func (b *Book) Find(id string) (*Entry, error) {
	i, err := find(len(b.Entries), func(i int) journal.Ref { return b.Entries[i].Ref }, id)
	switch {
	case err != nil:
		return nil, fmt.Errorf("reading %q: %w", id, err)
	case i < 0:
		return nil, fmt.Errorf("%w %q in job %q: the names stand in the first column of book", ErrNoReading, strings.TrimSpace(id), b.Job.Name)
	}
	return &b.Entries[i], nil
}

// find finds the one of n things that a full or a short name means, -1 when
// there is none.
func find(n int, ref func(int) journal.Ref, id string) (int, error) {
	id = strings.TrimSpace(id)
	var found []int
	for i := range n {
		if ref(i).String() == id {
			return i, nil
		}
		if strings.EqualFold(ref(i).Short(), id) {
			found = append(found, i)
		}
	}
	switch len(found) {
	case 0:
		return -1, nil
	case 1:
		return found[0], nil
	}
	return -1, fmt.Errorf("%w of that short name: write %s or %s", ErrTwo, ref(found[0]), ref(found[1]))
}

// Disagreement is one reading that was corrected twice, with both answers
// standing, until somebody strikes one.
type Disagreement struct {
	Of      *Entry
	Answers []*Entry
}

// Disagreements lists the readings with two standing answers or more.
func (b *Book) Disagreements() []Disagreement {
	by := map[journal.Ref]*Entry{}
	for i := range b.Entries {
		by[b.Entries[i].Ref] = &b.Entries[i]
	}
	var ds []Disagreement
	for i := range b.Entries {
		d := Disagreement{Of: &b.Entries[i]}
		for _, ref := range d.Of.Fixed {
			if e := by[ref]; e.Stands() && e.Reading.Replaces == d.Of.Ref {
				d.Answers = append(d.Answers, e)
			}
		}
		if len(d.Answers) > 1 {
			ds = append(ds, d)
		}
	}
	return ds
}

// New gives the rows that the book does not hold yet. A row is known by its
// content and by which occurrence of that content it is: of two equal rows
// both are new to an empty book, and neither the second time. Readings that
// were struck or corrected since still count as held. A trial piece that the book
// has as "tight" is held as "812 tight" too, which an exported sheet says.
func (b *Book) New(rows []survey.Reading) []survey.Reading {
	held := make(map[survey.Reading]int, len(b.Entries))
	for i := range b.Entries {
		held[b.Entries[i].Reading.Content()]++
	}
	said := map[survey.Reading]survey.Reading{} // with the piece's length, to as it was written
	pieced := b.Pieced()
	for i, e := range b.Standing() {
		if r := pieced[i].Reading; r.Value != e.Reading.Value {
			said[r.Content()] = e.Reading.Content()
		}
	}
	var fresh []survey.Reading
	for _, r := range rows {
		c := r.Content()
		if without, ok := said[c]; ok && held[c] == 0 {
			c = without
		}
		if held[c] > 0 {
			held[c]--
			continue
		}
		fresh = append(fresh, r)
	}
	return fresh
}

// Want is a reading that a bay still lacks.
type Want struct {
	What   survey.What
	At     survey.At
	Height unit.Length
	Why    string
	Needed bool // without it the bay has no answer; else it would only be unchecked
}

// Title names the reading as [survey.Reading.Title] does.
func (w Want) Title() string {
	r := survey.Reading{What: w.What, At: w.At, Height: w.Height}
	return r.Title()
}

// asked is what a whole bay has, in the order a person walks it. Of a group,
// any one reading will do. The three stations and the three heights are common
// practice, no source.
var asked = []struct {
	any    []Want
	needed bool
	why    string
}{
	{[]Want{{What: survey.SpindleSize}}, true, "without it no spindles can be laid out"},
	{[]Want{{What: survey.Run}, {What: survey.SlopeRun}, {What: survey.PostPosition, At: survey.At{Mark: survey.Upper}}}, true, "everything else hangs on it"},
	{[]Want{{What: survey.Run, Height: 700 * unit.Millimetre}, {What: survey.LeanAlong, At: survey.At{Mark: survey.Upper}}}, false, "nothing says whether the posts are parallel"},
	{[]Want{{What: survey.LeanAlong, At: survey.At{Mark: survey.Lower}}}, false, "nothing says whether the post is plumb"},
	{[]Want{{What: survey.LeanAlong, At: survey.At{Mark: survey.Upper}}}, false, "nothing says whether the post is plumb"},
	{[]Want{{What: survey.BaseAngle, At: survey.At{Mark: survey.Bottom}}}, false, "the bevel at the base rail is not checked"},
	{[]Want{{What: survey.BaseAngle, At: survey.At{Mark: survey.Top}}}, false, "the bevel at the base rail is not checked"},
	{[]Want{{What: survey.RailAngle, At: survey.At{Mark: survey.Bottom}}}, false, "the bevel at the handrail is not checked"},
	{[]Want{{What: survey.RailAngle, At: survey.At{Mark: survey.Top}}}, false, "the bevel at the handrail is not checked"},
	{[]Want{{What: survey.Gap, At: survey.At{Mark: survey.Bottom}}, {What: survey.Trial, At: survey.At{Mark: survey.Bottom}}}, true, "the spindles' length hangs on it"},
	{[]Want{{What: survey.Gap, At: survey.At{Mark: survey.Top}}, {What: survey.Trial, At: survey.At{Mark: survey.Top}}}, false, "nothing says whether the gap drifts"},
	{[]Want{{What: survey.Gap, At: survey.At{Mark: survey.Middle}}, {What: survey.Trial, At: survey.At{Mark: survey.Middle}}}, false, "the middle was never checked, so a bow may hide there"},
	{[]Want{{What: survey.FrameDiagonal, At: survey.At{Mark: survey.Rising}}}, false, "nothing checks the frame as a whole"},
	{[]Want{{What: survey.FrameDiagonal, At: survey.At{Mark: survey.Falling}}}, false, "nothing checks the frame as a whole"},
}

// Missing lists what a bay with these standing readings still lacks, needed
// ones first.
func Missing(here []Entry) []Want {
	has := func(w Want) bool {
		return slices.ContainsFunc(here, func(e Entry) bool {
			r := &e.Reading
			// A run at any real height will do for a run at height; one at the
			// rail will not.
			return r.What == w.What && (w.At == survey.At{} || r.At == w.At) && (w.Height == 0 || r.Height >= w.Height/2)
		})
	}
	var needed, rest []Want
	for _, a := range asked {
		if slices.ContainsFunc(a.any, has) {
			continue
		}
		w := a.any[0]
		w.Why, w.Needed = a.why, a.needed
		if a.needed {
			needed = append(needed, w)
		} else {
			rest = append(rest, w)
		}
	}
	return append(needed, rest...)
}
