package rules

import (
	"cmp"
	"embed"
	"errors"
	"fmt"
	"math"
	"slices"
	"strings"
)

// Seen says how a figure or the number of a clause was seen.
type Seen string

const (
	Read   Seen = "READ" // in a copy or in a secondary source
	Memory Seen = "MEM"  // not at all: from memory
)

// NotNoted stands for a clause or an edition that is not known.
const NotNoted = "not noted"

// Limit is one figure of a rule.
type Limit struct {
	Stair Stair
	What  What

	// The ends in What's unit, both allowed; −Inf or +Inf where there is none.
	Low, High float64

	// The ends as the document writes them, "" where there is none, and the unit
	// it writes them in: mm, m, in, deg, slope or count.
	LowAs, HighAs, As string

	Document, Clause, Edition string

	Seen       Seen // the figure
	ClauseSeen Seen // the clause's number
	Note       string
}

// Judge says whether y, of standard uncertainty u, is within the limit, as
// [JudgeBetween] does; both in the unit of l.What.
func (l Limit) Judge(y, u float64) State { return JudgeBetween(y, u, l.Low, l.High) }

// Text gives the figure as the document writes it, such as "150 to 220 mm" or
// "at most 7 3/4 in".
func (l Limit) Text() string {
	in := " " + l.As
	switch l.As {
	case "deg":
		in = "°"
	case "slope", "count":
		in = ""
	}
	switch {
	case l.LowAs == "":
		return "at most " + l.HighAs + in
	case l.HighAs == "":
		return "at least " + l.LowAs + in
	case l.Low == -l.High:
		return "±" + strings.TrimPrefix(l.HighAs, "+") + in
	}
	return l.LowAs + " to " + l.HighAs + in
}

// Source says where the figure is from, such as "Approved Document K 2013, Table
// 1.1", and to check the document where that, or the figure, is from memory.
func (l Limit) Source() string {
	s := l.edition() + ", "
	if l.Clause == NotNoted {
		s += "clause "
	}
	s += l.Clause
	switch {
	case l.Seen == Memory:
		s += "; from memory, check the document"
	case l.ClauseSeen == Memory:
		s += "; clause number from memory, check the document"
	}
	return s
}

// edition names the document with its edition.
func (l Limit) edition() string {
	if l.Edition == NotNoted {
		return l.Document + " (edition not noted)"
	}
	return l.Document + " " + l.Edition
}

// Profile is a set of limits that go together. The zero Profile is no profile, as
// is [None].
type Profile struct {
	Name   string // as chosen: england, or the user's file; "" of none
	Title  string // for a person
	Limits []Limit
}

//go:embed profiles/*.csv
var files embed.FS

// embedded lists the profiles in the binary.
var embedded = []struct{ name, title string }{
	{"england", "England"},
	{"us", "United States"},
	{"ontario", "Ontario"},
	{"germany", "Germany"},
	{"australia", "Australia"},
}

// ErrProfile is the error of a name that no embedded profile has.
var ErrProfile = errors.New("unknown rule profile")

// Profiles names the profiles in the binary.
func Profiles() []string {
	names := make([]string, len(embedded))
	for i, e := range embedded {
		names[i] = e.name
	}
	return names
}

// Named returns a profile of the binary. An unknown name is [ErrProfile].
func Named(name string) (Profile, error) {
	for _, e := range embedded {
		if e.name != name {
			continue
		}
		data, err := files.ReadFile("profiles/" + name + ".csv")
		if err != nil {
			return Profile{}, fmt.Errorf("rule profile %s: %w", name, err)
		}
		p, err := Parse(name, data)
		if err != nil {
			return Profile{}, fmt.Errorf("rule profile %s: %w", name, err)
		}
		p.Title = e.title
		return p, nil
	}
	return Profile{}, fmt.Errorf("%w %q: write %s, or the name of a file of your own", ErrProfile, name, list(Profiles()))
}

// None is what holds when no profile is chosen: the ball of [DefaultOpening], and
// nothing else.
func None() Profile {
	ball := DefaultOpening().Ball
	return Profile{Title: "none", Limits: []Limit{{
		Stair: Any, What: ClearOpening, Low: math.Inf(-1), High: ball, HighAs: fmt.Sprint(ball), As: "mm",
		Document: "Approved Document K", Clause: "3.3", Edition: "2013", Seen: Read, ClauseSeen: Read,
		Note: "no rule profile is chosen",
	}}}
}

// For returns the limits of a quantity on a sort of stair: those for that stair
// and those for any. All of them hold.
func (p Profile) For(stair Stair, what What) []Limit {
	return slices.DeleteFunc(p.on(stair), func(l Limit) bool { return l.What != what })
}

// on returns the limits on a sort of stair.
func (p Profile) on(stair Stair) []Limit {
	var out []Limit
	for _, l := range p.Limits {
		if l.Stair == stair || l.Stair == Any {
			out = append(out, l)
		}
	}
	return out
}

// Opening returns the ball that must not pass a guard of that stair, the smallest
// where there are two. Where the profile has none, ok is false and the limit is
// that of [None].
func (p Profile) Opening(stair Stair) (l Limit, ok bool) {
	all := p.For(stair, ClearOpening)
	if len(all) == 0 {
		return None().Limits[0], false
	}
	return slices.MinFunc(all, func(a, b Limit) int { return cmp.Compare(a.High, b.High) }), true
}

// Used says, in sentences for every page, which profile a stair is held to, by
// which documents, how much of it is from memory, and what openings are held to
// when it does not say. The caution that the local code decides is the page's.
func (p Profile) Used(stair Stair) string {
	ball := DefaultOpening().Ball
	if p.Name == "" {
		return fmt.Sprintf("No rule profile is chosen: openings are held to %g mm, the rest to nothing.", ball)
	}
	kind := "a " + string(stair) + " stair"
	if stair == Any || stair == "" {
		kind = "any stair"
	}
	limits := p.on(stair)
	if len(limits) == 0 {
		return fmt.Sprintf("Rule profile %s has no figure for %s: openings are held to %g mm, the rest to nothing.", p.Title, kind, ball)
	}
	var documents []string
	memory := 0
	for _, l := range limits {
		if d := l.edition(); !slices.Contains(documents, d) {
			documents = append(documents, d)
		}
		if l.Seen == Memory {
			memory++
		}
	}
	s := fmt.Sprintf("Rule profile %s, for %s: %s.", p.Title, kind, strings.Join(documents, "; "))
	if memory > 0 {
		s += fmt.Sprintf(" From memory, check the document: %d of its %d figures.", memory, len(limits))
	}
	if _, ok := p.Opening(stair); !ok {
		s += fmt.Sprintf(" It has no figure for openings: they are held to %g mm.", ball)
	}
	return s
}
