package survey

import (
	"fmt"
	"math"
	"strconv"
	"strings"
	"time"
	"unicode"
	"unicode/utf8"

	"pinchrod/calc/unit"
	"pinchrod/store/journal"
)

// Reading is one thing measured once.
type Reading struct {
	Where    Place
	What     What
	At       At
	Height   unit.Length // above the base rail, of a run
	Value    Quantity
	Text     string      // the value as typed
	U        int64       // standard uncertainty in nm, nrad or µm/km (10⁻⁹); 0 = by the tool
	Tool     string      // empty = the kind's usual tool
	By       string      // whose reading
	When     string      // as typed, one of whenForms
	Note     string      //
	Replaces journal.Ref // the reading this one corrects, or the zero Ref
}

// Kind finds the reading's kind, nil when this version does not know it.
func (r *Reading) Kind() *Kind { return kindOf[r.What] }

// StandardU is the standard uncertainty of the reading in the unit of its
// value (mm, degrees, mm per m): the one given with it, else by its tool's
// class ([Tool.U]), and of a trial piece by its word too ([Quantity.Off]). Where
// the length of a trial piece is not known the error wraps [ErrPiece].
//
// Of n pieces measured together it is that of the reading over n, since the
// value is the width of one.
func (r *Reading) StandardU(kit Kit) (float64, error) { return r.uncertainty(kit, Tool.U) }

// uncertainty is that of the reading, with what its tool brings at a value and a
// setting.
func (r *Reading) uncertainty(kit Kit, of func(t Tool, value, setting float64) float64) (float64, error) {
	k := r.Kind()
	if k == nil {
		return 0, fmt.Errorf("%w %q: it came from a newer version", ErrWhat, r.What)
	}
	word := 0.0
	if k.Measure == Tried {
		if _, known, _, _ := r.Value.Trial(); !known {
			return 0, ErrPiece
		}
		_, word = r.Value.Off()
	}
	n := float64(max(1, r.Value.Together))
	if r.U != 0 {
		if k.Measure == Angle {
			return float64(r.U) * 1e-9 * 180 / math.Pi, nil
		}
		return float64(r.U) * 1e-6 / n, nil
	}
	t, err := r.ToolIn(kit)
	if err != nil {
		return 0, err
	}
	return math.Hypot(of(t, n*r.Value.Value(), k.Setting), word) / n, nil
}

// ToolIn is the tool the reading was taken with: the one it names, else its
// kind's usual one.
func (r *Reading) ToolIn(kit Kit) (Tool, error) {
	name := r.Tool
	if k := r.Kind(); name == "" && k != nil {
		name = k.Tool
	}
	return kit.Tool(name)
}

// Title names the reading as a person says it: "gap at top", "run at height
// 350 mm", "lean-along, lower post", "trial piece at middle".
func (r *Reading) Title() string {
	s := r.What.Words()
	switch r.At.Mark {
	case Nowhere:
	case Lower, Upper:
		s += ", " + r.At.String() + " post"
	case Step:
		s += ", step " + r.At.String()
	case Distance:
		s += " at " + unit.Length(r.At.N).String()
	case Left, Right, Rising, Falling, OnBase, OnRail:
		s += ", " + r.At.String()
	default:
		s += " at " + r.At.String()
	}
	if k := r.Kind(); k != nil && k.Height {
		s += " at height " + r.Height.String()
	}
	return s
}

// Content is what makes two rows of a sheet the same: everything but the text
// as typed and the reading it replaces. "1254" and "1.254 m" are one content.
func (r Reading) Content() Reading {
	r.Text, r.Replaces = "", journal.Ref{}
	return r
}

// Bounds of what a person writes beside a reading, so that one cell cannot
// swamp a page.
const (
	maxWord = 64
	maxNote = 2000
)

// ParseWord checks a short cell, such as who took the reading.
func ParseWord(s string) (string, error) { return words(strings.TrimSpace(s), maxWord, "") }

// ParseNote checks a note, which may run over several lines.
func ParseNote(s string) (string, error) { return words(strings.TrimSpace(s), maxNote, "\n\t") }

// ParseName checks the name of a job.
func ParseName(s string) (string, error) {
	if strings.TrimSpace(s) == "" {
		return "", fmt.Errorf("job's name is empty: give the address or a word for it, such as --job \"14 Mill Lane\"")
	}
	return ParseWord(s)
}

// words refuses what would swamp a page or play with the terminal it is shown
// on.
func words(s string, most int, allowed string) (string, error) {
	if n := utf8.RuneCountInString(s); n > most {
		return "", fmt.Errorf("text of %d characters is %w: at most %d", n, ErrTooLong, most)
	}
	if !utf8.ValidString(s) {
		return "", fmt.Errorf("text %q is not UTF-8: save the sheet as UTF-8", s)
	}
	for _, r := range s {
		if !unicode.IsPrint(r) && !strings.ContainsRune(allowed, r) {
			return "", fmt.Errorf("text %q holds the control character %U: take it out", s, r)
		}
	}
	return s, nil
}

// whenForms are the ways a date and time is written, ISO 8601.
var whenForms = []string{"2006-01-02", "2006-01-02T15:04", "2006-01-02 15:04", "2006-01-02T15:04:05", "2006-01-02 15:04:05", time.RFC3339}

// ParseWhen checks a date, or a date and a time. The error wraps [ErrWhen].
func ParseWhen(s string) (string, error) {
	s = strings.TrimSpace(s)
	if s == "" {
		return "", nil
	}
	for _, f := range whenForms {
		if _, err := time.Parse(f, s); err == nil {
			return s, nil
		}
	}
	return "", fmt.Errorf("%w %q: write 2026-11-25, or 2026-11-25 14:30", ErrWhen, s)
}

// ParseDone is [ParseWhen] of something that was done: it refuses a day that has not
// come by today, later than tomorrow, as somewhere it is tomorrow already.
func ParseDone(s string, today time.Time) (string, error) {
	when, err := ParseWhen(s)
	if err != nil || when == "" {
		return when, err
	}
	// Every form begins with the day, so that days compare as texts.
	if when[:len(time.DateOnly)] > today.AddDate(0, 0, 1).Format(time.DateOnly) {
		return "", fmt.Errorf("%q has not come: it is %s; write the day it was done", when, today.Format(time.DateOnly))
	}
	return when, nil
}

// ParseU reads a standard uncertainty in the unit of the kind's value; empty
// gives 0, which stands for the tool's own.
func (k *Kind) ParseU(s string) (int64, error) {
	s = strings.TrimSpace(s)
	if s == "" {
		return 0, nil
	}
	if strings.Contains(s, ",") {
		return 0, fmt.Errorf("u %q: %w: write a point, %s", s, unit.ErrComma, strings.ReplaceAll(s, ",", "."))
	}
	v, err := strconv.ParseFloat(s, 64)
	if err != nil {
		return 0, fmt.Errorf("u %q %w: write a bare number in %s, or leave it empty", s, errForm, k.Unit())
	}
	scale, most := 1e6, 100.0
	if k.Measure == Angle {
		scale, most = 1e9*math.Pi/180, 10
	}
	// Below a micrometre a reading of a stair has no meaning, and its weight
	// would drown all others.
	if !(v >= 0.001 && v <= most) {
		return 0, fmt.Errorf("u of %g %s %w: expected 0.001 to %g %s", v, k.Unit(), ErrAbsurd, most, k.Unit())
	}
	return int64(math.Round(v * scale)), nil
}

// FormatU writes u as ParseU reads it, empty for 0.
func (k *Kind) FormatU(u int64) string {
	if u == 0 {
		return ""
	}
	scale := 1e6
	if k.Measure == Angle {
		scale = 1e9 * math.Pi / 180
	}
	// The fewest digits that read back: 17 always do for a float64, and u
	// is far below 2⁵³.
	for prec := 1; prec < 17; prec++ {
		s := strconv.FormatFloat(float64(u)/scale, 'g', prec, 64)
		if got, err := k.ParseU(s); err == nil && got == u {
			return s
		}
	}
	return strconv.FormatFloat(float64(u)/scale, 'g', 17, 64)
}
