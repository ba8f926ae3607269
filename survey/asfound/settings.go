package asfound

import (
	"errors"
	"fmt"
	"strconv"
	"strings"

	"pinchrod/calc/fit"
	"pinchrod/calc/layout"
	"pinchrod/calc/rules"
	"pinchrod/calc/timber"
	"pinchrod/calc/unit"
	"pinchrod/survey"
	"pinchrod/survey/fieldbook"
)

// Settings are the house figures. All defaults are common practice, no source,
// unless they say otherwise.
type Settings struct {
	Kit     survey.Kit
	Profile rules.Profile // default none: openings are held to a ball of 100 mm
	Stair   rules.Stair   // which of the profile's figures hold; default private
	Target  float64       // clear gap aimed at between spindles, mm; default 90
	Opening float64       // largest ball that may not pass, mm; 0, the default, leaves it to the profile
	Joint   float64       // widest joint that still looks closed, mm; default 0.5
	House   fit.House     // cutting and fitting
	Ends    Ends          // how the spindles' ends are held, which says what still fits; default groove
	Play    float64       // how far a spindle's head may be slid along the rail over its height, mm; default 1
	Plumb   bool          // the spindles stand plumb; default: with the posts
	Fillets FilletEnds    // how the fillets' ends are cut; default both to the bevel

	// Movement of the timber is reckoned with when its moisture was read and
	// these two are set; off by default.
	Species timber.Species
	Service float64 // moisture content in service, %

	Accuracy fit.Options

	// Inches tells that lengths are typed and echoed in inches on the walk; a
	// bare number is then inches. Sheets, drawings and stock plans are printed in inches, on letter paper.
	Inches bool

	notes []string // what could not be applied
}

// FilletEnds says how the ends of the fillets are cut.
type FilletEnds string

// The ways to cut a fillet's ends. An end left square stands open by the
// fillet's thickness times the tan of its bevel.
const (
	BothBevelled FilletEnds = "both"
	OneBevelled  FilletEnds = "one" // the end whose gap would be seen
	SquareEnded  FilletEnds = "square"
)

// Ends says how the ends of the spindles are held.
type Ends string

// The ways to hold a spindle's ends. A short end hides in a groove between its fillets, and on a peg; a butt shows both.
const (
	Grooved Ends = "groove"
	Butted  Ends = "butt"
	Pegged  Ends = "peg"
)

// tolerances are how much shorter and longer than needed a piece may be and still fit, mm, by how its ends are held.
// Common practice, no source.
var tolerances = map[Ends]struct{ short, long float64 }{Grooved: {2, 0.5}, Butted: {0.5, 0.5}, Pegged: {3, 1}}

// Defaults are the settings used until told otherwise.
func Defaults() Settings {
	return Settings{
		Kit: survey.HouseKit, Profile: rules.None(), Stair: rules.Private, Target: layout.DefaultTarget, Joint: 0.5,
		House: fit.DefaultHouse(), Ends: Grooved, Play: 1, Fillets: BothBevelled, Accuracy: fit.Options{Seed: 1},
	}
}

// ErrSetting means a setting that does not exist or has a value out of reason.
var ErrSetting = errors.New("wrong setting")

// OwnProfile is the setting that holds the text of a user's own rule profile.
const OwnProfile = "profile-rules"

// option is a setting that a job can have.
type option struct {
	name, means string
	set         func(s *Settings, value string) error
}

// number makes an option of a number between two bounds.
func number(name, means string, low, high float64, at func(*Settings) *float64) option {
	means = fmt.Sprintf("%s, %g to %g", means, low, high)
	if house := Defaults(); *at(&house) >= low { // else it has none
		means += fmt.Sprintf("; %g unless set", *at(&house))
	}
	return option{name, means, func(s *Settings, value string) error {
		v, err := strconv.ParseFloat(strings.TrimSpace(value), 64)
		if err != nil || !(v >= low && v <= high) {
			return fmt.Errorf("%w: %s %q: give %g to %g", ErrSetting, name, value, low, high)
		}
		*at(s) = v
		return nil
	}}
}

// Options lists the settings of a job in the order they are applied.
var options = []option{
	{OwnProfile, "the text of a rule profile of your own", func(s *Settings, value string) error {
		p, err := rules.Parse("own", []byte(value))
		if err != nil {
			return fmt.Errorf("%w: %s: %w", ErrSetting, OwnProfile, err)
		}
		p.Title = "own"
		s.Profile = p
		return nil
	}},
	{"profile", "rule profile: " + strings.Join(rules.Profiles(), ", ") + ", own or none; none unless set", func(s *Settings, value string) error {
		switch value {
		case "own":
			if s.Profile.Name != "own" {
				return fmt.Errorf("%w: profile own: give its file with --profile-file", ErrSetting)
			}
			return nil
		case "none":
			s.Profile = rules.None()
			return nil
		}
		p, err := rules.Named(value)
		if err != nil {
			return fmt.Errorf("%w: %w", ErrSetting, err)
		}
		s.Profile = p
		return nil
	}},
	{"stair", "which of the profile's figures hold: private, common, public or utility; private unless set", func(s *Settings, value string) error {
		st, err := rules.ParseStair(value)
		if err != nil {
			return fmt.Errorf("%w: %w", ErrSetting, err)
		}
		s.Stair = st
		return nil
	}},
	number("target", "clear gap aimed at between spindles, mm", 10, 1000, func(s *Settings) *float64 { return &s.Target }),
	number("opening", "largest ball that may not pass, mm, in place of the profile's", 10, 1000, func(s *Settings) *float64 { return &s.Opening }),
	number("joint", "widest joint that still looks closed, mm", 0.05, 10, func(s *Settings) *float64 { return &s.Joint }),
	{"species", "the timber of the spindles, such as white oak, for its movement; not reckoned with unless set", func(s *Settings, value string) error {
		sp, err := timber.Lookup(value)
		if err != nil {
			return fmt.Errorf("%w: %w", ErrSetting, err)
		}
		s.Species = sp
		return nil
	}},
	number("service-moisture", "moisture content of the timber in service, which its movement is reckoned from, %", timber.LowMC, timber.HighMC, func(s *Settings) *float64 { return &s.Service }),
	{"units", "mm or in: what lengths are typed in on the walk, and what sheets, drawings and stock plans are printed in; mm unless set", func(s *Settings, value string) error {
		if value != "mm" && value != "in" {
			return fmt.Errorf("%w: units %q: give mm or in", ErrSetting, value)
		}
		s.Inches = value == "in"
		s.House.SawStep = fit.DefaultHouse().SawStep
		if s.Inches {
			s.House.SawStep = unit.Length(unit.Inch).MM() / 32
		}
		return nil
	}},
	{"fillet-ends", "how fillets are cut off: both ends to the bevel, one, or square; both unless set", func(s *Settings, value string) error {
		switch e := FilletEnds(value); e {
		case BothBevelled, OneBevelled, SquareEnded:
			s.Fillets = e
			return nil
		}
		return fmt.Errorf("%w: fillet-ends %q: give both, one or square", ErrSetting, value)
	}},
	{"ends", "how the spindles' ends are held: groove, butt or peg; it sets short and long; groove unless set", func(s *Settings, value string) error {
		t, ok := tolerances[Ends(value)]
		if !ok {
			return fmt.Errorf("%w: ends %q: give groove, butt or peg", ErrSetting, value)
		}
		s.Ends, s.House.Short, s.House.Long = Ends(value), t.short, t.long
		return nil
	}},
	number("short", "how much shorter than needed a piece may be and still fit, mm", 0.05, 10, func(s *Settings) *float64 { return &s.House.Short }),
	number("long", "how much longer than needed a piece may be and still fit, mm", 0.05, 10, func(s *Settings) *float64 { return &s.House.Long }),
	number("play", "how far a spindle's head may be slid along the rail, mm", 0, 10, func(s *Settings) *float64 { return &s.Play }),
	{"stand", "how the spindles stand: with the posts, or plumb; posts unless set", func(s *Settings, value string) error {
		if value != "posts" && value != "plumb" {
			return fmt.Errorf("%w: stand %q: give posts or plumb", ErrSetting, value)
		}
		s.Plumb = value == "plumb"
		return nil
	}},
	{"saw", "where the pieces are cut: site or workshop; site unless set", func(s *Settings, value string) error {
		if value != "site" && value != "workshop" {
			return fmt.Errorf("%w: saw %q: give site or workshop", ErrSetting, value)
		}
		s.House.Workshop = value == "workshop"
		return nil
	}},
	number("saw-step", "what the saw's stop can be set to, mm, or 1/32 in with units=in", 0.05, 5, func(s *Settings) *float64 { return &s.House.SawStep }),
	{"spares", "spindles carried over length from the workshop, 0 to 100; one in ten and one more unless set", func(s *Settings, value string) error {
		n, err := strconv.Atoi(strings.TrimSpace(value))
		if err != nil || n < 0 || n > 100 {
			return fmt.Errorf("%w: spares %q: give 0 to 100", ErrSetting, value)
		}
		s.House.Spares = n
		return nil
	}},
	number("all-fit", "probability that all pieces fit, without which they are not cut to stops, 0 being off", 0, 0.9999, func(s *Settings) *float64 { return &s.House.AllFit }),
	minutes("setting", "set and prove a stop", func(m *fit.Minutes) *float64 { return &m.Setting }),
	minutes("cut", "cut a piece", func(m *fit.Minutes) *float64 { return &m.Cut }),
	minutes("sort", "mark a piece and sort it to its place", func(m *fit.Minutes) *float64 { return &m.Sort }),
	minutes("trim", "shorten a piece that is a little too long", func(m *fit.Minutes) *float64 { return &m.Trim }),
	minutes("fit", "mark, cut and try a piece that is over length", func(m *fit.Minutes) *float64 { return &m.Fit }),
	minutes("recut", "cut a short piece again, timber included", func(m *fit.Minutes) *float64 { return &m.Recut }),
	minutes("visit", "come a second time", func(m *fit.Minutes) *float64 { return &m.Visit }),
}

// minutes makes an option of a time of the work.
func minutes(of, means string, at func(*fit.Minutes) *float64) option {
	return number("minutes-"+of, "minutes to "+means, 0, 1000, func(s *Settings) *float64 { return at(&s.House.Minutes) })
}

// SettingNames lists the settings of a job with what each means.
func SettingNames() [][2]string {
	var out [][2]string
	for _, o := range options {
		if o.name != OwnProfile {
			out = append(out, [2]string{o.name, o.means})
		}
	}
	return out
}

// Set changes one setting. The error wraps [ErrSetting] and says what would be
// right.
func (s *Settings) Set(name, value string) error {
	var names []string
	for _, o := range options {
		if o.name == name {
			return o.set(s, value)
		}
		if o.name != OwnProfile {
			names = append(names, o.name)
		}
	}
	return fmt.Errorf("%w %q: the settings are %s", ErrSetting, name, strings.Join(names, ", "))
}

// FromBook applies the settings that stand in a job's book. Where two people
// set one apart from each other it stays at its default, and the page says so.
func (s *Settings) FromBook(b *fieldbook.Book) {
	known := map[string]bool{}
	for _, n := range survey.WalkSettings {
		known[n] = true
	}
	for _, o := range options {
		known[o.name] = true
		standing := b.Chosen(o.name)
		if len(standing) == 0 {
			continue
		}
		for _, c := range standing[1:] {
			if c.Value != standing[0].Value {
				s.notes = append(s.notes, fmt.Sprintf("%s was set to %q and to %q by two devices: set it again to rule on it; its default is used", o.name, standing[0].Value, c.Value))
				standing = nil
				break
			}
		}
		if standing == nil {
			continue
		}
		if err := s.Set(o.name, standing[0].Value); err != nil {
			s.notes = append(s.notes, err.Error()+"; its default is used")
		}
	}
	for _, c := range b.Settings() {
		if !known[c.Name] {
			s.notes = append(s.notes, fmt.Sprintf("setting %s is of a newer version and is not used", c.Name))
		}
	}
}

// Note adds something that every page has to say.
func (s *Settings) Note(text string) { s.notes = append(s.notes, text) }

// opening is the ball that may not pass a bay, and where that comes from. At
// the side of a stair some documents allow more than elsewhere.
func (s *Settings) opening(landing bool) (ball float64, from string) {
	if s.Opening > 0 {
		return s.Opening, "set for this job"
	}
	if !landing {
		if l := s.Profile.For(s.Stair, rules.StairSideOpening); len(l) > 0 {
			return l[0].High, l[0].Source()
		}
	}
	l, ok := s.Profile.Opening(s.Stair)
	if !ok || s.Profile.Name == "" {
		return l.High, "no rule profile says; " + l.Source()
	}
	return l.High, l.Source()
}

// Rules says which rules hold and where they come from, for every page.
func (s *Settings) Rules() string {
	used := s.Profile.Used(s.Stair)
	if s.Opening > 0 {
		used += fmt.Sprintf(" For this job openings are held to %g mm.", s.Opening)
	}
	return used
}

// ExampleProfile is the built-in profile of England as the file of one's own
// would be, to begin from.
func ExampleProfile() ([]byte, error) {
	p, err := rules.Named("england")
	if err != nil {
		return nil, err
	}
	return p.CSV(), nil
}
