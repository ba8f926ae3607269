package cutting

import (
	"fmt"
	"math"
	"slices"
	"strings"
	"time"

	"pinchrod/calc/fit"
	"pinchrod/calc/pieces"
	"pinchrod/calc/rules"
	"pinchrod/calc/unit"
	"pinchrod/survey"
	"pinchrod/survey/asfound"
	"pinchrod/survey/report"
	"pinchrod/survey/report/figure"
)

// Options are what a sheet says beside the findings of its bay.
type Options struct {
	Job      string           // name of the job
	JobID    string           // its ID, which the labels' tag is made of
	Settings asfound.Settings // those the findings were made with
	Rules    string           // which rules hold: Findings.Rules
	Entry    string           // newest entry of the book that the findings know, such as NK-142
	Date     time.Time        // of the sheet
	Asked    []string         // settings that the book has otherwise, such as "fillet-ends=square (the book has both)"
}

// Sheet is what a workshop cuts one bay from.
type Sheet struct {
	Job, Tag string
	Bay      survey.Place
	Code     string // by which a later book tells whether the sheet still holds
	Entry    string
	Date     time.Time
	Rules    string
	Caution  string
	Rule     figure.Rule // that lengths are written by
	Timber   string      // the species and what was noted of the stock, empty when neither is
	Measured string      // who read the bay, and when; empty when no reading says
	Office   bool        // print an office copy, which lists the readings that it rests on
	Used     []Reading
	SetAside []Reading
	Hold     []string // what has to be settled before anything is cut: a height or an opening that no rule allows
	Settle   []string // what else is out of true, to be settled or lived with
	Unsure   []string // names of what cannot be told yet
	Notes    []string // what was taken for granted
	Asked    []string // settings that it was printed with and that are not the book's
	Missing  string   // why some kinds of piece, or all, are not on the sheet
	Needless bool     // nothing is missing: the bay needs no pieces
	Sets     []Set    // spindles, base fillets, rail fillets, those that there are
	// WalkFirst tells that nobody can say yet whether the last space is narrow
	// enough: the spacer is walked before a fillet is cut.
	WalkFirst bool
	Walk      *asfound.Walk
	Holes     []Hole

	found  *asfound.Bay
	house  fit.House
	turned bool // the spindles have a turned profile
}

// Reading is a reading that the sheet rests on, or that was set aside.
type Reading struct {
	Ref   string // full
	Short string // as a person says it, such as NK-1.92
	What  survey.What
	Title string
	Value string
	Why   string // why it was set aside
}

// Hole is a bolt or a screw that has to stay within reach.
type Hole struct {
	Rail  bool    // under the handrail; else in the base rail
	At    float64 // level from the lower post's face, mm
	Piece string  // the fillet over it
	Under int     // the spindle that hides it, 0 for none
}

// New makes the sheet of a bay. A bay without pieces has a sheet that says why.
//
// Errors: those of calc/fit, for settings that [asfound.Work] would have
// refused.
func New(b *asfound.Bay, o Options) (*Sheet, error) {
	s := &Sheet{
		Job: o.Job, Tag: short(o.JobID), Bay: b.Place, Entry: o.Entry, Date: o.Date, Rules: o.Rules,
		Caution: report.Caution(o.Rules), Notes: b.Notes, found: b, house: o.Settings.House, Asked: o.Asked,
		Rule: figure.Rule{Inches: o.Settings.Inches}, Timber: timber(b, o.Settings.Species.Name), Measured: measured(b),
	}
	s.readings(b)
	s.flags(b)
	if l := b.Layout; l != nil {
		s.Walk, s.turned = walk(b), stockOf(b, pieces.Spindle).turned
		for _, k := range []struct {
			pieces  []pieces.Piece
			verdict *asfound.Verdict
		}{{l.Spindles, b.Spindles}, {l.BaseFillets, b.BaseFillets}, {l.RailFillets, b.RailFillets}} {
			if k.verdict == nil || len(k.pieces) == 0 {
				continue
			}
			set, err := newSet(k.pieces, k.verdict, stockOf(b, k.pieces[0].Kind), o.Settings, left(b))
			if err != nil {
				return nil, fmt.Errorf("cutting sheet of %s: %w", b.Place, err)
			}
			set.WalkFirst = s.WalkFirst && set.Kind != pieces.Spindle
			s.Sets = append(s.Sets, set)
		}
		s.holes(b)
	}
	switch {
	case b.NoLayout != "":
		s.Missing = b.NoLayout
	case b.NoPieces != "":
		s.Missing = b.NoPieces
	case len(s.Sets) == 0 && b.Layout != nil:
		s.Missing, s.Needless = "no spindle is needed in this bay", true
	case len(s.Sets) == 0:
		s.Missing = "the readings do not lay the bay out yet"
	}
	s.Code = s.code(o.Settings)
	return s, nil
}

// Final tells whether every piece of the bay can be cut from this sheet.
func (s *Sheet) Final() bool {
	return s.Missing == "" && !slices.ContainsFunc(s.Sets, func(t Set) bool { return !t.Final() })
}

// Set finds the pieces of one kind, nil when there are none.
func (s *Sheet) Set(k pieces.Kind) *Set {
	for i := range s.Sets {
		if s.Sets[i].Kind == k {
			return &s.Sets[i]
		}
	}
	return nil
}

// SquareEnds tells which ends of a kind of piece are left square, the low end
// first.
func (s *Sheet) SquareEnds(k pieces.Kind) [2]bool {
	if t := s.Set(k); t != nil {
		return t.square
	}
	return [2]bool{}
}

// left is what the last fillet has to fill, along the rail: as much more than its
// level space as the pitch makes it, with the same share of doubt.
func left(b *asfound.Bay) asfound.Quantity {
	q := b.Layout.Last
	q.U /= math.Cos(b.Adjusted.BaseAngle.Value * math.Pi / 180)
	return q
}

// walk is the spacer walk that the card tells of. Where a spacer was walked before,
// its length and the fillets are one figure.
func walk(b *asfound.Bay) *asfound.Walk {
	w, v := b.Layout.Walk, b.BaseFillets
	if w == nil || v == nil {
		return w
	}
	longer := v.Needed.Mean[0] - b.Layout.BaseFillets[0].Length
	if longer == 0 {
		return w
	}
	out := *w
	out.Spacer = w.Spacer + longer
	out.Short.Value -= float64(w.Count) * (out.Spacer - w.Spacer)
	return &out
}

// readings lists what the sheet rests on.
func (s *Sheet) readings(b *asfound.Bay) {
	for i := range b.Readings {
		r := &b.Readings[i]
		out := Reading{r.Ref.String(), r.Ref.Short(), r.Reading.What, r.Reading.Title(), r.Reading.Value.String(), ""}
		if !r.Suspect {
			s.Used = append(s.Used, out)
			continue
		}
		out.Why = "probably wrong by " + s.Rule.Signed(r.Error, r.Reading.Kind().Unit())
		if r.Slip != "" {
			out.Why += ", " + r.Slip
		}
		s.SetAside = append(s.SetAside, out)
	}
	for _, e := range b.Taken {
		s.Used = append(s.Used, Reading{e.Ref.String(), e.Ref.Short(), e.Reading.What, e.Reading.Title(), e.Reading.Value.String(), ""})
	}
}

// holding are the flags that move the handrail or the spindles, so that what was
// cut before would be scrap.
var holding = []string{"guard-height", "handrail-height", "opening", lastSpace}

// lastSpace is the flag of the space that takes the sum of the fillets' errors.
const lastSpace = "last-space"

// flags lists what is out of true and what cannot be told. A slip that was set
// aside stands among the readings.
func (s *Sheet) flags(b *asfound.Bay) {
	for _, f := range b.Flags {
		s.WalkFirst = s.WalkFirst || f.Name == lastSpace && f.State == rules.Unsure
		said := fmt.Sprintf("%s %s%s: %s", f.Name, s.flagFigure(f), f.Of, f.Text)
		switch {
		case f.State == rules.Unsure:
			s.Unsure = append(s.Unsure, f.Name)
		case f.State != rules.Flag || f.Name == "slip":
		case slices.Contains(holding, f.Name):
			s.Hold = append(s.Hold, said)
		default:
			s.Settle = append(s.Settle, said)
		}
	}
}

// flagFigure is the figure of a flag, with a comma behind it where it has one.
func (s *Sheet) flagFigure(f asfound.Flag) string {
	q := figure.Known(f.Value, f.U)
	switch {
	case f.Unit == "":
		return ""
	case f.Absolute:
		return s.Rule.Of(q, f.Unit) + ", "
	}
	return s.Rule.Signed(q, f.Unit) + ", "
}

// timber says what the pieces are cut from: the species, if it is set, and what was
// noted beside the sections, such as a finish.
func timber(b *asfound.Bay, species string) string {
	var out []string
	if species != "" {
		out = append(out, species)
	}
	for _, e := range b.Taken {
		r := &e.Reading
		if note := r.Note; (r.What == survey.SpindleSize || r.What == survey.FilletSize) && note != "" && !slices.Contains(out, note) {
			out = append(out, note)
		}
	}
	return strings.Join(out, "; ")
}

// measured says whose readings the bay rests on, and of which days.
func measured(b *asfound.Bay) string {
	var who, days []string
	add := func(r *survey.Reading) {
		if r.By != "" && !slices.Contains(who, r.By) {
			who = append(who, r.By)
		}
		const day = len("2006-01-02") // each form of a date begins so
		if len(r.When) >= day {
			days = append(days, r.When[:day])
		}
	}
	for i := range b.Readings {
		if !b.Readings[i].Suspect {
			add(&b.Readings[i].Reading)
		}
	}
	for i := range b.Taken {
		add(&b.Taken[i].Reading)
	}
	out := strings.Join(who, ", ")
	if len(days) > 0 {
		first, last := slices.Min(days), slices.Max(days)
		if first != last {
			first += " to " + last
		}
		out = strings.TrimPrefix(out+", "+first, ", ")
	}
	return out
}

// stock is the section that a kind of piece is cut from.
func stockOf(b *asfound.Bay, k pieces.Kind) stock {
	out := stock{kind: k}
	what := survey.FilletSize
	if k == pieces.Spindle {
		what, out.across = survey.SpindleSize, b.Layout.Width
	}
	for _, e := range b.Taken { // the last one counts, as in the findings
		if q := e.Reading.Value; e.Reading.What == what {
			out.section, out.read = q.String(), nil
			for _, n := range q.N {
				if n != 0 {
					out.read = append(out.read, unit.Length(n).MM())
				}
			}
			if k == pieces.Spindle {
				out.turned = q.N[2] != 0
			} else {
				out.across = unit.Length(q.N[1]).MM()
			}
		}
	}
	return out
}

// holes finds the fillet over every bolt and screw that was read, and marks it.
func (s *Sheet) holes(b *asfound.Bay) {
	for _, e := range b.Taken {
		r := &e.Reading
		if r.What != survey.Access {
			continue
		}
		h := Hole{Rail: r.At.Mark == survey.OnRail, At: unit.Length(r.Value.N[0]).MM()}
		kind, all, pitch := pieces.BaseFillet, b.Layout.BaseFillets, b.Adjusted.BaseAngle
		if h.Rail {
			kind, all, pitch = pieces.RailFillet, b.Layout.RailFillets, b.Adjusted.RailAngle
		}
		if t := s.Set(kind); t != nil {
			h.find(all, math.Cos(pitch.Value*math.Pi/180), t)
		}
		s.Holes = append(s.Holes, h)
	}
}

// find looks for the fillet whose span holds the hole. Level distances count
// from the lower post's face at the rail itself, where the first fillet begins.
// level is how long a millimetre along the rail is on the level: the chord's
// will do, as a bow that turns it by 1° moves an end by less than a tape does.
func (h *Hole) find(all []pieces.Piece, level float64, t *Set) {
	half := func(p pieces.Piece) float64 { return p.Length / 2 * level }
	x := all[0].X - half(all[0]) + h.At
	for i, p := range all {
		switch from, to := p.X-half(p), p.X+half(p); {
		case x < from:
			h.Under = i // between fillets i and i+1, counted from 1, stands spindle i
			return
		case x <= to:
			h.Piece = t.Pieces[i].ID
			t.Pieces[i].Access = true
			return
		}
	}
}

// say says what is to be done about a hole.
func (h Hole) say(r figure.Rule) string {
	rail := "base rail"
	if h.Rail {
		rail = "handrail"
	}
	where := fmt.Sprintf("%s, %s from the lower post", rail, r.With(r.Tolerance(h.At)))
	switch {
	case h.Piece != "":
		return fmt.Sprintf("%s: under %s, which has to come out again: glue it at one end only", where, h.Piece)
	case h.Under > 0:
		return fmt.Sprintf("%s: under spindle %s, out of reach once that stands: move the hole or say so before gluing", where, id(pieces.Spindle, h.Under))
	}
	return fmt.Sprintf("%s: under no piece of this sheet; read it again", where)
}

// prefixes of a piece's name.
var prefixes = map[pieces.Kind]string{pieces.Spindle: "S", pieces.BaseFillet: "B", pieces.RailFillet: "R"}

// id names a piece: S07 is the seventh spindle from the lower post.
func id(k pieces.Kind, number int) string { return fmt.Sprintf("%s%02d", prefixes[k], number) }

func spareID(k pieces.Kind, number int) string { return fmt.Sprintf("%sX%d", prefixes[k], number) }
